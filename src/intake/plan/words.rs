//! Words of a club's own lists, taken for the words used here.

use library::instruments::{Design, Status};
use library::journeys::JourneyKind;
use library::people::Role;
use library::star_tests::FocusSide;

/// A role, or a guest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// On the list with a role.
    Role(Role),
    /// Borrows without being a member.
    Guest,
}

/// In small letters, one space between words, other signs left out.
pub fn folded(text: &str) -> String {
    let mut folded = String::new();
    for c in text.to_lowercase().chars() {
        if c.is_alphanumeric() {
            folded.push(c);
        } else if !folded.ends_with(' ') {
            folded.push(' ');
        }
    }
    folded.trim().to_owned()
}

/// Whether a word stands in the text, or begins one where it ends in `*`.
pub(super) fn has(text: &str, wanted: &[&str]) -> bool {
    wanted.iter().any(|w| match w.strip_suffix('*') {
        Some(start) => text.split(' ').any(|word| word.starts_with(start)),
        None if w.contains(' ') => text.contains(w),
        None => text.split(' ').any(|word| word == *w),
    })
}

/// The design that words name, from a column of designs or from a name; a plain
/// "refractor" leaves open which.
pub fn design(text: &str) -> Option<Design> {
    let text = folded(text);
    if let Some(&design) = Design::ALL
        .iter()
        .find(|d| folded(d.slug()) == text || folded(d.label()) == text)
    {
        return Some(design);
    }
    let found = if has(&text, &["solar", "sun", "h alpha", "halpha"]) {
        Design::Solar
    } else if has(&text, &["binocular*", "binos", "bins", "bino"]) {
        Design::Binocular
    } else if has(&text, &["ritchey*", "rc"]) {
        Design::RitcheyChretien
    } else if has(&text, &["mak*", "maksutov*", "mcass"]) {
        Design::MaksutovCassegrain
    } else if has(&text, &["aplanatic", "coma free"]) {
        Design::AplanaticSchmidtCassegrain
    } else if has(&text, &["schmidt*", "sct", "sc", "s c"]) {
        Design::SchmidtCassegrain
    } else if has(&text, &["cassegrain", "cass"]) {
        Design::ClassicalCassegrain
    } else if has(&text, &["newt*", "dob", "dobs*", "reflector*"]) {
        Design::Newtonian
    } else if has(&text, &["apo", "apochromat*", "ed", "triplet"]) {
        Design::Apochromat
    } else if has(&text, &["achro*"]) {
        Design::Achromat
    } else {
        return None;
    };
    Some(found)
}

/// The kind of journey that words name.
pub fn journey(text: &str) -> Option<JourneyKind> {
    let text = folded(text);
    if let Some(&kind) = JourneyKind::ALL
        .iter()
        .find(|k| folded(k.slug()) == text || folded(k.label()) == text)
    {
        return Some(kind);
    }
    let found = if has(&text, &["drop*", "knock*", "fell", "bump*", "fall"]) {
        JourneyKind::KnockOrDrop
    } else if has(&text, &["rough", "track", "gravel", "dirt", "unmade"]) {
        JourneyKind::RoughRoad
    } else if has(
        &text,
        &["outdoors", "left out*", "outside overnight", "dew", "rain"],
    ) {
        JourneyKind::LeftOutdoors
    } else if has(
        &text,
        &["public", "event", "outreach", "open evening", "school"],
    ) {
        JourneyKind::PublicEvent
    } else if has(
        &text,
        &[
            "flight", "flown", "parcel", "post", "posted", "courier", "shipped", "air",
        ],
    ) {
        JourneyKind::FlightOrParcel
    } else if has(&text, &["car", "drive", "driven", "van", "road"]) {
        JourneyKind::Car
    } else if has(
        &text,
        &[
            "hand", "carried", "walk*", "foot", "on foot", "bike", "trolley",
        ],
    ) {
        JourneyKind::HandCarry
    } else {
        return None;
    };
    Some(found)
}

/// The role that words name.
pub fn standing(text: &str) -> Option<Standing> {
    let text = folded(text);
    let found = if has(&text, &["guest", "visitor", "non member", "nonmember"]) {
        Standing::Guest
    } else if has(&text, &["coordinator", "co ordinator"]) {
        Standing::Role(Role::Coordinator)
    } else if has(&text, &["volunteer*", "helper"]) {
        Standing::Role(Role::Volunteer)
    } else if has(
        &text,
        &[
            "member*", "full", "junior", "family", "student", "adult", "yes", "y",
        ],
    ) {
        Standing::Role(Role::Member)
    } else {
        return None;
    };
    Some(found)
}

/// The status that words name; what is out on loan has its place on the shelf.
pub fn status(text: &str) -> Option<Status> {
    let text = folded(text);
    if let Some(&status) = Status::ALL
        .iter()
        .find(|s| folded(s.slug()) == text || folded(s.label()) == text)
    {
        return Some(status);
    }
    let found = if has(
        &text,
        &[
            "retired",
            "sold",
            "scrap*",
            "gone",
            "written off",
            "disposed",
            "lost",
        ],
    ) {
        Status::Retired
    } else if has(&text, &["bench", "workshop", "repair*", "repairs"]) {
        Status::Bench
    } else if has(
        &text,
        &[
            "held",
            "hold",
            "broken",
            "faulty",
            "not to be lent",
            "do not lend",
        ],
    ) {
        Status::Held
    } else if has(
        &text,
        &[
            "ok",
            "in",
            "shelf",
            "available",
            "good",
            "fine",
            "out",
            "lent",
            "loan",
            "on loan",
            "ready",
        ],
    ) {
        Status::Shelf
    } else {
        return None;
    };
    Some(found)
}

/// Whether words say that nobody knows where it is.
pub fn is_lost(text: &str) -> bool {
    has(&folded(text), &["lost", "missing", "not found"])
}

/// Yes or no.
pub fn yes_no(text: &str) -> Option<bool> {
    match folded(text).as_str() {
        "yes" | "y" | "true" | "1" | "x" | "with" => Some(true),
        "" | "no" | "n" | "false" | "0" | "without" | "none" => Some(false),
        _ => None,
    }
}

/// The side of focus that words name.
pub fn side(text: &str) -> Option<FocusSide> {
    let text = folded(text);
    let found = if has(&text, &["inside", "in", "intra*", "inner"]) {
        FocusSide::Inside
    } else if has(&text, &["outside", "out", "extra*", "outer"]) {
        FocusSide::Outside
    } else if text.is_empty() || has(&text, &["unknown", "not", "no", "both"]) {
        FocusSide::Unknown
    } else {
        return None;
    };
    Some(found)
}

/// Seeing on Antoniadi's scale, in figures or Roman ones.
pub fn seeing(text: &str) -> Option<i64> {
    match folded(text).as_str() {
        "1" | "i" => Some(1),
        "2" | "ii" => Some(2),
        "3" | "iii" => Some(3),
        "4" | "iv" => Some(4),
        "5" | "v" => Some(5),
        _ => None,
    }
}

/// What a text tells of an instrument's optics.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Optics {
    /// Aperture, mm.
    pub aperture_mm: Option<f64>,
    /// Focal length, mm.
    pub focal_mm: Option<f64>,
    /// Focal length over aperture.
    pub ratio: Option<f64>,
}

/// Reads `203/2032`, `8" f/10`, `10x50`, `203 mm f10` out of a text; bare numbers are of
/// the unit that is `bare` mm.
pub fn optics(text: &str, bare: f64) -> Optics {
    let signs: Vec<char> = text.to_lowercase().chars().collect();
    let mut told = Optics::default();
    let mut at = 0;
    let mut times = false;
    let mut over = false;
    while at < signs.len() {
        let c = signs[at];
        if !c.is_ascii_digit() {
            over |= c == '/';
            at += 1;
            continue;
        }
        let start = at;
        while at < signs.len()
            && (signs[at].is_ascii_digit()
                || (matches!(signs[at], '.' | ',')
                    && signs.get(at + 1).is_some_and(char::is_ascii_digit)))
        {
            at += 1;
        }
        let number: String = signs[start..at].iter().collect();
        let Ok(number) = number.replace(',', ".").parse::<f64>() else {
            continue;
        };
        let before: String = signs[..start]
            .iter()
            .filter(|c| !c.is_whitespace())
            .collect();
        if follows_f(&signs[..start]) {
            told.ratio = Some(number);
            over = false;
            continue;
        }
        let rest: String = signs[at..].iter().collect();
        let rest = rest.trim_start();
        let unit: String = rest
            .chars()
            .take_while(|c| c.is_alphabetic() || matches!(c, '"' | '\u{2033}' | '\u{201d}' | '\''))
            .collect();
        if rest.starts_with('x') && unit == "x" {
            times = true;
            continue;
        }
        let size = library::measures::Quantity::LengthMm.unit(&unit);
        let is_bare = size.is_none();
        let mm = number * size.unwrap_or(bare);
        // A number without a unit counts behind a stroke or an x, or alone at the head.
        if is_bare && !(times || over || told.aperture_mm.is_none() && before.is_empty()) {
            continue;
        }
        if told.aperture_mm.is_none() {
            // Binoculars tell their apertures in millimetres.
            told.aperture_mm = Some(if times && is_bare { number } else { mm });
        } else if told.focal_mm.is_none() {
            told.focal_mm = Some(mm);
        }
        over = false;
    }
    told
}

/// Whether what stands before a number is an f of its own: f10, F/10, f : 10.
fn follows_f(before: &[char]) -> bool {
    let mut rest = before;
    while let [front @ .., ' ' | '/' | ':'] = rest {
        rest = front;
    }
    matches!(rest, ['f'] | [.., ' ' | '/' | ',' | '"' | '(' | '-', 'f'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn designs_are_known_by_the_words_of_the_trade() {
        for (words, known) in [
            ("SCT", Some(Design::SchmidtCassegrain)),
            ("Schmidt-Cass.", Some(Design::SchmidtCassegrain)),
            ("8\" Dobsonian", Some(Design::Newtonian)),
            ("Newt.", Some(Design::Newtonian)),
            ("Mak-Cass", Some(Design::MaksutovCassegrain)),
            ("refractor (ED)", Some(Design::Apochromat)),
            ("achro refractor", Some(Design::Achromat)),
            ("Ritchey-Chretien", Some(Design::RitcheyChretien)),
            ("10x50 binoculars", Some(Design::Binocular)),
            ("refractor", None),
            ("eyepiece", None),
        ] {
            assert_eq!(design(words), known, "{words}");
        }
    }

    #[test]
    fn aperture_and_focal_length_are_found_together() {
        let read = |text| {
            let o = optics(text, 1.0);
            (o.aperture_mm, o.focal_mm, o.ratio)
        };
        assert_eq!(read("203/2032"), (Some(203.0), Some(2032.0), None));
        assert_eq!(read("8\" f/10"), (Some(203.2), None, Some(10.0)));
        assert_eq!(read("203mm F10 SCT"), (Some(203.0), None, Some(10.0)));
        assert_eq!(read("8 in / 1200 mm"), (Some(203.2), Some(1200.0), None));
        assert_eq!(read("10x50 binoculars"), (Some(50.0), None, None));
        assert_eq!(
            read("Blue Newtonian, 6 inch"),
            (Some(152.399_999_999_999_98), None, None)
        );
        assert_eq!(read("The old blue one"), (None, None, None));
    }
}
