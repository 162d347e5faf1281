//! The circles that were found, drawn: all of them, and the shadow's inside enlarged. Each
//! is a thin ring with its number where it is crossed by a short stroke.

use super::{Report, Which};
use crate::startest::peephole::Seen;

/// One ring in the drawing's own units.
pub(super) struct Ring {
    pub number: usize,
    pub which: &'static str,
    pub words: &'static str,
    pub x: String,
    pub y: String,
    pub r: String,
    /// The stroke across it, and where its number stands.
    pub stroke: [String; 4],
    pub at: [String; 2],
}

/// Both parts of the drawing.
pub(super) struct Drawing {
    pub all: Vec<Ring>,
    pub inner: Vec<Ring>,
    pub words: Vec<&'static str>,
}

/// Half the side of a part.
const HALF: f64 = 100.0;

impl Drawing {
    pub fn of(report: &Report) -> Self {
        let circles = &report.circles;
        let seen = |which| circles.iter().find(|c| c.which == which);
        let of = |which: Option<&Seen>, around: &[Which]| {
            let Some(outer) = which else {
                return Vec::new();
            };
            circles
                .iter()
                .enumerate()
                .filter(|(_, c)| around.contains(&c.which))
                .map(|(n, c)| ring(n + 1, c, outer))
                .collect()
        };
        let inner = [Which::Shadow, Which::Face, Which::Mark];
        let primary = seen(Which::Primary);
        let widest = seen(Which::Drawtube).or(seen(Which::Flat)).or(primary);
        Self {
            all: of(widest, &Which::ALL[..4]),
            inner: of(seen(Which::Shadow), &inner),
            words: circles.iter().map(|c| c.which.words()).collect(),
        }
    }
}

fn ring(number: usize, c: &Seen, outer: &Seen) -> Ring {
    let scale = 0.9 * HALF / outer.radius_px;
    let [x, y] = [0, 1].map(|i| (c.at_px[i] - outer.at_px[i]) * scale);
    let r = c.radius_px * scale;
    // Each number at a place of its own, clockwise from half past ten.
    let (s, cos) = (0.9 * number as f64 - 1.6).sin_cos();
    let along = |r: f64| [x + r * s, y - r * cos];
    let figure = |v: f64| format!("{v:.1}");
    let ([x1, y1], [x2, y2], [u, v]) = (along(r - 4.0), along(r + 4.0), along(r - 10.0));
    Ring {
        number,
        which: match c.which {
            Which::Drawtube => "drawtube",
            Which::Flat => "flat",
            Which::Primary => "primary",
            Which::Shadow => "shadow",
            Which::Face => "face",
            Which::Mark => "mark",
        },
        words: c.which.words(),
        x: figure(x),
        y: figure(y),
        r: figure(r),
        stroke: [x1, y1, x2, y2].map(figure),
        at: [u, v].map(figure),
    }
}
