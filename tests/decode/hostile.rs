//! Files that are cut, spoilt or made to harm.

use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

use super::common::all_fixtures;
use startest::decode::{DecodeError, FrameReader, Limits};
use startest::frame::Frame;

/// Small, so that thousands of files pass in a moment.
fn tight() -> Limits {
    Limits {
        max_bytes: 64 << 20,
        max_pixels_per_frame: 1 << 20,
        max_frames: 60,
        ..Limits::default()
    }
}

fn read(bytes: Vec<u8>) -> Vec<Result<Frame, DecodeError>> {
    match FrameReader::from_bytes("hostile", bytes, &tight()) {
        Ok(reader) => reader.collect(),
        Err(error) => vec![Err(error)],
    }
}

/// What holds of every answer, whatever the file.
fn check(answers: &[Result<Frame, DecodeError>]) {
    let limits = tight();
    assert!(!answers.is_empty(), "neither a frame nor a refusal");
    assert!(answers.len() as u64 <= limits.max_frames + 1);
    for (index, answer) in answers.iter().enumerate() {
        match answer {
            Ok(frame) => {
                assert_eq!(frame.data.len(), frame.width * frame.height);
                assert!(frame.data.len() as u64 <= limits.max_pixels_per_frame);
                assert!(!frame.data.is_empty());
                assert!(frame.data.iter().all(|value| value.is_finite()));
                assert!(frame.full_scale.is_none_or(f32::is_finite));
            }
            Err(error) => {
                assert!(!error.code().is_empty() && !error.to_string().is_empty());
                assert!(error.is_frame_only() || index + 1 == answers.len());
            }
        }
    }
}

/// A file cut short gives refusals and whole frames, never other pixels.
#[test]
fn every_fixture_cut_at_every_97th_byte_is_answered_truly() {
    let mut cuts = 0;
    for (name, bytes) in all_fixtures() {
        let whole = read(bytes.clone());
        check(&whole);
        for end in (0..bytes.len()).step_by(97) {
            let answers = catch_unwind(AssertUnwindSafe(|| read(bytes[..end].to_vec())))
                .unwrap_or_else(|_| panic!("{name} cut at {end} stops the program"));
            check(&answers);
            for (index, answer) in answers.iter().enumerate() {
                if answer.is_ok() {
                    assert_eq!(answer, &whole[index], "{name} cut at {end}, frame {index}");
                }
            }
            cuts += 1;
        }
    }
    println!("{cuts} cut files");
    assert!(cuts > 1000);
}

/// One thing done to a file. Places are shares of its length.
#[derive(Debug, Clone)]
enum Harm {
    Flip(f64, u8),
    Write(f64, &'static [u8]),
    Cut(f64),
    Drop(f64, usize),
    Repeat(f64, usize),
    Splice(f64, usize),
}

/// Bytes that have broken decoders before: extremes, in both byte orders, as
/// text in a FITS card, and marks of the formats.
const NASTY: [&[u8]; 24] = [
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x80\x00\x00\x00",
    b"\x00\x00\x00\x00\x00\x00\x00\x00",
    b"\x00\x00",
    b"\xff\xff",
    b"\x7f\xc0\x00\x00",
    b"                   0",
    b"                  -1",
    b"                   3",
    b"               99999",
    b" 9223372036854775807",
    b" 4294967296",
    b"                1E40",
    b"                 NaN",
    b"'RGB     '          ",
    b"BAYERPAT= 'RGGB'",
    b"ROWORDER= 'TOP-DOWN'",
    b"XTENSION= 'IMAGE   '",
    b"END     ",
    b"IDAT",
    b"\xff\xd8\xff\xda",
    b"\xff\xc2",
];

fn harm() -> impl Strategy<Value = Harm> {
    let place = 0.0..1.0_f64;
    prop_oneof![
        4 => (place.clone(), any::<u8>()).prop_map(|(at, bits)| Harm::Flip(at, bits)),
        6 => (place.clone(), prop::sample::select(&NASTY[..]))
            .prop_map(|(at, bytes)| Harm::Write(at, bytes)),
        1 => place.clone().prop_map(Harm::Cut),
        1 => (place.clone(), 1..4000_usize).prop_map(|(at, n)| Harm::Drop(at, n)),
        1 => (place.clone(), 1..4000_usize).prop_map(|(at, n)| Harm::Repeat(at, n)),
        1 => (place, any::<usize>()).prop_map(|(at, other)| Harm::Splice(at, other)),
    ]
}

fn spoil(bytes: &[u8], harms: &[Harm], early: bool, all: &[(String, Vec<u8>)]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for harm in harms {
        // Half the files are spoilt where their headers are.
        let reach = if early {
            bytes.len().min(1200)
        } else {
            bytes.len()
        };
        let place = |share: &f64| (share * reach as f64) as usize;
        match harm {
            Harm::Flip(at, bits) => {
                if let Some(byte) = bytes.get_mut(place(at)) {
                    *byte ^= bits;
                }
            }
            Harm::Write(at, new) => {
                // In FITS, mostly in the value field of a card.
                let mut start = place(at);
                if bytes.starts_with(b"SIMPLE") && new.len() >= 10 {
                    start = start / 80 * 80 + if new[0].is_ascii_uppercase() { 0 } else { 10 };
                }
                for (byte, new) in bytes.iter_mut().skip(start).zip(*new) {
                    *byte = *new;
                }
            }
            Harm::Cut(at) => bytes.truncate(place(at)),
            Harm::Drop(at, count) => {
                let start = place(at);
                bytes.drain(start..(start + count).min(bytes.len()));
            }
            Harm::Repeat(at, count) => {
                let start = place(at);
                let again = bytes[start..(start + count).min(bytes.len())].to_vec();
                bytes.splice(start..start, again);
            }
            Harm::Splice(at, other) => {
                let (_, other) = &all[other % all.len()];
                bytes.truncate(place(at));
                bytes.extend(&other[bytes.len().min(other.len())..]);
            }
        }
    }
    bytes
}

/// Makes a spoilt PNG's checksums right again, or the decoder would look no further.
fn right_checksums(bytes: &mut [u8]) {
    let mut at = 8;
    while let Some(head) = bytes.get(at..at + 8) {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let Some(body) = at
            .checked_add(8 + length)
            .and_then(|end| bytes.get(at + 4..end))
        else {
            return;
        };
        let mut crc = flate2::Crc::new();
        crc.update(body);
        let end = at + 8 + length;
        if let Some(place) = bytes.get_mut(end..end + 4) {
            place.copy_from_slice(&crc.sum().to_be_bytes());
        }
        at = end + 4;
    }
}

/// Spoilt files never stop the program nor give a frame that is none. Runs for
/// fifteen seconds, or for as long as TUBEWRIGHT_FUZZ_SECONDS says; a file that
/// breaks it is kept, to be added to decoder-seeds/found.
#[test]
fn spoilt_fixtures_are_answered() {
    let seconds = std::env::var("TUBEWRIGHT_FUZZ_SECONDS")
        .map_or(15, |text| text.parse().expect("a whole number of seconds"));
    let end = Instant::now() + Duration::from_secs(seconds);
    let all = all_fixtures();
    let strategy = (
        0..all.len(),
        prop::collection::vec(harm(), 1..6),
        any::<bool>(),
        any::<bool>(),
    );
    let (mut tried, mut frames) = (0_u64, 0_u64);
    let counts = std::cell::RefCell::new((&mut tried, &mut frames));
    while Instant::now() < end {
        let mut runner = TestRunner::new(Config {
            cases: 256,
            failure_persistence: None,
            ..Config::default()
        });
        let outcome = runner.run(&strategy, |(index, harms, early, mend)| {
            let mut bytes = spoil(&all[index].1, &harms, early, &all);
            if mend && all[index].0.ends_with(".png") {
                right_checksums(&mut bytes);
            }
            let kept = bytes.clone();
            let answered = catch_unwind(AssertUnwindSafe(|| {
                let answers = read(bytes);
                check(&answers);
                answers.iter().filter(|answer| answer.is_ok()).count()
            }));
            match answered {
                Ok(good) => {
                    let mut counts = counts.borrow_mut();
                    *counts.0 += 1;
                    *counts.1 += good as u64;
                    Ok(())
                }
                Err(_) => {
                    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"))
                        .join(format!("spoilt-{}", all[index].0));
                    std::fs::File::create(&path)
                        .and_then(|mut file| file.write_all(&kept))
                        .unwrap();
                    Err(TestCaseError::fail(format!("kept as {}", path.display())))
                }
            }
        });
        if let Err(failure) = outcome {
            panic!("{failure}");
        }
    }
    println!("{tried} spoilt files, {frames} frames still read");
    assert!(tried >= 256);
    assert!(
        frames > tried / 20,
        "the harm is too coarse to reach the pixels"
    );
}

fn code(bytes: Vec<u8>, limits: &Limits) -> String {
    let reader = match FrameReader::from_bytes("hostile", bytes, limits) {
        Ok(reader) => reader,
        Err(error) => return error.code().to_owned(),
    };
    let answers: Vec<_> = reader.collect();
    match answers.last() {
        Some(Err(error)) => error.code().to_owned(),
        _ => "read".to_owned(),
    }
}

/// A TIFF of `rows` rows whose strips, one for each row, all are the same `data`.
fn shared_strips(rows: u32, data: &[u8]) -> Vec<u8> {
    let tags: [(u16, u16, u32, u32); 9] = [
        (256, 4, 1, 100),
        (257, 4, 1, rows),
        (258, 3, 1, 8),
        (259, 3, 1, 8),
        (262, 3, 1, 1),
        (273, 4, rows, 0),
        (277, 3, 1, 1),
        (278, 4, 1, 1),
        (279, 4, rows, 0),
    ];
    let lists = 8 + 2 + 12 * tags.len() as u32 + 4;
    let start = lists + 8 * rows;
    let mut file = b"II*\0\x08\0\0\0".to_vec();
    file.extend((tags.len() as u16).to_le_bytes());
    for (tag, kind, count, value) in tags {
        file.extend(tag.to_le_bytes());
        file.extend(kind.to_le_bytes());
        file.extend(count.to_le_bytes());
        let value = match tag {
            273 => lists,
            279 => lists + 4 * rows,
            _ => value,
        };
        file.extend(value.to_le_bytes());
    }
    file.extend(0_u32.to_le_bytes());
    for _ in 0..rows {
        file.extend(start.to_le_bytes());
    }
    for _ in 0..rows {
        file.extend((data.len() as u32).to_le_bytes());
    }
    file.extend(data);
    file
}

/// Small files that would hold a machine for minutes.
#[test]
fn work_is_bounded_by_what_a_file_may_yield() {
    let limits = Limits::default();
    let begun = Instant::now();
    let gzip = |bytes: &[u8]| {
        let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packer.write_all(bytes).unwrap();
        packer.finish().unwrap()
    };
    let fits = super::common::Fits::new(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"]).header();
    let table = super::common::Fits::new(&[
        "XTENSION= 'BINTABLE'",
        "BITPIX  = 8",
        "NAXIS   = 2",
        "NAXIS1  = 60000",
        "NAXIS2  = 60000",
        "PCOUNT  = 0",
        "GCOUNT  = 1",
    ])
    .header();
    // Zeros: a thousandth of their size when packed, four gigabytes if let.
    let mut packed = gzip(&[fits.clone(), table].concat());
    let member = gzip(&vec![0; 20_000_000]);
    for _ in 0..180 {
        packed.extend(&member);
    }
    assert_eq!(code(packed, &limits), "file-too-large");
    // Hundreds of thousands of members without a byte in them.
    let mut packed = gzip(&fits);
    let empty = gzip(b"");
    for _ in 0..200_000 {
        packed.extend(&empty);
    }
    assert_eq!(code(packed, &limits), "too-much-work");
    // Every strip a megabyte of packed data, and all of them the same.
    let mut strip = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::none());
    strip.write_all(&vec![7; 1_000_000]).unwrap();
    let strip = strip.finish().unwrap();
    assert_eq!(
        code(shared_strips(20_000, &strip), &limits),
        "too-much-work"
    );
    // A JPEG whose picture is gone over a thousand times.
    let (_, mut jpeg) = all_fixtures()
        .into_iter()
        .find(|(name, _)| name.ends_with("progressive.jpg"))
        .unwrap();
    jpeg.truncate(jpeg.len() - 2);
    for _ in 0..1000 {
        jpeg.extend(b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00\x00");
    }
    jpeg.extend(b"\xff\xd9");
    assert_eq!(code(jpeg, &limits), "too-much-work");
    // No figure of a machine's speed: each took minutes without its bound.
    println!("bounded in {:?}", begun.elapsed());
}

#[test]
fn a_deadline_that_has_passed_stops_the_reading() {
    let late = Limits {
        deadline: Instant::now().checked_sub(Duration::from_secs(1)),
        ..Limits::default()
    };
    for (name, bytes) in all_fixtures() {
        let fresh = code(bytes.clone(), &Limits::default());
        if fresh == "read" {
            assert_eq!(code(bytes, &late), "too-slow", "{name}");
        }
    }
}
