//! The register: what bears which tag, what kind of thing a row tells of, and the things
//! that go with instruments.

use std::collections::HashMap;

use library::instruments::Status;
use library::intake::{BroughtThing, Known};
use library::things::{self, Kind, Sort};
use library::{InstrumentId, KitPartId};

use super::{Line, NotTaken, Planner, Row, Taken, nouns, words};
use crate::fields::{self, Field};

/// What is known of one instrument or thing.
pub(super) struct Thing {
    pub(super) tag: String,
    pub(super) sort: Sort,
    /// Aperture, mm, and obstruction.
    pub(super) optics: Option<(f64, f64)>,
    pub(super) status: Status,
    pub(super) kit: Vec<(KitPartId, String)>,
    pub(super) brought: bool,
}

/// Every instrument and thing, there already or brought.
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
        for known in &known.things {
            let thing = Thing {
                tag: known.tag.clone(),
                sort: known.sort,
                optics: known.optics,
                status: known.status,
                kit: known.kit.clone(),
                brought: false,
            };
            register.add(known.id, thing);
        }
        register
    }

    pub(super) fn add(&mut self, id: InstrumentId, thing: Thing) {
        self.by_tag.insert(thing.tag.to_uppercase(), id);
        self.all.insert(id, thing);
    }

    /// What bears a written tag, or bore it before.
    pub(super) fn find(&self, written: &str) -> Option<InstrumentId> {
        let tag = cleaned(written).to_uppercase();
        self.by_tag
            .get(&tag)
            .or_else(|| self.former.get(&tag))
            .copied()
    }

    /// Notes that its own row was not taken.
    pub(super) fn miss(&mut self, written: &str, why: NotTaken) {
        self.missed.insert(cleaned(written).to_uppercase(), why);
    }

    /// Why what the lists tell of is not there.
    pub(super) fn not_taken(&self, written: &str) -> Option<NotTaken> {
        self.missed.get(&cleaned(written).to_uppercase()).copied()
    }

    pub(super) fn thing(&self, id: InstrumentId) -> Option<&Thing> {
        self.all.get(&id)
    }

    pub(super) fn thing_mut(&mut self, id: InstrumentId) -> Option<&mut Thing> {
        self.all.get_mut(&id)
    }

    pub(super) fn tag(&self, id: InstrumentId) -> &str {
        self.all.get(&id).map_or("", |thing| &thing.tag)
    }
}

/// A broken thing has no bench to go to.
const STATUSES_OF_THINGS: &[(Status, &str, &str)] = &[
    (Status::Shelf, "shelf", "on the shelf, or on loan"),
    (Status::Missing, "missing", "missing"),
    (Status::Retired, "retired", "retired"),
];

/// What a row of the register tells of its kind.
enum Told {
    Instrument,
    Thing(Kind),
    /// By these words it cannot be told.
    Doubtful(String),
}

/// What a row tells by itself: by its kind or design, else by its name.
fn told(line: Line<'_>) -> Told {
    let said = [Field::Kind, Field::Design].map(|field| line.text(field));
    let kinds = || said.iter().filter_map(|text| nouns::thing(text));
    if let Some(kind) = kinds().find(|kind| *kind != Kind::Other) {
        return Told::Thing(kind);
    }
    let name = line.text(Field::Name);
    let tells = |field| !line.cell(field).is_empty();
    let has_focal = tells(Field::Focal) || tells(Field::Ratio);
    let has_optics = tells(Field::Optics) || tells(Field::Aperture) && has_focal;
    let is_instrument = |text: &String| nouns::instrument(text);
    match nouns::thing(&name) {
        _ if has_optics || said.iter().any(is_instrument) => Told::Instrument,
        Some(kind) => Told::Thing(kind),
        None if tells(Field::Aperture) || is_instrument(&name) => Told::Instrument,
        _ if kinds().next().is_some() => Told::Thing(Kind::Other),
        _ => {
            let mut all = said.iter().chain([&name]).map(|text| nouns::doubtful(text));
            Told::Doubtful(all.find(|text| !text.is_empty()).unwrap_or_default())
        }
    }
}

/// Whether all rows of a sheet that tell their kind are things.
pub(super) fn lists_things<'a>(mut lines: impl Iterator<Item = Line<'a>>) -> bool {
    let mut things = 0;
    let only = lines.all(|line| match told(line) {
        Told::Instrument => false,
        Told::Thing(_) => {
            things += 1;
            true
        }
        Told::Doubtful(_) => true,
    });
    only && things > 0
}

pub(super) fn status_reason(status: Status) -> String {
    match status {
        Status::Shelf => String::new(),
        _ => "As the club's list says".to_owned(),
    }
}

impl Planner<'_> {
    /// A row of the register: an instrument's or a thing's, and what became of it.
    pub(super) fn registered(&mut self, line: Line<'_>) -> (fields::Kind, Taken<Row>) {
        let counted = |is_thing| match is_thing {
            true => fields::Kind::Things,
            false => fields::Kind::Instruments,
        };
        let told = told(line);
        let listed_as = match &told {
            Told::Thing(_) => fields::Kind::Things,
            Told::Instrument => fields::Kind::Instruments,
            Told::Doubtful(_) => line.choice.kind,
        };
        let tag = match self.new_tag(line, &told) {
            Ok(Some(tag)) => tag,
            Ok(None) => return (listed_as, Ok(Row::Known)),
            Err(why) => return (listed_as, Err(why)),
        };
        let kind = match told {
            Told::Instrument => None,
            Told::Thing(kind) => Some(kind),
            Told::Doubtful(asked) => match self.ask_kind(line, &asked) {
                Ok(kind) => kind,
                Err(why) => return (listed_as, Err(why)),
            },
        };
        let done = match kind {
            None => self.instrument(line, tag),
            Some(kind) => self.thing(line, tag, kind),
        };
        (counted(kind.is_some()), done)
    }

    /// The tag of a row, where it is a new one; none where it is there already.
    fn new_tag(&mut self, line: Line<'_>, told: &Told) -> Taken<Option<String>> {
        let written = line.text(Field::Tag);
        let tag = cleaned(&written);
        let well_formed = (2..=12).contains(&tag.len())
            && tag.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
        if !well_formed {
            let words = match written.is_empty() {
                true => "No tag stands here. Give each its own, of 2 to 12 letters, digits and hyphens, such as N203.".to_owned(),
                false => format!("\u{201c}{written}\u{201d} cannot be a tag. Write 2 to 12 letters, digits and hyphens, such as N203."),
            };
            return self.fault(line, Field::Tag, words);
        }
        let upper = tag.to_uppercase();
        let there = self.things.by_tag.get(&upper);
        if let Some(there) = there.and_then(|id| self.things.all.get(id)) {
            let other = match (told, there.sort) {
                (Told::Instrument, Sort::Kind(_)) => "a thing",
                (Told::Thing(_), Sort::Design(_)) => "an instrument",
                _ if !there.brought => return Ok(None),
                _ => "what stands in an earlier row",
            };
            let words = format!("The tag {tag} is that of {other}. Give each its own.");
            return self.fault(line, Field::Tag, words);
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
        Ok(Some(tag))
    }

    /// What these words mean, asked once; none is an instrument.
    fn ask_kind(&mut self, line: Line<'_>, asked: &str) -> Taken<Option<Kind>> {
        let field = [Field::Kind, Field::Design, Field::Name]
            .into_iter()
            .find(|field| !line.cell(*field).is_empty());
        let Some(field) = field else {
            // Nothing tells what it is: the sheet says which words are wanting.
            if line.choice.kind == fields::Kind::Instruments {
                return Ok(None);
            }
            let field = match line.column(Field::Kind) {
                Some(_) => Field::Kind,
                None => Field::Name,
            };
            let words = "Nothing here tells what it is. Write its kind or its name, such as tripod or 25 mm eyepiece.";
            return self.fault(line, field, words);
        };
        let options = || {
            let kinds = Kind::of_things().iter();
            kinds
                .chain([&Kind::Instrument])
                .map(|k| (k.slug().to_owned(), k.label().to_owned()))
                .collect()
        };
        let words = || format!("What kind of thing is \u{201c}{asked}\u{201d}?");
        let suggested = Some(Kind::Other.slug().to_owned());
        let key = format!("word:kind:{asked}");
        let answer = self.ask(key, words, line.place(field), options, suggested);
        match answer.and_then(|slug| slug.parse().ok()) {
            None => Err(NotTaken::Waiting),
            Some(Kind::Instrument) => Ok(None),
            Some(kind) => Ok(Some(kind)),
        }
    }

    fn thing(&mut self, line: Line<'_>, tag: String, kind: Kind) -> Taken<Row> {
        let status = |text: &str| {
            let read = words::status(text);
            match words::is_lost(text) {
                true => Some(Status::Missing),
                false => read.filter(|s| !matches!(s, Status::Held | Status::Bench)),
            }
        };
        let asked = (Field::Status, "thing-status");
        let status = self.word_as(line, asked, status, STATUSES_OF_THINGS)?;
        let status = status.unwrap_or(Status::Shelf);
        let value = self.value(line)?;
        let name = [Field::Name, Field::Kind, Field::Design]
            .map(|field| line.text(field))
            .into_iter()
            .find(|text| !text.is_empty())
            .unwrap_or_else(|| kind.label().to_owned());
        let id = InstrumentId::fresh();
        let thing = Thing {
            tag: tag.clone(),
            sort: Sort::Kind(kind),
            optics: None,
            status,
            kit: Vec::new(),
            brought: true,
        };
        self.things.add(id, thing);
        self.plan.batch.things.push(BroughtThing {
            id,
            particulars: things::Particulars {
                tag,
                kind,
                name: name.chars().take(80).collect(),
                place: line.text(Field::Place).chars().take(80).collect(),
                replacement_value_cents: value,
                notes: line.text(Field::Note).chars().take(4000).collect(),
            },
            status,
            status_reason: status_reason(status),
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
