"""Runs `tubewright barrels` on a study of make.py and prints the table.

    score.py PROGRAM FOLDER
"""

import json
import pathlib
import subprocess
import sys
import time

import numpy as np

program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
errors = {"convergence": [], "step": [], "turn": []}
pulls = {"convergence": [], "step": [], "turn": []}
refused, trapped, traps, seconds = [], 0, 0, []
for truth in json.loads((folder / "truth.json").read_text()):
    left, right = (str(folder / f) for f in truth["files"])
    began = time.perf_counter()
    told = ["--left", left, "--right", right, "--magnification", "10", "--arcmin-per-px", str(truth["arcmin_per_px"])]
    run = subprocess.run([program, "barrels", *told, "--rest-arcmin", "0", "--json"], capture_output=True, text=True)
    seconds.append(time.perf_counter() - began)
    report = json.loads(run.stdout)
    if "trap" in truth:
        traps += 1
        trapped += report["verdict"] == "refused"
        if report["verdict"] != "refused":
            print("not refused:", truth["trap"], truth["files"], report["openings"][0])
        continue
    if report["verdict"] != "measured":
        refused.append((truth["files"], [r["code"] for r in report["reasons"]]))
        continue
    apart = report["openings"][0]["apart"]
    for name in errors:
        if apart[name] is None:
            continue
        off = apart[name]["arcmin"] - truth[f"{name}_arcmin"]
        # The scale is told exactly here.
        sigma = apart[name]["sigma_arcmin"]
        if name != "turn":
            sigma = np.sqrt(max(sigma**2 - (0.03 * apart[name]["arcmin"]) ** 2, 1e-12))
        errors[name].append(abs(off))
        pulls[name].append(off / sigma)
        if abs(off / sigma) > 4 or abs(off) > 4:
            print("far off:", truth["files"], name, round(off, 2), "sigma", round(sigma, 3), truth["detail"], "bend", round(truth["bend"], 3), "stop", truth["stop"], "alike", round(report["openings"][0]["alike"], 2))
print("| angle | cases | median error | 90 % | worst | spread of pulls |\n| --- | --- | --- | --- | --- | --- |")
for name, off in errors.items():
    p = np.array(pulls[name])
    print(f"| {name} | {len(off)} | {np.median(off):.2f}' | {np.percentile(off, 90):.2f}' | {max(off):.2f}' | {np.sqrt((p**2).mean()):.2f} |")
print(f"refused of good ones: {len(refused)} {refused}; traps refused: {trapped} of {traps}; {np.median(seconds):.2f} s each, at most {max(seconds):.2f}")
