//! A clock that jumps: a machine that lost its battery, or was set by hand.

use axum::http::StatusCode;
use chrono::Duration;
use tubewright::library::instruments::Instrument;
use tubewright::library::people::Role;
use tubewright::library::{audit_log, logbook};

use crate::common::House;

#[tokio::test]
async fn a_clock_that_jumps_back_loses_nothing_and_does_nothing_twice() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    let send = [("loan_version", ""), ("journey", "car"), ("note", "before")];
    let first = volunteer.post_once("/check-in/S203", "a", &send).await;
    let led = first.location().to_owned();

    house.app.clock.put_off(Duration::days(-400));
    // Still signed in; the form that was sent acts once; new ones are taken.
    let again = volunteer.post_once("/check-in/S203", "a", &send).await;
    assert_eq!(again.location(), led);
    let send = [
        ("loan_version", ""),
        ("journey", "car"),
        ("note", "after the jump"),
    ];
    assert_eq!(
        volunteer
            .post_once("/check-in/S203", "b", &send)
            .await
            .status,
        StatusCode::SEE_OTHER
    );
    for path in [
        "/instruments/S203",
        "/instruments/S203/logbook",
        "/due",
        "/shelf",
        "/loans",
    ] {
        assert_eq!(volunteer.get(path).await.status, StatusCode::OK, "{path}");
    }

    house.app.clock.put_off(Duration::zero());
    // Their session went back with the clock, and is over: a session lasts its own
    // length by the clock there is.
    let status = volunteer.get("/due").await.status;
    assert_eq!(status, StatusCode::UNAUTHORIZED);
    let mut volunteer = house.signed_in(by).await;
    let mut conn = house.library.read().await.unwrap();
    assert_eq!(Instrument::get(&mut conn, id).await.unwrap().tag, "S203");
    let notes: Vec<String> = logbook::of(&mut conn, id)
        .await
        .unwrap()
        .into_iter()
        .map(|line| line.entry.note)
        .filter(|note| !note.is_empty())
        .collect();
    for note in ["before", "after the jump"] {
        assert_eq!(notes.iter().filter(|n| *n == note).count(), 1, "{notes:?}");
    }
    assert_eq!(audit_log::check(&mut conn).await.unwrap().broken_at, None);
    let logbook = volunteer.get("/instruments/S203/logbook").await.words();
    assert!(logbook.contains("before") && logbook.contains("after the jump"));
}

#[tokio::test]
async fn a_clock_that_jumps_ahead_and_comes_back_signs_nobody_out_for_good() {
    let house = House::empty().await;
    let (_, mut member) = house.someone(Role::Member).await;
    assert_eq!(member.get("/my-loans").await.status, StatusCode::OK);
    house.app.clock.put_off(Duration::days(15));
    assert_eq!(
        member.get("/my-loans").await.status,
        StatusCode::UNAUTHORIZED,
        "a session unused for fourteen days is over"
    );
    house.app.clock.put_off(Duration::zero());
    assert_eq!(member.get("/my-loans").await.status, StatusCode::OK);
    house.app.clock.put_off(Duration::days(61));
    assert_eq!(
        member.get("/my-loans").await.status,
        StatusCode::UNAUTHORIZED
    );
}
