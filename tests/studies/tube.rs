//! An ordinary instrument for tests and studies.

use tubewright::library::instruments::{Design, Particulars};

/// A 150 mm f/5 Newtonian, tagged N150.
pub fn newtonian() -> Particulars {
    Particulars {
        tag: "N150".to_owned(),
        name: "150 mm Newtonian".to_owned(),
        design: Design::Newtonian,
        aperture_mm: 150.0,
        focal_mm: 750.0,
        obstruction: 0.3,
        vane_count: 4,
        weight_kg: None,
        cool_down_min: None,
        uses_diagonal: false,
        replacement_value_cents: None,
        place: String::new(),
        notes: String::new(),
    }
}
