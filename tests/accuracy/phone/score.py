"""Scores what was measured on phone sets: score.py TRUTH.json RESULTS.jsonl"""

import json
import math
import sys

import numpy as np


def main(truth, results):
    rows = {}
    for line in open(results):
        row = json.loads(line)
        rows[row["id"]] = row
    errors, turns, pulls, waves, wave_pulls, scales, seconds, airs = [], [], [], [], [], [], [], []
    refused = traps = caught = 0
    print("set      kind        W020  true   px   D/r0 | error  turn   pull       | W %   pull  | air    sec  refusal")
    for case in json.load(open(truth))["cases"]:
        row = rows.get(case["id"])
        if row is None:
            continue
        report, spec, true = row["report"], case["spec"], case["truth"]
        why = ",".join(r["code"] for r in report["reasons"])
        if case["trap"]:
            traps += 1
            caught += report["verdict"] == "refused"
            print(f"{case['id']} {case['trap']:11} {why or 'MEASURED'} {report.get('scale')}")
            continue
        seconds.append(row["seconds"])
        if report["verdict"] == "refused":
            refused += 1
            print(f"{case['id']} {case['kind']:11} {spec['w020']:5.1f} {spec['across_px']:.0f} px D/r0 {spec['d_over_r0']:.1f} REFUSED {why} {report['reasons'][0]['text']}")
            continue
        wave = report["wavefront"]
        dx, dy = wave["coma_x_waves"] - true["coma"][0], wave["coma_y_waves"] - true["coma"][1]
        size = math.hypot(*true["coma"])
        sigma = wave["coma_component_sigma_waves"]
        errors.append(math.hypot(dx, dy))
        pulls += [dx / sigma, dy / sigma]
        turn = math.degrees(math.atan2(wave["coma_y_waves"], wave["coma_x_waves"]) - math.atan2(*true["coma"][::-1]))
        turn = abs((turn + 180) % 360 - 180)
        if size > 0.03:
            turns.append(turn)
        off = 100 * (wave["defocus_waves"] / abs(true["w020"]) - 1)
        waves.append(off)
        wave_pulls.append(off / 100 * abs(true["w020"]) / wave["defocus_waves_sigma"])
        scales.append(100 * abs(report["scale"]["arcsec_per_px"] / true["arcsec_per_px"] - 1))
        airs.append(math.hypot(*true["air_coma"]))
        print(
            f"{case['id']:8} {case['kind']:11} {spec['w020']:5.1f} {size:.3f} {spec['across_px']:4.0f} {spec['d_over_r0']:4.1f} | "
            f"{errors[-1]:.4f} {turn:5.2f} {dx / sigma:5.1f} {dy / sigma:5.1f} | {off:5.1f} {wave_pulls[-1]:5.1f} | "
            f"{airs[-1]:.4f} {row['seconds']:5.1f} bend {report['fit']['response'] or 1:.2f} uneq {report['scale']['unequal']:.3f}/{spec['tilt'][0]:.3f} "
            f"left {report['fit']['pictures'][0]['unexplained_share']:.2f} eps {report['fit']['obstruction']:.3f}/{spec['obstruction']}"
        )
    q = lambda v, p: float(np.quantile(np.abs(v), p)) if v else float("nan")  # noqa: E731
    rms = lambda v: math.sqrt(np.mean(np.square(v))) if v else float("nan")  # noqa: E731
    print(f"sets {len(errors) + refused}, refused {refused}; traps {traps}, refused {caught}")
    print(f"coma vector {q(errors, 0.5):.4f} / {q(errors, 0.9):.4f} worst {q(errors, 1):.4f}; the air's own {q(airs, 0.5):.4f} / {q(airs, 0.9):.4f}")
    print(f"direction {q(turns, 0.5):.2f} / {q(turns, 0.9):.2f} degrees (coma over 0.03); pulls {rms(pulls):.2f}")
    print(f"waves {q(waves, 0.5):.1f} / {q(waves, 0.9):.1f} %, mean {np.mean(waves) if waves else 0:+.1f} %, pulls {rms(wave_pulls):.2f}; scale {q(scales, 0.5):.1f} / {q(scales, 0.9):.1f} %")
    print(f"processor seconds {q(seconds, 0.5):.1f}, worst {q(seconds, 1):.1f}")


if __name__ == "__main__":
    main(*sys.argv[1:3])
