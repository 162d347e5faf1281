"""Pictures through both barrels of a binocular, with the truth beside them.

    python3 -m venv /tmp/pictures && /tmp/pictures/bin/pip install numpy scipy pillow
    /tmp/pictures/bin/python make.py --seed 101 --cases 40 --out FOLDER   # a study
    /tmp/pictures/bin/python make.py --small .                            # the kept ones

All is drawn: scenes (roofs, masts, bricks, trees; stars at night) of numpy, laid under each
barrel by scipy's cubic splines, compressed by Pillow. It shares no code with the program.

Ranges, written down before the program was run on them: pictures of 900 to 1600 px; 1.5 to
3.5 arc minutes at the eye a pixel; convergence -60 to 90, step -50 to 50, turn -100 to 100
arc minutes; right picture 0.99 to 1.01 times as large; exposure 0.6 to 1.6 between both;
noise 0.5 to 3 % of white; JPEG quality 80 to 95; blur 0.6 to 1.6 px, another for each
barrel; the field's edge showing in half, its middle off the picture's by up to 8 % and by
another 3 % between both, as a phone held by hand has it; barrel distortion of up to 3 % at
the corner; vignetting up to 50 % at the edge. Every fifth case is a night sky of 3 to 12
stars. Traps: another scene, no detail, overexposed, no light, another size.

Truth: the scene's point in the middle of the left field is at that place in the left
picture; where it is in the right one follows from how the scene was laid.
"""

import argparse
import json
import pathlib

import numpy as np
from PIL import Image
from scipy import ndimage

SCENE = 2400  # px along a side of the scene; its middle is the distant point


def scene(rng, night):
    y, x = np.mgrid[0:SCENE, 0:SCENE].astype(np.float32)
    if night:
        sky = np.full((SCENE, SCENE), 0.002, np.float32)
        return sky
    sky = 0.75 + 0.2 * y / SCENE
    clouds = ndimage.gaussian_filter(rng.standard_normal((SCENE // 8, SCENE // 8)), 12)
    sky += 0.5 * ndimage.zoom(clouds, 8, order=1)[:SCENE, :SCENE]
    picture = np.clip(sky, 0, 1).astype(np.float32)
    for n in range(rng.integers(3, 7)):  # roofs
        left, width = rng.integers(-200, SCENE - 200), rng.integers(300, 1000)
        top, pitch = rng.integers(SCENE // 3, 2 * SCENE // 3), rng.uniform(0.2, 1.0)
        if n == 0:  # who takes the picture aims at one
            left, top = SCENE // 2 - width // 2 + rng.integers(-150, 150), SCENE // 2 + rng.integers(-150, 100)
        edge = top + pitch * np.abs(x - left - width / 2)
        inside = (x > left) & (x < left + width) & (y > edge)
        tone = rng.uniform(0.05, 0.4)
        rows = 0.5 + 0.5 * np.sign(np.sin(2 * np.pi * (y - 0.3 * x) / rng.uniform(14, 40)))
        picture = np.where(inside, tone * (0.7 + 0.3 * rows), picture)
        cx, cw, ch = left + width * rng.uniform(0.2, 0.8), rng.uniform(25, 70), rng.uniform(60, 200)
        chimney = (np.abs(x - cx) < cw) & (y > top - ch) & (y < top + 0.4 * width)
        bricks = ((y // 16 + (x + 20 * (y // 16 % 2)) // 40) % 2) * 0.1
        picture = np.where(chimney, rng.uniform(0.1, 0.3) + bricks, picture)
    for _ in range(rng.integers(0, 4)):  # masts
        cx, lean = rng.uniform(200, SCENE - 200), rng.uniform(-0.05, 0.05)
        mast = (np.abs(x - cx - lean * y) < rng.uniform(2, 7)) & (y > rng.integers(0, SCENE // 2))
        picture = np.where(mast, 0.05, picture)
    trees = ndimage.gaussian_filter(rng.standard_normal((SCENE // 4, SCENE // 4)), 3)
    trees = ndimage.zoom(trees, 4, order=1)[:SCENE, :SCENE]
    ground = y > rng.uniform(0.7, 0.85) * SCENE
    picture = np.where(ground, np.clip(0.15 + trees, 0.02, 0.6), picture)
    return ndimage.gaussian_filter(picture, 0.8).astype(np.float32)


def laid(picture, shape, shift, turn, size, bend, middle):
    """The scene as a barrel shows it: scene point q is at size Rot(turn) q + shift."""
    h, w = shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float64)
    u, v = x - (w - 1) / 2, y - (h - 1) / 2
    # The eyepiece bends about the middle of its field.
    du, dv = u - middle[0], v - middle[1]
    r2 = (du**2 + dv**2) / (w / 2) ** 2
    u, v = middle[0] + du * (1 + bend * r2), middle[1] + dv * (1 + bend * r2)
    p = np.stack([u - shift[0], v - shift[1]])
    c, s = np.cos(turn), np.sin(turn)
    q = np.stack([c * p[0] + s * p[1], -s * p[0] + c * p[1]]) / size
    at = q[::-1] + (SCENE - 1) / 2
    return ndimage.map_coordinates(picture, at, order=3, mode="reflect", prefilter=True)


def starry(rng, shape, stars, shift, turn, size, fwhm):
    h, w = shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float64)
    out = np.full(shape, 0.004)
    c, s = np.cos(turn), np.sin(turn)
    for qx, qy, light in stars:
        px = size * (c * qx - s * qy) + shift[0] + (w - 1) / 2
        py = size * (s * qx + c * qy) + shift[1] + (h - 1) / 2
        out += light * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * (fwhm / 2.355) ** 2))
    return out


def srgb(v):
    v = np.clip(v, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def case(rng, night, shape, scale, kept=None):
    kept = kept or {}
    told = lambda name, value: kept.get(name, value)
    convergence = told("convergence", rng.uniform(-60, 90))
    step = told("step", rng.uniform(-50, 50))
    turn = told("turn", rng.uniform(-100, 100))
    h, w = shape
    stop = told("stop", bool(rng.integers(0, 2)))
    off = rng.uniform(-0.08, 0.08, 2) * w if stop else np.zeros(2)
    middles = [off, off + (rng.uniform(-0.03, 0.03, 2) * w if stop else 0)]
    aim = rng.uniform(-0.1, 0.1, 2) * w
    a = np.radians(rng.uniform(-5, 5))
    # Half of it in each barrel, so that neither is special. y is down in pictures.
    half = np.array([convergence, -step]) / scale / 2
    left = dict(turn=a + np.radians(turn / 60) / 2, size=1.0)
    right = dict(turn=a - np.radians(turn / 60) / 2, size=rng.uniform(0.99, 1.01))

    def to(q, d):
        c, s = np.cos(d["turn"]), np.sin(d["turn"])
        return d["size"] * np.array([c * q[0] - s * q[1], s * q[0] + c * q[1]])

    # The point in the middle of the left field is `convergence` and `step` apart.
    m = np.array(middles[0])
    left["shift"] = aim + half
    c, s = np.cos(left["turn"]), np.sin(left["turn"])
    p = m - left["shift"]
    q = np.array([c * p[0] + s * p[1], -s * p[0] + c * p[1]])
    right["shift"] = m - 2 * half - to(q, right)
    bend = rng.uniform(0, 0.03) if not night else 0.0
    picture = None if night else scene(rng, night)
    stars = [
        (*(rng.uniform(-0.35, 0.35, 2) * [w, h]), 10 ** rng.uniform(-1.0, 0.1))
        for _ in range(told("stars", rng.integers(3, 13)))
    ]
    if len(stars) == 1:  # who has one star puts it into the middle
        middle_of_it = -to((0, 0), left) - left["shift"]
        c, s = np.cos(-left["turn"]), np.sin(-left["turn"])
        stars = [(*(np.array([[c, -s], [s, c]]) @ middle_of_it + [6.0, -9.0]), 0.8)]
    blurs = rng.uniform(0.6, 1.6, 2)
    gains = [1.0, rng.uniform(0.6, 1.6)]
    noise = rng.uniform(0.005, 0.03) / (4 if night else 1)
    dim = rng.uniform(0, 0.5)
    files = []
    for d, middle, blur, gain in zip((left, right), middles, blurs, gains):
        if night:
            out = starry(rng, shape, stars, d["shift"], d["turn"], d["size"], 2.355 * (1 + blur))
        else:
            out = laid(picture, shape, d["shift"], d["turn"], d["size"], bend, middle)
            out = ndimage.gaussian_filter(out, blur)
        out = out * (0.85 * gain if gain < 1 else min(gain, 1.25) * 0.8)
        y, x = np.mgrid[0:h, 0:w]
        r = np.hypot(x - (w - 1) / 2 - middle[0], y - (h - 1) / 2 - middle[1])
        reach = 0.42 * h if stop else 0.6 * np.hypot(w, h)
        out = out * (1 - dim * (r / reach) ** 2).clip(0, 1)
        if stop:
            out = out * (1 / (1 + np.exp((r - reach).clip(-40, 40) / 1.5)))
        out = out + noise * rng.standard_normal(shape) * np.sqrt(out.clip(0.01, 1))
        files.append(out)
    truth = dict(
        night=night, convergence_arcmin=convergence, step_arcmin=step, turn_arcmin=turn,
        arcmin_per_px=scale, larger=1 / right["size"] - 1, stop=stop, bend=bend,
        detail="stars" if night else "scene", shape=list(shape),
    )
    return files, truth


def write(out, name, pictures, quality):
    names = []
    for side, picture in zip(("left", "right"), pictures):
        grey = (255 * srgb(picture) + 0.5).clip(0, 255).astype(np.uint8)
        colour = np.stack([grey, grey, (0.97 * grey).astype(np.uint8)], -1)
        file = f"{name}-{side}.jpg"
        Image.fromarray(colour).save(out / file, quality=quality)
        names.append(file)
    return names


def study(seed, cases, out):
    out.mkdir(parents=True, exist_ok=True)
    truths = []
    for n in range(cases):
        rng = np.random.default_rng([seed, n])
        w = int(rng.integers(900, 1600))
        shape = (int(0.75 * w), w)
        scale = rng.uniform(1.5, 3.5)
        pictures, truth = case(rng, n % 5 == 4, shape, scale)
        truth["files"] = write(out, f"{n:03}", pictures, int(rng.integers(80, 96)))
        truths.append(truth)
    for n, trap in enumerate(["other-scene", "no-detail", "overexposed", "no-light", "size"] * max(1, cases // 20)):
        rng = np.random.default_rng([seed, 10_000 + n])
        shape = (825, 1100)
        pictures, _ = case(rng, False, shape, 2.5)
        if trap == "other-scene":
            pictures[1] = case(np.random.default_rng([seed, 20_000 + n]), False, shape, 2.5)[0][1]
        elif trap == "no-detail":
            flat = 0.5 + 0.02 * np.linspace(0, 1, shape[1])[None, :] * np.ones(shape)
            pictures = [flat + 0.01 * rng.standard_normal(shape) for _ in range(2)]
        elif trap == "overexposed":
            pictures = [p * 30 for p in pictures]
        elif trap == "no-light":
            pictures[0] = 0 * pictures[0]
        else:
            pictures[1] = pictures[1][:, :-40]
        truths.append(dict(trap=trap, arcmin_per_px=2.5, files=write(out, f"trap-{n:02}", pictures, 90)))
    (out / "truth.json").write_text(json.dumps(truths, indent=1))


SMALL = {
    # name: (seed, night, what is told)
    "fine": (1, False, dict(convergence=10.0, step=-5.0, turn=8.0, stop=True)),
    "step": (2, False, dict(convergence=12.0, step=21.0, turn=-15.0, stop=False)),
    "diverging": (3, False, dict(convergence=-48.0, step=6.0, turn=30.0, stop=True)),
    "stars": (4, True, dict(convergence=14.0, step=-24.0, turn=20.0, stop=False, stars=6)),
    "one-star": (5, True, dict(convergence=14.0, step=-24.0, turn=20.0, stop=False, stars=1)),
}


def small(out):
    truths = {}
    for name, (seed, night, told) in SMALL.items():
        rng = np.random.default_rng([4711, seed])
        pictures, truth = case(rng, night, (480, 640), 4.0, told)
        truth["files"] = write(out, name, pictures, 85)
        truths[name] = truth
    (out / "truth.json").write_text(json.dumps(truths, indent=1) + "\n")


if __name__ == "__main__":
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--cases", type=int, default=40)
    arguments.add_argument("--out", type=pathlib.Path)
    arguments.add_argument("--small", type=pathlib.Path)
    given = arguments.parse_args()
    if given.small:
        small(given.small)
    if given.out:
        study(given.seed, given.cases, given.out)
