//! What changed between two entries of the register, in words; and two edits of one
//! entry brought together.

use super::measures::typed_clock;
use super::register_form::{Checked, RegisterForm};
use super::show::trimmed;
use crate::library::adjusters::Adjuster;
use crate::library::club::Club;
use crate::library::instruments::Design;

/// What differs between two register entries, in words for the logbook.
/// Money and notes are not quoted.
pub fn changes(club: &Club, old: &Checked, new: &Checked) -> Vec<String> {
    let mut said = Vec::new();
    let (a, b) = (
        RegisterForm::of(club, &old.particulars, &old.kit, &old.adjusters),
        RegisterForm::of(club, &new.particulars, &new.kit, &new.adjusters),
    );
    for ((_, label, was), (_, _, is)) in a.plain_fields().into_iter().zip(b.plain_fields()) {
        if was != is {
            said.push(format!("{label}: {} to {}", or_none(&was), or_none(&is)));
        }
    }
    if old.particulars.replacement_value_cents != new.particulars.replacement_value_cents {
        said.push("replacement value changed".to_owned());
    }
    if old.particulars.notes != new.particulars.notes {
        said.push("notes changed".to_owned());
    }
    let lacks = |list: &[String], part: &String| !list.contains(part);
    let added: Vec<_> = new
        .kit
        .iter()
        .filter(|p| lacks(&old.kit, p))
        .cloned()
        .collect();
    let gone: Vec<_> = old
        .kit
        .iter()
        .filter(|p| lacks(&new.kit, p))
        .cloned()
        .collect();
    if !added.is_empty() {
        said.push(format!("kit, added: {}", added.join(", ")));
    }
    if !gone.is_empty() {
        said.push(format!("kit, taken out: {}", gone.join(", ")));
    }
    if added.is_empty() && gone.is_empty() && old.kit != new.kit {
        said.push("kit put in another order".to_owned());
    }
    if old.adjusters != new.adjusters {
        said.push(format!("adjusters: {}", screws_words(&new.adjusters)));
    }
    said
}

fn screws_words(screws: &[Adjuster]) -> String {
    if screws.is_empty() {
        return "none".to_owned();
    }
    screws
        .iter()
        .map(|s| {
            format!(
                "{} ({} at {}, {} mm pitch, {} mm lever)",
                s.label,
                s.element,
                typed_clock(s.clock_deg),
                trimmed(s.pitch_mm, 3),
                trimmed(s.lever_mm, 1)
            )
        })
        .collect::<Vec<_>>()
        .join("; ")
}

fn or_none(text: &str) -> &str {
    if text.is_empty() { "none" } else { text }
}

impl RegisterForm {
    /// The fields that are one short text each: name, label, what is typed.
    fn plain_fields(&self) -> Vec<(&'static str, &'static str, String)> {
        let design = self
            .design
            .parse::<Design>()
            .map_or_else(|_| self.design.clone(), |d| d.label().to_owned());
        let with = |text: &str, unit: &str| {
            if text.trim().is_empty() {
                String::new()
            } else {
                format!("{} {unit}", text.trim())
            }
        };
        vec![
            ("tag", "tag", self.tag.clone()),
            ("name", "name", self.name.clone()),
            ("design", "design", design),
            ("aperture", "aperture", self.aperture.clone()),
            ("focal", "focal length", self.focal.clone()),
            ("obstruction", "obstruction", with(&self.obstruction, "%")),
            ("vanes", "vanes", self.vanes.clone()),
            ("weight", "weight", self.weight.clone()),
            ("cool_down", "cool-down", with(&self.cool_down, "minutes")),
            (
                "diagonal",
                "used with a diagonal",
                if self.diagonal == "yes" { "yes" } else { "no" }.to_owned(),
            ),
            ("place", "place", self.place.clone()),
        ]
    }
}

/// One field that someone else has changed meanwhile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TheirChange {
    /// The field's name.
    pub field: &'static str,
    /// What changed, in words.
    pub words: String,
}

/// Brings two edits of the same entry together: fields that this form has not
/// touched take what the other edit wrote, all others keep what is typed here.
pub fn merge(
    base: &RegisterForm,
    theirs: &RegisterForm,
    typed: RegisterForm,
) -> (RegisterForm, Vec<TheirChange>) {
    let mut changes = Vec::new();
    let kept = |mine: bool| {
        if mine {
            " You typed something else, which stands below."
        } else {
            ""
        }
    };
    let labels = typed.plain_fields();
    for ((b, t), mine) in base
        .plain_fields()
        .into_iter()
        .zip(theirs.plain_fields())
        .zip(&labels)
    {
        if b.2 != t.2 {
            changes.push(TheirChange {
                field: b.0,
                words: format!(
                    "The {} was changed from {} to {}.{}",
                    b.1,
                    or_none(&b.2),
                    or_none(&t.2),
                    kept(mine.2 != b.2 && mine.2 != t.2)
                ),
            });
        }
    }
    let mut merged = typed.clone();
    macro_rules! take {
        ($($field:ident)*) => {$(
            if typed.$field == base.$field { merged.$field = theirs.$field.clone(); }
        )*};
    }
    take!(tag name design aperture focal obstruction vanes weight cool_down diagonal place value notes kit);
    let mut long = |field: &'static str, label: &str, changed: bool, mine: bool| {
        if changed {
            changes.push(TheirChange {
                field,
                words: format!("{label} changed.{}", kept(mine)),
            });
        }
    };
    long(
        "value",
        "The replacement value was",
        base.value != theirs.value,
        typed.value != base.value && typed.value != theirs.value,
    );
    long(
        "notes",
        "The notes were",
        base.notes != theirs.notes,
        typed.notes != base.notes && typed.notes != theirs.notes,
    );
    long(
        "kit",
        "The kit list was",
        base.kit != theirs.kit,
        typed.kit != base.kit && typed.kit != theirs.kit,
    );
    let screws = |form: &RegisterForm| {
        (
            form.a_label.clone(),
            form.a_element.clone(),
            form.a_clock.clone(),
            form.a_pitch.clone(),
            form.a_lever.clone(),
            form.a_kind.clone(),
            form.a_head.clone(),
        )
    };
    let (b, t, m) = (screws(base), screws(theirs), screws(&typed));
    long("a_label-0", "The adjusters were", b != t, m != b && m != t);
    if m == b {
        merged.set_rows(&theirs.adjuster_rows_given());
    }
    (merged, changes)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::library::designs;

    fn form(design: Design) -> RegisterForm {
        let usual = designs::usual(design, None, None);
        RegisterForm {
            tag: "X-1".to_owned(),
            ..RegisterForm::usual(&Club::default(), design, &usual)
        }
    }

    #[test]
    fn changes_name_fields_and_quote_no_money() {
        let old = form(Design::Newtonian).check().unwrap();
        assert!(changes(&Club::default(), &old, &old).is_empty());
        let mut f = form(Design::Newtonian);
        f.aperture = "8 in".to_owned();
        f.value = "640".to_owned();
        f.kit = f.kit.replace("Finder", "Red dot finder");
        let new = f.check().unwrap();
        let said = changes(&Club::default(), &old, &new);
        assert_eq!(
            said,
            [
                "aperture: 203 mm to 203.2 mm",
                "replacement value changed",
                "kit, added: Red dot finder",
                "kit, taken out: Finder",
            ]
        );
    }

    #[test]
    fn two_edits_of_different_fields_both_stand_and_of_the_same_keep_what_is_typed() {
        let base = form(Design::Newtonian);
        let mut theirs = base.clone();
        theirs.place = "Loft".to_owned();
        theirs.weight = "9.5 kg".to_owned();
        let mut mine = base.clone();
        mine.weight = "9.4 kg".to_owned();
        mine.cool_down = "50".to_owned();
        let (merged, changes) = merge(&base, &theirs, mine);
        assert_eq!(merged.place, "Loft");
        assert_eq!(merged.weight, "9.4 kg");
        assert_eq!(merged.cool_down, "50");
        let words: Vec<_> = changes.iter().map(|c| c.words.as_str()).collect();
        assert_eq!(
            words,
            [
                "The weight was changed from 9 kg to 9.5 kg. You typed something else, which stands below.",
                "The place was changed from none to Loft.",
            ]
        );
    }
}
