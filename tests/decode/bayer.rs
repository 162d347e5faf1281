//! A mosaic turned to luminance leaves the star where it was.

use super::common::{Fits, frames};

/// A star of 1-sigma radius `sigma` at (`x`, `y`) on a coloured sky, seen
/// through the mosaic `pattern`, as a float FITS file.
fn mosaic(pattern: &str, rows: &str, sigma: f64, x: f64, y: f64) -> Vec<u8> {
    let mut data = Vec::with_capacity(SIZE * SIZE * 4);
    for row in 0..SIZE {
        for column in 0..SIZE {
            let colour = pattern.as_bytes()[row % 2 * 2 + column % 2];
            let (gain, sky) = match colour {
                b'R' => (0.55, 90.0),
                b'G' => (1.0, 140.0),
                _ => (0.40, 60.0),
            };
            let r2 = (column as f64 - x).powi(2) + (row as f64 - y).powi(2);
            let value = sky + gain * 20_000.0 * (-r2 / (2.0 * sigma * sigma)).exp();
            data.extend((value as f32).to_be_bytes());
        }
    }
    Fits::image(-32, &[SIZE as i64, SIZE as i64])
        .card(&format!("BAYERPAT= '{pattern}    '"))
        .card(&format!("ROWORDER= '{rows}'"))
        .with(&data)
}

const SIZE: usize = 64;
/// 90/4 + 140/2 + 60/4.
const SKY: f64 = 107.5;

/// First moments of the light above the sky.
fn centroid(data: &[f32]) -> (f64, f64) {
    let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for (at, &value) in data.iter().enumerate() {
        let light = f64::from(value) - SKY;
        sum += light;
        sx += light * (at % SIZE) as f64;
        sy += light * (at / SIZE) as f64;
    }
    (sx / sum, sy / sum)
}

/// The largest shift over patterns, row orders and places within a cell.
fn largest_shift(sigma: f64) -> f64 {
    let mut largest = 0.0_f64;
    for pattern in ["RGGB", "BGGR", "GRBG", "GBRG"] {
        for rows in ["TOP-DOWN", "BOTTOM-UP"] {
            for step in 0..9 {
                let x = 31.0 + f64::from(step % 3) * 0.62;
                let y = 30.5 + f64::from(step / 3) * 0.71;
                let frame = &frames("star", mosaic(pattern, rows, sigma, x, y)).unwrap()[0];
                let shown = if rows == "TOP-DOWN" {
                    y
                } else {
                    (SIZE - 1) as f64 - y
                };
                let (cx, cy) = centroid(&frame.data);
                largest = largest.max((cx - x).hypot(cy - shown));
            }
        }
    }
    largest
}

#[test]
fn a_star_stays_in_its_place_under_every_pattern() {
    // Sampling theory: what is left of the colour carriers falls as
    // sigma^2 exp(-pi^2 sigma^2 / 2). One pixel of sigma is sharper than any
    // star test; a defocused star is far broader.
    for (sigma, allowed) in [(1.0, 0.01), (1.5, 0.0002), (3.0, 0.0001)] {
        let shift = largest_shift(sigma);
        println!("sigma {sigma} px: largest shift {shift:.6} px");
        assert!(shift < allowed, "sigma {sigma} px: shifted {shift} px");
    }
}

#[test]
fn a_star_widens_by_half_a_square_pixel_and_keeps_its_light() {
    let (sigma, at) = (2.5, 31.3);
    let frame = &frames("star", mosaic("GRBG", "TOP-DOWN", sigma, at, at)).unwrap()[0];
    let (mut sum, mut spread) = (0.0, 0.0);
    for (index, &value) in frame.data.iter().enumerate() {
        let light = f64::from(value) - SKY;
        sum += light;
        spread += light * ((index % SIZE) as f64 - at).powi(2);
    }
    assert!((spread / sum - (sigma * sigma + 0.5)).abs() < 0.005);
    // Gains 0.55/4 + 1/2 + 0.40/4 of a Gaussian's light, 2 pi sigma^2 x its peak.
    let light = 0.7375 * 20_000.0 * 2.0 * std::f64::consts::PI * sigma * sigma;
    assert!((sum / light - 1.0).abs() < 1e-5, "{sum} against {light}");
}

#[test]
fn a_full_cell_makes_the_luminance_full() {
    // Green full at 65535 over a patch, red and blue half way: their mean is not.
    let mut data = Vec::new();
    for row in 0..20_usize {
        for column in 0..20_usize {
            let inside = (6..14).contains(&row) && (6..14).contains(&column);
            let green = (row + column) % 2 == 1;
            let value: u16 = match (inside, green) {
                (true, true) => 65535,
                (true, false) => 30000,
                (false, _) => 500,
            };
            data.extend(((i32::from(value) - 32768) as i16).to_be_bytes());
        }
    }
    let file = Fits::image(16, &[20, 20])
        .card("BZERO   = 32768")
        .card("BAYERPAT= 'RGGB'")
        .with(&data);
    let frame = &frames("clipped", file).unwrap()[0];
    assert_eq!(frame.full_scale, Some(65535.0));
    assert_eq!(frame.data[10 * 20 + 10], 65535.0);
    assert_eq!(frame.data[10 * 20 + 2], 500.0);
}
