//! FITS headers: 80-byte cards in blocks of 2,880 bytes (FITS 4.0 §3, §4).

use std::collections::HashMap;

use super::bytes::Stream;
use super::{DecodeError, Format};

/// FITS 4.0 §3.1: everything comes in blocks of this many bytes.
pub(super) const BLOCK: usize = 2880;
/// Said of a stream whose first bytes are not a FITS header's.
pub(super) const NOT_FITS: &str = "the first card is not SIMPLE";
const CARD: usize = 80;

/// A value as FITS 4.0 §4.2 writes it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    Text(String),
    Logical(bool),
    Integer(i64),
    Real(f64),
    /// Anything else, among it complex numbers and undefined values.
    Other,
}

/// The keywords with a value of one header.
///
/// A keyword that occurs twice counts where it stands first, which is where
/// the mandatory ones must stand (FITS 4.0 §4.4.1).
#[derive(Debug, Clone, Default)]
pub(super) struct Header {
    values: HashMap<String, Value>,
}

impl Header {
    /// Reads one header up to and with the block that holds its END card.
    ///
    /// `Ok(None)` when the stream is at its end, or when what follows is no
    /// header: FITS 4.0 §3.5 lets other records follow the last unit.
    pub fn read(
        stream: &mut Stream,
        first: bool,
        max_bytes: u64,
    ) -> Result<Option<Self>, DecodeError> {
        let opening: &[u8] = if first { b"SIMPLE  =" } else { b"XTENSION=" };
        let mut header = Self::default();
        let mut block = [0_u8; BLOCK];
        let mut read_bytes = 0_u64;
        loop {
            let got = stream.fill(&mut block)?;
            if read_bytes == 0 && (got < opening.len() || !block.starts_with(opening)) {
                return match first {
                    true => Err(wrong(NOT_FITS)),
                    false => Ok(None),
                };
            }
            read_bytes += got as u64;
            for card in block[..got].chunks_exact(CARD) {
                if card.starts_with(b"END") && card[3..8].iter().all(|&b| b == b' ') {
                    if got < BLOCK {
                        return Err(short("the last block of the header is not complete"));
                    }
                    return Ok(Some(header));
                }
                header.push(card)?;
            }
            if got < BLOCK {
                return Err(short("the header has no END card"));
            }
            if read_bytes >= max_bytes {
                return Err(DecodeError::HeaderTooLong {
                    limit_bytes: max_bytes,
                });
            }
        }
    }

    fn push(&mut self, card: &[u8]) -> Result<(), DecodeError> {
        let (keyword, rest) = card.split_at(8);
        // FITS 4.0 §4.1.2: A-Z, 0-9, - and _, left-justified. Lower case occurs
        // in practice and harms nobody; control bytes mean this is no header.
        if keyword.iter().any(|&b| !(b' '..=b'~').contains(&b)) {
            return Err(wrong("a keyword holds bytes that are not text"));
        }
        let Some(field) = rest.strip_prefix(b"= ") else {
            return Ok(());
        };
        let keyword = String::from_utf8_lossy(keyword)
            .trim_end()
            .to_ascii_uppercase();
        self.values
            .entry(keyword)
            .or_insert_with(|| parse_value(field));
        Ok(())
    }

    /// The value of `keyword`, if it is there.
    pub fn value(&self, keyword: &str) -> Option<&Value> {
        self.values.get(keyword)
    }

    /// Text, without the blanks that FITS 4.0 §4.2.1 says do not count.
    pub fn text(&self, keyword: &str) -> Option<&str> {
        match self.value(keyword) {
            Some(Value::Text(text)) => Some(text.trim()),
            _ => None,
        }
    }

    pub fn logical(&self, keyword: &str) -> Option<bool> {
        match self.value(keyword) {
            Some(Value::Logical(flag)) => Some(*flag),
            _ => None,
        }
    }

    /// A finite number, whole or not.
    pub fn real(&self, keyword: &str) -> Option<f64> {
        match self.value(keyword) {
            Some(Value::Integer(number)) => Some(*number as f64),
            Some(Value::Real(number)) => Some(*number),
            _ => None,
        }
    }

    /// A whole number, or the error that it is missing or something else.
    pub fn integer(&self, keyword: &str) -> Result<i64, DecodeError> {
        match self.value(keyword) {
            Some(Value::Integer(number)) => Ok(*number),
            Some(_) => Err(wrong(format!("{keyword} is not a whole number"))),
            None => Err(wrong(format!("{keyword} is missing"))),
        }
    }

    /// A whole number of at least zero; `default` when it is missing.
    pub fn count(&self, keyword: &str, default: Option<u64>) -> Result<u64, DecodeError> {
        if let (None, Some(default)) = (self.value(keyword), default) {
            return Ok(default);
        }
        u64::try_from(self.integer(keyword)?).map_err(|_| wrong(format!("{keyword} is negative")))
    }
}

pub(super) fn wrong(why: impl Into<String>) -> DecodeError {
    DecodeError::BadHeader {
        format: Format::Fits,
        why: why.into(),
    }
}

pub(super) fn short(what: impl Into<String>) -> DecodeError {
    DecodeError::Truncated { what: what.into() }
}

/// The value field of a card, in fixed or free format.
fn parse_value(field: &[u8]) -> Value {
    let field = String::from_utf8_lossy(field);
    let field = field.trim_start();
    if let Some(quoted) = field.strip_prefix('\'') {
        return Value::Text(unquote(quoted));
    }
    let bare = field.split('/').next().unwrap_or_default().trim();
    match bare {
        "T" => return Value::Logical(true),
        "F" => return Value::Logical(false),
        _ => {}
    }
    // Rust also reads "inf" and "nan", which FITS does not know.
    if !bare.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)) {
        return Value::Other;
    }
    if let Ok(number) = bare.parse::<i64>() {
        return Value::Integer(number);
    }
    // FITS 4.0 §4.2.4: the exponent may be written with D.
    match bare.replace(['D', 'd'], "E").parse::<f64>() {
        Ok(number) if number.is_finite() => Value::Real(number),
        _ => Value::Other,
    }
}

/// A text up to its closing quote; two quotes stand for one (FITS 4.0 §4.2.1).
fn unquote(quoted: &str) -> String {
    let mut text = String::new();
    let mut letters = quoted.chars().peekable();
    while let Some(letter) = letters.next() {
        if letter == '\'' && letters.next_if_eq(&'\'').is_none() {
            break;
        }
        text.push(letter);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_as_the_standard_writes_them() {
        let read = |field: &str| parse_value(field.as_bytes());
        assert_eq!(read("                   T / yes"), Value::Logical(true));
        assert_eq!(read("                 -32"), Value::Integer(-32));
        assert_eq!(read("+5"), Value::Integer(5));
        assert_eq!(read("3.2768D4 / offset"), Value::Real(32768.0));
        assert_eq!(
            read("'O''Hara / x'  / who"),
            Value::Text("O'Hara / x".into())
        );
        assert_eq!(read("(1.0, 2.0)"), Value::Other);
        assert_eq!(read("inf"), Value::Other);
        assert_eq!(read("+inf"), Value::Other);
        assert_eq!(read("1E999"), Value::Other);
        assert_eq!(read(""), Value::Other);
    }
}
