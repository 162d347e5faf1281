//! Days are the club's own: in the first zone of the day and nearly the last, in one
//! off by half an hour, and in one near Greenwich; at half past eleven and half past
//! midnight; on plain days and on those when the clocks change.
//! The zones' offsets and changes are those of the IANA time zone database.

use axum::http::StatusCode;
use chrono::{DateTime, Days, Duration, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;
use tubewright::library::club::Club;
use tubewright::library::people::Role;

use crate::common::{House, Page};

const ZONES: [&str; 4] = [
    "Pacific/Kiritimati",
    "America/Los_Angeles",
    "Asia/Kolkata",
    "Europe/Lisbon",
];

/// Plain days in both halves of the year, and the days about the changes of the clocks
/// in Los Angeles (14 March, 7 November 2027) and Lisbon (28 March, 31 October 2027).
const DAYS: [(i32, u32, u32); 6] = [
    (2027, 1, 15),
    (2027, 3, 14),
    (2027, 3, 28),
    (2027, 7, 15),
    (2027, 10, 31),
    (2027, 11, 7),
];

fn local(zone: Tz, day: NaiveDate, hour: u32, minute: u32) -> DateTime<Utc> {
    let time = NaiveTime::from_hms_opt(hour, minute, 0).unwrap();
    let at = zone.from_local_datetime(&day.and_time(time)).earliest();
    at.unwrap().with_timezone(&Utc)
}

fn it_is(house: &House, now: DateTime<Utc>) {
    // A little past it, so that the seconds of the test's own run do not matter.
    house
        .app
        .clock
        .put_off(now - Utc::now() + Duration::seconds(5));
}

fn typed(day: NaiveDate) -> String {
    day.format("%Y-%m-%d").to_string()
}

fn shown(day: NaiveDate) -> String {
    day.format("%-d %B %Y").to_string()
}

fn one_of(page: &Page, css: &str, attribute: &str) -> String {
    page.attributes(css, attribute).remove(0)
}

#[tokio::test]
async fn an_evening_belongs_to_the_day_the_club_has() {
    for name in ZONES {
        let zone: Tz = name.parse().unwrap();
        for (year, month, day) in DAYS {
            let today = NaiveDate::from_ymd_opt(year, month, day).unwrap();
            for (hour, minute) in [(23, 30), (0, 30)] {
                let now = local(zone, today, hour, minute);
                an_evening(name, zone, today, now).await;
            }
        }
    }
}

/// One house in one zone at one time: a loan for the night, its sheet, its lists, and
/// when it is late.
async fn an_evening(name: &str, zone: Tz, today: NaiveDate, now: DateTime<Utc>) {
    let case = format!("{name} {now}");
    let house = House::empty().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club {
        zone: name.to_owned(),
        ..Club::load(&mut write).await.unwrap()
    };
    club.save(&mut write).await.unwrap();
    write.commit().await.unwrap();
    it_is(&house, now);
    let (by, mut client) = house.someone(Role::Coordinator).await;
    house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let (yesterday, tomorrow) = (today - Days::new(1), today + Days::new(1));
    let lend = async |client: &mut crate::common::Client, due: NaiveDate| {
        let fields = [
            ("borrower", borrower.to_string()),
            ("due_on", typed(due)),
            ("kit", "finder".to_owned()),
            ("limit_stated", "Sharp up to about 90x.".to_owned()),
            ("override_reason", "Checked at the table".to_owned()),
        ];
        let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
        client.post("/instruments/S203/lend", &fields).await
    };

    // The form offers days of this calendar, and takes today and no day before.
    let page = client.get("/instruments/S203/lend").await;
    let offered: NaiveDate = one_of(&page, "input[name=due_on]", "value")
        .parse()
        .unwrap();
    let days = i64::from(u32::try_from(club.loan_days).unwrap());
    assert_eq!(offered, today + Duration::days(days), "{case}");
    let page = lend(&mut client, yesterday).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{case}");
    let page = lend(&mut client, today).await;
    assert_eq!(
        page.status,
        StatusCode::SEE_OTHER,
        "{case}: {}",
        page.words()
    );
    let loan = page.location().to_owned();

    // It went out today and is due today, on every page and in every table.
    let sheet = client.get(&format!("{loan}/sheet")).await.words();
    assert!(sheet.contains(&shown(today)), "{case}: {sheet}");
    assert!(!sheet.contains(&shown(yesterday)), "{case}: {sheet}");
    assert!(!sheet.contains(&shown(tomorrow)), "{case}: {sheet}");
    let csv = client.get("/loans.csv").await.text();
    assert!(csv.contains(&typed(today)), "{case}: {csv}");
    assert!(
        !csv.contains(&typed(yesterday)) && !csv.contains(&typed(tomorrow)),
        "{case}: {csv}"
    );
    let csv = client.get("/instruments/S203/logbook.csv").await.text();
    assert!(csv.contains(&typed(today)), "{case}: {csv}");
    assert!(
        !csv.contains(&typed(yesterday)) && !csv.contains(&typed(tomorrow)),
        "{case}: {csv}"
    );

    // What happened is of a day that has begun.
    let log = async |client: &mut crate::common::Client, on: NaiveDate| {
        let on = typed(on);
        let fields = [
            ("journey_kind", "car"),
            ("distance", "12"),
            ("happened_on", on.as_str()),
        ];
        client
            .post("/instruments/S203/logbook/new/journey", &fields)
            .await
    };
    let page = log(&mut client, tomorrow).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{case}");
    let page = log(&mut client, today).await;
    assert_eq!(
        page.status,
        StatusCode::SEE_OTHER,
        "{case}: {}",
        page.words()
    );

    // A problem reported today is of today on the start page and on the due list.
    let fields = [
        ("problem_what", "alignment-suspect"),
        ("problem_asks_for", "the-bench"),
        ("problem_words", "Rings squashed"),
        ("happened_on", &typed(today)),
    ];
    let page = client
        .post("/instruments/S203/logbook/new/problem", &fields)
        .await;
    assert_eq!(
        page.status,
        StatusCode::SEE_OTHER,
        "{case}: {}",
        page.words()
    );
    let page = client.get("/").await.words();
    assert!(page.contains("Rings squashed, today"), "{case}: {page}");
    let page = client.get("/due").await.words();
    assert!(
        page.contains("Rings squashed, reported today"),
        "{case}: {page}"
    );

    // It is late when the club's next day has begun, and not a minute before.
    let mut late = async |at: DateTime<Utc>| {
        it_is(&house, at);
        let page = client.get("/loans").await;
        assert_eq!(page.status, StatusCode::OK, "{case}: {}", page.words());
        assert!(page.words().contains("Ines Vale"), "{case}");
        page.words().contains("1 day late")
    };
    assert!(!late(local(zone, today, 23, 58)).await, "{case}");
    assert!(late(local(zone, tomorrow, 0, 1)).await, "{case}");
}
