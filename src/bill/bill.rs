//! From cargo's metadata and the lock file to a bill of materials (CycloneDX 1.5,
//! ECMA-424; package addresses as the purl specification has them for cargo).

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

/// The bill of the package of this name: what it rests on, itself left out of the
/// list. `None` where the metadata is not as cargo writes it.
pub fn of(metadata: &Value, lock: &str, name: &str) -> Option<Value> {
    let packages: BTreeMap<&str, &Value> = metadata["packages"]
        .as_array()?
        .iter()
        .filter_map(|package| Some((package["id"].as_str()?, package)))
        .collect();
    let (root, _) = packages
        .iter()
        .find(|(_, package)| package["name"] == name && package["source"].is_null())?;
    let rests_on: BTreeMap<&str, Vec<&str>> = metadata["resolve"]["nodes"]
        .as_array()?
        .iter()
        .filter_map(|node| Some((node["id"].as_str()?, built_with(node))))
        .collect();
    let mut reached = BTreeSet::new();
    let mut open = vec![*root];
    while let Some(id) = open.pop() {
        if reached.insert(id) {
            open.extend(rests_on.get(id).into_iter().flatten());
        }
    }
    let checksums = checksums(lock);
    let address = |id: &str| -> Option<String> {
        let package = packages.get(id)?;
        let (name, version) = (package["name"].as_str()?, package["version"].as_str()?);
        Some(format!("pkg:cargo/{name}@{version}"))
    };
    let component = |id: &str| -> Option<Value> {
        let package = packages.get(id)?;
        let (name, version) = (package["name"].as_str()?, package["version"].as_str()?);
        let mut one = json!({
            "type": "library",
            "bom-ref": address(id)?,
            "name": name,
            "version": version,
            "purl": address(id)?,
        });
        if let Some(licence) = package["license"].as_str() {
            // An old "/" means OR (SPDX, annex D).
            let expression = licence.replace('/', " OR ");
            one["licenses"] = json!([{ "expression": expression }]);
        }
        if let Some(checksum) = checksums.get(&(name.to_owned(), version.to_owned())) {
            one["hashes"] = json!([{ "alg": "SHA-256", "content": checksum }]);
        }
        Some(one)
    };
    let mut own = component(root)?;
    own["type"] = json!("application");
    let components: Option<Vec<Value>> = reached
        .iter()
        .filter(|id| *id != root)
        .map(|id| component(id))
        .collect();
    let dependencies: Option<Vec<Value>> = reached
        .iter()
        .map(|id| {
            let on: Option<BTreeSet<String>> = rests_on
                .get(id)
                .into_iter()
                .flatten()
                .map(|on| address(on))
                .collect();
            Some(json!({ "ref": address(id)?, "dependsOn": on? }))
        })
        .collect();
    Some(json!({
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": { "component": own },
        "components": components?,
        "dependencies": dependencies?,
    }))
}

/// What a node of cargo's resolution is built with: all but what only tests need.
fn built_with(node: &Value) -> Vec<&str> {
    node["deps"]
        .as_array()
        .into_iter()
        .flatten()
        .filter(|dep| {
            dep["dep_kinds"]
                .as_array()
                .is_some_and(|kinds| kinds.iter().any(|kind| kind["kind"] != "dev"))
        })
        .filter_map(|dep| dep["pkg"].as_str())
        .collect()
}

/// SHA-256 of each crate's file, by name and version, as the lock file has them.
fn checksums(lock: &str) -> BTreeMap<(String, String), String> {
    let value = |line: &str, key: &str| {
        let quoted = line.strip_prefix(key)?.strip_prefix(" = \"")?;
        Some(quoted.strip_suffix('"')?.to_owned())
    };
    lock.split("[[package]]")
        .filter_map(|package| {
            let of = |key| package.lines().find_map(|line| value(line, key));
            Some(((of("name")?, of("version")?), of("checksum")?))
        })
        .collect()
}
