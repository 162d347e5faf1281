use axum::http::StatusCode;
use chrono::{Duration, Utc};
use tubewright::library::club::Club;
use tubewright::library::entries::{EntryKind, NewEntry};
use tubewright::library::instruments::{Design, Instrument, Particulars, Status};
use tubewright::library::lending::Lend;
use tubewright::library::people::Role;
use tubewright::library::star_tests::{FocusSide, Method, StarTest};
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::{InstrumentId, PersonId, kit};

use crate::common::{House, days_ago, particulars};
use crate::roles;

async fn tested(house: &House, id: InstrumentId, by: PersonId, coma: f64, sigma: f64) {
    let mut write = house.library.write().await.unwrap();
    StarTest {
        method: Method::ByEye,
        side: FocusSide::Outside,
        diagonal: true,
        seeing: Some(2),
        magnification: Some(200.0),
        defocus_waves: Some(8.0),
        thin_to_thick: Some(0.8),
        thin_clock_deg: Some(90.0),
        coma_rms_waves: coma,
        coma_rms_waves_sigma: sigma,
        attempt_id: None,
        judged: "{}".to_owned(),
    }
    .log(
        &mut write,
        NewEntry {
            instrument: id,
            kind: EntryKind::StarTest,
            happened_at: days_ago(10),
            recorded_at: days_ago(10),
            by,
            loan: None,
            note: String::new(),
        },
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
}

async fn lend(house: &House, id: InstrumentId, to: PersonId, by: PersonId) {
    let mut write = house.library.write().await.unwrap();
    Lend {
        instrument: id,
        borrower: to,
        at: Utc::now(),
        by,
        due_on: Utc::now().date_naive() + Duration::days(14),
        limit_stated: "none".to_owned(),
        kit: kit::of(&mut write, id)
            .await
            .unwrap()
            .iter()
            .map(|p| p.id)
            .collect(),
        override_reason: None,
        details: Default::default(),
    }
    .write(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
}

/// The text of each figure on the page.
fn figures(page: &crate::common::Page) -> Vec<String> {
    page.select(".measured")
}

#[tokio::test]
async fn anyone_may_look_and_an_unknown_tag_is_not_found() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    house.instrument("SC203", by).await;
    for (role, mut client) in roles::everyone(&house).await {
        let page = client.get("/instruments/sc203").await;
        assert_eq!(page.status, StatusCode::OK, "{role:?}");
        assert_eq!(page.select("h1"), ["SC203, 203 mm Schmidt-Cassegrain"]);
        let keys = page.attributes(".volunteer-block a", "href");
        let expected: &[&str] = match role {
            None | Some(Role::Member) => &[],
            Some(Role::Volunteer) => &[
                "/check-in/SC203",
                "/instruments/SC203/lend",
                "/instruments/SC203/reserve",
                "/instruments/SC203/star-test",
                "/instruments/SC203/star-test/phone",
                "/instruments/SC203/collimation",
                "/practice",
                "/instruments/SC203/logbook",
                "/instruments/SC203/edit",
                "/instruments/SC203/label",
                "/instruments/SC203/papers",
            ],
            Some(Role::Coordinator) => &[
                "/check-in/SC203",
                "/instruments/SC203/lend",
                "/instruments/SC203/reserve",
                "/instruments/SC203/star-test",
                "/instruments/SC203/star-test/phone",
                "/instruments/SC203/collimation",
                "/practice",
                "/instruments/SC203/logbook",
                "/instruments/SC203/edit",
                "/instruments/SC203/label",
                "/instruments/SC203/papers",
                "/instruments/SC203/limits",
                "/instruments/SC203/retire",
            ],
        };
        assert_eq!(keys, expected, "{role:?}");
    }
    let page = house.visitor().get("/instruments/NONE").await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
}

// Dawes: 116/D(mm) arc seconds (Mem. R. Astron. Soc. 35, 137, 1867); Rayleigh:
// 138.4/D(mm) at 550 nm (Born & Wolf, 8.6); highest useful: 2 D(mm), common
// practice, no source.
#[tokio::test]
async fn it_says_what_the_aperture_allows() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let mut write = house.library.write().await.unwrap();
    let p = Particulars {
        aperture_mm: 200.0,
        ..particulars("SC200")
    };
    Instrument::add(&mut write, &p, Utc::now(), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = house.visitor().get("/instruments/SC200").await;
    let figures = figures(&page);
    assert!(figures[0].contains("not known"), "{figures:?}");
    assert!(figures[1].contains("0.58 arc seconds"), "{figures:?}");
    assert!(
        figures[1].contains("550 nm: 0.69 arc seconds"),
        "{figures:?}"
    );
    assert!(figures[2].contains("400 ×"), "{figures:?}");
    assert!(page.words().contains("It has never had a star test."));
}

#[tokio::test]
async fn the_sharp_magnification_falls_with_coma_and_carries_its_error() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let mut seen = Vec::new();
    for (tag, coma) in [("A1", 0.005), ("A2", 0.06), ("A3", 0.2)] {
        let id = house.instrument(tag, by).await;
        tested(&house, id, by, coma, 0.02).await;
        let page = house.visitor().get(&format!("/instruments/{tag}")).await;
        let first = figures(&page).remove(0);
        let number = |after: &str| -> f64 {
            let rest = &first[first.find(after).unwrap() + after.len()..];
            rest.trim_start()
                .chars()
                .take_while(char::is_ascii_digit)
                .collect::<String>()
                .parse()
                .unwrap()
        };
        let (today, perfect) = (number("about"), number("of its size:"));
        let (low, high) = (number("Between"), number("× and"));
        assert!(low <= today && today <= high && high <= perfect, "{first}");
        assert!(low < high, "{first}");
        assert!(page.words().contains("\u{b1} 0.020 waves RMS"), "{tag}");
        seen.push((page.select(".verdict-name").remove(0), today));
    }
    assert_eq!(seen[0].0, "Ready");
    assert_eq!(seen[1].0, "Usable with a limit");
    assert_eq!(seen[2].0, "Needs the bench");
    assert!(seen[0].1 > seen[1].1 && seen[1].1 > seen[2].1, "{seen:?}");
}

#[tokio::test]
async fn no_public_page_names_the_borrower_or_who_waits() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let borrower = house.person("Zebedee Quillfeather", Role::Member).await;
    let waiting = house.person("Philomena Oxbarrow", Role::Member).await;
    let id = house.instrument("SC203", by).await;
    lend(&house, id, borrower, by).await;
    let mut write = house.library.write().await.unwrap();
    waits::ask(
        &mut write,
        id,
        waiting,
        WantsItFor::Planets,
        "please, Philomena",
        Utc::now(),
    )
    .await
    .unwrap();
    write.commit().await.unwrap();
    for (_, mut client) in roles::everyone(&house).await {
        for path in [
            "/instruments/SC203",
            "/shelf",
            "/shelf.csv",
            "/shelf.json",
            "/shelf/finder.json?q=SC",
        ] {
            let text = client.get(path).await.text().to_lowercase();
            for name in ["zebedee", "quillfeather", "philomena", "oxbarrow"] {
                assert!(!text.contains(name), "{name} on {path}");
            }
        }
    }
    let page = house.visitor().get("/instruments/SC203").await;
    let due = (Utc::now().date_naive() + Duration::days(14)).format("%-d %B %Y");
    let words = page.words();
    assert!(words.contains(&format!("On loan until {due}.")), "{words}");
    assert!(words.contains("One person is waiting for it."), "{words}");
}

#[tokio::test]
async fn value_and_notes_are_for_volunteers() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let mut write = house.library.write().await.unwrap();
    let p = Particulars {
        notes: "Mirror recoated once".to_owned(),
        ..particulars("SC203")
    };
    Instrument::add(&mut write, &p, Utc::now(), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    for (role, mut client) in roles::everyone(&house).await {
        let words = client.get("/instruments/SC203").await.words();
        let may = role >= Some(Role::Volunteer);
        assert_eq!(words.contains("950 EUR"), may, "{role:?}");
        assert_eq!(words.contains("Mirror recoated once"), may, "{role:?}");
    }
}

#[tokio::test]
async fn the_sun_comes_first_and_the_heavy_take_two() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    for (n, &design) in Design::ALL.iter().enumerate() {
        let mut write = house.library.write().await.unwrap();
        let p = Particulars {
            design,
            weight_kg: Some(18.0),
            ..particulars(&format!("T-{n}"))
        };
        Instrument::add(&mut write, &p, Utc::now(), by)
            .await
            .unwrap();
        write.commit().await.unwrap();
        let page = house.visitor().get(&format!("/instruments/T-{n}")).await;
        let titles = page.select(".caution-title");
        assert!(titles[0].contains("Sun"), "{design}: {titles:?}");
        assert!(
            titles[1].contains("18 kg, two people"),
            "{design}: {titles:?}"
        );
        assert!(
            page.words().contains("Who carries it two people"),
            "{design}"
        );
    }
}

#[tokio::test]
async fn the_desks_contact_and_the_way_to_ask_are_there_unless_it_is_retired() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let id = house.instrument("SC203", by).await;
    let mut write = house.library.write().await.unwrap();
    let club = Club {
        contact: "desk@fenwater.example, Thursdays".to_owned(),
        ..Club::default()
    };
    club.save(&mut write).await.unwrap();
    write.commit().await.unwrap();
    let page = house.visitor().get("/instruments/SC203").await;
    assert!(page.words().contains("desk@fenwater.example, Thursdays"));
    assert!(
        page.attributes("a.key-main", "href")
            .contains(&"/instruments/SC203/ask".to_owned())
    );
    let mut write = house.library.write().await.unwrap();
    Instrument::set_status(&mut write, id, Status::Retired, "lens cracked")
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = house.visitor().get("/instruments/SC203").await;
    assert!(page.words().contains("retired and no longer lent"));
    assert!(!page.text().contains("/ask"));
    assert!(!page.words().contains("lens cracked"));
}
