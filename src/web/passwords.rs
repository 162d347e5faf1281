//! Passwords: argon2id, off the async threads, a few at a time.
//!
//! Rules after NIST SP 800-63B-4: at least 15 characters where the password is
//! the only factor, at most 200, any characters, no composition rules, not the
//! account's own name.

use std::sync::Arc;

use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use tokio::sync::Semaphore;

use super::Error;

/// Hashes and checks passwords; each takes 19 MiB for a moment, so only two
/// run at once.
#[derive(Debug, Clone)]
pub struct Passwords {
    turns: Arc<Semaphore>,
}

impl Default for Passwords {
    fn default() -> Self {
        Self {
            turns: Arc::new(Semaphore::new(2)),
        }
    }
}

fn hasher() -> Result<Argon2<'static>, Error> {
    // OWASP Password Storage Cheat Sheet: argon2id, m = 19456 KiB, t = 2, p = 1.
    let params = Params::new(19_456, 2, 1, None)
        .map_err(|e| Error::Broken(format!("argon2 parameters: {e}")))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// What is wrong with a new password, with the mend; `None` when nothing is.
pub fn fault(password: &str, email: &str) -> Option<String> {
    let length = password.chars().count();
    if length < 15 {
        return Some(format!(
            "Password: this has {length} characters; give at least 15. Four or five words make a good one."
        ));
    }
    if length > 200 {
        return Some("Password: give at most 200 characters.".to_owned());
    }
    let lower = password.to_lowercase();
    let own = email.split('@').next().unwrap_or_default().to_lowercase();
    let plain = lower.chars().all(|c| lower.starts_with(c));
    if plain
        || lower == email.to_lowercase()
        || (own.len() > 3 && lower.replace(&own, "").chars().count() < 8)
    {
        return Some("Password: this is too easy to guess. Choose words that have nothing to do with your name.".to_owned());
    }
    None
}

/// Hashes a password at once, for the command line and the demo.
pub fn hash_now(password: &str) -> Result<String, Error> {
    let salt = SaltString::generate(&mut OsRng);
    hasher()?
        .hash_password(password.as_bytes(), &salt)
        .map(|h| h.to_string())
        .map_err(|e| Error::Broken(format!("hashing: {e}")))
}

impl Passwords {
    /// Hashes a password into a PHC string.
    pub async fn hash(&self, password: String) -> Result<String, Error> {
        self.off_thread(move || hash_now(&password)).await
    }

    /// Checks a password. Without a stored hash it does the same work and says no.
    pub async fn check(&self, password: String, stored: Option<String>) -> Result<bool, Error> {
        self.off_thread(move || {
            let hasher = hasher()?;
            match stored {
                Some(stored) => {
                    let parsed = PasswordHash::new(&stored)
                        .map_err(|e| Error::Broken(format!("a stored hash: {e}")))?;
                    Ok(hasher.verify_password(password.as_bytes(), &parsed).is_ok())
                }
                None => {
                    hash_now(&password)?;
                    Ok(false)
                }
            }
        })
        .await
    }

    async fn off_thread<T, F>(&self, work: F) -> Result<T, Error>
    where
        T: Send + 'static,
        F: FnOnce() -> Result<T, Error> + Send + 'static,
    {
        let _turn = self
            .turns
            .acquire()
            .await
            .map_err(|e| Error::Broken(e.to_string()))?;
        tokio::task::spawn_blocking(work)
            .await
            .map_err(|e| Error::Broken(format!("a hashing thread: {e}")))?
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[tokio::test]
    async fn a_password_is_known_again_and_another_is_not() {
        let passwords = Passwords::default();
        let stored = passwords
            .hash("a frost on the dew shield".to_owned())
            .await
            .unwrap();
        assert!(stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"));
        assert!(
            passwords
                .check("a frost on the dew shield".to_owned(), Some(stored.clone()))
                .await
                .unwrap()
        );
        assert!(
            !passwords
                .check("a frost on the dew shielD".to_owned(), Some(stored))
                .await
                .unwrap()
        );
        assert!(
            !passwords
                .check("anything at all here".to_owned(), None)
                .await
                .unwrap()
        );
    }

    #[test]
    fn short_and_guessable_passwords_are_named() {
        assert!(
            fault("fourteen chars", "a@example.org")
                .unwrap()
                .contains("14")
        );
        assert!(fault("aaaaaaaaaaaaaaaa", "a@example.org").is_some());
        assert!(fault("margarethe12345", "margarethe@example.org").is_some());
        assert!(fault("seven kettles at dusk", "a@example.org").is_none());
    }
}
