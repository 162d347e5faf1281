//! A star check in a collimation session: three taps, and what is asked only once.

use super::super::Error;
use super::super::by_eye_form::{ByEyeFields, nearest_share};
use super::draw::star_svg;
use crate::bench::advice::defocus_waves;
use crate::bench::before::magnification;
use crate::bench::corners::width_arcsec;
use crate::bench::orientation::Side;
use crate::bench::replay::Step;
use crate::bench::words::{clock_words, field_arcmin};
use crate::library::collimation_replay::Progress;
use crate::library::collimations::{Collimation, Record};
use crate::library::instruments::Instrument;
use crate::library::{Conn, Moment, star_tests};
use crate::optics::wavefront::w131_from_coma;

/// The ratios that can be chosen, thin side to thick side: as sent, in words, and as
/// a class of the drawing.
const RATIOS: [(&str, &str, &str); 7] = [
    ("1.0", "even", "art-10"),
    ("0.9", "9/10", "art-09"),
    ("0.8", "8/10", "art-08"),
    ("0.7", "7/10", "art-07"),
    ("0.6", "6/10", "art-06"),
    ("0.5", "half", "art-05"),
    ("0.4", "4/10", "art-04"),
];

/// How far out of focus the first star check is made, waves: little and much coma
/// both show (common practice, no source).
const FIRST_WAVES: f64 = 10.0;
/// After so long the air is asked for again.
const AIR_MINUTES: i64 = 60;
/// A donut so many times as wide or as narrow as is best is told to be changed.
const WIDTH_OFF: f64 = 1.9;

/// One donut to choose.
pub struct Card {
    /// As sent.
    pub value: &'static str,
    /// In words.
    pub words: &'static str,
    /// Drawn for this instrument.
    pub svg: String,
}

/// The star check.
pub struct CheckView {
    /// What to choose among.
    pub cards: Vec<Card>,
    /// The same, for the middle of the clock.
    pub arts: Vec<String>,
    /// What one should see now, or "".
    pub predicted: String,
    /// What was entered before and holds still, in words.
    pub kept: String,
}

/// What is asked once a session.
pub struct AskedOnce {
    /// Why it is asked again, or "".
    pub why: String,
    /// How far out of focus to go: "a tenth".
    pub share: &'static str,
    /// The same as sent.
    pub value: &'static str,
}

/// The ratio of thin to thick side that this coma makes, and where the thin side is,
/// degrees (geometric optics; design notes, section 4).
fn shape(coma: [f64; 2], w020: f64, obstruction: f64) -> (f64, f64) {
    let size = coma[0].hypot(coma[1]);
    let skew = (w131_from_coma(size) * 1.5 * (1.0 + obstruction) / w020).min(0.6);
    let thin = (-coma[0]).atan2(-coma[1]).to_degrees().rem_euclid(360.0);
    ((1.0 - skew) / (1.0 + skew), thin)
}

/// The star check, for an instrument of this obstruction.
pub fn check_view(
    now: &Progress,
    obstruction: f64,
    eye: &ByEyeFields,
    aperture_mm: f64,
) -> CheckView {
    let art =
        |ratio: &str, class: &str| star_svg(obstruction, ratio.parse().unwrap_or(1.0), 0.0, class);
    let (coma, _) = now.course.response().coma();
    let w020 = eye.width_arcsec().map_or_else(
        || defocus_waves(coma, obstruction),
        |wide| wide * aperture_mm / 8.0 / 0.55e-3 / 206_265.0,
    );
    let known = now.course.response().looks() > 0;
    let (ratio, thin) = shape([coma.x, coma.y], w020.max(1.0), obstruction);
    let shown = if known { ratio } else { 1.0 };
    let mut arts = vec![
        star_svg(
            obstruction,
            shown,
            if known { thin } else { 0.0 },
            "art-now",
        ),
        star_svg(obstruction, shown.min(0.8), 0.0, "art-plain"),
    ];
    arts.extend(RATIOS.iter().map(|(value, _, class)| art(value, class)));
    CheckView {
        cards: RATIOS
            .iter()
            .map(|(value, words, _)| Card {
                value,
                words,
                svg: art(value, ""),
            })
            .collect(),
        arts,
        predicted: if !known {
            String::new()
        } else if ratio > 0.93 {
            "Predicted: even.".to_owned()
        } else {
            format!("Predicted: thinnest at {}.", clock_words(thin))
        },
        kept: eye.kept_words(),
    }
}

/// What was entered at the last star check by eye of this session, by whom and when.
pub struct Earlier {
    /// As typed.
    pub eye: ByEyeFields,
    by: String,
    at: Moment,
    ratio: f64,
}

/// The last star check by eye of this session that counts.
pub async fn earlier(conn: &mut Conn, collimation: &Collimation) -> Result<Option<Earlier>, Error> {
    let is_look = |record: &Record| {
        matches!(
            record,
            Record::Taken {
                taken: Step::Look { .. }
            }
        )
    };
    let Some(last) = collimation
        .current()
        .rfind(|w| w.entry_id.is_some() && is_look(&w.record))
    else {
        return Ok(None);
    };
    let tests = star_tests::current(conn, Some(collimation.instrument_id)).await?;
    let judged = tests
        .iter()
        .find(|t| Some(t.entry_id) == last.entry_id)
        .map(|t| t.test.judged.as_str());
    let typed = judged
        .and_then(|j| serde_json::from_str::<serde_json::Value>(j).ok())
        .and_then(|told| serde_json::from_value::<ByEyeFields>(told.get("typed")?.clone()).ok());
    // A side of focus that was checked since counts for more than the one entered.
    let checked = collimation.current().rev().find_map(|w| match w.record {
        Record::Taken {
            taken: Step::Side { side },
        } if w.ordinal > last.ordinal => Some(side_word(side)).filter(|word| !word.is_empty()),
        _ => None,
    });
    Ok(typed.map(|eye| Earlier {
        ratio: eye.star_ratio.trim().parse().unwrap_or(1.0),
        eye: ByEyeFields {
            star_side: checked.map_or(eye.star_side, str::to_owned),
            star_ratio: String::new(),
            star_clock: String::new(),
            star_thin_width: String::new(),
            star_thick_width: String::new(),
            ..eye
        },
        by: last.by.clone(),
        at: last.at,
    }))
}

/// The side of focus entered with the last shade.
pub fn shaded_side(now: &Progress) -> &'static str {
    let last = now.course.shades().last();
    last.map_or("", |s| side_word(s.side))
}

/// A side of focus as forms carry it.
fn side_word(side: Side) -> &'static str {
    match side {
        Side::Inside => "inside",
        Side::Outside => "outside",
        Side::Unknown => "",
    }
}

/// A side of focus as a form sent it.
pub fn side_of(word: &str) -> Side {
    match word {
        "inside" => Side::Inside,
        "outside" => Side::Outside,
        _ => Side::Unknown,
    }
}

/// What is asked once: how far out to go, and why it is asked again if it was asked
/// before.
pub fn asked_once(
    now: &Progress,
    instrument: &Instrument,
    obstruction: f64,
    earlier: Option<&Earlier>,
    (me, at): (&str, Moment),
) -> AskedOnce {
    let (coma, _) = now.course.response().coma();
    let waves = match earlier {
        Some(_) => defocus_waves(coma, obstruction),
        None => FIRST_WAVES,
    };
    let best = width_arcsec(waves, instrument.aperture_mm);
    let turned = now.course.looks_since() == 0;
    let power = earlier
        .and_then(|e| e.eye.star_magnification.trim().parse().ok())
        .unwrap_or_else(|| magnification(instrument.aperture_mm, None));
    let field = earlier
        .and_then(|e| e.eye.star_true_field.trim().parse().ok())
        .unwrap_or_else(|| field_arcmin(power));
    let (value, share) = nearest_share(best, field);
    let why = match earlier {
        None => String::new(),
        Some(e) if e.by != me => format!("{} entered these. Your eyepiece may be another.", e.by),
        Some(e) if turned && e.ratio < 0.45 && e.ratio > 0.0 => {
            "The shadow came close to the rim. Go farther out of focus.".to_owned()
        }
        Some(e) => match e.eye.width_arcsec() {
            Some(wide) if turned && wide > best * WIDTH_OFF => {
                "So little coma is left that a smaller donut shows more of it.".to_owned()
            }
            Some(wide) if turned && wide < best / WIDTH_OFF => {
                "So much coma needs a wider donut.".to_owned()
            }
            _ if (at - e.at).num_minutes() > AIR_MINUTES => {
                "The last star check is over an hour old. Has the air changed?".to_owned()
            }
            _ => String::new(),
        },
    };
    AskedOnce { why, share, value }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ring whose thin side is half of the thick one: the widths are as 1 - s to
    /// 1 + s, so s is a third, and the coma that makes it points away from the thin side.
    #[test]
    fn what_is_predicted_is_what_the_advice_aims_at() {
        let coma = nalgebra::Vector2::new(0.0, -0.3);
        let w020 = defocus_waves(coma, 0.34);
        let (ratio, thin) = shape([coma.x, coma.y], w020, 0.34);
        assert!((ratio - 0.5).abs() < 0.02, "{ratio}");
        assert!(thin.abs() < 1e-9, "{thin}");
    }
}
