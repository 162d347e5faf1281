//! From the shelf to the bench and back.

use library::instruments::{Instrument, Status};
use library::works;
use upkeep::Condition;

use crate::{Act, Done, FormErrors, Refusal};

/// Puts an instrument on the shelf, holds it for the bench or takes it to the bench.
///
/// # Errors
/// Field `reason`: missing, or longer than 300 characters. Refused while it is out on
/// loan or retired, when it is there already, and when it needs the bench and somebody
/// other than a coordinator would put it on the shelf past the bench. Retiring is another act.
pub async fn move_to(act: &mut Act, tag: &str, to: Status, reason: &str) -> Done<Instrument> {
    let by = act.actor().person()?;
    let (at, coordinator) = (act.at(), act.actor().is_coordinator());
    if to == Status::Retired {
        return Err(library::Error::Refused(
            "Retiring is done on the instrument's page, by a coordinator.".to_owned(),
        )
        .into());
    }
    let mut errors = FormErrors::new();
    let reason = errors.text("reason", "Reason", reason, 300);
    if !errors.is_empty() {
        return Err(Refusal::Fields(errors));
    }
    let conn = act.conn();
    let instrument = Instrument::by_tag(conn, tag).await?;
    // What leaves the bench has had it.
    let from_the_bench = instrument.status == Status::Bench;
    if to == Status::Shelf
        && !coordinator
        && !from_the_bench
        && needs_bench(act, &instrument).await?
    {
        return Err(library::Error::Refused(format!(
            "{} needs the bench, so it stays off the shelf until the bench has had it. A coordinator can put it back all the same.",
            instrument.tag
        ))
        .into());
    }
    works::put(act.conn(), &instrument, to, &reason, by, at).await?;
    Ok(instrument)
}

/// Whether its condition today is that it needs the bench.
///
/// # Errors
/// When the library cannot be read.
pub async fn needs_bench(act: &mut Act, instrument: &Instrument) -> Done<bool> {
    let at = act.at();
    let row = upkeep::shelf_row(act.conn(), instrument.clone(), at).await?;
    Ok(row.assessment.condition == Condition::NeedsBench)
}
