#!/usr/bin/env python3
"""Makes frames of defocused stars with a known wavefront.

  make.py                      remake the kept frames and manifest.json here
  make.py --check              prove the truth's signs, and read the kept frames back
  make.py --fresh --kind calm --seed 1 --count 60 --out DIR
                               a random study set, outside the repository

Kinds: calm, seeing, misfit, pair, traps, colour. One core is enough.
"""

import argparse
import json
import math
import os
import sys
import time
from pathlib import Path

# One thread: the same numbers on every machine, and no fighting over cores.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402

import build  # noqa: E402
import sensor as sn  # noqa: E402
import truth as tr  # noqa: E402
from optic import Wave  # noqa: E402

HERE = Path(__file__).parent

AXES = (
    "Positions: pixels, x right, y DOWN, 0 at the centre of the top left pixel as displayed. "
    "Vectors (a8, a7), shadow_offset_px, shadow_decentre: x right, y UP. Clock: degrees clockwise "
    "from up. a7, a8: Noll, waves RMS at 550 nm over the full circle. thin_clock_deg is opposite "
    "to (a8, a7). defocus_waves: W020 at the pupil's edge, waves at 550 nm, negative inside focus. "
    "centre_px: centre of the outer edge by rays, turbulent tilt included. tilt_free_px: where "
    "light without tilt (Noll a2 = a3 = 0) falls, turbulent tilt left out."
)


def prove():
    """Signs from pixels alone: on both sides of focus the ring is thinnest opposite to (a8, a7)."""
    rng = np.random.default_rng(5)
    for key, tube in build.TUBES.items():
        for side in (1, -1):
            for _ in range(2):
                a = rng.uniform(0, 2 * math.pi)
                wave = Wave({4: side * 3.2, 7: 0.12 * math.sin(a), 8: 0.12 * math.cos(a)})
                shot = build.Shot(round(tube.n * 0.6, 2), (8, 8), (4.3, 3.6))
                _, info, proof = build.make_set(tube, wave, shot, rng)
                checked = build.check_direction(tube, wave, proof, shot, key)
                assert checked is not None, key
                share, gap = checked
                assert 0.6 < share < 1.3, (key, share)
                # The light's centroid must stand off by +2N W131 (1 + e^2) - tilt, WITH the coma.
                if info["side"] == "outside" or tube.obstruction == 0:
                    _centroid(tube, wave, shot, proof)
                print(
                    f"{tube.design:22s} {info['side']:8s} offset {share:5.3f} of the rays', "
                    f"direction off by {gap:4.2f} deg"
                )
    # A decentred shadow moves with the sign of the defocus; coma does not.
    tube = build.TUBES["newtonian"]
    seen = []
    for side in (1, -1):
        wave = Wave({4: side * 3.2}, shadow=(0.06, 0.0))
        shot = build.Shot(3.0, (8, 8), (4.0, 4.0))
        _, _, proof = build.make_set(tube, wave, shot, rng)
        build.check_direction(tube, wave, proof, shot, "decentred")
        light, at = proof
        radius = 4 * tube.n * 11.08 * 0.55 / shot.pixel_um
        seen.append(tr.ring_geometry(light, tube.obstruction, at, radius)["shadow_offset_px"][0])
    assert seen[0] > 1 and seen[1] < -1, seen
    print(f"decentred shadow: {seen[0]:+.2f} px outside, {seen[1]:+.2f} px inside")


def _centroid(tube, wave, shot, proof):
    light, at = proof
    y, x = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    near = np.hypot(x - at[0], y - at[1]) < light.shape[0] / 2 - 1
    light = np.where(near, light, 0)
    got = ((light * x).sum() / light.sum() - at[0], at[1] - (light * y).sum() / light.sum())
    want = tr.ray_truth(tube, wave, shot.pixel_um)["light"]
    off = math.hypot(got[0] - want[0], got[1] - want[1])
    # The vanes take light evenly, so they do not move the centroid to first order.
    assert off < 0.2 + 0.1 * math.hypot(*want), (tube.design, got, want)


def writer(folder):
    """Returns write(name, bytes), which keeps count."""
    folder.mkdir(parents=True, exist_ok=True)

    def write(name, data):
        (folder / name).write_bytes(data)
        write.total += len(data)

    write.total = 0
    return write


def save_manifest(folder, cases, **more):
    text = json.dumps({"axes": AXES, **more, "cases": cases}, indent=1, allow_nan=False)
    (folder / "manifest.json").write_text(text + "\n")


def check_kept(folder):
    """Read the files back with outside readers and look for the thin side in them."""
    cases = json.loads((folder / "manifest.json").read_text())["cases"]
    for case in cases:
        for part in case["sets"]:
            for name in part["files"]:
                assert (folder / name).is_file(), name
            if case["expect"] != "measured" or part["d_over_r0"]:
                continue
            picture = sn.read_back(folder / part["files"][0])
            start = part["frames"][0]["centre_px"]
            picture = picture - np.median(
                np.concatenate([picture[:6].ravel(), picture[-6:].ravel()])
            )
            seen = tr.ring_geometry(
                picture, case["told"]["obstruction"], start, part["outer_radius_px"]
            )
            off = math.dist(seen["centre_px"], start)
            assert off < 2.0, (case["id"], seen["centre_px"], start)
            thin = part["ring_thin_clock_deg"]
            gap = None
            if thin is not None:
                gap = tr.clock_gap(seen["thin_clock_deg"], thin)
                weak = case["truth"]["coma_rms_waves"] < 0.06
                assert gap < (40 if weak else 20), (case["id"], seen["thin_clock_deg"], thin)
            print(
                f"{case['id']:28s} {part['side']:8s} centre off {off:4.2f} px, thin side "
                + (f"off {gap:4.1f} deg" if gap is not None else "none")
            )


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--fresh", action="store_true")
    parser.add_argument(
        "--kind", default="calm", choices=["calm", "seeing", "misfit", "pair", "traps", "colour"]
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--frames", type=int, default=30, help="frames per seeing case")
    parser.add_argument(
        "--exposure",
        type=float,
        default=0.0,
        help="apertures of wind during one seeing frame (0: snapshots)",
    )
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    start = time.time()
    if args.fresh:
        import fresh

        if args.out is None:
            parser.error("--fresh needs --out DIR")
        write = writer(args.out)
        cases = fresh.make(args.kind, args.seed, args.count, args.frames, args.exposure, write)
        save_manifest(args.out, cases, kind=args.kind, seed=args.seed)
        print(f"{len(cases)} cases, {write.total / 1e6:.1f} MB, {time.time() - start:.0f} s")
        return
    prove()
    if not args.check:
        import kept

        write = writer(HERE)
        save_manifest(HERE, kept.make_kept(write))
        print(f"{write.total / 1e6:.2f} MB, {time.time() - start:.0f} s")
        assert write.total < 2.5e6
    check_kept(HERE)


if __name__ == "__main__":
    sys.exit(main())
