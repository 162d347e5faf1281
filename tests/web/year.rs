//! The committee's year, against figures reckoned by hand.

use axum::http::StatusCode;
use tubewright::library::club::Club;
use tubewright::library::people::Role;

use crate::common::{Client, House};

/// A loan of S203 that is over: out at noon of one day, back at noon of another.
async fn past_loan(client: &mut Client, to: &str, from: &str, back: &str) {
    let fields = [
        ("borrower", to),
        ("kit_all", "yes"),
        ("limit_stated", "none known"),
        ("past", "yes"),
        ("lent_on", from),
        ("back_on", back),
    ];
    let page = client.post("/instruments/S203/lend", &fields).await;
    page.location();
}

#[tokio::test]
async fn a_year_is_told_as_reckoned_by_hand() {
    for zone in ["Pacific/Kiritimati", "America/Los_Angeles", "Europe/Lisbon"] {
        let house = House::empty().await;
        let mut write = house.library.write().await.unwrap();
        let mut club = Club::load(&mut write).await.unwrap();
        club.zone = zone.to_owned();
        club.save(&mut write).await.unwrap();
        write.commit().await.unwrap();
        let (by, mut client) = house.someone(Role::Coordinator).await;
        house.instrument("S203", by).await;
        let borrower = house.person("Ines Vale", Role::Member).await.to_string();
        // 30 days in May; then 11.5 days of 2023 and 9.5 of 2024, over the year's end.
        past_loan(&mut client, &borrower, "2023-05-01", "2023-05-31").await;
        past_loan(&mut client, &borrower, "2023-12-20", "2024-01-10").await;

        // 41.5 of 365 days; 9.5 of 366.
        for (year, row) in [
            ("2022", None),
            ("2023", Some("1,2,41.5,0.114,,0,0")),
            ("2024", Some("1,0,9.5,0.026,,0,0")),
        ] {
            let csv = client.get(&format!("/year.csv?of={year}")).await.text();
            let told: Vec<&str> = csv.lines().skip(1).collect();
            assert_eq!(told.len(), 1, "{zone} {year}: {csv}");
            let row = row.unwrap_or("1,0,0,0,,0,0");
            assert!(told[0].ends_with(row), "{zone} {year}: {}", told[0]);
            let page = client.get(&format!("/year?of={year}")).await;
            assert_eq!(page.status, StatusCode::OK);
            assert!(page.words().contains(&format!("The year {year}")));
        }
        let page = client.get("/year?of=2023").await;
        let words = page.words();
        assert!(
            words.contains("1 January 2023 to 31 December 2023"),
            "{words}"
        );
        assert!(
            words.contains("11 %") || words.contains("11\u{a0}%"),
            "{words}"
        );
        let bars = page.attributes("svg[role=img]", "aria-label");
        assert!(bars[0].contains("May 1,"), "{bars:?}");
        assert!(bars[0].ends_with("December 1."), "{bars:?}");
    }
}

#[tokio::test]
async fn a_year_that_cannot_be_is_refused_in_words() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Coordinator).await;
    for of in ["nine", "3000", "-1", "99999999999"] {
        let page = client.get(&format!("/year?of={of}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{of}");
        assert!(
            page.words().contains("The year: give one from 1900 to"),
            "{}",
            page.words()
        );
    }
    // This year has begun, and is told until now.
    let page = client.get("/year").await;
    assert_eq!(page.status, StatusCode::OK);
}
