//! What kind of thing words name, from a column of kinds or from a name.

use library::things::Kind;

use super::words::{design, folded, has};

/// The kinds of things by the nouns that name them.
const NOUNS: &[(Kind, &[&str])] = &[
    (
        Kind::Mount,
        &[
            "mount",
            "mounts",
            "mounting",
            "mountings",
            "altaz",
            "wedge",
            "pier",
        ],
    ),
    (Kind::Tripod, &["tripod*"]),
    (Kind::Eyepiece, &["eyepiece*", "ocular*", "ep"]),
    (Kind::Filter, &["filter*"]),
    (Kind::Finder, &["finder*"]),
    (Kind::Camera, &["camera*", "webcam*"]),
    (
        Kind::Battery,
        &["battery", "batteries", "accumulator*", "powerbank*"],
    ),
    (
        Kind::Case,
        &["case", "cases", "bag", "bags", "box", "boxes", "rucksack*"],
    ),
    (
        Kind::Book,
        &[
            "book*",
            "atlas*",
            "chart*",
            "map",
            "maps",
            "handbook*",
            "planisphere*",
            "magazine*",
        ],
    ),
    (
        Kind::Other,
        &[
            "other",
            "misc",
            "miscellaneous",
            "various",
            "sundr*",
            "accessor*",
        ],
    ),
];

/// What words say before they tell what it is for, with or on: "solar filter" of "solar
/// filter for 8 in Newtonian".
fn head(text: &str) -> String {
    let text = text.to_lowercase();
    let end = text
        .find([',', ';', '(', '+', '&', ':'])
        .unwrap_or(text.len());
    let words = folded(&text[..end]);
    let joins = |word: &&str| {
        matches!(
            *word,
            "with" | "for" | "on" | "of" | "and" | "incl" | "including" | "to"
        )
    };
    let head: Vec<&str> = words.split(' ').take_while(|w| !joins(w)).collect();
    head.join(" ")
}

/// The kind of thing that words name: by the last noun of their head, unless a design
/// stands after it. "Battery 12 V" is a battery, a "battery case" a case, a "Newtonian on
/// EQ mount" no thing.
pub fn thing(text: &str) -> Option<Kind> {
    let head = head(text);
    if let Some(&kind) = Kind::of_things()
        .iter()
        .find(|k| folded(k.label()) == head || k.slug() == head)
    {
        return Some(kind);
    }
    let words: Vec<&str> = head.split(' ').collect();
    let noun = |word: &str| NOUNS.iter().find(|(_, nouns)| has(word, nouns));
    let at = words.iter().rposition(|word| noun(word).is_some())?;
    let after = words[at + 1..].join(" ");
    let (kind, _) = noun(words[at])?;
    design(&after).is_none().then_some(*kind)
}

/// Whether words name an instrument, whatever its design.
pub fn instrument(text: &str) -> bool {
    let telescopes = &["telescope*", "scope*", "instrument*", "refractor*", "ota"];
    design(text).is_some() || has(&folded(text), telescopes)
}

/// The words by which a thing of a doubtful kind is asked about once, without sizes:
/// "dew heater" of "Dew heater 8 in (12 V)".
pub fn doubtful(text: &str) -> String {
    let head = head(text);
    let is_size = |word: &&str| {
        word.contains(|c: char| c.is_ascii_digit())
            || matches!(
                *word,
                "mm" | "cm" | "in" | "inch" | "v" | "ah" | "x" | "m" | "kg"
            )
    };
    let words: Vec<&str> = head.split(' ').filter(|w| !is_size(w)).collect();
    match words.is_empty() {
        true => head,
        false => words.join(" "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn things_are_known_by_the_noun_that_says_what_they_are() {
        for (words, known) in [
            ("EQ mount", Some(Kind::Mount)),
            ("25 mm eyepiece", Some(Kind::Eyepiece)),
            ("UHC filter", Some(Kind::Filter)),
            ("battery 12 V", Some(Kind::Battery)),
            ("Battery case", Some(Kind::Case)),
            ("Camera battery", Some(Kind::Battery)),
            ("Solar filter for 8 in Newtonian", Some(Kind::Filter)),
            ("Tripod, steel", Some(Kind::Tripod)),
            ("Finderscope 8x50", Some(Kind::Finder)),
            ("Star atlas", Some(Kind::Book)),
            ("Telescope case", Some(Kind::Case)),
            ("Eyepieces", Some(Kind::Eyepiece)),
            ("other thing", Some(Kind::Other)),
            ("Accessories", Some(Kind::Other)),
            ("Newtonian on EQ mount", None),
            ("8\" f/6 Newtonian with case", None),
            ("Finder Newtonian", None),
            ("dew heater", None),
            ("", None),
        ] {
            assert_eq!(thing(words), known, "{words}");
        }
        for (words, asked) in [
            ("Dew heater 8 in (12 V)", "dew heater"),
            ("dew heater, 5 inch", "dew heater"),
            ("2x", "2x"),
        ] {
            assert_eq!(doubtful(words), asked);
        }
        assert!(instrument("Telescope") && instrument("SCT") && !instrument("dew heater"));
    }
}
