//! A star that answers as on the other side of focus, or as to a turn the wrong way: the
//! person is asked to check the side, and the plan goes by the answer.

use axum::http::StatusCode;
use tubewright::library::people::Role;

use crate::collimations::{at, begun, look, shade, with_screws};
use crate::common::{Client, House};

const ASKED: &str = "Does the donut grow or shrink?";

async fn post(client: &mut Client, collimation: &str, what: &str, fields: &[(&str, &str)]) {
    let place = at(client, collimation).await;
    let mut all = vec![("at", place.as_str())];
    all.extend_from_slice(fields);
    client
        .post(&format!("{collimation}/{what}"), &all)
        .await
        .location();
}

/// A star check by eye at a donut twice as wide as elsewhere.
async fn looked(client: &mut Client, collimation: &str, ratio: &str) {
    let place = at(client, collimation).await;
    let mut fields = look(&place, ratio, "8");
    for (name, value) in &mut fields {
        if *name == "star_share_of_field" {
            *value = "1/15";
        }
    }
    client
        .post(&format!("{collimation}/look"), &fields)
        .await
        .location();
}

/// The turns that are asked for; none where something else is.
async fn parts(client: &mut Client, collimation: &str) -> Vec<i32> {
    let page = client.get(collimation).await;
    let parts = page.attributes("input[name=parts]", "value");
    parts.first().map_or_else(Vec::new, |parts| {
        parts.split(',').map(|p| p.parse().unwrap()).collect()
    })
}

/// Whether two adjustments push to opposite sides.
fn oppose(a: &[i32], b: &[i32]) -> bool {
    let mean = |of: &[i32]| of.iter().sum::<i32>() as f64 / of.len() as f64;
    let (one, other) = (mean(a), mean(b));
    let pushes = a.iter().zip(b);
    pushes
        .map(|(x, y)| (f64::from(*x) - one) * (f64::from(*y) - other))
        .sum::<f64>()
        < 0.0
}

/// A session in which the first turn made the star plainly worse.
async fn turned_for_the_worse(client: &mut Client, tag: &str) -> (String, Vec<i32>) {
    let collimation = begun(client, tag).await;
    shade(client, &collimation, "12", "2").await;
    shade(client, &collimation, "3", "5").await;
    for _ in 0..3 {
        looked(client, &collimation, "0.6").await;
    }
    let first = parts(client, &collimation).await;
    let asked: Vec<String> = first.iter().map(ToString::to_string).collect();
    post(client, &collimation, "go", &[("parts", &asked.join(","))]).await;
    for _ in 0..3 {
        looked(client, &collimation, "0.3").await;
    }
    (collimation, first)
}

#[tokio::test]
async fn a_star_that_got_worse_asks_for_the_side_and_the_answer_decides() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let (collimation, first) = turned_for_the_worse(&mut client, "SC203").await;

    // The question stands alone: no turn, and nothing to believe.
    let page = client.get(&collimation).await;
    let words = page.words();
    assert!(words.contains(ASKED), "{words}");
    assert!(words.contains("Leave the focus knob alone."), "{words}");
    assert!(words.contains("It grows at once: the star is outside focus."));
    assert!(!words.contains("Noticed"), "{words}");
    assert!(page.attributes("input[name=parts]", "value").is_empty());
    let answers = page.attributes("button[name=side]", "value");
    assert_eq!(answers, ["outside", "inside", ""]);

    // Outside, as entered: the plan goes on, and the answer stands in the record.
    post(&mut client, &collimation, "side", &[("side", "outside")]).await;
    let page = client.get(&collimation).await.words();
    assert!(!page.contains(ASKED), "{page}");
    assert!(page.contains("Checked the side of focus: outside."));
    assert!(page.contains("Last entered: checked the side of focus: outside."));
    assert!(!parts(&mut client, &collimation).await.is_empty());

    // Undone, it is asked again; inside, the same star wants the opposite turn.
    post(&mut client, &collimation, "back", &[]).await;
    let page = client.get(&collimation).await;
    assert!(page.words().contains(ASKED));
    let struck = page.select("del").join(" ");
    assert!(struck.contains("Checked the side of focus: outside."));
    post(&mut client, &collimation, "side", &[("side", "inside")]).await;
    let page = client.get(&collimation).await;
    assert!(!page.words().contains(ASKED) && !page.words().contains("Noticed"));
    let other = parts(&mut client, &collimation).await;
    assert!(oppose(&first, &other), "{first:?} {other:?}");
    // What was found holds at the next star check too.
    let other: Vec<String> = other.iter().map(ToString::to_string).collect();
    post(
        &mut client,
        &collimation,
        "go",
        &[("parts", &other.join(","))],
    )
    .await;
    let page = client.get(&collimation).await;
    let side = page.attributes("input[name=star_side]", "value");
    let checked = page.attributes("input[name=star_side][checked]", "value");
    assert!(
        side == ["inside"] || checked == ["inside"],
        "{side:?} {checked:?}"
    );
    let sheet = client.get(&format!("{collimation}/sheet")).await.words();
    assert!(
        sheet.contains("Checked the side of focus: inside."),
        "{sheet}"
    );
}

#[tokio::test]
async fn who_cannot_tell_the_side_goes_on_and_is_not_asked_again() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    with_screws(&house, "SC203", by).await;
    let (collimation, _) = turned_for_the_worse(&mut client, "SC203").await;
    post(&mut client, &collimation, "side", &[("side", "")]).await;
    let page = client.get(&collimation).await;
    assert_eq!(page.status, StatusCode::OK);
    let words = page.words();
    assert!(!words.contains(ASKED), "{words}");
    // What is in doubt is said, and how to settle it.
    assert!(words.contains("the donut grows outside focus"), "{words}");
    assert!(words.contains("it could not be told"), "{words}");
}
