//! The rules of lending without a page: each set beside a plain reckoning of its own,
//! over many made-up cases with a seed.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use chrono::{Days, Duration, NaiveDate, NaiveTime, Utc};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::library::club::Club;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars, Status};
use tubewright::library::lending::{Lend, LendDetails, Obstacle};
use tubewright::library::lending::{begins_on, ends_on};
use tubewright::library::loans;
use tubewright::library::people::{NewPerson, Person, Role, leave};
use tubewright::library::reservations::{self, NewReservation};
use tubewright::library::returning::Return;
use tubewright::library::turns::{Lines, Place, Turn, turns};
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::{
    Error, InstrumentId, Library, Moment, PersonId, Write, kit, missing_kit,
};

struct House {
    library: Library,
    people: Vec<PersonId>,
    one: InstrumentId,
    _folder: tempfile::TempDir,
}

/// A coordinator, a volunteer and three members, and one instrument with three parts.
async fn house() -> House {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).await.unwrap();
    let mut write = library.write().await.unwrap();
    let long_ago = Utc::now() - Duration::days(900);
    let mut people = Vec::new();
    let roles = [
        ("Cora", Role::Coordinator),
        ("Vito", Role::Volunteer),
        ("Anna", Role::Member),
        ("Ben", Role::Member),
        ("Eve", Role::Member),
    ];
    for (name, role) in roles {
        let new = NewPerson {
            name: name.to_owned(),
            email: format!("{name}@club.example"),
            role,
            guest: false,
        };
        let new = new.check().unwrap();
        people.push(Person::add(&mut write, &new, long_ago).await.unwrap());
    }
    let particulars = Particulars {
        tag: "T1".to_owned(),
        name: "203 mm telescope".to_owned(),
        design: Design::Newtonian,
        aperture_mm: 203.0,
        focal_mm: 1200.0,
        obstruction: 0.3,
        vane_count: 0,
        weight_kg: None,
        cool_down_min: None,
        uses_diagonal: false,
        replacement_value_cents: None,
        place: String::new(),
        notes: String::new(),
    };
    let one = Instrument::add(&mut write, &particulars, long_ago, people[0])
        .await
        .unwrap();
    let parts = ["finder", "eyepiece", "cap"].map(str::to_owned);
    kit::set(&mut write, one, &parts, long_ago).await.unwrap();
    write.commit().await.unwrap();
    House {
        library,
        people,
        one,
        _folder: folder,
    }
}

impl House {
    fn lend(&self, to: usize, at: Moment, now: Moment) -> Lend {
        Lend {
            instrument: self.one,
            borrower: self.people[to],
            at,
            by: self.people[1],
            due_on: at.date_naive() + Days::new(14),
            limit_stated: String::new(),
            kit: Vec::new(),
            override_reason: None,
            details: LendDetails {
                recorded_at: Some(now),
                ..LendDetails::default()
            },
        }
    }

    async fn reserve(&self, write: &mut Write, from: NaiveDate, until: NaiveDate, who: usize) {
        let new = NewReservation {
            instrument: self.one,
            from_on: from,
            until_on: until,
            person: Some(self.people[who]),
            event: String::new(),
            by: self.people[1],
            at: Utc::now(),
        };
        new.write(write, Utc::now().date_naive()).await.unwrap();
    }
}

fn is_refused<T: std::fmt::Debug>(outcome: Result<T, Error>) -> String {
    match outcome {
        Err(Error::Refused(why)) => why,
        other => panic!("not refused: {other:?}"),
    }
}

#[tokio::test]
async fn two_loans_never_share_an_hour_whichever_was_entered_first() {
    let mut dice = ChaCha8Rng::seed_from_u64(17);
    let now = Utc::now();
    let (mut entered, mut refused) = (0, 0);
    for _ in 0..12 {
        let house = house().await;
        // Hours before now; the end of an open one is none.
        let mut known: Vec<(i64, Option<i64>)> = Vec::new();
        for _ in 0..25 {
            let from = dice.random_range(1..600_i64);
            let until = match dice.random_range(0..5) {
                0 => None,
                _ => Some(dice.random_range(0..=from)),
            };
            let fits = known.iter().all(|(f, u)| {
                let over_before = u.is_some_and(|u| u >= from);
                let begins_after = until.is_some_and(|until| until >= *f);
                over_before || begins_after
            });
            let hours = |h: i64| now - Duration::hours(h);
            let mut lend = house.lend(2, hours(from), now);
            lend.details.back_at = until.map(hours);
            let mut write = house.library.write().await.unwrap();
            match lend.write(&mut write).await {
                Ok(_) => {
                    assert!(fits, "{from} to {until:?} beside {known:?}");
                    write.commit().await.unwrap();
                    known.push((from, until));
                    entered += 1;
                }
                Err(Error::Refused(_)) => {
                    assert!(!fits, "{from} to {until:?} beside {known:?}");
                    refused += 1;
                }
                Err(other) => panic!("{other}"),
            }
        }
    }
    assert!(entered > 40 && refused > 40, "{entered} {refused}");
}

/// The database refuses by itself what slips past the code.
#[tokio::test]
async fn the_tables_hold_by_themselves() {
    let house = house().await;
    let now = Utc::now();
    let mut write = house.library.write().await.unwrap();
    let id = house
        .lend(2, now - Duration::days(9), now)
        .write(&mut write)
        .await
        .unwrap();
    let second = "INSERT INTO loans (id, instrument_id, borrower_id, lent_at, lent_by, due_on, limit_stated, returned_at, returned_to)
        SELECT randomblob(16), instrument_id, borrower_id, ?, lent_by, due_on, '', ?, lent_by FROM loans WHERE id = ?";
    let back = now - Duration::days(8);
    for lent in [now - Duration::days(20), now - Duration::days(9)] {
        let outcome = sqlx::query(second).bind(lent).bind(back).bind(id);
        let error = outcome.execute(&mut *write).await.unwrap_err().to_string();
        assert!(error.contains("on loan to somebody else"), "{error}");
    }
    let today = now.date_naive();
    house
        .reserve(&mut write, today + Days::new(3), today + Days::new(5), 3)
        .await;
    let again = "INSERT INTO reservations (id, instrument_id, from_on, until_on, event, reserved_at, reserved_by)
        SELECT randomblob(16), instrument_id, until_on, until_on, 'x', reserved_at, reserved_by FROM reservations";
    let error = sqlx::query(again).execute(&mut *write).await.unwrap_err();
    assert!(
        error.to_string().contains("reserved on one of these days"),
        "{error}"
    );
    let back = Return {
        loan: id,
        came_back: Vec::new(),
        at: now,
        recorded_at: now,
        by: house.people[1],
    };
    back.write(&mut write).await.unwrap();
    let counted = kit::of(&mut write, house.one).await.unwrap();
    let parts: Vec<_> = counted.into_iter().map(|p| (p.id, p.name)).collect();
    let entry = NewEntry {
        instrument: house.one,
        kind: EntryKind::Note,
        happened_at: now,
        recorded_at: now,
        by: house.people[1],
        loan: None,
        note: String::new(),
    };
    missing_kit::report(&mut write, &parts, "Not in the box", entry)
        .await
        .unwrap();
    let outcome = sqlx::query("DELETE FROM missing_kit").execute(&mut *write);
    let error = outcome.await.unwrap_err().to_string();
    assert!(error.contains("never forgotten"), "{error}");
}

#[tokio::test]
async fn what_stands_against_a_loan_is_named_each_by_itself_and_takes_a_reason() {
    let now = Utc::now();
    let today = now.date_naive();
    for case in ["status", "kept", "reserved", "most"] {
        let house = house().await;
        let mut write = house.library.write().await.unwrap();
        match case {
            "status" => Instrument::set_status(&mut write, house.one, Status::Bench, "stiff")
                .await
                .unwrap(),
            "kept" => {
                let anything = WantsItFor::Anything;
                let who = house.people[3];
                waits::ask(&mut write, house.one, who, anything, "", now)
                    .await
                    .unwrap();
            }
            "reserved" => {
                house
                    .reserve(&mut write, today + Days::new(14), today + Days::new(20), 3)
                    .await
            }
            _ => {
                let club = Club {
                    loans_per_person: Some(1),
                    ..Club::load(&mut write).await.unwrap()
                };
                club.save(&mut write).await.unwrap();
                let old = house.lend(2, now - Duration::days(1), now);
                let other = Instrument::get(&mut write, house.one).await.unwrap();
                let mut particulars = other.particulars.clone();
                particulars.tag = "T2".to_owned();
                let second = Instrument::add(&mut write, &particulars, now, house.people[0]);
                let second = second.await.unwrap();
                let lend = Lend {
                    instrument: second,
                    ..old
                };
                lend.write(&mut write).await.unwrap();
            }
        }
        let mut lend = house.lend(2, now, now);
        let found = lend.obstacles(&mut write).await.unwrap();
        let name = match found.as_slice() {
            [Obstacle::Status(Status::Bench)] => "status",
            [Obstacle::KeptFor { until, .. }] => {
                assert_eq!(*until, today + Days::new(7));
                "kept"
            }
            [Obstacle::Reserved(_)] => "reserved",
            [Obstacle::AtTheMost { has: 1, most: 1 }] => "most",
            other => panic!("{case}: {other:?}"),
        };
        assert_eq!(name, case);
        is_refused(lend.write(&mut write).await);
        lend.override_reason = Some("  ".to_owned());
        is_refused(lend.write(&mut write).await);
        lend.override_reason = Some("agreed".to_owned());
        if case == "status" {
            let why = is_refused(lend.write(&mut write).await);
            assert!(why.contains("A coordinator can override"), "{why}");
            lend.by = house.people[0];
        }
        let id = lend.write(&mut write).await.unwrap();
        let loan = loans::Loan::get(&mut write, id).await.unwrap();
        assert_eq!(loan.override_reason.as_deref(), Some("agreed"));
    }
}

#[tokio::test]
async fn a_reservation_counts_from_its_first_day_to_its_last() {
    let now = Utc::now();
    let today = now.date_naive();
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    house
        .reserve(&mut write, today + Days::new(10), today + Days::new(12), 3)
        .await;
    for (due, stands) in [(9, false), (10, true), (12, true), (40, true)] {
        let mut lend = house.lend(2, now, now);
        lend.due_on = today + Days::new(due);
        let found = lend.obstacles(&mut write).await.unwrap();
        assert_eq!(!found.is_empty(), stands, "due in {due} days");
        lend.borrower = house.people[3];
        assert!(
            lend.obstacles(&mut write).await.unwrap().is_empty(),
            "theirs"
        );
    }
    // Whoever leaves the club keeps nothing from others.
    leave(&mut write, house.people[3], now).await.unwrap();
    let left = reservations::from_day(&mut write, Some(house.one), today).await;
    assert!(left.unwrap().is_empty());
}

#[tokio::test]
async fn what_is_reserved_for_who_leaves_ends_by_the_clubs_day() {
    // At 03:00 in Greenwich it is the evening before in the one and the afternoon in the other.
    for zone in ["America/Los_Angeles", "Pacific/Kiritimati"] {
        let house = house().await;
        let mut write = house.library.write().await.unwrap();
        let club = Club {
            zone: zone.to_owned(),
            ..Club::default()
        };
        club.save(&mut write).await.unwrap();
        let three = NaiveTime::from_hms_opt(3, 0, 0).unwrap();
        let now = Utc::now().date_naive().and_time(three).and_utc();
        let today = club.date(now);
        for (from, until) in [(9, 1), (0, 0)] {
            let new = NewReservation {
                instrument: house.one,
                from_on: today - Days::new(from),
                until_on: today - Days::new(until),
                person: Some(house.people[3]),
                event: String::new(),
                by: house.people[1],
                at: now,
            };
            new.write(&mut write, today - Days::new(from))
                .await
                .unwrap();
        }
        leave(&mut write, house.people[3], now).await.unwrap();
        let day = today - Days::new(30);
        let left = reservations::from_day(&mut write, Some(house.one), day).await;
        let left: Vec<NaiveDate> = left.unwrap().iter().map(|one| one.until_on).collect();
        assert_eq!(left, [today - Days::new(1)], "{zone}");
    }
}

#[tokio::test]
async fn a_loan_of_which_only_the_day_is_known_fits_between_its_neighbours() {
    let house = house().await;
    let now = Utc::now();
    let club = Club {
        zone: "Pacific/Auckland".to_owned(),
        ..Club::default()
    };
    let mut write = house.library.write().await.unwrap();
    club.save(&mut write).await.unwrap();
    let day = club.date(now) - Days::new(20);
    let at = |hour| club.moment(day, NaiveTime::from_hms_opt(hour, 0, 0).unwrap());
    let one = house.one;
    let mut earlier = house.lend(2, at(18) - Duration::days(9), now);
    earlier.details.back_at = Some(at(18));
    earlier.write(&mut write).await.unwrap();
    // It came back at six, so the loan of that day begins at six and not at noon.
    let begins = begins_on(&mut write, &club, one, day, now).await.unwrap();
    assert_eq!(begins, at(18));
    let ends = ends_on(&mut write, &club, one, begins, day, now)
        .await
        .unwrap();
    assert_eq!(ends, at(18), "not before it began");
    let other = day + Days::new(3);
    let noon = begins_on(&mut write, &club, one, other, now).await.unwrap();
    assert_eq!(noon, club.on_day(other, now));
    // And one that ends on a day on which the next began at nine ends at nine.
    let mut later = house.lend(2, at(9) + Duration::days(9), now);
    later.details.back_at = Some(at(9) + Duration::days(11));
    later.write(&mut write).await.unwrap();
    let ends = ends_on(&mut write, &club, one, begins, day + Days::new(9), now);
    assert_eq!(ends.await.unwrap(), at(9) + Duration::days(9));
}

#[tokio::test]
async fn each_missing_part_is_on_one_account_until_that_is_settled_or_it_is_back() {
    let mut dice = ChaCha8Rng::seed_from_u64(3);
    for _ in 0..6 {
        let house = house().await;
        let mut now = Utc::now() - Duration::days(400);
        // By part: whether it is in the kit.
        let mut there = [true; 3];
        for _ in 0..14 {
            now += Duration::days(2);
            let mut write = house.library.write().await.unwrap();
            let parts = kit::of(&mut write, house.one).await.unwrap();
            let mut lend = house.lend(2, now, now);
            lend.kit = parts.iter().map(|p| p.id).collect();
            let id = lend.write(&mut write).await.unwrap();
            let went = loans::parts(&mut write, id).await.unwrap();
            let out: Vec<bool> = went.iter().map(|p| p.went_out).collect();
            assert_eq!(out, there, "what is missing does not go along");
            let keeps: Vec<bool> = (0..3).map(|_| dice.random_bool(0.7)).collect();
            now += Duration::days(1);
            Return {
                loan: id,
                came_back: (0..3).filter(|n| keeps[*n]).map(|n| parts[n].id).collect(),
                at: now,
                recorded_at: now,
                by: house.people[1],
            }
            .write(&mut write)
            .await
            .unwrap();
            for n in 0..3 {
                there[n] &= keeps[n];
            }
            let gone = missing_kit::of(&mut write, house.one).await.unwrap();
            assert_eq!(gone.len(), there.iter().filter(|t| !**t).count());
            for missing in gone {
                let n = parts
                    .iter()
                    .position(|p| p.id == missing.kit_part_id)
                    .unwrap();
                assert!(!there[n]);
                if dice.random_bool(0.4) {
                    missing_kit::found_again(&mut write, missing.id, house.people[1], now)
                        .await
                        .unwrap();
                    there[n] = true;
                }
            }
            let open = missing_kit::on_account_of(&mut write, house.people[2])
                .await
                .unwrap();
            assert_eq!(open.len(), there.iter().filter(|t| !**t).count());
            let present = kit::present(&mut write, house.one).await.unwrap();
            assert_eq!(present.len(), 3 - open.len());
            write.commit().await.unwrap();
        }
    }
}

/// Day by day, as somebody at the desk with a list would do it.
fn by_hand(
    places: &[Place],
    free: NaiveDate,
    days: i64,
    today: NaiveDate,
) -> Option<(usize, NaiveDate)> {
    let last = |from: NaiveDate| from + Duration::days(days);
    let mut passed = vec![false; places.len()];
    let mut holder: Option<(usize, NaiveDate)> = None;
    let mut day = free;
    while day <= today {
        if let Some((n, from)) = holder {
            let gave_up = places[n].closed_on.is_some_and(|c| c <= day);
            if gave_up || day > last(from) {
                passed[n] = true;
                holder = None;
            }
        }
        if holder.is_none() {
            let next = places.iter().enumerate().position(|(n, p)| {
                !passed[n] && p.asked_on <= day && p.closed_on.is_none_or(|c| c > day)
            });
            holder = next.map(|n| (n, day));
        }
        day = day + Days::new(1);
    }
    holder.map(|(n, from)| (n, last(from)))
}

#[test]
fn whose_turn_it_is_is_what_a_list_kept_day_by_day_says() {
    let mut dice = ChaCha8Rng::seed_from_u64(23);
    let start: NaiveDate = "2027-02-10".parse().unwrap();
    let mut held = 0;
    for _ in 0..20_000 {
        let on = |dice: &mut ChaCha8Rng, from: u64, until: u64| {
            start + Days::new(dice.random_range(from..until))
        };
        let today = start + Days::new(40);
        let free = on(&mut dice, 10, 41);
        let mut places: Vec<Place> = (0..dice.random_range(1..6))
            .map(|_| Place {
                asked_on: on(&mut dice, 0, 41),
                closed_on: None,
            })
            .collect();
        places.sort_by_key(|p| p.asked_on);
        for place in &mut places {
            if dice.random_bool(0.3) {
                let since = u64::try_from((place.asked_on - start).num_days()).unwrap();
                place.closed_on = Some(on(&mut dice, since, 41));
            }
        }
        let days = dice.random_range(1..10);
        let said = turns(&places, Some(free), days, today);
        let now = said
            .iter()
            .zip(&places)
            .enumerate()
            .find_map(|(n, (turn, place))| match turn {
                Turn::Now { until } if place.closed_on.is_none() => Some((n, *until)),
                _ => None,
            });
        assert_eq!(
            now,
            by_hand(&places, free, days, today),
            "{places:?} {free} {days}"
        );
        held += usize::from(now.is_some());
    }
    assert!((4_000..19_000).contains(&held), "{held}");
}

#[tokio::test]
async fn nothing_is_kept_while_it_is_out_at_the_bench_or_reserved() {
    let now = Utc::now();
    let house = house().await;
    let mut write = house.library.write().await.unwrap();
    let club = Club::load(&mut write).await.unwrap();
    let today = club.date(now);
    let who = house.people[3];
    let asked = now - Duration::days(1);
    waits::ask(&mut write, house.one, who, WantsItFor::Anything, "", asked)
        .await
        .unwrap();
    let kept = async |write: &mut Write, day: NaiveDate| {
        let lines = Lines::load(write, Some(house.one), &club, day)
            .await
            .unwrap();
        lines.kept(house.one).map(|k| k.until)
    };
    assert_eq!(kept(&mut write, today).await, Some(today + Days::new(6)));
    Instrument::set_status(&mut write, house.one, Status::Held, "x")
        .await
        .unwrap();
    assert_eq!(kept(&mut write, today).await, None, "held");
    Instrument::set_status(&mut write, house.one, Status::Shelf, "x")
        .await
        .unwrap();
    house
        .reserve(&mut write, today, today + Days::new(2), 4)
        .await;
    assert_eq!(kept(&mut write, today).await, None, "reserved");
    // The days begin anew when the reservation is over.
    let after = today + Days::new(3);
    assert_eq!(kept(&mut write, after).await, Some(after + Days::new(7)));
}
