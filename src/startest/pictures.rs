//! The stacked donut as a PNG, and with its thin side and its ring's width as an SVG.

use std::fmt::Write as _;
use std::io::Cursor;

use image::{GrayImage, ImageFormat, imageops};

use super::find::quantile;
use super::frame::Stamp;
use super::report::{Report, Verdict};
use super::rings::Geometry;
use super::strip::{BARS, Strip, strip};
use super::words::waves_with_error;

/// Side of the PNG, px, about: stamps are scaled up to at least this.
const SIDE_PX: u32 = 512;

/// A picture could not be written.
#[derive(Debug, thiserror::Error)]
#[error("the picture of the donut could not be written: {0}")]
pub struct PictureError(#[from] image::ImageError);

/// The stacked donut as a grey PNG: sky black, the brightest hundredth of the
/// donut white, square-root stretch, scaled up smoothly.
///
/// # Errors
/// [`PictureError`] when encoding fails.
pub fn donut_png(stamp: &Stamp) -> Result<Vec<u8>, PictureError> {
    let side = u32::try_from(stamp.size).unwrap_or(0);
    let mut values: Vec<f64> = stamp
        .data
        .iter()
        .zip(&stamp.sigma)
        .filter(|(_, s)| s.is_finite())
        .map(|(v, _)| *v)
        .collect();
    let black = quantile(&mut values, 0.1);
    let white = quantile(&mut values, 0.995).max(black + 1e-12);
    let mut grey = GrayImage::new(side, side);
    for (pixel, v) in grey.pixels_mut().zip(&stamp.data) {
        let share = ((v - black) / (white - black)).clamp(0.0, 1.0);
        pixel.0 = [(255.0 * share.sqrt()).round() as u8];
    }
    let times = SIDE_PX.div_ceil(side.max(1)).max(1);
    let large = imageops::resize(
        &grey,
        side * times,
        side * times,
        imageops::FilterType::CatmullRom,
    );
    let mut bytes = Cursor::new(Vec::new());
    large.write_to(&mut bytes, ImageFormat::Png)?;
    Ok(bytes.into_inner())
}

/// Height of the bars under the donut, of the width of 512.
const BARS_HIGH: f64 = 190.0;

/// The donut with an arrow at its thin side, and under it the width of the ring around the
/// clock ([`strip`]), as a standalone SVG.
///
/// A bar for each ten degrees, from 12 to 12, tells how much wider or thinner than its mean
/// the ring is; a line goes where the circles through the edges put it. All is white on black, so that it shows on screen, on
/// white paper and without colour. `picture` is the address of the PNG of [`donut_png`];
/// without it the sky stays black. `id` keeps ids apart when several drawings share a page.
#[must_use]
pub fn overlay_svg(
    stamp: &Stamp,
    geometry: &Geometry,
    report: &Report,
    picture: Option<&str>,
    id: &str,
) -> String {
    let size = stamp.size as f64;
    let unit = size / f64::from(SIDE_PX);
    let high = f64::from(SIDE_PX) + BARS_HIGH;
    let id = escaped(id);
    let mut svg = String::new();
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {SIDE_PX} {high}\" width=\"{SIDE_PX}\" height=\"{high}\" \
         role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" font-family=\"sans-serif\" font-size=\"20\">\
         <title id=\"{id}-title\">The stacked donut and the width of its ring around the clock</title>\
         <desc id=\"{id}-desc\">{}</desc><rect width=\"{SIDE_PX}\" height=\"{high}\" fill=\"#000\"/>",
        escaped(&describe(report))
    );
    if let Some(href) = picture {
        let _ = write!(
            svg,
            "<image href=\"{}\" width=\"{SIDE_PX}\" height=\"{SIDE_PX}\"/>",
            escaped(href)
        );
    }
    let thin = stands_out(report).then(|| geometry.thin_clock_deg());
    if let Some(thin) = thin {
        // From the middle of the top left pixel to the corner of the drawing.
        let place = |px: f64| (px + 0.5) / unit;
        let centre = geometry.centre.map(place);
        thin_arrow(&mut svg, centre, geometry.outer_radius / unit, thin);
    }
    let _ = write!(svg, "<g transform=\"translate(0 {SIDE_PX})\">");
    bars(&mut svg, &strip(stamp, geometry), thin);
    svg.push_str("</g></svg>");
    svg
}

/// An arrow from outside to the ring's thin side, with the word.
fn thin_arrow(svg: &mut String, centre: [f64; 2], radius: f64, thin_clock_deg: f64) {
    let (dx, dy) = {
        let t = thin_clock_deg.to_radians();
        (t.sin(), -t.cos())
    };
    let at = |r: f64, across: f64| {
        let x = centre[0] + r * dx - across * dy;
        let y = centre[1] + r * dy + across * dx;
        format!("{x:.1} {y:.1}")
    };
    let tip = radius + 8.0;
    for (colour, width) in [("#000", 6), ("#fff", 3)] {
        let _ = write!(
            svg,
            "<path d=\"M{}L{}M{}L{}L{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-linecap=\"round\"/>",
            at(tip + 42.0, 0.0),
            at(tip, 0.0),
            at(tip + 14.0, 9.0),
            at(tip, 0.0),
            at(tip + 14.0, -9.0)
        );
    }
    let side = f64::from(SIDE_PX);
    let x = (centre[0] + (tip + 62.0) * dx).clamp(26.0, side - 26.0);
    let y = (centre[1] + (tip + 62.0) * dy).clamp(18.0, side - 12.0);
    let _ = write!(
        svg,
        "<text x=\"{x:.1}\" y=\"{:.1}\" font-weight=\"bold\" text-anchor=\"middle\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"4\" \
         paint-order=\"stroke\">thin</text>",
        y + 7.0
    );
}

/// The ring around the clock: 512 wide, [`BARS_HIGH`] high. What is wider than the mean
/// stands above the line, what is thinner hangs below it.
fn bars(svg: &mut String, strip: &Strip, thin_clock_deg: Option<f64>) {
    let (left, right, mean, high) = (20.0, 492.0, 88.0, 46.0);
    let wide = (right - left) / BARS as f64;
    let most = strip.bars.iter().flatten().chain(&strip.smooth);
    let most = most.fold(0.0_f64, |most, share| most.max((share - 1.0).abs()));
    let full = [0.1, 0.2, 0.5]
        .into_iter()
        .find(|full| most <= *full)
        .unwrap_or(1.0);
    let off = |share: f64| ((share - 1.0) / full).clamp(-1.0, 1.0) * high;
    let of = match strip.are_widths {
        true => "Width of the ring",
        false => "Light by direction",
    };
    let _ = write!(
        svg,
        "<text x=\"{left}\" y=\"28\" fill=\"#fff\">{of}</text>\
         <text x=\"{right}\" y=\"28\" text-anchor=\"end\" fill=\"#fff\">\u{b1}\u{a0}{:.0}\u{a0}%</text>\
         <path d=\"M{left} {:.1}H{right}M{left} {:.1}H{right}\" stroke=\"#777\" stroke-dasharray=\"5 4\"/>",
        100.0 * full,
        mean - high,
        mean + high
    );
    let middle = |bar: usize| left + (bar as f64 + 0.5) * wide;
    for (bar, share) in strip.bars.iter().enumerate() {
        let Some(share) = share else { continue };
        let by = off(*share);
        let _ = write!(
            svg,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#999\"/>",
            left + bar as f64 * wide + 1.0,
            mean - by.max(0.0),
            wide - 2.0,
            by.abs()
        );
    }
    let _ = write!(
        svg,
        "<path d=\"M{left} {mean:.1}H{right}\" stroke=\"#fff\"/><path d=\""
    );
    for (bar, share) in strip.smooth.iter().enumerate() {
        let to = if bar == 0 { 'M' } else { 'L' };
        let _ = write!(svg, "{to}{:.1} {:.1}", middle(bar), mean - off(*share));
    }
    svg.push_str("\" fill=\"none\" stroke=\"#fff\" stroke-width=\"3\" stroke-linejoin=\"round\"/>");
    let foot = mean + high;
    for hour in [12, 3, 6, 9] {
        let x = middle(BARS / 12 * (hour % 12));
        let _ = write!(
            svg,
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"#fff\">{hour}</text>",
            foot + 42.0
        );
    }
    if let Some(thin) = thin_clock_deg {
        let x = left + (thin.rem_euclid(360.0) / 360.0 * BARS as f64 + 0.5) * wide;
        let _ = write!(
            svg,
            "<path d=\"M{:.1} {:.1}l8 14h-16z\" fill=\"#fff\"/>",
            x.min(right - 2.0),
            foot + 4.0
        );
    }
}

/// Whether a thin side stands out from the error.
fn stands_out(report: &Report) -> bool {
    report
        .wavefront
        .as_ref()
        .is_some_and(|w| w.coma_rms_waves > 2.0 * w.coma_rms_waves_sigma)
}

/// The drawing in words, for those who cannot see it.
#[must_use]
pub fn describe(report: &Report) -> String {
    let (Some(rings), Some(wave), Verdict::Measured) =
        (&report.rings, &report.wavefront, report.verdict)
    else {
        return "Nothing could be measured on this donut.".to_owned();
    };
    let shadow = match rings.shadow_radius_px {
        Some(r) => format!("a dark middle of {:.0} pixels across", 2.0 * r),
        None => "no dark middle to follow".to_owned(),
    };
    let side = if stands_out(report) {
        format!(
            "The ring is thinnest {:.0} degrees clockwise from up",
            rings.thin_clock_deg
        )
    } else {
        "The ring is even within the error".to_owned()
    };
    let (coma, sigma) = waves_with_error(wave.coma_rms_waves, wave.coma_rms_waves_sigma);
    format!(
        "A donut {:.0} pixels across with {shadow}. {side}; coma {coma} plus or minus {sigma} waves RMS.",
        2.0 * rings.outer_radius_px,
    )
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            _ => out.push(c),
        }
    }
    out
}
