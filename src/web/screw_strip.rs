//! A paper strip to wrap round a screw's head, with the shares of a turn on it: where a
//! head has no marks of its own, a hand counts the lines.

use std::f64::consts::PI;
use std::fmt::Write as _;

use askama::Template;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::Error;
use super::access::{Access, Route};
use super::extract::Query;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, page};

/// Heads that a strip goes round, mm across.
const HEADS_MM: std::ops::RangeInclusive<f64> = 4.0..=60.0;
/// What the head has where nothing else is typed, mm.
const USUAL_HEAD: &str = "10 mm";
/// Thickness of plain paper, mm: its middle goes round, not its inner side. Common
/// practice, no source.
const PAPER_MM: f64 = 0.1;
/// Marks to a turn.
const MARKS: usize = 32;
/// Height of a strip and the length of its tab, mm.
const HIGH_MM: f64 = 9.0;
const TAB_MM: f64 = 6.0;
/// A number takes so much of the strip, mm.
const NUMBER_MM: f64 = 4.6;
/// Strips on a page: one for each screw and some to spare.
const STRIPS: usize = 6;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Volunteer, "/labels/screw-strip", show)]
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    head: String,
}

#[derive(Template)]
#[template(path = "label/screw_strip.html")]
struct StripPage {
    layout: Layout,
    head: String,
    errors: FormErrors,
    /// The strip, or "" where the head is none.
    svg: String,
    strips: usize,
}

async fn show(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let head = match asked.head.trim() {
        "" => USUAL_HEAD.to_owned(),
        typed => typed.to_owned(),
    };
    let mut errors = FormErrors::new();
    let head_mm = errors.length_mm("head", "Width of the head", &head, HEADS_MM);
    let is_wrong = !errors.is_empty();
    let answer = page(&StripPage {
        layout: context.layout("A paper strip for a screw head"),
        svg: if is_wrong {
            String::new()
        } else {
            strip_svg(head_mm)
        },
        head,
        errors,
        strips: STRIPS,
    })?;
    Ok(match is_wrong {
        true => (StatusCode::UNPROCESSABLE_ENTITY, answer).into_response(),
        false => answer,
    })
}

/// A strip for a head of this width, mm: as long as the paper's middle goes round it, and a
/// tab. A line for each 1/32 turn, longer for 1/16, 1/8 and 1/4, with numbers where there
/// is room for them. Its size is in millimetres, so that it prints true.
pub fn strip_svg(head_mm: f64) -> String {
    let round = PI * (head_mm + PAPER_MM);
    let (wide, high) = (round + TAB_MM, HIGH_MM);
    let mut svg = format!(
        "<svg class=\"strip\" viewBox=\"0 0 {wide:.3} {high}\" width=\"{wide:.3}mm\" height=\"{high}mm\" role=\"img\" \
         aria-label=\"Strip for a head of {head_mm:.1} mm: 32 lines to a turn\" font-family=\"sans-serif\" font-size=\"2.4\">\
         <rect width=\"{wide:.3}\" height=\"{high}\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"0.2\"/>"
    );
    // Numbers at the eighths, or at the quarters of a small head.
    let numbered = match round / 8.0 >= NUMBER_MM {
        true => MARKS / 8,
        false => MARKS / 4,
    };
    for mark in 0..=MARKS {
        let x = round * mark as f64 / MARKS as f64;
        let length = match mark {
            m if m % (MARKS / 4) == 0 => 5.2,
            m if m % (MARKS / 8) == 0 => 4.4,
            m if m % (MARKS / 16) == 0 => 3.2,
            _ => 1.8,
        };
        let _ = write!(
            svg,
            "<path class=\"mark\" d=\"M{x:.3} 0v{length}\" stroke=\"#000\" stroke-width=\"0.15\"/>"
        );
        if mark % numbered == 0 && mark < MARKS {
            let _ = write!(
                svg,
                "<text x=\"{:.3}\" y=\"7.9\">{}</text>",
                x + 0.25,
                share(mark)
            );
        }
    }
    let _ = write!(
        svg,
        "<text x=\"{:.3}\" y=\"7.9\">0</text><text x=\"{:.3}\" y=\"5\" font-size=\"2\">glue</text></svg>",
        round + 0.25,
        round + 1.6
    );
    svg
}

/// A share of a turn: "1/8", "3/4", and "0" at the beginning.
fn share(mark: usize) -> String {
    let (mut over, mut under) = (mark, MARKS);
    if over == 0 {
        return "0".to_owned();
    }
    while over.is_multiple_of(2) {
        (over, under) = (over / 2, under / 2);
    }
    format!("{over}/{under}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines of a strip, mm from its beginning.
    fn lines(svg: &str) -> Vec<f64> {
        svg.split("class=\"mark\" d=\"M")
            .skip(1)
            .map(|rest| rest.split(' ').next().unwrap().parse().unwrap())
            .collect()
    }

    /// Once round a head of d, paper of t: pi (d + t) (geometry).
    #[test]
    fn a_strip_goes_once_round_its_head_in_thirty_two_equal_steps() {
        for (head, round) in [(4.0, 12.88), (10.0, 31.73), (25.4, 80.11), (60.0, 188.81)] {
            let all = lines(&strip_svg(head));
            assert_eq!(all.len(), 33);
            assert!((all[32] - round).abs() < 0.005, "{head}: {}", all[32]);
            for pair in all.windows(2) {
                assert!((pair[1] - pair[0] - round / 32.0).abs() < 0.002);
            }
        }
    }

    #[test]
    fn numbers_have_room_beside_each_other() {
        let small = strip_svg(6.0);
        assert!(small.contains(">1/4<") && !small.contains(">1/8<"));
        let large = strip_svg(12.0);
        assert!(large.contains(">1/8<") && large.contains(">7/8<"));
    }
}
