//! A second factor for signing in: codes by time (TOTP, RFC 6238, over the HOTP
//! of RFC 4226) from a secret shared with an app, and spare codes for the day
//! the phone is gone.

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;
use totp_rs::{Algorithm, TOTP};

use super::{Conn, Error, Moment, PersonId, Result};

/// Seconds that one code lasts (RFC 6238, 4.1).
pub const STEP_S: i64 = 30;
/// Digits of a code.
pub const DIGITS: usize = 6;
/// How many spare codes are given out.
pub const SPARE_CODES: usize = 8;

/// The secret shared with the app: 160 bits, as RFC 4226, 4 recommends.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

impl Secret {
    /// A new one from the system's random source.
    pub fn fresh() -> Self {
        Self(rand::random::<[u8; 20]>().to_vec())
    }

    /// One that is known.
    pub fn known(bytes: &[u8]) -> Self {
        Self(bytes.to_vec())
    }

    /// As people type it: base 32 (RFC 4648), without padding.
    pub fn base32(&self) -> String {
        totp_rs::Secret::Raw(self.0.clone())
            .to_encoded()
            .to_string()
    }

    /// The code of one step of 30 seconds.
    ///
    /// # Errors
    /// When the secret is shorter than 128 bits.
    pub fn code(&self, step: i64) -> Result<String> {
        let odd = |e: &dyn std::fmt::Display| Error::Refused(format!("The second factor: {e}"));
        let step = u64::try_from(step).map_err(|e| odd(&e))?;
        let seconds = STEP_S.unsigned_abs();
        let totp =
            TOTP::new(Algorithm::SHA1, DIGITS, 0, seconds, self.0.clone()).map_err(|e| odd(&e))?;
        Ok(totp.generate(step * seconds))
    }

    /// The step whose code this is: the present one or a neighbour, since
    /// clocks differ (RFC 6238, 5.2), and later than `after`.
    fn step_of(&self, code: &str, now: Moment, after: i64) -> Result<Option<i64>> {
        let present = now.timestamp().div_euclid(STEP_S);
        // A code used by a clock that ran ahead does not shut its owner out.
        let after = if after > present + 1 { 0 } else { after };
        for step in [present, present - 1, present + 1] {
            let right = self.code(step)?;
            if step > after && bool::from(right.as_bytes().ct_eq(code.as_bytes())) {
                return Ok(Some(step));
            }
        }
        Ok(None)
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret")
    }
}

/// Whether somebody uses a second factor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// No.
    Off,
    /// A secret has been shown and not yet been confirmed by a code.
    Wanted(Secret),
    /// Yes.
    On {
        /// Spare codes not yet used.
        spare_left: i64,
    },
}

struct Kept {
    secret: Option<Vec<u8>>,
    wanted: Option<Vec<u8>>,
    last_step: i64,
}

async fn kept(conn: &mut Conn, person: PersonId) -> Result<Kept> {
    sqlx::query_as!(
        Kept,
        "SELECT totp_secret AS secret, totp_wanted AS wanted, totp_last_step AS last_step FROM people WHERE id = ?",
        person
    )
    .fetch_optional(conn)
    .await?
    .ok_or(Error::NotFound("person"))
}

/// How it stands with a person.
pub async fn state(conn: &mut Conn, person: PersonId) -> Result<State> {
    let kept = kept(&mut *conn, person).await?;
    if kept.secret.is_some() {
        let spare_left = sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n: i64" FROM spare_codes WHERE person_id = ? AND used_at IS NULL"#,
            person
        )
        .fetch_one(conn)
        .await?;
        return Ok(State::On { spare_left });
    }
    Ok(kept.wanted.map_or(State::Off, |w| State::Wanted(Secret(w))))
}

/// Whether a second factor is asked for at sign-in.
pub async fn is_on(conn: &mut Conn, person: PersonId) -> Result<bool> {
    Ok(kept(conn, person).await?.secret.is_some())
}

/// Makes a secret to be shown and confirmed.
///
/// # Errors
/// Refused when there is a second factor already.
pub async fn want(conn: &mut Conn, person: PersonId) -> Result<Secret> {
    let secret = Secret::fresh();
    let done = sqlx::query!(
        "UPDATE people SET totp_wanted = ? WHERE id = ? AND totp_secret IS NULL",
        secret.0,
        person
    )
    .execute(conn)
    .await?;
    super::one_row(
        &done,
        Error::Refused("There is a second factor already. Take it off first.".to_owned()),
    )?;
    Ok(secret)
}

/// Turns the second factor on, once a code shows that the app has the secret.
/// Returns spare codes to be shown once; `None` where the code is wrong.
pub async fn confirm(
    conn: &mut Conn,
    person: PersonId,
    code: &str,
    now: Moment,
) -> Result<Option<Vec<String>>> {
    let kept = kept(&mut *conn, person).await?;
    let (None, Some(wanted)) = (kept.secret, kept.wanted) else {
        return Err(Error::Refused(
            "There is nothing to confirm. Begin again.".to_owned(),
        ));
    };
    let Some(step) = Secret(wanted).step_of(&plain(code), now, 0)? else {
        return Ok(None);
    };
    sqlx::query!(
        "UPDATE people SET totp_secret = totp_wanted, totp_wanted = NULL, totp_last_step = ? WHERE id = ?",
        step,
        person
    )
    .execute(&mut *conn)
    .await?;
    let mut codes = Vec::new();
    for _ in 0..SPARE_CODES {
        let code = spare_code();
        let hash = spare_hash(person, &plain(&code));
        sqlx::query!(
            "INSERT INTO spare_codes (code_hash, person_id) VALUES (?, ?)",
            hash,
            person
        )
        .execute(&mut *conn)
        .await?;
        codes.push(code);
    }
    Ok(Some(codes))
}

/// Checks what was typed, a code of the app or a spare code, and uses it up.
pub async fn check(conn: &mut Conn, person: PersonId, typed: &str, now: Moment) -> Result<bool> {
    let kept = kept(&mut *conn, person).await?;
    let Some(secret) = kept.secret else {
        return Ok(false);
    };
    let typed = plain(typed);
    if let Some(step) = Secret(secret).step_of(&typed, now, kept.last_step)? {
        sqlx::query!(
            "UPDATE people SET totp_last_step = ? WHERE id = ?",
            step,
            person
        )
        .execute(conn)
        .await?;
        return Ok(true);
    }
    let hash = spare_hash(person, &typed);
    let used = sqlx::query!(
        "UPDATE spare_codes SET used_at = ? WHERE code_hash = ? AND person_id = ? AND used_at IS NULL",
        now,
        hash,
        person
    )
    .execute(conn)
    .await?;
    Ok(used.rows_affected() == 1)
}

/// Takes the second factor off, spare codes and all.
pub async fn take_off(conn: &mut Conn, person: PersonId) -> Result<()> {
    sqlx::query!(
        "UPDATE people SET totp_secret = NULL, totp_wanted = NULL, totp_last_step = 0 WHERE id = ?",
        person
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!("DELETE FROM spare_codes WHERE person_id = ?", person)
        .execute(conn)
        .await?;
    Ok(())
}

/// What was typed, without spaces and hyphens, in small letters.
fn plain(typed: &str) -> String {
    typed
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '-')
        .flat_map(char::to_lowercase)
        .collect()
}

/// Ten letters and digits that are not mistaken for one another: 50 bits.
fn spare_code() -> String {
    const LETTERS: &[u8; 32] = b"abcdefghjkmnpqrstuvwxyz023456789";
    let mut code: String = rand::random::<[u8; 10]>()
        .iter()
        .map(|byte| char::from(LETTERS[usize::from(byte % 32)]))
        .collect();
    code.insert(5, '-');
    code
}

fn spare_hash(person: PersonId, code: &str) -> Vec<u8> {
    let mut hash = Sha256::new();
    hash.update(person.0.as_bytes());
    hash.update(code.as_bytes());
    hash.finalize().to_vec()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// RFC 6238, appendix B, SHA-1: codes of eight digits at given seconds; a
    /// code of six digits is the last six of them (RFC 4226, 5.3).
    #[test]
    fn the_codes_are_those_of_the_standard() {
        let secret = Secret::known(b"12345678901234567890");
        for (seconds, eight) in [
            (59, "94287082"),
            (1_111_111_109, "07081804"),
            (1_111_111_111, "14050471"),
            (1_234_567_890, "89005924"),
            (2_000_000_000, "69279037"),
            (20_000_000_000, "65353130"),
        ] {
            assert_eq!(
                secret.code(seconds / STEP_S).unwrap(),
                eight[2..],
                "{seconds}"
            );
        }
    }

    /// RFC 4648, 10 gives base 32 of "foobar" as MZXW6YTBOI.
    #[test]
    fn the_secret_is_typed_in_base_32() {
        assert_eq!(Secret::known(b"foobar").base32(), "MZXW6YTBOI");
    }

    #[test]
    fn spare_codes_differ_and_are_read_however_they_are_typed() {
        let codes: std::collections::HashSet<String> = (0..500).map(|_| spare_code()).collect();
        assert_eq!(codes.len(), 500);
        assert_eq!(plain(" ABcde-fgh 23 "), "abcdefgh23");
    }
}
