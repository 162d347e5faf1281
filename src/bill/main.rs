//! Prints the bill of materials of the program, CycloneDX 1.5 as JSON: every crate
//! that is built into it or builds it, with version, licence, checksum and what it
//! rests on.
//!
//!     cargo run --locked -p tubewright-bill > tubewright.cdx.json
//!
//! The same lock file gives the same bill: it bears no date and no serial number.

mod bill;

use std::process::{Command, ExitCode};

fn main() -> ExitCode {
    match made() {
        Ok(bill) => {
            println!("{bill:#}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("tubewright-bill: {why}");
            ExitCode::FAILURE
        }
    }
}

fn made() -> Result<serde_json::Value, String> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../..");
    let said = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(folder)
        .output()
        .map_err(|e| format!("cargo metadata: {e}"))?;
    if !said.status.success() {
        return Err(String::from_utf8_lossy(&said.stderr).into_owned());
    }
    let metadata = serde_json::from_slice(&said.stdout).map_err(|e| e.to_string())?;
    let lock = std::fs::read_to_string(format!("{folder}/Cargo.lock"))
        .map_err(|e| format!("Cargo.lock: {e}"))?;
    bill::of(&metadata, &lock, "tubewright").ok_or_else(|| "cargo metadata: not understood".into())
}
