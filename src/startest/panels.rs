//! What a fit can show of itself: model and residual beside the stacked donut,
//! the ring unrolled, and coma as an arrow with its error ellipse.

use std::fmt::Write as _;
use std::io::Cursor;

use image::{GrayImage, ImageFormat, imageops};

use super::find::quantile;
use super::fit::PictureFit;
use super::measure::Outcome;
use super::pictures::PictureError;
use super::report::Report;
use super::rings::Geometry;
use super::stack::Stack;

/// A picture with its name (a file's stem) and what it shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Panel {
    /// "model", "residual", "ring"; with "-inside" behind it for the inside
    /// set of a pair.
    pub name: String,
    /// What it shows, in a sentence.
    pub caption: String,
    /// The picture.
    pub png: Vec<u8>,
}

/// Share of the ring's brightness at which the residual picture is white or black.
const RESIDUAL_FULL: f64 = 0.1;
/// Sides of pictures are scaled up to at least this, px.
const LEAST_SIDE_PX: u32 = 360;

/// All panels an outcome has.
///
/// # Errors
/// [`PictureError`] when encoding fails.
pub fn panels(outcome: &Outcome) -> Result<Vec<Panel>, PictureError> {
    let mut all = Vec::new();
    let (Some(stack), Some(geometry)) = (&outcome.stack, &outcome.geometry) else {
        return Ok(all);
    };
    let mut sets: Vec<(&Stack, &Geometry, &str)> = vec![(stack, geometry, "")];
    if let Some((stack, geometry)) = &outcome.inside {
        sets.insert(0, (stack, geometry, "-inside"));
    }
    for (k, (stack, geometry, suffix)) in sets.into_iter().enumerate() {
        let of = if suffix.is_empty() {
            ""
        } else {
            " (inside focus)"
        };
        if let Some(picture) = outcome.fitted.as_ref().and_then(|f| f.pictures.get(k)) {
            all.extend(fit_panels(stack, picture, suffix, of)?);
        }
        all.push(Panel {
            name: format!("ring{suffix}"),
            caption: format!(
                "The ring unrolled{of}: clockwise from up to the right, the middle of the donut at the bottom. Coma makes its width come and go once."
            ),
            png: ring_png(stack, geometry)?,
        });
    }
    Ok(all)
}

fn fit_panels(
    stack: &Stack,
    picture: &PictureFit,
    suffix: &str,
    of: &str,
) -> Result<[Panel; 2], PictureError> {
    let size = stack.stamp.size;
    let mut values: Vec<f64> = stack
        .stamp
        .data
        .iter()
        .zip(&stack.stamp.sigma)
        .filter(|(_, s)| s.is_finite())
        .map(|(v, _)| *v)
        .collect();
    let black = quantile(&mut values, 0.1);
    let white = quantile(&mut values, 0.995).max(black + 1e-12);
    let level = white - black;
    let model = grey(size, size, |i| {
        ((picture.model[i] - black) / level).clamp(0.0, 1.0).sqrt()
    })?;
    let there = |i: usize| stack.stamp.sigma[i].is_finite();
    let residual = grey(size, size, |i| {
        let share = if there(i) {
            picture.residual[i] / level
        } else {
            0.0
        };
        0.5 + 0.5 * (share / RESIDUAL_FULL).clamp(-1.0, 1.0)
    })?;
    Ok([
        Panel {
            name: format!("model{suffix}"),
            caption: format!(
                "What the fitted wavefront would look like{of}, shown as the stack is."
            ),
            png: model,
        },
        Panel {
            name: format!("residual{suffix}"),
            caption: format!(
                "Stack less model{of}: grey is none, white and black are {:.0} % of the ring's brightness. Noise and turbulence are spots; a pattern all round is something the model does not know.",
                100.0 * RESIDUAL_FULL
            ),
            png: residual,
        },
    ])
}

/// A grey PNG of `width` by `height` values from 0 (black) to 1, first row on top.
fn grey(
    width: usize,
    height: usize,
    value: impl Fn(usize) -> f64,
) -> Result<Vec<u8>, PictureError> {
    let side = |n: usize| u32::try_from(n).unwrap_or(0);
    let (w, h) = (side(width), side(height));
    let mut picture = GrayImage::new(w, h);
    for (i, pixel) in picture.pixels_mut().enumerate() {
        pixel.0 = [(255.0 * value(i)).round() as u8];
    }
    let times = LEAST_SIDE_PX.div_ceil(w.max(1)).max(1);
    let large = imageops::resize(
        &picture,
        w * times,
        h * times,
        imageops::FilterType::CatmullRom,
    );
    let mut bytes = Cursor::new(Vec::new());
    large.write_to(&mut bytes, ImageFormat::Png)?;
    Ok(bytes.into_inner())
}

/// The donut unrolled about the centre of its outer edge.
fn ring_png(stack: &Stack, geometry: &Geometry) -> Result<Vec<u8>, PictureError> {
    let (width, height) = (360usize, 120usize);
    let reach = 1.3 * geometry.outer_radius;
    let size = stack.stamp.size;
    let data = &stack.stamp.data;
    let at = |x: f64, y: f64| -> f64 {
        let last = size as f64 - 1.001;
        let (x, y) = (x.clamp(0.0, last), y.clamp(0.0, last));
        let (i, j) = (x as usize, y as usize);
        let (fx, fy) = (x - i as f64, y - j as f64);
        let row = |j: usize| data[j * size + i] * (1.0 - fx) + data[j * size + i + 1] * fx;
        row(j) * (1.0 - fy) + row(j + 1) * fy
    };
    let polar: Vec<f64> = (0..width * height)
        .map(|k| {
            let (s, c) = ((k % width) as f64 + 0.5).to_radians().sin_cos();
            let r = reach * (1.0 - ((k / width) as f64 + 0.5) / height as f64);
            at(geometry.centre[0] + r * s, geometry.centre[1] - r * c)
        })
        .collect();
    let mut sorted = polar.clone();
    let black = quantile(&mut sorted, 0.1);
    let white = quantile(&mut sorted, 0.995).max(black + 1e-12);
    grey(width, height, |i| {
        ((polar[i] - black) / (white - black))
            .clamp(0.0, 1.0)
            .sqrt()
    })
}

/// Coma as an arrow from the middle, with its 1-sigma and 2-sigma ellipses and
/// rings of equal coma, as a standalone SVG in the directions of the picture.
/// The arrow points from the thin side to the thick. `None` for a refused set.
#[must_use]
pub fn coma_svg(report: &Report, id: &str) -> Option<String> {
    let wave = report.wavefront.as_ref()?;
    let [xx, xy, yy] = report.fit.as_ref().map_or_else(
        || {
            let v = wave.coma_component_sigma_waves.powi(2);
            [v, 0.0, v]
        },
        |f| f.coma_covariance_waves2,
    );
    let extra = wave.model_sigma_waves.powi(2);
    let (half, mean) = ((xx - yy) / 2.0, (xx + yy) / 2.0 + extra);
    let apart = half.hypot(xy);
    let (long, short) = (
        (mean + apart).max(0.0).sqrt(),
        (mean - apart).max(0.0).sqrt(),
    );
    let turn = 0.5 * xy.atan2(half).to_degrees();
    let reach = (wave.coma_rms_waves + 2.2 * long).max(0.02);
    let step = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0]
        .into_iter()
        .find(|s| reach / s <= 3.2)
        .unwrap_or(10.0);
    let rings = (reach / step).ceil();
    let scale = 130.0 / (rings * step);
    let (x, y) = (wave.coma_x_waves * scale, -wave.coma_y_waves * scale);
    let mut svg = String::new();
    let words = format!(
        "Coma {:.4} plus or minus {:.4} waves RMS, pointing {:.0} degrees clockwise from up; each ring is {step} waves.",
        wave.coma_rms_waves,
        wave.coma_rms_waves_sigma,
        wave.coma_x_waves
            .atan2(wave.coma_y_waves)
            .to_degrees()
            .rem_euclid(360.0)
    );
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-160 -160 320 320\" width=\"320\" height=\"320\" role=\"img\" \
         aria-labelledby=\"{id}-coma\" font-family=\"sans-serif\" font-size=\"12\"><title id=\"{id}-coma\">{words}</title>\
         <rect x=\"-160\" y=\"-160\" width=\"320\" height=\"320\" fill=\"#fff\"/>\
         <path d=\"M-140 0H140M0 -140V140\" stroke=\"#777\" stroke-width=\"0.6\"/>"
    );
    for k in 1..=(rings as usize) {
        let r = k as f64 * step * scale;
        let _ = write!(
            svg,
            "<circle r=\"{r:.2}\" fill=\"none\" stroke=\"#777\" stroke-width=\"0.6\"/>\
             <text x=\"3\" y=\"{:.1}\" fill=\"#333\">{:.prec$}</text>",
            r - 3.0,
            k as f64 * step,
            prec = if step < 0.1 { 2 } else { 1 }
        );
    }
    for (times, dash) in [(1.0, ""), (2.0, " stroke-dasharray=\"4 3\"")] {
        let _ = write!(
            svg,
            "<ellipse rx=\"{:.2}\" ry=\"{:.2}\" transform=\"translate({x:.2} {y:.2}) rotate({:.1})\" fill=\"none\" stroke=\"#000\" stroke-width=\"1.4\"{dash}/>",
            (times * long * scale).max(0.8),
            (times * short * scale).max(0.8),
            -turn
        );
    }
    let length = x.hypot(y);
    if length > 8.0 {
        let (ux, uy) = (x / length, y / length);
        let head = |along: f64, across: f64| {
            format!(
                "{:.2} {:.2}",
                x - along * ux - across * uy,
                y - along * uy + across * ux
            )
        };
        let _ = write!(
            svg,
            "<path d=\"M0 0L{}\" stroke=\"#000\" stroke-width=\"3\"/><path d=\"M{x:.2} {y:.2}L{}L{}z\" fill=\"#000\"/>",
            head(8.0, 0.0),
            head(11.0, 5.0),
            head(11.0, -5.0)
        );
    } else {
        let _ = write!(
            svg,
            "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"2\" fill=\"#000\"/>"
        );
    }
    svg.push_str("<text x=\"0\" y=\"-147\" text-anchor=\"middle\" fill=\"#000\">up in the picture; waves RMS</text></svg>");
    Some(svg)
}
