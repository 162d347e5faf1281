//! Cautions for one instrument, told where the hand is about to act. They are
//! the usual ones; local rules and licensed practice come first.

use super::show;
use crate::library::club::Club;
use crate::library::instruments::{Design, Instrument};

/// One caution.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    /// What it is about, after "Caution:".
    pub title: String,
    /// What to do.
    pub words: Vec<&'static str>,
}

fn caution(title: impl Into<String>, words: &[&'static str]) -> Caution {
    Caution {
        title: title.into(),
        words: words.to_vec(),
    }
}

/// From this weight on, kg, two people carry it. The NIOSH lifting equation
/// gives 11.9 kg for a load 40 cm away, lifted 60 cm from a height of 50 cm.
pub const TWO_PEOPLE_KG: f64 = 12.0;

/// Whether two people carry it.
pub fn takes_two(instrument: &Instrument) -> bool {
    instrument.weight_kg.is_some_and(|kg| kg > TWO_PEOPLE_KG)
}

/// What to mind when lifting it, where it takes two.
pub fn heavy(club: &Club, instrument: &Instrument) -> Option<Caution> {
    let kg = instrument.weight_kg.filter(|_| takes_two(instrument))?;
    Some(caution(
        format!("{}, two people carry it", show::weight(club, kg)),
        &[
            "Lift it with one person at each end, backs straight, and agree first who says when. Take the mount and the tube one at a time: the mount may weigh as much. Not over ice: clear the path or take another.",
            "Keep fingers clear of the dovetail and the clamps, and tighten the clamps before letting go.",
        ],
    ))
}

/// A tube whose eyepiece stands above a grown-up's shoulder when it points up;
/// mm of focal length, common practice, no source.
const TALL_MM: f64 = 1500.0;

fn tall(instrument: &Instrument) -> Option<Caution> {
    let is_tall = instrument.design == Design::Newtonian && instrument.focal_mm >= TALL_MM;
    is_tall.then(|| {
        caution(
            "the eyepiece stands high",
            &["Use a step that cannot tip, one person at a time. Never a chair, never on ice."],
        )
    })
}

/// Every caution for an instrument and its kit, the gravest first.
pub fn of(club: &Club, instrument: &Instrument, kit: &[String]) -> Vec<Caution> {
    let mut cautions = vec![sun(instrument.design)];
    cautions.extend(heavy(club, instrument));
    cautions.extend(tall(instrument));
    cautions.extend(glass(instrument.design));
    let has = |words: &[&str]| {
        kit.iter().any(|part| {
            let part = part.to_lowercase();
            words.iter().any(|word| part.contains(word))
        })
    };
    if has(&["laser"]) {
        cautions.push(caution(
            "the laser",
            &[
                "Never look into the beam or its reflection, and never let it shine out of the front of the tube at people or aircraft. Switch it off before anyone comes to the eyepiece. Local rules may forbid a hand-held green laser outdoors: ask first.",
            ],
        ));
    }
    if has(&[
        "dew heater",
        "dew strap",
        "heater",
        "battery",
        "batteries",
        "power pack",
        "power tank",
        "mains",
        "power supply",
    ]) {
        cautions.push(caution(
            "batteries and heaters",
            &[
                "Use the leads and the charger that belong to it. Do not charge a battery that is cold, wet, swollen or damaged, leave one charging unwatched, or leave one in a hot car.",
                "Outdoors use 12 V from a battery only, its cable away from where people walk. Anything on the mains stays indoors and dry.",
            ],
        ));
    }
    cautions
}

fn sun(design: Design) -> Caution {
    match design {
        Design::Solar => caution(
            "the Sun, check the filter before every use",
            &[
                "White-light filter: hold it to a lamp before each use. With a pinhole, scratch, loose ring or blister, do not look and bring it back. A narrow-band instrument cannot be checked with a lamp: look for haze, rust or cracks on its glass, and ask where unsure.",
                "Never take it apart or use its filters on another telescope. Use only the diagonal and finder that came with it.",
                "Stay beside it while it points at the Sun, with children above all, and cap it when you step away.",
            ],
        ),
        Design::Binocular => caution(
            "never point it at the Sun",
            &[
                "The Sun seen through it blinds at once and for good. Look at the Sun only with filters made for it fixed over both front lenses; eclipse glasses behind the eyepieces do not protect.",
                "Wait until the Sun is well below the horizon, and do not leave it lying uncapped in sunlight.",
            ],
        ),
        _ => caution(
            "never point it at the Sun",
            &[
                "The Sun seen through it or its finder blinds at once and for good. Look at the Sun only with a filter made for it fixed over the whole front, and the finder capped or taken off. Filters that screw into an eyepiece crack, and eclipse glasses do not protect behind a telescope.",
                "Keep both caps on in daylight: an uncapped tube in sunlight can start a fire. By day, no child is alone with it.",
            ],
        ),
    }
}

const BROKEN: &str =
    "Cracked or mouldy glass: cap it, touch no splinter, use no solvent, and bring it back.";

fn glass(design: Design) -> Option<Caution> {
    let words: &[&str] = match design {
        Design::SchmidtCassegrain | Design::AplanaticSchmidtCassegrain => &[
            "The thin plate at the front is glass and made for this very tube. Leave it on and its bolts alone. Do not wipe it or press on it; let dew dry by itself with the cap off indoors.",
            BROKEN,
        ],
        Design::MaksutovCassegrain => &[
            "The deep curved window at the front is glass. Do not wipe it; let dew dry by itself with the cap off indoors.",
            BROKEN,
        ],
        Design::Newtonian | Design::ClassicalCassegrain | Design::RitcheyChretien => &[
            "The mirrors lie open: their coating scratches at a touch. Do not wipe or blow on them, and keep the caps on when it travels.",
            BROKEN,
        ],
        Design::Achromat | Design::Apochromat => &[
            "Do not wipe the front lens or turn its cell: a fixed cell is not for a club to adjust. Let dew dry by itself with the cap off indoors.",
            BROKEN,
        ],
        Design::Binocular | Design::Solar => return None,
    };
    Some(caution("glass", words))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::library::InstrumentId;
    use crate::library::instruments::{Particulars, Status};

    fn one(design: Design, weight_kg: f64) -> Instrument {
        Instrument {
            id: InstrumentId::fresh(),
            particulars: Particulars {
                tag: "X1".to_owned(),
                name: "X".to_owned(),
                design,
                aperture_mm: 100.0,
                focal_mm: 1000.0,
                obstruction: 0.0,
                vane_count: 0,
                weight_kg: Some(weight_kg),
                cool_down_min: None,
                uses_diagonal: false,
                replacement_value_cents: None,
                place: String::new(),
                notes: String::new(),
            },
            status: Status::Shelf,
            status_reason: String::new(),
            version: 1,
            open_loan: None,
        }
    }

    #[test]
    fn every_instrument_warns_of_the_sun_first() {
        for &design in Design::ALL {
            let cautions = of(&Club::default(), &one(design, 5.0), &[]);
            assert!(cautions[0].title.contains("Sun"), "{design}");
        }
    }

    #[test]
    fn the_heavy_and_what_is_in_the_kit_add_theirs() {
        let kit = ["Laser pointer".to_owned(), "Battery, 7 Ah".to_owned()];
        let light = of(&Club::default(), &one(Design::Solar, 12.0), &[]);
        assert_eq!(light.len(), 1);
        let all = of(&Club::default(), &one(Design::Newtonian, 12.1), &kit);
        let titles: Vec<&str> = all.iter().map(|c| c.title.as_str()).collect();
        assert_eq!(
            titles,
            [
                "never point it at the Sun",
                "12.1 kg, two people carry it",
                "glass",
                "the laser",
                "batteries and heaters"
            ]
        );
    }
}
