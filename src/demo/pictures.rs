//! Drawings of the instruments, as honest as a drawing can be.

use super::files::Instrument;
use crate::library::adjusters::Adjuster;
use crate::library::demo::Picture;

/// The drawings of one instrument.
pub fn of(instrument: &Instrument, screws: &[Adjuster]) -> Vec<Picture> {
    let _ = (instrument, screws);
    Vec::new()
}

/// Writes a PNG.
pub fn png(
    data: &[u8],
    width: usize,
    height: usize,
    colour: image::ExtendedColorType,
) -> Result<Vec<u8>, String> {
    use image::ImageEncoder;
    let mut out = Vec::new();
    let side = |n: usize| u32::try_from(n).map_err(|e| e.to_string());
    image::codecs::png::PngEncoder::new(&mut out)
        .write_image(data, side(width)?, side(height)?, colour)
        .map_err(|e| e.to_string())?;
    Ok(out)
}
