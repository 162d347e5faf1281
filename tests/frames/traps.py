"""Frames that must be refused, each with the reason in plain words."""

import math
import struct
import zlib

import numpy as np

import build
import sensor as sn
from build import TUBES, Shot
from optic import Wave
from sensor import Sensor

CAMERA = Sensor(gain_e=4.0, offset=60.0, read_e=3.0, top=4095)
WIDE = Sensor(gain_e=0.25, offset=800.0, read_e=2.0, top=65535)


def _star(rng, tube, w020, shot, coma=0.08):
    a = rng.uniform(0, 2 * math.pi)
    w = Wave({4: w020 / (2 * math.sqrt(3)), 7: coma * math.cos(a), 8: coma * math.sin(a)})
    pictures, _, _ = build.make_set(tube, w, shot, rng)
    return pictures[0]


def _sized(tube, w020, across_px):
    """Pixel pitch (um) that makes a donut so many pixels across."""
    return round(2 * 4 * tube.n * abs(w020) * 0.55 / across_px, 2)


def _png_that_lies():
    """A PNG whose header claims 60000 x 60000 pixels and holds one row."""

    def chunk(tag, body):
        return (
            struct.pack(">I", len(body))
            + tag
            + body
            + struct.pack(">I", zlib.crc32(tag + body) & 0xFFFFFFFF)
        )

    head = struct.pack(">IIBBBBB", 60000, 60000, 16, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(120001), 9))
        + chunk(b"IEND", b"")
    )


def _fits_that_lies():
    """A FITS header that claims 32000 x 32000 x 8 bytes, with one block of data."""
    cards = [
        "SIMPLE  =                    T",
        "BITPIX  =                  -64",
        "NAXIS   =                    2",
        "NAXIS1  =                32000",
        "NAXIS2  =                32000",
        "END",
    ]
    return "".join(c.ljust(80) for c in cards).ljust(2880).encode() + bytes(2880)


def make_traps(write, seed, prefix="trap-", round_=0):
    """One of every trap. Returns manifest entries with `expect` "refused"."""
    rng = np.random.default_rng([seed, 900 + round_])
    keys = list(TUBES)
    tube = TUBES["sct"] if round_ == 0 else TUBES[keys[int(rng.integers(len(keys) - 1))]]
    if tube.obstruction == 0:
        tube = TUBES["sct"]
    side = 1 if round_ % 2 == 0 else -1
    w020 = side * (8.0 if round_ == 0 else float(rng.uniform(6, 11)))
    pix = _sized(tube, w020, 60)
    mid = lambda n: n / 2 + float(rng.uniform(-4, 4))  # noqa: E731
    cases = []

    def add(name, trap, why, data, ending, shot=None, pixel=pix, **wrong):
        file = f"{prefix}{name}{ending}"
        write(file, data)
        shot = shot or Shot(pixel, (128, 128), (64, 64))
        cases.append(
            {
                "id": f"{prefix}{name}",
                "kind": "trap",
                "trap": trap,
                "note": why,
                "design": tube.design,
                "expect": "refused",
                "told": build.told(tube, shot, "outside" if side > 0 else "inside", **wrong),
                "truth": None,
                "sets": [{"side": "outside" if side > 0 else "inside", "files": [file]}],
            }
        )

    def shot(pixel=pix, shape=(128, 128), star=None, **more):
        more.setdefault("sensor", CAMERA)
        return Shot(pixel, shape, star or (mid(shape[1]), mid(shape[0])), **more)

    def plain(name, trap, why, s, w=w020, **wrong):
        picture = _star(rng, tube, w, s)
        add(name, trap, why, sn.encode(picture, "a.png"), ".png", s, s.pixel_um, **wrong)
        return picture

    fine = round(tube.n * 0.55 / 2.2, 2)
    plain("focused", "focused", "a star in focus", shot(fine, level=0.08), w=0.15 * side)
    plain("clipped", "clipped", "16 bits, rings flat at 65535", shot(level=1.6, sensor=WIDE))
    plain(
        "clipped-12bit",
        "clipped",
        "12-bit camera in a 16-bit file, rings flat at 4095",
        shot(level=1.6),
    )
    edge = shot(star=(15.0 + float(rng.uniform(-4, 4)), 66.0))
    plain("cut", "cut by the edge", "a third of the donut lies off the frame", edge)

    s = shot(star=(52.0, 60.0))
    one = _star(rng, tube, w020, s)
    s2 = shot(star=(52.0 + 38.0, 60.0 + float(rng.uniform(5, 15))), level=0.14, sky_e=0.0)
    two = one + _star(rng, tube, w020, s2) - CAMERA.offset
    add(
        "two-stars",
        "two stars overlapping",
        "a companion donut overlaps the first",
        sn.encode(np.clip(two, 0, 4095), "a.png"),
        ".png",
        s,
    )

    add(
        "blank",
        "blank",
        "every pixel the same",
        sn.encode(np.full((96, 96), 512.0), "a.fits.gz"),
        ".fits.gz",
    )
    noise = sn.expose(np.full((96, 96), 200.0), CAMERA, rng)
    add("noise", "noise only", "sky and read noise, no star", sn.encode(noise, "a.png"), ".png")
    small = _sized(tube, w020, 9.0)
    plain("small", "too small", "9 pixels across", shot(small, (96, 96), level=0.2))
    blur = 60 / 2 * 2.2
    plain(
        "unresolved",
        "rings unresolved by seeing",
        f"blur of {blur:.0f} pixels on a donut 60 across",
        shot(seeing=blur, shape=(200, 200)),
    )
    far = 0.47 if tube.obstruction < 0.3 else 0.10
    plain(
        "obstruction",
        "wrong obstruction told",
        f"told {far}, is {tube.obstruction}",
        shot(level=0.25),
        obstruction=far,
    )

    good = _star(rng, tube, w020, shot())
    raw = sn.fits_bytes(good)
    add(
        "truncated",
        "truncated file",
        "FITS data stop at about 60 %",
        raw[: 2880 + int(0.6 * good.size * 2)],
        ".fits",
    )
    holed = good.astype(float)
    holed[50:75, 40:90] = np.nan
    add(
        "nan",
        "not a number",
        "a block of NaN across the ring",
        sn.encode(holed, "a.fits.gz", dtype="float32"),
        ".fits.gz",
    )
    if round_ == 0:
        add(
            "header-2gb",
            "header claims too much",
            "8 GB claimed, one block there",
            _fits_that_lies(),
            ".fits",
        )
        add(
            "png-bomb",
            "header claims too much",
            "60000 x 60000 claimed, one row there",
            _png_that_lies(),
            ".png",
        )
    return cases
