//! Files and folders that only their owner may read: a backup holds names,
//! addresses and hashes of passwords.

use std::fs::{File, OpenOptions};
use std::io::Result;
use std::path::{Path, PathBuf};

/// A new file, 0600 where the system knows such rights.
pub(crate) fn file(path: &Path) -> Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

/// A folder and those above it, 0700 where they are made; as it is where it is there.
pub(crate) fn folder(path: &Path) -> Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(path)
}

/// Of these paths, the ones that others than their owner may read or write, with
/// their rights.
pub fn open_to_others(paths: &[PathBuf]) -> Vec<(PathBuf, u32)> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let rights =
            |path: &PathBuf| Some(std::fs::metadata(path).ok()?.permissions().mode() & 0o777);
        paths
            .iter()
            .filter_map(|path| Some((path.clone(), rights(path)?)))
            .filter(|(_, rights)| rights & 0o077 != 0)
            .collect()
    }
    #[cfg(not(unix))]
    {
        let _ = paths;
        Vec::new()
    }
}
