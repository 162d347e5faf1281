//! Trying out a work night's hours and pairs of hands.

use axum::http::StatusCode;
use tubewright::library::people::Role;

use crate::common::{Client, House, days_ago};
use crate::due::tested;

/// A club with five out of line, and a work night of an hour for one.
async fn night() -> (House, Client, String) {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    for (tag, coma) in [
        ("S1", 0.30),
        ("S2", 0.25),
        ("S3", 0.20),
        ("S4", 0.15),
        ("S5", 0.12),
    ] {
        let id = house.instrument(tag, by).await;
        tested(&house, id, by, coma, days_ago(3)).await;
    }
    let on = chrono::Utc::now().date_naive() + chrono::Days::new(7);
    let fields = [
        ("held_on", on.to_string()),
        ("place", "the hut".to_owned()),
        ("hours", "1".to_owned()),
        ("hands", "1".to_owned()),
        ("note", String::new()),
    ];
    let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let at = client
        .post("/work-nights/new", &fields)
        .await
        .location()
        .to_owned();
    (house, client, at)
}

/// Tags that the best use takes in.
fn set(page: &crate::common::Page) -> Vec<String> {
    let mut tags: Vec<String> = page
        .select("ul.reasons li")
        .iter()
        .filter(|li| li.starts_with("One pair of hands"))
        .flat_map(|li| {
            li.split([' ', ',', ':'])
                .map(str::to_owned)
                .collect::<Vec<_>>()
        })
        .filter(|w| w.len() == 2 && w.starts_with('S'))
        .collect();
    tags.sort();
    tags
}

#[tokio::test]
async fn other_hours_and_hands_show_another_set_and_change_nothing() {
    let (_house, mut client, at) = night().await;
    let page = client.get(&at).await;
    assert_eq!(set(&page), ["S1"], "{}", page.words());
    assert_eq!(page.attributes("input[name=hours]", "value"), ["1"]);
    let page = client.get(&format!("{at}?hours=2&hands=2")).await;
    assert_eq!(set(&page), ["S1", "S2", "S3", "S4"], "{}", page.words());
    assert!(
        page.words().contains(
            "Tried out: 2 hours and 2 pairs of hands. The night itself stays as planned."
        ),
        "{}",
        page.words()
    );
    assert!(page.words().contains("room for 4"));
    assert!(
        page.words().contains("takes in 4 of the 5"),
        "{}",
        page.words()
    );
    // One alone is enough to say, and a comma will do.
    let page = client.get(&format!("{at}?hours=3,0")).await;
    assert_eq!(set(&page), ["S1", "S2", "S3"]);
    // The night itself is as it was.
    let page = client.get(&at).await;
    assert_eq!(set(&page), ["S1"]);
    assert!(
        page.words().contains("1 hour, 1 pair of hands"),
        "{}",
        page.words()
    );
    assert!(!page.words().contains("Tried out"));
}

#[tokio::test]
async fn what_cannot_be_tried_is_told_with_its_mend() {
    let (_house, mut client, at) = night().await;
    for (query, field) in [
        ("hours=many", "hours"),
        ("hours=0", "hours"),
        ("hours=25", "hours"),
        ("hands=0", "hands"),
        ("hands=1.5", "hands"),
        ("hands=101", "hands"),
    ] {
        let page = client.get(&format!("{at}?{query}")).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{query}");
        assert_eq!(set(&page), ["S1"], "{query}: the night's own");
        let typed = query.split('=').nth(1).unwrap();
        let kept = page.attributes(&format!("input[name={field}]"), "value");
        assert_eq!(kept, [typed], "{query}");
    }
}

/// An afternoon and an evening on one day: two nights, each with its own list.
#[tokio::test]
async fn two_work_nights_on_one_day_keep_their_own_lists() {
    let (_house, mut client, first) = night().await;
    let on = (chrono::Utc::now().date_naive() + chrono::Days::new(7)).to_string();
    let fields = [
        ("held_on", on.as_str()),
        ("place", "the school"),
        ("hours", "3"),
        ("hands", "4"),
        ("note", "afternoon"),
    ];
    let second = client.post("/work-nights/new", &fields).await;
    let second = second.location().to_owned();
    assert_ne!(first, second);
    let list = client.get("/work-nights").await.words();
    assert!(
        list.contains("the hut") && list.contains("the school"),
        "{list}"
    );
    client
        .post(&format!("{first}/assign"), &[("tag", "S1")])
        .await
        .location();
    client
        .post(&format!("{second}/assign"), &[("tag", "S2")])
        .await
        .location();
    let tags = async |client: &mut Client, at: &str| {
        let sheet = client.get(&format!("{at}/list.csv")).await.text();
        let rows = sheet.lines().skip(1).map(str::to_owned);
        rows.collect::<Vec<_>>()
    };
    let (one, other) = (
        tags(&mut client, &first).await,
        tags(&mut client, &second).await,
    );
    assert!(one.len() == 1 && one[0].contains("S1"), "{one:?}");
    assert!(other.len() == 1 && other[0].contains("S2"), "{other:?}");
}
