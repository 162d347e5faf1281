//! Word to people: what is said of a loan over its days, of a turn, of a settled problem,
//! of the week; what people choose; sign-in links; a calendar read by another library.

use axum::http::StatusCode;
use calcard::icalendar::{ICalendar, ICalendarComponentType, ICalendarProperty, ICalendarValue};
use chrono::{DateTime, Datelike, Days, Duration, NaiveDate, TimeZone, Utc, Weekday};
use chrono_tz::Tz;
use tubewright::library::club::Club;
use tubewright::library::lending::{Lend, LendDetails};
use tubewright::library::loans::Loan;
use tubewright::library::messages::{self, Kind, Message, State};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::things;
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::work_nights::NewWorkNight;
use tubewright::library::{InstrumentId, LoanId, PersonId};
use tubewright::web::post::{Post, carry};

use crate::common::{Client, House};
use crate::due::tested;

fn local(zone: Tz, day: NaiveDate, hour: u32) -> DateTime<Utc> {
    let at = day.and_hms_opt(hour, 0, 0).unwrap();
    zone.from_local_datetime(&at).earliest().unwrap().to_utc()
}

fn it_is(house: &House, now: DateTime<Utc>) {
    let ahead = now - Utc::now() + Duration::seconds(5);
    house.app.clock.put_off(ahead);
}

/// A club in this zone.
async fn in_zone(zone: Tz) -> House {
    let house = House::empty().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club {
        zone: zone.name().to_owned(),
        contact: "The desk, Thursdays from 19:00".to_owned(),
        ..Club::load(&mut write).await.unwrap()
    };
    club.save(&mut write).await.unwrap();
    write.commit().await.unwrap();
    house
}

/// What is written down by now, the oldest first.
async fn said(house: &House) -> Vec<Message> {
    carry::write_down(&house.app).await.unwrap();
    let mut conn = house.library.read().await.unwrap();
    let mut all = Message::all(&mut conn).await.unwrap();
    all.sort_by_key(|m| (m.made_at, m.id));
    all
}

async fn lend(
    house: &House,
    id: InstrumentId,
    to: PersonId,
    by: PersonId,
    at: DateTime<Utc>,
    due_on: NaiveDate,
) -> LoanId {
    let mut write = house.library.write().await.unwrap();
    let loan = Lend {
        instrument: id,
        borrower: to,
        at,
        by,
        due_on,
        limit_stated: "none".to_owned(),
        kit: Vec::new(),
        override_reason: None,
        details: LendDetails::default(),
    };
    let id = loan.write(&mut write).await.unwrap();
    write.commit().await.unwrap();
    id
}

async fn take_back(house: &House, loan: LoanId, by: PersonId, at: DateTime<Utc>) {
    let mut write = house.library.write().await.unwrap();
    let of = Loan::get(&mut write, loan).await.unwrap();
    tubewright::library::returning::Return {
        loan: of.id,
        at,
        recorded_at: at,
        by,
        came_back: Vec::new(),
    }
    .write(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
}

/// A loan of fourteen days, looked at each day at 8 and at 10 by the club's clock.
#[tokio::test]
async fn a_loans_days_bring_each_message_once_in_the_clubs_own_morning() {
    for zone in [
        Tz::Pacific__Kiritimati,
        Tz::America__Los_Angeles,
        Tz::Asia__Kolkata,
        Tz::Europe__Lisbon,
    ] {
        let house = in_zone(zone).await;
        // Across the change of the clocks in both zones that have one.
        let out = NaiveDate::from_ymd_opt(2027, 3, 10).unwrap();
        it_is(&house, local(zone, out, 20));
        let by = house.person("Mara Thorn", Role::Volunteer).await;
        let ines = house.person("Ines Vale", Role::Member).await;
        let id = house.instrument("S203", by).await;
        let due = out + Days::new(14);
        let loan = lend(&house, id, ines, by, local(zone, out, 20), due).await;
        let mut heard = Vec::new();
        for day in out.iter_days().skip(1).take(30) {
            it_is(&house, local(zone, day, 8));
            let before = said(&house).await.len();
            assert_eq!(before, heard.len(), "{zone} {day}: nobody is woken");
            it_is(&house, local(zone, day, 10));
            // Twice: the second time nothing is new.
            said(&house).await;
            for m in said(&house).await.into_iter().skip(heard.len()) {
                assert_eq!(m.person, "Ines Vale");
                assert!(m.body.contains("The desk, Thursdays"), "{}", m.body);
                heard.push(((day - due).num_days(), m.kind, m.subject));
            }
        }
        let told: Vec<(i64, Kind, &str)> =
            heard.iter().map(|(d, k, s)| (*d, *k, s.as_str())).collect();
        assert_eq!(
            told,
            [
                (-3, Kind::DueSoon, "S203 is due back in 3 days"),
                (1, Kind::Late, "S203 is 1 day late"),
                (8, Kind::Late, "S203 is 8 days late"),
                (15, Kind::Late, "S203 is 15 days late"),
            ],
            "{zone}"
        );
        // Back on the shelf: what still waited is dropped, nothing new comes.
        let back = out + Days::new(31);
        take_back(&house, loan, by, local(zone, back, 9)).await;
        it_is(&house, local(zone, back, 12));
        let all = said(&house).await;
        assert_eq!(all.len(), 4, "{zone}");
        assert!(all.iter().all(|m| m.state == State::Dropped), "{zone}");
    }
}

#[tokio::test]
async fn short_loans_and_those_who_chose_so_are_not_written_to() {
    let zone = Tz::Europe__Lisbon;
    let house = in_zone(zone).await;
    let out = NaiveDate::from_ymd_opt(2027, 5, 5).unwrap();
    it_is(&house, local(zone, out, 12));
    let by = house.person("Mara Thorn", Role::Volunteer).await;
    let (ines, mut client) = house.someone(Role::Member).await;
    let (a, b) = (
        house.instrument("A1", by).await,
        house.instrument("B1", by).await,
    );
    let at = local(zone, out, 11);
    lend(&house, a, ines, by, at, out + Days::new(3)).await;
    lend(&house, b, ines, by, at, out + Days::new(4)).await;
    it_is(&house, local(zone, out + Days::new(1), 12));
    let all = said(&house).await;
    assert_eq!(all.len(), 1, "only the longer one: {all:#?}");
    // Their own page: what they do not tick is dropped and does not come again.
    let page = client.get("/me").await;
    let offered = page.attributes("input[name=wanted]", "value");
    assert_eq!(
        offered,
        ["due-soon", "late", "your-turn", "reserved", "settled"]
    );
    let page = client.post("/me/messages", &[("wanted", "late")]).await;
    assert_eq!(page.location(), "/me#messages");
    let all = said(&house).await;
    assert_eq!(all[0].state, State::Dropped);
    it_is(&house, local(zone, out + Days::new(5), 12));
    let late: Vec<Kind> = said(&house).await.iter().skip(1).map(|m| m.kind).collect();
    assert_eq!(late, [Kind::Late, Kind::Late]);
}

#[tokio::test]
async fn a_turn_a_settled_problem_and_the_week_are_told_to_whom_they_concern() {
    let zone = Tz::Asia__Kolkata;
    let house = in_zone(zone).await;
    // A Sunday.
    let sunday = NaiveDate::from_ymd_opt(2027, 6, 6).unwrap();
    assert_eq!(sunday.weekday(), Weekday::Sun);
    it_is(&house, local(zone, sunday, 12));
    let (by, mut desk) = house.someone(Role::Volunteer).await;
    let boss = house.person("Mara Thorn", Role::Coordinator).await;
    let (ines, mut client) = house.someone(Role::Member).await;
    let otto = house.person("Otto Brink", Role::Member).await;
    let id = house.instrument("S203", by).await;
    tested(&house, id, by, 0.02, local(zone, sunday, 8)).await;
    let mut write = house.library.write().await.unwrap();
    for (who, hour) in [(ines, 9), (otto, 10)] {
        let at = local(zone, sunday, hour);
        waits::ask(&mut write, id, who, WantsItFor::Planets, "", at)
            .await
            .unwrap();
    }
    write.commit().await.unwrap();
    let of = |all: &[Message], kind: Kind| -> Vec<Message> {
        all.iter().filter(|m| m.kind == kind).cloned().collect()
    };
    // The first in line hears of it, the second does not; it is said once.
    said(&house).await;
    let turns = of(&said(&house).await, Kind::YourTurn);
    assert_eq!(turns.len(), 1);
    assert!(turns[0].person.starts_with("member"), "{turns:#?}");
    assert_eq!(turns[0].subject, "S203 is here for you");
    // They take themselves off: the next hears of it.
    let page = client.get("/my-loans").await;
    let off = page.attributes("form[action*=waiting]", "action");
    let page = client.post(&off[0], &[]).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER);
    let turns = of(&said(&house).await, Kind::YourTurn);
    assert_eq!(turns.len(), 2);
    assert!(turns.iter().any(|m| m.person == "Otto Brink"));

    // A thing has no condition to wait for: its turn is told as soon as it is there.
    let mount = crate::things::thing(&house, "M-1", things::Kind::Mount, by).await;
    let mut write = house.library.write().await.unwrap();
    waits::ask(&mut write, mount, otto, None, "", house.app.clock.now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    let turns = of(&said(&house).await, Kind::YourTurn);
    let told = turns.iter().find(|m| m.subject == "M-1 is here for you");
    let body = &told.expect("Otto hears of the mount").body;
    assert!(
        body.contains("M-1 (mount of the club) is on the shelf"),
        "{body}"
    );
    assert!(body.contains("/instruments/M-1"), "{body}");

    // A problem that a volunteer reports and another settles.
    let other = house.person("Lena Sorg", Role::Volunteer).await;
    let mut bench = house.signed_in(other).await;
    let fields = [
        ("problem_what", "moving-part"),
        ("problem_asks_for", "a-look"),
        ("problem_words", "The focuser slips"),
    ];
    let page = desk
        .post("/instruments/S203/logbook/new/problem", &fields)
        .await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    assert!(of(&said(&house).await, Kind::Settled).is_empty());
    let page = bench.get("/instruments/S203/work").await;
    let settles = page.attributes("input[name=settles]", "value");
    let fields = [
        ("what", "repair"),
        ("words", "New felt in the focuser"),
        ("moved_optics", "no"),
        ("on", "2027-06-06"),
        ("settles", settles[0].as_str()),
    ];
    let page = bench.post("/instruments/S203/work", &fields).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    let told = of(&said(&house).await, Kind::Settled);
    assert_eq!(told.len(), 1, "{told:#?}");
    assert!(
        told[0].body.contains("The focuser slips"),
        "{}",
        told[0].body
    );
    assert!(told[0].body.contains("New felt"), "{}", told[0].body);

    // The week: one message to each coordinator, from Monday on, and the next a week later.
    let loan_out = local(zone, sunday, 13);
    let second = house.instrument("N150", by).await;
    lend(&house, second, otto, by, loan_out, sunday + Days::new(5)).await;
    let before = of(&said(&house).await, Kind::Week).len();
    for (days, more) in [(1_u64, 1), (2, 1), (7, 1), (8, 2)] {
        it_is(&house, local(zone, sunday + Days::new(days), 12));
        let week = of(&said(&house).await, Kind::Week);
        assert_eq!(week.len() - before, more, "{days}");
        assert!(week.iter().all(|m| m.person == "Mara Thorn"));
    }
    let week = of(&said(&house).await, Kind::Week);
    let first = week
        .iter()
        .find(|m| m.subject.ends_with("the week from 7 June"))
        .unwrap();
    assert!(
        first.body.contains("N150, Otto Brink, Friday"),
        "{}",
        first.body
    );
    let mut conn = house.library.read().await.unwrap();
    assert!(
        messages::unwanted(&mut conn, boss)
            .await
            .unwrap()
            .is_empty()
    );
}

/// The days of a turn run whether or not somebody has tested what is kept.
#[tokio::test]
async fn who_is_next_hears_of_what_nobody_has_tested_and_not_of_what_needs_the_bench() {
    let zone = Tz::Europe__Lisbon;
    let house = in_zone(zone).await;
    let day = NaiveDate::from_ymd_opt(2027, 6, 6).unwrap();
    it_is(&house, local(zone, day, 12));
    let by = house.person("Mara Thorn", Role::Volunteer).await;
    let ines = house.person("Ines Vale", Role::Member).await;
    let untested = house.instrument("A1", by).await;
    let bent = house.instrument("B1", by).await;
    tested(&house, bent, by, 0.3, local(zone, day, 8)).await;
    let mut write = house.library.write().await.unwrap();
    for id in [untested, bent] {
        let at = local(zone, day, 9);
        waits::ask(&mut write, id, ines, WantsItFor::Planets, "", at)
            .await
            .unwrap();
    }
    write.commit().await.unwrap();
    let told = said(&house).await;
    let told: Vec<_> = told.iter().map(|m| (m.kind, m.subject.as_str())).collect();
    assert_eq!(told, [(Kind::YourTurn, "A1 is here for you")]);
    // The desk has the same before it.
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    let today = boss.get("/").await.words();
    assert!(
        today.contains("A1 Ines Vale, for Moon and planets"),
        "{today}"
    );
    assert!(!today.contains("B1 Ines Vale"), "{today}");
}

/// With a mail server that nothing is sent to: the messages are looked at here.
async fn with_mail() -> House {
    let mut house = House::empty().await;
    house.app.post = Post::by(
        "smtp://localhost:1",
        "desk@club.example",
        "http://desk.example",
    )
    .unwrap();
    house.reroute();
    house
}

#[tokio::test]
async fn a_link_can_be_asked_for_and_the_answer_tells_nothing() {
    let house = with_mail().await;
    house.person("Ines Vale", Role::Member).await;
    let mut visitor = house.visitor();
    let mut answers = Vec::new();
    for email in [
        "ines.vale@club.example",
        "nobody@club.example",
        "not an address",
    ] {
        let page = visitor.post("/sign-in/link", &[("email", email)]).await;
        let to = page.location().to_owned();
        answers.push((to.clone(), visitor.get(&to).await.select(".notice")));
    }
    assert!(answers.iter().all(|a| *a == answers[0]), "{answers:?}");
    let link = |all: &[Message]| -> Vec<String> {
        let links = all.iter().filter(|m| m.kind == Kind::SignIn);
        links.map(|m| m.body.clone()).collect()
    };
    let mut conn = house.library.read().await.unwrap();
    let all = link(&Message::all(&mut conn).await.unwrap());
    assert_eq!(all.len(), 1);
    drop(conn);
    // It works, once.
    let path = all[0].lines().find(|l| l.contains("/welcome/")).unwrap();
    let path = path.strip_prefix("http://desk.example").unwrap();
    let page = visitor.get(path).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.words().contains("Ines Vale"), "{}", page.words());
    // The fourth in an hour is not sent, and the answer is the same.
    for _ in 0..4 {
        let page = visitor
            .post("/sign-in/link", &[("email", "ines.vale@club.example")])
            .await;
        assert_eq!(page.location(), answers[0].0);
    }
    let mut conn = house.library.read().await.unwrap();
    assert_eq!(link(&Message::all(&mut conn).await.unwrap()).len(), 3);
    drop(conn);
    // A coordinator does not see it.
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    let page = boss.get("/messages").await;
    assert!(!page.text().contains("/welcome/"), "{}", page.text());
    assert!(page.words().contains("holds a sign-in link"));
}

#[tokio::test]
async fn without_a_mail_server_messages_are_shown_to_be_said_by_hand() {
    let house = House::empty().await;
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    let page = boss.get("/messages").await;
    assert!(
        page.words().contains("No mail server is set"),
        "{}",
        page.words()
    );
    assert!(page.words().contains("Nothing waits"), "{}", page.words());
    boss.post("/messages/trial", &[]).await.location();
    let page = boss.get("/messages").await;
    assert!(page.select("pre")[0].contains("This is a test message"));
    let told = page.attributes("form[action$='/told']", "action").remove(0);
    boss.post(&told, &[]).await.location();
    let page = boss.get("/messages").await;
    assert!(page.words().contains("told in person"), "{}", page.words());
    assert_eq!(boss.post(&told, &[]).await.status, StatusCode::NOT_FOUND);
    // Nobody can ask for a link that would never come.
    let page = house.visitor().get("/sign-in/link").await;
    assert!(page.words().contains("sends no mail"), "{}", page.words());
    assert!(page.select("input[name=email]").is_empty());
}

/// Mail goes out, and one of those written to has no address: somebody must be reminded.
#[tokio::test]
async fn a_message_to_who_has_no_mail_stands_before_the_coordinator() {
    let house = with_mail().await;
    let (by, mut boss) = house.someone(Role::Coordinator).await;
    let mut write = house.library.write().await.unwrap();
    let new = NewPerson {
        name: "Otto Brink".to_owned(),
        email: String::new(),
        role: Role::Member,
        guest: false,
    };
    let new = new.check().unwrap();
    let otto = Person::add(&mut write, &new, Utc::now()).await.unwrap();
    write.commit().await.unwrap();
    let id = house.instrument("S203", by).await;
    let out = Utc::now() - Duration::days(6);
    let due_on = out.date_naive() + Days::new(5);
    lend(&house, id, otto, by, out, due_on).await;
    it_is(&house, local(Tz::UTC, due_on + Days::new(2), 12));
    said(&house).await;
    let today = boss.get("/").await.words();
    let words = "Otto Brink S203 is 2 days late";
    assert!(today.contains(words), "{today}");
    let page = boss.get("/messages").await;
    let told = page.attributes("form[action$='/told']", "action").remove(0);
    boss.post(&told, &[]).await.location();
    let today = boss.get("/").await.words();
    assert!(!today.contains(words), "{today}");
}

/// OWASP ASVS 4.0.3, 2.2.3: people are told when how they sign in changes; an address
/// that was changed by somebody else at the address before.
#[tokio::test]
async fn changes_to_signing_in_are_told_at_the_address_before() {
    let house = House::empty().await;
    let ines = house.person("Ines Vale", Role::Member).await;
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    let shown = boss.get(&format!("/people/{ines}")).await;
    let shown = shown.attributes("input[name=shown]", "value").remove(0);
    let fields = [
        ("name", "Ines Vale"),
        ("email", "other@club.example"),
        ("role", "coordinator"),
        ("shown", shown.as_str()),
    ];
    let page = boss.post(&format!("/people/{ines}"), &fields).await;
    assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    let mut conn = house.library.read().await.unwrap();
    let all = Message::all(&mut conn).await.unwrap();
    let mut told: Vec<(Option<&str>, bool)> = all
        .iter()
        .map(|m| (m.address.as_deref(), m.body.contains("made a coordinator")))
        .collect();
    told.sort_unstable();
    assert_eq!(
        told,
        [
            (Some("ines.vale@club.example"), false),
            (Some("other@club.example"), true)
        ]
    );
}

/// Day, summary and description of each event, read by the crate `calcard`, which has no
/// part in the writing.
fn read(text: &str) -> Vec<(NaiveDate, String, String)> {
    let calendar = ICalendar::parse(text).unwrap();
    let events = calendar.components.iter();
    let events = events.filter(|c| c.component_type == ICalendarComponentType::VEvent);
    events
        .map(|event| {
            // RFC 5545, 3.6.1: UID and DTSTAMP once each.
            for name in [ICalendarProperty::Uid, ICalendarProperty::Dtstamp] {
                let n = event.entries.iter().filter(|e| e.name == name).count();
                assert_eq!(n, 1, "{name:?}");
            }
            let value = |name| event.property(&name).and_then(|e| e.values.first());
            let words = |name| match value(name) {
                Some(ICalendarValue::Text(words)) => words.clone(),
                other => panic!("{other:?}"),
            };
            let day = match value(ICalendarProperty::Dtstart) {
                Some(ICalendarValue::PartialDateTime(day)) => {
                    assert!(day.hour.is_none(), "of a whole day: {day:?}");
                    let (month, of_month) = (day.month.unwrap(), day.day.unwrap());
                    NaiveDate::from_ymd_opt(
                        i32::from(day.year.unwrap()),
                        u32::from(month),
                        u32::from(of_month),
                    )
                }
                other => panic!("{other:?}"),
            };
            (
                day.unwrap(),
                words(ICalendarProperty::Summary),
                words(ICalendarProperty::Description),
            )
        })
        .collect()
}

async fn made(client: &mut Client) -> String {
    let page = client.post("/me/calendar", &[]).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.words());
    let address = page.select("code.copy-words").remove(0);
    let (_, path) = address.split_once("/calendar/").unwrap();
    format!("/calendar/{path}")
}

#[tokio::test]
async fn a_calendar_holds_ones_own_and_can_be_ended() {
    let house = House::empty().await;
    let (by, mut desk) = house.someone(Role::Volunteer).await;
    let (ines, mut client) = house.someone(Role::Member).await;
    let otto = house
        .person("Otto, the \"second\"; Brink", Role::Member)
        .await;
    let now = Utc::now();
    let due = now.date_naive() + Days::new(9);
    for (tag, who) in [("S1", ines), ("S2", otto)] {
        let id = house.instrument(tag, by).await;
        lend(&house, id, who, by, now - Duration::days(1), due).await;
    }
    let mut write = house.library.write().await.unwrap();
    let night = NewWorkNight {
        held_on: due,
        place: "Hut; the cellar, left".to_owned(),
        hours: 3.0,
        hands: 4,
        note: String::new(),
    };
    night.write(&mut write).await.unwrap();
    write.commit().await.unwrap();
    let path = made(&mut client).await;
    // A calendar program is signed in nowhere.
    let page = house.visitor().get(&path).await;
    assert_eq!(page.status, StatusCode::OK);
    assert_eq!(page.headers["content-type"], "text/calendar; charset=utf-8");
    assert!(page.text().lines().all(|l| l.len() <= 75), "RFC 5545, 3.1");
    let held = read(&page.text());
    assert_eq!(held.len(), 1, "{held:?}");
    assert_eq!((held[0].0, held[0].1.as_str()), (due, "S1 is due back"));
    // Who works here sees what comes back and the work nights.
    let theirs = made(&mut desk).await;
    let held = read(&house.visitor().get(&theirs).await.text());
    let words: Vec<&str> = held.iter().map(|e| e.1.as_str()).collect();
    assert_eq!(words.len(), 3, "{words:?}");
    assert!(
        words.iter().any(|w| w.contains("S2 comes back from Otto")),
        "{words:?}"
    );
    assert!(
        words.iter().any(|w| w.starts_with("Work night")),
        "{words:?}"
    );
    // A new address ends the one before; ending it leaves none.
    let new = made(&mut client).await;
    assert_eq!(
        house.visitor().get(&path).await.status,
        StatusCode::NOT_FOUND
    );
    assert_eq!(house.visitor().get(&new).await.status, StatusCode::OK);
    client.post("/me/calendar/end", &[]).await.location();
    assert_eq!(
        house.visitor().get(&new).await.status,
        StatusCode::NOT_FOUND
    );
    // Whoever leaves has none.
    let mut write = house.library.write().await.unwrap();
    tubewright::library::people::leave(&mut write, by, Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    assert_eq!(
        house.visitor().get(&theirs).await.status,
        StatusCode::NOT_FOUND
    );
}
