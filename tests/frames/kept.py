"""The frames kept in the repository: a fixed list, small, one of each kind."""

import math

import numpy as np

import build
import sensor as sn
from build import COLOUR, MONO, TUBES, WHITE, Shot
from optic import Wave
from sensor import Sensor

TWELVE = Sensor(gain_e=4.0, offset=60.0, read_e=3.0, top=4095)
SIXTEEN = Sensor(gain_e=0.5, offset=800.0, read_e=2.0, top=65535)
EIGHT = Sensor(gain_e=60.0, offset=6.0, read_e=8.0, top=255)


def wave(w020, coma, thin_clock, shadow=(0.0, 0.0), **noll):
    """A wavefront from peak defocus (waves), coma RMS and the clock of its THIN side."""
    a = math.radians(thin_clock)
    modes = {4: w020 / (2 * math.sqrt(3)), 8: -coma * math.sin(a), 7: -coma * math.cos(a)}
    modes.update({int(k[1:]): v for k, v in noll.items()})
    return Wave(modes, shadow)


# (name, tube, wavefront, shot, how it is written, what it is)
SINGLES = [
    (
        "sct-outside.fits.gz",
        "sct",
        wave(9, 0.12, 30, a11=0.02, a6=0.01),
        Shot(4.8, (160, 176), (85.3, 82.6), level=0.25, sensor=TWELVE),
        {},
        "f/10, calm, coma 0.12",
    ),
    (
        "sct-inside.png",
        "sct",
        wave(-9, 0.12, 30, a11=0.02, a6=0.01),
        Shot(4.8, (160, 176), (90.1, 76.2), level=0.25, sensor=TWELVE),
        {},
        "the same telescope inside focus",
    ),
    (
        "sct-in-line.tif",
        "sct",
        wave(8, 0.0, 0, a5=0.015),
        Shot(4.8, (144, 144), (70.4, 72.8), level=0.25, sensor=TWELVE),
        {"compression": "zlib"},
        "no coma at all",
    ),
    (
        "newtonian-outside.tif",
        "newtonian",
        wave(11, 0.07, 250, a6=0.02),
        Shot(2.9, (144, 160), (77.7, 70.1), level=0.2, sensor=TWELVE),
        {},
        "f/5 with four vanes",
    ),
    (
        "newtonian-inside-topdown.fits",
        "newtonian",
        wave(-11, 0.20, 140),
        Shot(2.9, (160, 144), (74.2, 84.5), level=0.2, sensor=SIXTEEN),
        {"top_down": True},
        "ROWORDER TOP-DOWN, f/5 with four vanes",
    ),
    (
        "maksutov-outside.fits",
        "maksutov",
        wave(7, 0.05, 300, a11=-0.03),
        Shot(5.86, (144, 144), (69.9, 74.3), level=0.3, sensor=SIXTEEN),
        {},
        "f/13, rows from the bottom as FITS has it, no ROWORDER",
    ),
    (
        "ritchey-outside.png",
        "ritchey",
        wave(10, 0.15, 200, a5=-0.03),
        Shot(3.76, (160, 160), (82.2, 80.9), level=0.2, sensor=TWELVE),
        {},
        "f/8, obstruction 0.47, four vanes",
    ),
    (
        "ritchey-inside.fits.gz",
        "ritchey",
        wave(-12, 0.25, 95),
        Shot(4.6, (160, 160), (76.0, 81.5), level=0.2, sensor=TWELVE),
        {"dtype": "int16"},
        "signed 16-bit without BZERO",
    ),
    (
        "refractor-outside.fits.gz",
        "refractor",
        wave(8, 0.09, 350, a11=0.02),
        Shot(3.1, (144, 144), (71.3, 69.8), level=0.25, sensor=TWELVE),
        {"dtype": "float32"},
        "no obstruction, 32-bit float",
    ),
    (
        "refractor-inside-8bit.png",
        "refractor",
        wave(-8, 0.16, 60),
        Shot(3.1, (144, 144), (73.6, 73.0), level=0.25, sensor=EIGHT),
        {"bits": 8},
        "no obstruction, 8 bits",
    ),
    (
        "cassegrain-outside.fits.gz",
        "cassegrain",
        wave(12, 0.35, 225),
        Shot(6.9, (176, 176), (89.2, 91.7), level=0.2, sensor=TWELVE),
        {"dtype": "int32"},
        "f/12, very much coma, 32-bit whole numbers",
    ),
    (
        "cassegrain-line.png",
        "cassegrain",
        wave(-6, 0.03, 15),
        Shot(4.0, (144, 144), (70.0, 74.4), bands=MONO, level=0.2, sensor=TWELVE),
        {},
        "a single line of light, little coma",
    ),
    (
        "white-light.fits.gz",
        "sct",
        wave(10, 0.10, 120),
        Shot(5.4, (160, 160), (81.6, 79.2), bands=WHITE, level=0.25, sensor=TWELVE),
        {},
        "a band 250 nm wide",
    ),
    (
        "corner.fits.gz",
        "sct",
        wave(8, 0.18, 275),
        Shot(5.86, (200, 256), (212.6, 45.3), level=0.25, sensor=TWELVE),
        {},
        "star far from the middle, in the upper right corner",
    ),
    (
        "blurred.png",
        "maksutov",
        wave(9, 0.14, 45),
        Shot(5.86, (160, 160), (78.2, 77.3), level=0.25, sensor=TWELVE, seeing=5.0),
        {},
        "long exposure, seeing blur of 5 pixels",
    ),
    (
        "faint.fits.gz",
        "newtonian",
        wave(8, 0.13, 330),
        Shot(2.9, (128, 128), (66.1, 62.5), level=0.02, sensor=Sensor(1.0, 100.0, 6.0, 4095)),
        {},
        "faint star, noisy",
    ),
    (
        "gradient-hot.png",
        "cassegrain",
        wave(9, 0.11, 180),
        Shot(
            5.2,
            (160, 160),
            (77.5, 83.8),
            level=0.2,
            sensor=TWELVE,
            sky_e=900,
            tilt=0.5,
            tilt_clock=70,
            hot=25,
        ),
        {},
        "moonlit gradient and hot pixels",
    ),
    (
        "colour-jpeg.jpg",
        "sct",
        wave(9, 0.15, 80),
        Shot(5.4, (160, 176), (86.3, 78.9), bands=COLOUR, level=0.22, sensor=SIXTEEN),
        {"bits": 8, "curve": "srgb"},
        "colour JPEG with the sRGB curve",
    ),
    (
        "colour-png.png",
        "newtonian",
        wave(-9, 0.17, 310),
        Shot(2.9, (144, 144), (70.3, 73.9), bands=COLOUR, level=0.22, sensor=EIGHT),
        {"bits": 8},
        "colour PNG, linear",
    ),
    (
        "bayer.fits.gz",
        "sct",
        wave(10, 0.13, 215),
        Shot(4.3, (180, 192), (97.4, 88.2), bands=COLOUR, level=0.22, sensor=TWELVE),
        {"bayer": "RGGB", "top_down": True},
        "raw colour mosaic, BAYERPAT RGGB",
    ),
]


def three_curves(picture, sensor):
    """Counts to 8-bit sRGB, as a camera's own JPEG has it."""
    share = (picture - sensor.offset * 0.5) / (sensor.top * 0.75)
    return np.rint(255 * sn.srgb(share))


def mosaic(planes, pattern):
    """One value per pixel through a 2 x 2 colour pattern, top left first."""
    out = np.empty(planes.shape[:2])
    for i, dye in enumerate(pattern):
        r, c = divmod(i, 2)
        out[r::2, c::2] = planes[r::2, c::2, "RGB".index(dye)]
    return out


def entry(case, kind, note, tube, shot, w, sets, setup, **more):
    """A manifest entry. The told side is that of a single set, else unknown here."""
    return {
        "id": case,
        "kind": kind,
        "note": note,
        "design": tube.design,
        "expect": "measured",
        "told": setup,
        "truth": build.wave_truth(w),
        "sets": sets,
        **more,
    }


def make_kept(write):
    """Make every kept frame through `write(name, bytes)`; returns manifest entries."""
    import traps

    cases = []
    for number, (name, key, w, shot, how, note) in enumerate(SINGLES):
        tube, rng = TUBES[key], np.random.default_rng([1, number])
        pictures, info, proof = build.make_set(tube, w, shot, rng)
        build.check_direction(tube, w, proof, shot, name)
        how = dict(how)
        picture = pictures[0]
        more = {}
        if how.pop("curve", None):
            picture = three_curves(picture, shot.sensor)
            more = {"response": "srgb"}
        else:
            assert picture[..., :].max() < shot.sensor.top or shot.hot, f"{name} clips"
        pattern = how.pop("bayer", None)
        if pattern:
            picture = mosaic(picture, pattern)
            how["cards"] = {"BAYERPAT": pattern, "XBAYROFF": 0, "YBAYROFF": 0}
        write(name, sn.encode(picture, name, **how))
        info["files"] = [name]
        setup = build.told(tube, shot, info["side"])
        cases.append(
            entry(name.split(".")[0], "single", note, tube, shot, w, [info], setup, **more)
        )
    cases += sequences(write)
    cases += pair(write)
    cases += traps.make_traps(write, 7)
    return cases


def sequences(write):
    """A cube and a row of single files, both drifting in moving air."""
    out = []
    tube, w = TUBES["maksutov"], wave(7, 0.16, 160)
    shot = Shot(
        7.5,
        (96, 96),
        (40.2, 52.3),
        level=0.2,
        sensor=TWELVE,
        frames=12,
        drift=(1.1, -0.6),
        d_over_r0=1.6,
    )
    pictures, info, proof = build.make_set(tube, w, shot, np.random.default_rng([1, 101]))
    build.check_direction(tube, w, proof, shot, "cube")
    write("drifting-cube.fits.gz", sn.encode(np.stack(pictures), "drifting-cube.fits.gz"))
    info["files"] = ["drifting-cube.fits.gz"]
    out.append(
        entry(
            "drifting-cube",
            "sequence",
            "FITS cube, 12 frames, drift, D/r0 1.6",
            tube,
            shot,
            w,
            [info],
            build.told(tube, shot, info["side"]),
        )
    )

    tube, w = TUBES["sct"], wave(-8, 0.10, 20)
    shot = Shot(
        6.4,
        (96, 96),
        (47.0, 45.5),
        level=0.2,
        sensor=TWELVE,
        frames=10,
        drift=(0.4, 0.5),
        jitter=0.8,
        d_over_r0=1.3,
        spoil={3: "gust", 7: "clipped"},
    )
    pictures, info, proof = build.make_set(tube, w, shot, np.random.default_rng([1, 102]))
    build.check_direction(tube, w, proof, shot, "row")
    names = [f"row-{k:02d}.png" for k in range(len(pictures))]
    for name, picture in zip(names, pictures):
        write(name, sn.encode(picture, name))
    info["files"] = names
    out.append(
        entry(
            "row",
            "sequence",
            "ten PNG files; frame 3 shaken by a gust, frame 7 clipped at 4095",
            tube,
            shot,
            w,
            [info],
            build.told(tube, shot, info["side"]),
        )
    )
    return out


def pair(write):
    """Inside and outside with a shadow that is itself off centre."""
    tube, sets = TUBES["newtonian"], []
    for number, (sign, side) in enumerate(((-1, "inside"), (1, "outside"))):
        w = wave(10.0 * sign, 0.08, 110, shadow=(0.03, -0.02))
        shot = Shot(2.9, (144, 144), (72.8 - number, 70.6), level=0.2, sensor=TWELVE)
        rng = np.random.default_rng([1, 103 + number])
        pictures, info, proof = build.make_set(tube, w, shot, rng)
        build.check_direction(tube, w, proof, shot, side)
        name = f"pair-{side}.fits.gz"
        write(name, sn.encode(pictures[0], name))
        info["files"] = [name]
        sets.append(info)
    return [
        entry(
            "pair",
            "pair",
            "shadow off centre by 3.6 % of the pupil's radius",
            tube,
            shot,
            w,
            sets,
            build.told(tube, shot, "per set"),
        )
    ]
