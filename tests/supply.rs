//! What the program is built of: no hole is known in it, and its bill of materials
//! names every part.
#![allow(clippy::unwrap_used)]

#[path = "../src/bill/bill.rs"]
mod bill;

use std::process::Command;

use semver::{Version, VersionReq};

fn text(path: &str) -> String {
    std::fs::read_to_string(format!("{}/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn table(path: &str) -> toml::Table {
    text(path).parse().unwrap()
}

fn words(value: Option<&toml::Value>) -> Vec<String> {
    let all = value
        .and_then(|v| v.as_array())
        .cloned()
        .unwrap_or_default();
    all.iter()
        .filter_map(|v| v.as_str().map(ToOwned::to_owned))
        .collect()
}

/// The holes known in this version of this crate, by the copy of the public database
/// (rustsec.org) in `.packaging/advisories.toml`; crates that nobody looks after any
/// more are another matter.
fn holes(known: &toml::Table, name: &str, version: &str) -> Vec<String> {
    let version: Version = version.parse().unwrap();
    let free = |one: &toml::Value, key: &str| {
        words(one.get(key))
            .iter()
            .any(|range| range.parse::<VersionReq>().unwrap().matches(&version))
    };
    known["advisory"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| one["package"].as_str() == Some(name))
        .filter(|one| {
            !matches!(
                one.get("kind").and_then(|k| k.as_str()),
                Some("unmaintained" | "notice")
            )
        })
        .filter(|one| !free(one, "patched") && !free(one, "unaffected"))
        .map(|one| one["id"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn no_hole_is_known_in_any_crate_of_the_lock_file() {
    let known = table(".packaging/advisories.toml");
    let ignored = words(table(".packaging/deny.toml")["advisories"].get("ignore"));
    let lock = table("Cargo.lock");
    let packages = lock["package"].as_array().unwrap();
    assert!(packages.len() > 300, "{}", packages.len());
    let found: Vec<String> = packages
        .iter()
        .flat_map(|package| {
            let (name, version) = (&package["name"], &package["version"]);
            let (name, version) = (name.as_str().unwrap(), version.as_str().unwrap());
            holes(&known, name, version)
                .into_iter()
                .map(move |id| format!("{name} {version}: {id}"))
        })
        .filter(|line| !ignored.iter().any(|id| line.ends_with(id)))
        .collect();
    assert!(found.is_empty(), "{found:#?}");
    // The rule finds what is there: as published for these two.
    assert_eq!(holes(&known, "age", "0.11.0"), ["RUSTSEC-2024-0433"]);
    assert_eq!(holes(&known, "zlib-rs", "0.3.9"), ["RUSTSEC-2024-0401"]);
    assert!(holes(&known, "zlib-rs", "0.4.0").is_empty());
}

/// CycloneDX 1.5 (ECMA-424): what must be there, and that every part is named.
#[test]
fn the_bill_of_materials_names_every_part() {
    let said = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    let metadata: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    let lock = text("Cargo.lock");
    let bill = bill::of(&metadata, &lock, "tubewright").unwrap();
    assert_eq!(bill["bomFormat"], "CycloneDX");
    assert_eq!(bill["specVersion"], "1.5");
    assert_eq!(bill["metadata"]["component"]["name"], "tubewright");
    let components = bill["components"].as_array().unwrap();
    let named = |name: &str| components.iter().find(|c| c["name"] == name);
    // A part of the program, one that rests deep below, one of our own, and one that
    // only tests have.
    for there in ["axum", "libsqlite3-sys", "tubewright-startest"] {
        assert!(named(there).is_some(), "{there}");
    }
    assert!(named("scraper").is_none(), "only tests have it");
    for one in components {
        let (name, version) = (
            one["name"].as_str().unwrap(),
            one["version"].as_str().unwrap(),
        );
        assert_eq!(one["purl"], format!("pkg:cargo/{name}@{version}"));
        assert!(one["licenses"][0]["expression"].is_string(), "{name}");
        // All but our own come from the registry, with a checksum.
        let ours = name.starts_with("tubewright");
        assert_eq!(one["hashes"].is_null(), ours, "{name}");
        if !ours {
            assert!(lock.contains(one["hashes"][0]["content"].as_str().unwrap()));
        }
    }
    let refs: Vec<&serde_json::Value> = components.iter().map(|c| &c["bom-ref"]).collect();
    for dependency in bill["dependencies"].as_array().unwrap() {
        for on in dependency["dependsOn"].as_array().unwrap() {
            assert!(refs.contains(&on), "{on} is rested on and not named");
        }
    }
}
