"""Keeps what is known of holes in the crates of Cargo.lock: advisories.py DATABASE > .packaging/advisories.toml

DATABASE is a git folder of https://github.com/rustsec/advisory-db. Only facts are kept:
number, crate and the versions that are free of it. `tests/supply.rs` holds the lock
file against them where no database can be fetched.
"""

import json
import pathlib
import subprocess
import sys
import tomllib

lock = tomllib.loads((pathlib.Path(__file__).parents[1] / "Cargo.lock").read_text())
names = {package["name"] for package in lock["package"]}


def git(*words):
    return subprocess.run(["git", "-C", sys.argv[1], *words], check=True, capture_output=True, text=True).stdout


print("# What is known of holes in the crates of Cargo.lock, as kept by .ci/advisories.py from the")
print("# public advisory database; held against the lock file by tests/supply.rs.")
print(f'as_of = "{git("log", "-1", "--format=%cs").strip()}"')
for path in git("ls-tree", "-r", "--name-only", "HEAD", "crates").split():
    if not path.endswith(".md") or path.split("/")[1] not in names:
        continue
    head = git("show", f"HEAD:{path}").split("```toml\n", 1)[1].split("\n```", 1)[0]
    one = tomllib.loads(head)
    known, versions = one["advisory"], one.get("versions", {})
    if "withdrawn" in known:
        continue
    print("\n[[advisory]]")
    print(f"id = {json.dumps(known['id'])}")
    print(f"package = {json.dumps(known['package'])}")
    if "informational" in known:
        print(f"kind = {json.dumps(known['informational'])}")
    for key in ("patched", "unaffected"):
        print(f"{key} = {json.dumps(versions.get(key, []))}")
