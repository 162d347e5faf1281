"""One set of frames of one star on one side of focus, with its truth."""

import math
from dataclasses import dataclass, field

import numpy as np

import optic
import sensor as sn
import truth as tr
from optic import Air, Band, Camera, Tube
from sensor import Sensor

TUBES = {
    "sct": Tube("Schmidt-Cassegrain", 203.0, 2030.0, 0.34),
    "newtonian": Tube("Newtonian", 150.0, 750.0, 0.25, vanes=4, vane_mm=1.0, vane_clock_deg=45.0),
    "maksutov": Tube("Maksutov-Cassegrain", 127.0, 1651.0, 0.30),
    "ritchey": Tube(
        "Ritchey-Chretien", 203.0, 1624.0, 0.47, vanes=4, vane_mm=2.0, vane_clock_deg=0.0
    ),
    "refractor": Tube("apochromat", 102.0, 714.0, 0.0),
    "cassegrain": Tube(
        "classical Cassegrain", 180.0, 2160.0, 0.33, vanes=4, vane_mm=2.0, vane_clock_deg=20.0
    ),
}

MONO = [Band(550, 0)]
GREEN = [Band(550, 100)]
WHITE = [Band(550, 250)]
# A colour camera's three dyes, as flat bands; shares of the star's light.
COLOUR = [Band(625, 90, 0.8), Band(535, 100, 1.0), Band(465, 90, 0.7)]


@dataclass
class Shot:
    """How a set is taken. Lengths in pixels unless named."""

    pixel_um: float
    shape: tuple  # rows, columns
    star: tuple  # where untilted light falls: x right, y down
    bands: list = field(default_factory=lambda: GREEN)
    level: float = 0.2  # mean ring level, share of the converter's range
    sensor: Sensor = Sensor()
    sky_e: float = 30.0
    tilt: float = 0.0
    tilt_clock: float = 0.0
    hot: int = 0
    seeing: float = 0.0  # FWHM of a long-exposure blur
    frames: int = 1
    drift: tuple = (0.0, 0.0)  # per frame, x right, y down
    jitter: float = 0.0  # random walk per frame
    d_over_r0: float = 0.0  # short exposures through moving air
    hop: float = 1.5  # apertures of wind between frames
    exposure: float = 0.0  # apertures of wind during one frame; 0 for a snapshot
    response: float = 1.0
    dust: int = 0
    smear: float = 0.0
    smear_clock: float = 0.0
    spoil: dict = field(default_factory=dict)  # frame index -> "gust" | "clipped"
    samples: int = 0  # pupil samples, 0 for as many as needed
    cap: float = 0.0  # if set, the brightest pixel stays under this share of the range


def _geometry(tube, wave, shot):
    """Patch half width and pupil samples for a shot."""
    radius = optic.outer_radius_px(tube, wave, shot.pixel_um)
    w = 3 * math.sqrt(8)
    spread = 2 * tube.n * 0.55 / shot.pixel_um * 3 * w * math.hypot(*wave.coma)
    half = 1.25 * radius + spread + 10 + 2.2 * shot.seeing + 12 * 0.55 * tube.n / shot.pixel_um
    if shot.d_over_r0:
        half += 1.2 * shot.d_over_r0 * 0.55 * tube.n / shot.pixel_um
    half = math.ceil(half)
    # The band with the shortest light needs the most samples.
    need = max(
        optic.samples_for(tube, b, shot.pixel_um, half / 1.42, radius * 1.1) for b in shot.bands
    )
    return radius, half, shot.samples or need


def make_set(tube, wave, shot, rng):
    """Returns (pictures, info, proof).

    pictures: counts, one per frame, (rows, cols) or (rows, cols, 3) for three
    bands. info: truth of the set for the manifest. proof: the noiseless patch of
    frame 0 without turbulence and its star position, for the geometric check.
    """
    radius, half, samples = _geometry(tube, wave, shot)
    size = 2 * half + 1
    cams = [
        Camera(tube, shot.pixel_um, (size, size), b, samples, wave.shadow, wave.w020)
        for b in shot.bands
    ]
    still = optic.wavefront(tube, wave, samples)
    air = Air(int(rng.integers(1 << 62))) if shot.d_over_r0 else None
    grey = math.pi * max(radius, 2.0) ** 2 * (1 - tube.obstruction**2)
    flux = shot.level * (shot.sensor.top - shot.sensor.offset) * shot.sensor.gain_e * grey
    specks = sn.dust(shot.shape, rng, shot.dust) if shot.dust else 1.0
    sky = sn.slope(shot.shape, shot.sky_e, shot.tilt, shot.tilt_clock)
    rays = tr.ray_truth(tube, wave, shot.pixel_um)
    # The same pixels are hot in every frame of a set.
    cells = math.prod(shot.shape)
    hot = (rng.integers(0, cells, shot.hot), rng.uniform(0.6, 1.0, shot.hot)) if shot.hot else None
    walk = np.zeros(2)
    pictures, frames, kept, proof = [], [], None, None
    cap = shot.cap * (shot.sensor.top - shot.sensor.offset) * shot.sensor.gain_e
    for k in range(shot.frames):
        at = np.array(shot.star, float) + np.array(shot.drift) * k + walk
        walk = walk + rng.normal(0, shot.jitter, 2) if shot.jitter else walk
        whole = np.floor(at).astype(int)
        inner = tuple(at - whole + half)
        moved = {}
        if air:
            kept, moved = _through_air(tube, shot, cams, still, air, inner)
        elif shot.jitter or any(shot.drift) or kept is None:
            kept = [c.picture(still, inner, shot.seeing) for c in cams]
        if proof is None:
            clean = kept if not air else [c.picture(still, inner) for c in cams]
            proof = (sum(p * b.share for p, b in zip(clean, shot.bands)), inner)
            if cap:
                peak = max(p.max() * b.share for p, b in zip(clean, shot.bands))
                flux = min(flux, cap / peak)
        spoilt = shot.spoil.get(k)
        gain = 6.0 if spoilt == "clipped" else 1.0
        planes = []
        for light, band in zip(kept, shot.bands):
            if shot.smear:
                light = sn.smear(light, shot.smear, shot.smear_clock)
            if spoilt == "gust":
                light = sn.smear(light, 1.2 * radius, 70.0)
            laid = sn.paste(light, shot.shape, (whole[1] - half, whole[0] - half))
            e = (laid * flux * gain * band.share + sky) * specks
            planes.append(sn.expose(e, shot.sensor, rng, hot, shot.response))
        pictures.append(planes[0] if len(planes) == 1 else np.stack(planes, axis=-1))
        frames.append(_frame_truth(tube, shot, at, rays, moved, spoilt))
    info = {
        "side": "outside" if wave.w020 > 0 else "inside",
        "defocus_waves": round(wave.w020, 5),
        "outer_radius_px": round(radius, 3),
        "shadow_radius_px": round(radius * tube.obstruction, 3),
        "shadow_offset_px": _rounded(rays["shadow_offset"]),
        "ring_thin_clock_deg": _ring_thin(rays),
        "flux_e": round(flux),
        "sky_e": shot.sky_e,
        "seeing_fwhm_px": shot.seeing,
        "d_over_r0": shot.d_over_r0,
        "camera": shot.sensor.told(),
        "frames": frames,
    }
    good = [f["turbulence_noll"] for f in frames if "turbulence_noll" in f and "spoilt" not in f]
    if good:
        info["wind_apertures"] = {"between_frames": shot.hop, "during_one": shot.exposure}
        info["mean_turbulence_a7_a8"] = [
            round(float(np.mean([g[j] for g in good])), 6) for j in ("7", "8")
        ]
    return pictures, info, proof


def _through_air(tube, shot, cams, still, air, inner):
    """One frame through moving air: its light per band and its mean turbulence (Noll)."""
    looks = 1 + math.ceil(shot.exposure / 0.3)
    air.blow(shot.hop)
    light, modes = [0.0] * len(cams), []
    for _ in range(looks):
        stir = air.opd(cams[0].grid, shot.d_over_r0)
        modes.append(optic.project(stir, tube, cams[0].samples))
        for i, cam in enumerate(cams):
            light[i] = light[i] + cam.picture(still + stir, inner, shot.seeing) / looks
        if looks > 1:
            air.blow(shot.exposure / (looks - 1))
    return light, {j: float(np.mean([m[j] for m in modes])) for j in modes[0]}


def _rounded(pair, places=4):
    return None if pair is None else [round(float(v), places) for v in pair]


def _ring_thin(rays):
    """Where the bright ring is thinnest as the rays go (coma and decentred shadow together)."""
    off = rays["shadow_offset"]
    if off is None:
        off = (rays["light"][0] - rays["outer"][0], rays["light"][1] - rays["outer"][1])
    return round(tr.clock(*off), 3) if math.hypot(*off) > 1e-9 else None


def _frame_truth(tube, shot, at, rays, moved, spoilt):
    k = 4 * tube.n * 0.55 / shot.pixel_um
    x = at[0] + rays["outer"][0] + k * moved.get(2, 0.0)
    y = at[1] - rays["outer"][1] - k * moved.get(3, 0.0)
    out = {"centre_px": _rounded((x, y), 3), "tilt_free_px": _rounded(at, 3)}
    if moved:
        out["turbulence_noll"] = {str(j): round(moved[j], 6) for j in range(2, 12)}
    if spoilt:
        out["spoilt"] = spoilt
    return out


def told(tube, shot, side, **wrong):
    """The set-up as a person would type it; `wrong` overrides."""
    lo = min(b.centre_nm - b.width_nm / 2 for b in shot.bands)
    hi = max(b.centre_nm + b.width_nm / 2 for b in shot.bands)
    single = len(shot.bands) == 1
    setup = {
        "aperture_mm": tube.aperture_mm,
        "focal_mm": tube.focal_mm,
        "obstruction": tube.obstruction,
        "pixel_um": shot.pixel_um,
        "wavelength_nm": shot.bands[0].centre_nm if single else 550.0,
        "bandwidth_nm": hi - lo if single else 250.0,
        "side": side,
        "vanes": None,
    }
    if tube.vanes:
        setup["vanes"] = {
            "count": tube.vanes,
            "width_mm": tube.vane_mm,
            "clock_deg": tube.vane_clock_deg,
        }
    setup.update(wrong)
    return setup


def wave_truth(wave):
    """The case's own wavefront, for the manifest."""
    x, y = wave.coma
    size = math.hypot(x, y)
    return {
        "a7": round(y, 6),
        "a8": round(x, 6),
        "coma_rms_waves": round(size, 6),
        "thin_clock_deg": round(tr.clock(-x, -y), 3) if size > 1e-9 else None,
        "noll": {str(j): round(v, 6) for j, v in sorted(wave.noll.items()) if j != 4},
        "shadow_decentre": _rounded(wave.shadow),
    }


def check_direction(tube, wave, proof, shot, note):
    """Measure the noiseless patch by pixels alone and hold the truth to it.

    Returns the measured offset over the ray value, or None where the check
    does not apply (hardly any coma, folded rays, too few pixels, a shadow filled
    by diffraction).
    """
    light, at = proof
    rays = tr.ray_truth(tube, wave, shot.pixel_um)
    radius = optic.outer_radius_px(tube, wave, shot.pixel_um)
    w131 = 3 * math.sqrt(8) * math.hypot(*wave.coma)
    if radius < 12 or abs(wave.w020) < 4 or w131 > 0.16 * abs(wave.w020):
        return None
    start = (at[0] + rays["outer"][0], at[1] - rays["outer"][1])
    seen = tr.ring_geometry(light, tube.obstruction, start, radius)
    if tube.obstruction > 0:
        share = seen["shadow_radius_px"] / (tube.obstruction * radius)
        if seen["shadow_seen"] < 0.8 or abs(share - 1) > 0.4:
            return None
    want = rays["shadow_offset"]
    if want is None:
        want = tuple(a - b for a, b in zip(rays["light"], rays["outer"]))
    size = math.hypot(*want)
    airy = tube.n * 0.55 / shot.pixel_um
    if size < 0.8 * airy or size < 0.8:
        return None
    gap = tr.clock_gap(seen["thin_clock_deg"], tr.clock(*want))
    # Edges of a diffracted picture are read to a third of lambda N; where coma and
    # a shadow off centre nearly cancel, that is more than 12 degrees.
    most = max(12, math.degrees(math.atan2(0.35 * airy, size)))
    assert gap < most, (
        f"{note}: ring thinnest at {seen['thin_clock_deg']:.1f}, rays say {tr.clock(*want):.1f}"
    )
    if wave.shadow == (0.0, 0.0):
        x, y = wave.coma
        assert tr.clock_gap(seen["thin_clock_deg"], tr.clock(-x, -y)) < most, note
    off = math.hypot(seen["centre_px"][0] - start[0], seen["centre_px"][1] - start[1])
    assert off < 1.0 + 1.2 * airy, f"{note}: outer edge's centre is {off:.2f} px from the rays'"
    assert abs(seen["outer_radius_px"] / radius - 1) < 0.08 + airy / radius, note
    return math.hypot(*seen["shadow_offset_px"]) / size, gap
