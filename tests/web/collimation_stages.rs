//! Stages that only some designs have: a Newtonian's marks, a Ritchey-Chretien's
//! corners; and screws that are tight.

use axum::http::StatusCode;
use chrono::Utc;
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::people::Role;
use tubewright::library::{PersonId, adjusters, designs, works};

use crate::collimations::{at, begun, look, made_ready, shade, with_screws};
use crate::common::{Client, House, particulars};

pub async fn of_design(house: &House, tag: &str, design: Design, focal: f64, by: PersonId) {
    let usual = designs::usual(design, Some(203.0), Some(focal));
    let mut write = house.library.write().await.unwrap();
    let told = Particulars {
        design,
        focal_mm: focal,
        obstruction: usual.obstruction,
        uses_diagonal: false,
        ..particulars(tag)
    };
    let id = Instrument::add(&mut write, &told, Utc::now(), by)
        .await
        .unwrap();
    adjusters::set(&mut write, id, &usual.adjusters)
        .await
        .unwrap();
    write.commit().await.unwrap();
}

async fn post(client: &mut Client, collimation: &str, what: &str, fields: &[(&str, &str)]) {
    let place = at(client, collimation).await;
    let mut all = vec![("at", place.as_str())];
    all.extend_from_slice(fields);
    client
        .post(&format!("{collimation}/{what}"), &all)
        .await
        .location();
}

/// Does what the page asks for at a mark that follows the advice.
async fn turned(client: &mut Client, collimation: &str) -> String {
    let page = client.get(collimation).await;
    let parts = page.attributes("input[name=parts]", "value")[0].clone();
    assert!(page.words().contains("Never force a screw"));
    post(client, collimation, "go", &[("parts", &parts)]).await;
    parts
}

#[tokio::test]
async fn a_newtonian_goes_by_its_marks_in_mm_before_the_star() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    of_design(&house, "N203", Design::Newtonian, 1015.0, by).await;
    let start = client.get("/instruments/N203/collimation").await;
    let chosen = start.attributes("select[name=focuser_clock] option[selected]", "value");
    assert_eq!(chosen, ["3"]);
    let collimation = client
        .post("/instruments/N203/collimation", &[("focuser_clock", "9")])
        .await
        .location()
        .to_owned();
    // The marks can be done by day: the list for the star comes before the star.
    let focuser = client.get(&collimation).await.words();
    assert!(focuser.contains("The flat must look round"), "{focuser}");
    assert!(focuser.contains("Never look into the beam"), "{focuser}");
    assert!(focuser.contains("away from the Sun"), "{focuser}");
    post(&mut client, &collimation, "stage", &[]).await;

    // The flat by the laser: no direction without a clock, then a turn, then done.
    let place = at(&mut client, &collimation).await;
    let vague = client
        .post(
            &format!("{collimation}/mark"),
            &[("at", &place), ("mark_mm", "9"), ("mark_clock", "")],
        )
        .await;
    assert_eq!(vague.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(vague.words().contains("which clock position of the tube"));
    assert_eq!(vague.attributes("input[name=mark_mm]", "value"), ["9"]);
    let flat = [("mark_mm", "9"), ("mark_clock", "12")];
    post(&mut client, &collimation, "mark", &flat).await;
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Mark off by 9.0"), "{page}");
    assert!(page.contains("brings the mark closer"), "{page}");
    assert!(page.contains("mm off"), "{page}");
    // Its caution is of a bare mirror, and there is no star to bring back.
    assert!(page.contains("nothing may drop on the mirror"), "{page}");
    assert!(
        !page.contains("corrector") && !page.contains("Centre it"),
        "{page}"
    );
    turned(&mut client, &collimation).await;
    on_the_mark(&mut client, &collimation).await;
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Mark centred"), "{page}");
    post(&mut client, &collimation, "stage", &[]).await;

    // The primary by its mark.
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Look through the Cheshire"), "{page}");
    let primary = [("mark_mm", "6.5"), ("mark_clock", "4")];
    post(&mut client, &collimation, "mark", &primary).await;
    let page = client.get(&collimation).await.words();
    assert!(page.contains("as you see it from behind"), "{page}");
    assert!(page.contains("the mirror must not come loose"), "{page}");
    turned(&mut client, &collimation).await;
    on_the_mark(&mut client, &collimation).await;
    post(&mut client, &collimation, "stage", &[]).await;
    // Then the star, which begins with the list and the shade.
    made_ready(&mut client, &collimation).await;
    let page = client.get(&collimation).await.words();
    assert!(page.contains("Hold a hand before the rim"), "{page}");
    post(&mut client, &collimation, "end", &[]).await;
    let ended = client.get(&collimation).await.words();
    assert!(ended.contains("No star check"), "{ended}");
    // The focuser stands there the next time too.
    let again = client.get("/instruments/N203/collimation").await;
    let chosen = again.attributes("select[name=focuser_clock] option[selected]", "value");
    assert_eq!(chosen, ["9"]);
    let mut conn = house.library.read().await.unwrap();
    let work = works::current(&mut conn, None).await.unwrap();
    assert!(work[0].moved_optics && work[0].words.contains("no star checks"));
}

/// Looks that find the mark centred, until the stage is done.
async fn on_the_mark(client: &mut Client, collimation: &str) {
    for _ in 0..4 {
        let page = client.get(collimation).await.words();
        if page.contains("This mark is centred") {
            return;
        }
        post(client, collimation, "mark", &[("mark_mm", "0")]).await;
    }
    panic!("{}", client.get(collimation).await.words());
}

#[tokio::test]
async fn a_ritchey_chretiens_corners_name_the_primarys_screw() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    of_design(&house, "RC203", Design::RitcheyChretien, 1624.0, by).await;
    let collimation = client
        .post("/instruments/RC203/collimation", &[])
        .await
        .location()
        .to_owned();
    made_ready(&mut client, &collimation).await;
    shade(&mut client, &collimation, "12", "12").await;
    shade(&mut client, &collimation, "3", "9").await;
    even(&mut client, &collimation).await;
    post(&mut client, &collimation, "stage", &[]).await;
    let page = client.get(&collimation).await.words();
    assert!(
        page.contains("Bring the star to the edge of the field"),
        "{page}"
    );

    // What is missing is asked for, and what was typed is kept.
    let place = at(&mut client, &collimation).await;
    let stars = |side: &'static str| {
        vec![
            ("edge_side", side),
            ("edge_width", "18"),
            ("edge_arcmin", "15"),
            ("drawn", "round"),
            ("drawn", "middle"),
            ("drawn", "round"),
            ("drawn", "across"),
            ("oval", ""),
            ("oval", "0.7"),
            ("oval", ""),
            ("oval", "0.7"),
        ]
    };
    let mut vague = stars("");
    vague.push(("at", &place));
    let path = format!("{collimation}/corners");
    let mended = client.post(&path, &vague).await;
    assert_eq!(mended.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(mended.words().contains("Side of focus: say which"));
    let kept = mended.attributes("#f-drawn-1 option[selected]", "value");
    assert_eq!(kept, ["middle"]);
    post(&mut client, &collimation, "corners", &stars("outside")).await;
    let page = client.get(&collimation).await;
    let words = page.words();
    assert!(words.contains("Edges of the field: 0."), "{words}");
    assert!(words.contains("drawn out towards 3"), "{words}");
    assert!(words.contains(" turn "), "{words}");
    // Which side of focus four ovals were seen on is not yet sure.
    let why = ["evens out the sides of the field", "finds out which way"];
    assert!(why.iter().any(|w| words.contains(w)), "{words}");
    assert!(words.contains("as you see it from behind"), "{words}");
    let parts = turned(&mut client, &collimation).await;
    // Screws on so long a lever work slowly: more than a quarter turn may be asked for.
    for part in parts.split(',') {
        assert!(part.parse::<i32>().unwrap().abs() <= 64, "{parts}");
    }
    // The middle is out of line now: the star comes first, then the corners again.
    let words = client.get(&collimation).await.words();
    assert!(words.contains("Do the secondary again"), "{words}");
    post(&mut client, &collimation, "stage", &[("to", "star")]).await;
    let words = client.get(&collimation).await.words();
    // How the picture lies is known: the look comes first, a shade only by choice.
    let look = words
        .find("Where is the ring thinnest?")
        .expect("the star check is asked for");
    let shade = words
        .find("Make the shade test again")
        .expect("it is offered");
    assert!(look < shade, "{words}");
    even(&mut client, &collimation).await;
    post(&mut client, &collimation, "stage", &[]).await;
    let round = [
        ("edge_side", "outside"),
        ("edge_width", "18"),
        ("edge_arcmin", "15"),
        ("drawn", "round"),
        ("drawn", "round"),
        ("drawn", "round"),
        ("drawn", "round"),
    ];
    for _ in 0..4 {
        if !client
            .get(&collimation)
            .await
            .words()
            .contains("Save the four")
        {
            break;
        }
        post(&mut client, &collimation, "corners", &round).await;
    }
    let words = client.get(&collimation).await.words();
    assert!(words.contains("sides of the field are even"), "{words}");
    post(&mut client, &collimation, "end", &[]).await;
    let words = client.get(&collimation).await.words();
    // The star's last stage still says how the middle stands.
    assert!(words.contains("It is collimated."), "{words}");
}

/// Even looks until the star's stage stops.
async fn even(client: &mut Client, collimation: &str) {
    for _ in 0..5 {
        if client.get(collimation).await.words().contains("Stop here") {
            return;
        }
        let place = at(client, collimation).await;
        client
            .post(&format!("{collimation}/look"), &look(&place, "1.0", ""))
            .await
            .location();
    }
    panic!("{}", client.get(collimation).await.words());
}

#[tokio::test]
async fn a_tight_screw_is_told_and_the_turn_that_was_made_is_logged_as_told() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let collimation = begun(&mut client, "SC203").await;
    shade(&mut client, &collimation, "12", "12").await;
    post(
        &mut client,
        &collimation,
        "look",
        &look("0", "0.5", "12")[1..],
    )
    .await;
    let parts = client
        .get(&collimation)
        .await
        .attributes("input[name=parts]", "value")[0]
        .clone();
    // Whichever screw is asked for: it goes no further that way.
    let parts: Vec<i32> = parts.split(',').map(|p| p.parse().unwrap()).collect();
    let asked = parts.iter().position(|p| *p != 0).unwrap();
    let tightens = parts[asked] > 0;
    let mut tension = vec![("tension", "even"); 3];
    tension[asked] = ("tension", if tightens { "tight" } else { "loose" });
    post(&mut client, &collimation, "tension", &tension).await;
    let now = client
        .get(&collimation)
        .await
        .attributes("input[name=parts]", "value")[0]
        .clone();
    let turn: i32 = now.split(',').nth(asked).unwrap().parse().unwrap();
    assert!(
        if tightens { turn <= 0 } else { turn >= 0 },
        "{parts:?} {now}"
    );
    // Told otherwise than asked: too much is sent back, the rest is taken.
    let place = at(&mut client, &collimation).await;
    let far = client
        .post(
            &format!("{collimation}/go"),
            &[
                ("at", &place),
                ("parts", &now),
                ("own", "20"),
                ("own", ""),
                ("own", ""),
            ],
        )
        .await;
    assert_eq!(far.status, StatusCode::UNPROCESSABLE_ENTITY);
    let own = [
        ("parts", now.as_str()),
        ("own", "-2"),
        ("own", "1"),
        ("own", ""),
    ];
    post(&mut client, &collimation, "go", &own).await;
    let words = client.get(&collimation).await.words();
    assert!(words.contains("by screw: S1 -2, S2 1, S3 0"), "{words}");
}
