//! Encryption of backups in the open format of age (age-encryption.org/v1), to the
//! public key of a recipient: the machine that makes them cannot read them.
//!
//! Beside an encrypted backup lies its SHA-256 in a `.sha256` file, as `sha256sum -c`
//! reads it, so that whether it is as it was written can be told without the key.

use std::io::{BufReader, Read, Write};
use std::path::{Path, PathBuf};

use super::{Error, Result, at, digest, private};

/// What is added to the name of an encrypted backup.
pub(crate) const SUFFIX: &str = ".age";
/// How every such file begins.
const OPENING: &[u8] = b"age-encryption.org/v1\n";

/// A public key to encrypt to: `age1...`.
#[derive(Clone)]
pub struct Recipient(age::x25519::Recipient);

impl std::fmt::Debug for Recipient {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{}", self.0)
    }
}

impl std::str::FromStr for Recipient {
    type Err = String;

    fn from_str(text: &str) -> std::result::Result<Self, String> {
        let key = text.trim().parse().map(Self);
        key.map_err(|why: &str| {
            format!("{why}; give the public key that age-keygen prints, age1 and 58 letters")
        })
    }
}

/// A secret key, out of a file as `age-keygen` writes it.
#[derive(Clone)]
pub struct Key(age::x25519::Identity);

impl std::fmt::Debug for Key {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str("Key")
    }
}

impl Key {
    /// Reads the first key of a file; lines that begin with # are remarks.
    ///
    /// # Errors
    /// Refused where there is none in it.
    pub fn read(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path).map_err(at(path))?;
        let mut lines = text.lines().map(str::trim);
        let line = lines.find(|line| !line.is_empty() && !line.starts_with('#'));
        line.and_then(|line| line.parse().ok()).map(Self).ok_or_else(|| {
            Error::Refused(format!(
                "{} holds no secret key. Name the file that age-keygen wrote; its key begins with AGE-SECRET-KEY-1.",
                path.display()
            ))
        })
    }
}

/// Whether a file is encrypted, by its first bytes.
pub(crate) fn is_encrypted(path: &Path) -> Result<bool> {
    let mut start = Vec::new();
    let file = std::fs::File::open(path).map_err(at(path))?;
    file.take(OPENING.len() as u64)
        .read_to_end(&mut start)
        .map_err(at(path))?;
    Ok(start == OPENING)
}

/// A backup opened for reading, decrypted where it is encrypted.
pub(crate) fn open(path: &Path, key: Option<&Key>) -> Result<Box<dyn Read>> {
    let encrypted = is_encrypted(path)?;
    let file = BufReader::new(std::fs::File::open(path).map_err(at(path))?);
    if !encrypted {
        return Ok(Box::new(file));
    }
    let key = key.ok_or_else(|| {
        Error::Refused(format!(
            "{} is encrypted. Name the file with its secret key: --key FILE.",
            path.display()
        ))
    })?;
    let plain = age::Decryptor::new_buffered(file)
        .and_then(|d| d.decrypt(std::iter::once(&key.0 as &dyn age::Identity)));
    match plain {
        Ok(plain) => Ok(Box::new(plain)),
        Err(age::DecryptError::NoMatchingKeys | age::DecryptError::DecryptionFailed) => {
            Err(Error::Refused(format!(
                "{} was encrypted to another key. Name the file of the key it was made for.",
                path.display()
            )))
        }
        Err(why) => Err(Error::Damaged(format!("{}: {why}.", path.display()))),
    }
}

/// Writes through `fill` into a file, encrypted where there is a recipient; the
/// file is on the disk after it.
pub(crate) fn write(
    file: std::fs::File,
    to: Option<&Recipient>,
    fill: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let mut file = match to {
        None => {
            let mut file = file;
            fill(&mut file)?;
            file
        }
        Some(recipient) => {
            let to = std::iter::once(&recipient.0 as &dyn age::Recipient);
            let sealed = age::Encryptor::with_recipients(to).map_err(std::io::Error::other)?;
            let mut out = sealed.wrap_output(file)?;
            fill(&mut out)?;
            out.finish()?
        }
    };
    file.flush()?;
    file.sync_all()
}

fn sum_file(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".sha256");
    name.into()
}

fn sum_line(path: &Path) -> Result<String> {
    let mut file = std::fs::File::open(path).map_err(at(path))?;
    let sum = digest(&mut file, std::io::sink()).map_err(at(path))?.sha256;
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    Ok(format!("{sum}  {name}\n"))
}

/// Notes a file's sum beside it.
pub(crate) fn note_sum(path: &Path) -> Result<()> {
    let (beside, line) = (sum_file(path), sum_line(path)?);
    private::file(&beside)
        .and_then(|mut file| {
            file.write_all(line.as_bytes())?;
            file.sync_all()
        })
        .map_err(at(&beside))
}

/// Whether a file still has the sum noted beside it; false where none is.
pub(crate) fn sum_holds(path: &Path) -> Result<bool> {
    match std::fs::read_to_string(sum_file(path)) {
        Ok(noted) => Ok(noted == sum_line(path)?),
        Err(_) => Ok(false),
    }
}

pub(crate) fn remove_sum(path: &Path) -> Result<()> {
    let beside = sum_file(path);
    match std::fs::remove_file(&beside) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(at(&beside)(e)),
        _ => Ok(()),
    }
}
