//! Moving an instrument between the shelf, the bench and those held for it.

use super::entries::{EntryKind, NewEntry};
use super::instruments::{Instrument, Standing};
use super::{Conn, EntryId, Error, InstrumentId, Moment, PersonId, Result};

/// Puts an instrument where it now stands and writes that into its logbook.
///
/// # Errors
/// Refused when it stands there already.
pub async fn change(
    conn: &mut Conn,
    instrument: InstrumentId,
    to: Standing,
    reason: &str,
    at: Moment,
    by: PersonId,
) -> Result<EntryId> {
    let found = Instrument::get(conn, instrument).await?;
    if found.standing == to {
        return Err(Error::Refused(format!("{} is {to} already.", found.tag)));
    }
    let kept = if to == Standing::Shelf { "" } else { reason };
    Instrument::set_standing(conn, instrument, to, kept).await?;
    let mut words = to.label().to_owned();
    if let Some(first) = words.get(..1).map(str::to_uppercase) {
        words.replace_range(..1, &first);
    }
    NewEntry {
        instrument,
        kind: EntryKind::Standing,
        happened_at: at,
        recorded_at: at,
        by,
        loan: None,
        note: if reason.is_empty() {
            format!("{words}.")
        } else {
            format!("{words}: {reason}")
        },
    }
    .write(conn)
    .await
}
