//! The tube's front with its screws and the arrow of the turn, and stars drawn
//! by the diffraction model.

use std::fmt::Write as _;

use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::super::Error;
use super::super::access::{Access, Route};
use super::super::extract::Query;
use crate::bench::advice::Adjustment;
use crate::bench::screw::{Element, Screw};
use crate::bench::words::{amount_words, clock_words};
use crate::optics::pupil::Pupil;
use crate::optics::render::Scene;
use crate::optics::wavefront::{Wavefront, a4_from_w020};
use crate::startest::frame::Stamp;
use crate::startest::pictures::donut_png;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Member, "/pictures/donut.png", donut)]
}

/// The tube as one sees it facing its screws, with what to turn.
pub fn tube_svg(screws: &[Screw], adjustment: Option<&Adjustment>) -> String {
    let behind = screws
        .first()
        .is_some_and(|s| s.element == Element::Primary);
    let way = if behind { -1.0 } else { 1.0 };
    let secondary = screws
        .first()
        .is_some_and(|s| s.element == Element::Secondary);
    let ring = if secondary { 52.0 } else { 92.0 };
    let turn = |i: usize| {
        adjustment
            .and_then(|g| g.parts.get(i).copied())
            .unwrap_or(0)
    };
    let mut said: Vec<String> = Vec::new();
    for (i, s) in screws.iter().enumerate() {
        if turn(i) != 0 {
            said.push(format!(
                "{} at {}, {} {}",
                s.label,
                clock_words(s.clock_deg),
                amount_words(turn(i)),
                if turn(i) > 0 {
                    "clockwise"
                } else {
                    "anticlockwise"
                }
            ));
        }
    }
    let view = if behind {
        "The tube from behind"
    } else {
        "The tube from in front"
    };
    let label = if said.is_empty() {
        format!("{view}, with its screws")
    } else {
        format!("{view}: turn {}", said.join("; "))
    };
    let mut svg = format!(
        r#"<svg class="tube-art" viewBox="-160 -160 320 320" role="img" aria-label="{}"><circle class="tube-rim" r="122"/><circle class="tube-glass" r="114"/>"#,
        escape(&label)
    );
    if secondary {
        svg.push_str(r#"<circle class="tube-holder" r="78"/>"#);
    }
    for (deg, words) in [(0.0, "12"), (90.0, "3"), (180.0, "6"), (270.0, "9")] {
        let (x, y) = place(deg, 143.0, way);
        let _ = write!(
            svg,
            r#"<text class="tube-hour" x="{x:.0}" y="{:.0}">{words}</text>"#,
            y + 5.0
        );
    }
    for (i, s) in screws.iter().enumerate() {
        let (x, y) = place(s.clock_deg, ring, way);
        let parts = turn(i);
        let kind = if parts == 0 {
            "tube-screw"
        } else {
            "tube-screw tube-screw-on"
        };
        let _ = write!(
            svg,
            r#"<circle class="{kind}" cx="{x:.1}" cy="{y:.1}" r="13"/>"#
        );
        let _ = write!(
            svg,
            r#"<text class="tube-label" x="{x:.1}" y="{:.1}">{}</text>"#,
            y + 4.5,
            escape(&s.label.chars().take(3).collect::<String>())
        );
        if parts != 0 {
            svg.push_str(&arrow(x, y, parts > 0));
        }
    }
    svg.push_str("</svg>");
    svg
}

fn place(deg: f64, radius: f64, way: f64) -> (f64, f64) {
    let (s, c) = deg.to_radians().sin_cos();
    (way * radius * s, -radius * c)
}

/// Three quarters of a circle about a screw, with a head where it ends.
fn arrow(x: f64, y: f64, clockwise: bool) -> String {
    let r = 22.0;
    let sign = if clockwise { 1.0 } else { -1.0 };
    let at = |deg: f64| {
        let (s, c) = (sign * deg).to_radians().sin_cos();
        (x + r * s, y - r * c)
    };
    let (from, to) = (at(-130.0), at(120.0));
    let (back, out, inner) = (at(96.0), 6.5, 6.5);
    let along = |k: f64| {
        let (dx, dy) = (back.0 - x, back.1 - y);
        (x + dx * (1.0 + k / r), y + dy * (1.0 + k / r))
    };
    let (a, b) = (along(out), along(-inner));
    format!(
        r#"<path class="tube-turn" d="M{:.1} {:.1}A{r} {r} 0 1 {} {:.1} {:.1}"/><path class="tube-head" d="M{:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}Z"/>"#,
        from.0,
        from.1,
        u8::from(clockwise),
        back.0,
        back.1,
        a.0,
        a.1,
        to.0,
        to.1,
        b.0,
        b.1
    )
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Address of a star's picture: coma in the picture, defocus (signed), both in
/// waves, and the obstruction.
pub fn donut_address(coma: [f64; 2], defocus_waves: f64, obstruction: f64) -> String {
    format!(
        "/pictures/donut.png?x={:.3}&y={:.3}&w={defocus_waves:.1}&e={obstruction:.2}",
        coma[0], coma[1]
    )
}

#[derive(Debug, serde::Deserialize)]
struct Asked {
    x: f64,
    y: f64,
    w: f64,
    e: f64,
}

async fn donut(Query(asked): Query<Asked>) -> Result<Response, Error> {
    let fine =
        asked.x.hypot(asked.y) <= 3.0 && asked.w.abs() <= 30.0 && (0.0..0.8).contains(&asked.e);
    if !fine {
        return Err(Error::NotFound("picture"));
    }
    star_png([asked.x, asked.y], asked.w, asked.e, None).await
}

/// A star as a PNG; `shaded_deg` darkens the donut towards a clock position, as
/// a hand before the tube does.
pub async fn star_png(
    coma: [f64; 2],
    defocus_waves: f64,
    obstruction: f64,
    shaded_deg: Option<f64>,
) -> Result<Response, Error> {
    let png = tokio::task::spawn_blocking(move || {
        let size = 200;
        let field = if defocus_waves.abs() < 1.0 {
            14.0
        } else {
            8.0 * defocus_waves.abs() * 1.35 + 6.0
        };
        let mut data = Scene {
            pupil: Pupil::annular(obstruction),
            wavefront: Wavefront::flat()
                .with(4, a4_from_w020(defocus_waves))
                .with(8, coma[0])
                .with(7, coma[1]),
            field,
            size,
            bandwidth_nm: if defocus_waves.abs() < 1.0 {
                0.0
            } else {
                120.0
            },
            blur: 0.6,
        }
        .draw();
        if let Some(deg) = shaded_deg {
            let (s, c) = deg.to_radians().sin_cos();
            let radius = 4.0 * defocus_waves.abs() / field * size as f64;
            for (i, v) in data.iter_mut().enumerate() {
                let x = (i % size) as f64 - size as f64 / 2.0;
                let y = size as f64 / 2.0 - (i / size) as f64;
                let along = (x * s + y * c) / radius;
                let across = (x * c - y * s).abs() / radius;
                if along > 0.2 && across < 0.32 {
                    *v *= 0.02;
                }
            }
        }
        donut_png(&Stamp {
            size,
            sigma: vec![1.0; data.len()],
            data,
            frames: 1,
        })
    })
    .await
    .map_err(|e| Error::Broken(e.to_string()))?
    .map_err(|e| Error::Broken(e.to_string()))?;
    Ok((
        [
            (header::CONTENT_TYPE, "image/png"),
            (header::CACHE_CONTROL, "private, max-age=86400"),
        ],
        png,
    )
        .into_response())
}
