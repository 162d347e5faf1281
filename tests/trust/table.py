"""Prints what the trials found as the tables of README.md beside this: table.py FOLDER ROUNDS SEED MINUTES."""

import json
import pathlib
import re
import sys

folder, rounds, seed, minutes = pathlib.Path(sys.argv[1]), *sys.argv[2:5]


def read(name):
    try:
        return json.loads((folder / name).read_text())
    except (OSError, ValueError):
        return None


def row(*cells):
    print("| " + " | ".join(str(c) for c in cells) + " |")


row("tried", "how much", "found")
print("|-|-|-|")
faults = read("faults.json")
if faults:
    row(
        f"server killed under concurrent writes, seed {seed}",
        f"{faults['rounds']} kills, {faults['acknowledged']:,} writes acknowledged, {faults['unanswered']} unanswered",
        f"lost {faults['lost']}, done twice {faults['twice']}, done by half {faults['halves']}, unsound {faults['unsound']}",
    )
cuts = read("power-cut.json")
if cuts:
    row(
        f"power cut under concurrent writes, seed {seed}: what was not synced is gone, or half of it, or torn",
        f"{cuts['rounds']} cuts, {cuts['taken_back']:,} unsynced writes taken back, {cuts['acknowledged']:,} writes acknowledged",
        f"lost {cuts['lost']}, done twice {cuts['twice']}, done by half {cuts['halves']}, unsound {cuts['unsound']}",
    )
for trick, words in {
    "enospc": "no room for a write, each in turn",
    "short": "half of a write, then no room",
    "write": "a write that fails (EIO)",
    "sync": "a sync that fails (EIO)",
    "read": "a read that fails (EIO)",
}.items():
    bad = read(f"disk-{trick}.json")
    if bad:
        row(
            f"a disk with {words}",
            f"{bad['rounds']} rounds, {bad['acknowledged']:,} writes acknowledged, {bad['refused']:,} requests refused in words "
            f"({bad['done_refused']} of the writes stood in the book all the same)",
            f"lost {bad['lost']}, done twice {bad['twice']}, done by half {bad['halves']}, unsound {bad['unsound']}, "
            f"without words {bad['unplain']}",
        )
web = (folder / "web.txt").read_text() if (folder / "web.txt").exists() else ""
for what, words in re.findall(r"counts: ([^:]+): (.*)$", web, re.M):
    much, found = words.split(" -> ") if " -> " in words else (words, "none")
    row(what, much, found)
slow = read("slow.json")
if slow:
    crowd = slow["crowd"]
    held = max(page["evening_p95_s"] for page in slow["pages"] if page["asked"])
    row(
        "a disk that takes 0.3 s longer for each sync, a small club",
        f"{crowd['browsing']} browsing, {crowd['checking_in']} checking in, {crowd['uploading']} sending 30 frames at a time, "
        f"1 minute: {slow['requests']:,} requests, {slow['sent']} forms, {slow['sets_handed_in']} sets",
        f"{len(slow['errors'])} errors, every set measured but {slow['sets_cancelled']} given up; a form was safe after "
        f"{slow['sent_median_s']:.1f} s (median), of every page nineteen in twenty were there within {held:.2f} s, "
        f"the slowest answer came after {max(slow['slowest_s'].values()):.1f} s",
    )
evening = read("evening.json")
if evening:
    size, crowd = evening["size"], evening["crowd"]
    row(
        f"the busiest evening of a club of {size['instruments']} instruments, {size['members']:,} members, "
        f"{size['loans']:,} loans, {size['entries']:,} entries",
        f"{crowd['browsing']} browsing, {crowd['checking_in']} checking in, {crowd['uploading']} sending 30 frames at a time, "
        f"{minutes} minutes: {evening['requests']:,} requests, {evening['sets_measured']} sets measured, "
        f"{evening['sets_cancelled']} given up",
        f"{len(evening['errors'])} errors; memory {evening['memory_mib'][0]:.0f} MiB at the start, "
        f"{max(evening['memory_mib']):.0f} at most, {evening['memory_mib'][-1]:.0f} at the end",
    )
    print("\nEach page as a ratio:\n")
    row("page", "large club to demo-sized, alone", "evening to alone: median", "95 %")
    print("|-|-|-|-|")
    for page in evening["pages"]:
        row(
            page["page"],
            f"{page['large_to_small']:.1f}",
            f"{page['evening_median_to_alone']:.1f}" if page["asked"] else "-",
            f"{page['evening_p95_to_alone']:.1f}" if page["asked"] else "-",
        )
    if evening["rise"]:
        print("\nMore and more people, four seconds between two pages of one person:\n")
        row("people at once", "pages a second", "median to alone", "95 %, seconds", "errors", "cores the server took")
        print("|-|-|-|-|-|-|")
        for step in evening["rise"]:
            row(
                step["people"],
                f"{step['pages_a_second']:.0f}",
                f"{step['median_to_alone']:.1f}",
                f"{step['p95_s']:.2f}",
                step["errors"],
                f"{step['server_cores']:.2f}",
            )
