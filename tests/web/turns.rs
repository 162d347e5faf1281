//! The waiting list decides: for whom what came back is kept, in the club's days.

use axum::http::StatusCode;
use chrono::{DateTime, Days, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use tubewright::library::club::Club;
use tubewright::library::people::Role;
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::{InstrumentId, PersonId, returning};

use crate::common::{Client, House, Page};
use crate::context::{lend, loan, rows};

fn it_is(house: &House, now: DateTime<Utc>) {
    let past = Duration::seconds(5);
    house.app.clock.put_off(now - Utc::now() + past);
}

async fn asks(house: &House, id: InstrumentId, who: PersonId, at: DateTime<Utc>) {
    let mut write = house.library.write().await.unwrap();
    waits::ask(&mut write, id, who, WantsItFor::Planets, "", at)
        .await
        .unwrap();
    write.commit().await.unwrap();
}

async fn lends(client: &mut Client, to: PersonId, due: NaiveDate, reason: &str) -> Page {
    let (to, due) = (to.to_string(), due.format("%Y-%m-%d").to_string());
    let fields = [
        ("borrower", to.as_str()),
        ("due_on", due.as_str()),
        ("kit_all", "yes"),
        ("limit_stated", "none known"),
        ("override_reason", reason),
    ];
    client.post("/instruments/S203/lend", &fields).await
}

/// It comes back late in the evening or early in the morning of the club's day; then it
/// is kept three days for each in turn, whatever the day is in UTC.
#[tokio::test]
async fn it_is_kept_for_each_in_turn_by_the_clubs_own_days() {
    // Offsets from the IANA time zone database: 14 hours ahead, 8 behind, 5 1/2 ahead.
    for (zone, first_hour) in [
        ("Pacific/Kiritimati", 23),
        ("America/Los_Angeles", 0),
        ("America/Los_Angeles", 23),
        ("Asia/Kolkata", 0),
    ] {
        let tz: Tz = zone.parse().unwrap();
        let house = House::empty().await;
        let mut write = house.library.write().await.unwrap();
        let club = Club {
            zone: zone.to_owned(),
            fetch_days: 3,
            ..Club::load(&mut write).await.unwrap()
        };
        club.save(&mut write).await.unwrap();
        write.commit().await.unwrap();
        let day = (Utc::now() + Duration::days(40))
            .with_timezone(&tz)
            .date_naive();
        let at = |days: u64, hour: u32| {
            let time = chrono::NaiveTime::from_hms_opt(hour, 30, 0).unwrap();
            club.moment(day + Days::new(days), time)
        };
        let (by, _) = house.someone(Role::Volunteer).await;
        let first = house.person("Anna First", Role::Member).await;
        let second = house.person("Ben Second", Role::Member).await;
        let id = house.instrument("S203", by).await;
        let lent = lend(&house, id, by, by, at(0, first_hour) - Duration::days(9)).await;
        asks(&house, id, first, at(0, first_hour) - Duration::days(5)).await;
        asks(&house, id, second, at(0, first_hour) - Duration::days(4)).await;
        it_is(&house, at(0, first_hour));
        let words = async |who: PersonId| {
            let mut client = house.signed_in(who).await;
            let start = client.get("/").await.words();
            let mine = client.get("/my-loans").await.words();
            (start, mine)
        };
        let short = |days: u64| {
            let day = day + Days::new(days);
            day.format("%a\u{a0}%-d\u{a0}%b")
                .to_string()
                .replace('\u{a0}', " ")
        };
        let case = |said: &(String, String)| format!("{zone} {first_hour}: {said:?}");
        let said = words(first).await;
        assert!(
            said.1.contains("You are next in line. You asked"),
            "{}",
            case(&said)
        );
        let mut write = house.library.write().await.unwrap();
        returning::return_loan(&mut write, lent, &[], at(0, first_hour), by)
            .await
            .unwrap();
        write.commit().await.unwrap();
        let kept = format!("It is kept for you until {}.", short(3));
        for (days, hour) in [(0, first_hour), (3, 23)] {
            it_is(&house, at(days, hour));
            let said = words(first).await;
            assert!(
                said.0.contains(&kept) && said.1.contains(&kept),
                "{}",
                case(&said)
            );
            let said = words(second).await;
            assert!(
                said.1.contains("One person is ahead of you."),
                "{}",
                case(&said)
            );
            let shelf = house.visitor().get("/shelf").await.words();
            assert!(
                // Without its weekday.
                shelf
                    .replace('\u{a0}', " ")
                    .contains(&format!("kept until {}", &short(3)[4..])),
                "{shelf}"
            );
            assert!(!shelf.contains("Anna"), "{shelf}");
        }
        it_is(&house, at(4, 0));
        let said = words(first).await;
        let passed = format!(
            "It was kept for you until {}. You keep your place.",
            short(3)
        );
        assert!(said.0.contains(&passed), "{}", case(&said));
        let said = words(second).await;
        let kept = format!("It is kept for you until {}.", short(7));
        assert!(said.0.contains(&kept), "{}", case(&said));
        it_is(&house, at(8, 0));
        let shelf = house.visitor().get("/shelf").await.words();
        assert!(!shelf.contains("kept until"), "{shelf}");
    }
}

#[tokio::test]
async fn lending_past_the_next_in_line_takes_a_reason_that_is_kept() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let next = house.person("Anna Next", Role::Member).await;
    let other = house.person("Ben Other", Role::Member).await;
    let id = house.instrument("S203", by).await;
    asks(&house, id, next, Utc::now()).await;
    let due = Utc::now().date_naive() + Days::new(7);
    let page = client.get("/instruments/S203/lend").await;
    let words = page.words();
    assert!(
        words.contains("Anna Next is next in line. It is kept for them until"),
        "{words}"
    );
    let before = rows(&house).await;
    let page = lends(&mut client, other, due, "").await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.select("#f-override_reason-error")[0].contains("please fill this in"));
    assert_eq!(rows(&house).await, before);
    let page = lends(&mut client, other, due, "Anna is away this week").await;
    let path = page.location().to_owned();
    let lent = loan(&house, path.trim_start_matches("/loans/").parse().unwrap()).await;
    assert_eq!(
        lent.override_reason.as_deref(),
        Some("Anna is away this week")
    );
    let words = client.get("/instruments/S203/logbook").await.words();
    assert!(
        words.contains("Lent although kept for the next in line: Anna is away this week"),
        "{words}"
    );
    assert!(!words.contains("Anna Next"), "{words}");
}

#[tokio::test]
async fn the_next_in_line_gets_it_without_a_reason() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let next = house.person("Anna Next", Role::Member).await;
    let id = house.instrument("S203", by).await;
    asks(&house, id, next, Utc::now()).await;
    let due = Utc::now().date_naive() + Days::new(7);
    let page = lends(&mut client, next, due, "").await;
    let path = page.location().to_owned();
    let lent = loan(&house, path.trim_start_matches("/loans/").parse().unwrap()).await;
    assert_eq!(lent.override_reason, None);
}
