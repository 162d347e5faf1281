"""Random study sets, for figures no one has tuned on."""

import math
from dataclasses import replace

import numpy as np

import build
import kept
import optic
import sensor as sn
import traps
from build import COLOUR, GREEN, MONO, TUBES, WHITE, Shot
from optic import Wave
from sensor import Sensor

FINE_UM = 1.9  # no finer pixel than a real camera's


def some_tube(rng, obstructed=False):
    """One of the designs, its obstruction and vanes varied a little."""
    keys = [k for k in TUBES if TUBES[k].obstruction > 0 or not obstructed]
    tube = TUBES[keys[int(rng.integers(len(keys)))]]
    if tube.obstruction:
        e = round(tube.obstruction + float(rng.uniform(-0.03, 0.03)), 3)
        clock = round(float(rng.uniform(0, 90)), 1) if tube.vanes else 0.0
        tube = replace(tube, obstruction=e, vane_clock_deg=clock)
    return tube


def some_wave(rng, low, high, most, side=None):
    """Defocus `low`..`high` waves on either side, coma up to `most`, small other terms."""
    w020 = float(rng.uniform(low, high)) * (side or (1 if rng.random() < 0.5 else -1))
    # Beyond a ratio of a third rays fold; stay below.
    coma = float(rng.uniform(0, min(most, 0.034 * abs(w020))))
    a = rng.uniform(0, 2 * math.pi)
    noll = {4: w020 / (2 * math.sqrt(3)), 7: coma * math.sin(a), 8: coma * math.cos(a)}
    for j, sigma in ((5, 0.02), (6, 0.02), (9, 0.01), (10, 0.01), (11, 0.025)):
        noll[j] = float(rng.normal(0, sigma))
    return Wave(noll)


def turned(wave, rng, spread=0.15):
    """The same wavefront on the other side of focus, about as far out."""
    noll = dict(wave.noll)
    noll[4] = -noll[4] * float(rng.uniform(1 - spread, 1 + spread))
    return Wave(noll, wave.shadow)


def some_pixel(rng, tube, w020, low=15.0, high=45.0):
    """A pixel pitch (um) for a donut of radius `low`..`high` px, rings sampled."""
    scale = 4 * tube.n * abs(w020) * 0.55
    low = max(low, 2.2 * abs(w020))
    high = max(low + 1, min(high, scale / FINE_UM))
    return round(scale / float(rng.uniform(low, high)), 2)


def some_sensor(rng):
    """A 12-, 14- or 16-bit camera."""
    top = [4095, 16383, 65535][int(rng.integers(3))]
    return Sensor(
        gain_e=round(float(rng.uniform(12000, 40000)) / top, 4),
        offset=float(round(top * rng.uniform(0.005, 0.03))),
        read_e=round(float(rng.uniform(1.2, 5)), 2),
        top=top,
    )


def place(rng, shape, room):
    """A star position at least `room` pixels from every edge."""
    rows, cols = shape
    spare_x, spare_y = max(cols / 2 - room, 1), max(rows / 2 - room, 1)
    return (
        round(cols / 2 + float(rng.uniform(-spare_x, spare_x)), 3),
        round(rows / 2 + float(rng.uniform(-spare_y, spare_y)), 3),
    )


def room_for(tube, wave, pixel):
    """Half width of all the light, pixels."""
    w131 = 3 * math.sqrt(8) * math.hypot(*wave.coma)
    return optic.outer_radius_px(tube, wave, pixel) + 6 * tube.n * w131 * 0.55 / pixel + 14


def store(write, stem, pictures, rng, cube=False, kinds=("fits", "fits.gz", "png", "tif")):
    """Write the frames as one cube or one by one; returns the file names."""
    if cube:
        name = f"{stem}.fits"
        write(name, sn.encode(np.stack(pictures), name))
        return [name]
    kind = kinds[int(rng.integers(len(kinds)))]
    names = []
    for k, picture in enumerate(pictures):
        names.append(f"{stem}-{k:02d}.{kind}")
        how = {"top_down": bool(k % 2)} if kind.startswith("fits") else {}
        write(names[-1], sn.encode(picture, names[-1], **how))
    return names


def finish(case, kind, tube, wave, shot, sets, rng, **more):
    """The manifest entry; the side is told five times in six."""
    wrong = more.pop("wrong", {})
    side = sets[0]["side"] if len(sets) == 1 else "per set"
    if len(sets) == 1 and rng.random() < 1 / 6:
        side = "unknown"
    setup = build.told(tube, shot, side, **wrong)
    return kept.entry(case, kind, more.pop("note", ""), tube, shot, wave, sets, setup, **more)


def calm(rng, stem, write):
    tube = some_tube(rng)
    wave = some_wave(rng, 3, 16, 0.35)
    pixel = some_pixel(rng, tube, wave.w020)
    shape = (240, 320)
    r = optic.outer_radius_px(tube, wave, pixel)
    shot = Shot(
        pixel,
        shape,
        place(rng, shape, room_for(tube, wave, pixel)),
        bands=[MONO, GREEN, GREEN, GREEN, WHITE][int(rng.integers(5))],
        level=float(np.exp(rng.uniform(math.log(0.03), math.log(0.35)))),
        sensor=some_sensor(rng),
        sky_e=float(round(rng.uniform(5, 200), 1)),
        tilt=float(round(rng.uniform(0, 0.4), 2)) if rng.random() < 0.4 else 0.0,
        tilt_clock=float(round(rng.uniform(0, 360))),
        hot=int(rng.integers(0, 15)),
        seeing=round(float(rng.uniform(0.03, 0.14)) * r, 2) if rng.random() < 0.7 else 0.0,
        frames=int(rng.integers(1, 5)),
        jitter=float(round(rng.uniform(0.1, 1.0), 2)),
        cap=0.8,
    )
    pictures, info, proof = build.make_set(tube, wave, shot, rng)
    build.check_direction(tube, wave, proof, shot, stem)
    info["files"] = store(write, stem, pictures, rng)
    return [finish(stem, "calm", tube, wave, shot, [info], rng)]


def seeing(rng, stem, write, frames, exposure):
    tube = some_tube(rng)
    wave = some_wave(rng, 5, 10, 0.25)
    pixel = some_pixel(rng, tube, wave.w020, 18, 32)
    shape = (240, 320)
    spoil = {}
    if rng.random() < 1 / 6:
        for k in rng.choice(frames, min(frames, int(rng.integers(1, 4))), replace=False):
            spoil[int(k)] = "gust" if rng.random() < 0.5 else "clipped"
    shot = Shot(
        pixel,
        shape,
        place(rng, shape, room_for(tube, wave, pixel) + 30),
        bands=[GREEN, GREEN, WHITE, MONO][int(rng.integers(4))],
        level=float(rng.uniform(0.05, 0.25)),
        sensor=some_sensor(rng),
        sky_e=float(round(rng.uniform(5, 100), 1)),
        hot=int(rng.integers(0, 10)),
        frames=frames,
        drift=tuple(np.round(rng.uniform(-0.6, 0.6, 2), 3).tolist()),
        jitter=0.4,
        d_over_r0=round(1.2 * 3.0 ** float(rng.random()), 3),
        exposure=exposure,
        hop=round(float(rng.uniform(1.2, 2.5)), 2),
        spoil=spoil,
        cap=0.4,
    )
    pictures, info, proof = build.make_set(tube, wave, shot, rng)
    build.check_direction(tube, wave, proof, shot, stem)
    info["files"] = store(write, stem, pictures, rng, cube=rng.random() < 2 / 3)
    floor = math.sqrt(2 * 0.0062 * shot.d_over_r0 ** (5 / 3)) / (2 * math.pi * math.sqrt(frames))
    return [
        finish(
            stem, "seeing", tube, wave, shot, [info], rng, turbulence_floor_waves=round(floor, 6)
        )
    ]


FLAWS = ("obstruction", "focal length", "response", "dust", "smear", "vanes not told")


def both_sides(rng, stem, write, tube, wave, **more):
    """Inside and outside sets of the same instrument with the same camera."""
    pixel = some_pixel(rng, tube, wave.w020, 20, 40)
    shape = (200, 240)
    camera = some_sensor(rng)
    r = optic.outer_radius_px(tube, wave, pixel)
    common = dict(
        bands=[GREEN, GREEN, WHITE][int(rng.integers(3))],
        sensor=camera,
        cap=0.8,
        seeing=round(float(rng.uniform(0.03, 0.12)) * r, 2),
        frames=2,
        jitter=0.5,
        **more,
    )
    other, sets, shot = turned(wave, rng), [], None
    for w in (wave, other):
        shot = Shot(
            pixel,
            shape,
            place(rng, shape, room_for(tube, w, pixel)),
            level=float(rng.uniform(0.08, 0.3)),
            **common,
        )
        pictures, info, proof = build.make_set(tube, w, shot, rng)
        build.check_direction(tube, w, proof, shot, stem)
        info["files"] = store(write, f"{stem}-{info['side']}", pictures, rng)
        sets.append(info)
    return sorted(sets, key=lambda s: s["side"]), shot


def misfit(rng, stem, write):
    tube = some_tube(rng)
    wave = some_wave(rng, 5, 12, 0.25)
    possible = [f for f in FLAWS if f != "obstruction" or tube.obstruction]
    possible = [f for f in possible if f != "vanes not told" or tube.vanes]
    count = len(possible) if rng.random() < 0.2 else int(rng.integers(1, 3))
    flaws = sorted(str(f) for f in rng.choice(possible, count, replace=False))
    sign = lambda: 1 if rng.random() < 0.5 else -1  # noqa: E731
    wrong, more = {}, {}
    if "obstruction" in flaws:
        wrong["obstruction"] = round(tube.obstruction + 0.03 * sign(), 3)
    if "focal length" in flaws:
        wrong["focal_mm"] = round(tube.focal_mm * (1 + 0.04 * sign()), 1)
    if "vanes not told" in flaws:
        wrong["vanes"] = None
    if "response" in flaws:
        more["response"] = round(float(rng.uniform(0.85, 1.15)), 3)
    if "dust" in flaws:
        more["dust"] = int(rng.integers(10, 30))
    if "smear" in flaws:
        more["smear"] = round(float(rng.uniform(1, 3)), 2)
        more["smear_clock"] = round(float(rng.uniform(0, 180)), 1)
    sets, shot = both_sides(rng, stem, write, tube, wave, **more)
    return [
        finish(
            stem,
            "misfit",
            tube,
            wave,
            shot,
            sets,
            rng,
            wrong=wrong,
            flaws=flaws,
            note=", ".join(flaws),
        )
    ]


def pair(rng, stem, write):
    tube = some_tube(rng, obstructed=True)
    wave = some_wave(rng, 5, 12, 0.25)
    off, a = float(rng.uniform(0.01, 0.06)), rng.uniform(0, 2 * math.pi)
    wave = Wave(wave.noll, (round(off * math.cos(a), 5), round(off * math.sin(a), 5)))
    sets, shot = both_sides(rng, stem, write, tube, wave)
    return [finish(stem, "pair", tube, wave, shot, sets, rng)]


def colour(rng, stem, write):
    tube = some_tube(rng)
    wave = some_wave(rng, 4, 12, 0.3)
    pixel = some_pixel(rng, tube, wave.w020, 18, 40)
    shape = (200, 240)
    how = ("jpg", "png", "bayer")[int(rng.integers(3))]
    camera = kept.EIGHT if how == "png" else some_sensor(rng)
    r = optic.outer_radius_px(tube, wave, pixel)
    shot = Shot(
        pixel,
        shape,
        place(rng, shape, room_for(tube, wave, pixel)),
        bands=COLOUR,
        level=float(rng.uniform(0.1, 0.25)),
        sensor=camera,
        cap=0.7,
        seeing=round(float(rng.uniform(0.0, 0.1)) * r, 2),
    )
    pictures, info, proof = build.make_set(tube, wave, shot, rng)
    build.check_direction(tube, wave, proof, shot, stem)
    picture, more, options = pictures[0], {}, {}
    if how == "bayer":
        pattern = ("RGGB", "BGGR", "GRBG", "GBRG")[int(rng.integers(4))]
        picture = kept.mosaic(picture, pattern)
        options = {"top_down": True, "cards": {"BAYERPAT": pattern, "XBAYROFF": 0, "YBAYROFF": 0}}
        more["mosaic"] = pattern
        name = f"{stem}.fits"
    else:
        options["bits"] = 8
        name = f"{stem}.{how}"
        if how == "jpg":
            picture = kept.three_curves(picture, camera)
            more["response"] = "srgb"
    write(name, sn.encode(picture, name, **options))
    info["files"] = [name]
    return [finish(stem, "colour", tube, wave, shot, [info], rng, **more)]


def make(kind, seed, count, frames, exposure, write):
    """`count` cases of a kind (traps: rounded up to whole rounds). Returns manifest entries."""
    cases = []
    makers = {"calm": calm, "misfit": misfit, "pair": pair, "colour": colour}
    if kind == "traps":
        turn = 1
        while len(cases) < count:
            cases += traps.make_traps(write, seed, f"trap{turn:02d}-", turn)
            turn += 1
        return cases
    order = ["calm", "seeing", "misfit", "pair", "colour"].index(kind)
    for k in range(count):
        rng = np.random.default_rng([seed, order, k])
        stem = f"{kind}{k:03d}"
        if kind == "seeing":
            cases += seeing(rng, stem, write, frames, exposure)
        else:
            cases += makers[kind](rng, stem, write)
    return cases
