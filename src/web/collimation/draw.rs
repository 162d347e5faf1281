//! The tube's front with its screws and the arrow of the turn, and stars drawn
//! by the diffraction model.

use std::fmt::Write as _;

use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::super::Error;
use super::super::access::{Access, Route};
use super::super::extract::Query;
use crate::bench::adjustment::Adjustment;
use crate::bench::screw::{Element, Screw};
use crate::bench::words::{amount_words, clock_minutes, clock_words, way_words};
use crate::optics::pupil::Pupil;
use crate::optics::render::Scene;
use crate::optics::wavefront::{Wavefront, a4_from_w020};
use crate::startest::frame::Stamp;
use crate::startest::pictures::donut_png;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Member, "/pictures/donut.png", donut)]
}

/// From where one looks at the tube.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stand {
    /// Whether from behind, where the tube's clock runs the other way.
    pub behind: bool,
    /// What stands at the top of what one sees, degrees of the tube's clock.
    pub top_deg: f64,
}

impl Stand {
    /// Facing the screws of an element, 12 o'clock at the top.
    pub fn facing(element: Element) -> Self {
        Self {
            behind: element == Element::Primary,
            top_deg: 0.0,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        if self.behind {
            "from behind"
        } else {
            "in front"
        }
    }

    /// Whether a turn looks the other way round from here than facing the screw.
    pub fn turns_over(self, element: Element) -> bool {
        self.behind != Self::facing(element).behind
    }

    fn place(self, deg: f64, radius: f64) -> (f64, f64) {
        let (s, c) = (deg - self.top_deg).to_radians().sin_cos();
        (
            if self.behind { -radius * s } else { radius * s },
            -radius * c,
        )
    }
}

/// The element that screws tilt.
fn element_of(screws: &[Screw]) -> Element {
    screws.first().map_or(Element::Secondary, |s| s.element)
}

/// The tube as one sees it facing its screws, with all that is turned.
pub fn tube_svg(screws: &[Screw], adjustment: Option<&Adjustment>) -> String {
    let parts = adjustment.map_or(&[] as &[i32], |a| &a.parts);
    tube_from(screws, parts, Stand::facing(element_of(screws)))
}

/// The tube as one sees it from where one stands, with the screws to turn
/// (sixty-fourths, clockwise as seen facing each).
pub fn tube_from(screws: &[Screw], parts: &[i32], stand: Stand) -> String {
    let element = element_of(screws);
    let turn = |i: usize| parts.get(i).copied().unwrap_or(0);
    let looks_clockwise = |parts: i32| (parts > 0) != stand.turns_over(element);
    let said: Vec<String> = screws
        .iter()
        .enumerate()
        .filter(|(i, _)| turn(*i) != 0)
        .map(|(i, s)| {
            format!(
                "{} at {}, {} {}",
                s.label,
                clock_words(s.clock_deg),
                amount_words(turn(i)),
                way_words(looks_clockwise(turn(i)))
            )
        })
        .collect();
    let view = if stand.behind {
        "The tube from behind"
    } else {
        "The tube from in front"
    };
    let label = if said.is_empty() {
        format!("{view}, with its screws")
    } else {
        format!("{view}: turn {}", said.join("; "))
    };
    let mut svg = open_svg(&label);
    let ring = if element == Element::Secondary {
        svg.push_str(r#"<circle class="tube-holder" r="98"/>"#);
        62.0
    } else {
        90.0
    };
    hours(&mut svg, stand);
    for (i, s) in screws.iter().enumerate() {
        let (x, y) = stand.place(s.clock_deg, ring);
        let parts = turn(i);
        let on = if parts == 0 { "" } else { " tube-on" };
        let _ = write!(
            svg,
            r#"<circle class="tube-screw{on}" cx="{x:.1}" cy="{y:.1}" r="21"/><text class="tube-label{on}" x="{x:.1}" y="{:.1}">{}</text>"#,
            y + 7.0,
            escape(&s.label.chars().take(3).collect::<String>())
        );
        if parts != 0 {
            svg.push_str(&arrow(x, y, looks_clockwise(parts)));
        }
    }
    if let [parts] = parts.iter().filter(|p| **p != 0).collect::<Vec<_>>()[..]
        && parts % 4 != 0
    {
        svg.push_str(&dial(clock_minutes(*parts), looks_clockwise(*parts)));
    }
    svg.push_str("</svg>");
    svg
}

/// The front of the tube with a hand before its rim.
pub fn hand_svg(deg: f64) -> String {
    let stand = Stand {
        behind: false,
        top_deg: 0.0,
    };
    let mut svg = open_svg(&format!(
        "The tube from in front: a hand before the rim at {}",
        clock_words(deg)
    ));
    hours(&mut svg, stand);
    let (x, y) = stand.place(deg, 96.0);
    let (far_x, far_y) = stand.place(deg, 158.0);
    let _ = write!(
        svg,
        r#"<path class="tube-arm" d="M{x:.1} {y:.1}L{far_x:.1} {far_y:.1}"/><circle class="tube-hand" cx="{x:.1}" cy="{y:.1}" r="34"/></svg>"#
    );
    svg
}

fn open_svg(label: &str) -> String {
    format!(
        r#"<svg class="tube-art" viewBox="-160 -160 320 320" width="320" height="320" role="img" aria-label="{}"><circle class="tube-rim" r="124"/><circle class="tube-glass" r="116"/>"#,
        escape(label)
    )
}

/// The tube's clock around it.
fn hours(svg: &mut String, stand: Stand) {
    for (deg, words) in [(0.0, "12"), (90.0, "3"), (180.0, "6"), (270.0, "9")] {
        let (x, y) = stand.place(deg, 143.0);
        let _ = write!(
            svg,
            r#"<text class="tube-hour" x="{x:.0}" y="{:.0}">{words}</text>"#,
            y + 6.0
        );
    }
}

/// The face of a clock with so many minutes of it marked: how far a hand turns.
fn dial(minutes: i32, clockwise: bool) -> String {
    let (x, y, r) = (124.0, 124.0, 32.0);
    let at = |minute: f64, radius: f64| {
        let way = if clockwise { 1.0 } else { -1.0 };
        let (s, c) = (way * minute * 6.0).to_radians().sin_cos();
        (x + radius * s, y - radius * c)
    };
    let mut svg = format!(r#"<circle class="tube-dial" cx="{x}" cy="{y}" r="{r}"/>"#);
    let (a, b) = (at(0.0, r), at(f64::from(minutes), r));
    let _ = write!(
        svg,
        r#"<path class="tube-minutes" d="M{x} {y}L{:.1} {:.1}A{r} {r} 0 0 {} {:.1} {:.1}Z"/>"#,
        a.0,
        a.1,
        u8::from(clockwise),
        b.0,
        b.1
    );
    for minute in (0..60).step_by(5) {
        let (from, to) = (at(f64::from(minute), r), at(f64::from(minute), r - 5.0));
        let _ = write!(
            svg,
            r#"<path class="tube-tick" d="M{:.1} {:.1}L{:.1} {:.1}"/>"#,
            from.0, from.1, to.0, to.1
        );
    }
    svg
}

/// Three quarters of a circle about a screw, with a head where it ends.
fn arrow(x: f64, y: f64, clockwise: bool) -> String {
    let r = 33.0;
    let sign = if clockwise { 1.0 } else { -1.0 };
    let at = |deg: f64, radius: f64| {
        let (s, c) = (sign * deg).to_radians().sin_cos();
        (x + radius * s, y - radius * c)
    };
    let (from, neck) = (at(-100.0, r), at(90.0, r));
    let (a, b, tip) = (at(90.0, r + 11.0), at(90.0, r - 11.0), at(122.0, r));
    format!(
        r#"<path class="tube-turn" d="M{:.1} {:.1}A{r} {r} 0 1 {} {:.1} {:.1}"/><path class="tube-head" d="M{:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}Z"/>"#,
        from.0,
        from.1,
        u8::from(clockwise),
        neck.0,
        neck.1,
        a.0,
        a.1,
        tip.0,
        tip.1,
        b.0,
        b.1
    )
}

/// A defocused star of this obstruction whose thin side, at 12 o'clock turned by
/// `turned_deg`, is to its thick side as `ratio`: the geometry of
/// `templates/_donuts.html`.
pub fn star_svg(obstruction: f64, ratio: f64, turned_deg: f64, class: &str) -> String {
    let radius = 44.0;
    let k = (1.0 - ratio) / ((1.0 + ratio) * (1.0 + obstruction));
    let up = |rho: f64| 50.0 - radius * k * (1.0 - rho * rho);
    let mut svg = format!(
        r#"<svg class="donut {class}" viewBox="0 0 100 100" width="100" height="100" aria-hidden="true" focusable="false"><rect class="d-sky" width="100" height="100" rx="6"/><g transform="rotate({turned_deg:.0} 50 50)"><circle class="d-glow" cx="50" cy="50" r="{radius}"/>"#
    );
    for share in [0.26, 0.5, 0.74] {
        let rho = obstruction + (1.0 - obstruction) * share;
        let _ = write!(
            svg,
            r#"<circle class="d-gap" cx="50" cy="{:.2}" r="{:.2}"/>"#,
            up(rho),
            radius * rho
        );
    }
    let (middle, kind) = if obstruction > 0.05 {
        (radius * obstruction, "d-shade")
    } else {
        (3.0, "d-spot")
    };
    let _ = write!(
        svg,
        r#"<circle class="d-rim" cx="50" cy="50" r="42.5"/><circle class="{kind}" cx="50" cy="{:.2}" r="{middle:.2}"/></g></svg>"#,
        up(obstruction)
    );
    svg
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

/// From where the tube is looked at: "front" or "behind", and what stands at the top
/// ("behind-3").
pub fn stand_of(typed: &str) -> Option<Stand> {
    let (side, top) = typed.split_once('-').unwrap_or((typed, "12"));
    let behind = match side {
        "front" => false,
        "behind" => true,
        _ => return None,
    };
    Some(Stand {
        behind,
        top_deg: hour_deg(top)?,
    })
}

/// The same as the address carries it.
pub fn stand_word(stand: Stand) -> String {
    let side = if stand.behind { "behind" } else { "front" };
    match hour_of(stand.top_deg).as_str() {
        "12" => side.to_owned(),
        top => format!("{side}-{top}"),
    }
}

/// A clock hour as degrees.
pub fn hour_deg(typed: &str) -> Option<f64> {
    let hour: u8 = typed.trim().parse().ok()?;
    (1..=12)
        .contains(&hour)
        .then(|| f64::from(hour % 12) * 30.0)
}

/// Degrees as the nearest clock hour.
pub fn hour_of(deg: f64) -> String {
    match (deg / 30.0).round() as i64 % 12 {
        0 => "12".to_owned(),
        h => h.to_string(),
    }
}
