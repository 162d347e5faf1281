//! Reservations hold and warn; several instruments go out for one evening and come back
//! in one act.

use axum::http::StatusCode;
use chrono::{DateTime, Days, Duration, NaiveDate, NaiveTime, Utc};
use tubewright::library::club::Club;
use tubewright::library::journeys::{self, JourneyKind};
use tubewright::library::people::Role;
use tubewright::library::{PersonId, missing_kit, reservations};

use crate::common::{Client, House, Page, days_ago};
use crate::context::{instrument, lend, loan, rows, status};

fn on(days: u64) -> NaiveDate {
    Utc::now().date_naive() + Days::new(days)
}

async fn reserves(client: &mut Client, tag: &str, from: u64, until: u64, who: &str) -> Page {
    let (from, until) = (on(from).to_string(), on(until).to_string());
    let fields = [
        ("from_on", from.as_str()),
        ("until_on", until.as_str()),
        ("person", who),
        ("event", if who.is_empty() { "Open evening" } else { "" }),
    ];
    client
        .post(&format!("/instruments/{tag}/reserve"), &fields)
        .await
}

async fn lends(client: &mut Client, to: PersonId, due: u64, more: &[(&str, &str)]) -> Page {
    let (to, due) = (to.to_string(), on(due).to_string());
    let mut fields = vec![
        ("borrower", to.as_str()),
        ("due_on", due.as_str()),
        ("kit_all", "yes"),
        ("limit_stated", "none known"),
    ];
    fields.extend_from_slice(more);
    client.post("/instruments/S203/lend", &fields).await
}

#[tokio::test]
async fn volunteers_reserve_and_cancel_and_no_two_reservations_meet() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let (_, mut member) = house.someone(Role::Member).await;
    house.instrument("S203", by).await;
    let ines = house.person("Ines Vale", Role::Member).await;
    for path in [
        "/reservations",
        "/reservations.csv",
        "/instruments/S203/reserve",
    ] {
        assert_eq!(
            status(&mut member, "GET", path).await,
            StatusCode::FORBIDDEN,
            "{path}"
        );
    }
    let page = client.get("/reservations").await;
    assert_eq!(page.select(".empty-title"), ["Nothing is reserved"]);
    let page = reserves(&mut client, "S203", 5, 7, &ines.to_string()).await;
    assert_eq!(page.location(), "/reservations");
    let before = rows(&house).await;
    for (from, until) in [(5, 7), (6, 6), (1, 5), (7, 20), (1, 20)] {
        let page = reserves(&mut client, "S203", from, until, "").await;
        assert_eq!(
            page.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{from} to {until}"
        );
        let error = &page.select("#f-from_on-error")[0];
        assert!(
            error.contains("reserved") && error.contains("Ines Vale"),
            "{error}"
        );
    }
    // The wrong way round, nobody, and a day that is none.
    for (from, until, event) in [("9", "8", "x"), ("9", "9", ""), ("soon", "", "x")] {
        let day = |text: &str| match text.parse() {
            Ok(days) => on(days).to_string(),
            Err(_) => text.to_owned(),
        };
        let (from, until) = (day(from), day(until));
        let fields = [
            ("from_on", from.as_str()),
            ("until_on", &until),
            ("event", event),
        ];
        let page = client.post("/instruments/S203/reserve", &fields).await;
        assert_eq!(
            page.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{from} {until} {event}"
        );
    }
    assert_eq!(rows(&house).await, before);
    reserves(&mut client, "S203", 8, 8, "").await.location();
    let csv = client.get("/reservations.csv").await.text();
    assert_eq!(csv.lines().count(), 3, "{csv}");
    assert!(
        csv.contains("Ines Vale") && csv.contains("Open evening"),
        "{csv}"
    );
    // The page that everyone sees says when and not for whom.
    let words = house.visitor().get("/instruments/S203").await.words();
    let days = reservations::days_words(on(5), on(7));
    assert!(words.contains(&format!("Reserved {days}.")), "{words}");
    assert!(!words.contains("Ines"), "{words}");
    let shelf = house.visitor().get("/shelf").await.words();
    assert!(shelf.contains("reserved from"), "{shelf}");
    let page = client.get("/reservations").await;
    let cancel = page.attributes("tbody form", "action").remove(0);
    assert_eq!(
        status(&mut member, "POST", &cancel).await,
        StatusCode::FORBIDDEN
    );
    client.post(&cancel, &[]).await.location();
    assert_eq!(client.post(&cancel, &[]).await.status, StatusCode::CONFLICT);
    reserves(&mut client, "S203", 6, 6, "").await.location();
}

#[tokio::test]
async fn a_loan_into_a_reservation_takes_an_earlier_day_or_a_reason() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let ines = house.person("Ines Vale", Role::Member).await;
    let otto = house.person("Otto Reed", Role::Member).await;
    reserves(&mut client, "S203", 10, 12, &ines.to_string())
        .await
        .location();
    let words = client.get("/instruments/S203/lend").await.words();
    assert!(
        words.contains("Choose an earlier day to bring it back"),
        "{words}"
    );
    let before = rows(&house).await;
    for due in [10, 11, 20] {
        let page = lends(&mut client, otto, due, &[]).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{due}");
    }
    assert_eq!(rows(&house).await, before);
    let page = lends(&mut client, otto, 9, &[]).await;
    let path = page.location().to_owned();
    let lent = loan(&house, path.trim_start_matches("/loans/").parse().unwrap()).await;
    assert_eq!(lent.override_reason, None);
    // Nobody's loan runs into it, so the list warns of none.
    assert!(client.get("/reservations").await.select(".late").is_empty());
    // Nor can its day be moved into it, by the desk or by the borrower.
    let words = client.get(&path).await.words();
    let days = reservations::days_words(on(10), on(12));
    assert!(words.contains(&format!("Reserved {days}.")), "{words}");
    let until = [("due_on", on(10).to_string())];
    let until: Vec<(&str, &str)> = until.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let page = client.post(&format!("{path}/until"), &until).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(page.words().contains("is reserved"), "{}", page.words());
    let mut borrower = house.signed_in(otto).await;
    let page = borrower
        .post(&format!("/my-loans/{}/renew", lent.id), &[])
        .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(
        page.words().contains("It is reserved from"),
        "{}",
        page.words()
    );
}

#[tokio::test]
async fn whoever_it_is_reserved_for_gets_it_without_a_reason() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let ines = house.person("Ines Vale", Role::Member).await;
    let otto = house.person("Otto Reed", Role::Member).await;
    reserves(&mut client, "S203", 0, 12, &ines.to_string())
        .await
        .location();
    let page = lends(
        &mut client,
        otto,
        20,
        &[("override_reason", "Ines lets him")],
    )
    .await;
    let path = page.location().to_owned();
    let lent = loan(&house, path.trim_start_matches("/loans/").parse().unwrap()).await;
    assert_eq!(lent.override_reason.as_deref(), Some("Ines lets him"));
    let warned = client.get("/reservations").await.select(".late");
    assert!(warned[0].starts_with("On loan, due"), "{warned:?}");
    let version = lent.id.to_string();
    let back = [("loan_version", version.as_str()), ("kit_all", "yes")];
    client.post("/check-in/S203", &back).await.location();
    let page = lends(&mut client, ines, 20, &[]).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
}

/// The first day counts from the club's midnight, half an hour before and after it.
#[tokio::test]
async fn a_reservation_begins_at_the_clubs_midnight() {
    for zone in ["Pacific/Kiritimati", "America/Los_Angeles", "Asia/Kolkata"] {
        let house = House::empty().await;
        let mut write = house.library.write().await.unwrap();
        let club = Club {
            zone: zone.to_owned(),
            ..Club::load(&mut write).await.unwrap()
        };
        club.save(&mut write).await.unwrap();
        write.commit().await.unwrap();
        let it_is = |at: DateTime<Utc>| {
            let past = Duration::seconds(5);
            house.app.clock.put_off(at - Utc::now() + past);
        };
        let day = club.date(Utc::now()) + Days::new(40);
        let time = |hour| NaiveTime::from_hms_opt(hour, 30, 0).unwrap();
        let (by, _) = house.someone(Role::Volunteer).await;
        house.instrument("S203", by).await;
        it_is(club.moment(day - Days::new(1), time(23)));
        let mut client = house.signed_in(by).await;
        let reserve = async |client: &mut Client, on: NaiveDate| {
            let on = on.to_string();
            let fields = [("from_on", on.as_str()), ("event", "Open evening")];
            client.post("/instruments/S203/reserve", &fields).await
        };
        let page = reserve(&mut client, day - Days::new(2)).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{zone}");
        reserve(&mut client, day).await.location();
        let shelf = client.get("/shelf").await.words();
        assert!(shelf.contains("reserved from"), "{zone}: {shelf}");
        it_is(club.moment(day, time(0)));
        let shelf = client.get("/shelf").await.words();
        assert!(shelf.contains("reserved until"), "{zone}: {shelf}");
        it_is(club.moment(day, time(23)));
        let shelf = client.get("/shelf").await.words();
        assert!(shelf.contains("reserved until"), "{zone}: {shelf}");
        it_is(club.moment(day + Days::new(1), time(0)));
        let shelf = client.get("/shelf").await.words();
        assert!(!shelf.contains("reserved"), "{zone}: {shelf}");
    }
}

#[tokio::test]
async fn an_evening_takes_several_out_and_back_in_one_act_each_with_its_journey() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    for tag in ["S203", "S279", "N130"] {
        house.instrument(tag, by).await;
    }
    let otto = house.person("Otto Reed", Role::Member).await;
    reserves(&mut client, "S203", 0, 0, "").await.location();
    reserves(&mut client, "N130", 0, 1, &otto.to_string())
        .await
        .location();
    let page = client.get("/outings/new?event=Open+evening").await;
    let ticked = page.attributes("input[name=take][checked]", "value");
    assert_eq!(ticked, ["S203"], "what is reserved for it");
    let before = rows(&house).await;
    let (borrower, due) = (by.to_string(), on(0).to_string());
    let mut out = vec![
        ("event", "Open evening"),
        ("borrower", borrower.as_str()),
        ("due_on", due.as_str()),
        ("take", "S203"),
        ("take", "S279"),
    ];
    // One that is reserved for somebody else takes a reason, and none goes without.
    let mut with_another = out.clone();
    with_another.push(("take", "N130"));
    let page = client.post("/outings/new", &with_another).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.select("#errors li")[0].contains("N130"),
        "{:?}",
        page.select("#errors li")
    );
    assert_eq!(rows(&house).await, before);
    let page = client.post("/outings/new", &out).await;
    let path = page.location().to_owned();
    let words = client.get("/loans").await.words();
    assert!(words.contains("Return from: Open evening (2)"), "{words}");
    out.truncate(3);
    assert_eq!(
        client.post("/outings/new", &out).await.status,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    let page = client.get(&path).await;
    let loans = page.attributes("input[type=checkbox][name=back]", "value");
    assert_eq!(loans.len(), 2);
    let without = page.attributes("input[name=without]", "value").remove(1);
    let mut fields = vec![
        ("event", "Open evening"),
        ("without", without.as_str()),
        ("journey", "car"),
        ("journey", "public-event"),
        ("distance_by_car", "24"),
    ];
    let page = client.post("/outings/back", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    fields.extend(loans.iter().map(|id| ("back", id.as_str())));
    client.post("/outings/back", &fields).await.location();
    let mut conn = house.library.read().await.unwrap();
    let mut missing = 0;
    for tag in ["S203", "S279"] {
        let one = instrument(&house, tag).await;
        assert!(one.open_loan.is_none(), "{tag}");
        let told = journeys::current(&mut conn, Some(one.id)).await.unwrap();
        let kinds: Vec<JourneyKind> = told.iter().map(|j| j.journey.kind).collect();
        assert_eq!(kinds, [JourneyKind::Car, JourneyKind::PublicEvent], "{tag}");
        assert_eq!(told[0].journey.distance_km, Some(24.0));
        missing += missing_kit::of(&mut conn, one.id).await.unwrap().len();
    }
    assert_eq!(missing, 1);
}

#[tokio::test]
async fn the_calendar_shows_a_month_and_names_nobody() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (_, mut member) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    house.instrument("S279", by).await;
    let ines = house.person("Ines Vale", Role::Member).await;
    lend(&house, id, ines, by, days_ago(14)).await;
    reserves(&mut volunteer, "S279", 0, 0, &ines.to_string())
        .await
        .location();
    assert_eq!(
        status(&mut house.visitor(), "GET", "/calendar").await,
        StatusCode::UNAUTHORIZED
    );
    let page = member.get("/calendar").await;
    let today = &page.select(".cal-today")[0];
    assert!(
        today.contains("Due S203") && today.contains("Reserved S279"),
        "{today}"
    );
    assert!(today.contains("1 out"), "{today}");
    assert!(!page.words().contains("Ines"), "{}", page.words());
    let page = member.get("/calendar?month=2027-02").await;
    assert_eq!(
        page.select(".cal-day").len(),
        28,
        "February 2027 begins on a Monday"
    );
    for wrong in ["2027", "2027-13", "-1", "%00"] {
        let path = format!("/calendar?month={wrong}");
        assert_eq!(
            status(&mut member, "GET", &path).await,
            StatusCode::BAD_REQUEST,
            "{wrong}"
        );
    }
}
