//! What the tests of the lending desk share.

use axum::http::StatusCode;
use chrono::{DateTime, Duration, Utc};
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Instrument, Status};
use tubewright::library::lending::Lend;
use tubewright::library::loans::Loan;
use tubewright::library::star_tests::{FocusSide, Method, StarTest};
use tubewright::library::{InstrumentId, LoanId, PersonId, kit};

use crate::common::{Client, House, Page};

/// How many rows each table holds that a desk form can write.
pub async fn rows(house: &House) -> Vec<(&'static str, i64)> {
    let mut conn = house.library.read().await.unwrap();
    let mut counts = Vec::new();
    for table in [
        "loans",
        "loan_kit",
        "waits",
        "missing_kit",
        "renewals",
        "reservations",
        "entries",
        "journeys",
        "problems",
        "star_tests",
        "handled_forms",
    ] {
        let n: i64 =
            sqlx::query_scalar(sqlx::AssertSqlSafe(format!("SELECT COUNT(*) FROM {table}")))
                .fetch_one(&mut *conn)
                .await
                .unwrap();
        counts.push((table, n));
    }
    counts
}

/// Hands an instrument out with all its kit, due in two weeks from then.
pub async fn lend(
    house: &House,
    instrument: InstrumentId,
    borrower: PersonId,
    by: PersonId,
    at: DateTime<Utc>,
) -> LoanId {
    let mut write = house.library.write().await.unwrap();
    let kit = kit::of(&mut write, instrument).await.unwrap();
    let loan = Lend {
        instrument,
        borrower,
        at,
        by,
        due_on: at.date_naive() + Duration::days(14),
        limit_stated: "Sharp up to about 90x.".to_owned(),
        kit: kit.iter().map(|p| p.id).collect(),
        override_reason: None,
        details: Default::default(),
    }
    .write(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
    loan
}

/// Logs a star test with this coma.
pub async fn look(
    house: &House,
    instrument: InstrumentId,
    by: PersonId,
    at: DateTime<Utc>,
    coma: f64,
) {
    let mut write = house.library.write().await.unwrap();
    let entry = NewEntry {
        instrument,
        kind: EntryKind::StarTest,
        happened_at: at,
        recorded_at: at,
        by,
        loan: None,
        note: String::new(),
    };
    StarTest {
        method: Method::ByEye,
        side: FocusSide::Inside,
        diagonal: true,
        seeing: Some(2),
        magnification: Some(200.0),
        defocus_waves: Some(10.0),
        thin_to_thick: Some(0.9),
        thin_clock_deg: Some(60.0),
        coma_rms_waves: coma,
        coma_rms_waves_sigma: 0.008,
        attempt_id: None,
        judged: "{}".to_owned(),
    }
    .log(&mut write, entry)
    .await
    .unwrap();
    write.commit().await.unwrap();
}

pub async fn stand(house: &House, instrument: InstrumentId, standing: Status) {
    let mut write = house.library.write().await.unwrap();
    Instrument::set_status(&mut write, instrument, standing, "stiff focuser")
        .await
        .unwrap();
    write.commit().await.unwrap();
}

pub async fn instrument(house: &House, tag: &str) -> Instrument {
    let mut conn = house.library.read().await.unwrap();
    Instrument::by_tag(&mut conn, tag).await.unwrap()
}

pub async fn loan(house: &House, id: LoanId) -> Loan {
    let mut conn = house.library.read().await.unwrap();
    Loan::get(&mut conn, id).await.unwrap()
}

/// The value of a form's field as the page shows it.
pub fn shown(page: &Page, css: &str) -> String {
    page.attributes(css, "value")
        .pop()
        .unwrap_or_else(|| panic!("nothing at {css}: {}", page.words()))
}

/// What a route answers to this browser: for a form, with nothing in it.
pub async fn status(client: &mut Client, method: &str, path: &str) -> StatusCode {
    if method == "GET" {
        client.get(path).await.status
    } else {
        client.post(path, &[]).await.status
    }
}
