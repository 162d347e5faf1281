//! Spare parts: used in work, added, counted anew, low.

use axum::http::StatusCode;
use chrono::Utc;
use tubewright::library::people::Role;

use crate::common::{Client, House, Page};
use crate::two_at_once::form;

const SCREWS: [(&str, &str); 6] = [
    ("name", "Grub screw M4"),
    ("unit", "pieces"),
    ("amount", "5"),
    ("low_at", "2"),
    ("place", "Drawer 3"),
    ("value", "0.125"),
];

async fn club() -> (House, Client, String) {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S1", by).await;
    let at = client.post("/spares/new", &SCREWS).await;
    let at = at.location().to_owned();
    (house, client, at)
}

async fn works(client: &mut Client, used: &[(&str, &str)]) -> Page {
    let today = Utc::now().date_naive().to_string();
    let mut fields = vec![
        ("what", "repair"),
        ("moved_optics", "no"),
        ("words", "New screw"),
        ("on", today.as_str()),
    ];
    fields.extend_from_slice(used);
    client.post("/instruments/S1/work", &fields).await
}

fn left(page: &Page) -> String {
    page.select("main p strong")[0].replace('\u{a0}', " ")
}

#[tokio::test]
async fn what_work_uses_is_gone_from_the_stock_and_never_more_than_there_is() {
    let (house, mut client, at) = club().await;
    let id = at.rsplit('/').next().unwrap().to_owned();
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    assert!(!boss.get("/").await.words().contains("spare parts"));
    let used = [("spare_1", id.as_str()), ("used_1", "3")];
    works(&mut client, &used).await.location();
    assert_eq!(left(&client.get(&at).await), "2 pieces");
    let words = client.get("/instruments/S1/logbook").await.words();
    assert!(
        words
            .replace('\u{a0}', " ")
            .contains("Used: 3 pieces of Grub screw M4."),
        "{words}"
    );
    let words = boss.get("/").await.words();
    assert!(words.contains("1 low among the spare parts"), "{words}");
    let rows = client.get("/spares?show=low").await.select("tbody th");
    assert_eq!(rows, ["Grub screw M4"]);
    // More than there are, in one field or in two; and what is half filled in.
    for (used, why) in [
        (
            vec![("spare_1", id.as_str()), ("used_1", "3")],
            "there are only 2",
        ),
        (
            vec![
                ("spare_1", &id),
                ("used_1", "2"),
                ("spare_2", &id),
                ("used_2", "0.5"),
            ],
            "there are only 2",
        ),
        (vec![("spare_1", &id)], "please give a number"),
        (vec![("used_2", "1")], "choose which"),
        (vec![("spare_1", "x"), ("used_1", "1")], "choose which"),
        (
            vec![("spare_1", &id), ("used_1", "-1")],
            "give a number from",
        ),
    ] {
        let page = works(&mut client, &used).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{used:?}");
        let words = page.words().replace('\u{a0}', " ");
        assert!(words.contains(why), "{used:?}: {words}");
        assert!(page.text().contains("New screw"), "what was typed is kept");
    }
    let csv = client
        .get("/instruments/S1/logbook.csv?kind=work")
        .await
        .text();
    assert_eq!(
        csv.lines().count(),
        2,
        "nothing of those was written: {csv}"
    );
    assert_eq!(left(&client.get(&at).await), "2 pieces");
    // The committee reads what they cost.
    let words = boss.get("/year").await.words().replace('\u{a0}', " ");
    assert!(words.contains("Grub screw M4 3 pieces 0.38 EUR"), "{words}");
}

#[tokio::test]
async fn they_are_added_counted_with_a_reason_changed_and_taken_off_the_list() {
    let (house, mut client, at) = club().await;
    client
        .post(&format!("{at}/add"), &[("amount", "2,5")])
        .await
        .location();
    assert_eq!(left(&client.get(&at).await), "7.5 pieces");
    for (act, fields, why) in [
        ("add", vec![("amount", "0")], "give a number from"),
        ("add", vec![], "please give a number"),
        ("count", vec![("counted", "4")], "please fill this in"),
        ("count", vec![("reason", "Lost")], "please give a number"),
        (
            "count",
            vec![("counted", "many"), ("reason", "Lost")],
            "is not a number",
        ),
    ] {
        let page = client.post(&format!("{at}/{act}"), &fields).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{act}");
        assert!(page.words().contains(why), "{act}: {}", page.words());
    }
    let counted = [("counted", "4"), ("reason", "Two were lost")];
    client
        .post(&format!("{at}/count"), &counted)
        .await
        .location();
    let page = client.get(&at).await;
    assert_eq!(left(&page), "4 pieces");
    let words = page.words().replace('\u{a0}', " ");
    assert!(words.contains("3.5 pieces fewer: Two were lost"), "{words}");
    let (_, mut boss) = house.someone(Role::Coordinator).await;
    let log = boss.get("/audit-log").await.words();
    assert!(log.contains("Two were lost"), "{log}");
    // A name stands once; what somebody else changed is not overwritten.
    let page = client.post("/spares/new", &SCREWS).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("on the list already"));
    let edit = format!("{at}/edit");
    let shown = form(&client.get(&edit).await, "shown");
    let with = |place| {
        let shown = shown.as_str();
        vec![
            ("name", "Grub screw M4"),
            ("unit", "pieces"),
            ("place", place),
            ("shown", shown),
        ]
    };
    client.post(&edit, &with("Drawer 9")).await.location();
    let page = client.post(&edit, &with("Drawer 1")).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("here now stands: Drawer 9"));
    assert!(
        client
            .get("/search?q=grub")
            .await
            .words()
            .contains("Grub screw M4")
    );
    let csv = client.get("/spares.csv").await.text();
    assert_eq!(
        csv.lines().nth(1),
        Some("Grub screw M4,4,pieces,,no,Drawer 9,")
    );
    client.post(&format!("{at}/remove"), &[]).await.location();
    assert_eq!(client.get(&at).await.status, StatusCode::NOT_FOUND);
    assert!(
        client
            .get("/search?q=grub")
            .await
            .words()
            .contains("Nothing found")
    );
}
