//! What a sheet may list, and what its columns may tell; guessed from headings.

use super::cells::{Cell, Sheet};

library::words! {
    /// What a sheet lists.
    pub enum Kind {
        /// Who borrows and who works here.
        People = "people", "people";
        /// The register.
        Instruments = "instruments", "instruments";
        /// What goes with the instruments.
        Things = "things", "things";
        /// Parts of kits, one a row.
        Kit = "kit", "kit parts";
        /// Loans, open and past.
        Loans = "loans", "loans";
        /// Journeys.
        Journeys = "journeys", "journeys";
        /// Star tests.
        StarTests = "star-tests", "star tests";
        /// Nothing of use.
        Nothing = "nothing", "leave this sheet out";
    }
}

library::words! {
    /// What a column tells.
    pub enum Field {
        /// A person's or an instrument's whole name.
        Name = "name", "name";
        /// First part of a person's name.
        Given = "given", "given name";
        /// Last part of a person's name.
        Surname = "surname", "surname";
        /// Email address.
        Email = "email", "email address";
        /// Member, volunteer, coordinator, guest.
        Role = "role", "role";
        /// Since when.
        Joined = "joined", "joined on";
        /// Until when.
        Left = "left", "left on";
        /// The instrument's tag.
        Tag = "tag", "tag";
        /// What kind of thing; of an instrument its design.
        Kind = "kind", "kind of thing";
        /// Optical design.
        Design = "design", "design";
        /// Aperture.
        Aperture = "aperture", "aperture";
        /// Focal length, or the focal ratio as f/10.
        Focal = "focal", "focal length";
        /// Focal ratio.
        Ratio = "ratio", "focal ratio";
        /// Both in one: 203/2032, 8" f/10.
        Optics = "optics", "aperture and focal length together";
        /// Central obstruction.
        Obstruction = "obstruction", "obstruction, % of the aperture";
        /// Spider vanes.
        Vanes = "vanes", "vanes";
        /// Weight.
        Weight = "weight", "weight";
        /// Minutes until it shows its best.
        CoolDown = "cool-down", "cool-down, minutes";
        /// Used with a diagonal.
        Diagonal = "diagonal", "diagonal, yes or no";
        /// Where it lives.
        Place = "place", "place";
        /// What a new one would cost.
        Value = "value", "replacement value";
        /// On the shelf, held, at the bench, retired.
        Status = "status", "status";
        /// Kit, all in one cell.
        KitList = "kit", "kit, parts with commas between";
        /// One part of a kit.
        Part = "part", "part of the kit";
        /// Who borrowed it.
        Borrower = "borrower", "borrower";
        /// When it went out.
        Lent = "lent", "lent on";
        /// When it is due.
        Due = "due", "due back on";
        /// When it came back.
        Returned = "returned", "returned on";
        /// When it happened.
        Date = "date", "date";
        /// How it was moved.
        JourneyKind = "journey", "kind of journey";
        /// How far.
        Distance = "distance", "distance";
        /// How hard.
        Severity = "severity", "how hard, 1 to 3";
        /// Coma, waves RMS.
        Coma = "coma", "coma, waves RMS";
        /// Its 1-sigma.
        ComaError = "coma-error", "error of the coma, waves";
        /// Bright rings counted.
        Rings = "rings", "bright rings";
        /// Thin side over thick side.
        ThinToThick = "thin-to-thick", "thin to thick side, 0 to 1";
        /// Where the thin side lies.
        ThinClock = "thin-clock", "thin side, clock position";
        /// Side of focus.
        Side = "side", "side of focus";
        /// Antoniadi's scale.
        Seeing = "seeing", "seeing, 1 to 5";
        /// Magnification.
        Magnification = "magnification", "magnification";
        /// Who did or wrote it.
        By = "by", "by whom";
        /// Anything else.
        Note = "note", "note";
    }
}

impl Kind {
    /// What its columns may tell, in the order of a form.
    pub fn fields(self) -> &'static [Field] {
        use Field as F;
        match self {
            Self::People => &[
                F::Name,
                F::Given,
                F::Surname,
                F::Email,
                F::Role,
                F::Joined,
                F::Left,
            ],
            Self::Instruments => &[
                F::Tag,
                F::Name,
                F::Design,
                F::Kind,
                F::Aperture,
                F::Focal,
                F::Ratio,
                F::Optics,
                F::Obstruction,
                F::Vanes,
                F::Weight,
                F::CoolDown,
                F::Diagonal,
                F::KitList,
                F::Place,
                F::Value,
                F::Status,
                F::Note,
            ],
            Self::Things => &[
                F::Tag,
                F::Kind,
                F::Name,
                F::Place,
                F::Value,
                F::Status,
                F::Note,
            ],
            Self::Kit => &[F::Tag, F::Part],
            Self::Loans => &[
                F::Tag,
                F::Borrower,
                F::Lent,
                F::Due,
                F::Returned,
                F::By,
                F::Note,
            ],
            Self::Journeys => &[
                F::Tag,
                F::Date,
                F::JourneyKind,
                F::Distance,
                F::Severity,
                F::By,
                F::Note,
            ],
            Self::StarTests => &[
                F::Tag,
                F::Date,
                F::Coma,
                F::ComaError,
                F::Rings,
                F::ThinToThick,
                F::ThinClock,
                F::Side,
                F::Diagonal,
                F::Seeing,
                F::Magnification,
                F::By,
                F::Note,
            ],
            Self::Nothing => &[],
        }
    }

    /// Of each group, one column must be there.
    pub fn needs(self) -> &'static [&'static [Field]] {
        use Field as F;
        match self {
            Self::People => &[&[F::Name, F::Surname]],
            Self::Instruments => &[
                &[F::Tag],
                &[F::Design, F::Kind, F::Name],
                &[F::Aperture, F::Optics, F::Name],
            ],
            Self::Things => &[&[F::Tag], &[F::Kind, F::Name]],
            Self::Kit => &[&[F::Tag], &[F::Part]],
            Self::Loans => &[&[F::Tag], &[F::Borrower], &[F::Lent]],
            Self::Journeys => &[&[F::Tag], &[F::Date]],
            Self::StarTests => &[&[F::Tag], &[F::Date], &[F::Coma, F::Rings]],
            Self::Nothing => &[],
        }
    }
}

impl Field {
    /// Headings that mean it, as [`plain`] makes them. The first word of a pair is
    /// enough to name it; the longer ones win.
    fn headings(self) -> &'static [&'static str] {
        match self {
            Self::Name => &[
                "name",
                "full name",
                "member",
                "members",
                "member name",
                "who",
                "person",
                "instrument",
                "telescope",
                "scope",
                "description",
                "model",
                "what",
                "thing",
                "item",
                "title",
            ],
            Self::Given => &["first name", "given name", "forename", "first", "given"],
            Self::Surname => &["surname", "last name", "family name", "last", "family"],
            Self::Email => &[
                "email",
                "e mail",
                "mail",
                "email address",
                "mail address",
                "address",
            ],
            Self::Role => &["role", "function", "duty", "type of member", "membership"],
            Self::Joined => &[
                "joined",
                "member since",
                "since",
                "joined on",
                "date joined",
                "start",
            ],
            Self::Left => &["left", "left on", "until", "resigned", "date left"],
            Self::Tag => &[
                "tag",
                "no",
                "number",
                "inv no",
                "inventory",
                "inventory no",
                "inventory number",
                "id",
                "code",
                "scope no",
                "asset",
                "asset no",
                "label",
                "instrument",
                "telescope",
                "scope",
                "scope id",
                "which",
                "what",
                "item",
                "thing",
            ],
            Self::Kind => &["kind", "kind of thing", "category", "sort", "type", "group"],
            Self::Design => &[
                "design",
                "type",
                "kind",
                "optical design",
                "optics type",
                "system",
            ],
            Self::Aperture => &[
                "aperture",
                "ap",
                "diameter",
                "dia",
                "size",
                "objective",
                "mirror",
            ],
            Self::Focal => &["focal length", "fl", "f l", "focal", "focus", "f length"],
            Self::Ratio => &["focal ratio", "f ratio", "f", "ratio", "speed", "f number"],
            Self::Optics => &[
                "optics",
                "aperture focal length",
                "d f",
                "size focal length",
                "size and f",
            ],
            Self::Obstruction => &["obstruction", "central obstruction", "co", "obstr"],
            Self::Vanes => &["vanes", "spider vanes", "spider"],
            Self::Weight => &["weight", "mass", "wt", "tube weight", "weight tube"],
            Self::CoolDown => &["cool down", "cooldown", "cooling", "cool down time"],
            Self::Diagonal => &["diagonal", "with diagonal", "used with diagonal"],
            Self::Place => &[
                "place", "location", "where", "shelf", "stored", "storage", "kept",
            ],
            Self::Value => &[
                "value",
                "replacement value",
                "price",
                "cost",
                "insured",
                "insurance",
                "worth",
            ],
            Self::Status => &["status", "state", "condition"],
            Self::KitList => &[
                "kit",
                "accessories",
                "comes with",
                "includes",
                "included",
                "kit list",
                "contents",
            ],
            Self::Part => &[
                "part",
                "kit part",
                "item",
                "accessory",
                "piece",
                "contents",
                "what",
                "name",
            ],
            Self::Borrower => &[
                "borrower",
                "member",
                "lent to",
                "to",
                "who",
                "name",
                "borrowed by",
                "loaned to",
                "person",
                "to whom",
                "with",
            ],
            Self::Lent => &[
                "lent",
                "out",
                "lent on",
                "date out",
                "from",
                "loaned",
                "borrowed",
                "start",
                "went out",
                "taken",
                "loan date",
                "date lent",
                "date",
            ],
            Self::Due => &[
                "due",
                "due back",
                "due on",
                "back by",
                "due date",
                "return by",
                "until",
                "expected",
            ],
            Self::Returned => &[
                "returned",
                "back",
                "date back",
                "returned on",
                "in",
                "date in",
                "return date",
                "came back",
                "brought back",
                "date returned",
            ],
            Self::Date => &["date", "day", "when", "on", "tested", "test date"],
            Self::JourneyKind => &[
                "journey",
                "kind",
                "how",
                "type",
                "transport",
                "kind of journey",
                "by",
                "move",
                "what",
            ],
            Self::Distance => &[
                "distance", "far", "how far", "trip", "driven", "km", "miles", "mileage",
            ],
            Self::Severity => &["severity", "how hard", "hard", "how bad"],
            Self::Coma => &[
                "coma",
                "coma waves",
                "coma rms",
                "coma rms waves",
                "rms coma",
                "result",
            ],
            Self::ComaError => &["error", "coma error", "sigma", "uncertainty", "plus minus"],
            Self::Rings => &["rings", "bright rings", "ring count"],
            Self::ThinToThick => &["thin to thick", "ratio", "thin thick", "ring ratio"],
            Self::ThinClock => &["thin side", "thin", "clock", "direction", "thin side clock"],
            Self::Side => &["side", "focus", "side of focus", "inside outside"],
            Self::Seeing => &["seeing", "antoniadi", "air"],
            Self::Magnification => &["magnification", "power", "mag", "x"],
            Self::By => &[
                "by",
                "signed",
                "volunteer",
                "done by",
                "observer",
                "issued by",
                "lent by",
                "recorded by",
                "tester",
            ],
            Self::Note => &[
                "note",
                "notes",
                "remark",
                "remarks",
                "comment",
                "comments",
                "words",
                "anything else",
            ],
        }
    }
}

/// A heading in small letters, one space between its words, without what stands in
/// brackets and without other signs.
pub fn plain(heading: &str) -> String {
    let outside = heading.split(['(', '[']).next().unwrap_or(heading);
    let mut plain = String::new();
    for c in outside.to_lowercase().chars() {
        if c.is_alphanumeric() {
            plain.push(c);
        } else if !plain.ends_with(' ') {
            plain.push(' ');
        }
    }
    let plain = plain.trim();
    // "Weight lb" is a weight.
    const UNITS: &[&str] = &["mm", "cm", "lb", "lbs", "kg", "km", "mi", "miles", "inches"];
    match plain.rsplit_once(' ') {
        Some((front, last)) if UNITS.contains(&last) => front.to_owned(),
        _ => plain.to_owned(),
    }
}

/// The words of a heading that may be its unit: what stands in brackets, and its last
/// word.
pub fn unit_words(heading: &str) -> Vec<String> {
    let inside = heading
        .split_once(['(', '['])
        .map(|(_, rest)| rest.trim_end_matches([')', ']']).trim().to_owned());
    let last = heading.split([' ', ',', '_', '/']).next_back();
    inside
        .into_iter()
        .chain(last.map(|word| word.trim_matches([')', ']', '(']).to_owned()))
        .collect()
}

/// How well a heading fits a field; 0 where it does not.
fn fit(heading: &str, field: Field) -> u32 {
    if heading.is_empty() {
        return 0;
    }
    let own = field.headings();
    if let Some(at) = own.iter().position(|h| *h == heading) {
        // The first ones are the surer.
        return 200 - (at.min(50) as u32) * 3;
    }
    let words: Vec<&str> = heading.split(' ').collect();
    let held = |h: &str| {
        let asked: Vec<&str> = h.split(' ').collect();
        words.windows(asked.len()).any(|part| part == asked)
    };
    own.iter()
        .enumerate()
        .filter(|(_, h)| h.len() > 2 && held(h))
        .map(|(at, h)| 40 + 4 * h.len() as u32 - at.min(10) as u32)
        .max()
        .unwrap_or(0)
}

/// A guess at what the columns of a row of headings tell, and how well they fit.
pub fn columns(sheet: &Sheet, header: usize, kind: Kind) -> (Vec<Option<Field>>, u32) {
    let width = sheet.width();
    let mut told = vec![None; width];
    let headings: Vec<String> = (0..width)
        .map(|column| plain(&sheet.cell(header, column).text()))
        .collect();
    let mut fits: Vec<(u32, usize, Field)> = Vec::new();
    for (column, heading) in headings.iter().enumerate() {
        for &field in kind.fields() {
            let mut fit = fit(heading, field);
            if field == Field::Email && looks_like_mail(sheet, header, column) {
                fit += 150;
            }
            if fit > 0 {
                fits.push((fit, column, field));
            }
        }
    }
    // The best first; of equals, the field that is asked for first, then the left one.
    let place = |field: Field| kind.fields().iter().position(|f| *f == field);
    fits.sort_by_key(|(fit, column, field)| (std::cmp::Reverse(*fit), place(*field), *column));
    let mut sum = 0;
    for (fit, column, field) in fits {
        if told[column].is_none() && !told.contains(&Some(field)) {
            told[column] = Some(field);
            sum += fit;
        }
    }
    let lacks = kind
        .needs()
        .iter()
        .filter(|group| !group.iter().any(|f| told.contains(&Some(*f))))
        .count() as u32;
    (told, sum.saturating_sub(lacks * 150))
}

fn looks_like_mail(sheet: &Sheet, header: usize, column: usize) -> bool {
    let cells = sheet.rows.iter().skip(header + 1).take(30);
    let mut filled = 0;
    let mut mail = 0;
    for row in cells {
        match row.get(column) {
            Some(Cell::Text(text)) => {
                filled += 1;
                mail += usize::from(text.contains('@'));
            }
            Some(Cell::Empty) | None => {}
            Some(_) => filled += 1,
        }
    }
    mail > 0 && mail * 2 > filled
}

/// A guess at what a sheet lists and in which of its first rows the headings stand.
pub fn guess(sheet: &Sheet) -> (Kind, usize, Vec<Option<Field>>) {
    let title = plain(&format!("{} {}", sheet.file, sheet.name));
    let named = |kind: Kind| {
        let words: &[&str] = match kind {
            Kind::People => &["people", "member", "members", "mailing"],
            Kind::Instruments => &[
                "instruments",
                "telescopes",
                "scopes",
                "inventory",
                "register",
            ],
            Kind::Things => &[
                "things",
                "gear",
                "equipment",
                "eyepieces",
                "mounts",
                "books",
            ],
            Kind::Kit => &["kit", "kits", "accessories", "parts"],
            Kind::Loans => &["loans", "loan", "lending", "lent", "borrowing"],
            Kind::Journeys => &["journeys", "journey", "trips", "moves"],
            Kind::StarTests => &["star", "tests", "startests", "collimation"],
            Kind::Nothing => &[],
        };
        u32::from(title.split(' ').any(|w| words.contains(&w))) * 120
    };
    let mut best = (0, Kind::Nothing, 0, vec![None; sheet.width()]);
    for header in 0..sheet.rows.len().min(12) {
        for &kind in Kind::ALL {
            let (told, sum) = columns(sheet, header, kind);
            let known = told.iter().flatten().count();
            let score = sum + named(kind);
            if known >= 2 && sum >= 200 && score > best.0 {
                best = (score, kind, header, told);
            }
        }
    }
    (best.1, best.2, best.3)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(file: &str, rows: &[&[&str]]) -> Sheet {
        Sheet {
            file: file.to_owned(),
            name: String::new(),
            rows: rows
                .iter()
                .map(|r| r.iter().map(|c| Cell::of(c)).collect())
                .collect(),
        }
    }

    #[test]
    fn sheets_are_known_by_their_headings_in_any_order() {
        use Field as F;
        for (rows, kind, header, told) in [
            (
                &[
                    &["E-Mail", "Name", "Member since"][..],
                    &["a@b.example", "A B", "2020"],
                ][..],
                Kind::People,
                0,
                vec![Some(F::Email), Some(F::Name), Some(F::Joined)],
            ),
            (
                &[
                    &["Our telescopes"][..],
                    &[],
                    &[
                        "No.",
                        "Type",
                        "Aperture (in)",
                        "F/L mm",
                        "Wt. lb",
                        "Location",
                    ],
                ],
                Kind::Instruments,
                2,
                vec![
                    Some(F::Tag),
                    Some(F::Design),
                    Some(F::Aperture),
                    Some(F::Focal),
                    Some(F::Weight),
                    Some(F::Place),
                ],
            ),
            (
                &[&[
                    "Scope",
                    "Lent to",
                    "Date out",
                    "Due back",
                    "Date back",
                    "Remarks",
                ]],
                Kind::Loans,
                0,
                vec![
                    Some(F::Tag),
                    Some(F::Borrower),
                    Some(F::Lent),
                    Some(F::Due),
                    Some(F::Returned),
                    Some(F::Note),
                ],
            ),
            (
                &[&["Date", "Scope", "How", "Distance (miles)"]],
                Kind::Journeys,
                0,
                vec![
                    Some(F::Date),
                    Some(F::Tag),
                    Some(F::JourneyKind),
                    Some(F::Distance),
                ],
            ),
            (
                &[&["Tag", "Tested", "Coma", "Observer"]],
                Kind::StarTests,
                0,
                vec![Some(F::Tag), Some(F::Date), Some(F::Coma), Some(F::By)],
            ),
            (
                &[&["Tag", "Part"]],
                Kind::Kit,
                0,
                vec![Some(F::Tag), Some(F::Part)],
            ),
            (
                &[
                    &["Our gear"],
                    &["Inv. no.", "What", "Sort", "Kept", "Worth"],
                ],
                Kind::Instruments,
                1,
                vec![
                    Some(F::Tag),
                    Some(F::Name),
                    Some(F::Kind),
                    Some(F::Place),
                    Some(F::Value),
                ],
            ),
        ] {
            let (found, at, columns) = guess(&sheet("list.csv", rows));
            assert_eq!((found, at), (kind, header), "{rows:?}");
            assert_eq!(columns, told, "{rows:?}");
        }
        let (found, ..) = guess(&sheet("x.csv", &[&["Milk", "Bread"], &["2", "1"]]));
        assert_eq!(found, Kind::Nothing);
    }

    #[test]
    fn a_heading_tells_its_unit() {
        assert!(unit_words("Aperture (in)").contains(&"in".to_owned()));
        assert!(unit_words("Weight lb").contains(&"lb".to_owned()));
        assert!(unit_words("distance_km").contains(&"km".to_owned()));
    }
}
