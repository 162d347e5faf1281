//! Instruments.

use library::InstrumentId;
use library::club::Units;
use library::designs;
use library::instruments::{Design, Particulars, Status};
use library::intake::BroughtInstrument;
use library::measures::INCH_MM;
use library::things::Sort;

use super::things::{Thing, status_reason};
use super::{Line, Planner, Row, Taken, words};
use crate::cells::Cell;
use crate::fields::{self, Field};

const STATUSES: &[(Status, &str, &str)] = &[
    (Status::Shelf, "shelf", "on the shelf, or on loan"),
    (Status::Held, "held", "held for the bench"),
    (Status::Bench, "bench", "at the bench"),
    (Status::Retired, "retired", "retired"),
];

fn designs_offered() -> Vec<(Design, &'static str, &'static str)> {
    Design::ALL
        .iter()
        .map(|d| (*d, d.slug(), d.label()))
        .collect()
}

/// What is known of the optics of a row.
struct Sizes {
    aperture_mm: f64,
    focal_mm: f64,
}

impl Planner<'_> {
    pub(super) fn instrument(&mut self, line: Line<'_>, tag: String) -> Taken<Row> {
        let design = self.design(line)?;
        let sizes = self.sizes(line, design)?;
        let usual = designs::usual(design, Some(sizes.aperture_mm), Some(sizes.focal_mm));
        let obstruction = match self.number(line, Field::Obstruction, 0.0..=85.0)? {
            None => usual.obstruction,
            Some(share) if share < 1.0 => share,
            Some(percent) => percent / 100.0,
        };
        let obstruction = if design.is_obstructed() && obstruction == 0.0 {
            usual.obstruction
        } else {
            obstruction
        };
        let vanes = self.number(line, Field::Vanes, 0.0..=12.0)?;
        let weight_kg = self.measure(line, Field::Weight, 0.05..=500.0)?;
        let cool = self.number(line, Field::CoolDown, 0.0..=600.0)?;
        let diagonal = match line.cell(Field::Diagonal) {
            Cell::Empty => usual.uses_diagonal,
            cell => match words::yes_no(&cell.text()) {
                Some(is) => is,
                None => return self.fault(line, Field::Diagonal, "Write yes or no."),
            },
        };
        let value = self.value(line)?;
        let status = self
            .word(line, Field::Status, words::status, STATUSES)?
            .unwrap_or(Status::Shelf);
        if line.column(Field::Obstruction).is_none() || line.column(Field::CoolDown).is_none() {
            self.plan.notes.insert(
                "What the lists do not tell of obstruction, vanes, cool-down and screws is taken as usual for the design. Correct it with the instrument before you."
                    .to_owned(),
            );
        }
        let name = match line.text(Field::Name) {
            name if name.is_empty() => designs::name(design, &self.length(sizes.aperture_mm)),
            name => name.chars().take(80).collect(),
        };
        let id = InstrumentId::fresh();
        let kit = self.kit_list(line, id)?;
        let thing = Thing {
            tag: tag.clone(),
            sort: Sort::Design(design),
            optics: Some((sizes.aperture_mm, obstruction)),
            status,
            kit: kit.iter().map(|p| (p.id, p.name.clone())).collect(),
            brought: true,
        };
        self.things.add(id, thing);
        let count = self.plan.counts.entry(fields::Kind::Kit).or_default();
        count.added += kit.len();
        self.plan.batch.kit.extend(kit);
        self.plan.batch.instruments.push(BroughtInstrument {
            id,
            particulars: Particulars {
                tag,
                name,
                design,
                aperture_mm: sizes.aperture_mm,
                focal_mm: sizes.focal_mm,
                obstruction,
                vane_count: vanes.map_or(usual.vane_count, |v| v.round() as i64),
                weight_kg,
                cool_down_min: cool.map_or(Some(usual.cool_down_min), |m| Some(m.round() as i64)),
                uses_diagonal: diagonal,
                replacement_value_cents: value,
                place: line.text(Field::Place).chars().take(80).collect(),
                notes: line.text(Field::Note).chars().take(4000).collect(),
            },
            status,
            status_reason: status_reason(status),
            adjusters: usual.adjusters,
        });
        Ok(Row::Added)
    }

    /// The design, from its own column or from the name.
    fn design(&mut self, line: Line<'_>) -> Taken<Design> {
        let offered = designs_offered();
        let told = line.text(Field::Design);
        let from_others = || {
            let kind = words::design(&line.text(Field::Kind));
            kind.or_else(|| words::design(&line.text(Field::Name)))
                .or_else(|| words::design(&line.text(Field::Optics)))
        };
        if told.is_empty() || words::design(&told).is_none() {
            // "Refractor" in the column, and which one in the name.
            if let Some(design) = from_others() {
                return Ok(design);
            }
        }
        if let Some(design) = self.word(line, Field::Design, words::design, &offered)? {
            return Ok(design);
        }
        let (field, what) = match line.column(Field::Design) {
            Some(_) => (Field::Design, "No design stands here"),
            None => (Field::Name, "No design can be told from this name"),
        };
        let words =
            format!("{what}. Write one, such as Newtonian, Schmidt–Cassegrain or achromat.");
        self.fault(line, field, words)
    }

    fn sizes(&mut self, line: Line<'_>, design: Design) -> Taken<Sizes> {
        let bare = |planner: &Self, field| planner.bare(line, field).unwrap_or(1.0);
        // "203/2032" may stand in a column of either name.
        let both = [Field::Optics, Field::Aperture, Field::Name]
            .map(|field| words::optics(&line.text(field), bare(self, field)));
        let mut aperture = match line.column(Field::Aperture) {
            Some(_)
                if both[1].aperture_mm.is_none()
                    || both[1].focal_mm.or(both[1].ratio).is_none() =>
            {
                self.measure(line, Field::Aperture, 10.0..=2000.0)?
            }
            _ => None,
        };
        aperture = aperture.or(both.iter().find_map(|o| o.aperture_mm));
        let Some(aperture_mm) = aperture.filter(|mm| (10.0..=2000.0).contains(mm)) else {
            let field = match line.column(Field::Aperture) {
                Some(_) => Field::Aperture,
                None => Field::Name,
            };
            return self.fault(
                line,
                field,
                "No aperture stands here. Write it as 203 mm or 8 in.",
            );
        };
        let written = line.text(Field::Focal);
        let as_ratio = words::optics(&written, 1.0).ratio;
        let mut focal = match as_ratio {
            Some(ratio) => Some(ratio * aperture_mm),
            None => self.measure(line, Field::Focal, 20.0..=40_000.0)?,
        };
        if focal.is_none() {
            let text = line.text(Field::Ratio);
            let ratio = match words::optics(&text, 1.0).ratio {
                Some(ratio) => Some(ratio),
                None => self.number(line, Field::Ratio, 1.0..=60.0)?,
            };
            focal = ratio.map(|ratio| ratio * aperture_mm);
        }
        focal = focal.or(both.iter().find_map(|o| o.focal_mm)).or(both
            .iter()
            .find_map(|o| o.ratio)
            .map(|ratio| ratio * aperture_mm));
        // Nobody knows that of binoculars, and nothing hangs on it.
        if focal.is_none() && matches!(design, Design::Binocular | Design::Solar) {
            focal = Some(designs::usual(design, Some(aperture_mm), None).focal_mm);
        }
        let at = match line.column(Field::Focal) {
            Some(_) => Field::Focal,
            None if line.column(Field::Ratio).is_some() => Field::Ratio,
            None => Field::Aperture,
        };
        let Some(focal_mm) = focal else {
            return self.fault(
                line,
                at,
                "No focal length stands here. Write it as 1200 mm, 48 in or f/6.",
            );
        };
        let focal_mm = (focal_mm * 100.0).round() / 100.0;
        let ratio = focal_mm / aperture_mm;
        if !(1.0..=60.0).contains(&ratio) || !(20.0..=40_000.0).contains(&focal_mm) {
            let words = format!(
                "With this aperture ({:.0} mm) the focal length would be f/{ratio:.1}. Check both and write their units, as 8 in and 1200 mm.",
                aperture_mm
            );
            return self.fault(line, at, words);
        }
        Ok(Sizes {
            aperture_mm: (aperture_mm * 100.0).round() / 100.0,
            focal_mm,
        })
    }

    fn length(&self, mm: f64) -> String {
        let (value, unit) = match self.club.units {
            Units::Metric => (mm, "mm"),
            Units::Imperial => (mm / INCH_MM, "in"),
        };
        format!("{} {unit}", (value * 10.0).round() / 10.0)
    }
}
