"""The ranges of each world, and cases drawn from them. README.md gives them in words.

`u` stands for uniform, `l` for even in the logarithm, a list for any of it.
"""

import math

import numpy as np

# name, aperture mm, focal mm, obstruction, vanes (count, mm)
TUBES = {
    "A": [
        ("newtonian 150 f/5", 150, 750, 0.31, (4, 1.0)),
        ("newtonian 200 f/5", 200, 1000, 0.27, (4, 1.5)),
        ("newtonian 254 f/4.7", 254, 1200, 0.25, (4, 1.5)),
        ("schmidt-cassegrain 203 f/10", 203, 2032, 0.34, None),
        ("schmidt-cassegrain 279 f/10", 279, 2800, 0.35, None),
        ("maksutov 127 f/12", 127, 1500, 0.30, None),
        ("ritchey-chretien 152 f/9", 152, 1370, 0.45, (4, 2.0)),
        ("refractor 80 f/7", 80, 560, 0.0, None),
        ("refractor 120 f/7.5", 120, 900, 0.0, None),
        ("cassegrain 300 f/8", 300, 2400, 0.33, (4, 2.0)),
    ],
    "B": [
        ("newtonian 130 f/5", 130, 650, 0.35, (3, 1.2)),
        ("newtonian 178 f/6", 178, 1068, 0.23, (4, 0.8)),
        ("newtonian 305 f/5", 305, 1525, 0.24, (4, 2.0)),
        ("schmidt-cassegrain 235 f/10", 235, 2350, 0.36, None),
        ("maksutov 180 f/15", 180, 2700, 0.29, None),
        ("maksutov 105 f/13", 105, 1365, 0.33, None),
        ("dall-kirkham 250 f/12", 250, 3000, 0.28, (3, 2.5)),
        ("ritchey-chretien 203 f/8", 203, 1624, 0.47, (4, 1.5)),
        ("refractor 72 f/6", 72, 432, 0.0, None),
        ("refractor 102 f/9", 102, 918, 0.0, None),
        ("astrograph 180 f/3.6", 180, 648, 0.48, (4, 1.5)),
    ],
    "C": [
        ("newtonian 114 f/8", 114, 912, 0.25, (3, 1.0)),
        ("newtonian 150 f/8", 150, 1200, 0.22, (4, 0.7)),
        ("newtonian 200 f/4", 200, 800, 0.36, (4, 1.2)),
        ("newtonian 280 f/4.5", 280, 1260, 0.28, (4, 1.6)),
        ("schmidt-cassegrain 150 f/10", 150, 1500, 0.37, None),
        ("schmidt-cassegrain 203 f/6.3", 203, 1279, 0.40, None),
        ("maksutov 90 f/13.8", 90, 1242, 0.32, None),
        ("maksutov-newtonian 140 f/5.6", 140, 784, 0.26, None),
        ("cassegrain 200 f/12", 200, 2400, 0.31, (4, 1.8)),
        ("ritchey-chretien 254 f/8", 254, 2032, 0.46, (4, 2.2)),
        ("refractor 90 f/10", 90, 900, 0.0, None),
        ("refractor 130 f/7", 130, 910, 0.0, None),
    ],
}

RANGES = {
    "A": dict(
        pixel_um=[2.4, 2.9, 3.76, 4.63, 5.86],
        w020_calm=("u", 3.5, 14), w020_air=("u", 5, 12), coma=("u", 0.0, 0.32),
        astig=0.03, trefoil=0.012, spherical=0.04, higher=0.0006,
        donut_calm=(34, 180), donut_air=(30, 96), margin=("u", 9, 40), cap_px=256,
        snr_calm=("l", 15, 200), snr_air=("l", 3, 80),
        d_over_r0=("l", 0.5, 6), exposure_s=("l", 0.001, 0.03), interval_s=("u", 0.01, 0.06),
        outer_m=("l", 5, 50), wind_m_s=("u", 2, 14), frozen_share=("u", 0.5, 1.0),
        jitter_px=("u", 0, 1.5), drift_px=("u", -0.4, 0.4), rest_blur=("u", 0.0, 0.10),
        bits=[8, 12, 12, 14, 16], black=("u", 20, 300), black_zero=0.12, full=("u", 0.15, 0.8),
        read_e=("l", 1, 12), read_tail=0.0, column_e=0.0, sky_e=("l", 0.5, 60),
        slope=("u", 0, 0.6), vignette=("u", 0, 0.06), prnu=0.006, dust=[0, 0, 0, 2, 5],
        hot=[0, 0, 3, 12], dead=[0, 0, 2, 6], amp_glow=[0, 0, 0, 0, 6], shifted=0.4,
    ),
    "B": dict(
        pixel_um=[2.0, 2.315, 3.45, 3.75, 4.5, 5.5],
        w020_calm=("u", 3, 15), w020_air=("u", 4.5, 13), coma=("u", 0.0, 0.35),
        astig=0.04, trefoil=0.015, spherical=0.05, higher=0.001,
        donut_calm=(30, 200), donut_air=(28, 110), margin=("u", 8, 48), cap_px=320,
        snr_calm=("l", 12, 200), snr_air=("l", 2, 100),
        d_over_r0=("l", 0.5, 8), exposure_s=("l", 0.001, 0.03), interval_s=("u", 0.008, 0.08),
        outer_m=("l", 2, 40), wind_m_s=("u", 1, 18), frozen_share=("u", 0.3, 1.0),
        jitter_px=("u", 0, 2.0), drift_px=("u", -0.6, 0.6), rest_blur=("u", 0.0, 0.12),
        bits=[8, 10, 12, 14, 16], black=("u", 10, 500), black_zero=0.15, full=("u", 0.1, 0.9),
        read_e=("l", 1, 15), read_tail=0.01, column_e=0.4, sky_e=("l", 0.3, 100),
        slope=("u", 0, 0.8), vignette=("u", 0, 0.08), prnu=0.01, dust=[0, 0, 1, 4],
        hot=[0, 0, 5, 20], dead=[0, 0, 3], amp_glow=[0, 0, 0, 0, 10], shifted=0.3,
    ),
    "C": dict(
        pixel_um=[1.85, 2.4, 3.3, 4.3, 5.2, 6.45],
        w020_calm=("u", 3, 16), w020_air=("u", 4, 13), coma=("u", 0.0, 0.36),
        astig=0.04, trefoil=0.018, spherical=0.06, higher=0.0012,
        donut_calm=(32, 190), donut_air=(28, 110), margin=("u", 8, 44),
        snr_calm=("l", 10, 220), snr_air=("l", 2, 100),
        d_over_r0=("l", 0.5, 7), exposure_s=("l", 0.001, 0.04), interval_s=("u", 0.01, 0.1),
        outer_m=("l", 3, 60), wind_m_s=("u", 1, 9),
        # Of the layers at the ground, in the middle and high up.
        height_m=(("u", 0, 200), ("u", 1000, 4000), ("u", 6000, 12000)),
        weight=(("u", 0.4, 0.9), ("u", 0, 0.4), ("u", 0, 0.25)), windier=(1, 1.5, 2.5), life_s=("l", 0.015, 0.15),
        jitter_px=("u", 0, 1.5), drift_px=("u", -0.5, 0.5), rest_blur=("u", 0.0, 0.12),
        worm_px=("u", 0, 2.5), worm_s=("l", 0.5, 10), gusty=0.3, gust_px=("u", 1, 4), gust_hertz=("u", 2, 8),
        uneven=("u", 0, 0.03), cloudy=0.15, dimmer=("u", 0.15, 0.5), streaky=0.15,
        off_centre=0.002, oval=("u", 1.0, 1.02), held=0.3, zone=0.02, edge=0.05,
        bits=[8, 12, 14, 14, 16], black=("u", 5, 600), black_zero=0.12, full=("u", 0.12, 0.92),
        read_e=("l", 1, 14), read_tail=0.02, column_e=0.3, sky_e=("l", 0.3, 120),
        slope=("u", 0, 0.8), bow=("u", 0, 0.4), vignette=("u", 0, 0.1), prnu=0.012, dust=[0, 1, 2, 6],
        hot=[0, 2, 8, 25], dead=[0, 0, 2, 4], amp_glow=[0, 0, 0, 8], shifted=0.35,
        knee=("u", 0, 0.04), row_e=("u", 0, 0.25), hits=[0, 0, 0.05],
    ),
}

# What may be wrong with the telling, or with the optics, in an off-nominal set.
FLAWS = (
    "obstruction told", "aperture told", "focal length told", "pixel pitch told", "response",
    "vanes not told", "focuser", "dew cap", "pinched", "dust and vignetting", "band told",
)  # fmt: skip
# Beyond these in world C: a camera program's eight bits with the screen's curve, in a PNG.
CURVED = "curve in a PNG"
TRAPS = ("double star", "in focus", "clipped", "cut", "too faint", "wrong instrument", "refocused", "disc")


def pick(rng, how):
    if isinstance(how, list):
        return how[int(rng.integers(len(how)))]
    kind, a, b = how
    return float(rng.uniform(a, b) if kind == "u" else math.exp(rng.uniform(math.log(a), math.log(b))))


def tube_of(rng, world, obstructed=False):
    some = [t for t in TUBES[world] if t[3] > 0 or not obstructed]
    name, aperture, focal, obstruction, vanes = some[int(rng.integers(len(some)))]
    tube = dict(name=name, aperture_mm=float(aperture), focal_mm=float(focal), obstruction=obstruction)
    if vanes:
        tube["vanes"] = dict(count=vanes[0], width_mm=vanes[1], angle_deg=float(rng.uniform(0, 360)))
    if world == "C":
        tube |= worn(rng, RANGES[world], tube)
    return tube


def worn(rng, r, tube):
    """What a club's instrument has and its papers leave out; lengths in radii, waves at 550 nm."""
    found = {}
    if tube["obstruction"]:
        found["decentre"] = tuple(float(v) for v in rng.normal(0, r["off_centre"], 2))
        found["oval"] = dict(ratio=pick(rng, r["oval"]), angle_deg=float(rng.uniform(0, 180)))
        if "vanes" in tube and rng.random() < r["held"]:
            found["holder"] = dict(
                angle_deg=float(rng.uniform(0, 360)), beyond=float(rng.uniform(0.01, 0.04)), width=float(rng.uniform(0.03, 0.08))
            )
    if rng.random() < 0.5:
        found["figure"] = {
            "zone": float(rng.normal(0, r["zone"])), "at": float(rng.uniform(0.35, 0.8)), "width": float(rng.uniform(0.05, 0.12)),
            "edge": float(rng.normal(0, r["edge"])), "from": float(rng.uniform(0.94, 0.98)),
        }  # fmt: skip
    return found


def night_of(rng, world, frames):
    """What changes from frame to frame: light, and in long rows a satellite now and then."""
    if world != "C":
        return {}
    r = RANGES[world]
    levels = 1 + rng.normal(0, pick(rng, r["uneven"]), frames)
    streak = None
    if frames >= 10:
        if rng.random() < r["cloudy"]:
            middle, wide = rng.uniform(0, frames), rng.uniform(3, 8)
            levels *= 1 - pick(rng, r["dimmer"]) * np.exp(-(((np.arange(frames) - middle) / wide) ** 2) / 2)
        if rng.random() < r["streaky"]:
            streak = dict(
                frame=int(rng.integers(frames)), rad=float(rng.uniform(0, math.pi)), off_px=float(rng.uniform(-40, 40)),
                width_px=float(rng.uniform(1, 4)), bright=float(rng.uniform(0.3, 4)),
            )  # fmt: skip
    return dict(levels=(levels / levels.mean()).tolist(), streak=streak)


def mount_of(rng, world, seconds):
    """Unsteady tracking, beyond jitter and drift."""
    if world != "C":
        return None
    r = RANGES[world]
    gusts = 1 + int(rng.random() < 0.5) if rng.random() < r["gusty"] else 0
    return dict(
        worm_px=pick(rng, r["worm_px"]), worm_s=pick(rng, r["worm_s"]), worm_phase=float(rng.random()),
        worm_rad=float(rng.uniform(0, 2 * math.pi)),
        gusts=[
            dict(
                at_s=float(rng.uniform(0, seconds)), px=pick(rng, r["gust_px"]), hertz=pick(rng, r["gust_hertz"]),
                life_s=float(rng.uniform(0.2, 0.6)), rad=float(rng.uniform(0, 2 * math.pi)),
            )
            for _ in range(gusts)
        ],
    )  # fmt: skip


def donut_px(tube, w020, pixel_um):
    """Outer diameter of the donut by rays without coma."""
    return 8 * tube["focal_mm"] / tube["aperture_mm"] * abs(w020) * 0.55 / pixel_um


def geometry_of(rng, world, tube, air):
    """Defocus and pixel for which the donut has a fair size."""
    r = RANGES[world]
    low, high = r["donut_air" if air else "donut_calm"]
    for _ in range(400):
        w = pick(rng, r["w020_air" if air else "w020_calm"])
        pixel = pick(rng, r["pixel_um"])
        if low <= donut_px(tube, w, pixel) <= high:
            return w * (1 if rng.random() < 0.5 else -1), pixel
    raise ValueError(f"no fair size for {tube['name']}")


def wave_of(rng, world, w020):
    """Noll coefficients, waves RMS at 550 nm."""
    r = RANGES[world]
    coma, a = pick(rng, r["coma"]), rng.uniform(0, 2 * math.pi)
    z = {4: w020 / (2 * math.sqrt(3)), 7: coma * math.sin(a), 8: coma * math.cos(a)}
    for j, sd in ((5, "astig"), (6, "astig"), (9, "trefoil"), (10, "trefoil"), (11, "spherical")):
        z[j] = float(rng.normal(0, r[sd]))
    rough = r["higher"] if rng.random() < 0.5 else 0.0
    for j in range(12, 23):
        z[j] = float(rng.normal(0, rough))
    return z


def band_of(rng):
    """True wavelengths with weights, and what is told of them (None: the program's own default)."""
    kind = int(rng.integers(4))
    if kind == 0:
        return [(550.0, 1.0)], None
    if kind == 1:
        return [(515.0, 0.25), (540.0, 0.25), (565.0, 0.25), (590.0, 0.25)], (552.0, 100.0)
    if kind == 2:
        return [(510.0, 0.3), (550.0, 0.4), (590.0, 0.3)], None
    # White light on a silicon sensor, redder than it is told.
    return [(450.0, 0.14), (500.0, 0.21), (550.0, 0.23), (600.0, 0.20), (650.0, 0.14), (690.0, 0.08)], (555.0, 250.0)


def camera_of(rng, world):
    """A camera, but for its gain (see `exposed`)."""
    r = RANGES[world]
    bits = pick(rng, r["bits"])
    black = 0.0 if rng.random() < r["black_zero"] else min(round(pick(rng, r["black"])), 2**bits // 16)
    camera = dict(
        bits=bits, black_adu=float(black), read_e=pick(rng, r["read_e"]), full=pick(rng, r["full"]),
        read_tail=r["read_tail"], column_e=r["column_e"] * float(rng.random()), sky_e=pick(rng, r["sky_e"]),
        slope=pick(rng, r["slope"]), slope_angle_deg=float(rng.uniform(0, 360)),
        vignette=pick(rng, r["vignette"]), prnu=r["prnu"] * float(rng.random()),
        dust=pick(rng, r["dust"]), hot=pick(rng, r["hot"]), dead=pick(rng, r["dead"]),
        amp_glow_e=float(pick(rng, r["amp_glow"])), response=1.0,
        shifted=bool(8 < bits < 16 and rng.random() < r["shifted"]),
    )  # fmt: skip
    if world == "C":
        camera |= dict(
            bow=pick(rng, r["bow"]), saddle=bool(rng.random() < 0.5), hits=pick(rng, r["hits"]),
            knee=pick(rng, r["knee"]), row_e=camera["read_e"] * pick(rng, r["row_e"]),
        )  # fmt: skip
    return camera


def level_of(snr, camera):
    """Electrons of light whose signal to noise in one frame is `snr`."""
    dark = camera["sky_e"] + camera["read_e"] ** 2
    return (snr**2 + math.sqrt(snr**4 + 4 * snr**2 * dark)) / 2


def exposed(camera, peak_e):
    """Gives the camera the gain that puts the brightest pixel where a person would have it."""
    span = 2 ** camera["bits"] - 1 - camera["black_adu"]
    # No camera has less than a fiftieth of an electron a count.
    camera["gain_e_per_adu"] = max((peak_e + 2 * camera["sky_e"]) / (span * camera["full"]), 0.02)
    return camera


def air_of(rng, world):
    r = RANGES[world]
    exposure, interval = pick(rng, r["exposure_s"]), pick(rng, r["interval_s"])
    spec = dict(
        d_over_r0_500=pick(rng, r["d_over_r0"]), outer_m=pick(rng, r["outer_m"]),
        exposure_s=exposure, interval_s=max(interval, exposure), step_s=0.008,
    )  # fmt: skip
    if world == "C":
        spec["layers"] = [
            dict(
                height_m=pick(rng, h), share=pick(rng, w), wind_m_s=pick(rng, r["wind_m_s"]) * f,
                angle_deg=float(rng.uniform(0, 360)), life_s=pick(rng, r["life_s"]),
            )
            for h, w, f in zip(r["height_m"], r["weight"], r["windier"])
        ]  # fmt: skip
        return spec
    share = pick(rng, r["frozen_share"])
    winds = [(pick(rng, r["wind_m_s"]), float(rng.uniform(0, 360))) for _ in range(2)]
    if world == "A":
        spec["layers"] = [
            dict(kind="frozen", share=share, wind_m_s=winds[0][0], angle_deg=winds[0][1]),
            dict(kind="boiling", share=1.0001 - share, life_s=float(rng.uniform(0.005, 0.05)), angle_deg=winds[1][1]),
        ]
    else:
        spec["layers"] = [
            dict(share=share, wind_m_s=winds[0][0], angle_deg=winds[0][1], hold=1.0),
            dict(share=1.0001 - share, wind_m_s=winds[1][0] / 3, angle_deg=winds[1][1], hold=float(rng.uniform(0.8, 0.97))),
        ]
    return spec
