//! What a person tells of a star looked at by eye: the fields, shared by the
//! check-in and the star-test pages (`templates/star_test/_by_eye.html`).

use serde_json::json;

use super::fields::FormErrors;
use super::lamp;
use crate::library::instruments::Instrument;
use crate::library::lamp::Lamp;
use crate::library::star_tests::{self, FocusSide, Method, StarTest};
use crate::library::{self, Conn};
use crate::startest::by_eye::{ByEye, DonutWidth, Unevenness, judge_by_eye};

/// The fields, as typed.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Deserialize, serde::Serialize)]
#[serde(default)]
pub struct ByEyeFields {
    /// Thin-to-thick ratio by card: "1.0" to "0.4", "" for cannot tell.
    pub star_ratio: String,
    /// Thin width, in any unit; with the thick one instead of a card.
    pub star_thin_width: String,
    /// Thick width, in the same unit.
    pub star_thick_width: String,
    /// The donut's width as a share of the eyepiece's field: "1/10".
    pub star_share_of_field: String,
    /// The eyepiece's true field, arc minutes.
    pub star_true_field: String,
    /// The eyepiece's apparent field, degrees; with the magnification instead
    /// of the true field.
    pub star_apparent_field: String,
    /// How wide the donut looks in the eyepiece, degrees.
    pub star_looks_wide: String,
    /// Bright rings counted.
    pub star_rings: String,
    /// Magnification.
    pub star_magnification: String,
    /// Clock hour of the thin side as seen: "1" to "12", "" for cannot tell.
    pub star_clock: String,
    /// Slug of [`FocusSide`].
    pub star_side: String,
    /// "yes" with a diagonal.
    pub star_diagonal: String,
    /// Antoniadi, "1" to "5".
    pub star_seeing: String,
    /// The distance of an artificial star: "30" (metres), "100 ft"; "" for a star.
    pub star_lamp: String,
}

/// How the donut's width was judged.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(rename_all = "kebab-case", tag = "judged_by")]
pub enum Width {
    /// Against the eyepiece's field.
    ShareOfField {
        /// Diameter over the field's.
        share: f64,
        /// True field, arc minutes.
        true_field_arcmin: f64,
    },
    /// By how wide it looks, which the magnification turns into sky.
    LooksWide {
        /// Apparent diameter in the eyepiece, degrees.
        apparent_deg: f64,
        /// Magnification.
        magnification: f64,
    },
    /// By counting bright rings: a rough guide.
    Rings {
        /// How many.
        rings: f64,
    },
}

impl Width {
    /// The donut's angular diameter on the sky, arc seconds; unknown where
    /// rings were counted.
    pub fn diameter_arcsec(self) -> Option<f64> {
        match self {
            Self::ShareOfField {
                share,
                true_field_arcmin,
            } => Some(share * true_field_arcmin * 60.0),
            Self::LooksWide {
                apparent_deg,
                magnification,
            } => Some(apparent_deg / magnification * 3600.0),
            Self::Rings { .. } => None,
        }
    }
}

/// What was told, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct ByEyeLook {
    /// Thin side over thick side along the axis, above 0 and at most 1.
    pub thin_to_thick: f64,
    /// Whether the two widths were judged one by one, not by card.
    pub by_two_widths: bool,
    /// The donut's width.
    pub width: Width,
    /// Direction of the thin side as seen, clock degrees.
    pub thin_clock_deg: Option<f64>,
    /// Side of focus.
    pub side: FocusSide,
    /// Whether a diagonal was in.
    pub diagonal: bool,
    /// Antoniadi, 1 (best) to 5.
    pub seeing: Option<i64>,
    /// Magnification.
    pub magnification: Option<f64>,
    /// The distance of an artificial star, m.
    pub lamp_m: Option<f64>,
    /// What was told, as told (JSON).
    pub judged: String,
}

impl ByEyeLook {
    /// The star test it makes of this instrument, as
    /// [`judge_by_eye`] reads it.
    ///
    /// # Errors
    /// The field to mend, and how.
    pub fn star_test(&self, instrument: &Instrument) -> Result<StarTest, (&'static str, String)> {
        let lamp = self
            .lamp_m
            .map(|m| Lamp::at(instrument, m))
            .transpose()
            .map_err(|unfit| ("star_lamp", format!("Artificial star: {unfit}.")))?;
        let angle = |told: f64| lamp.map_or(told, |lamp| lamp.angle(told));
        let at_a_star = |coma: f64| lamp.map_or(coma, |lamp| lamp.coma_at_a_star(coma));
        let (width, width_field) = match self.width {
            Width::ShareOfField {
                share,
                true_field_arcmin,
            } => (
                DonutWidth::OfTrueField {
                    share,
                    true_field_deg: angle(true_field_arcmin / 60.0),
                },
                "star_share_of_field",
            ),
            Width::LooksWide {
                apparent_deg,
                magnification,
            } => (
                DonutWidth::OfTrueField {
                    share: 1.0,
                    true_field_deg: angle(apparent_deg / magnification),
                },
                "star_looks_wide",
            ),
            Width::Rings { rings } => (DonutWidth::Rings { count: rings }, "star_rings"),
        };
        let wave = judge_by_eye(&ByEye {
            aperture_mm: instrument.aperture_mm,
            obstruction: instrument.obstruction,
            width,
            unevenness: Unevenness::Ratio(self.thin_to_thick),
            thin_clock_deg: self.thin_clock_deg,
            side_sign: if self.side == FocusSide::Inside {
                -1.0
            } else {
                1.0
            },
        })
        .map_err(|wrong| {
            let field = match wrong.field {
                "width" => width_field,
                "thin side" => "star_clock",
                _ => "star_ratio",
            };
            (field, format!("Star test: {wrong}."))
        })?;
        Ok(StarTest {
            method: Method::ByEye,
            side: self.side,
            diagonal: self.diagonal,
            seeing: self.seeing,
            magnification: self.magnification,
            defocus_waves: Some(wave.defocus_waves.abs()),
            thin_to_thick: Some(self.thin_to_thick),
            thin_clock_deg: self.thin_clock_deg,
            coma_rms_waves: at_a_star(wave.coma_rms_waves),
            coma_rms_waves_sigma: at_a_star(wave.coma_rms_waves_sigma),
            attempt_id: None,
            judged: self.judged.clone(),
        })
    }
}

/// Shares of the field that can be chosen, with their values.
const SHARES: &[(&str, &str, f64)] = &[
    ("1/2", "half", 0.5),
    ("1/3", "a third", 1.0 / 3.0),
    ("1/4", "a quarter", 0.25),
    ("1/6", "a sixth", 1.0 / 6.0),
    ("1/8", "an eighth", 0.125),
    ("1/10", "a tenth", 0.1),
    ("1/15", "a fifteenth", 1.0 / 15.0),
    ("1/20", "a twentieth", 0.05),
    ("1/30", "a thirtieth", 1.0 / 30.0),
    ("1/40", "a fortieth", 0.025),
];

/// How wide things look at arm's length, degrees: hand measures are common
/// practice, no source; the Moon is half a degree.
const LOOKS: &[(&str, &str)] = &[
    ("0.5", "like the Moon in the sky (half a degree)"),
    ("1", "twice the Moon (1 degree)"),
    ("2", "a thumb at arm's length (2 degrees)"),
    ("5", "three fingers at arm's length (5 degrees)"),
    ("10", "a fist at arm's length (10 degrees)"),
    ("20", "a spread hand at arm's length (20 degrees)"),
];

/// The share of the field, of those to choose from, that is nearest to this width:
/// its value and words.
pub fn nearest_share(arcsec: f64, field_arcmin: f64) -> (&'static str, &'static str) {
    let wanted = (arcsec / 60.0 / field_arcmin).max(1e-6).ln();
    SHARES
        .iter()
        .min_by(|(_, _, a), (_, _, b)| {
            let off = |share: &f64| (share.ln() - wanted).abs();
            off(a).total_cmp(&off(b))
        })
        .map_or(("1/10", "a tenth"), |(slug, words, _)| (*slug, *words))
}

/// Antoniadi's scale in words.
const SEEING: &[(&str, &str)] = &[
    ("1", "I: perfectly steady"),
    ("2", "II: slight tremor, calm for seconds at a time"),
    ("3", "III: middling, larger tremors"),
    ("4", "IV: poor, never at rest"),
    ("5", "V: too bad to draw anything"),
];

impl ByEyeFields {
    /// Blank fields for one instrument.
    pub fn blank(instrument: &Instrument) -> Self {
        Self {
            star_apparent_field: "50".to_owned(),
            star_diagonal: if instrument.uses_diagonal { "yes" } else { "" }.to_owned(),
            ..Self::default()
        }
    }

    /// Blank fields, with the eyepiece taken over from what was told of the
    /// instrument's last look (the `judged` of its star test).
    pub fn blank_after(instrument: &Instrument, judged: Option<&str>) -> Self {
        let mut blank = Self::blank(instrument);
        let told = judged.and_then(|j| serde_json::from_str::<serde_json::Value>(j).ok());
        if let Some(typed) = told.as_ref().and_then(|t| t.get("typed"))
            && let Ok(last) = serde_json::from_value::<Self>(typed.clone())
        {
            blank.star_magnification = last.star_magnification;
            blank.star_true_field = last.star_true_field;
            if !last.star_apparent_field.trim().is_empty() {
                blank.star_apparent_field = last.star_apparent_field;
            }
        }
        blank
    }

    /// Blank fields, with the eyepiece of the instrument's last look by eye.
    ///
    /// # Errors
    /// When the library cannot be read.
    pub async fn after_the_last(conn: &mut Conn, instrument: &Instrument) -> library::Result<Self> {
        let looks = star_tests::current(conn, Some(instrument.id)).await?;
        let judged = looks
            .iter()
            .rev()
            .find(|t| t.test.method == Method::ByEye)
            .map(|t| t.test.judged.as_str());
        Ok(Self::blank_after(instrument, judged))
    }

    /// Whether anything was told of a star at all. The eyepiece and the
    /// diagonal may be filled in beforehand and do not count.
    pub fn is_given(&self) -> bool {
        [
            &self.star_ratio,
            &self.star_thin_width,
            &self.star_thick_width,
            &self.star_share_of_field,
            &self.star_looks_wide,
            &self.star_rings,
            &self.star_clock,
            &self.star_seeing,
        ]
        .into_iter()
        .any(|typed| !typed.trim().is_empty())
    }

    /// What is asked once a collimation session: how wide the donut is, which side of
    /// focus, with what, in which air. As form fields.
    pub fn kept_fields(&self) -> [(&'static str, &str); 10] {
        [
            ("star_share_of_field", &self.star_share_of_field),
            ("star_true_field", &self.star_true_field),
            ("star_apparent_field", &self.star_apparent_field),
            ("star_looks_wide", &self.star_looks_wide),
            ("star_rings", &self.star_rings),
            ("star_magnification", &self.star_magnification),
            ("star_side", &self.star_side),
            ("star_diagonal", &self.star_diagonal),
            ("star_seeing", &self.star_seeing),
            ("star_lamp", &self.star_lamp),
        ]
    }

    /// The same in words: "a tenth of the field wide, outside focus, air III".
    pub fn kept_words(&self) -> String {
        let mut words = Vec::new();
        let share = SHARES
            .iter()
            .find(|(s, _, _)| *s == self.star_share_of_field);
        let looks = LOOKS.iter().find(|(s, _)| *s == self.star_looks_wide);
        match (share, looks) {
            (Some((_, share, _)), _) => words.push(format!("{share} of the field wide")),
            (None, Some((_, looks))) => {
                let looks = looks.split_once(" (").map_or(*looks, |(looks, _)| looks);
                words.push(format!("as wide as {looks}").replace("as wide as like", "as wide as"));
            }
            (None, None) => words.push(format!("{} rings", self.star_rings.trim())),
        }
        match self.star_side.as_str() {
            "inside" => words.push("inside focus".to_owned()),
            "outside" => words.push("outside focus".to_owned()),
            _ => {}
        }
        if let Some((_, air)) = SEEING.iter().find(|(s, _)| *s == self.star_seeing) {
            let grade = air.split_once(':').map_or(*air, |(grade, _)| grade);
            words.push(format!("air {grade}"));
        }
        if !self.star_lamp.trim().is_empty() {
            words.push("artificial star".to_owned());
        }
        words.join(", ")
    }

    /// The donut's width on the sky as entered, arc seconds, if it can be reckoned.
    pub fn width_arcsec(&self) -> Option<f64> {
        let magnification = self.star_magnification.trim().parse().ok();
        self.width(magnification, &mut FormErrors::new())?
            .diameter_arcsec()
    }

    /// Checks what is asked once a session, without ratio and thin side.
    pub fn check_kept(&self, errors: &mut FormErrors) {
        let magnification = errors.optional_number(
            "star_magnification",
            "Magnification",
            &self.star_magnification,
            5.0..=2000.0,
        );
        self.width(magnification, errors);
        lamp::read(errors, "star_lamp", &self.star_lamp);
    }

    /// Checks what was told.
    pub fn check(&self, errors: &mut FormErrors) -> Option<ByEyeLook> {
        let before = errors.all().len();
        let magnification = errors.optional_number(
            "star_magnification",
            "Magnification",
            &self.star_magnification,
            5.0..=2000.0,
        );
        let ratio = self.ratio(errors);
        let width = self.width(magnification, errors);
        let thin_clock_deg = if self.star_clock.trim().is_empty() {
            None
        } else {
            errors
                .optional_whole("star_clock", "Thin side", &self.star_clock, 1..=12)
                .map(|hour| f64::from(u8::try_from(hour % 12).unwrap_or(0)) * 30.0)
        };
        let side = if self.star_side.is_empty() {
            Some(FocusSide::Unknown)
        } else {
            errors.word("star_side", "Side of focus", &self.star_side)
        };
        let seeing = errors.optional_whole("star_seeing", "Air", &self.star_seeing, 1..=5);
        let lamp_m = lamp::read(errors, "star_lamp", &self.star_lamp);
        if errors.all().len() > before {
            return None;
        }
        let (thin_to_thick, by_two_widths) = ratio?;
        let width = width?;
        Some(ByEyeLook {
            thin_to_thick,
            by_two_widths,
            width,
            thin_clock_deg,
            side: side?,
            diagonal: self.star_diagonal == "yes",
            seeing,
            magnification,
            lamp_m,
            judged: json!({ "typed": self, "width": width }).to_string(),
        })
    }

    fn ratio(&self, errors: &mut FormErrors) -> Option<(f64, bool)> {
        let bounds = 0.01..=1000.0;
        let thin = errors.optional_number(
            "star_thin_width",
            "Thin width",
            &self.star_thin_width,
            bounds.clone(),
        );
        let thick = errors.optional_number(
            "star_thick_width",
            "Thick width",
            &self.star_thick_width,
            bounds,
        );
        match (thin, thick) {
            (Some(thin), Some(thick)) if thin > thick => {
                errors.add(
                    "star_thin_width",
                    "Thin width: this is more than the thick width. Change the two about.",
                );
                None
            }
            (Some(thin), Some(thick)) => Some((thin / thick, true)),
            (Some(_), None) if self.star_thick_width.trim().is_empty() => {
                errors.add(
                    "star_thick_width",
                    "Thick width: give both widths, or pick a picture.",
                );
                None
            }
            (None, Some(_)) if self.star_thin_width.trim().is_empty() => {
                errors.add(
                    "star_thin_width",
                    "Thin width: give both widths, or pick a picture.",
                );
                None
            }
            _ if self.star_ratio.trim().is_empty() => {
                errors.add(
                    "star_ratio",
                    "Star test: pick the picture nearest to what you saw, or give both widths. If it cannot be told, clear the star test and write a note instead.",
                );
                None
            }
            _ => errors
                .optional_number(
                    "star_ratio",
                    "Thin side against thick side",
                    &self.star_ratio,
                    0.05..=1.0,
                )
                .map(|ratio| (ratio, false)),
        }
    }

    fn width(&self, magnification: Option<f64>, errors: &mut FormErrors) -> Option<Width> {
        if !self.star_share_of_field.is_empty() {
            let Some(share) = SHARES
                .iter()
                .find(|(slug, _, _)| *slug == self.star_share_of_field)
                .map(|(_, _, share)| *share)
            else {
                errors.add("star_share_of_field", "Width of the donut: choose one.");
                return None;
            };
            let told = errors.optional_number(
                "star_true_field",
                "True field",
                &self.star_true_field,
                1.0..=600.0,
            );
            if let Some(true_field_arcmin) = told {
                return Some(Width::ShareOfField {
                    share,
                    true_field_arcmin,
                });
            }
            let apparent = errors.optional_number(
                "star_apparent_field",
                "Apparent field",
                &self.star_apparent_field,
                20.0..=130.0,
            );
            let (Some(apparent), Some(magnification)) = (apparent, magnification) else {
                if self.star_true_field.trim().is_empty()
                    && self.star_magnification.trim().is_empty()
                {
                    errors.add(
                        "star_magnification",
                        "Magnification: give it, or the eyepiece's true field, so that the width can be turned into sky.",
                    );
                } else if self.star_apparent_field.trim().is_empty() {
                    errors.add(
                        "star_apparent_field",
                        "Apparent field: give it, or the eyepiece's true field. A plain eyepiece has about 50 degrees.",
                    );
                }
                return None;
            };
            return Some(Width::ShareOfField {
                share,
                true_field_arcmin: apparent * 60.0 / magnification,
            });
        }
        let apparent_deg = errors.optional_number(
            "star_looks_wide",
            "How wide it looks",
            &self.star_looks_wide,
            0.1..=60.0,
        );
        if let Some(apparent_deg) = apparent_deg {
            let Some(magnification) = magnification else {
                if self.star_magnification.trim().is_empty() {
                    errors.add(
                        "star_magnification",
                        "Magnification: give it, so that the width can be turned into sky.",
                    );
                }
                return None;
            };
            return Some(Width::LooksWide {
                apparent_deg,
                magnification,
            });
        }
        let rings =
            errors.optional_number("star_rings", "Bright rings", &self.star_rings, 2.0..=60.0);
        if let Some(rings) = rings {
            return Some(Width::Rings { rings });
        }
        if self.star_looks_wide.is_empty() && self.star_rings.trim().is_empty() {
            errors.add(
                "star_share_of_field",
                "Width of the donut: say how wide it was, in one of the three ways.",
            );
        }
        None
    }

    /// Which field the share is of, where its true size is filled in.
    pub fn field_hint(&self) -> String {
        match self.star_true_field.trim() {
            "" => String::new(),
            field => format!(
                "Of a true field of {field} arc minutes; it is changed under the other ways below."
            ),
        }
    }

    /// Shares of the field for the page: value and words.
    pub fn shares(&self) -> impl Iterator<Item = (&'static str, &'static str)> {
        SHARES.iter().map(|(slug, words, _)| (*slug, *words))
    }

    /// Apparent widths for the page: value and words.
    pub fn looks(&self) -> &'static [(&'static str, &'static str)] {
        LOOKS
    }

    /// The air for the page: value and words.
    pub fn airs(&self) -> &'static [(&'static str, &'static str)] {
        SEEING
    }
}

/// The obstruction (hundredths) whose pictures are nearest to an instrument's.
pub fn cards_for(obstruction: f64) -> &'static str {
    if obstruction >= 0.295 {
        "34"
    } else if obstruction >= 0.1 {
        "25"
    } else {
        "0"
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn told() -> ByEyeFields {
        ByEyeFields {
            star_ratio: "0.7".to_owned(),
            star_share_of_field: "1/10".to_owned(),
            star_apparent_field: "50".to_owned(),
            star_magnification: "150".to_owned(),
            star_clock: "2".to_owned(),
            star_side: "inside".to_owned(),
            star_seeing: "3".to_owned(),
            ..ByEyeFields::default()
        }
    }

    #[test]
    fn a_tenth_of_a_fifty_degree_field_at_150_times_is_two_arc_minutes() {
        let mut errors = FormErrors::new();
        let look = told().check(&mut errors).unwrap();
        assert!(errors.is_empty());
        // 50 degrees / 150 = 20 arc minutes of sky; a tenth of it is 120 arc seconds.
        let wide = look.width.diameter_arcsec().unwrap();
        assert!((wide - 120.0).abs() < 1e-9, "{wide}");
        assert_eq!(look.thin_clock_deg, Some(60.0));
        assert_eq!(look.thin_to_thick, 0.7);
    }

    #[test]
    fn a_known_true_field_needs_no_magnification() {
        let mut errors = FormErrors::new();
        let look = ByEyeFields {
            star_true_field: "30".to_owned(),
            star_magnification: String::new(),
            ..told()
        }
        .check(&mut errors)
        .unwrap();
        assert!((look.width.diameter_arcsec().unwrap() - 180.0).abs() < 1e-9);
    }

    #[test]
    fn twelve_o_clock_is_zero_degrees_and_nothing_told_is_nothing_given() {
        let mut errors = FormErrors::new();
        let look = ByEyeFields {
            star_clock: "12".to_owned(),
            ..told()
        }
        .check(&mut errors)
        .unwrap();
        assert_eq!(look.thin_clock_deg, Some(0.0));
        let blank = ByEyeFields {
            star_magnification: "150".to_owned(),
            star_diagonal: "yes".to_owned(),
            ..ByEyeFields::default()
        };
        assert!(!blank.is_given());
        assert!(told().is_given());
    }

    #[test]
    fn what_is_missing_is_named_with_its_mend() {
        let cases: [(&str, ByEyeFields); 4] = [
            (
                "star_ratio",
                ByEyeFields {
                    star_ratio: String::new(),
                    ..told()
                },
            ),
            (
                "star_share_of_field",
                ByEyeFields {
                    star_share_of_field: String::new(),
                    ..told()
                },
            ),
            (
                "star_magnification",
                ByEyeFields {
                    star_magnification: String::new(),
                    ..told()
                },
            ),
            (
                "star_thick_width",
                ByEyeFields {
                    star_thin_width: "2".to_owned(),
                    ..told()
                },
            ),
        ];
        for (field, fields) in cases {
            let mut errors = FormErrors::new();
            assert_eq!(fields.check(&mut errors), None, "{field}");
            assert!(!errors.of(field).is_empty(), "{field}: {errors:?}");
            assert_eq!(errors.all().len(), 1, "{errors:?}");
        }
    }

    #[test]
    fn two_widths_give_the_ratio_and_cannot_be_the_wrong_way_about() {
        let mut errors = FormErrors::new();
        let look = ByEyeFields {
            star_ratio: String::new(),
            star_thin_width: "3".to_owned(),
            star_thick_width: "4".to_owned(),
            ..told()
        }
        .check(&mut errors)
        .unwrap();
        assert!((look.thin_to_thick - 0.75).abs() < 1e-12 && look.by_two_widths);
        let wrong = ByEyeFields {
            star_thin_width: "4".to_owned(),
            star_thick_width: "3".to_owned(),
            ..told()
        };
        assert_eq!(wrong.check(&mut errors), None);
        assert!(errors.of("star_thin_width").contains("about"));
    }
}
