//! What the decoder's tests share.
#![allow(dead_code)]

use std::path::{Path, PathBuf};

use startest::decode::{DecodeError, FrameReader, Limits};
use startest::frame::Frame;

pub fn seeds() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/decoder-seeds")
}

pub fn fixture(name: &str) -> Vec<u8> {
    std::fs::read(seeds().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Every picture file among the seeds, by name.
pub fn all_fixtures() -> Vec<(String, Vec<u8>)> {
    let mut all = Vec::new();
    for folder in [seeds(), seeds().join("found")] {
        let Ok(entries) = std::fs::read_dir(folder) else {
            continue;
        };
        for path in entries
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.is_file())
        {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if ![".py", ".txt", ".json"]
                .iter()
                .any(|end| name.ends_with(end))
            {
                all.push((name, std::fs::read(&path).unwrap()));
            }
        }
    }
    all.sort();
    assert!(all.len() >= 50);
    all
}

pub fn frames(name: &str, bytes: Vec<u8>) -> Result<Vec<Frame>, DecodeError> {
    FrameReader::from_bytes(name, bytes, &Limits::default())?.collect()
}

pub fn refusal(bytes: Vec<u8>) -> DecodeError {
    frames("test", bytes).expect_err("this should be refused")
}

/// A FITS file put together card by card, also a wrong one.
pub struct Fits {
    cards: Vec<String>,
}

impl Fits {
    pub fn new(cards: &[&str]) -> Self {
        Self {
            cards: cards.iter().map(|card| (*card).to_owned()).collect(),
        }
    }

    pub fn image(bitpix: i64, axes: &[i64]) -> Self {
        let mut cards = vec![
            "SIMPLE  = T".to_owned(),
            format!("BITPIX  = {bitpix}"),
            format!("NAXIS   = {}", axes.len()),
        ];
        cards.extend(
            axes.iter()
                .enumerate()
                .map(|(i, size)| format!("{:<8}= {size}", format!("NAXIS{}", i + 1))),
        );
        Self { cards }
    }

    pub fn card(mut self, card: &str) -> Self {
        self.cards.push(card.to_owned());
        self
    }

    pub fn header(&self) -> Vec<u8> {
        let mut text: String = self
            .cards
            .iter()
            .map(|card| format!("{card:<80}"))
            .collect();
        text += &format!("{:<80}", "END");
        padded(text.into_bytes(), b' ')
    }

    pub fn without_end(&self) -> Vec<u8> {
        let text: String = self
            .cards
            .iter()
            .map(|card| format!("{card:<80}"))
            .collect();
        padded(text.into_bytes(), b' ')
    }

    pub fn with(&self, data: &[u8]) -> Vec<u8> {
        let mut file = self.header();
        file.extend(padded(data.to_vec(), 0));
        file
    }

    /// Zeros, without the fill at the end.
    pub fn data(&self, bytes: usize) -> Vec<u8> {
        let mut file = self.header();
        file.resize(file.len() + bytes, 0);
        file
    }
}

fn padded(mut bytes: Vec<u8>, fill: u8) -> Vec<u8> {
    bytes.resize(bytes.len().next_multiple_of(2880), fill);
    bytes
}
