//! Addresses of our own pages.

use crate::library::things::Thing;

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

/// An instrument's own page.
pub fn instrument(tag: &str) -> String {
    format!("/instruments/{}", part(tag))
}

/// The page of an instrument, or of a thing that goes with one.
pub fn thing(thing: &Thing) -> String {
    match thing.is_instrument() {
        true => instrument(&thing.tag),
        false => thing_tag(&thing.tag),
    }
}

/// The page of a thing that is no instrument.
pub fn thing_tag(tag: &str) -> String {
    format!("/things/{}", part(tag))
}

/// Where a new star test of it begins.
pub fn new_star_test(tag: &str) -> String {
    format!("{}/star-test", instrument(tag))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_odd_tag_stays_one_part_of_its_path() {
        assert_eq!(part("N203"), "N203");
        assert_eq!(instrument("N 20/3é?"), "/instruments/N%2020%2F3%C3%A9%3F");
    }
}
