"""Pictures down a Newtonian's focuser by a phone at a peephole, with the truth beside them.

    python3 -m venv /tmp/pictures && /tmp/pictures/bin/pip install numpy scipy pillow
    /tmp/pictures/bin/python make.py --seed 201 --cases 40 --out FOLDER   # a study
    /tmp/pictures/bin/python make.py --small .                            # the kept ones

All is drawn: each pixel's ray is traced through drawtube, flat and paraboloid and back (numpy),
then blurred and compressed (scipy, Pillow). It shares no code or formula with the program.

Ranges, written down before the program was run on them: aperture 110 to 300 mm, F/4 to F/8
(focal 600 mm or more); flat 0.2 to 0.3 of the aperture and large enough that the primary's rim shows in it;
focus 60 to 110 mm outside the tube; drawtube 38 to 50 mm wide, its inner end 55 to 110 mm from the
peephole; peephole -15 to 15 mm from the focus, its bright face 20 to 28 mm wide, its hole 2 to 4;
phone off the hole's middle by up to a third of the hole; camera turned off the axis by up to 3
degrees and about it by any angle; flat out of place by up to 3 mm along and across, half of them
without an offset, half with; flat tilted so that the axis falls up to 25 mm off the mark; primary tilted so
that the mark stands up to 9 mm off the ring; mark a ring (inner 5 to 9 mm, 1.5 to 2.5 mm broad) or a dot
of 6 to 10 mm, black or white, up to 0.5 mm off the middle; vanes 3 or 4, of 0.8 to 2 mm; holder 0 to 2 mm
broader than the flat; three clips at the primary's rim in half; screws in cell and tube; light uneven
by up to 40 % across; paper or bare tube wall opposite the focuser; the phone's lens glints in
half; blur 0.7 to 2 px; noise 0.5 to 2.5 % of white; JPEG quality 80 to 95; exposure 0.7 to 1.5;
1600 x 1200 px with 1700 to 3000 px a radian. Traps: no light, overexposed, no telescope (a garden), blurred
by 20 px, phone without a bright face, primary's rim cut by the picture's edge.

Truth, mm: `flat` the flat's middle from the focuser's axis, in the picture (right, up), before
perspective; `axis` the primary's mark from the focuser's axis, unfolded at the primary, in the picture (right, up);
`optical` where the primary's optical axis passes the focuser's focal plane, from the
focuser's axis, unfolded, in the picture (right, up); `phone` the lens from the hole's middle.
"""

import argparse
import json
import pathlib

import numpy as np
from PIL import Image
from scipy import ndimage


def unit(v):
    return v / np.linalg.norm(v)


def rot(axis, angle):
    """Rodrigues."""
    a = unit(np.asarray(axis, float))
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k


# Tube: z to the sky, the nominal primary's vertex at 0; focuser towards +x at height c.
class Scope:
    def __init__(self, rng, kept):
        told = lambda name, value: kept.get(name, value)
        self.aperture = told("aperture", rng.uniform(110, 300))
        ratio = told("ratio", rng.uniform(max(4.0, 600 / self.aperture), max(8.0, 600 / self.aperture)))
        self.f = self.aperture * ratio
        self.back = self.aperture / 2 + rng.uniform(60, 110)
        self.c = self.f - self.back
        least = self.aperture * self.back / self.f * rng.uniform(1.06, 1.25)
        self.flat = told("flat", max(least, self.aperture * rng.uniform(0.2, 0.3)))
        self.draw = told("draw", rng.uniform(38, 50))
        self.eye = self.back + rng.uniform(-15, 15)
        self.draw_end = self.eye - rng.uniform(55, min(110, self.eye - self.aperture / 2 + 8))
        self.face = rng.uniform(20, 28)
        self.hole = told("hole", rng.uniform(2, 4))
        e = rng.uniform(-1, 1, 2)
        self.phone = e / max(1, np.hypot(*e)) * self.hole / 3  # (y, z)
        self.wall = self.aperture / 2 + rng.uniform(8, 18)
        self.front = self.c + self.aperture * rng.uniform(0.4, 0.9)
        # The flat's middle: with an offset it just fills the cone evenly.
        offset = self.flat**2 / (4 * self.back) if rng.integers(0, 2) else 0.0
        self.along, self.across = told("place", rng.uniform(-3, 3, 2))
        self.flat_at = np.array([-offset, self.across, self.c - offset + self.along])
        n = unit(np.array([1.0, 0.0, -1.0]))
        e1, e2 = np.array([0.0, 1, 0]), unit(np.array([1.0, 0, 1]))
        # Tilt the flat until the focuser's axis falls at `off` from the mark.
        off = told("axis", None)
        if off is None:
            off = rng.uniform(0, 25) * unit(rng.standard_normal(2))
        self.mark_off = rng.uniform(-0.35, 0.35, 2)
        # Chief ray along -x from the focuser at height c: where it lands on z = 0.
        tilt = np.zeros(2)
        for _ in range(8):
            def lands(t):
                r = rot(e1, t[0]) @ rot(e2, t[1])
                m = r @ n
                o, d = np.array([self.back, 0, self.c]), np.array([-1.0, 0, 0])
                k = (self.flat_at - o) @ m / (d @ m)
                p = o + k * d
                q = d - 2 * (d @ m) * m
                p = p - q * p[2] / q[2]
                return p[:2]
            here = lands(tilt)
            j = np.stack([(lands(tilt + h) - here) / 1e-5 for h in np.eye(2) * 1e-5], -1)
            tilt = tilt + np.linalg.solve(j, np.asarray(off) * -1 - here)
        r = rot(e1, tilt[0]) @ rot(e2, tilt[1])
        self.flat_n, self.flat_a, self.flat_b = r @ n, r @ e1, r @ e2
        self.holder = rng.uniform(0, 2)
        # Primary: vertex at 0, tilted about it, until its axis is `optical` off.
        d9 = told("ring", None)
        if d9 is None:
            d9 = rng.uniform(0, 9) * unit(rng.standard_normal(2))
        self.optical_want = np.asarray(d9) / 2
        self.primary = np.eye(3)
        tilt = np.zeros(2)
        for _ in range(8):
            def passes(t):
                k = rot([1, 0, 0], t[0]) @ rot([0, 1, 0], t[1]) @ np.array([0, 0, 1.0])
                # Mark's own place on the mirror does not move the optical axis.
                m = self.flat_n
                s = (self.flat_at @ m) / (k @ m)
                p = s * k
                q = k - 2 * (k @ m) * m
                p = p + q * (self.back - p[0]) / q[0]
                return np.array([p[1], p[2] - self.c])
            here = passes(tilt)
            j = np.stack([(passes(tilt + h) - here) / 1e-5 for h in np.eye(2) * 1e-5], -1)
            tilt = tilt + np.linalg.solve(j, self.optical_want - here)
        self.primary = rot([1, 0, 0], tilt[0]) @ rot([0, 1, 0], tilt[1])
        self.ring = bool(told("ring_mark", rng.integers(0, 2)))
        self.mark_in = rng.uniform(5, 9) / 2 if self.ring else 0.0
        self.mark_out = self.mark_in + rng.uniform(1.5, 2.5) if self.ring else rng.uniform(6, 10) / 2
        self.mark_white = bool(told("mark_white", rng.integers(0, 2)))
        self.vanes = int(rng.integers(3, 5))
        self.vane = rng.uniform(0.8, 2)
        self.vane_at = rng.uniform(0, 2 * np.pi)
        self.clips = bool(rng.integers(0, 2))
        self.clip_at = rng.uniform(0, 2 * np.pi)
        self.paper = bool(rng.integers(0, 2))
        self.glint = bool(rng.integers(0, 2))
        self.bright_face = told("bright_face", True)
        self.screws = [(rng.uniform(0, 2 * np.pi), rng.uniform(0.51, 0.54)) for _ in range(6)]
        self.studs = rng.uniform(-1, 1, (8, 2))
        self.uneven = rng.uniform(0, 0.4), rng.uniform(0, 2 * np.pi)
        self.shade = dict(
            draw=rng.uniform(0.03, 0.14), wall=rng.uniform(0.02, 0.08), paper=rng.uniform(0.3, 0.7),
            cell=rng.uniform(0.015, 0.06), sky=rng.uniform(0.55, 0.9), holder=rng.uniform(0.01, 0.03),
            face=rng.uniform(0.35, 0.8), hole=rng.uniform(0.005, 0.02),
        )


def dot(a, b):
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def plane(o, d, at, n):
    with np.errstate(divide="ignore", invalid="ignore"):
        return ((at - o.T) @ n) / (d.T @ n)


def look(s, o, d, depth=0):
    """Light along rays that start at the eye inside the drawtube; o, d are 3 x n."""
    sh = s.shade
    light = np.full(o.shape[1], sh["wall"])
    # Drawtube's inner end, a circle across the focuser's axis.
    t = (s.draw_end - o[0]) / d[0]
    y, z = o[1] + t * d[1], o[2] + t * d[2] - s.c
    within = np.hypot(y, z) < s.draw / 2
    # Where the wall is met before its end: darker towards the eye.
    reach = np.clip(s.draw / 2 / np.maximum(np.hypot(y, z), 1e-9), 0, 1)
    light = np.where(within, light, sh["draw"] * (0.4 + 0.9 * reach**3))
    index = np.flatnonzero(within)
    oi, di = o[:, index], d[:, index]
    # Flat and its holder.
    t = plane(oi, di, s.flat_at, s.flat_n)
    p = oi + t * di
    q = p - s.flat_at[:, None]
    a, b = s.flat_a @ q, s.flat_b @ q
    r = np.hypot(a, b / np.sqrt(2))
    on = r < s.flat / 2
    held = ~on & (r < s.flat / 2 + s.holder)
    # Past it: the wall opposite the focuser, perhaps with paper on it.
    back = np.hypot(oi[0], 0) * 0
    wt = (-s.wall - oi[0]) / di[0]
    wy, wz = oi[1] + wt * di[1], oi[2] + wt * di[2] - s.c
    wall = np.where(np.maximum(abs(wy), abs(wz)) < 1.2 * s.flat, sh["paper"], sh["wall"]) if s.paper else sh["wall"] * (1.3 + 0.5 * wz / s.wall)
    stud = np.zeros(len(wy), bool)
    for u, v in s.studs:
        stud |= np.hypot(wy - u * s.flat * 1.3, wz - v * s.flat * 1.3) < 2.5
    # Vanes in front of the wall stand in the flat's own height.
    out = np.where(stud, wall * 2.2 + 0.03, wall) + back
    m = np.flatnonzero(on)
    dm = di[:, m]
    dm = dm - 2 * (s.flat_n @ dm) * s.flat_n[:, None]
    out[held] = sh["holder"]
    out[m] = tube(s, p[:, m], dm)
    light[index] = out
    return light


def tube(s, o, d):
    """Light along rays from the flat down to the primary."""
    sh = s.shade
    out = np.full(o.shape[1], sh["cell"])
    inv = s.primary.T
    o2, d2 = inv @ o, inv @ d
    # z = (x^2 + y^2) / 4 f, by Newton from the plane z = 0.
    t = -o2[2] / d2[2]
    for _ in range(5):
        p = o2 + t * d2
        g = p[2] - (p[0] ** 2 + p[1] ** 2) / (4 * s.f)
        dg = d2[2] - (p[0] * d2[0] + p[1] * d2[1]) / (2 * s.f)
        t = t - g / dg
    p = o2 + t * d2
    r = np.hypot(p[0], p[1])
    phi = np.arctan2(p[1], p[0])
    # The tube's wall before the primary.
    a = d[0] ** 2 + d[1] ** 2
    b = o[0] * d[0] + o[1] * d[1]
    c = o[0] ** 2 + o[1] ** 2 - s.wall**2
    w = (-b + np.sqrt(np.maximum(b * b - a * c, 0))) / np.maximum(a, 1e-12)
    on = r < s.aperture / 2
    out = np.where(w < t, sh["wall"], out)
    for angle, share in s.screws:
        x, y = share * s.aperture * np.cos(angle), share * s.aperture * np.sin(angle)
        out = np.where(~on & (np.hypot(p[0] - x, p[1] - y) < 2.0), 0.25, out)
    clip = np.zeros(len(r), bool)
    if s.clips:
        for k in range(3):
            delta = (phi - s.clip_at - 2 * np.pi * k / 3 + np.pi) % (2 * np.pi) - np.pi
            clip |= (abs(delta) * s.aperture / 2 < 5) & (r > s.aperture / 2 - 5) & (r < s.aperture / 2 + 4)
    rm = np.hypot(p[0] - s.mark_off[0], p[1] - s.mark_off[1])
    mark = (rm < s.mark_out) & (rm >= s.mark_in)
    m = np.flatnonzero(on & ~clip & ~mark)
    n = np.stack([-p[0] / (2 * s.f), -p[1] / (2 * s.f), np.ones_like(r)])
    n = n / np.sqrt((n**2).sum(0))
    e = d2[:, m] - 2 * (n[:, m] * d2[:, m]).sum(0) * n[:, m]
    got = upward(s, s.primary @ p[:, m], s.primary @ e)
    out[m] = 0.88 * got
    out[clip] = 0.05
    out[mark & on] = 0.35 if s.mark_white else 0.01
    return out


def upward(s, o, d):
    """Light along rays from the primary up: sky, vanes, or the flat's face once more."""
    sh = s.shade
    x, y = (o + d * ((s.front - o[2]) / d[2]))[:2]
    size, way = s.uneven
    sky = sh["sky"] * (1 + size * (x * np.cos(way) + y * np.sin(way)) / s.wall)
    out = np.where(np.hypot(x, y) < s.wall, sky, sh["wall"] * 1.5)
    # Vanes: thin, about the tube's axis, at the flat's height.
    vx, vy = (o + d * ((s.c - o[2]) / d[2]))[:2]
    for k in range(s.vanes):
        a = s.vane_at + 2 * np.pi * k / s.vanes
        along, across = vx * np.cos(a) + vy * np.sin(a), -vx * np.sin(a) + vy * np.cos(a)
        out = np.where((along > 0) & (abs(across) < s.vane / 2), 0.02, out)
    t = plane(o, d, s.flat_at, s.flat_n)
    p = o + t * d
    q = p - s.flat_at[:, None]
    r = np.hypot(s.flat_a @ q, s.flat_b @ q / np.sqrt(2))
    out = np.where(r < s.flat / 2 + s.holder, sh["holder"], out)
    m = np.flatnonzero(r < s.flat / 2)
    e = d[:, m]
    e = e - 2 * (s.flat_n @ e) * s.flat_n[:, None]
    p = p[:, m]
    t = (s.draw_end - p[0]) / e[0]
    y, z = p[1] + t * e[1], p[2] + t * e[2] - s.c
    into = np.hypot(y, z) < s.draw / 2
    t = (s.eye - p[0]) / e[0]
    y, z = p[1] + t * e[1], p[2] + t * e[2] - s.c
    r = np.hypot(y, z)
    inner = np.where(r < s.draw / 2, 0.03, sh["draw"])
    if s.bright_face:
        inner = np.where(r < s.face / 2, sh["face"], inner)
        lens = np.hypot(y - s.phone[0], z - s.phone[1])
        inner = np.where(r < s.hole / 2, np.where((lens < 0.35) & s.glint, 0.7, sh["hole"]), inner)
    out[m] = 0.88 * np.where(into, inner, sh["wall"])
    return out


def srgb(v):
    v = np.clip(v, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def picture(rng, s, shape, kept):
    told = lambda name, value: kept.get(name, value)
    h, w = shape
    f = told("px", rng.uniform(1700, 3000) * w / 1600)
    # The whole of the drawtube's end shows, else the flat's rim by much.
    f = min(f, 0.8 * h / 2 / (s.flat / 2 / s.back * 1.15))
    roll = told("roll", rng.uniform(0, 2 * np.pi))
    point = np.radians(rng.uniform(0, 3)) * unit(rng.standard_normal(2)) if not kept.get("straight") else np.zeros(2)
    point = told("point", point)
    # Camera: looks along -x. With roll 0 the sky's end (z) is up; right is +y for focuser at +x.
    fwd, up, right = np.array([-1.0, 0, 0]), np.array([0, 0, 1.0]), np.array([0, 1.0, 0])
    fwd = unit(fwd + point[0] * right + point[1] * up)
    right = unit(np.cross(fwd, up))
    up = np.cross(right, fwd)
    c, q = np.cos(roll), np.sin(roll)
    # Turning the camera clockwise by roll turns the picture anticlockwise.
    right, up = c * right + -q * up, q * right + c * up
    eye = np.array([s.eye, s.phone[0], s.c + s.phone[1]])
    light = np.zeros(h * w)
    y, x = np.mgrid[0:h, 0:w]
    for dy in (-0.25, 0.25):
        for dx in (-0.25, 0.25):
            u = (x.ravel() + dx - (w - 1) / 2) / f
            v = -(y.ravel() + dy - (h - 1) / 2) / f
            d = fwd[:, None] + right[:, None] * u + up[:, None] * v
            o = np.repeat(eye[:, None], d.shape[1], 1)
            light += look(s, o, d) / 4
    out = light.reshape(h, w)
    blur, noise = rng.uniform(0.7, 2) * max(1, w / 1600), rng.uniform(0.005, 0.025)
    out = ndimage.gaussian_filter(out, told("blur", blur))
    gain = told("gain", rng.uniform(0.7, 1.5))
    size, way = rng.uniform(0, 0.25), rng.uniform(0, 2 * np.pi)
    out = out * gain * (1 + size * ((x - w / 2) * np.cos(way) + (y - h / 2) * np.sin(way)) / w)
    out = out + noise * rng.standard_normal(shape) * np.sqrt(out.clip(0.02, 1))
    turn = lambda v: [float(c * v[0] - q * v[1]), float(q * v[0] + c * v[1])]
    # Unfolded: what lies towards the sky's end in the picture lies towards the focuser on the primary.
    truth = dict(
        aperture_mm=s.aperture, focal_mm=s.f, flat_mm=s.flat, draw_mm=s.draw, hole_mm=s.hole,
        front_clock_deg=float(-np.degrees(roll) % 360), peephole_mm=s.eye - s.back,
        flat=turn([s.flat_at[1], s.flat_at[2] - s.c]),
        axis=turn(unfolded_mark(s)), optical=turn([s.optical_want[0], s.optical_want[1]]),
        phone=turn([s.phone[0], s.phone[1]]),
        ring=s.ring, mark_white=s.mark_white, mark_mm=2 * s.mark_out, px=f, holder=s.holder, offset=bool(s.flat_at[0]),
    )
    return out, truth


def unfolded_mark(s):
    """The mark from the focuser's axis, at the primary: (y, towards the sky's end in the picture)."""
    m = s.flat_n
    o, d = np.array([s.back, 0, s.c]), np.array([-1.0, 0, 0])
    k = (s.flat_at - o) @ m / (d @ m)
    p = o + k * d
    q = d - 2 * (d @ m) * m
    mark = s.primary @ np.array([*s.mark_off, 0])
    t = (mark - p) @ q
    off = mark - (p + t * q)
    # The mirror image of the offset in the flat: its part along z shows in the picture.
    off = off - 2 * (off @ m) * m
    return [off[1], off[2]]


def write(out, name, light, quality):
    grey = (255 * srgb(light) + 0.5).clip(0, 255).astype(np.uint8)
    colour = np.stack([grey, grey, (0.97 * grey).astype(np.uint8)], -1)
    Image.fromarray(colour).save(out / f"{name}.jpg", quality=quality)
    return f"{name}.jpg"


def garden(rng, shape):
    noise = [ndimage.zoom(rng.standard_normal((shape[0] // k + 2, shape[1] // k + 2)), k, order=1)[: shape[0], : shape[1]] for k in (8, 40, 160)]
    return np.clip(0.35 + 0.07 * noise[0] + 0.12 * noise[1] + 0.15 * noise[2], 0, 1)


def study(seed, cases, out):
    out.mkdir(parents=True, exist_ok=True)
    truths = []
    for n in range(cases):
        rng = np.random.default_rng([seed, n])
        light, truth = picture(rng, Scope(rng, {}), (1200, 1600), {})
        truth["file"] = write(out, f"{n:03}", light, int(rng.integers(80, 96)))
        truths.append(truth)
    for n, trap in enumerate(["no-light", "overexposed", "no-telescope", "blurred", "no-face", "cut"] * max(1, cases // 20)):
        rng = np.random.default_rng([seed, 10_000 + n])
        kept = {"blurred": dict(blur=20.0), "no-face": dict(bright_face=False)}.get(trap, {})
        light, truth = picture(rng, Scope(rng, kept), (900, 1200), kept)
        if trap == "no-light":
            light = 0.001 * rng.standard_normal(light.shape)
        elif trap == "overexposed":
            light = light * 40 + 0.5
        elif trap == "no-telescope":
            light = garden(rng, light.shape)
        elif trap == "cut":
            light = light[:, 600:]
        truth.update(trap=trap, file=write(out, f"trap-{n:02}", light, 90))
        truths.append(truth)
    (out / "truth.json").write_text(json.dumps(truths, indent=1))


BASE = dict(aperture=200.0, ratio=5.0, flat=50.0, draw=46.0, hole=3.0, px=1150.0)
SMALL = {
    # name: (seed, what is told)
    "collimated": (1, dict(place=[0.0, 0.0], axis=[0.0, 0.0], ring=[0.0, 0.0], ring_mark=1, mark_white=0, roll=0.0)),
    "primary-out": (2, dict(place=[0.0, 0.0], axis=[1.0, 0.0], ring=[5.0, 4.0], ring_mark=1, mark_white=0, roll=0.0)),
    "flat-out": (3, dict(place=[1.0, -1.0], axis=[18.0, -9.0], ring=[2.0, 0.0], ring_mark=0, mark_white=1, roll=1.2)),
    "no-face": (4, dict(bright_face=False, roll=0.0)),
}


def small(out):
    truths = {}
    for name, (seed, kept) in SMALL.items():
        rng = np.random.default_rng([4711, seed])
        kept = {**BASE, **kept, "blur": 0.8, "gain": 1.0}
        light, truth = picture(rng, Scope(rng, kept), (600, 800), kept)
        truth["file"] = write(out, name, light, 85)
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
