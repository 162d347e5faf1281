//! Instruments and their kits.

use std::collections::HashMap;

use library::club::Units;
use library::designs;
use library::instruments::{Design, Particulars, Status};
use library::intake::{BroughtInstrument, BroughtPart, Known};
use library::measures::{self, INCH_MM};
use library::{InstrumentId, KitPartId};

use super::{Line, NotTaken, Planner, Row, Taken, words};
use crate::cells::Cell;
use crate::fields::Field;

/// What is known of one instrument.
pub(super) struct Thing {
    pub(super) tag: String,
    pub(super) aperture_mm: f64,
    pub(super) obstruction: f64,
    pub(super) status: Status,
    pub(super) kit: Vec<(KitPartId, String)>,
    brought: bool,
}

/// Every instrument, there already or brought.
pub(super) struct Register {
    all: HashMap<InstrumentId, Thing>,
    by_tag: HashMap<String, InstrumentId>,
    former: HashMap<String, InstrumentId>,
    /// Tags whose rows were not taken.
    missed: HashMap<String, NotTaken>,
}

/// A tag as it is compared: letters, digits and hyphens, all capitals; one figure
/// alone gets a zero before it, since a tag has two signs at least.
fn cleaned(written: &str) -> String {
    let mut tag = String::new();
    for c in written.trim().trim_start_matches('#').chars() {
        if c.is_ascii_alphanumeric() {
            tag.push(c);
        } else if matches!(c, '-' | '_' | '/' | '.' | '\u{2013}') && !tag.ends_with('-') {
            tag.push('-');
        } else if !c.is_whitespace() {
            tag.push(c);
        }
    }
    let tag = tag.trim_matches('-');
    match tag.len() {
        1 if tag.starts_with(|c: char| c.is_ascii_digit()) => format!("0{tag}"),
        _ => tag.to_owned(),
    }
}

impl Register {
    pub(super) fn of(known: &Known) -> Self {
        let mut register = Self {
            all: HashMap::new(),
            by_tag: HashMap::new(),
            missed: HashMap::new(),
            former: known
                .former_tags
                .iter()
                .map(|(tag, id)| (tag.to_uppercase(), *id))
                .collect(),
        };
        for i in &known.instruments {
            let thing = Thing {
                tag: i.tag.clone(),
                aperture_mm: i.aperture_mm,
                obstruction: i.obstruction,
                status: i.status,
                kit: i.kit.clone(),
                brought: false,
            };
            register.by_tag.insert(i.tag.to_uppercase(), i.id);
            register.all.insert(i.id, thing);
        }
        register
    }

    /// The instrument of a written tag, a former one too.
    pub(super) fn find(&self, written: &str) -> Option<InstrumentId> {
        let tag = cleaned(written).to_uppercase();
        self.by_tag
            .get(&tag)
            .or_else(|| self.former.get(&tag))
            .copied()
    }

    /// Notes that an instrument's own row was not taken.
    pub(super) fn miss(&mut self, written: &str, why: NotTaken) {
        self.missed.insert(cleaned(written).to_uppercase(), why);
    }

    /// Why an instrument that the lists tell of is not there.
    pub(super) fn not_taken(&self, written: &str) -> Option<NotTaken> {
        self.missed.get(&cleaned(written).to_uppercase()).copied()
    }

    pub(super) fn thing(&self, id: InstrumentId) -> Option<&Thing> {
        self.all.get(&id)
    }

    pub(super) fn tag(&self, id: InstrumentId) -> &str {
        self.all.get(&id).map_or("", |thing| &thing.tag)
    }
}

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
    pub(super) fn instrument(&mut self, line: Line<'_>) -> Taken<Row> {
        let written = line.text(Field::Tag);
        let tag = cleaned(&written);
        let well_formed = (2..=12).contains(&tag.len())
            && tag.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
        if !well_formed {
            let words = match written.is_empty() {
                true => "No tag stands here. Give each instrument one of 2 to 12 letters, digits and hyphens, such as N203.".to_owned(),
                false => format!("\u{201c}{written}\u{201d} cannot be a tag. Write 2 to 12 letters, digits and hyphens, such as N203."),
            };
            return self.fault(line, Field::Tag, words);
        }
        let upper = tag.to_uppercase();
        if let Some(there) = self.things.by_tag.get(&upper) {
            if self.things.all.get(there).is_some_and(|t| t.brought) {
                let words = format!(
                    "The tag {tag} stands in an earlier row too. Give each instrument its own."
                );
                return self.fault(line, Field::Tag, words);
            }
            return Ok(Row::Known);
        }
        if let Some(other) = self.things.former.get(&upper) {
            let words = format!(
                "{tag} was the tag of {} before, and old labels with it lead there. Write another.",
                self.things.tag(*other)
            );
            return self.fault(line, Field::Tag, words);
        }
        if tag != written {
            self.plan.notes.insert(
                "Tags are brought to letters, digits and hyphens: spaces go, and 7 becomes 07."
                    .to_owned(),
            );
        }
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
        let reason = match status {
            Status::Shelf => String::new(),
            _ => "As the club's list says".to_owned(),
        };
        self.things.by_tag.insert(upper, id);
        let thing = Thing {
            tag: tag.clone(),
            aperture_mm: sizes.aperture_mm,
            obstruction,
            status,
            kit: kit.iter().map(|p| (p.id, p.name.clone())).collect(),
            brought: true,
        };
        self.things.all.insert(id, thing);
        let count = self
            .plan
            .counts
            .entry(crate::fields::Kind::Kit)
            .or_default();
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
            status_reason: reason,
            adjusters: usual.adjusters,
        });
        Ok(Row::Added)
    }

    /// The design, from its own column or from the name.
    fn design(&mut self, line: Line<'_>) -> Taken<Design> {
        let offered = designs_offered();
        let told = line.text(Field::Design);
        let from_others = || {
            words::design(&line.text(Field::Name))
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

    fn value(&mut self, line: Line<'_>) -> Taken<Option<i64>> {
        let cell = line.cell(Field::Value);
        let amount = match cell {
            Cell::Empty => return Ok(None),
            Cell::Number(n) => Some(*n),
            other => measures::money(&other.text()),
        };
        match amount.filter(|a| (0.0..=1_000_000.0).contains(a)) {
            Some(amount) => Ok(Some((amount * 100.0).round() as i64)),
            None => {
                let words = format!(
                    "\u{201c}{}\u{201d} is no amount of {}. Write it as 640 or 640.50.",
                    cell.text(),
                    self.club.currency
                );
                self.fault(line, Field::Value, words)
            }
        }
    }

    fn length(&self, mm: f64) -> String {
        let (value, unit) = match self.club.units {
            Units::Metric => (mm, "mm"),
            Units::Imperial => (mm / INCH_MM, "in"),
        };
        format!("{} {unit}", (value * 10.0).round() / 10.0)
    }

    /// The parts that a cell lists, with commas, semicolons, plus signs or lines between.
    fn kit_list(&mut self, line: Line<'_>, instrument: InstrumentId) -> Taken<Vec<BroughtPart>> {
        let text = line.text(Field::KitList);
        let mut parts: Vec<BroughtPart> = Vec::new();
        for name in text.split([',', ';', '\n', '+']) {
            let name = name.split_whitespace().collect::<Vec<_>>().join(" ");
            if name.is_empty() {
                continue;
            }
            if name.chars().count() > 80 {
                return self.fault(
                    line,
                    Field::KitList,
                    "A part's name has 80 letters at most. Put commas between the parts.",
                );
            }
            let same = |p: &&BroughtPart| {
                p.name.to_lowercase() == name.to_lowercase()
                    || p.name
                        .to_lowercase()
                        .starts_with(&format!("{} (", name.to_lowercase()))
            };
            let before = parts.iter().filter(same).count();
            let name = match before {
                0 => name,
                n => format!("{name} ({})", n + 1),
            };
            parts.push(BroughtPart {
                id: KitPartId::fresh(),
                instrument,
                ordinal: parts.len() as i64,
                name,
            });
        }
        if parts.len() > 60 {
            return self.fault(line, Field::KitList, "A kit has 60 parts at most.");
        }
        Ok(parts)
    }

    pub(super) fn part(&mut self, line: Line<'_>) -> Taken<Row> {
        let name = line
            .text(Field::Part)
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        if name.is_empty() {
            return self.fault(
                line,
                Field::Part,
                "No part stands here. Write it, or take the row out.",
            );
        }
        if name.chars().count() > 80 {
            return self.fault(
                line,
                Field::Part,
                "A part's name has 80 letters at most. Shorten it.",
            );
        }
        let instrument = self.instrument_of(line)?;
        let Some(thing) = self.things.all.get_mut(&instrument) else {
            return Ok(Row::Known);
        };
        if thing
            .kit
            .iter()
            .any(|(_, part)| part.to_lowercase() == name.to_lowercase())
        {
            return Ok(Row::Known);
        }
        let id = KitPartId::fresh();
        let ordinal = thing.kit.len() as i64;
        thing.kit.push((id, name.clone()));
        self.plan.batch.kit.push(BroughtPart {
            id,
            instrument,
            ordinal,
            name,
        });
        Ok(Row::Added)
    }
}

#[cfg(test)]
mod tests {
    use super::cleaned;

    #[test]
    fn a_tag_is_brought_to_what_a_label_bears() {
        for (written, tag) in [
            (" N 203 ", "N203"),
            ("SC_8", "SC-8"),
            ("#12", "12"),
            ("7", "07"),
            ("T.4", "T-4"),
            ("N203", "N203"),
        ] {
            assert_eq!(cleaned(written), tag);
        }
    }
}
