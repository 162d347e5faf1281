//! Any bytes, read as frames and as a phone's still: an answer, whatever they are.
//!
//! A decoder from outside that panics is caught by the house and answered in words; only
//! what comes through that is a find.

#![no_main]

use std::io::Cursor;
use std::sync::Once;

use libfuzzer_sys::fuzz_target;
use startest::decode::{FrameReader, Limits, Still};

/// Pixels of one picture: a small file may ask for no more, so memory stays far under the limit of the run.
const MAX_PIXELS: u64 = 1 << 20;

static HOOK: Once = Once::new();

fuzz_target!(|bytes: &[u8]| {
    // The fuzzer's own hook ends the program before anything can be caught.
    HOOK.call_once(|| std::panic::set_hook(Box::new(|_| {})));
    let limits = Limits {
        max_bytes: 64 << 20,
        max_pixels_per_frame: MAX_PIXELS,
        max_frames: 60,
        ..Limits::default()
    };
    if let Ok(reader) = FrameReader::from_bytes("fuzz", bytes.to_vec(), &limits) {
        for frame in reader.flatten() {
            assert_eq!(frame.data.len(), frame.width * frame.height);
            assert!(frame.data.iter().all(|value| value.is_finite()));
        }
    }
    if let Ok(still) = Still::from_reader("fuzz", Cursor::new(bytes.to_vec()), &limits) {
        for colour in &still.colours {
            assert_eq!(colour.len(), still.width * still.height);
        }
    }
});
