//! Four stars at the edges of the field, as told in a form.

use serde::Deserialize;

use super::super::fields::FormErrors;
use crate::bench::corners::{self, Drawn, FourStars, Oval};

/// Four stars, as told: at 12, 3, 6 and 9 o'clock of the picture.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct CornerFields {
    /// Side of focus.
    pub edge_side: String,
    /// How wide the donut is, arc seconds.
    pub edge_width: String,
    /// How far from the middle, arc minutes.
    pub edge_arcmin: String,
    /// Which way each is drawn out.
    pub drawn: Vec<String>,
    /// Short diameter over long one of each.
    pub oval: Vec<String>,
}

impl CornerFields {
    /// What was seen, or what to mend.
    pub fn check(&self, aperture_mm: f64, errors: &mut FormErrors) -> Option<FourStars> {
        let inside = match self.edge_side.as_str() {
            "inside" => Some(true),
            "outside" => Some(false),
            _ => {
                errors.add(
                    "edge_side",
                    "Side of focus: say which; without it the direction of the lean cannot be told.",
                );
                None
            }
        };
        let width = errors.number(
            "edge_width",
            "Donut\u{2019}s width",
            &self.edge_width,
            2.0..=200.0,
        );
        let edge = errors.number(
            "edge_arcmin",
            "From the middle",
            &self.edge_arcmin,
            3.0..=90.0,
        );
        let mut ovals = [Oval {
            drawn: Drawn::Round,
            ratio: 1.0,
        }; 4];
        for (i, oval) in ovals.iter_mut().enumerate() {
            let field = format!("oval-{i}");
            let side = ["12", "3", "6", "9"][i];
            oval.drawn = match self.drawn.get(i).map(String::as_str) {
                Some("round") => Drawn::Round,
                Some("middle") => Drawn::ToTheMiddle,
                Some("across") => Drawn::Across,
                _ => {
                    errors.add(
                        &field,
                        format!("Star at {side} o\u{2019}clock: say what it looks like."),
                    );
                    continue;
                }
            };
            if oval.drawn == Drawn::Round {
                continue;
            }
            let typed = self.oval.get(i).map_or("", String::as_str);
            let label = format!("Short over long at {side} o\u{2019}clock");
            match errors.optional_number(&field, &label, typed, 0.0..=1.0) {
                Some(ratio) if ratio < corners::LEAST_RATIO => errors.add(
                    &field,
                    format!("{label}: so drawn out it cannot be told. Go twice as far out of focus for all four, and say how wide the donut is then."),
                ),
                Some(ratio) => oval.ratio = ratio,
                None if errors.of(&field).is_empty() => {
                    errors.add(&field, format!("{label}: please fill this in."));
                }
                None => {}
            }
        }
        let inside = inside.filter(|_| errors.is_empty())?;
        Some(FourStars {
            ovals,
            inside,
            defocus_waves: corners::waves_of_width(width, aperture_mm),
            edge_arcmin: edge,
        })
    }
}
