//! What the program is built of may be given on under our own licence: every
//! crate in the lock file names a licence, and each is one of a few.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::process::Command;

/// As in `.packaging/deny.toml`.
const ALLOWED: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "Unicode-3.0",
    "Zlib",
    "bzip2-1.0.6",
];

/// Whether the allowed licences satisfy this expression (SPDX, annex D; an old
/// "/" means OR).
fn is_allowed(expression: &str) -> bool {
    spdx::Expression::parse_mode(expression, spdx::ParseMode::LAX).is_ok_and(|parsed| {
        parsed.evaluate(|asked| {
            asked
                .license
                .id()
                .is_some_and(|id| ALLOWED.contains(&id.name))
        })
    })
}

/// What this machine builds; the crates of other systems are not fetched here.
fn host() -> String {
    let said = Command::new("rustc").arg("-vV").output().unwrap();
    let said = String::from_utf8(said.stdout).unwrap();
    let host = said.lines().find_map(|line| line.strip_prefix("host: "));
    host.unwrap().to_owned()
}

#[test]
fn every_crate_has_a_licence_that_agrees_with_ours() {
    let said = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(["--filter-platform", &host()])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(
        said.status.success(),
        "{}",
        String::from_utf8_lossy(&said.stderr)
    );
    let all: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    let packages = all["packages"].as_array().unwrap();
    assert!(packages.len() > 100, "{}", packages.len());
    let odd: BTreeSet<String> = packages
        .iter()
        .filter(|package| !is_allowed(package["license"].as_str().unwrap_or_default()))
        .map(|package| {
            format!(
                "{} {}: {}",
                package["name"], package["version"], package["license"]
            )
        })
        .collect();
    assert!(odd.is_empty(), "{odd:#?}");
    let elsewhere: Vec<_> = packages
        .iter()
        .filter(|package| {
            package["source"]
                .as_str()
                .is_some_and(|s| !s.starts_with("registry+"))
        })
        .map(|package| &package["name"])
        .collect();
    assert!(elsewhere.is_empty(), "not from the registry: {elsewhere:?}");
}

#[test]
fn an_expression_is_read_as_the_standard_says() {
    for fine in [
        "MIT",
        "MIT OR GPL-3.0",
        "MIT/Apache-2.0",
        "(MIT OR Apache-2.0) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception OR MIT",
    ] {
        assert!(is_allowed(fine), "{fine}");
    }
    for not in [
        "",
        "GPL-3.0-only",
        "MIT AND GPL-3.0-only",
        "(MIT OR Apache-2.0) AND GPL-3.0-only",
        "AGPL-3.0",
    ] {
        assert!(!is_allowed(not), "{not}");
    }
}

#[test]
fn the_list_here_and_the_one_of_the_packages_agree() {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/.packaging/deny.toml");
    let text: toml::Table = std::fs::read_to_string(file).unwrap().parse().unwrap();
    let allowed: Vec<&str> = text["licenses"]["allow"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_str().unwrap())
        .collect();
    assert_eq!(allowed, ALLOWED);
}
