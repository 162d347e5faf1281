"""Tubewright's fit beside baseline.py, on the same stamps in one go.

    cargo build --release -p tubewright-startest --example fit_stamps
    python tests/reference/compare.py [--cases 20] [--seed 1]

Stamps of 128 x 128 pixels by HCIPy (../frames/optic.py): calm air with noise,
and averages of 30 pictures through evolving turbulence. Both programs get the
same stamps, the same told setup and the same inexact start, each on one core.
Tubewright runs three times: believing what is told, as the reference does;
as it measures (what is told may be a little wrong, the air's own coma is taken
off); and so with every core. Prints errors of the coma vector and
times, as a table in Markdown.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "frames"))
sys.path.insert(0, str(HERE))

import baseline  # noqa: E402
import optic  # noqa: E402
from truth import ray_truth  # noqa: E402

SIZE = 128
TUBES = [
    optic.Tube("newtonian", 200, 1200, 0.25),
    optic.Tube("schmidt-cassegrain", 203, 2030, 0.34),
    optic.Tube("refractor", 100, 900, 0.0),
    optic.Tube("newtonian", 150, 750, 0.30),
]


def make(kind, index, rng):
    """One case: what is told, a start, a stamp with its sigma, and the truth."""
    tube = TUBES[index % len(TUBES)]
    pixel_um = float(rng.choice([2.9, 3.76]) if tube.n < 7 else rng.choice([3.76, 4.63]))
    # A donut that fills most of the stamp.
    w020 = rng.uniform(30, 44) * pixel_um / (4 * tube.n * optic.REFERENCE_NM * 1e-3)
    band = optic.Band(550.0, float(rng.choice([0, 100, 250])))
    coma, angle = rng.uniform(0, 0.2), rng.uniform(0, 2 * np.pi)
    noll = {j: rng.normal(0, 0.03) for j in (5, 6, 9, 10, 11)}
    noll |= {7: coma * np.sin(angle), 8: coma * np.cos(angle)}
    side = rng.choice(["inside", "outside"])
    noll[4] = (-1 if side == "inside" else 1) * w020 / (2 * 3**0.5)
    wave = optic.Wave(noll)
    radius = optic.outer_radius_px(tube, wave, pixel_um)
    centre = tuple((SIZE - 1) / 2 + rng.uniform(-2, 2, 2))
    samples = optic.samples_for(tube, band, pixel_um, SIZE / 2, radius)
    camera = optic.Camera(tube, pixel_um, (SIZE, SIZE), band, samples, (0.0, 0.0), w020)
    opd = optic.wavefront(tube, wave, samples)
    frames = 1
    if kind == "calm":
        unit = 0.55 * tube.n / pixel_um
        lights = [camera.picture(opd, centre, rng.uniform(0, 2.5) * unit)]
    else:
        frames, strength = 30, rng.uniform(1.2, 3.6)
        air = optic.Air(int(rng.integers(1 << 30)))
        _, _, modes = optic.pupil(tube, (0.0, 0.0), samples)
        lights = []
        for _ in range(frames):
            air.blow(2.0)
            screen = air.opd(camera.grid, strength)
            # Registered frames: tilt out.
            tilt = optic.project(screen, tube, samples, range(1, 4))
            for j in range(1, 4):
                screen = screen - tilt[j] * modes[j]
            lights.append(camera.picture(opd + screen, centre))
    light = sum(lights) / frames
    gain = rng.uniform(60, 150) ** 2 / np.quantile(light, 0.95)
    electrons = gain * light
    sky = 0.02 * electrons.max()
    electrons += sky
    each = [rng.poisson(gain * one + sky) for one in lights]
    data = sum(each) / frames
    # Means of two frames, for the air's own coma; none of a single frame.
    blocks = [(a + b) / 2 for a, b in zip(each[::2], each[1::2])]
    truth = ray_truth(tube, wave, pixel_um)["outer"]
    start = {
        "x": centre[0] + truth[0] + rng.normal(0, 0.5),
        "y": centre[1] - truth[1] + rng.normal(0, 0.5),
        "r": radius * (1 + rng.normal(0, 0.02)),
        "cx": noll[8] + rng.normal(0, 0.03),
        "cy": noll[7] + rng.normal(0, 0.03),
    }
    setup = {
        "aperture_mm": tube.aperture_mm,
        "focal_mm": tube.focal_mm,
        "obstruction": tube.obstruction,
        "pixel_um": pixel_um,
        "wavelength_nm": band.centre_nm,
        "bandwidth_nm": band.width_nm,
        "side": str(side),
    }
    return {
        "kind": kind,
        "setup": setup,
        "start": start,
        "coma": [noll[8], noll[7]],
        "size": SIZE,
        "frames": frames,
        "blocks": len(blocks),
    }, blocks, data, np.sqrt(np.maximum(electrons, 1) / frames)


def errors(cases, coma):
    return [np.hypot(*np.subtract(c["coma"], v)) for c, v in zip(cases, coma)]


def tubewright(folder, cores, *more):
    """Runs the example; gives coma vectors and seconds per fit."""
    env = os.environ | {"RAYON_NUM_THREADS": str(cores)}
    exe = HERE.parent.parent / "target" / "release" / "examples" / "fit_stamps"
    out = subprocess.run([exe, folder, *more], env=env, check=True, capture_output=True, text=True)
    rows = json.loads(out.stdout)
    return [r["coma"] for r in rows], [r["seconds"] for r in rows]


def main():
    args = argparse.ArgumentParser()
    args.add_argument("--cases", type=int, default=20, help="of each kind")
    args.add_argument("--seed", type=int, default=1)
    args = args.parse_args()
    rng = np.random.default_rng(args.seed)
    with tempfile.TemporaryDirectory() as folder:
        cases, stamps = [], []
        for kind in ("calm", "seeing"):
            for index in range(args.cases):
                case, blocks, data, sigma = make(kind, index, rng)
                stem = Path(folder) / str(len(cases))
                np.array(blocks).astype("<f8").tofile(f"{stem}.blocks")
                data.astype("<f8").tofile(f"{stem}.data")
                sigma.astype("<f8").tofile(f"{stem}.sigma")
                cases.append(case)
                stamps.append((data, sigma))
        (Path(folder) / "cases.json").write_text(json.dumps(cases))
        rows = {}
        coma, seconds = [], []
        for case, (data, sigma) in zip(cases, stamps):
            began = time.perf_counter()
            waves, _ = baseline.fit(data, sigma, case["setup"], case["start"])
            seconds.append(time.perf_counter() - began)
            coma.append([waves[8], waves[7]])
        rows["numpy + scipy, one core"] = coma, seconds
        rows["Tubewright as told, one core"] = tubewright(folder, 1, "--as-told")
        rows["Tubewright, one core"] = tubewright(folder, 1)
        rows["Tubewright, all cores"] = tubewright(folder, os.cpu_count())
    print("| | kind | median error | 90 % | ms per fit (median) |")
    print("|---|---|---|---|---|")
    for name, (coma, seconds) in rows.items():
        e = np.array(errors(cases, coma))
        for kind in ("calm", "seeing"):
            pick = np.array([c["kind"] == kind for c in cases])
            print(
                f"| {name} | {kind} | {np.median(e[pick]):.4f} | {np.quantile(e[pick], 0.9):.4f} "
                f"| {1e3 * np.median(np.array(seconds)[pick]):.1f} |"
            )
    base = np.array(rows["numpy + scipy, one core"][1])
    for name in list(rows)[1:]:
        print(f"\n{name}: {np.median(base / np.array(rows[name][1])):.0f} times as fast (median)")


if __name__ == "__main__":
    main()
