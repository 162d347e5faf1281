//! Addresses of our own pages.

use crate::library::instruments::Check;
use crate::library::things::{Kind, Thing};

/// A word as one part of a path: whatever is not a letter, a digit or one of
/// `-._~` is percent-encoded (RFC 3986, 2.3).
pub fn part(word: &str) -> String {
    let mut path = String::with_capacity(word.len());
    for byte in word.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            path.push(char::from(byte));
        } else {
            path.push_str(&format!("%{byte:02X}"));
        }
    }
    path
}

/// Only a path of ours: no host, no scheme, nothing a browser reads as one.
pub fn own_path(next: &str) -> &str {
    let safe = next.starts_with('/')
        && !next.starts_with("//")
        && !next.contains(|c: char| c == '\\' || c.is_control());
    if safe { next } else { "/" }
}

/// An instrument's own page.
pub fn instrument(tag: &str) -> String {
    format!("/instruments/{}", part(tag))
}

/// The page of an instrument, or of a thing that goes with one.
pub fn thing(thing: &Thing) -> String {
    of_kind(thing.kind, &thing.tag)
}

/// The same by its kind and tag.
pub fn of_kind(kind: Kind, tag: &str) -> String {
    match kind {
        Kind::Instrument => instrument(tag),
        _ => thing_tag(tag),
    }
}

/// The page of a thing that is no instrument.
pub fn thing_tag(tag: &str) -> String {
    format!("/things/{}", part(tag))
}

/// An instrument's check-in.
pub fn check_in(tag: &str) -> String {
    format!("/check-in/{}", part(tag))
}

/// Where a star test by phone of it begins.
pub fn star_test_by_phone(tag: &str) -> String {
    format!("{}/phone", new_check(tag, Check::Star))
}

/// Where what tells how it is begins anew: a star test, or a barrel check.
pub fn new_check(tag: &str, check: Check) -> String {
    let page = match check {
        Check::Barrels => "barrels",
        Check::Star | Check::Bench => "star-test",
    };
    format!("{}/{page}", instrument(tag))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_odd_tag_stays_one_part_of_its_path() {
        assert_eq!(part("N203"), "N203");
        assert_eq!(instrument("N 20/3é?"), "/instruments/N%2020%2F3%C3%A9%3F");
    }

    #[test]
    fn only_our_own_paths_are_followed() {
        assert_eq!(own_path("/shelf?x=1"), "/shelf?x=1");
        for bad in [
            "//evil.example",
            "https://evil.example",
            "/\\evil.example",
            "",
            "javascript:1",
            "/a\r\nb",
            "/\u{b}x",
            "/\u{85}x",
            "/\t/evil.example",
        ] {
            assert_eq!(own_path(bad), "/", "{bad}");
        }
    }
}
