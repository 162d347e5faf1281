//! Files written by independent libraries, read back pixel for pixel.
//!
//! `decoder-seeds/make.py` wrote the files with astropy, Pillow, tifffile and
//! imagecodecs, and `expected.json` with what those libraries read from them.
use super::common::{Fits, fixture, frames, refusal};
use startest::decode::{DecodeError, Format, FrameReader, Limits};

#[derive(serde::Deserialize)]
struct Expected {
    frames: Vec<ExpectedFrame>,
    full_scale: Option<f64>,
    tolerance: f32,
    full_scales: Option<Vec<Option<f64>>>,
}

#[derive(serde::Deserialize)]
struct ExpectedFrame {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

/// Covers FITS 4.0 Table 8 (every BITPIX), §5.3 with Table 11 (BZERO, BSCALE and
/// the unsigned 16-bit convention), §4.4.2.5 (BLANK), §7.1 (image extensions),
/// PNG, JPEG and TIFF 6.0 kinds, and the row order and orientation of each.
#[test]
fn every_fixture_reads_as_its_independent_library_reads_it() {
    let text = fixture("expected.json");
    let all: std::collections::BTreeMap<String, Expected> = serde_json::from_slice(&text).unwrap();
    assert!(all.len() >= 50, "only {} fixtures", all.len());
    for (name, expected) in all {
        let read = frames(&name, fixture(&name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(read.len(), expected.frames.len(), "{name}: count of frames");
        for (index, (frame, wanted)) in read.iter().zip(&expected.frames).enumerate() {
            assert_eq!(
                (frame.width, frame.height),
                (wanted.width, wanted.height),
                "{name}"
            );
            let full_scale = match &expected.full_scales {
                Some(each) => each[index],
                None => expected.full_scale,
            };
            assert_eq!(
                frame.full_scale,
                full_scale.map(|v| v as f32),
                "{name}: full scale"
            );
            assert_eq!(frame.data.len(), wanted.data.len(), "{name}");
            for (at, (&got, &want)) in frame.data.iter().zip(&wanted.data).enumerate() {
                // Nine digits were written; a Frame holds 24 bits.
                let allowed = expected.tolerance + 2e-7 * want.abs();
                assert!(
                    (got - want).abs() <= allowed,
                    "{name}, frame {index}, column {} row {}: {got}, expected {want}",
                    at % frame.width,
                    at / frame.width
                );
            }
        }
    }
}

#[test]
fn frames_are_named_after_file_and_plane() {
    let cube = frames("night/m1.fits", fixture("cube.fits")).unwrap();
    assert_eq!(cube[2].name, "night/m1.fits, plane 3");
    let single = frames("a.fits", fixture("uint16.fits")).unwrap();
    assert_eq!(single[0].name, "a.fits");
    let several = frames("e.fits", fixture("extensions.fits")).unwrap();
    assert_eq!(several[1].name, "e.fits, extension 4");
    let pages = frames("p.tif", fixture("pages.tif")).unwrap();
    assert_eq!(pages[3].name, "p.tif, page 4");

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("opened.png");
    std::fs::write(&path, fixture("grey8.png")).unwrap();
    let mut reader = FrameReader::open(&path, &Limits::default()).unwrap();
    assert_eq!(reader.format(), Format::Png);
    assert_eq!(reader.next().unwrap().unwrap().name, "opened.png");
    assert!(reader.next().is_none());
    let missing = FrameReader::open(folder.path().join("none.png"), &Limits::default());
    assert_eq!(missing.unwrap_err().code(), "file-unreadable");
}

#[test]
fn the_format_is_told_by_content_not_by_name() {
    for (name, format) in [
        ("uint16.fits", Format::Fits),
        ("cube.fits.gz", Format::Fits),
        ("grey8.png", Format::Png),
        ("lzw.tif", Format::Tiff),
        ("grey.jpg", Format::Jpeg),
    ] {
        let reader =
            FrameReader::from_bytes("wrong.txt", fixture(name), &Limits::default()).unwrap();
        assert_eq!(reader.format(), format, "{name}");
    }
}

#[test]
fn header_facts_are_offered_before_the_first_frame() {
    let reader = FrameReader::from_bytes("told", fixture("told.fits"), &Limits::default()).unwrap();
    let hints = reader.hints().clone();
    assert_eq!(hints.pixel_um, Some(3.76));
    assert_eq!(hints.binning, Some((2, 2)));
    assert_eq!(hints.focal_mm, Some(1200.0));
    assert_eq!(hints.aperture_mm, Some(200.0));
    assert_eq!(hints.exposure_s, Some(0.25));
    assert_eq!(hints.filter.as_deref(), Some("Green"));
    assert_eq!(
        hints.observed_at.unwrap().to_string(),
        "2024-11-03 21:14:05.250"
    );
    assert_eq!(hints.colour, None);
    // An extension inherits what only the primary header says.
    let reader =
        FrameReader::from_bytes("e", fixture("extensions.fits"), &Limits::default()).unwrap();
    assert_eq!(reader.hints().focal_mm, Some(900.0));
    for name in [
        "bayer-rggb.fits",
        "rgb.fits",
        "rgb8.png",
        "rgb.jpg",
        "rgb-uint16.tif",
    ] {
        let reader = FrameReader::from_bytes(name, fixture(name), &Limits::default()).unwrap();
        assert_eq!(reader.hints().colour, Some(true), "{name}");
    }
}

#[test]
fn what_cannot_be_read_is_refused_with_code_and_mend() {
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("empty", vec![], "format-unknown"),
        (
            "text",
            b"a plain letter, no picture".to_vec(),
            "format-unknown",
        ),
        (
            "zip",
            b"PK\x03\x04rest of an archive".to_vec(),
            "format-unsupported",
        ),
        (
            "heif",
            b"\0\0\0\x18ftypheic\0\0\0\0".to_vec(),
            "format-unsupported",
        ),
        (
            "tiles",
            fixture("tile-compressed.fits"),
            "fits-tile-compressed",
        ),
        ("nan", fixture("nan-many.fits"), "pixels-without-value"),
        (
            "pattern",
            Fits::image(8, &[2, 2]).card("BAYERPAT= 'CYYM'").data(4),
            "kind-unsupported",
        ),
        (
            "rows",
            Fits::image(8, &[2, 2]).card("ROWORDER= 'SIDEWAYS'").data(4),
            "header-wrong",
        ),
        ("bitpix", Fits::image(12, &[2, 2]).data(8), "header-wrong"),
        ("negative", Fits::image(8, &[-2, 2]).data(4), "header-wrong"),
        (
            "no axis",
            Fits::new(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 2"]).data(4),
            "header-wrong",
        ),
        (
            "axis in words",
            Fits::new(&[
                "SIMPLE  = T",
                "BITPIX  = 8",
                "NAXIS   = 2",
                "NAXIS1  = 'two'",
                "NAXIS2  = 2",
            ])
            .data(4),
            "header-wrong",
        ),
        (
            "simple F",
            Fits::new(&[
                "SIMPLE  = F",
                "BITPIX  = 8",
                "NAXIS   = 2",
                "NAXIS1  = 2",
                "NAXIS2  = 2",
            ])
            .data(4),
            "header-wrong",
        ),
        (
            "bscale",
            Fits::image(8, &[2, 2]).card("BSCALE  = 0.0").data(4),
            "header-wrong",
        ),
        ("zero wide", Fits::image(8, &[0, 5]).data(0), "frame-empty"),
        (
            "zero deep",
            Fits::image(8, &[5, 5, 0]).data(0),
            "frame-empty",
        ),
        (
            "overflow",
            Fits::image(-64, &[i64::MAX, i64::MAX]).data(0),
            "header-wrong",
        ),
        (
            "wrapping",
            Fits::image(16, &[1 << 32, (1 << 32) + 1]).data(0),
            "header-wrong",
        ),
        (
            "huge",
            Fits::image(16, &[1 << 20, 1 << 20]).data(0),
            "frame-too-large",
        ),
        (
            "thin",
            Fits::image(16, &[1 << 40, 1]).data(0),
            "frame-too-large",
        ),
        (
            "short",
            Fits::image(16, &[5000, 5000]).data(100),
            "file-truncated",
        ),
        (
            "no picture",
            Fits::new(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"]).data(0),
            "no-picture",
        ),
        ("spectrum", Fits::image(8, &[9]).data(9), "no-picture"),
        (
            "no END",
            Fits::new(&["SIMPLE  = T", "BITPIX  = 8"]).without_end(),
            "file-truncated",
        ),
        ("palette", fixture("palette.tif"), "kind-unsupported"),
        (
            "gcount",
            Fits::image(8, &[2, 2]).card("GCOUNT  = 3").data(12),
            "header-wrong",
        ),
        (
            "groups",
            Fits::image(8, &[0, 2]).card("GROUPS  = T").data(0),
            "kind-unsupported",
        ),
    ];
    for (what, bytes, code) in cases {
        let refusal = refusal(bytes);
        assert_eq!(refusal.code(), code, "{what}: {refusal}");
        let (text, mend) = (refusal.to_string(), refusal.mend());
        assert!(
            text.ends_with('.') && mend.ends_with('.'),
            "{what}: {text} / {mend}"
        );
        assert!(
            text.len() > 15 && mend.len() > 30,
            "{what}: {text} / {mend}"
        );
    }
}

#[test]
fn whole_planes_before_the_break_are_kept() {
    let mut bytes = fixture("cube.fits");
    bytes.truncate(2880 + 12 * 9 * 2 * 3 + 50);
    let mut reader = FrameReader::from_bytes("cut", bytes, &Limits::default()).unwrap();
    for plane in 1..=3 {
        assert!(reader.next().unwrap().is_ok(), "plane {plane}");
    }
    let broken = reader.next().unwrap().unwrap_err();
    assert_eq!(broken.code(), "file-truncated");
    assert!(!broken.is_frame_only());
    assert!(reader.next().is_none());
}

#[test]
fn a_plane_without_values_is_left_out_and_the_next_is_read() {
    let mut data = Vec::new();
    for plane in [1.0_f32, f32::NAN, 3.0] {
        data.extend([plane; 36].iter().flat_map(|v| v.to_be_bytes()));
    }
    let bytes = Fits::image(-32, &[6, 6, 3]).with(&data);
    let read: Vec<_> = FrameReader::from_bytes("c", bytes, &Limits::default())
        .unwrap()
        .collect();
    assert_eq!(read[0].as_ref().unwrap().data[0], 1.0);
    let refused = read[1].as_ref().unwrap_err();
    assert_eq!(*refused, DecodeError::NotFinite { bad: 36, total: 36 });
    assert!(refused.is_frame_only());
    assert_eq!(read[2].as_ref().unwrap().data[0], 3.0);
    assert_eq!(read.len(), 3);
}

#[test]
fn a_third_axis_of_three_is_time_unless_it_says_colour() {
    let time = Fits::image(8, &[2, 1, 3]).with(&[10, 20, 30, 40, 50, 60]);
    assert_eq!(frames("t", time).unwrap().len(), 3);
    let colour = Fits::image(8, &[2, 1, 3])
        .card("CTYPE3  = 'RGB     '")
        .with(&[10, 20, 30, 40, 50, 60]);
    let read = frames("c", colour).unwrap();
    assert_eq!(read.len(), 1);
    assert_eq!(read[0].data, [30.0, 40.0]);
}

#[test]
fn limits_bind() {
    let small = Limits {
        max_frames: 3,
        ..Limits::default()
    };
    let reader = FrameReader::from_bytes("c", fixture("cube.fits"), &small).unwrap();
    let read: Vec<_> = reader.collect();
    assert_eq!(read.len(), 4);
    assert_eq!(read[3].as_ref().unwrap_err().code(), "too-many-frames");

    let small = Limits {
        max_bytes: 1000,
        ..Limits::default()
    };
    let refused = FrameReader::from_bytes("c", fixture("cube.fits"), &small).unwrap_err();
    assert_eq!(refused.code(), "file-too-large");

    let small = Limits {
        max_pixels_per_frame: 100,
        ..Limits::default()
    };
    for name in ["uint16.fits", "grey16.png", "grey.jpg", "uint16.tif"] {
        let refused = FrameReader::from_bytes(name, fixture(name), &small)
            .and_then(|mut reader| reader.next().unwrap())
            .unwrap_err();
        assert_eq!(refused.code(), "frame-too-large", "{name}");
    }
    assert!(Limits::default().max_frames >= 4000);
}

/// Real stars, when the folder of shared material is there.
#[test]
fn the_real_frames_are_read() {
    let shared = std::env::var_os("TUBEWRIGHT_SHARED").map_or_else(
        || std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"),
        Into::into,
    );
    let folder = shared.join("real-frames");
    if !folder.is_dir() {
        println!("skipped: no real frames at ../shared/real-frames");
        return;
    }
    let mut read = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|end| end != "fits") {
            continue;
        }
        let all: Vec<_> = FrameReader::open(&path, &Limits::default())
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert_eq!(all.len(), 1, "{}", path.display());
        let frame = &all[0];
        assert!(frame.width >= 64 && frame.width == frame.height);
        assert_eq!(frame.full_scale, None);
        // A star in it: the brightest pixel stands well above the middle one.
        let mut sorted = frame.data.clone();
        sorted.sort_by(f32::total_cmp);
        assert!(sorted[sorted.len() - 1] > 1.5 * sorted[sorted.len() / 4].max(1.0));
        read += 1;
    }
    assert_eq!(read, 8);
}
