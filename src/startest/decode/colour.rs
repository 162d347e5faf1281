//! Pixels without a value, colour to luminance, and the right way up.
//!
//! While a picture is being put together, NaN marks a pixel without a value
//! and +infinity one whose sensor was full: both survive any sum, so neither
//! can hide behind a mean of colours.

use super::{DecodeError, Limits};

/// Weights of red, green and blue in the luminance. They are those of a Bayer
/// mosaic's own cells, so that a mosaic and the colour picture made from it
/// read alike.
pub(super) const WEIGHTS: [f32; 3] = [0.25, 0.5, 0.25];

/// So many pixels without a value are mended however small the picture.
const ALWAYS_MENDED: usize = 4;

/// No sensor, and no sum of frames, reads higher; such a value is none. It
/// keeps every sum below what an `f32` can hold.
const HIGHEST: f64 = 1e30;

/// A pixel's value, or NaN if it has none.
pub(super) fn value_or_none(value: f64) -> f32 {
    if value.abs() <= HIGHEST {
        value as f32
    } else {
        f32::NAN
    }
}

/// A value's part in the luminance; full when its sensor was full.
pub(super) fn part(value: f32, channel: usize, full_scale: Option<f32>) -> f32 {
    match full_scale {
        Some(full) if value >= full => f32::INFINITY,
        _ => value * WEIGHTS[channel],
    }
}

/// Gives pixels without a value the median of their neighbours, and full ones
/// the full scale. `step` is 2 in a mosaic, where like colours are two apart.
///
/// # Errors
/// [`DecodeError::NotFinite`] when more than
/// [`Limits::max_bad_share`] of the pixels are bad (four are always allowed),
/// or when one has fewer than two good neighbours to be mended from.
pub(super) fn mend(
    data: &mut [f32],
    width: usize,
    step: usize,
    full_scale: Option<f32>,
    limits: &Limits,
) -> Result<(), DecodeError> {
    let total = data.len();
    let bad: Vec<usize> = (0..total).filter(|&i| data[i].is_nan()).collect();
    let refuse = || DecodeError::NotFinite {
        bad: bad.len(),
        total,
    };
    let allowed = (limits.max_bad_share * total as f64) as usize;
    if bad.len() > allowed.max(ALWAYS_MENDED) {
        return Err(refuse());
    }
    let mut mended = Vec::with_capacity(bad.len());
    for &index in &bad {
        let mut near = neighbours(data, width, index, step);
        near.retain(|value| !value.is_nan());
        if near.len() < 2 {
            return Err(refuse());
        }
        mended.push(median(&mut near));
    }
    for (&index, value) in bad.iter().zip(mended) {
        data[index] = value;
    }
    if let Some(full) = full_scale {
        for value in data.iter_mut().filter(|value| **value == f32::INFINITY) {
            *value = full;
        }
    }
    Ok(())
}

/// The up to eight values `step` away from `index`.
fn neighbours(data: &[f32], width: usize, index: usize, step: usize) -> Vec<f32> {
    let height = data.len() / width;
    let (x, y) = (index % width, index / width);
    let mut near = Vec::with_capacity(8);
    for ny in around(y, step, height) {
        for nx in around(x, step, width) {
            if (nx, ny) != (x, y) {
                near.push(data[ny * width + nx]);
            }
        }
    }
    near
}

/// `at - step`, `at` and `at + step`, as far as they lie below `end`.
fn around(at: usize, step: usize, end: usize) -> impl Iterator<Item = usize> {
    [at.checked_sub(step), Some(at), at.checked_add(step)]
        .into_iter()
        .flatten()
        .filter(move |&place| place < end)
}

fn median(values: &mut [f32]) -> f32 {
    values.sort_by(f32::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 {
        values[middle]
    } else {
        0.5 * values[middle - 1] + 0.5 * values[middle]
    }
}

/// Luminance of a Bayer mosaic, at every pixel of the sensor.
///
/// Each pixel becomes the mean over itself and its eight neighbours with the
/// weights (1, 2, 1) x (1, 2, 1) / 16. Wherever the pixel lies in the pattern,
/// this is R/4 + G/2 + B/4 exactly, so there is no chequer left in even light,
/// and the pattern's starting corner (BAYERPAT, XBAYROFF, YBAYROFF, ROWORDER)
/// cannot be mistaken because it is not needed. The weights are symmetric about
/// the pixel, so a star stays where it is; they blur it by a variance of
/// 1/2 square pixel along each axis, like a little more seeing. Beyond the edge the
/// mosaic is mirrored about its outermost pixels, which keeps the colours in step.
/// Noise of neighbouring output pixels is correlated.
///
/// A lone hot pixel is first replaced by the median of its like-coloured
/// neighbours, for it would spread over nine pixels and look like a star. A pixel
/// with a full one among the nine is full.
pub(super) fn bayer_luminance(
    data: &[f32],
    width: usize,
    height: usize,
    full_scale: Option<f32>,
) -> Vec<f32> {
    let mut cool = data.to_vec();
    for (index, pixel) in cool.iter_mut().enumerate() {
        if is_lone(data, width, height, index, full_scale) {
            let mut near = neighbours(data, width, index, 2);
            if !near.is_empty() {
                *pixel = median(&mut near);
            }
        }
    }
    let full = full_scale.unwrap_or(f32::INFINITY);
    let mut luminance = Vec::with_capacity(data.len());
    // Along the columns first, then along the row: sums, and the brightest of three.
    let (mut sums, mut peaks) = (vec![0.0; width], vec![0.0; width]);
    for y in 0..height {
        let [above, here, below] =
            mirrored(y, height).map(|row| &cool[row * width..(row + 1) * width]);
        for (x, (sum, peak)) in sums.iter_mut().zip(&mut peaks).enumerate() {
            *sum = above[x] + 2.0 * here[x] + below[x];
            *peak = above[x].max(here[x]).max(below[x]);
        }
        for x in 0..width {
            let [left, mid, right] = mirrored(x, width);
            let brightest = f32::max(peaks[left], peaks[mid]).max(peaks[right]);
            let mean: f32 = (sums[left] + 2.0 * sums[mid] + sums[right]) / 16.0;
            luminance.push(if brightest >= full { full } else { mean });
        }
    }
    luminance
}

/// The places before, at and after `at`, mirrored about the outermost ones.
fn mirrored(at: usize, end: usize) -> [usize; 3] {
    let last = end - 1;
    let before = if at == 0 { last.min(1) } else { at - 1 };
    let after = if at == last {
        last.saturating_sub(1)
    } else {
        at + 1
    };
    [before, at, after]
}

/// Whether a pixel stands out alone: above the brightest of the 24 around it by
/// more than twice their whole range (about ten sigma of plain noise), and by
/// one part in a hundred of the full scale. A star image with its half width over
/// a pixel never does.
fn is_lone(
    data: &[f32],
    width: usize,
    height: usize,
    index: usize,
    full_scale: Option<f32>,
) -> bool {
    let (x, y) = (index % width, index / width);
    let value = data[index];
    // The cheap tests first: most pixels do not stand out from those beside them.
    let least = value - 0.01 * full_scale.unwrap_or(0.0);
    let rises = |place: Option<usize>| place.is_none_or(|place| data[place] < least);
    if !(rises((x > 0).then(|| index - 1))
        && rises((x + 1 < width).then(|| index + 1))
        && rises((y > 0).then(|| index - width))
        && rises((y + 1 < height).then(|| index + width)))
    {
        return false;
    }
    let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
    for ny in y.saturating_sub(2)..(y + 3).min(height) {
        for nx in x.saturating_sub(2)..(x + 3).min(width) {
            if (nx, ny) != (x, y) {
                let near = data[ny * width + nx];
                low = low.min(near);
                high = high.max(near);
            }
        }
    }
    let excess = value - high;
    high.is_finite() && excess > 2.0 * (high - low) && excess > 0.01 * full_scale.unwrap_or(0.0)
}

/// Turns rows upside down.
pub(super) fn flip_rows(data: &mut [f32], width: usize) {
    let height = data.len() / width;
    for y in 0..height / 2 {
        let (upper, lower) = data.split_at_mut((height - 1 - y) * width);
        upper[y * width..(y + 1) * width].swap_with_slice(&mut lower[..width]);
    }
}

/// Turns a picture the way its orientation tag says it is shown (the values 1
/// to 8 shared by TIFF 6.0 tag 274 and Exif); other values change nothing.
/// Returns the width and height as shown.
pub(super) fn orient(
    data: &mut Vec<f32>,
    width: usize,
    height: usize,
    orientation: u32,
) -> (usize, usize) {
    // Where the shown pixel (x, y) is kept.
    let (right, bottom) = (width.wrapping_sub(1), height.wrapping_sub(1));
    let kept: fn(usize, usize, usize, usize) -> (usize, usize) = match orientation {
        2 => |x, y, r, _| (r - x, y),
        3 => |x, y, r, b| (r - x, b - y),
        4 => |x, y, _, b| (x, b - y),
        5 => |x, y, _, _| (y, x),
        6 => |x, y, _, b| (y, b - x),
        7 => |x, y, r, b| (r - y, b - x),
        8 => |x, y, r, _| (r - y, x),
        _ => return (width, height),
    };
    let (shown_width, shown_height) = if orientation >= 5 {
        (height, width)
    } else {
        (width, height)
    };
    let mut shown = Vec::with_capacity(data.len());
    for y in 0..shown_height {
        for x in 0..shown_width {
            let (kx, ky) = kept(x, y, right, bottom);
            shown.push(data[ky * width + kx]);
        }
    }
    *data = shown;
    (shown_width, shown_height)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn an_even_coloured_light_leaves_no_chequer() {
        let (width, height) = (7, 6);
        for phase in 0..4 {
            let mosaic: Vec<f32> = (0..width * height)
                .map(
                    |i| match ((i % width + phase) % 2, (i / width + phase / 2) % 2) {
                        (0, 0) => 100.0,
                        (1, 1) => 20.0,
                        _ => 60.0,
                    },
                )
                .collect();
            let grey = bayer_luminance(&mosaic, width, height, Some(255.0));
            assert!(grey.iter().all(|&v| v == 60.0), "phase {phase}: {grey:?}");
        }
    }

    #[test]
    fn a_lone_hot_pixel_is_cooled_and_a_full_one_in_a_star_stays_full() {
        let mut mosaic = vec![10.0; 81];
        mosaic[40] = 255.0;
        let grey = bayer_luminance(&mosaic, 9, 9, Some(255.0));
        assert!(grey.iter().all(|&v| v == 10.0));
        mosaic[41] = 200.0;
        let grey = bayer_luminance(&mosaic, 9, 9, Some(255.0));
        assert_eq!(grey[40], 255.0);
    }

    #[test]
    fn a_few_pixels_without_value_are_mended_and_many_are_refused() {
        let limits = Limits::default();
        let mut data: Vec<f32> = (0..100).map(|i| i as f32).collect();
        data[44] = f32::NAN;
        data[0] = f32::NAN;
        mend(&mut data, 10, 1, None, &limits).unwrap();
        assert_eq!(data[44], 44.0);
        assert_eq!(data[0], 10.0);
        data[10..15].fill(f32::NAN);
        let refusal = mend(&mut data, 10, 1, None, &limits).unwrap_err();
        assert_eq!(refusal, DecodeError::NotFinite { bad: 5, total: 100 });
    }

    #[test]
    fn the_eight_orientations_turn_as_their_tag_says() {
        // TIFF 6.0, tag 274: what row 0 and column 0 of the file show. Numbers
        // name the kept pixels of a picture two wide and three high.
        let expected: [(u32, usize, [f32; 6]); 8] = [
            (1, 2, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]),
            (2, 2, [1.0, 0.0, 3.0, 2.0, 5.0, 4.0]),
            (3, 2, [5.0, 4.0, 3.0, 2.0, 1.0, 0.0]),
            (4, 2, [4.0, 5.0, 2.0, 3.0, 0.0, 1.0]),
            (5, 3, [0.0, 2.0, 4.0, 1.0, 3.0, 5.0]),
            (6, 3, [4.0, 2.0, 0.0, 5.0, 3.0, 1.0]),
            (7, 3, [5.0, 3.0, 1.0, 4.0, 2.0, 0.0]),
            (8, 3, [1.0, 3.0, 5.0, 0.0, 2.0, 4.0]),
        ];
        for (tag, width, shown) in expected {
            let mut data = vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
            assert_eq!(orient(&mut data, 2, 3, tag).0, width, "tag {tag}");
            assert_eq!(data, shown, "tag {tag}");
        }
    }
}
