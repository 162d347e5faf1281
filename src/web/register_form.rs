//! The form that adds or edits an instrument: its fields as typed, and what they say
//! once checked.

use serde::{Deserialize, Serialize};

use super::fields::FormErrors;
use super::measures::{typed_clock, typed_length, typed_weight};
use super::show::trimmed;
use crate::library::adjusters::{Adjuster, AdjusterKind, Element, Head};
use crate::library::club::Club;
use crate::library::designs::{self, Usual};
use crate::library::instruments::{Design, Particulars};

/// The most parts a kit may list.
const MOST_PARTS: usize = 60;
/// The longest name of a part.
const LONGEST_PART: usize = 80;
/// The most screws.
const MOST_ADJUSTERS: usize = 24;
/// Empty rows offered below the screws there are.
const EMPTY_ROWS: usize = 3;

/// What is typed. Every field is text, so that nothing typed is lost.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RegisterForm {
    /// Tag.
    pub tag: String,
    /// Name.
    pub name: String,
    /// Design, its slug.
    pub design: String,
    /// Aperture, mm or inches.
    pub aperture: String,
    /// Focal length, mm or inches.
    pub focal: String,
    /// Obstruction, percent of the diameter.
    pub obstruction: String,
    /// Spider vanes.
    pub vanes: String,
    /// Weight, kg or lb.
    pub weight: String,
    /// Cool-down, minutes.
    pub cool_down: String,
    /// "yes" when used with a diagonal.
    pub diagonal: String,
    /// Where it lives.
    pub place: String,
    /// Replacement value in the club's currency.
    pub value: String,
    /// Notes.
    pub notes: String,
    /// Kit, one part a line.
    pub kit: String,
    /// Screws: labels.
    pub a_label: Vec<String>,
    /// Elements.
    pub a_element: Vec<String>,
    /// Clock positions.
    pub a_clock: Vec<String>,
    /// Thread pitches.
    pub a_pitch: Vec<String>,
    /// Levers.
    pub a_lever: Vec<String>,
    /// Kinds.
    pub a_kind: Vec<String>,
    /// Heads.
    pub a_head: Vec<String>,
    /// The instrument edited, which keeps its id when its tag changes.
    pub id: String,
    /// What the form held when it was opened, as JSON.
    pub base: String,
    /// "yes" where another instrument's former tag is to lead here from now on.
    pub former_ok: String,
    /// "keep" or "usual" where the design was changed; and which design that was said of.
    pub design_choice: String,
    /// See there.
    pub design_asked: String,
}

/// What the form says once checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The register entry.
    pub particulars: Particulars,
    /// Kit.
    pub kit: Vec<String>,
    /// Screws.
    pub adjusters: Vec<Adjuster>,
}

/// One screw's row as the page shows it.
pub struct AdjusterRow {
    /// Its place in the form, from 0.
    pub index: usize,
    /// As typed.
    pub label: String,
    /// As typed.
    pub element: String,
    /// As typed.
    pub clock: String,
    /// As typed.
    pub pitch: String,
    /// As typed.
    pub lever: String,
    /// As typed.
    pub kind: String,
    /// As typed.
    pub head: String,
}

impl AdjusterRow {
    /// The name under which a mend of one of its fields is kept.
    pub fn key(&self, field: &str) -> String {
        row_key(field, self.index)
    }

    fn is_empty(&self) -> bool {
        [&self.label, &self.clock, &self.pitch, &self.lever]
            .iter()
            .all(|text| text.trim().is_empty())
    }
}

fn row_key(field: &str, index: usize) -> String {
    format!("{field}-{index}")
}

impl RegisterForm {
    /// What is usual for a design, as one would type it.
    pub fn usual(club: &Club, design: Design, usual: &Usual) -> Self {
        let mut form = Self {
            name: designs::name(
                design,
                &super::show::length(club, usual.aperture_mm.round()),
            ),
            design: design.slug().to_owned(),
            aperture: typed_length(club, usual.aperture_mm),
            focal: typed_length(club, usual.focal_mm),
            obstruction: trimmed(usual.obstruction * 100.0, 1),
            vanes: usual.vane_count.to_string(),
            weight: typed_weight(club, usual.weight_kg),
            cool_down: usual.cool_down_min.to_string(),
            diagonal: yes(usual.uses_diagonal),
            kit: usual.kit.join("\n"),
            ..Self::default()
        };
        form.set_adjusters(&usual.adjusters);
        form
    }

    /// What the register says, as one would type it.
    pub fn of(club: &Club, p: &Particulars, kit: &[String], adjusters: &[Adjuster]) -> Self {
        let mut form = Self {
            tag: p.tag.clone(),
            name: p.name.clone(),
            design: p.design.slug().to_owned(),
            aperture: typed_length(club, p.aperture_mm),
            focal: typed_length(club, p.focal_mm),
            obstruction: trimmed(p.obstruction * 100.0, 2),
            vanes: p.vane_count.to_string(),
            weight: p
                .weight_kg
                .map(|kg| typed_weight(club, kg))
                .unwrap_or_default(),
            cool_down: p.cool_down_min.map(|m| m.to_string()).unwrap_or_default(),
            diagonal: yes(p.uses_diagonal),
            place: p.place.clone(),
            value: p
                .replacement_value_cents
                .map(|cents| trimmed(cents as f64 / 100.0, 2))
                .unwrap_or_default(),
            notes: p.notes.clone(),
            kit: kit.join("\n"),
            ..Self::default()
        };
        form.set_adjusters(adjusters);
        form
    }

    fn set_adjusters(&mut self, adjusters: &[Adjuster]) {
        self.a_label = adjusters.iter().map(|a| a.label.clone()).collect();
        self.a_element = adjusters
            .iter()
            .map(|a| a.element.slug().to_owned())
            .collect();
        self.a_clock = adjusters.iter().map(|a| typed_clock(a.clock_deg)).collect();
        self.a_pitch = adjusters.iter().map(|a| trimmed(a.pitch_mm, 4)).collect();
        self.a_lever = adjusters.iter().map(|a| trimmed(a.lever_mm, 2)).collect();
        self.a_kind = adjusters.iter().map(|a| a.kind.slug().to_owned()).collect();
        self.a_head = adjusters.iter().map(|a| a.head.slug().to_owned()).collect();
    }

    /// Line ends as one system writes them, so that texts can be compared.
    pub fn folded(mut self) -> Self {
        for text in [&mut self.kit, &mut self.notes] {
            *text = text.replace("\r\n", "\n");
        }
        let rows = self.adjuster_rows_given();
        self.set_rows(&rows);
        self
    }

    /// The screws' rows, with empty ones to fill below.
    pub fn adjuster_rows(&self) -> Vec<AdjusterRow> {
        let mut rows = self.adjuster_rows_given();
        let given = rows.len();
        for index in given..(given + EMPTY_ROWS).min(MOST_ADJUSTERS) {
            rows.push(self.row(index));
        }
        rows
    }

    fn row(&self, index: usize) -> AdjusterRow {
        let of = |list: &[String]| list.get(index).cloned().unwrap_or_default();
        AdjusterRow {
            index,
            label: of(&self.a_label),
            element: of(&self.a_element),
            clock: of(&self.a_clock),
            pitch: of(&self.a_pitch),
            lever: of(&self.a_lever),
            kind: of(&self.a_kind),
            head: of(&self.a_head),
        }
    }

    /// The rows in which something stands, closed up.
    pub(super) fn adjuster_rows_given(&self) -> Vec<AdjusterRow> {
        let longest = [&self.a_label, &self.a_clock, &self.a_pitch, &self.a_lever]
            .iter()
            .map(|list| list.len())
            .max()
            .unwrap_or(0);
        (0..longest)
            .map(|index| self.row(index))
            .filter(|row| !row.is_empty())
            .enumerate()
            .map(|(index, row)| AdjusterRow { index, ..row })
            .collect()
    }

    pub(super) fn set_rows(&mut self, rows: &[AdjusterRow]) {
        let of = |pick: fn(&AdjusterRow) -> &String| rows.iter().map(|r| pick(r).clone()).collect();
        self.a_label = of(|r| &r.label);
        self.a_element = of(|r| &r.element);
        self.a_clock = of(|r| &r.clock);
        self.a_pitch = of(|r| &r.pitch);
        self.a_lever = of(|r| &r.lever);
        self.a_kind = of(|r| &r.kind);
        self.a_head = of(|r| &r.head);
    }

    /// What the form says, or what must be mended.
    pub fn check(&self) -> Result<Checked, FormErrors> {
        let mut errors = FormErrors::new();
        let tag = check_tag(&mut errors, &self.tag);
        let name = errors.text("name", "Name", &self.name, 80);
        let design = errors.word::<Design>("design", "Design", &self.design);
        let aperture_mm = errors.length_mm("aperture", "Aperture", &self.aperture, 10.0..=2000.0);
        let focal_mm = errors.length_mm("focal", "Focal length", &self.focal, 20.0..=40_000.0);
        let ratio = focal_mm / aperture_mm;
        if ratio.is_finite() && !(1.0..=60.0).contains(&ratio) {
            errors.add(
                "focal",
                format!(
                    "Focal length: with this aperture that would be f/{}. Check both, and write inches with their unit, as 8 in.",
                    trimmed(ratio, 1)
                ),
            );
        }
        let obstruction = errors
            .optional_number("obstruction", "Obstruction", &self.obstruction, 0.0..=85.0)
            .unwrap_or(0.0)
            / 100.0;
        if let Some(design) = design
            && design.is_obstructed()
            && obstruction == 0.0
            && errors.of("obstruction").is_empty()
        {
            errors.add(
                "obstruction",
                format!("Obstruction: a {design} has one. Give the secondary holder's width in percent of the aperture."),
            );
        }
        let vane_count = errors
            .optional_whole("vanes", "Vanes", &self.vanes, 0..=12)
            .unwrap_or(0);
        let weight_kg = errors.optional_weight_kg("weight", "Weight", &self.weight, 0.05..=500.0);
        let cool_down_min =
            errors.optional_whole("cool_down", "Cool-down", &self.cool_down, 0..=600);
        let place = errors.optional_text("place", "Place", &self.place, 80);
        let value =
            errors.optional_number("value", "Replacement value", &self.value, 0.0..=1_000_000.0);
        let notes = errors.optional_text("notes", "Notes", &self.notes, 4000);
        let kit = check_kit(&mut errors, &self.kit);
        let adjusters = self.check_adjusters(&mut errors);
        match design {
            Some(design) if errors.is_empty() => Ok(Checked {
                particulars: Particulars {
                    tag,
                    name,
                    design,
                    aperture_mm,
                    focal_mm,
                    obstruction,
                    vane_count,
                    weight_kg,
                    cool_down_min,
                    uses_diagonal: self.diagonal == "yes",
                    replacement_value_cents: value.map(|v| (v * 100.0).round() as i64),
                    place,
                    notes,
                },
                kit,
                adjusters,
            }),
            _ => Err(errors),
        }
    }

    fn check_adjusters(&self, errors: &mut FormErrors) -> Vec<Adjuster> {
        let rows = self.adjuster_rows_given();
        if rows.len() > MOST_ADJUSTERS {
            errors.add(
                "a_label-0",
                format!("Adjusters: at most {MOST_ADJUSTERS} fit."),
            );
            return Vec::new();
        }
        let mut screws: Vec<Adjuster> = Vec::new();
        for row in &rows {
            let say = |what: &str| format!("Adjuster {}, {what}", row.index + 1);
            let label = errors.text(&row.key("a_label"), &say("mark"), &row.label, 20);
            if !label.is_empty() && screws.iter().any(|s| s.label.eq_ignore_ascii_case(&label)) {
                errors.add(
                    &row.key("a_label"),
                    format!(
                        "{}: {label} is on another adjuster already. Give each its own.",
                        say("mark")
                    ),
                );
            }
            let element =
                errors.word::<Element>(&row.key("a_element"), &say("what it tilts"), &row.element);
            let clock_deg =
                errors.clock_deg(&row.key("a_clock"), &say("clock position"), &row.clock);
            let pitch_mm =
                errors.thread_pitch_mm(&row.key("a_pitch"), &say("thread pitch"), &row.pitch);
            let lever_mm =
                errors.length_mm(&row.key("a_lever"), &say("lever"), &row.lever, 0.5..=1000.0);
            let kind =
                errors.word::<AdjusterKind>(&row.key("a_kind"), &say("how it works"), &row.kind);
            let head = errors.word::<Head>(&row.key("a_head"), &say("what turns it"), &row.head);
            if let (Some(element), Some(kind), Some(head)) = (element, kind, head) {
                screws.push(Adjuster {
                    label,
                    element,
                    clock_deg,
                    pitch_mm,
                    lever_mm,
                    kind,
                    head,
                });
            }
        }
        screws
    }
}

fn yes(is: bool) -> String {
    if is { "yes" } else { "" }.to_owned()
}

/// A tag stands on a label and in addresses: letters, digits and hyphens,
/// beginning and ending with one of the first two.
pub fn check_tag(errors: &mut FormErrors, typed: &str) -> String {
    let tag = typed.trim().to_owned();
    let well_formed = (2..=12).contains(&tag.len())
        && tag.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
        && !tag.starts_with('-')
        && !tag.ends_with('-');
    if !well_formed {
        errors.add(
            "tag",
            "Tag: give 2 to 12 letters, digits and hyphens, such as N203 or SC-8, beginning and ending with a letter or digit.",
        );
    }
    tag
}

fn check_kit(errors: &mut FormErrors, typed: &str) -> Vec<String> {
    let text = errors.optional_text("kit", "Kit", typed, MOST_PARTS * (LONGEST_PART + 1));
    let mut parts: Vec<String> = Vec::new();
    for line in text.lines().map(str::trim).filter(|l| !l.is_empty()) {
        if line.chars().count() > LONGEST_PART {
            errors.add(
                "kit",
                format!(
                    "Kit: \"{line}\" is long for one part; shorten it to {LONGEST_PART} characters."
                ),
            );
        }
        if parts
            .iter()
            .any(|p| p.to_lowercase() == line.to_lowercase())
        {
            errors.add(
                "kit",
                format!("Kit: {line} stands there twice. Number them, as \"{line} (2)\"."),
            );
        }
        parts.push(line.to_owned());
    }
    if parts.len() > MOST_PARTS {
        errors.add("kit", format!("Kit: at most {MOST_PARTS} parts."));
    }
    parts
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn form(design: Design) -> RegisterForm {
        let club = Club::default();
        let usual = designs::usual(design, None, None);
        RegisterForm {
            tag: "X-1".to_owned(),
            ..RegisterForm::usual(&club, design, &usual)
        }
    }

    #[test]
    fn the_usual_of_every_design_passes_and_comes_back_the_same() {
        for &design in Design::ALL {
            let checked = form(design).check().unwrap();
            let again = RegisterForm::of(
                &Club::default(),
                &checked.particulars,
                &checked.kit,
                &checked.adjusters,
            );
            assert_eq!(again.check().unwrap(), checked, "{design}");
        }
    }

    #[test]
    fn tags_are_letters_digits_and_hyphens() {
        for tag in ["N1", "SC-203-B", "abcdefghijkl"] {
            let mut f = form(Design::Newtonian);
            f.tag = tag.to_owned();
            assert!(f.check().is_ok(), "{tag}");
        }
        for tag in [
            "",
            "N",
            "N 1",
            "-N1",
            "N1-",
            "N1/2",
            "N\u{fc}",
            "abcdefghijklm",
            "../x",
        ] {
            let mut f = form(Design::Newtonian);
            f.tag = tag.to_owned();
            assert!(
                f.check().unwrap_err().of("tag").contains("hyphens"),
                "{tag}"
            );
        }
    }

    #[test]
    fn inches_without_a_unit_are_caught_by_the_focal_ratio() {
        let mut f = form(Design::Newtonian);
        f.aperture = "12".to_owned();
        f.focal = "1524".to_owned();
        assert!(f.check().unwrap_err().of("focal").contains("f/127"));
    }

    #[test]
    fn a_row_left_empty_is_no_screw_and_a_half_filled_one_is_named() {
        let mut f = form(Design::SchmidtCassegrain);
        for list in [
            &mut f.a_label,
            &mut f.a_clock,
            &mut f.a_pitch,
            &mut f.a_lever,
        ] {
            list.insert(1, " ".to_owned());
        }
        for list in [&mut f.a_element, &mut f.a_kind, &mut f.a_head] {
            list.insert(1, String::new());
        }
        assert_eq!(f.check().unwrap().adjusters.len(), 3);
        f.a_label[1] = "S9".to_owned();
        let errors = f.check().unwrap_err();
        assert!(errors.of("a_clock-1").contains("Adjuster 2"), "{errors:?}");
        assert!(
            errors.of("a_element-1").contains("choose one"),
            "{errors:?}"
        );
    }
}
