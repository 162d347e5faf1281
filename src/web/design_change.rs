//! What another design of an instrument changes: said, and asked, before it is kept.

use super::register_form::{Checked, RegisterForm};
use super::show::trimmed;
use crate::library::club::Club;
use crate::library::designs;
use crate::library::instruments::{Check, Design};
use crate::library::limits::{self, LimitWhat};
use crate::library::things::Sort;
use crate::library::{Conn, InstrumentId, Result, loan_periods};
use crate::upkeep::limits::in_force;

/// What goes by the design, before and then, in words; `typed` is the form with the new
/// design. Limits and the length of a loan go by it by themselves, the figures of the
/// register only where they are asked to.
pub async fn words(
    conn: &mut Conn,
    club: &Club,
    id: InstrumentId,
    was: Design,
    typed: &Checked,
) -> Result<Vec<String>> {
    let is = typed.particulars.design;
    let mut said = Vec::new();
    if was.check() != is.check() {
        said.push(
            match is.check() {
                Check::Star => "It takes star tests from now on.",
                Check::Barrels => "It takes barrel checks from now on, and no star tests.",
                Check::Bench => "It takes no star tests any more: it is for the Sun only.",
            }
            .to_owned(),
        );
    }
    let sets = limits::history(conn).await?;
    let (before, then) = (in_force(was, id, &sets), in_force(is, id, &sets));
    for (what, a, b) in [
        (LimitWhat::ComaNote, &before.coma_note, &then.coma_note),
        (LimitWhat::ComaBench, &before.coma_bench, &then.coma_bench),
        (
            LimitWhat::BarrelsNote,
            &before.barrels_note,
            &then.barrels_note,
        ),
        (
            LimitWhat::BarrelsBench,
            &before.barrels_bench,
            &then.barrels_bench,
        ),
        (LimitWhat::Exposure, &before.exposure, &then.exposure),
        (LimitWhat::Months, &before.months, &then.months),
        (LimitWhat::Loans, &before.loans, &then.loans),
    ] {
        if a.value != b.value {
            said.push(format!(
                "Limit, {what}: {} now, then {}.",
                trimmed(a.value, 3),
                trimmed(b.value, 3)
            ));
        }
    }
    let before = loan_periods::days_for(conn, club, id, Sort::Design(was)).await?;
    let then = loan_periods::days_for(conn, club, id, Sort::Design(is)).await?;
    if before != then {
        said.push(format!("Length of a loan: {before} days now, then {then}."));
    }
    let p = &typed.particulars;
    let usual = designs::usual(is, Some(p.aperture_mm), Some(p.focal_mm));
    let mut differs = |label: &str, entered: String, usual: String| {
        if entered != usual {
            said.push(format!("{label}: {entered} entered, {usual} is usual."));
        }
    };
    let percent = |share: f64| format!("{} %", trimmed(share * 100.0, 1));
    differs(
        "Obstruction",
        percent(p.obstruction),
        percent(usual.obstruction),
    );
    differs(
        "Vanes",
        p.vane_count.to_string(),
        usual.vane_count.to_string(),
    );
    let minutes = |min: Option<i64>| min.map_or("none".to_owned(), |m| format!("{m} minutes"));
    differs(
        "Cool-down",
        minutes(p.cool_down_min),
        minutes(Some(usual.cool_down_min)),
    );
    let yes = |so: bool| if so { "yes" } else { "no" }.to_owned();
    differs(
        "Used with a diagonal",
        yes(p.uses_diagonal),
        yes(usual.uses_diagonal),
    );
    differs(
        "Adjusters",
        typed.adjusters.len().to_string(),
        usual.adjusters.len().to_string(),
    );
    Ok(said)
}

/// The form with what is usual for its design, and all else as typed.
pub fn with_usual(club: &Club, typed: &RegisterForm, checked: &Checked) -> RegisterForm {
    let p = &checked.particulars;
    let usual = designs::usual(p.design, Some(p.aperture_mm), Some(p.focal_mm));
    let usual = RegisterForm::usual(club, p.design, &usual);
    RegisterForm {
        obstruction: usual.obstruction,
        vanes: usual.vanes,
        cool_down: usual.cool_down,
        diagonal: usual.diagonal,
        a_label: usual.a_label,
        a_element: usual.a_element,
        a_clock: usual.a_clock,
        a_pitch: usual.a_pitch,
        a_lever: usual.a_lever,
        a_kind: usual.a_kind,
        a_head: usual.a_head,
        ..typed.clone()
    }
}
