//! The stacked donut as a PNG, and what was measured on it as an SVG.

use std::fmt::Write as _;
use std::io::Cursor;

use image::{GrayImage, ImageFormat, imageops};

use super::find::quantile;
use super::frame::Stamp;
use super::report::{Report, Verdict};
use super::rings::Geometry;
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

/// What was measured, drawn over the donut, as a standalone SVG.
///
/// The outer edge is a full line, the shadow's edge is dashed, the thin side
/// is an arrow from outside with the word beside it; every line is white with
/// a black rim, so that it shows on screen, on white paper and without colour.
/// `picture` is the address of the PNG of [`donut_png`]; without it only the
/// lines are drawn. `id` keeps ids apart when several drawings share a page.
#[must_use]
pub fn overlay_svg(
    stamp: &Stamp,
    geometry: &Geometry,
    report: &Report,
    picture: Option<&str>,
    id: &str,
) -> String {
    let size = stamp.size as f64;
    let id = escaped(id);
    let mut svg = String::new();
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-0.5 -0.5 {size} {size}\" width=\"{SIDE_PX}\" height=\"{SIDE_PX}\" \
         role=\"img\" aria-labelledby=\"{id}-title {id}-desc\"><title id=\"{id}-title\">The stacked donut and what was measured on it</title>\
         <desc id=\"{id}-desc\">{}</desc>",
        escaped(&describe(report))
    );
    match picture {
        Some(href) => {
            let _ = write!(
                svg,
                "<image href=\"{}\" x=\"-0.5\" y=\"-0.5\" width=\"{size}\" height=\"{size}\"/>",
                escaped(href)
            );
        }
        None => {
            let _ = write!(
                svg,
                "<rect x=\"-0.5\" y=\"-0.5\" width=\"{size}\" height=\"{size}\" fill=\"#000\"/>"
            );
        }
    }
    let unit = size / f64::from(SIDE_PX);
    let mut line = |shape: &str, dashes: f64| {
        for (colour, width) in [("#000", 5.0), ("#fff", 2.0)] {
            let dash = if dashes > 0.0 {
                format!(
                    " stroke-dasharray=\"{:.3} {:.3}\"",
                    dashes * unit,
                    0.6 * dashes * unit
                )
            } else {
                String::new()
            };
            let _ = write!(
                svg,
                "<{shape} fill=\"none\" stroke=\"{colour}\" stroke-width=\"{:.3}\" stroke-linecap=\"round\" stroke-linejoin=\"round\"{dash}/>",
                width * unit
            );
        }
    };
    let circle =
        |c: [f64; 2], r: f64| format!("circle cx=\"{:.3}\" cy=\"{:.3}\" r=\"{r:.3}\"", c[0], c[1]);
    line(&circle(geometry.centre, geometry.outer_radius), 0.0);
    let inner = match &geometry.shadow {
        Some(s) => {
            line(&circle(s.centre, s.radius), 12.0);
            s.centre
        }
        None => geometry.light_centre,
    };
    for c in [geometry.centre, inner] {
        let arm = 7.0 * unit;
        line(
            &format!(
                "path d=\"M{:.3} {:.3}h{:.3}M{:.3} {:.3}v{:.3}\"",
                c[0] - arm,
                c[1],
                2.0 * arm,
                c[0],
                c[1] - arm,
                2.0 * arm
            ),
            0.0,
        );
    }
    if stands_out(report) {
        let (dx, dy) = {
            let t = geometry.thin_clock_deg().to_radians();
            (t.sin(), -t.cos())
        };
        let at = |r: f64, across: f64| {
            let x = geometry.centre[0] + r * dx - across * dy;
            let y = geometry.centre[1] + r * dy + across * dx;
            format!("{x:.3} {y:.3}")
        };
        let tip = geometry.outer_radius + 6.0 * unit;
        line(
            &format!(
                "path d=\"M{}L{}M{}L{}L{}\"",
                at(tip + 42.0 * unit, 0.0),
                at(tip, 0.0),
                at(tip + 14.0 * unit, 9.0 * unit),
                at(tip, 0.0),
                at(tip + 14.0 * unit, -9.0 * unit)
            ),
            0.0,
        );
        let x =
            (geometry.centre[0] + (tip + 62.0 * unit) * dx).clamp(24.0 * unit, size - 26.0 * unit);
        let y =
            (geometry.centre[1] + (tip + 62.0 * unit) * dy).clamp(16.0 * unit, size - 12.0 * unit);
        let _ = write!(
            svg,
            "<text x=\"{x:.3}\" y=\"{:.3}\" font-family=\"sans-serif\" font-size=\"{:.3}\" font-weight=\"bold\" text-anchor=\"middle\" \
             fill=\"#fff\" stroke=\"#000\" stroke-width=\"{:.3}\" paint-order=\"stroke\">thin</text>",
            y + 7.0 * unit,
            20.0 * unit,
            4.0 * unit
        );
    }
    svg.push_str("</svg>");
    svg
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
