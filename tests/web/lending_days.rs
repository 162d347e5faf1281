//! Loans dated back, their lengths, and renewals by members.

use axum::http::StatusCode;
use chrono::{Days, Duration, NaiveDate, NaiveTime, Utc};
use tubewright::library::club::Club;
use tubewright::library::entries::{Entry, EntryKind};
use tubewright::library::instruments::Design;
use tubewright::library::loans::Loan;
use tubewright::library::people::Role;
use tubewright::library::things::Sort;
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::{LoanId, PersonId, loan_periods};

use crate::common::{Client, House, Page, days_ago};
use crate::context::{lend, loan, rows, shown, status};

fn typed(day: NaiveDate) -> String {
    day.format("%Y-%m-%d").to_string()
}

fn ago(days: u64) -> NaiveDate {
    Utc::now().date_naive() - Days::new(days)
}

async fn settings(house: &House, change: impl FnOnce(&mut Club)) {
    let mut write = house.library.write().await.unwrap();
    let mut club = Club::load(&mut write).await.unwrap();
    change(&mut club);
    club.save(&mut write).await.unwrap();
    write.commit().await.unwrap();
}

/// Lends S203 with these fields beside the usual ones.
async fn lends(client: &mut Client, to: PersonId, more: &[(&str, &str)]) -> Page {
    let to = to.to_string();
    let mut fields = vec![
        ("borrower", to.as_str()),
        ("kit_all", "yes"),
        ("limit_stated", "none known"),
    ];
    fields.extend_from_slice(more);
    client.post("/instruments/S203/lend", &fields).await
}

fn id_of(page: &Page) -> LoanId {
    page.location()
        .trim_start_matches("/loans/")
        .parse()
        .unwrap()
}

#[tokio::test]
async fn a_loan_that_began_last_month_is_dated_so_in_every_book() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let (from, due) = (typed(ago(33)), typed(ago(5)));
    let page = lends(
        &mut client,
        borrower,
        &[("lent_on", &from), ("due_on", &due)],
    )
    .await;
    let lent = loan(&house, id_of(&page)).await;
    assert_eq!(typed(lent.lent_at.date_naive()), from);
    assert_eq!(lent.days_overdue(ago(0)), Some(5));
    let mut conn = house.library.read().await.unwrap();
    let book = Entry::of(&mut conn, id).await.unwrap();
    let entry = book.iter().find(|e| e.kind == EntryKind::Lend).unwrap();
    assert_eq!(entry.happened_at, lent.lent_at);
    assert_eq!(entry.recorded_at.date_naive(), ago(0), "signed as of today");
    drop(conn);
    // Back a week ago: the return and its journey count from that day.
    let page = client
        .post(
            "/check-in/S203",
            &[
                ("loan_version", &lent.id.to_string()),
                ("kit_all", "yes"),
                ("journey", "car"),
                ("happened_on", &typed(ago(7))),
            ],
        )
        .await;
    page.location();
    let over = loan(&house, lent.id).await;
    assert_eq!(over.returned_at.unwrap().date_naive(), ago(7));
    let mut conn = house.library.read().await.unwrap();
    for entry in Entry::of(&mut conn, id).await.unwrap() {
        if matches!(entry.kind, EntryKind::Return | EntryKind::Journey) {
            assert_eq!(entry.happened_at.date_naive(), ago(7), "{entry:?}");
        }
    }
}

#[tokio::test]
async fn loans_of_one_instrument_never_overlap_whichever_is_entered_first() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let past = async |client: &mut Client, from: u64, back: u64| {
        let (from, back) = (typed(ago(from)), typed(ago(back)));
        let more = [
            ("past", "yes"),
            ("lent_on", from.as_str()),
            ("back_on", back.as_str()),
        ];
        lends(client, borrower, &more).await
    };
    past(&mut client, 40, 20).await.location();
    let before = rows(&house).await;
    for (from, back) in [(50, 30), (30, 10), (35, 25), (50, 10), (40, 20)] {
        let page = past(&mut client, from, back).await;
        assert_eq!(page.status, StatusCode::CONFLICT, "{from} to {back}");
        assert!(
            page.words().contains("was on loan from"),
            "{}",
            page.words()
        );
    }
    // Still out: from then until now another had it.
    let (from, due) = (typed(ago(30)), typed(ago(0)));
    let page = lends(
        &mut client,
        borrower,
        &[("lent_on", &from), ("due_on", &due)],
    )
    .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(rows(&house).await, before);
    // End to end, by the day: before, after, and then one that is out since the 10th.
    past(&mut client, 50, 40).await.location();
    past(&mut client, 20, 10).await.location();
    let (from, due) = (typed(ago(10)), typed(ago(0)));
    let more = [("lent_on", from.as_str()), ("due_on", due.as_str())];
    lends(&mut client, borrower, &more).await.location();
    // While it is out, an older loan can still be entered.
    let page = client.get("/instruments/S203/lend?past=yes").await;
    assert_eq!(page.select("h1"), ["Enter a past loan of S203"]);
    past(&mut client, 70, 60).await.location();
    let page = past(&mut client, 15, 5).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn a_day_to_come_is_for_reserving_and_what_was_typed_stays() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let before = rows(&house).await;
    let tomorrow = typed(ago(0) + Days::new(1));
    let more = [
        ("lent_on", tomorrow.as_str()),
        ("due_on", tomorrow.as_str()),
        ("collected_by", "Ines's brother"),
    ];
    let page = lends(&mut client, borrower, &more).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let error = &page.select("#f-lent_on-error")[0];
    assert!(
        error.contains("yet to come") && error.contains("reserve it"),
        "{error}"
    );
    assert_eq!(shown(&page, "input[name=collected_by]"), "Ines's brother");
    assert_eq!(page.attributes("details.fold[open]", "class").len(), 1);
    let (from, back) = (typed(ago(3)), typed(ago(5)));
    let more = [
        ("past", "yes"),
        ("lent_on", from.as_str()),
        ("back_on", back.as_str()),
    ];
    let page = lends(&mut client, borrower, &more).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.select("#f-back_on-error")[0].contains("before it went out"));
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn who_fetched_it_and_the_deposit_are_on_the_loan_and_its_sheet() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    let due = typed(ago(0) + Days::new(7));
    let more = [
        ("due_on", due.as_str()),
        ("collected_by", "Rui Vale"),
        ("deposit", "50 in cash"),
    ];
    let path = lends(&mut client, borrower, &more)
        .await
        .location()
        .to_owned();
    for path in [path.clone(), format!("{path}/sheet")] {
        let words = client.get(&path).await.words();
        assert!(words.contains("Fetched by Rui Vale"), "{words}");
        assert!(words.contains("Deposit 50 in cash"), "{words}");
    }
    let page = client.get(&format!("{path}/sheet")).await;
    assert!(page.select(".loan-sheet-signs")[0].contains("Rui Vale, for Ines Vale: signature"));
    assert!(page.words().contains("When something is wrong"));
    assert!(
        page.words().contains("Condition Not checked"),
        "{}",
        page.words()
    );
}

#[tokio::test]
async fn an_instruments_own_length_goes_before_its_designs_and_that_before_the_clubs() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    let id = house.instrument("S203", by).await;
    let offered = async |client: &mut Client| {
        let page = client.get("/instruments/S203/lend").await;
        let day: NaiveDate = shown(&page, "input[name=due_on]").parse().unwrap();
        (day - ago(0)).num_days()
    };
    assert_eq!(offered(&mut client).await, 28);
    let page = client.get("/club/loan-lengths").await;
    let mark = shown(&page, "input[name=shown]");
    let place = Sort::all().position(|s| s == Sort::Design(Design::SchmidtCassegrain));
    let mut fields = vec![("shown", mark.as_str())];
    fields.extend((0..Sort::all().count()).map(|n| {
        let days = if Some(n) == place { "14" } else { "" };
        ("days", days)
    }));
    client.post("/club/loan-lengths", &fields).await.location();
    assert_eq!(offered(&mut client).await, 14);
    // Sent again as it was opened first, it overwrites nothing unseen.
    let page = client
        .post("/club/loan-lengths", &[("shown", mark.as_str())])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(offered(&mut client).await, 14);
    let one = "/club/loan-lengths/instrument";
    let page = client
        .post(one, &[("tag", "X9"), ("instrument_days", "3")])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let page = client
        .post(one, &[("tag", "S203"), ("instrument_days", "0")])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    client
        .post(one, &[("tag", "s203"), ("instrument_days", "3")])
        .await
        .location();
    assert_eq!(offered(&mut client).await, 3);
    client
        .post(one, &[("tag", "S203"), ("instrument_days", "")])
        .await
        .location();
    assert_eq!(offered(&mut client).await, 14);
    let mut conn = house.library.read().await.unwrap();
    let all = loan_periods::all(&mut conn).await.unwrap();
    assert_eq!(all.len(), 1);
    assert_eq!(all[0].instrument_id, None, "{id}");
}

#[tokio::test]
async fn one_person_has_as_many_as_the_club_lends_and_more_with_a_reason() {
    let house = House::empty().await;
    settings(&house, |club| club.loans_per_person = Some(1)).await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let other = house.instrument("S279", by).await;
    let borrower = house.person("Ines Vale", Role::Member).await;
    lend(&house, other, borrower, by, days_ago(3)).await;
    let due = typed(ago(0) + Days::new(7));
    let before = rows(&house).await;
    let page = lends(&mut client, borrower, &[("due_on", &due)]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let words = page.words();
    assert!(
        words.contains("has 1 already, and the club lends 1"),
        "{words}"
    );
    assert_eq!(rows(&house).await, before);
    let more = [
        ("due_on", due.as_str()),
        ("override_reason", "For her class"),
    ];
    let page = lends(&mut client, borrower, &more).await;
    let lent = loan(&house, id_of(&page)).await;
    assert_eq!(lent.override_reason.as_deref(), Some("For her class"));
}

async fn renews(client: &mut Client, id: LoanId) -> Page {
    client.post(&format!("/my-loans/{id}/renew"), &[]).await
}

#[tokio::test]
async fn members_renew_their_own_loans_as_often_as_the_club_lets_them() {
    let house = House::empty().await;
    settings(&house, |club| club.renewals = 1).await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (borrower, mut member) = house.someone(Role::Member).await;
    let (_, mut other) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    // Due today: renewed it runs the usual 28 days from today.
    let lent = lend(&house, id, borrower, by, days_ago(14)).await;
    let before = rows(&house).await;
    for client in [&mut other, &mut volunteer] {
        assert_eq!(renews(client, lent).await.status, StatusCode::NOT_FOUND);
    }
    assert_eq!(rows(&house).await, before);
    let page = member.get("/my-loans").await;
    assert_eq!(
        page.select("form button.key-plain").len(),
        1,
        "{}",
        page.words()
    );
    assert_eq!(renews(&mut member, lent).await.location(), "/my-loans");
    assert_eq!(loan(&house, lent).await.due_on, ago(0) + Days::new(28));
    let words = member.get(&format!("/loans/{lent}")).await.words();
    assert!(words.contains("Renewed until"), "{words}");
    let before = rows(&house).await;
    let page = renews(&mut member, lent).await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert!(
        page.words().contains("renewed once already"),
        "{}",
        page.words()
    );
    assert_eq!(rows(&house).await, before);
}

#[tokio::test]
async fn nobody_renews_while_somebody_waits_or_when_it_is_far_too_late() {
    let house = House::empty().await;
    let (by, _) = house.someone(Role::Volunteer).await;
    let (borrower, mut member) = house.someone(Role::Member).await;
    let waiting = house.person("Otto Reed", Role::Member).await;
    let wanted = house.instrument("S203", by).await;
    let late = house.instrument("S279", by).await;
    let wanted_loan = lend(&house, wanted, borrower, by, days_ago(13)).await;
    let late_loan = lend(&house, late, borrower, by, days_ago(30)).await;
    let mut write = house.library.write().await.unwrap();
    waits::ask(
        &mut write,
        wanted,
        waiting,
        WantsItFor::Planets,
        "",
        days_ago(1),
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = member.get("/my-loans").await;
    let words = page.words();
    assert!(words.contains("Somebody waits for it"), "{words}");
    assert!(words.contains("too late to renew"), "{words}");
    assert!(!words.contains("Otto"), "{words}");
    let before = rows(&house).await;
    for id in [wanted_loan, late_loan] {
        assert_eq!(renews(&mut member, id).await.status, StatusCode::CONFLICT);
    }
    assert_eq!(rows(&house).await, before);
}

/// One source of condition: what the shelf says, My loans says.
#[tokio::test]
async fn my_loans_says_of_the_condition_what_the_shelf_says() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    let (borrower, mut member) = house.someone(Role::Member).await;
    let id = house.instrument("S203", by).await;
    crate::context::look(&house, id, by, days_ago(20), 0.01).await;
    lend(&house, id, borrower, by, days_ago(5)).await;
    let on = async |client: &mut Client, path: &str| {
        client
            .get(path)
            .await
            .select(".row .condition > span, .mine-more .condition > span")
    };
    for _ in 0..2 {
        let shelf = on(&mut volunteer, "/shelf").await;
        let mine = on(&mut member, "/my-loans").await;
        let first = |all: &[String]| {
            let word = all[0].split_whitespace().next().unwrap_or_default();
            word.to_owned()
        };
        assert_eq!(first(&shelf), first(&mine), "{shelf:?} {mine:?}");
        volunteer
            .post(
                "/instruments/S203/logbook/new/problem",
                &[
                    ("problem_what", "moving-part"),
                    ("problem_asks_for", "the-bench"),
                    ("problem_words", "Borrower rang: the focuser slips"),
                ],
            )
            .await;
    }
    let mine = on(&mut member, "/my-loans").await;
    assert!(mine[0].starts_with("Needs the bench"), "{mine:?}");
    assert_eq!(
        status(&mut member, "GET", "/calendar").await,
        StatusCode::OK
    );
    let all = {
        let mut conn = house.library.read().await.unwrap();
        Loan::list(&mut conn, Default::default()).await.unwrap()
    };
    assert_eq!(all.len(), 1);
}

/// Half an hour before the club's midnight and half an hour after it, far from Greenwich
/// on both sides (offsets of the IANA time zone database).
#[tokio::test]
async fn days_of_loans_are_the_clubs_own_about_its_midnight() {
    for zone in ["Pacific/Kiritimati", "America/Los_Angeles", "Asia/Kolkata"] {
        for (hour, ahead) in [(23, 0), (0, 1)] {
            let case = format!("{zone} {hour}:30");
            let house = House::empty().await;
            settings(&house, |club| club.zone = zone.to_owned()).await;
            let mut conn = house.library.read().await.unwrap();
            let club = Club::load(&mut conn).await.unwrap();
            drop(conn);
            let today = club.date(Utc::now()) + Days::new(40 + ahead);
            let now = club.moment(today, NaiveTime::from_hms_opt(hour, 30, 0).unwrap());
            let past = Duration::seconds(5);
            house.app.clock.put_off(now - Utc::now() + past);
            let (by, mut client) = house.someone(Role::Volunteer).await;
            let (borrower, mut member) = house.someone(Role::Member).await;
            house.instrument("S203", by).await;
            let days = |n: i64| typed(today + Duration::days(n));
            let tomorrow = [("lent_on", days(1)), ("due_on", days(9))];
            let tomorrow: Vec<(&str, &str)> =
                tomorrow.iter().map(|(n, v)| (*n, v.as_str())).collect();
            let page = lends(&mut client, borrower, &tomorrow).await;
            assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{case}");
            let (from, back) = (days(-2), days(-1));
            let more = [
                ("past", "yes"),
                ("lent_on", from.as_str()),
                ("back_on", back.as_str()),
            ];
            let page = lends(&mut client, borrower, &more).await;
            let over = loan(&house, id_of(&page)).await;
            assert_eq!(typed(club.date(over.lent_at)), from, "{case}");
            assert_eq!(typed(club.date(over.returned_at.unwrap())), back, "{case}");
            // Since yesterday, which is when the other came back, and due today.
            let due = days(0);
            let more = [("lent_on", back.as_str()), ("due_on", due.as_str())];
            let page = lends(&mut client, borrower, &more).await;
            let lent = loan(&house, id_of(&page)).await;
            assert_eq!(typed(club.date(lent.lent_at)), back, "{case}");
            assert_eq!(lent.days_overdue(today), None, "{case}");
            let words = member.get("/my-loans").await.words();
            assert!(words.contains("Due today"), "{case}: {words}");
            renews(&mut member, lent.id).await.location();
            assert_eq!(
                typed(loan(&house, lent.id).await.due_on),
                days(28),
                "{case}"
            );
        }
    }
}
