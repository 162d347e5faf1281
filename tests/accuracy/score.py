"""Runs `tubewright measure` over study sets and scores it against their truth.

    python score.py TUBEWRIGHT SET... [--cases FILE]

Each SET is a folder made by ../frames/make.py --fresh; one not named by its kind is
called by both. Prints a table in Markdown beside the targets; --cases writes one line per case as JSON.
Standard library only.
"""

import argparse
import json
import math
import os
import statistics
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path


def quantile(values, share):
    """Linear between order statistics; None for none."""
    v = sorted(values)
    if not v:
        return None
    at = share * (len(v) - 1)
    low = math.floor(at)
    high = min(low + 1, len(v) - 1)
    return v[low] + (at - low) * (v[high] - v[low])


def told_arguments(told, side):
    args = [
        "--aperture-mm", told["aperture_mm"],
        "--focal-mm", told["focal_mm"],
        "--obstruction", told["obstruction"],
        "--pixel-um", told["pixel_um"],
        "--wavelength-nm", told["wavelength_nm"],
        "--bandwidth-nm", told["bandwidth_nm"],
        "--side", side,
    ]  # fmt: skip
    if told.get("vanes"):
        v = told["vanes"]
        args += ["--vanes", v["count"], "--vane-mm", v["width_mm"]]
        args += ["--vane-clock-deg", v["clock_deg"]]
    return [str(a) for a in args]


def measure(program, extra, frames, told, side):
    command = [program, "measure", *frames, *told_arguments(told, side), *extra, "--json"]
    began = time.perf_counter()
    out = subprocess.run(command, capture_output=True, text=True)
    seconds = time.perf_counter() - began
    try:
        return json.loads(out.stdout), seconds
    except json.JSONDecodeError:
        return {"verdict": f"broken ({out.returncode})", "reasons": [], "error": out.stderr}, seconds


def runs_of(folder, case):
    """(name, frame arguments, side) of every way to measure a case."""
    side = case["told"]["side"]
    sets = case["sets"]
    paths = [[str(folder / f) for f in s["files"]] for s in sets]
    if len(sets) == 1:
        yield "one side", paths[0], side if side in ("inside", "outside") else "unknown"
        return
    for s, p in zip(sets, paths):
        yield "one side", p, s["side"]
    by = dict(zip((s["side"] for s in sets), paths))
    yield "pair", ["--inside", *by["inside"], "--outside", *by["outside"]], "outside"


def score(case, way, report, seconds):
    row = {
        "id": case["id"],
        "kind": case["kind"],
        "set": case["set"],
        "way": way,
        "verdict": report["verdict"],
        "expect": case["expect"],
        "codes": [r["code"] for r in report["reasons"]],
        "notes": [r["code"] for r in report.get("notes", [])],
        "flaws": case.get("flaws"),
        "trap": case.get("trap"),
        "seconds": seconds,
    }
    if report["verdict"] != "measured" or case["expect"] != "measured":
        return row
    truth, w = case["truth"], report["wavefront"]
    dx, dy = w["coma_x_waves"] - truth["a8"], w["coma_y_waves"] - truth["a7"]
    sigma = w["coma_component_sigma_waves"]
    row |= {"error": math.hypot(dx, dy), "sigma": sigma, "pulls": [dx / sigma, dy / sigma]}
    row |= {"method": w["method"], "coma": truth["coma_rms_waves"]}
    if truth["coma_rms_waves"] > 0.05:
        gap = report["rings"]["thin_clock_deg"] - truth["thin_clock_deg"]
        row["thin"] = abs((gap + 180) % 360 - 180)
    g = report.get("cross_check")
    if g:
        row["geometry_error"] = math.hypot(
            g["coma_x_waves"] - truth["a8"], g["coma_y_waves"] - truth["a7"]
        )
    fit = report.get("fit")
    if fit:
        row |= {"residual": max(p["residual_share"] for p in fit["pictures"])}
        row |= {"residual_sigma": fit["residual_sigma_waves"]}
        row |= {"scatter_sigma": fit["scatter_sigma_waves"], "obstruction": fit["obstruction"]}
        row |= {"told_obstruction": case["told"]["obstruction"]}
        row |= {"chi2": fit["chi2"] / fit["degrees_of_freedom"]}
        row |= {"focal": [fit["focal_scale"], fit["focal_scale_sigma"]]}
        row |= {"response": [fit["response"], fit["response_sigma"]]}
        row |= {"doubt": fit["decentre_doubt_waves"]}
        row |= {"told_doubt": fit["told_doubt_waves"]}
        row |= {"w020": [p["defocus_waves"] for p in fit["pictures"]]}
        row |= {"work": [fit["model_pictures"], fit["model_derivatives"]]}
        if report.get("air"):
            row |= {"air": report["air"]["d_over_r0"]}
            row |= {"air_taken_off": report["air"].get("coma_taken_off_waves")}
        if fit["shadow_decentre"]:
            d = fit["shadow_decentre"]
            true = truth["shadow_decentre"]
            row["decentre_error"] = math.hypot(d["x"] - true[0], d["y"] - true[1])
    row["agree"] = (report.get("agreement") or {}).get("agree")
    row["true_w020"] = [s["defocus_waves"] for s in case["sets"]]
    row["d_over_r0"] = case["sets"][0].get("d_over_r0")
    if case.get("turbulence_floor_waves"):
        row["floor"] = case["turbulence_floor_waves"]
        left = case["sets"][0].get("mean_turbulence_a7_a8")
        if left:
            row["air_left"] = math.hypot(*left)
            row["beyond_air"] = math.hypot(dx - left[1], dy - left[0])
            if "thin" in row:
                seen = math.atan2(truth["a8"] + left[1], truth["a7"] + left[0])
                gap = math.degrees(seen - math.atan2(truth["a8"], truth["a7"]))
                row["thin_by_air"] = abs((gap + 180) % 360 - 180)
    return row


TARGETS = {
    ("calm", "one side"): (0.0015, 0.004),
    ("seeing", "one side"): (0.0045, 0.007),
    ("misfit", "one side"): (None, 0.018),
    ("misfit", "pair"): (None, 0.006),
}


def show(value, digits=4):
    return "" if value is None else f"{value:.{digits}f}"


def spread_of(pulls):
    """Root mean square; None for none."""
    return math.sqrt(statistics.fmean(p * p for p in pulls)) if pulls else None


def line(name, way, rows):
    good = [r for r in rows if "error" in r]
    errors = [r["error"] for r in good]
    thin = [r["thin"] for r in good if "thin" in r]
    pulls = [p for r in good for p in r["pulls"]]
    spread = spread_of(pulls)
    middle = quantile([abs(p) for p in pulls], 0.683)
    target = TARGETS.get((rows[0]["kind"], way), (None, None))
    rings = [r["geometry_error"] for r in good if "geometry_error" in r]
    refused = sum(r["verdict"] != "measured" for r in rows)
    aim = lambda got, want: show(got) + (f" ({show(want)})" if want else "")  # noqa: E731
    return [
        name,
        way,
        str(len(rows)),
        str(refused),
        aim(quantile(errors, 0.5), target[0]),
        aim(quantile(errors, 0.9), target[1]),
        show(quantile(thin, 0.5), 2),
        show(quantile(thin, 0.9), 2),
        show(spread, 2),
        show(middle, 2),
        show(quantile(rings, 0.5)),
        show(quantile(rings, 0.9)),
    ]


HEAD = [
    "set", "way", "cases", "refused", "median", "90 %", "thin side, median", "90 %",
    "spread of pulls", "68 % of pulls within", "rings alone, median", "90 %",
]  # fmt: skip


def thirds(floors):
    """The seeing set by thirds of D/r0: what was measured beside what the air left."""
    ordered = sorted(floors, key=lambda r: r["d_over_r0"])
    n = len(ordered)
    parts = [ordered[n * k // 3 : n * (k + 1) // 3] for k in range(3)] + [ordered]
    lines = [
        "| D/r0 | cases | median | 90 % | over the floor, median | 90 % "
        "| perfect, median | 90 % | over the floor, median | 90 % |",
        "|" + " --- |" * 10,
    ]
    for part in parts:
        cells = [f"{part[0]['d_over_r0']:.1f} to {part[-1]['d_over_r0']:.1f}", str(len(part))]
        for key in ("error", "air_left"):
            got = [r[key] for r in part]
            ratio = [r[key] / r["floor"] for r in part]
            cells += [show(quantile(got, q)) for q in (0.5, 0.9)]
            cells += [show(quantile(ratio, q), 2) for q in (0.5, 0.9)]
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def table(rows):
    groups = {}
    for r in rows:
        if r["expect"] == "measured":
            groups.setdefault((r["set"], r["way"]), []).append(r)
    lines = [HEAD, ["---"] * len(HEAD)]
    lines += [line(name, way, group) for (name, way), group in groups.items()]
    text = "\n".join("| " + " | ".join(cells) + " |" for cells in lines)
    more = []
    for (name, _), group in groups.items():
        floors = [r for r in group if "floor" in r and "error" in r]
        if not floors:
            continue
        ratio = [r["error"] / r["floor"] for r in floors]
        more.append(
            f"{name}: error over the turbulence's own floor, median {quantile(ratio, 0.5):.2f}, "
            f"90 % {quantile(ratio, 0.9):.2f}."
        )
        left = [r for r in floors if "air_left" in r]
        if left:
            own = [r["air_left"] for r in left]
            beyond = [r["beyond_air"] for r in left]
            share = [r["air_left"] / r["floor"] for r in left]
            more.append(
                f"What the air left in the mean of these frames (a perfect measurement is out by "
                f"it): median {quantile(own, 0.5):.4f}, 90 % {quantile(own, 0.9):.4f} "
                f"({quantile(share, 0.5):.2f} and {quantile(share, 0.9):.2f} of the floor). "
                f"Beyond that the measurement is out by {quantile(beyond, 0.5):.4f} (median), "
                f"{quantile(beyond, 0.9):.4f} (90 %)."
            )
            thin = [r["thin_by_air"] for r in left if "thin_by_air" in r]
            if thin:
                more.append(
                    f"The air alone turns the thin side by {quantile(thin, 0.5):.2f} degrees "
                    f"(median), {quantile(thin, 0.9):.2f} (90 %)."
                )
            if len(left) >= 9:
                more += ["", *thirds(left), ""]
    pulls = [p for r in rows for p in r.get("pulls", [])]
    if pulls:
        more.append(
            f"Spread of all {len(pulls)} pulls together: {spread_of(pulls):.2f}; 68 % of them within "
            f"{quantile([abs(p) for p in pulls], 0.683):.2f}, 95 % within "
            f"{quantile([abs(p) for p in pulls], 0.954):.2f}."
        )
    decentres = [r["decentre_error"] for r in rows if "decentre_error" in r]
    if decentres:
        more.append(
            f"Shadow decentre from pairs: off by {quantile(decentres, 0.5):.4f} of the radius "
            f"(median), {quantile(decentres, 0.9):.4f} (90 %)."
        )
    traps = [r for r in rows if r["expect"] == "refused"]
    if traps:
        caught = sum(r["verdict"] == "refused" for r in traps)
        more.append(f"Traps refused: {caught} of {len(traps)}.")
    good = [r for r in rows if r["expect"] == "measured"]
    if good:
        lost = [r for r in good if r["verdict"] != "measured"]
        more.append(f"Good sets refused: {len(lost)} of {len(good)}.")
        seconds = [r["seconds"] for r in good]
        more.append(f"One run of the program: {1e3 * quantile(seconds, 0.5):.0f} ms (median).")
    wrong = [r for r in rows if r["verdict"] != r["expect"]]
    for r in wrong:
        more.append(f"- {r['id']} ({r['way']}, {r['trap'] or r['flaws'] or r['kind']}): {r['verdict']} {r['codes']}")
    return text + "\n\n" + "\n".join(more)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("program")
    parser.add_argument("sets", nargs="+", type=Path)
    parser.add_argument("--cases", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--extra", default="", help="more options for `measure`")
    args = parser.parse_args()
    jobs = []
    for folder in args.sets:
        manifest = json.loads((folder / "manifest.json").read_text())
        for case in manifest["cases"]:
            case["kind"] = manifest.get("kind", case["kind"])
            name = folder.resolve().name
            case["set"] = name if name == case["kind"] else f"{case['kind']}, {name}"
            jobs += [(case, *run) for run in runs_of(folder, case)]
    if args.jobs > 1:
        os.environ["RAYON_NUM_THREADS"] = "1"

    def one(job):
        case, way, frames, side = job
        report, seconds = measure(args.program, args.extra.split(), frames, case["told"], side)
        return score(case, way, report, seconds)

    with ThreadPoolExecutor(args.jobs) as pool:
        rows = list(pool.map(one, jobs))
    if args.cases:
        args.cases.write_text("\n".join(json.dumps(r) for r in rows) + "\n")
    print(table(rows))


if __name__ == "__main__":
    sys.exit(main())
