"""Makes sets of star-test frames with a known wavefront in one of three worlds.

    python make.py --world A --seed 1 --out DIR [--calm 16 --seeing 24 --offnominal 12 --pair 6 --traps 40]

Writes the frames and DIR/truth.json. Case k of a kind and seed is the same whatever the counts.
"""

import argparse
import json
import math
import os
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

import draw
import scene
from camera import debayered, encoded, srgb, stored, write_fits

KINDS = ("calm", "seeing", "offnominal", "pair", "traps")
CONVENTION = (
    "Image axes: x right, y up; FITS rows go up. W = sum a_j Z_j, waves RMS at 550 nm, Noll (1976) modes over "
    "the unit circle; light from pupil point (x, y) lands at + grad W. Coma vector = (Z8, Z7). Z4 > 0 is "
    "'inside'. shadow_decentre is as seen outside focus, in radii, x right and y up. atm_* is the coma that the "
    "air itself had, (Z8, Z7). photon_floor is the least standard deviation of Z8 and Z7."
)


def told_of(tube, pixel_um, z4, band_told, rng, vanes):
    told = dict(
        aperture_mm=tube["aperture_mm"], focal_mm=tube["focal_mm"], obstruction=tube["obstruction"],
        pixel_um=pixel_um, side="inside" if z4 > 0 else "outside",
    )  # fmt: skip
    if rng.random() < 1 / 8:
        told["side"] = "unknown"
    if band_told:
        told["wavelength_nm"], told["bandwidth_nm"] = band_told
    if vanes and tube.get("vanes"):
        v = tube["vanes"]
        turned = 0 if z4 > 0 else 180
        told["vanes"] = dict(
            count=v["count"], width_mm=v["width_mm"], clock_deg=round((90 - v["angle_deg"] + turned) % 360, 2)
        )
    return told


class Maker:
    def __init__(self, world, seed, out, off_centre=0.0):
        self.world, self.seed, self.out, self.off_centre = world, seed, Path(out), off_centre
        self.ranges = draw.RANGES[world]
        self.out.mkdir(parents=True, exist_ok=True)

    def case(self, kind, k):
        drawn = [self.seed, "ABC".index(self.world), KINDS.index(kind), k]
        # Of a generator of its own: all else of the case is the same as without.
        self.decentre = np.random.default_rng([*drawn, 1]).normal(0, self.off_centre, 2)
        return getattr(self, kind)(f"{kind}{k:02d}", np.random.default_rng(drawn), k)

    # ---- the parts that kinds share ----

    def layout(self, rng, reach, margin, off_centre):
        """A region of interest, even in rows and columns, and the axis' pixel in it."""
        half = reach + margin
        least = int(2 * half) + 3
        rows, cols = (max(64, least + int(rng.integers(0, 2 + off_centre))) // 2 * 2 for _ in range(2))
        at = [int(rng.integers(math.ceil(half), max(n - math.ceil(half), math.ceil(half) + 1))) for n in (cols, rows)]
        return (rows, cols), at

    def setting(self, rng, air=False, obstructed=False, tube=None):
        tube = tube or draw.tube_of(rng, self.world, obstructed)
        if self.off_centre and tube["obstruction"]:
            tube.setdefault("decentre", tuple(map(float, self.decentre)))
        w020, pixel = draw.geometry_of(rng, self.world, tube, air)
        z = draw.wave_of(rng, self.world, w020)
        band, told = draw.band_of(rng)
        return tube, z, pixel, band, told

    def store(self, name, counts, camera, rng, kinds=("fits", "fits", "png", "tif")):
        data = stored(counts, camera)
        eight = camera["bits"] == 8
        if len(data) > 1 and rng.random() < 0.7:
            write_fits(self.out / f"{name}.fits", data, {"EIGHT": eight})
            return [f"{name}.fits"]
        kind, files = kinds[int(rng.integers(len(kinds)))], []
        for i, picture in enumerate(data):
            file = f"{name}.{kind}" if len(data) == 1 else f"{name}-{i:02d}.{kind}"
            if kind == "fits":
                write_fits(self.out / file, picture, {"EIGHT": eight})
            else:
                (self.out / file).write_bytes(encoded(picture, kind, 8 if eight else 16))
            files.append(file)
        return files

    def entry(self, name, kind, tube, z, pixel, told, files, **more):
        return dict(
            id=name, kind=kind, files=files, told=told, instrument=tube["name"], true_tube=tube, pixel_um=pixel,
            zernike_noll_waves_rms={f"Z{j}": c for j, c in z.items()},
            defocus_waves_pv=2 * math.sqrt(3) * z[4],
            coma_rms=math.hypot(z[7], z[8]), coma_angle_deg=math.degrees(math.atan2(z[7], z[8])) % 360,
            thin_clock_deg=(270 - math.degrees(math.atan2(z[7], z[8]))) % 360,
            donut_diameter_px=draw.donut_px(tube, 2 * math.sqrt(3) * z[4], pixel),
            must_refuse=False, **more,
        )  # fmt: skip

    def quiet(self, name, rng, setting, frames, snr, camera=None, layout=None, clip=None, floor=True):
        """Frames of a quiet night; returns what the entry needs."""
        tube, z, pixel, band, _ = setting
        r = self.ranges
        reach = scene.extent(tube, z, pixel)
        sigma = draw.pick(rng, r["rest_blur"]) * draw.donut_px(tube, 2 * math.sqrt(3) * z[4], pixel) / 2
        margin = max(draw.pick(rng, r["margin"]), 2.5 * sigma + 4)
        shape, at = layout(rng, reach, margin) if layout else self.layout(rng, reach, margin, 60)
        star = scene.Star(self.world, tube, z, pixel, int(2 * (reach + max(margin, 16, 0.4 * reach))) | 1, band)
        blur = scene.blur_of(rng, sigma)
        drift = rng.uniform(-0.5, 0.5, 2)
        pictures = []
        for i in range(frames):
            move = star.shift(*(drift * i + rng.normal(0, 0.5, 2)))
            pictures.append(star.light(move))
        camera = camera or draw.camera_of(rng, self.world)
        night = draw.night_of(rng, self.world, frames)
        counts, cam, flux, mean = scene.expose(star, camera, shape, at, pictures, snr, rng, clip, blur, **night)
        more = dict(night, shape=[frames, *shape], at_px=at, camera=camera, snr=snr, flux_e_per_frame=flux, frames=frames, blur_px=sigma)
        if floor:
            more["photon_floor"] = scene.photon_floor(star, blur, flux, cam.variance_e2(flux * mean), frames, at)
        return counts, camera, star, more

    # ---- kinds ----

    def calm(self, name, rng, k):
        setting = self.setting(rng)
        tube, z, pixel, band, band_told = setting
        snr, frames = draw.pick(rng, self.ranges["snr_calm"]), int(rng.integers(1, 4))
        special = rng.random()
        if special < 0.07:
            # A JPEG of eight bits with the curve that the format implies.
            camera = draw.camera_of(rng, self.world) | dict(bits=8, black_adu=0.0, shifted=False)
            camera["sky_e"] = max(camera["sky_e"], 8.0)
            counts, camera, _, more = self.quiet(name, rng, setting, 1, max(snr, 30), camera)
            files, more["format"] = self.curved(name, counts, "jpg", int(rng.integers(85, 98))), "jpeg"
        elif special < 0.14 or (self.world == "C" and special < 0.21):
            files, more, band_told = self.mosaic(name, rng, setting, max(snr, 25), special > 0.14)
        else:
            counts, camera, _, more = self.quiet(name, rng, setting, frames, snr)
            files = self.store(name, counts, camera, rng)
        told = told_of(tube, pixel, z[4], band_told, rng, rng.random() < 0.6)
        return self.entry(name, "calm", tube, z, pixel, told, files, **more)

    def curved(self, name, counts, kind, quality=0):
        """One frame of eight bits with the sRGB curve."""
        data = np.rint(255 * srgb(counts[0] / 255))
        (self.out / f"{name}.{kind}").write_bytes(encoded(data, kind, 8, quality))
        return [f"{name}.{kind}"]

    def mosaic(self, name, rng, setting, snr, in_colour=False):
        """A colour camera's frame: each pixel sees one band. Raw, or in colour as its program makes it."""
        tube, z, pixel, _, _ = setting
        bands = {"R": [(590.0, 0.3), (615.0, 0.4), (650.0, 0.3)], "G": [(505.0, 0.3), (530.0, 0.4), (560.0, 0.3)],
                 "B": [(440.0, 0.4), (465.0, 0.4), (490.0, 0.2)]}  # fmt: skip
        share = {"R": 0.55, "G": 1.0, "B": 0.6}
        reach, margin = scene.extent(tube, z, pixel), draw.pick(rng, self.ranges["margin"])
        shape, at = self.layout(rng, reach, margin, 60)
        star = scene.Star(self.world, tube, z, pixel, int(2 * (reach + max(margin, 16, 0.4 * reach))) | 1, bands["B"])
        whole = {c: star.light(band=b) for c, b in bands.items()}
        frame = {c: scene.paste(p, star.axis, shape, at) * share[c] for c, p in whole.items()}
        pattern = ("RGGB", "BGGR", "GRBG", "GBRG")[int(rng.integers(4))]
        # The pattern is named from the top left as displayed; rows here go up, and are even in number.
        mixed = np.zeros(shape)
        for i, colour in enumerate(pattern):
            row, col = i // 2, i % 2
            mixed[1 - row :: 2, col::2] = frame[colour][1 - row :: 2, col::2]
        camera = draw.camera_of(rng, self.world)
        level = frame["G"][frame["G"] > 0.5 * np.percentile(frame["G"][frame["G"] > 0.1 * frame["G"].max()], 95)].mean()
        flux = draw.level_of(snr, camera) / level
        draw.exposed(camera, flux * mixed.max())
        cam = scene.Camera(camera, shape, rng)
        counts = stored(cam.counts(flux * mixed), camera)
        more = dict(shape=[1, *shape], at_px=at, camera=camera, snr=snr, flux_e_per_frame=flux, frames=1, format="mosaic", blur_px=0.0)
        if in_colour:
            bits, kind = (8, "png") if camera["bits"] == 8 else (16, "tif")
            (self.out / f"{name}.{kind}").write_bytes(encoded(np.rint(debayered(counts, pattern)), kind, bits))
            return [f"{name}.{kind}"], more | {"format": "debayered"}, (545.0, 250.0)
        write_fits(self.out / f"{name}.fits", counts[::-1], {"ROWORDER": "TOP-DOWN", "BAYERPAT": pattern, "XBAYROFF": 0, "YBAYROFF": 0})
        return [f"{name}.fits"], more, (545.0, 250.0)

    def seeing(self, name, rng, k):
        r = self.ranges
        tube, z, pixel, band, band_told = self.setting(rng, air=True)
        spec = draw.air_of(rng, self.world)
        frames, ratio = 30, tube["focal_mm"] / tube["aperture_mm"]
        d = spec["d_over_r0_500"]
        wide = 0.55 * ratio / pixel * d  # a long exposure's width, px
        jitter, drift = draw.pick(rng, r["jitter_px"]), (draw.pick(rng, r["drift_px"]), draw.pick(rng, r["drift_px"]))
        reach = scene.extent(tube, z, pixel) + 0.6 * wide + 1.5 * jitter + 15 * max(map(abs, drift))
        mount = draw.mount_of(rng, self.world, frames * spec["interval_s"])
        if mount:
            reach += mount["worm_px"] + max((g["px"] for g in mount["gusts"]), default=0.0)
        shape, at = self.layout(rng, reach, draw.pick(rng, r["margin"]), 14)
        star = scene.Star(self.world, tube, z, pixel, int(2 * reach + 28) | 1, band)
        pictures, coma, subs = scene.through_air(self.world, star, spec, frames, rng, jitter, drift, mount)
        camera = draw.camera_of(rng, self.world)
        snr = draw.pick(rng, r["snr_air"])
        night = draw.night_of(rng, self.world, frames)
        counts, cam, flux, mean = scene.expose(star, camera, shape, at, pictures, snr, rng, **night)
        files = self.store(name, counts, camera, rng)
        blur = lambda p: scene.kolmogorov(p, 0.8 * wide)  # noqa: E731
        told = told_of(tube, pixel, z[4], band_told, rng, rng.random() < 0.6)
        return self.entry(
            name, "seeing", tube, z, pixel, told, files, shape=[frames, *shape], at_px=at, camera=camera, snr=snr,
            flux_e_per_frame=flux, frames=frames, air=spec, sub_exposures=subs,
            atm_coma_mean=coma.mean(axis=0).tolist(), atm_coma_frame_std=coma.std(axis=0).tolist(),
            photon_floor=scene.photon_floor(star, blur, flux, cam.variance_e2(flux * mean), frames, at),
            **night, **({"mount": mount} if mount else {}),
        )  # fmt: skip

    def offnominal(self, name, rng, k):
        tube = dict(draw.tube_of(rng, self.world))
        flaws = draw.FLAWS + (draw.CURVED,) * (self.world == "C")
        possible = [f for f in flaws if not (f == "obstruction told" and not tube["obstruction"])
                    and not (f == "vanes not told" and not tube.get("vanes"))]  # fmt: skip
        count = 1 + int(rng.random() < 0.45) + int(rng.random() < 0.2)
        chosen = sorted(str(f) for f in rng.choice(possible, count, replace=False))
        said = {}
        off = lambda: float(rng.uniform(0.005, 0.02) * (1 if rng.random() < 0.5 else -1))  # noqa: E731
        camera = draw.camera_of(rng, self.world)
        for flaw in chosen:
            if flaw == "obstruction told":
                said["obstruction"] = tube["obstruction"] + off()
            elif flaw == "aperture told":
                said["aperture_mm"] = tube["aperture_mm"] * (1 + off())
            elif flaw == "focal length told":
                said["focal_mm"] = tube["focal_mm"] * (1 + off())
            elif flaw == "response":
                camera["response"] = float(rng.uniform(0.85, 1.15))
            elif flaw == "focuser":
                tube["focuser"] = dict(angle_deg=float(rng.uniform(0, 360)), depth=float(rng.uniform(0.02, 0.06)), half_width=float(rng.uniform(0.06, 0.15)))
            elif flaw == "dew cap":
                tube["dew_cap"] = dict(angle_deg=float(rng.uniform(0, 360)), shift=float(rng.uniform(0.01, 0.03)), radius=1.0)
            elif flaw == "dust and vignetting":
                camera["dust"], camera["vignette"] = int(rng.integers(10, 25)), float(rng.uniform(0.08, 0.2))
        setting = self.setting(rng, tube=tube)
        _, z, pixel, band, band_told = setting
        if "pinched" in chosen:
            a, size = rng.uniform(0, 2 * math.pi), rng.uniform(0.04, 0.10)
            z[9], z[10] = size * math.sin(a), size * math.cos(a)
        if "pixel pitch told" in chosen:
            said["pixel_um"] = pixel * (1 + off())
        if "band told" in chosen:
            band_told = (560.0, 0.0) if band_told is None else None
        setting = (tube, z, pixel, band, band_told)
        snr = max(draw.pick(rng, self.ranges["snr_calm"]), 15)
        frames = int(rng.integers(1, 3))
        if draw.CURVED in chosen:
            frames = 1
            camera |= dict(bits=8, black_adu=0.0, shifted=False, sky_e=max(camera["sky_e"], 8.0))
        counts, camera, _, more = self.quiet(name, rng, setting, frames, snr, camera)
        files = self.curved(name, counts, "png") if draw.CURVED in chosen else self.store(name, counts, camera, rng)
        told = told_of(tube, pixel, z[4], band_told, rng, "vanes not told" not in chosen) | said
        return self.entry(name, "offnominal", tube, z, pixel, told, files, flaws=chosen, **more)

    def pair(self, name, rng, k):
        tube = dict(draw.tube_of(rng, self.world, obstructed=True))
        off, a = rng.uniform(0.01, 0.06), rng.uniform(0, 2 * math.pi)
        tube["decentre"] = (float(off * math.cos(a)), float(off * math.sin(a)))
        setting = self.setting(rng, tube=tube)
        _, z, pixel, band, band_told = setting
        files, floors, shapes = {}, [], []
        base = draw.camera_of(rng, self.world)
        size = abs(z[4])
        for side, sign, scale in (("inside", 1, 1.0), ("outside", -1, float(rng.uniform(0.8, 1.15)))):
            z[4] = sign * scale * size
            snr = max(draw.pick(rng, self.ranges["snr_calm"]), 25)
            counts, camera, _, more = self.quiet(f"{name}-{side}", rng, setting, int(rng.integers(1, 4)), snr, dict(base))
            files[side] = self.store(f"{name}-{side}", counts, camera, rng)
            floors.append(more["photon_floor"])
            shapes.append(more["shape"])
        told = told_of(tube, pixel, z[4], band_told, rng, rng.random() < 0.6) | {"side": "outside"}
        d = tube["decentre"]
        both = [1 / math.sqrt(1 / p[0] ** 2 + 1 / p[1] ** 2) for p in zip(*floors)]
        return self.entry(
            name, "pair", tube, z, pixel, told, files, shape=shapes, snr=more["snr"], camera=camera,
            frames=sum(s[0] for s in shapes), shadow_decentre=[-d[0], -d[1]], photon_floor=both,
        )  # fmt: skip

    def traps(self, name, rng, k):
        import traps

        return traps.make(self, name, rng, k)


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--world", choices="ABC", required=True)
    p.add_argument("--seed", type=int, required=True)
    p.add_argument("--out", required=True)
    p.add_argument("--off-centre", type=float, default=0.0, help="secondaries off centre in worlds A and B too: sd, radii")
    for kind, count in zip(KINDS, (16, 24, 12, 6, 40)):
        p.add_argument(f"--{kind}", type=int, default=count)
    a = p.parse_args()
    maker, cases = Maker(a.world, a.seed, a.out, a.off_centre), []
    for kind in KINDS:
        cases += [maker.case(kind, k) for k in range(getattr(a, kind))]
        text = json.dumps(dict(convention=CONVENTION, world=a.world, seed=a.seed, cases=cases), indent=1)
        (maker.out / "truth.json").write_text(text)


if __name__ == "__main__":
    main()
