//! Pictures of a measurement: the stacked donut as PNG, and a drawing of what
//! was measured on it as SVG.

use std::io::Cursor;

use image::imageops::FilterType;
use image::{GrayImage, ImageFormat, Luma};

use super::frame::Stamp;
use super::rings::Geometry;

/// Shortest side of a picture made for looking at, px.
const LOOK_PX: u32 = 480;

/// The stamp as an 8-bit PNG, first row on top, stretched from its sky to its
/// brightest parts and enlarged so that a person can look at it.
///
/// # Errors
/// When the stamp is empty or the picture cannot be encoded.
pub fn donut_png(stamp: &Stamp) -> Result<Vec<u8>, image::ImageError> {
    let (low, high) = stretch(&stamp.data);
    let size = u32::try_from(stamp.size).unwrap_or(0);
    let span = (high - low).max(f64::MIN_POSITIVE);
    let grey = GrayImage::from_fn(size, size, |x, y| {
        let value = stamp
            .data
            .get(y as usize * stamp.size + x as usize)
            .copied()
            .unwrap_or(low);
        let share = ((value - low) / span).clamp(0.0, 1.0);
        // A display's gamma; the cast is in range by the clamp.
        Luma([(share.powf(1.0 / 2.2) * 255.0).round() as u8])
    });
    let looked = LOOK_PX.max(size);
    let large = image::imageops::resize(&grey, looked, looked, FilterType::CatmullRom);
    let mut png = Cursor::new(Vec::new());
    large.write_to(&mut png, ImageFormat::Png)?;
    Ok(png.into_inner())
}

/// Levels that become black and white: a little below the sky's median, and
/// the level that one pixel in two hundred exceeds.
fn stretch(data: &[f64]) -> (f64, f64) {
    let mut sorted: Vec<f64> = data.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let last = sorted.len().saturating_sub(1);
        sorted
            .get((share * last as f64).round() as usize)
            .copied()
            .unwrap_or(0.0)
    };
    (at(0.05), at(0.995))
}

/// The drawing laid over the picture at `picture_href`: outer edge solid,
/// shadow dashed, the thin side as a line with a tip and a label, so that it
/// reads in black and white. Classes: `shot`, `shot-edge`, `shot-shadow`,
/// `shot-thin`, `shot-thin-tip`, `shot-label`.
pub fn overlay_svg(size_px: usize, geometry: &Geometry, picture_href: &str) -> String {
    let scale = f64::from(LOOK_PX) / size_px.max(1) as f64;
    // Pixel centres lie at half a pixel from the picture's edge.
    let at = |p: [f64; 2]| [(p[0] + 0.5) * scale, (p[1] + 0.5) * scale];
    let centre = at(geometry.centre);
    let radius = geometry.outer_radius * scale;
    let thin = geometry.thin_clock_deg().to_radians();
    let towards = [thin.sin(), -thin.cos()];
    let point = |r: f64, side: f64| {
        [
            centre[0] + towards[0] * r - towards[1] * side,
            centre[1] + towards[1] * r + towards[0] * side,
        ]
    };
    let shadow = geometry.shadow.map_or_else(String::new, |s| {
        let c = at(s.centre);
        format!(
            r#"<circle class="shot-shadow" cx="{:.1}" cy="{:.1}" r="{:.1}"/>"#,
            c[0],
            c[1],
            s.radius * scale
        )
    });
    let from = point(radius + 6.0, 0.0);
    let to = point(radius + 30.0, 0.0);
    let tip = [
        point(radius + 4.0, 0.0),
        point(radius + 16.0, 7.0),
        point(radius + 16.0, -7.0),
    ];
    let label = point(radius + 42.0, 0.0);
    let anchor = if towards[0] > 0.3 {
        "start"
    } else if towards[0] < -0.3 {
        "end"
    } else {
        "middle"
    };
    let words = format!(
        "The stacked donut with its outer edge{} and its thin side at {:.0} degrees clockwise from up.",
        if geometry.shadow.is_some() {
            ", its shadow"
        } else {
            ""
        },
        geometry.thin_clock_deg()
    );
    let side = f64::from(LOOK_PX);
    format!(
        concat!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" class="shot" viewBox="0 0 {side} {side}" role="img" aria-label="{words}">"#,
            r#"<rect class="shot-sky" width="{side}" height="{side}"/>"#,
            r#"<image class="keep-light" href="{href}" x="0" y="0" width="{side}" height="{side}"/>"#,
            r#"<circle class="shot-edge" cx="{cx:.1}" cy="{cy:.1}" r="{r:.1}"/>{shadow}"#,
            r#"<path class="shot-thin" d="M{fx:.1} {fy:.1}L{tx:.1} {ty:.1}"/>"#,
            r#"<path class="shot-thin-tip" d="M{p0x:.1} {p0y:.1}L{p1x:.1} {p1y:.1}L{p2x:.1} {p2y:.1}z"/>"#,
            r#"<text class="shot-label" x="{lx:.1}" y="{ly:.1}" text-anchor="{anchor}">thin side</text></svg>"#
        ),
        side = side,
        words = words,
        href = picture_href,
        cx = centre[0],
        cy = centre[1],
        r = radius,
        shadow = shadow,
        fx = from[0],
        fy = from[1],
        tx = to[0],
        ty = to[1],
        p0x = tip[0][0],
        p0y = tip[0][1],
        p1x = tip[1][0],
        p1y = tip[1][1],
        p2x = tip[2][0],
        p2y = tip[2][1],
        lx = label[0].clamp(10.0, side - 10.0),
        ly = label[1].clamp(20.0, side - 10.0),
        anchor = anchor,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_png_keeps_up_up_and_bright_bright() {
        let mut data = vec![0.0; 64];
        data[..8].fill(100.0);
        let stamp = Stamp {
            size: 8,
            sigma: vec![1.0; 64],
            data,
            frames: 1,
        };
        let png = donut_png(&stamp).unwrap();
        let picture = image::load_from_memory(&png).unwrap().to_luma8();
        assert_eq!(picture.dimensions(), (LOOK_PX, LOOK_PX));
        assert!(picture.get_pixel(240, 10).0[0] > 200);
        assert!(picture.get_pixel(240, 470).0[0] < 20);
    }
}
