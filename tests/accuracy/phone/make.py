"""Stills of a phone held at an eyepiece, with their truth: JPEG of unknown scale.

    make.py --seed 7 --cases 16 --out FOLDER [--traps]

RANGES (written down on 2026-11-28 before the measuring was begun; none was changed since).
`l` is even in the logarithm, the rest uniform; sd is of a normal.

    tubes                two-mirror 150 to 280 mm, obstruction 0.30 to 0.40, no vanes; Newtonian 130 to 300 mm,
                         0.18 to 0.30, four vanes of 0.5 to 1.2 mm; refractor 70 to 130 mm, none;
                         Maksutov 100 to 180 mm, 0.28 to 0.36, no vanes
    W020, waves          4 to 12, either sign
    donut, px across     120 to 400
    coma, waves RMS      0 to 0.20, any direction
    astigmatism, trefoil, spherical, sd     0.03, 0.01, 0.03 each
    D/r0 at 500 nm       1 to 4; outer scale 10 to 30 m
    stills               20 to 40
    exposure             the air moves by 0.1 to 1.2 apertures in each, screens of any two are apart
    light                black body of 4000 to 11000 K
    bands                Gaussian: red 595 to 620, green 525 to 550, blue 450 to 475 nm, full width at half
                         maximum 70 to 110 nm each; a share of 0.02 to 0.18 of green in red and blue, of red and
                         blue in green
    brightest pixel      0.35 to 0.8 of the full scale, by still 0.75 to 1.25 times that (never above 0.9)
    full well, electrons l 1500 to 10000; read noise 2 to 6; sky 0 to 0.01 of the full scale
    noise reduction      Gaussian, sd 0 to 0.9 px
    sharpening           unsharp mask on the encoded values, 0 to 0.6, radius 0.8 to 1.6 px
    tone                 sRGB; in a third of the sets with an exponent of 0.95 to 1.05 before
    JPEG                 quality 85 to 92, chroma at half size
    drift                random walk of 0 to 3 px a still; jitter 0 to 2 px
    tilt                 scales unequal by 0 to 4 %, any direction
    vignetting           half of the sets: soft edge (0.12 of the radius) of a stop 1.05 to 1.35 radii wide, its
                         middle up to 0.12 radii off
    field                frame 1.5 to 1.9 donuts wide
    blur of the hand     Gaussian, sd 0 to 1.5 px, drawn for each still; one still in ten 2 to 4 % of the donut

Made with LightPipes (pupil, modes, light to focus; scripts that measure or tune use another) and aotools (air).
Seeds below 100 are for tuning, from 100 on for the report. Noll coefficients are RMS waves of 550 nm on the
full circle; x right and y up as displayed; the wavefront's slope points where light goes.
"""

import argparse
import json
import math
from io import BytesIO
from pathlib import Path

import LightPipes as lp
import numpy as np
from aotools.turbulence.phasescreen import ft_sh_phase_screen
from PIL import Image
from scipy import ndimage

REF = 550.0
WAVES_NM = np.arange(430, 671, 30.0)
# LightPipes' own signs of Noll's modes with its Zernike(): checked by check() below.
SIGNS = {4: -1, 5: -1, 6: -1, 7: 1, 8: 1, 9: 1, 10: 1, 11: -1}


def noll(j, u, v):
    r2 = u * u + v * v
    return {
        4: 3**0.5 * (2 * r2 - 1),
        5: 6**0.5 * 2 * u * v,
        6: 6**0.5 * (u * u - v * v),
        7: 8**0.5 * (3 * r2 - 2) * v,
        8: 8**0.5 * (3 * r2 - 2) * u,
        9: 8**0.5 * (3 * u * u * v - v**3),
        10: 8**0.5 * (u**3 - 3 * u * v * v),
        11: 5**0.5 * (6 * r2 * r2 - 6 * r2 + 1),
    }[j]


def check():
    """LightPipes' modes are Noll's (1976, table I), with the signs above."""
    field = lp.Begin(1.0, 550e-9, 64)
    y, x = field.mgrid_cartesian
    inside = np.hypot(x, y) < 0.25
    for j, sign in SIGNS.items():
        n, m = lp.noll_to_zern(j)
        phase = np.angle(lp.Zernike(field, n, m, 0.25, 0.01, norm=True, units="lam").field)
        got = sign * phase[inside] / (2 * np.pi * 0.01)
        assert np.abs(got - noll(j, x[inside] / 0.25, y[inside] / 0.25)).max() < 1e-9, j


def drawn(rng, kind):
    tube = {
        "two-mirror": (150, 280, 0.30, 0.40),
        "newtonian": (130, 300, 0.18, 0.30),
        "refractor": (70, 130, 0.0, 0.0),
        "maksutov": (100, 180, 0.28, 0.36),
    }[kind]
    between = lambda a, b: float(rng.uniform(a, b))  # noqa: E731
    coma, angle = between(0, 0.20), between(0, 2 * math.pi)
    spec = {
        "kind": kind,
        "aperture_mm": round(between(*tube[:2])),
        "obstruction": round(between(*tube[2:]), 3),
        "w020": between(4, 12) * rng.choice([-1, 1]),
        "across_px": between(120, 400),
        "modes": {8: coma * math.cos(angle), 7: coma * math.sin(angle)},
        "d_over_r0": between(1, 4),
        "outer_m": between(10, 30),
        "stills": int(rng.integers(20, 41)),
        "moved": between(0.1, 1.2),
        "kelvin": between(4000, 11000),
        "bands": [(between(595, 620), between(70, 110)), (between(525, 550), between(70, 110)),
                  (between(450, 475), between(70, 110))],
        "crosstalk": [between(0.02, 0.18) for _ in range(4)],
        "peak": between(0.35, 0.8),
        "well": math.exp(between(math.log(1500), math.log(10000))),
        "read": between(2, 6),
        "sky": between(0, 0.01),
        "denoise": between(0, 0.9),
        "sharpen": (between(0, 0.6), between(0.8, 1.6)),
        "tone": between(0.95, 1.05) if rng.random() < 1 / 3 else 1.0,
        "quality": int(rng.integers(85, 93)),
        "drift": between(0, 3), "jitter": between(0, 2),
        "tilt": (between(0, 0.04), between(0, math.pi)),
        "stop": None,
        "field": between(1.5, 1.9),
        "shake": between(0, 1.5),
        "vane_mm": between(0.5, 1.2), "vane_turn": between(0, math.pi / 2),
    }
    for j, sd in ((5, 0.03), (6, 0.03), (9, 0.01), (10, 0.01), (11, 0.03)):
        spec["modes"][j] = float(rng.normal(0, sd))
    if rng.random() < 0.5:
        off, a = between(0, 0.12), between(0, 2 * math.pi)
        spec["stop"] = (between(1.05, 1.35), off * math.cos(a), off * math.sin(a))
    return spec


def pupil(u, v, spec, cell):
    """Open share of each cell, softened over a cell; square root of the vignetting in it."""
    r = np.hypot(u, v)
    edge = lambda d: np.clip(0.5 + d / cell, 0, 1)  # noqa: E731
    amp = edge(1 - r)
    if spec["obstruction"] > 0:
        amp = amp * edge(r - spec["obstruction"])
    if spec["kind"] == "newtonian":
        half = spec["vane_mm"] / spec["aperture_mm"]
        for k in range(2):
            a = spec["vane_turn"] + k * math.pi / 2
            d = np.abs(u * math.sin(a) - v * math.cos(a))
            amp = amp * (1 - np.clip((half - d) / cell + 0.5, 0, 1) * min(1, 2 * half / cell))
    if spec["stop"]:
        size, du, dv = spec["stop"]
        light = 0.5 - 0.5 * np.tanh((np.hypot(u - du, v - dv) - size) / 0.12)
        amp = amp * np.sqrt(light)
    return amp


class Optics:
    """The star's light on a fine grid of `fine` px by `over` to a camera pixel."""

    def __init__(self, spec):
        self.spec = spec
        w = abs(spec["w020"])
        airy = spec["across_px"] / (8 * w)  # lambda N at 550 nm, camera px
        self.over = 1 if airy * 430 / 550 > 2.0 else 2
        wide = spec["across_px"] * (1.30 + 3.0 / w) + 30
        n = int(wide * self.over)
        n += n % 2
        while any(n % p == 0 for p in (7, 11, 13)) or max_prime(n) > 5:
            n += 2
        self.n, self.airy = n, airy * self.over
        self.rays = {}
        for nm in WAVES_NM:
            # Pupil radii to a cell, so that one cell of the picture is the same angle in every wavelength.
            cell = 2 * self.airy * nm / REF / n
            field = lp.Begin(n * cell, 550e-9, n)
            y, x = field.mgrid_cartesian
            amp = pupil(x, y, spec, cell)
            at = amp > 0
            for j, a in {4: spec["w020"] / (2 * 3**0.5), **spec["modes"]}.items():
                # Zernike() cuts its modes off at the unit circle, and edge cells reach a little beyond it.
                field = lp.MultPhase(field, 2 * np.pi * a * REF / nm * noll(j, x, y))
            field = lp.MultIntensity(field, amp**2)
            field.field = field.field / math.sqrt((amp**2).sum()) / n
            self.rays[nm] = (field, x[at], y[at], at)

    def picture(self, screen):
        """Light by wavelength through a screen (a function of u, v giving waves at 550 nm)."""
        out = {}
        for nm, (field, u, v, at) in self.rays.items():
            phase = np.zeros(at.shape)
            phase[at] = 2 * np.pi * REF / nm * screen(u, v)
            out[nm] = lp.Intensity(lp.PipFFT(lp.MultPhase(field, phase), 1))
        return out


def max_prime(n):
    p = 2
    while p * p <= n:
        if n % p == 0:
            n //= p
        else:
            p += 1
    return n


def srgb(v):
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055)


def weights(spec):
    """Share of each wavelength in red, green, blue."""
    planck = WAVES_NM**-5.0 / (np.exp(1.4388e7 / (WAVES_NM * spec["kelvin"])) - 1) * WAVES_NM
    gauss = [np.exp(-4 * math.log(2) * ((WAVES_NM - c) / w) ** 2) for c, w in spec["bands"]]
    rg, bg, gr, gb = spec["crosstalk"]
    r = gauss[0] + rg * gauss[1]
    g = gauss[1] + gr * gauss[0] + gb * gauss[2]
    b = gauss[2] + bg * gauss[1]
    return [planck * c / (planck * c).sum() for c in (r, g, b)]


class Air:
    CELLS = 40  # across an aperture
    ACROSS = 16  # apertures

    def __init__(self, spec, rng):
        r0 = 1 / spec["d_over_r0"] * (550 / 500) ** 1.2
        n = self.CELLS * self.ACROSS
        outer = spec["outer_m"] / (spec["aperture_mm"] * 1e-3)
        self.screen = ft_sh_phase_screen(r0, n, 1 / self.CELLS, outer, 0.01, seed=int(rng.integers(2**31)))
        self.screen = ndimage.spline_filter(self.screen / (2 * np.pi), order=3)
        self.rng, self.moved = rng, spec["moved"]
        g = np.linspace(-1, 1, 65)
        u, v = np.meshgrid(g, g)
        self.disc = np.hypot(u, v) <= 1
        self.u, self.v = u[self.disc], v[self.disc]
        self.modes = {j: noll(j, self.u, self.v) for j in (7, 8)}

    def walks(self):
        """Two moments of an exposure as functions of u, v."""
        span = self.ACROSS * self.CELLS
        room = 1.3 * self.CELLS * (1 + self.moved)
        x, y = self.rng.uniform(room, span - room, 2)
        a = self.rng.uniform(0, 2 * math.pi)
        out = []
        for t in (-1 / 4, 1 / 4):
            cx = x + t * self.moved * self.CELLS * math.cos(a)
            cy = y + t * self.moved * self.CELLS * math.sin(a)
            k = self.CELLS / 2
            out.append(lambda u, v, cx=cx, cy=cy: ndimage.map_coordinates(
                self.screen, [cy + v * k, cx + u * k], order=3, prefilter=False, mode="nearest"))
        return out

    def coma(self, screen):
        w = screen(self.u, self.v)
        return [float((w * self.modes[j]).mean()) for j in (8, 7)]


def stills(spec, rng, folder, trap=None):
    """Writes the stills; gives the air's own coma in their mean."""
    optics, air, mix = Optics(spec), Air(spec, rng), weights(spec)
    over, side = optics.over, int(spec["field"] * spec["across_px"]) // 2 * 2
    names, comas, light0 = [], [], None
    at = np.zeros(2)
    e, turn = spec["tilt"]
    c, s = math.cos(turn), math.sin(turn)
    stretch = np.array([[c, -s], [s, c]]) @ np.diag([1 + e / 2, 1 - e / 2]) @ np.array([[c, s], [-s, c]])
    # From camera pixels (row down, column) to fine cells (row up, column).
    inverse = np.linalg.inv(stretch)
    rows, cols = np.mgrid[0 : side * over, 0 : side * over]
    for k in range(spec["stills"]):
        moments = air.walks()
        comas += [air.coma(m) for m in moments]
        rgb = 0
        for m in moments:
            pictures = optics.picture(m)
            rgb = rgb + np.stack([sum(w * pictures[nm] for nm, w in zip(WAVES_NM, ws)) for ws in mix]) / 2
        at = at + rng.normal(0, spec["drift"], 2)
        at = np.clip(at, -0.1 * side, 0.1 * side)
        place = at + rng.normal(0, spec["jitter"], 2)
        mid = (side * over - 1) / 2
        dx = cols - mid - place[0] * over
        dy = -(rows - mid - place[1] * over)
        x = inverse[0, 0] * dx + inverse[0, 1] * dy + optics.n // 2
        y = inverse[1, 0] * dx + inverse[1, 1] * dy + optics.n // 2
        blur = spec["shake"] * rng.random() if rng.random() > 0.1 else rng.uniform(0.02, 0.04) * spec["across_px"]
        seen = []
        for plane in rgb:
            flat = ndimage.map_coordinates(plane, [y, x], order=3, mode="constant")
            if trap == "double":
                share, px, py = spec["second"]
                flat = flat + share * ndimage.shift(flat, [py * over, px * over], order=1)
            flat = flat.reshape(side, over, side, over).mean((1, 3))
            seen.append(ndimage.gaussian_filter(flat, blur))
        seen = np.maximum(np.stack(seen), 0)
        if light0 is None:
            light0 = np.array([np.quantile(p, 0.9995) for p in seen])
            balance = rng.uniform(0.8, 1.0, 3)
            balance /= balance.max()
        level = min(spec["peak"] * rng.uniform(0.75, 1.25), 0.9)
        if trap == "saturated":
            level = spec["over"] * rng.uniform(0.95, 1.05)
        lit = seen / light0[:, None, None] * balance[:, None, None] * level + spec["sky"]
        noisy = rng.poisson(lit * spec["well"]) + rng.normal(0, spec["read"], lit.shape)
        lit = np.clip(noisy / spec["well"], 0, 1)
        lit = np.stack([ndimage.gaussian_filter(p, spec["denoise"]) for p in lit]) ** spec["tone"]
        code = srgb(lit)
        amount, radius = spec["sharpen"]
        code = code + amount * (code - np.stack([ndimage.gaussian_filter(p, radius) for p in code]))
        picture = Image.fromarray(np.round(255 * np.clip(code, 0, 1)).astype(np.uint8).transpose(1, 2, 0))
        memory = BytesIO()
        picture.save(memory, "JPEG", quality=spec["quality"], subsampling=2)
        name = f"{k:02}.jpg"
        (folder / name).write_bytes(memory.getvalue())
        names.append(f"{folder.name}/{name}")
    return names, np.mean(comas, axis=0).tolist()


def tell_drift(folder):
    """Tells, of sets that are made already, how fast their star drifted: timed to 1 %, its
    declination read to 0.3 degrees."""
    path = folder / "truth.json"
    truth = json.loads(path.read_text())
    for i, case in enumerate(truth["cases"]):
        rng = np.random.default_rng([truth["seed"], i, 77])
        declination = rng.uniform(-60, 60)
        px_s = 15.041 * math.cos(math.radians(declination)) / case["truth"]["arcsec_per_px"]
        px_s *= math.exp(0.01 * rng.normal())
        case["told"]["drift"] = {
            "px_s": px_s, "px_s_sigma": 0.01 * px_s, "declination_deg": declination + 0.3 * rng.normal(),
        }
    path.write_text(json.dumps(truth, indent=1))


def main():
    words = argparse.ArgumentParser()
    words.add_argument("--seed", type=int, required=True)
    words.add_argument("--cases", type=int, default=16)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--traps", action="store_true", help="saturated, in focus, double instead of good ones")
    words.add_argument("--tell-drift", action="store_true", help="tell the star's drift of the sets in --out, which are there")
    words = words.parse_args()
    if words.tell_drift:
        tell_drift(words.out)
        return
    check()
    kinds = ["two-mirror", "newtonian", "refractor", "maksutov"]
    words.out.mkdir(parents=True, exist_ok=True)
    cases = []
    for i in range(words.cases):
        rng = np.random.default_rng([words.seed, i, int(words.traps)])
        spec = drawn(rng, kinds[i % 4])
        trap = None
        if words.traps:
            trap = ["saturated", "focus", "double"][i % 3]
            if trap == "saturated":
                spec["over"] = float(rng.uniform(1.3, 3))
            elif trap == "focus":
                small = float(rng.uniform(0.0, 0.6))
                spec["across_px"] = max(8 * small, 3.0) * float(rng.uniform(3, 8))
                spec["w020"] = small if small > 0.1 else 0.1
                spec["across_px"] = 8 * spec["w020"] * float(rng.uniform(4, 8))
                spec["field"] = 200 / spec["across_px"]
            else:
                apart, a = float(rng.uniform(0.25, 0.8)) * spec["across_px"], rng.uniform(0, 2 * math.pi)
                spec["second"] = (float(rng.uniform(0.3, 1)), apart * math.cos(a), apart * math.sin(a))
                spec["field"] = 2.6
        name = f"{'trap' if trap else 'set'}-{i:02}"
        (words.out / name).mkdir(exist_ok=True)
        files, air = stills(spec, rng, words.out / name, trap)
        # Arc seconds a pixel: W020 = theta D / 4, theta the donut's angular radius.
        theta = 4 * abs(spec["w020"]) * REF * 1e-9 / (spec["aperture_mm"] * 1e-3)
        cases.append({
            "id": name, "kind": spec["kind"], "trap": trap, "files": files,
            "told": {"aperture_mm": spec["aperture_mm"], "obstruction": spec["obstruction"]},
            "truth": {
                "coma": [spec["modes"][8], spec["modes"][7]], "w020": spec["w020"], "air_coma": air,
                "arcsec_per_px": math.degrees(theta) * 3600 / (spec["across_px"] / 2),
            },
            "spec": spec,
        })
        (words.out / "truth.json").write_text(json.dumps({"seed": words.seed, "cases": cases}, indent=1))
        print(name, spec["kind"], trap or "", flush=True)


if __name__ == "__main__":
    main()
