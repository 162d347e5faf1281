//! Ticking a kit off, part by part or all at once, when it goes out and when
//! it comes back.

use super::fields::FormErrors;
use crate::library::missing_kit::MissingPart;
use crate::library::{KitPartId, MissingKitId};

/// The fields, as sent.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(default)]
pub struct KitFields {
    /// The parts ticked, by their words.
    pub kit: Vec<String>,
    /// "yes" for all of it.
    pub kit_all: String,
    /// "yes" for none of it.
    pub kit_none: String,
}

/// Missing parts that are here again, as sent.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(default)]
pub struct FoundFields {
    /// Their ids.
    pub found: Vec<String>,
}

impl FoundFields {
    /// Whether a part is ticked.
    pub fn has(&self, id: &str) -> bool {
        self.found.iter().any(|f| f == id)
    }

    /// Those ticked of what is missing; one that somebody else has found meanwhile is
    /// passed over.
    pub fn check(&self, missing: &[MissingPart]) -> Vec<MissingKitId> {
        let ids = missing.iter().map(|m| m.id);
        ids.filter(|id| self.has(&id.to_string())).collect()
    }
}

/// One part as the page lists it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KitRow {
    /// The part.
    pub id: KitPartId,
    /// Its words; a second part of the same name gets a number.
    pub key: String,
    /// What is worth knowing of it.
    pub note: String,
}

/// The rows of a kit: id, name and note of each part.
pub fn rows(parts: impl IntoIterator<Item = (KitPartId, String, String)>) -> Vec<KitRow> {
    let mut rows: Vec<KitRow> = Vec::new();
    for (id, name, note) in parts {
        let mut key = name.clone();
        let mut count = 1;
        while rows.iter().any(|r| r.key == key) {
            count += 1;
            key = format!("{name} ({count})");
        }
        rows.push(KitRow { id, key, note });
    }
    rows
}

impl KitFields {
    /// Whether a part is ticked.
    pub fn has(&self, key: &str) -> bool {
        self.kit.iter().any(|k| k == key)
    }

    /// Whether anything was said of the kit.
    pub fn is_given(&self) -> bool {
        !self.kit.is_empty() || self.kit_all == "yes" || self.kit_none == "yes"
    }

    /// The parts that are there. Something must be said where there is a kit.
    pub fn check(&self, rows: &[KitRow], errors: &mut FormErrors) -> Option<Vec<KitPartId>> {
        if rows.is_empty() {
            return Some(Vec::new());
        }
        if self.kit_all == "yes" && self.kit_none == "yes" {
            errors.add("kit", "Kit: all of it, or none of it? Untick one.");
            return None;
        }
        if self.kit_all == "yes" {
            return Some(rows.iter().map(|r| r.id).collect());
        }
        if self.kit_none == "yes" {
            if !self.kit.is_empty() {
                errors.add(
                    "kit",
                    "Kit: parts are ticked, and so is \"none of it\". Untick one or the other.",
                );
                return None;
            }
            return Some(Vec::new());
        }
        if self.kit.is_empty() {
            errors.add(
                "kit",
                "Kit: tick all of it, the parts that are there, or none of it.",
            );
            return None;
        }
        if self.kit.iter().any(|k| !rows.iter().any(|r| r.key == *k)) {
            errors.add(
                "kit",
                "Kit: the list has changed since this page was opened. Tick it again.",
            );
            return None;
        }
        Some(
            rows.iter()
                .filter(|r| self.has(&r.key))
                .map(|r| r.id)
                .collect(),
        )
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn kit() -> Vec<KitRow> {
        rows(
            ["finder", "eyepiece", "eyepiece"]
                .map(|name| (KitPartId::fresh(), name.to_owned(), String::new())),
        )
    }

    fn told(kit: &[&str], all: &str, none: &str) -> KitFields {
        KitFields {
            kit: kit.iter().map(|k| (*k).to_owned()).collect(),
            kit_all: all.to_owned(),
            kit_none: none.to_owned(),
        }
    }

    #[test]
    fn parts_of_one_name_can_be_told_apart() {
        let keys: Vec<String> = kit().into_iter().map(|r| r.key).collect();
        assert_eq!(keys, ["finder", "eyepiece", "eyepiece (2)"]);
    }

    #[test]
    fn all_some_and_none_are_said_outright() {
        let rows = kit();
        let mut errors = FormErrors::new();
        let all = told(&[], "yes", "").check(&rows, &mut errors).unwrap();
        assert_eq!(all.len(), 3);
        let some = told(&["eyepiece (2)"], "", "")
            .check(&rows, &mut errors)
            .unwrap();
        assert_eq!(some, [rows[2].id]);
        let none = told(&[], "", "yes").check(&rows, &mut errors).unwrap();
        assert!(none.is_empty() && errors.is_empty());
    }

    #[test]
    fn nothing_said_or_two_things_at_once_is_asked_again() {
        let rows = kit();
        for fields in [
            told(&[], "", ""),
            told(&[], "yes", "yes"),
            told(&["finder"], "", "yes"),
            told(&["a part renamed"], "", ""),
        ] {
            let mut errors = FormErrors::new();
            assert_eq!(fields.check(&rows, &mut errors), None);
            assert!(errors.of("kit").starts_with("Kit: "), "{errors:?}");
        }
        let mut errors = FormErrors::new();
        assert_eq!(told(&[], "", "").check(&[], &mut errors), Some(vec![]));
    }
}
