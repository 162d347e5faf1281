//! A collimation session at the bench, by forms without scripts.

use axum::http::StatusCode;
use tubewright::library::adjusters;
use tubewright::library::designs;
use tubewright::library::instruments::Design;
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, collimations, star_tests, works};

use crate::common::{Client, House};

pub async fn with_screws(
    house: &House,
    tag: &str,
    by: tubewright::library::PersonId,
) -> InstrumentId {
    let id = house.instrument(tag, by).await;
    let usual = designs::usual(Design::SchmidtCassegrain, Some(203.0), Some(2030.0));
    let mut write = house.library.write().await.unwrap();
    adjusters::set(&mut write, id, &usual.adjusters)
        .await
        .unwrap();
    write.commit().await.unwrap();
    id
}

/// The hidden place of the form on a collimation session's page.
pub async fn at(client: &mut Client, path: &str) -> String {
    let page = client.get(path).await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.words());
    page.attributes("input[name=at]", "value")
        .first()
        .cloned()
        .unwrap_or_default()
}

pub async fn begun(client: &mut Client, tag: &str) -> String {
    let path = format!("/instruments/{tag}/collimation");
    let start = client.get(&path).await;
    assert_eq!(start.status, StatusCode::OK, "{}", start.words());
    assert!(start.words().contains("Never towards the Sun"));
    let collimation = client
        .post(
            &path,
            &[
                ("diagonal", "yes"),
                ("primary_ratio", "2"),
                ("back_focus", "203"),
            ],
        )
        .await
        .location()
        .to_owned();
    made_ready(client, &collimation).await;
    collimation
}

/// The list before a collimation session gone through, once with one point left out.
pub async fn made_ready(client: &mut Client, collimation: &str) {
    let page = client.get(collimation).await;
    assert!(
        page.words()
            .contains("Never point a tube anywhere near the Sun")
    );
    let codes = page.attributes("input[name=ready]", "value");
    let place = at(client, collimation).await;
    // One left out: named, and nothing written.
    let few = client
        .post(
            &format!("{collimation}/ready"),
            &[("at", &place), ("ready", &codes[0])],
        )
        .await;
    assert_eq!(few.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(few.words().contains("Not ticked yet"), "{}", few.words());
    let mut fields = vec![("at", place.as_str())];
    fields.extend(codes.iter().map(|c| ("ready", c.as_str())));
    client
        .post(&format!("{collimation}/ready"), &fields)
        .await
        .location();
}

pub async fn shade(client: &mut Client, collimation: &str, tube: &str, dark: &str) {
    let place = at(client, collimation).await;
    let fields = [
        ("at", place.as_str()),
        ("tube_clock", tube),
        ("dark_clock", dark),
        ("shade_side", "outside"),
    ];
    client
        .post(&format!("{collimation}/shade"), &fields)
        .await
        .location();
}

/// A look by eye: 5 waves or so at 203 mm.
pub fn look<'a>(place: &'a str, ratio: &'a str, clock: &'a str) -> Vec<(&'a str, &'a str)> {
    vec![
        ("at", place),
        ("star_ratio", ratio),
        ("star_clock", clock),
        ("star_share_of_field", "1/30"),
        ("star_true_field", "15"),
        ("star_side", "outside"),
        ("star_diagonal", "yes"),
        ("star_seeing", "2"),
    ]
}

#[tokio::test]
async fn a_whole_collimation_goes_from_the_first_look_to_the_logbook() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let instrument = with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;

    // The shade test comes first; two shades with a diagonal: not mirrored.
    assert!(
        client
            .get(&collimation)
            .await
            .words()
            .contains("Hold a hand before the rim of the tube at 12")
    );
    shade(&mut client, &collimation, "12", "2").await;
    shade(&mut client, &collimation, "3", "5").await;

    // A look without its thin side is sent back with what was typed.
    let place = at(&mut client, &collimation).await;
    let vague = client
        .post(&format!("{collimation}/look"), &look(&place, "0.5", ""))
        .await;
    assert_eq!(vague.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        vague.words().contains("an uneven ring has one"),
        "{}",
        vague.words()
    );
    let kept = vague.attributes("input[name=star_share_of_field]", "value");
    assert_eq!(kept, ["1/30"]);
    let kept = vague.attributes("input[name=star_ratio][checked]", "value");
    assert_eq!(kept, ["0.5"]);

    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/look"), &look(&place, "0.5", "8"))
        .await
        .location();
    let turn = client.get(&collimation).await;
    let words = turn.words();
    assert!(words.contains(" turn "), "{words}");
    assert!(words.contains("Never force a screw"), "{words}");
    assert!(words.contains("The star will jump by about"), "{words}");
    assert!(
        !turn.select("svg.tube-art path.tube-turn").is_empty() || turn.text().contains("tube-turn")
    );
    let parts = turn.attributes("input[name=parts]", "value")[0].clone();
    for part in parts.split(',') {
        assert!(part.parse::<i32>().unwrap().abs() <= 16, "{parts}");
    }

    // A tight screw changes the advice; the go is logged; then it asks to look.
    let place = at(&mut client, &collimation).await;
    let fields = [
        ("at", place.as_str()),
        ("parts", parts.as_str()),
        ("jump_clock", "8"),
    ];
    client
        .post(&format!("{collimation}/go"), &fields)
        .await
        .location();
    assert!(
        client
            .get(&collimation)
            .await
            .words()
            .contains("Save, what next?")
    );

    // Even, twice: in line, and the stop page says what is left.
    for _ in 0..4 {
        let page = client.get(&collimation).await;
        if page.words().contains("Stop here") {
            break;
        }
        let place = at(&mut client, &collimation).await;
        client
            .post(&format!("{collimation}/look"), &look(&place, "1.0", ""))
            .await
            .location();
    }
    let stop = client.get(&collimation).await.words();
    assert!(stop.contains("Stop here"), "{stop}");
    assert!(
        stop.contains("Strehl ratio") && stop.contains("of perfect"),
        "{stop}"
    );

    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/end"), &[("at", &place)])
        .await
        .location();
    let ended = client.get(&collimation).await.words();
    assert!(
        ended.contains("before") && ended.contains("1 adjustment"),
        "{ended}"
    );

    let mut conn = house.library.read().await.unwrap();
    let tests = star_tests::current(&mut conn, Some(instrument))
        .await
        .unwrap();
    assert!(tests.len() >= 2);
    let work = works::current(&mut conn, Some(instrument)).await.unwrap();
    assert_eq!(work.len(), 1);
    assert!(work[0].moved_optics && work[0].words.contains("1 adjustment"));
    // The last look stands after the last turn.
    assert!(tests.last().unwrap().happened_at >= work[0].happened_at);
    assert!(
        collimations::open(&mut conn, instrument)
            .await
            .unwrap()
            .is_none()
    );
    drop(conn);
    // What was learnt is there for the next collimation session; the page shows before and after.
    let condition = client.get("/instruments/SC203").await.words();
    assert!(
        condition.contains("Last collimation session"),
        "{condition}"
    );
    let stars = client.get("/instruments/SC203").await;
    assert_eq!(stars.attributes("img.pair-star", "alt").len(), 2);
}

#[tokio::test]
async fn a_second_volunteer_takes_over_and_neither_overwrites_the_other() {
    let house = House::empty().await;
    let (by, mut first) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut first, "SC203").await;
    let (_, mut second) = house.someone(Role::Volunteer).await;
    // The instrument's address leads to the open collimation session.
    assert_eq!(
        second
            .get("/instruments/SC203/collimation")
            .await
            .location(),
        collimation
    );
    let stale = at(&mut first, &collimation).await;
    shade(&mut second, &collimation, "12", "3").await;
    let late = first
        .post(
            &format!("{collimation}/shade"),
            &[
                ("at", &stale),
                ("tube_clock", "12"),
                ("dark_clock", "9"),
                ("shade_side", ""),
            ],
        )
        .await;
    assert_eq!(late.status, StatusCode::CONFLICT);
    assert!(
        late.words().contains("Someone has gone on"),
        "{}",
        late.words()
    );
    let words = first.get(&collimation).await.words();
    assert!(
        words.contains("dark at 3") && !words.contains("dark at 9"),
        "{words}"
    );
    // Sent twice, a form acts once.
    let place = at(&mut first, &collimation).await;
    let fields = [
        ("at", place.as_str()),
        ("tube_clock", "3"),
        ("dark_clock", "6"),
        ("shade_side", ""),
    ];
    for _ in 0..2 {
        first
            .post_once(&format!("{collimation}/shade"), "one-mark", &fields)
            .await
            .location();
    }
    assert_eq!(
        first
            .get(&collimation)
            .await
            .words()
            .matches("dark at 6")
            .count(),
        3,
        "last entered, shades and log"
    );
}

#[tokio::test]
async fn only_volunteers_hold_a_collimation_and_members_may_practise() {
    let house = House::empty().await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut volunteer, "SC203").await;
    let (_, mut member) = house.someone(Role::Member).await;
    for path in [collimation.as_str(), "/instruments/SC203/collimation"] {
        assert_eq!(
            member.get(path).await.status,
            StatusCode::FORBIDDEN,
            "{path}"
        );
        assert_eq!(
            house.visitor().get(path).await.status,
            StatusCode::UNAUTHORIZED,
            "{path}"
        );
    }
    for what in [
        "ready", "shade", "look", "measured", "mark", "corners", "tension", "go", "stage", "back",
        "end",
    ] {
        let refused = member
            .post(&format!("{collimation}/{what}"), &[("at", "2")])
            .await;
        assert_eq!(refused.status, StatusCode::FORBIDDEN, "{what}");
    }
    let practice = member.get("/practice").await.location().to_owned();
    let page = member.get(&practice).await;
    assert!(page.words().contains("nothing is kept"));
    let picture = page.attributes("img.pair-only", "src")[0].clone();
    assert_eq!(
        member.get(&picture).await.headers["content-type"],
        "image/png"
    );
    let next = member
        .get(&format!("{practice}&act=shade&tube_clock=12&dark_clock=4"))
        .await;
    let next = next.location().to_owned();
    assert!(member.get(&next).await.words().contains("dark at 4"));
    assert_eq!(
        member.get("/practice?seed=1&s=%21%21").await.status,
        StatusCode::BAD_REQUEST
    );
}

#[tokio::test]
async fn what_cannot_be_turned_is_only_looked_at() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    // No screws in the register.
    house.instrument("BARE", by).await;
    let page = client.get("/instruments/BARE/collimation").await.words();
    assert!(
        page.contains("A star check") && page.contains("enter the screws"),
        "{page}"
    );
    let collimation = begun(&mut client, "BARE").await;
    // Which way round the picture lies matters to no screw.
    let page = client.get(&collimation).await;
    assert!(page.select("#shade-test").is_empty(), "{}", page.words());
    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/look"), &look(&place, "0.6", "3"))
        .await
        .location();
    let words = client.get(&collimation).await.words();
    assert!(words.contains("Nothing here to turn"), "{words}");
    assert!(
        !words.contains("Turn screw") && !words.contains("Turn the screw"),
        "{words}"
    );
}

#[tokio::test]
async fn one_alone_at_a_long_tube_goes_on_without_the_shade_test() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    let page = client.get(&collimation).await;
    assert!(page.select(".check").is_empty());
    let without = format!("{collimation}?without=shade");
    assert!(page.attributes("a.key", "href").contains(&without));
    let page = client.get(&without).await.words();
    assert!(
        page.contains("Before the first star check") && page.contains("Make the shade test"),
        "{page}"
    );
    // A look sent back keeps its own screen.
    let place = at(&mut client, &collimation).await;
    let vague = client
        .post(&format!("{collimation}/look"), &look(&place, "0.5", ""))
        .await;
    assert_eq!(vague.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(!vague.select(".check").is_empty(), "{}", vague.words());
    client
        .post(&format!("{collimation}/look"), &look(&place, "0.5", "8"))
        .await
        .location();
    let turn = client.get(&collimation).await.words();
    assert!(
        turn.contains("It finds out which way the screws work"),
        "{turn}"
    );
    assert!(turn.contains("Note which way"), "{turn}");
    // Looked at again, nothing is said of a shade test that was never made.
    let parts = client.get(&collimation).await;
    let parts = parts.attributes("input[name=parts]", "value")[0].clone();
    let place = at(&mut client, &collimation).await;
    let fields = [("at", place.as_str()), ("parts", parts.as_str())];
    client
        .post(&format!("{collimation}/go"), &fields)
        .await
        .location();
    let place = at(&mut client, &collimation).await;
    client
        .post(&format!("{collimation}/look"), &look(&place, "0.6", "8"))
        .await
        .location();
    let page = client.get(&collimation).await.words();
    assert!(!page.contains("the shade test said"), "{page}");
}
