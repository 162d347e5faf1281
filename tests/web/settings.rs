//! The history of the club's settings.

use tubewright::library::people::Role;

use crate::common::{House, Page};

/// What the settings' form holds, as it would be sent.
fn held(page: &Page) -> Vec<(String, String)> {
    let inputs =
        "form[action='/club'] input:not([type=radio]), form[action='/club'] input[checked]";
    let names = page.attributes(inputs, "name");
    let values = page.attributes(inputs, "value");
    assert_eq!(names.len(), values.len());
    let held = names.into_iter().zip(values);
    held.filter(|(name, _)| name != "csrf" && name != "once")
        .collect()
}

#[tokio::test]
async fn who_changed_which_setting_and_from_what_stays_known() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Coordinator).await;
    let page = client.get("/club").await;
    let mut fields = held(&page);
    for (name, value) in &mut fields {
        match name.as_str() {
            "loan_days" => "21".clone_into(value),
            "contact" => "the hut, Fridays".clone_into(value),
            _ => {}
        }
    }
    let sent: Vec<(&str, &str)> = fields
        .iter()
        .map(|(n, v)| (n.as_str(), v.as_str()))
        .collect();
    client.post("/club", &sent).await.location();
    // The same again changes nothing.
    let again = held(&client.get("/club").await);
    let sent: Vec<(&str, &str)> = again
        .iter()
        .map(|(n, v)| (n.as_str(), v.as_str()))
        .collect();
    client.post("/club", &sent).await.location();

    let csv = client.get("/club/history.csv").await.text();
    let rows: Vec<&str> = csv.lines().collect();
    assert_eq!(rows.len(), 3, "{csv}");
    assert!(csv.contains("Loan length,28,21,"), "{csv}");
    assert!(csv.contains("Lending desk,,\"the hut, Fridays\","), "{csv}");
    let words = client.get("/club/history").await.words();
    assert!(words.contains("Loan length 28 21"), "{words}");
}
