//! Things and instruments by one rule of lending, sets and stock-taking, without a page.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/tube.rs"]
mod tube;

use chrono::{Days, Duration, Utc};
use tubewright::library::club::Club;
use tubewright::library::instruments::{self, Design, Instrument, Particulars, State, Status};
use tubewright::library::lending::{Lend, LendDetails, Obstacle};
use tubewright::library::loans::{self, Loan, Which};
use tubewright::library::own_data::{self, FORMER, OwnData};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::reservations::NewReservation;
use tubewright::library::returning::Return;
use tubewright::library::sets::Set;
use tubewright::library::things::{self, Kind, Sort, Thing};
use tubewright::library::turns::{Lines, Turn};
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::{
    Conn, Error, InstrumentId, Library, LoanId, Moment, PersonId, loan_periods, logbook, renewals,
    stock,
};

struct House {
    library: Library,
    desk: PersonId,
    anna: PersonId,
    ben: PersonId,
    tube: InstrumentId,
    mount: InstrumentId,
    eyepiece: InstrumentId,
    now: Moment,
    _folder: tempfile::TempDir,
}

fn mount() -> things::Particulars {
    things::Particulars {
        tag: "M-1".to_owned(),
        kind: Kind::Mount,
        name: "mount for 6 kg".to_owned(),
        place: "Hut".to_owned(),
        replacement_value_cents: Some(26_000),
        notes: String::new(),
    }
}

async fn house() -> House {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut write = library.write().await.unwrap();
    let now = Utc::now();
    let long_ago = now - Duration::days(400);
    let mut people = Vec::new();
    for (name, role) in [
        ("Cora", Role::Coordinator),
        ("Anna", Role::Member),
        ("Ben", Role::Member),
    ] {
        let new = NewPerson {
            name: name.to_owned(),
            email: format!("{name}@club.example"),
            role,
            guest: false,
        };
        let new = new.check().unwrap();
        people.push(Person::add(&mut write, &new, long_ago).await.unwrap());
    }
    let tube = Particulars {
        tag: "T-1".to_owned(),
        name: "102 mm achromat".to_owned(),
        design: Design::Achromat,
        aperture_mm: 102.0,
        focal_mm: 1000.0,
        obstruction: 0.0,
        vane_count: 0,
        uses_diagonal: true,
        place: "Hut".to_owned(),
        ..tube::newtonian()
    };
    let desk = people[0];
    let tube = Instrument::add(&mut write, &tube, long_ago, desk)
        .await
        .unwrap();
    let eyepiece = things::Particulars {
        tag: "E-1".to_owned(),
        kind: Kind::Eyepiece,
        name: "25 mm eyepiece".to_owned(),
        ..mount()
    };
    let mount = Thing::add(&mut write, &mount(), long_ago, desk)
        .await
        .unwrap();
    let eyepiece = Thing::add(&mut write, &eyepiece, long_ago, desk)
        .await
        .unwrap();
    write.commit().await.unwrap();
    House {
        library,
        desk,
        anna: people[1],
        ben: people[2],
        tube,
        mount,
        eyepiece,
        now,
        _folder: folder,
    }
}

impl House {
    fn loan(&self, what: InstrumentId, to: PersonId) -> Lend {
        Lend {
            instrument: what,
            borrower: to,
            at: self.now,
            by: self.desk,
            due_on: self.now.date_naive() + Days::new(14),
            limit_stated: String::new(),
            kit: Vec::new(),
            override_reason: None,
            details: LendDetails::default(),
        }
    }

    async fn lend(&self, conn: &mut Conn, what: InstrumentId, to: PersonId) -> LoanId {
        self.loan(what, to).write(conn).await.unwrap()
    }

    async fn take_back(&self, conn: &mut Conn, loan: LoanId) {
        let back = Return {
            loan,
            came_back: Vec::new(),
            at: self.now,
            recorded_at: self.now,
            by: self.desk,
        };
        back.write(conn).await.unwrap();
    }
}

fn refused<T: std::fmt::Debug>(outcome: Result<T, Error>) -> String {
    match outcome {
        Err(Error::Refused(why)) => why,
        other => panic!("not refused: {other:?}"),
    }
}

#[tokio::test]
async fn one_rule_lends_a_tube_and_its_mount_and_each_comes_back_by_itself() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let tube = house.lend(&mut write, house.tube, house.anna).await;
    let mount = house.lend(&mut write, house.mount, house.anna).await;
    let again = house.loan(house.mount, house.ben).write(&mut write).await;
    assert!(refused(again).contains("M-1 is out on loan already"));
    let which = Which {
        borrower: Some(house.anna),
        open: true,
        ..Which::default()
    };
    let kinds: Vec<Kind> = Loan::list(&mut write, which)
        .await
        .unwrap()
        .iter()
        .map(|l| l.kind)
        .collect();
    assert!(kinds.contains(&Kind::Instrument) && kinds.contains(&Kind::Mount));
    house.take_back(&mut write, mount).await;
    let state = |thing: Thing| thing.state();
    assert_eq!(
        state(Thing::get(&mut write, house.mount).await.unwrap()),
        State::OnTheShelf
    );
    assert_eq!(
        state(Thing::get(&mut write, house.tube).await.unwrap()),
        State::OnLoan
    );
    house.take_back(&mut write, tube).await;
    // What happened with it stands in its logbook.
    let told: Vec<String> = logbook::of(&mut write, house.mount)
        .await
        .unwrap()
        .iter()
        .map(|l| l.entry.kind.slug().to_owned())
        .collect();
    for kind in ["register", "lend", "return"] {
        assert!(told.iter().any(|k| k == kind), "{told:?}");
    }
}

#[tokio::test]
async fn the_club_s_most_counts_instruments_and_not_what_goes_with_them() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club {
        loans_per_person: Some(1),
        ..Club::default()
    };
    club.save(&mut write).await.unwrap();
    house.lend(&mut write, house.mount, house.anna).await;
    house.lend(&mut write, house.tube, house.anna).await;
    house.lend(&mut write, house.eyepiece, house.anna).await;
    assert_eq!(loans::count_with(&mut write, house.anna).await.unwrap(), 1);
}

#[tokio::test]
async fn a_reserved_mount_is_an_obstacle_and_a_renewal_stops_before_it() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club::default();
    club.save(&mut write).await.unwrap();
    let today = house.now.date_naive();
    let loan = house.lend(&mut write, house.mount, house.anna).await;
    let reserved = NewReservation {
        instrument: house.mount,
        from_on: today + Days::new(20),
        until_on: today + Days::new(21),
        person: Some(house.ben),
        event: String::new(),
        by: house.desk,
        at: house.now,
    };
    reserved.write(&mut write, today).await.unwrap();
    let loan = Loan::get(&mut write, loan).await.unwrap();
    let offer = renewals::offer(&mut write, &club, &loan, today)
        .await
        .unwrap();
    assert!(offer.unwrap_err().contains("reserved from"));
    house.take_back(&mut write, loan.id).await;
    let mut long = house.loan(house.mount, house.anna);
    long.due_on = today + Days::new(25);
    let obstacles = long.obstacles(&mut write).await.unwrap();
    assert!(matches!(obstacles.as_slice(), [Obstacle::Reserved(_)]));
}

#[tokio::test]
async fn mounts_are_lent_as_long_as_mounts_are_and_one_of_them_as_long_as_it_is() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club::default();
    club.save(&mut write).await.unwrap();
    let days = async |conn: &mut Conn, id| {
        let sort = Thing::get(conn, id).await.unwrap().sort();
        loan_periods::days_for(conn, &club, id, sort).await.unwrap()
    };
    let mounts = Sort::Kind(Kind::Mount);
    loan_periods::set_for_sort(&mut write, mounts, Some(90))
        .await
        .unwrap();
    assert_eq!(days(&mut write, house.mount).await, 90);
    assert_eq!(days(&mut write, house.eyepiece).await, club.loan_days);
    assert_eq!(days(&mut write, house.tube).await, club.loan_days);
    // A renewal runs as long as a loan of a mount does.
    let today = house.now.date_naive();
    let loan = house.lend(&mut write, house.mount, house.anna).await;
    let loan = Loan::get(&mut write, loan).await.unwrap();
    let offer = renewals::offer(&mut write, &club, &loan, today).await;
    assert_eq!(offer.unwrap(), Ok(today + Days::new(90)));
    loan_periods::set_for_instrument(&mut write, house.mount, Some(30))
        .await
        .unwrap();
    assert_eq!(days(&mut write, house.mount).await, 30);
    loan_periods::set_for_instrument(&mut write, house.mount, None)
        .await
        .unwrap();
    loan_periods::set_for_sort(&mut write, mounts, None)
        .await
        .unwrap();
    assert_eq!(days(&mut write, house.mount).await, club.loan_days);
}

#[tokio::test]
async fn a_mount_that_comes_back_is_kept_for_the_next_in_line() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club::default();
    club.save(&mut write).await.unwrap();
    let (now, today) = (house.now, house.now.date_naive());
    let out = house.lend(&mut write, house.mount, house.ben).await;
    // What a mount is wanted for is not asked; of an instrument it is.
    let wish = WantsItFor::Planets;
    let asked = waits::ask(&mut write, house.mount, house.anna, wish, "", now).await;
    assert!(
        asked
            .unwrap_err()
            .to_string()
            .contains("only an instrument")
    );
    let asked = waits::ask(&mut write, house.tube, house.anna, None, "", now).await;
    assert!(
        asked
            .unwrap_err()
            .to_string()
            .contains("wanted for something")
    );
    let wait = waits::ask(&mut write, house.mount, house.anna, None, "Saturdays", now)
        .await
        .unwrap();
    let turn = async |conn: &mut Conn| {
        let lines = Lines::load(conn, Some(house.mount), &club, today).await;
        lines.unwrap().turn(wait)
    };
    assert_eq!(turn(&mut write).await, Some(Turn::Later { ahead: 0 }));
    let loan = Loan::get(&mut write, out).await.unwrap();
    let offer = renewals::offer(&mut write, &club, &loan, today).await;
    assert!(offer.unwrap().unwrap_err().contains("Somebody waits"));
    house.take_back(&mut write, out).await;
    let until = today + Days::new(club.fetch_days as u64);
    assert_eq!(turn(&mut write).await, Some(Turn::Now { until }));
    let data = OwnData::of(&mut write, house.anna).await.unwrap();
    assert_eq!(
        (data.waits[0].tag.as_str(), data.waits[0].wants_it_for),
        ("M-1", None)
    );
    // Past her it takes a reason; she herself gets it, and her place is closed.
    let past = house.loan(house.mount, house.ben).write(&mut write).await;
    assert!(refused(past).contains("Anna is next in line"));
    house.lend(&mut write, house.mount, house.anna).await;
    assert!(
        waits::open(&mut write, None, None)
            .await
            .unwrap()
            .is_empty()
    );
}

#[tokio::test]
async fn what_is_missing_or_retired_is_not_lent_until_it_is_back() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let (now, by) = (house.now, house.desk);
    for (status, word) in [(Status::Missing, "missing"), (Status::Retired, "retired")] {
        things::set_status(&mut write, house.mount, status, "Why", now, by)
            .await
            .unwrap();
        let lent = house.loan(house.mount, house.anna).write(&mut write).await;
        assert!(refused(lent).contains(word));
        let again = things::set_status(&mut write, house.mount, status, "Why", now, by).await;
        assert!(refused(again).contains("already"));
    }
    things::set_status(&mut write, house.mount, Status::Shelf, "There", now, by)
        .await
        .unwrap();
    house.lend(&mut write, house.mount, house.anna).await;
    let out = things::set_status(&mut write, house.mount, Status::Missing, "Why", now, by).await;
    assert!(refused(out).contains("Return it first"));
}

#[tokio::test]
async fn tags_are_of_one_thing_and_old_ones_still_lead_there() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let taken = things::Particulars {
        tag: "t-1".to_owned(),
        ..mount()
    };
    let added = Thing::add(&mut write, &taken, house.now, house.desk).await;
    assert!(refused(added).contains("already on another"));
    let renamed = things::Particulars {
        tag: "M-9".to_owned(),
        ..mount()
    };
    let version = Thing::get(&mut write, house.mount).await.unwrap().version;
    let (now, by) = (house.now, house.desk);
    Thing::change(&mut write, house.mount, version, &renamed, now, by)
        .await
        .unwrap();
    for tag in ["M-9", "m-1"] {
        assert_eq!(
            Thing::by_tag(&mut write, tag).await.unwrap().id,
            house.mount
        );
    }
    let stale = Thing::change(&mut write, house.mount, version, &renamed, now, by).await;
    assert!(refused(stale).contains("Someone else"));
    let formerly = instruments::formerly(&mut write, "M-1").await.unwrap();
    assert_eq!(formerly.unwrap().id, house.mount);
    // A thing is no instrument: no list of those has it.
    assert!(Instrument::by_tag(&mut write, "M-9").await.is_err());
    assert_eq!(Instrument::all(&mut write).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_set_is_a_proposal_of_at_least_two_and_taken_apart_leaves_its_parts() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let one = Set::add(&mut write, "First evening", "", &[house.tube]).await;
    assert!(refused(one).contains("at least two"));
    let members = [house.eyepiece, house.mount, house.tube];
    let id = Set::add(&mut write, "First evening", "", &members)
        .await
        .unwrap();
    let twice = Set::add(&mut write, "first EVENING", "", &members).await;
    assert!(refused(twice).contains("already"));
    let tags: Vec<String> = Set::members(&mut write, id)
        .await
        .unwrap()
        .into_iter()
        .map(|m| m.tag)
        .collect();
    assert_eq!(tags, ["T-1", "M-1", "E-1"], "the instrument comes first");
    Set::change(&mut write, id, 1, "Other", "", &members[1..])
        .await
        .unwrap();
    let stale = Set::change(&mut write, id, 1, "Third", "", &members).await;
    assert!(refused(stale).contains("Someone else"));
    assert_eq!(Set::with(&mut write, house.tube).await.unwrap().len(), 1);
    Set::remove(&mut write, id).await.unwrap();
    assert!(Set::all(&mut write).await.unwrap().is_empty());
    assert_eq!(Thing::all(&mut write).await.unwrap().len(), 3);
}

#[tokio::test]
async fn the_report_of_a_count_says_what_was_not_seen_where_it_should_be_and_who_has_it() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let (now, by) = (house.now, house.desk);
    let out = house.lend(&mut write, house.mount, house.anna).await;
    let id = stock::begin(&mut write, now, by).await.unwrap();
    assert!(refused(stock::begin(&mut write, now, by).await).contains("goes on"));
    assert!(refused(stock::end(&mut write, id, now, by).await).contains("Nothing"));
    assert!(stock::see(&mut write, id, "X-9", now, by).await.is_err());
    let seen = stock::see(&mut write, id, "t-1", now, by).await.unwrap();
    assert!(!seen.again && !seen.found);
    assert!(
        stock::see(&mut write, id, "T-1", now, by)
            .await
            .unwrap()
            .again
    );
    let unseen = |rows: Vec<stock::Count>| -> Vec<(String, String, Option<String>)> {
        let unseen = rows.into_iter().filter(|r| r.seen_at.is_none());
        unseen.map(|r| (r.tag, r.place, r.borrower)).collect()
    };
    let expected = [
        ("E-1".to_owned(), "Hut".to_owned(), None),
        ("M-1".to_owned(), "Hut".to_owned(), Some("Anna".to_owned())),
    ];
    let live = stock::report(&mut write, id).await.unwrap();
    assert_eq!(unseen(live), expected);
    // Undone, it is to be seen again.
    stock::unsee(&mut write, id, house.tube).await.unwrap();
    let live = stock::report(&mut write, id).await.unwrap();
    assert_eq!(unseen(live).len(), 3);
    stock::see(&mut write, id, "T-1", now, by).await.unwrap();
    stock::end(&mut write, id, now, by).await.unwrap();
    let kept = stock::report(&mut write, id).await.unwrap();
    assert_eq!(unseen(kept), expected);
    // It stays as it was: the mount comes back, and something new is added.
    house.take_back(&mut write, out).await;
    let new = things::Particulars {
        tag: "B-1".to_owned(),
        kind: Kind::Battery,
        ..mount()
    };
    Thing::add(&mut write, &new, now, by).await.unwrap();
    let kept = stock::report(&mut write, id).await.unwrap();
    assert_eq!(kept.len(), 3);
    let mount = kept.iter().find(|r| r.tag == "M-1").unwrap();
    assert_eq!((mount.loan_id, mount.borrower.clone()), (Some(out), None));
    assert!(refused(stock::unsee(&mut write, id, house.tube).await).contains("has ended"));
}

#[tokio::test]
async fn what_was_missing_and_is_counted_is_found() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let (now, by) = (house.now, house.desk);
    things::set_status(&mut write, house.eyepiece, Status::Missing, "Lost", now, by)
        .await
        .unwrap();
    let id = stock::begin(&mut write, now, by).await.unwrap();
    assert!(
        stock::see(&mut write, id, "E-1", now, by)
            .await
            .unwrap()
            .found
    );
    let eyepiece = Thing::get(&mut write, house.eyepiece).await.unwrap();
    assert_eq!(eyepiece.state(), State::OnTheShelf);
}

#[tokio::test]
async fn a_person_s_data_has_their_things_and_counts_and_erased_they_are_a_former_member() {
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let (now, anna) = (house.now, house.anna);
    let loan = house.lend(&mut write, house.mount, anna).await;
    house.take_back(&mut write, loan).await;
    let id = stock::begin(&mut write, now, anna).await.unwrap();
    stock::see(&mut write, id, "E-1", now, anna).await.unwrap();
    let data = OwnData::of(&mut write, anna).await.unwrap();
    assert_eq!(data.loans[0].tag, "M-1");
    assert_eq!(data.counted[0].tag, "E-1");
    own_data::erase(&mut write, anna, now).await.unwrap();
    assert_eq!(stock::get(&mut write, id).await.unwrap().begun_by, FORMER);
    let rows = stock::report(&mut write, id).await.unwrap();
    let seen = rows.iter().find(|r| r.tag == "E-1").unwrap();
    assert_eq!(seen.seen_by.as_deref(), Some(FORMER));
}
