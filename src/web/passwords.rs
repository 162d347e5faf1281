//! Passwords: argon2id, off the async threads, a few at a time, in a queue that
//! one caller cannot fill.
//!
//! Rules after NIST SP 800-63B-4: at least 15 characters where the password is
//! the only factor, at most 200, any characters, no composition rules, nothing
//! commonly used or expected (5.1.1.2), none of the names at hand.

use std::collections::HashMap;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use tokio::sync::Semaphore;

use super::Error;

/// Hashes at work; each takes 19 MiB for a moment.
const AT_WORK: usize = 2;
/// Those of one lane that may wait for their turn.
const OF_ONE: usize = 8;
/// Those of all lanes of strangers.
const OF_ALL: usize = 64;

/// Hashes and checks passwords. Each caller has a lane of their own (a network
/// address, or a person on a browser they have signed in with before) and in it
/// one turn at a time, so that a flood in one lane does not hold up the others.
#[derive(Debug, Clone)]
pub struct Passwords {
    turns: Arc<Semaphore>,
    lanes: Arc<Mutex<Lanes>>,
}

#[derive(Debug, Default)]
struct Lanes {
    waiting: usize,
    each: HashMap<String, (usize, Arc<Semaphore>)>,
}

impl Default for Passwords {
    fn default() -> Self {
        Self {
            turns: Arc::new(Semaphore::new(AT_WORK)),
            lanes: Arc::default(),
        }
    }
}

/// A place in the queue; given back when dropped.
#[derive(Debug)]
pub struct Place {
    passwords: Passwords,
    lane: String,
    turn: Arc<Semaphore>,
}

impl Drop for Place {
    fn drop(&mut self) {
        let lanes = &self.passwords.lanes;
        // Only counters: after a panic elsewhere they still serve.
        let mut lanes = lanes.lock().unwrap_or_else(PoisonError::into_inner);
        lanes.waiting -= 1;
        if let Some((count, _)) = lanes.each.get_mut(&self.lane) {
            *count -= 1;
            if *count == 0 {
                lanes.each.remove(&self.lane);
            }
        }
    }
}

impl Passwords {
    /// A place in the queue, in this lane; known people find one while strangers
    /// fill it.
    ///
    /// # Errors
    /// [`Error::SlowDown`] while the lane or the queue is full.
    pub fn place(&self, lane: &str, known: bool) -> Result<Place, Error> {
        let mut lanes = self.lanes.lock().unwrap_or_else(PoisonError::into_inner);
        let all = if known { 2 * OF_ALL } else { OF_ALL };
        let of_one = lanes.each.get(lane).map_or(0, |(count, _)| *count);
        if lanes.waiting >= all || of_one >= OF_ONE {
            return Err(Error::SlowDown(5));
        }
        lanes.waiting += 1;
        let (count, turn) = lanes
            .each
            .entry(lane.to_owned())
            .or_insert_with(|| (0, Arc::new(Semaphore::new(1))));
        *count += 1;
        Ok(Place {
            turn: turn.clone(),
            passwords: self.clone(),
            lane: lane.to_owned(),
        })
    }
}

impl Place {
    /// Hashes a password into a PHC string.
    pub async fn hash(self, password: String) -> Result<String, Error> {
        self.off_thread(move || hash_now(&password)).await
    }

    /// Checks a password. Without a stored hash it does the same work and says no.
    pub async fn check(self, password: String, stored: Option<String>) -> Result<bool, Error> {
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

    async fn off_thread<T, F>(self, work: F) -> Result<T, Error>
    where
        T: Send + 'static,
        F: FnOnce() -> Result<T, Error> + Send + 'static,
    {
        let closed = |e: tokio::sync::AcquireError| Error::Broken(e.to_string());
        let in_lane = self.turn.clone().acquire_owned().await.map_err(closed)?;
        let turns = self.passwords.turns.clone();
        let at_work = turns.acquire_owned().await.map_err(closed)?;
        // The turns go along: who hangs up does not make room before the work ends.
        tokio::task::spawn_blocking(move || {
            let done = work();
            drop((in_lane, at_work, self));
            done
        })
        .await
        .map_err(|e| Error::Broken(format!("a hashing thread: {e}")))?
    }
}

fn hasher() -> Result<Argon2<'static>, Error> {
    // OWASP Password Storage Cheat Sheet: argon2id, m = 19456 KiB, t = 2, p = 1.
    let params = Params::new(19_456, 2, 1, None)
        .map_err(|e| Error::Broken(format!("argon2 parameters: {e}")))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// Hashes a password at once, for the command line and the demo.
pub fn hash_now(password: &str) -> Result<String, Error> {
    let salt = SaltString::generate(&mut OsRng);
    hasher()?
        .hash_password(password.as_bytes(), &salt)
        .map(|h| h.to_string())
        .map_err(|e| Error::Broken(format!("hashing: {e}")))
}

/// The longest password, characters.
const LONGEST: usize = 200;
/// The shortest.
const SHORTEST: usize = 15;
/// Characters that must be left once all that is easily guessed is taken out.
const LEFT: usize = 6;

/// Common passwords and the words they are made of, the longest first.
static WEAK: LazyLock<Vec<&'static str>> = LazyLock::new(|| {
    let mut words: Vec<&str> = include_str!("passwords_weak.txt")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .flat_map(str::split_whitespace)
        .filter(|word| word.len() >= 4)
        .collect();
    words.sort_unstable_by_key(|word| (std::cmp::Reverse(word.len()), *word));
    words.dedup();
    words
});

/// Runs along a keyboard, the alphabet and the digits; parts of four or more.
const RUNS: [&str; 9] = [
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "qwertzuiop",
    "yxcvbnm",
    "azertyuiop",
    "qazwsxedcrfvtgbyhnujmikolp",
];

/// What is wrong with a new password, with the mend; `None` when nothing is.
/// `names` are those at hand: the person's name and address, the club's name.
pub fn fault(password: &str, names: &[&str]) -> Option<String> {
    let length = password.chars().count();
    if length < SHORTEST {
        return Some(format!(
            "Password: this has {length} characters; give at least {SHORTEST}. Four or five words make a good one."
        ));
    }
    if length > LONGEST {
        return Some(format!("Password: give at most {LONGEST} characters."));
    }
    let folded = folded(password);
    let own = names
        .iter()
        .flat_map(|name| name.split(|c: char| !c.is_alphanumeric()))
        .map(self::folded)
        .filter(|part| part.chars().count() >= 4);
    let after_names = own.fold(folded.clone(), |left, part| left.replace(&part, " "));
    if after_names != folded && too_little(&after_names, &folded) {
        return Some("Password: this is little more than a name that others know. Choose words that have nothing to do with you or the club.".to_owned());
    }
    let typed: Vec<char> = password.chars().collect();
    if repeats(&typed) || too_little(&without_common(&after_names), &folded) {
        return Some("Password: this is one that many people use, or made of such ones, and is guessed early. Choose four or five words that have nothing to do with each other.".to_owned());
    }
    None
}

/// Small letters and digits; signs that stand for letters as those, the rest left out.
fn folded(text: &str) -> String {
    text.chars()
        .flat_map(char::to_lowercase)
        .filter_map(|c| match c {
            '@' => Some('a'),
            '$' => Some('s'),
            '!' | '|' => Some('i'),
            c => c.is_alphanumeric().then_some(c),
        })
        .collect()
}

/// Digits that stand for letters as those.
fn lettered(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '0' => 'o',
            '1' => 'i',
            '3' => 'e',
            '4' => 'a',
            '5' => 's',
            '7' => 't',
            c => c,
        })
        .collect()
}

/// Whether hardly anything is left: few characters, few different ones, or the
/// same ones over and over.
fn too_little(left: &str, whole: &str) -> bool {
    let letters: Vec<char> = left.chars().filter(|c| !c.is_whitespace()).collect();
    let different: std::collections::HashSet<&char> = letters.iter().collect();
    // Where signs alone make a password, there is nothing here to judge it by.
    !whole.is_empty() && (letters.len() < LEFT || different.len() < 4 || repeats(&letters))
}

/// Whether it is one part of at most half its length, over and over.
fn repeats(letters: &[char]) -> bool {
    (1..=letters.len() / 2)
        .any(|period| letters.iter().zip(&letters[period..]).all(|(a, b)| a == b))
}

fn without_common(text: &str) -> String {
    let mut least = text.to_owned();
    for mut left in [text.to_owned(), lettered(text)] {
        for word in WEAK.iter() {
            left = left.replace(word, " ");
        }
        for run in RUNS {
            left = without_run(&left, run);
            left = without_run(&left, &run.chars().rev().collect::<String>());
        }
        // Figures behind a word add little: years, 123.
        left.retain(|c| !c.is_ascii_digit());
        if left.trim().len() < least.trim().len() {
            least = left;
        }
    }
    least
}

/// Without the parts of four or more characters that run along this row.
fn without_run(text: &str, run: &str) -> String {
    let (letters, run): (Vec<char>, Vec<char>) = (text.chars().collect(), run.chars().collect());
    let mut out = String::new();
    let mut at = 0;
    while at < letters.len() {
        let along = (0..run.len())
            .map(|from| {
                letters[at..]
                    .iter()
                    .zip(&run[from..])
                    .take_while(|(a, b)| a == b)
                    .count()
            })
            .max()
            .unwrap_or(0);
        if along >= 4 {
            out.push(' ');
            at += along;
        } else {
            out.push(letters[at]);
            at += 1;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[tokio::test]
    async fn a_password_is_known_again_and_another_is_not() {
        let passwords = Passwords::default();
        let place = || passwords.place("here", false).unwrap();
        let stored = place()
            .hash("a frost on the dew shield".to_owned())
            .await
            .unwrap();
        assert!(stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"));
        for (typed, stored, right) in [
            ("a frost on the dew shield", Some(stored.clone()), true),
            ("a frost on the dew shielD", Some(stored), false),
            ("anything at all here", None, false),
        ] {
            let found = place().check(typed.to_owned(), stored).await.unwrap();
            assert_eq!(found, right, "{typed}");
        }
    }

    #[test]
    fn the_queue_is_bounded_in_each_lane_and_in_all() {
        let passwords = Passwords::default();
        let mut held = Vec::new();
        for _ in 0..OF_ONE {
            held.push(passwords.place("192.0.2.1", false).unwrap());
        }
        assert!(passwords.place("192.0.2.1", false).is_err());
        for n in 0..OF_ALL - OF_ONE {
            held.push(passwords.place(&format!("other {n}"), false).unwrap());
        }
        assert!(passwords.place("192.0.2.9", false).is_err());
        held.push(passwords.place("somebody known", true).unwrap());
        drop(held);
        let lanes = passwords.lanes.lock().unwrap();
        assert_eq!((lanes.waiting, lanes.each.len()), (0, 0));
    }

    // NIST SP 800-63B, 5.1.1.2: passwords from earlier breaches, words of
    // dictionaries, repetitive or sequential characters, and words of the context
    // (the service, the name) are refused. The examples are common knowledge.
    #[test]
    fn short_and_guessable_passwords_are_named() {
        let names = [
            "Margarethe Oss",
            "marga.oss@example.org",
            "Fenwater Sky Society",
        ];
        assert!(fault("fourteen chars", &names).unwrap().contains("14"));
        for weak in [
            "aaaaaaaaaaaaaaaa",
            "abababababababab",
            "1234567890123456",
            "passwordpassword",
            "Passw0rd!Passw0rd!",
            "P@ssword1234567890",
            "qwertyuiopasdfgh",
            "poiuytrewqlkjhgf",
            "iloveyouiloveyou2",
            "CorrectHorseBatteryStaple",
            "letmein-letmein-letmein",
            "dragon monkey football",
            "tubewright tubewright 1",
            "telescope-telescope-2024",
            "margarethe12345",
            "Fenwater Society 2024",
            "fenwater password 99",
        ] {
            assert!(fault(weak, &names).is_some(), "{weak}");
        }
        // The reason is the true one.
        for (weak, why) in [
            ("aaaaaaaaaaaaaaaa", "many people use"),
            ("passwordpassword", "many people use"),
            ("margarethe12345", "a name that others know"),
        ] {
            assert!(fault(weak, &names).unwrap().contains(why), "{weak}");
        }
        for good in [
            "seven kettles at dusk",
            "four kettles at dusk",
            "a frost on the dew shield",
            "damp wool, cold tea, owls",
            "kx7vq2mzt9wbn4hc",
            "звёзды над старым мостом",
            "屋根の上の猫が三匹いるよと言った",
        ] {
            assert_eq!(fault(good, &names), None, "{good}");
        }
    }
}
