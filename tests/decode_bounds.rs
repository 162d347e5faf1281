//! Memory stays bounded by one picture, whatever a file says of itself.
//!
//! The peak is the kernel's own figure for this process (VmHWM), so all cases
//! run in one test of a binary of their own. Where there is no such figure the
//! refusals are tested all the same.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "decode/common.rs"]
mod common;

use std::io::{Read, Seek, SeekFrom, Write};

use common::Fits;
use flate2::Compression;
use flate2::write::{GzEncoder, ZlibEncoder};
use startest::decode::{DecodeError, FrameReader, Limits};

/// A file of `length` bytes that exists only while it is read: a start, then one
/// pattern over and over.
struct Endless {
    start: Vec<u8>,
    pattern: Vec<u8>,
    length: u64,
    position: u64,
}

impl Endless {
    fn new(start: Vec<u8>, pattern: &[u8], length: u64) -> Self {
        Self {
            start,
            pattern: pattern.to_vec(),
            length,
            position: 0,
        }
    }
}

impl Read for Endless {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = (self.length - self.position).min(buffer.len() as u64) as usize;
        for byte in &mut buffer[..count] {
            let at = self.position as usize;
            *byte = match self.start.get(at) {
                Some(&byte) => byte,
                None => self.pattern[(at - self.start.len()) % self.pattern.len()],
            };
            self.position += 1;
        }
        Ok(count)
    }
}

impl Seek for Endless {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.position = match to {
            SeekFrom::Start(at) => at,
            SeekFrom::End(by) => self.length.saturating_add_signed(by),
            SeekFrom::Current(by) => self.position.saturating_add_signed(by),
        };
        Ok(self.position)
    }
}

/// Peak resident memory of this process, MiB.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::fast());
    packer.write_all(bytes).unwrap();
    packer.finish().unwrap()
}

/// A gzip file that starts with `start` and goes on with ten billion of `fill`: a
/// thousand members (RFC 1952 §2.2) of ten million each.
fn bomb(start: &[u8], fill: u8) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::new(9));
    let piece = vec![fill; 1_000_000];
    for _ in 0..10 {
        packer.write_all(&piece).unwrap();
    }
    let member = packer.finish().unwrap();
    let mut file = gzip(start);
    for _ in 0..1000 {
        file.extend(&member);
    }
    assert!(file.len() < 20_000_000, "{}", file.len());
    file
}

fn png_chunk(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut crc = flate2::Crc::new();
    crc.update(kind);
    crc.update(body);
    let mut chunk = (body.len() as u32).to_be_bytes().to_vec();
    chunk.extend(kind);
    chunk.extend(body);
    chunk.extend(crc.sum().to_be_bytes());
    chunk
}

/// A PNG of 16-bit grey with the given size and further chunks.
fn png(width: u32, height: u32, chunks: &[Vec<u8>]) -> Vec<u8> {
    let mut head = width.to_be_bytes().to_vec();
    head.extend(height.to_be_bytes());
    head.extend([16, 0, 0, 0, 0]);
    let mut file = b"\x89PNG\r\n\x1a\n".to_vec();
    file.extend(png_chunk(b"IHDR", &head));
    chunks.iter().for_each(|chunk| file.extend(chunk));
    file.extend(png_chunk(b"IEND", b""));
    file
}

fn zlib(bytes: usize) -> Vec<u8> {
    let mut packer = ZlibEncoder::new(Vec::new(), Compression::new(6));
    let piece = vec![0; 1_000_000];
    for _ in 0..bytes / piece.len() {
        packer.write_all(&piece).unwrap();
    }
    packer.finish().unwrap()
}

/// A little-endian TIFF of one directory; the data follow it.
fn tiff(tags: &[(u16, u32)], data: &[u8]) -> Vec<u8> {
    let mut file = b"II*\0\x08\0\0\0".to_vec();
    file.extend((tags.len() as u16).to_le_bytes());
    let start = 8 + 2 + 12 * tags.len() as u32 + 4;
    for &(tag, value) in tags {
        file.extend(tag.to_le_bytes());
        file.extend(4_u16.to_le_bytes());
        file.extend(1_u32.to_le_bytes());
        // 0xDA7A stands for where the data are.
        file.extend(if value == 0xDA7A { start } else { value }.to_le_bytes());
    }
    file.extend(0_u32.to_le_bytes());
    file.extend(data);
    file
}

fn outcome(
    reader: impl Read + Seek + Send + 'static,
    limits: &Limits,
) -> Result<usize, DecodeError> {
    let mut frames = 0;
    for frame in FrameReader::from_reader("bomb", reader, limits)? {
        frame?;
        frames += 1;
    }
    Ok(frames)
}

#[test]
fn bombs_are_refused_and_long_runs_stream_within_bounded_memory() {
    let mut worst = Vec::new();
    let mut refused = |what: &str, file: Vec<u8>, code: &str| {
        // Unpacking stops well before four gigabytes, to be quick.
        let limits = Limits {
            max_bytes: 200_000_000,
            ..Limits::default()
        };
        let error = outcome(std::io::Cursor::new(file), &limits).expect_err(what);
        assert_eq!(error.code(), code, "{what}: {error}");
        worst.push((what.to_owned(), peak_mib()));
    };

    refused("gzip of zeros", bomb(b"", 0), "format-unsupported");
    let open = Fits::new(&["SIMPLE  = T", "BITPIX  = 8"]);
    refused(
        "gzip of an endless header",
        bomb(&open.without_end(), b' '),
        "header-too-long",
    );
    let huge = Fits::image(8, &[100_000, 100_000]).header();
    refused("gzip of a huge picture", bomb(&huge, 0), "frame-too-large");
    let mut table = Fits::new(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"]).header();
    table.extend(
        Fits::new(&[
            "XTENSION= 'BINTABLE'",
            "BITPIX  = 8",
            "NAXIS   = 2",
            "NAXIS1  = 100000",
            "NAXIS2  = 90000",
            "PCOUNT  = 0",
            "GCOUNT  = 1",
        ])
        .header(),
    );
    refused("gzip of a huge table", bomb(&table, 0), "file-too-large");

    let data = [png_chunk(b"IDAT", &zlib(2_000_000))];
    refused(
        "PNG of 60000 x 60000",
        png(60_000, 60_000, &data),
        "frame-too-large",
    );
    refused("PNG of no pixels", png(0, 7, &data), "data-damaged");
    refused(
        "PNG with too little data",
        png(7_000, 7_000, &data),
        "data-damaged",
    );
    let mut profile = b"x\0\0".to_vec();
    profile.extend(zlib(300_000_000));
    let sound = png(
        4,
        4,
        &[
            png_chunk(b"iCCP", &profile),
            png_chunk(b"IDAT", &zlib(1_000_000)),
        ],
    );
    let read = outcome(std::io::Cursor::new(sound), &Limits::default());
    println!("PNG with a bomb for a colour profile: {read:?}");
    worst.push(("PNG colour profile".into(), peak_mib()));

    let mut refused = |what: &str, file: Vec<u8>, codes: &[&str]| {
        let error = outcome(std::io::Cursor::new(file), &Limits::default()).expect_err(what);
        assert!(
            codes.contains(&error.code()),
            "{what}: {} {error}",
            error.code()
        );
        worst.push((what.to_owned(), peak_mib()));
    };
    let strip = |w, h, rows, packed, bytes| {
        vec![
            (256, w),
            (257, h),
            (258, 16),
            (259, packed),
            (262, 1),
            (273, 0xDA7A),
            (277, 1),
            (278, rows),
            (279, bytes),
        ]
    };
    refused(
        "TIFF of 60000 x 60000",
        tiff(&strip(60_000, 60_000, 60_000, 8, 2000), &zlib(2_000_000)),
        &["frame-too-large"],
    );
    refused(
        "TIFF of 2^32 - 1 squared",
        tiff(&strip(u32::MAX, u32::MAX, u32::MAX, 1, 8), &[0; 8]),
        &["frame-too-large", "data-damaged"],
    );
    refused(
        "TIFF of no width",
        tiff(&strip(0, 9, 9, 1, 8), &[0; 8]),
        &["data-damaged", "frame-empty"],
    );
    refused(
        "TIFF shorter than it says",
        tiff(&strip(7000, 7000, 7000, 1, 98_000_000), &[0; 900]),
        &["file-truncated"],
    );
    refused(
        "TIFF with too little data",
        tiff(&strip(7000, 7000, 7000, 8, 2000), &zlib(2_000_000)),
        &["data-damaged", "file-truncated"],
    );
    let tiles = [
        (256, 10),
        (257, 10),
        (258, 16),
        (259, 8),
        (262, 1),
        (277, 1),
        (322, 60_000),
        (323, 60_000),
        (324, 0xDA7A),
        (325, 2000),
    ];
    let mut strips = strip(10, 10, 10, 1, 200);
    strips[5] = (273, u32::MAX);
    refused(
        "TIFF with data beyond the end",
        tiff(&strips, &[0; 200]),
        &["file-truncated"],
    );

    // Its strips cannot be counted in 32 bits: found by spoiling files; the tiff
    // crate stops on it where overflow is checked, and we must not.
    let mut planes = strip(10, u32::MAX, 1, 1, 200);
    planes[6] = (277, 3);
    planes.push((284, 2));
    refused(
        "TIFF with more strips than can be counted",
        tiff(&planes, &[0; 200]),
        &["frame-too-large", "data-damaged"],
    );

    // A tile far larger than its picture is read only as far as it is needed.
    let tile = tiff(&tiles, &zlib(2_000_000));
    assert_eq!(
        outcome(std::io::Cursor::new(tile), &Limits::default()),
        Ok(1)
    );

    let jpeg = [
        &b"\xff\xd8\xff\xc0\x00\x0b\x08\xff\xdc\xff\xdc\x01\x01\x11\x00"[..],
        &b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00\x00\xff\xd9"[..],
    ];
    refused(
        "JPEG of 65500 x 65500",
        jpeg.concat(),
        &["frame-too-large", "data-damaged"],
    );

    let card = format!("{:<80}", "COMMENT again and again");
    let start = Fits::new(&["SIMPLE  = T", "BITPIX  = 16"]).without_end();
    let header = Endless::new(start, card.as_bytes(), 2 << 30);
    let error = outcome(header, &Limits::default()).unwrap_err();
    assert_eq!(error.code(), "header-too-long");
    worst.push(("a header of 2 GB".into(), peak_mib()));

    // 2,000 planes of 128 x 128: 66 MB in the file, 131 MB as floats.
    let cube = Fits::image(16, &[128, 128, 2000])
        .card("BZERO   = 32768")
        .header();
    let length = cube.len() as u64 + 2 * 128 * 128 * 2000;
    let frames = outcome(
        Endless::new(cube, &[0x80, 7, 0x81, 9], length),
        &Limits::default(),
    );
    assert_eq!(frames, Ok(2000));
    worst.push(("a cube of 2,000 planes".into(), peak_mib()));

    for (what, peak) in &worst {
        println!("after {what}: peak {peak:?} MiB");
    }
    if let Some(peak) = peak_mib() {
        // 29 MiB when this was written, of which the bombs held here are half;
        // 53 where a caught stop of the tiff crate prints its backtrace.
        assert!(peak < 100.0, "peak of {peak} MiB");
    }
}
