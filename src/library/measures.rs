//! Lengths, weights and distances as people write them: a number and its unit.
//! Pages, commands and lists that are brought in read them here.

use std::ops::RangeInclusive;

/// A unit's words, and how much of the kind's own unit it is.
type Unit = (&'static str, f64);

/// What a figure measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// A length, in millimetres.
    LengthMm,
    /// A weight, in kilograms.
    WeightKg,
    /// A distance, in kilometres.
    DistanceKm,
}

/// One inch, mm (the international inch of 1959).
pub const INCH_MM: f64 = 25.4;
/// One pound, kg (the international pound of 1959).
pub const POUND_KG: f64 = 0.453_592_37;
/// One mile, km (the international mile of 1959).
pub const MILE_KM: f64 = 1.609_344;

const LENGTHS: &[Unit] = &[
    ("mm", 1.0),
    ("millimetre", 1.0),
    ("millimeter", 1.0),
    ("cm", 10.0),
    ("centimetre", 10.0),
    ("centimeter", 10.0),
    ("m", 1000.0),
    ("metre", 1000.0),
    ("meter", 1000.0),
    ("in", INCH_MM),
    ("inch", INCH_MM),
    ("inche", INCH_MM),
    ("\"", INCH_MM),
    ("\u{2033}", INCH_MM),
    ("\u{201d}", INCH_MM),
    ("''", INCH_MM),
    ("ft", 12.0 * INCH_MM),
    ("feet", 12.0 * INCH_MM),
    ("foot", 12.0 * INCH_MM),
];

const WEIGHTS: &[Unit] = &[
    ("kg", 1.0),
    ("kilo", 1.0),
    ("kilogram", 1.0),
    ("kilogramme", 1.0),
    ("g", 0.001),
    ("gram", 0.001),
    ("lb", POUND_KG),
    ("pound", POUND_KG),
    ("#", POUND_KG),
    ("oz", POUND_KG / 16.0),
    ("ounce", POUND_KG / 16.0),
];

const DISTANCES: &[Unit] = &[
    ("km", 1.0),
    ("kilometre", 1.0),
    ("kilometer", 1.0),
    ("mi", MILE_KM),
    ("mile", MILE_KM),
    ("m", 0.001),
    ("metre", 0.001),
    ("meter", 0.001),
];

/// Why a figure was not taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Misread {
    /// It is no figure of this kind.
    NotOne,
    /// It is this much, which is out of bounds.
    OutOfBounds(f64),
}

impl Quantity {
    fn units(self) -> &'static [Unit] {
        match self {
            Self::LengthMm => LENGTHS,
            Self::WeightKg => WEIGHTS,
            Self::DistanceKm => DISTANCES,
        }
    }

    /// How much one of a unit is; `None` where the word is no unit of this kind. An s
    /// at the end and a full stop are passed over.
    pub fn unit(self, word: &str) -> Option<f64> {
        let word = word.trim().trim_end_matches('.').to_lowercase();
        let find = |word: &str| self.units().iter().find(|(name, _)| *name == word);
        find(&word)
            .or_else(|| find(word.strip_suffix('s')?))
            .map(|(_, size)| *size)
    }

    /// The figure that was written; a bare number is of the unit that is `bare` big.
    /// A decimal comma is a point.
    pub fn read(self, typed: &str, bare: f64) -> Option<f64> {
        let (number, unit) = parted(typed)?;
        Some(decimal(&number)? * self.size(&unit, bare)?)
    }

    /// The same within bounds. Where a comma or point before three figures would
    /// lead out of them as a decimal, it parts thousands.
    ///
    /// # Errors
    /// When it is no such figure, or lies out of bounds either way.
    pub fn read_within(
        self,
        typed: &str,
        bare: f64,
        bounds: &RangeInclusive<f64>,
    ) -> Result<f64, Misread> {
        let (number, unit) = parted(typed).ok_or(Misread::NotOne)?;
        let size = self.size(&unit, bare).ok_or(Misread::NotOne)?;
        let plain = decimal(&number).ok_or(Misread::NotOne)? * size;
        if bounds.contains(&plain) {
            return Ok(plain);
        }
        thousands(&number)
            .map(|n| n * size)
            .filter(|n| bounds.contains(n))
            .ok_or(Misread::OutOfBounds(plain))
    }

    fn size(self, unit: &str, bare: f64) -> Option<f64> {
        if unit.is_empty() {
            Some(bare)
        } else {
            self.unit(unit)
        }
    }
}

/// A clock position in degrees clockwise from 12: "2", "2:30", "half past 2",
/// "2 o'clock" or "75 deg".
pub fn clock_deg(typed: &str) -> Option<f64> {
    let plain = typed.trim().to_lowercase().replace(',', ".");
    for unit in ["degrees", "deg", "\u{b0}"] {
        if let Some(number) = plain.strip_suffix(unit) {
            let deg: f64 = number.trim().parse().ok()?;
            return (0.0..=360.0).contains(&deg).then_some(deg % 360.0);
        }
    }
    let (plain, half) = match plain.strip_prefix("half past") {
        Some(rest) => (rest.trim().to_owned(), 0.5),
        None => (plain, 0.0),
    };
    let plain = plain
        .trim_end_matches("o'clock")
        .trim_end_matches("o\u{2019}clock")
        .trim();
    let (hours, minutes) = plain.split_once(':').unwrap_or((plain, "0"));
    let hours: f64 = hours.parse().ok()?;
    let minutes: f64 = minutes.parse().ok()?;
    if !(0.0..=12.0).contains(&hours) || !(0.0..60.0).contains(&minutes) {
        return None;
    }
    Some(((hours + half + minutes / 60.0) * 30.0) % 360.0)
}

/// Number and unit, both without spaces.
fn parted(typed: &str) -> Option<(String, String)> {
    // A fraction behind a space: 4 1/2.
    let words: Vec<&str> = typed.split_whitespace().collect();
    if let [whole, share, rest @ ..] = words.as_slice()
        && let Some((over, rest_of_share)) = share.split_once('/')
    {
        let under: String = rest_of_share
            .chars()
            .take_while(char::is_ascii_digit)
            .collect();
        let unit = format!("{}{}", &rest_of_share[under.len()..], rest.concat());
        let (whole, over, under): (f64, f64, f64) =
            (whole.parse().ok()?, over.parse().ok()?, under.parse().ok()?);
        return (under > 0.0).then(|| ((whole + over / under).to_string(), unit));
    }
    let mut plain: String = typed.chars().filter(|c| !c.is_whitespace()).collect();
    for (sign, share) in [('½', ".5"), ('¼', ".25"), ('¾', ".75")] {
        plain = plain.replace(sign, share);
    }
    let unit = plain.trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | ','));
    let number = plain.strip_suffix(unit)?;
    Some((number.to_owned(), unit.to_owned()))
}

/// An amount of money, without the currency's sign or letters: 640, £1,200 or
/// 1.200,50 EUR. A comma or point before three figures parts thousands.
pub fn money(typed: &str) -> Option<f64> {
    let plain: String = typed
        .chars()
        .filter(|c| c.is_ascii_digit() || matches!(c, ',' | '.' | '-'))
        .collect();
    let plain = plain.trim_end_matches(['.', ',', '-']);
    thousands(plain).or_else(|| decimal(plain))
}

/// A number whose comma is a point; with both, the last one is the point. No unit.
pub fn decimal(number: &str) -> Option<f64> {
    let plain = match (number.rfind(','), number.rfind('.')) {
        (Some(comma), Some(point)) if comma > point => number.replace('.', "").replace(',', "."),
        (Some(_), Some(_)) => number.replace(',', ""),
        _ => number.replace(',', "."),
    };
    plain.parse().ok()
}

/// A number whose one comma or point parts thousands.
fn thousands(number: &str) -> Option<f64> {
    let (front, back) = number.split_once([',', '.'])?;
    let fits = (1..=3).contains(&front.len()) && back.len() == 3 && !front.starts_with('0');
    let digits = format!("{front}{back}");
    (fits && digits.chars().all(|c| c.is_ascii_digit()))
        .then(|| digits.parse().ok())
        .flatten()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    // 1 in = 25.4 mm, 1 lb = 0.45359237 kg, 1 mi = 1.609344 km: the international yard
    // and pound agreement of 1959 (NIST SP 811, appendix B.8).
    #[test]
    fn figures_are_read_with_their_units() {
        use Quantity::*;
        for (what, typed, value) in [
            (LengthMm, "203", 203.0),
            (LengthMm, "203,2 mm", 203.2),
            (LengthMm, "20 cm", 200.0),
            (LengthMm, "8 in", 203.2),
            (LengthMm, "8 Inches", 203.2),
            (LengthMm, "8\"", 203.2),
            (LengthMm, "4 1/2\"", 114.3),
            (LengthMm, "4½ in.", 114.3),
            (LengthMm, "1.2 m", 1200.0),
            (WeightKg, "12.5 kg", 12.5),
            (WeightKg, "27 lb", 12.246_993_99),
            (WeightKg, "27lbs", 12.246_993_99),
            (WeightKg, "850 g", 0.85),
            (DistanceKm, "30 mi", 48.280_32),
            (DistanceKm, "30 miles", 48.280_32),
            (DistanceKm, "1,234.5 km", 1234.5),
            (DistanceKm, "1.234,5 km", 1234.5),
        ] {
            let read = what.read(typed, 1.0).unwrap();
            assert!((read - value).abs() < 1e-9, "{typed}: {read}");
        }
        for (what, typed) in [
            (LengthMm, "8 kg"),
            (LengthMm, "f/10"),
            (WeightKg, "12 mm"),
            (DistanceKm, "far"),
            (DistanceKm, ""),
            (LengthMm, "1/0"),
        ] {
            assert_eq!(what.read(typed, 1.0), None, "{typed}");
        }
    }

    #[test]
    fn a_bare_number_is_of_the_unit_told() {
        assert_eq!(Quantity::LengthMm.read("8", INCH_MM), Some(203.2));
        let bounds = 20.0..=40_000.0;
        let read = |typed| Quantity::LengthMm.read_within(typed, 1.0, &bounds);
        assert_eq!(read("2,032 mm"), Ok(2032.0));
        assert_eq!(read("20,32"), Ok(20.32));
        assert_eq!(read("5"), Err(Misread::OutOfBounds(5.0)));
        assert_eq!(read("x"), Err(Misread::NotOne));
    }
}
