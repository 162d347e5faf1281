//! The fields in which spare parts are told that went into work.

use super::fields::FormErrors;
use super::spares::amount;
use crate::library::SpareId;
use crate::library::spares::{Amount, Spare};

/// Spare parts used, and how many of each.
pub type Uses = Vec<(SpareId, Amount)>;

/// Which, and how many: the two fields' names, and what was typed in each.
#[derive(Debug, Clone, Copy)]
pub struct UseField<'a>(pub &'static str, pub &'static str, pub &'a str, pub &'a str);

impl UseField<'_> {
    /// Whether anything was typed.
    pub fn is_given(&self) -> bool {
        !self.2.is_empty() || !self.3.trim().is_empty()
    }
}

/// The spare parts used, each kind once, out of those there are.
pub fn uses(fields: &[UseField<'_>], there: &[Spare], errors: &mut FormErrors) -> Uses {
    let mut uses = Uses::new();
    for &UseField(which, many, spare, typed) in fields.iter().filter(|f| f.is_given()) {
        let Some(one) = there.iter().find(|s| s.id.to_string() == spare) else {
            errors.add(which, "Spare part: choose which, or leave how many empty.");
            continue;
        };
        if typed.trim().is_empty() {
            errors.add(many, "How many were used: please give a number.");
            continue;
        }
        let Some(used) = amount(errors, many, "How many were used", typed, 0.001) else {
            continue;
        };
        match uses.iter_mut().find(|(id, _)| *id == one.id) {
            Some((_, all)) => all.0 += used.0,
            None => uses.push((one.id, used)),
        }
        let all = uses.iter().find(|(id, _)| *id == one.id);
        if let Some(Err(why)) = all.map(|(_, all)| one.check_use(*all)) {
            errors.add(many, format!("How many were used: {why}"));
        }
    }
    uses
}
