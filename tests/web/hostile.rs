//! Every form of every page, field by field, with what no honest hand types.
//! Nothing may break (5xx), and nothing typed may come back as markup.

use std::collections::{BTreeMap, BTreeSet};

use axum::http::StatusCode;
use scraper::{Html, Selector};
use tubewright::library::people::Role;
use tubewright::web;

use crate::common::{Client, House};

const MARKUP: &str = "<script>alert(1)</script>";

fn payloads() -> Vec<String> {
    vec![
        MARKUP.to_owned(),
        format!("\"'>{MARKUP}"),
        "'; DROP TABLE people; --".to_owned(),
        "=HYPERLINK(\"https://elsewhere.example\")".to_owned(),
        "\0".to_owned(),
        "\u{202e}\u{200b}\u{fffd}\r\nSet-Cookie: x=1".to_owned(),
        "A".repeat(70_000),
        "-1".to_owned(),
        "1e309".to_owned(),
        "NaN".to_owned(),
        "99999999999999999999".to_owned(),
        "0000-99-99".to_owned(),
        "../../etc/passwd".to_owned(),
        "%00%0d%0a".to_owned(),
        "\u{1d54f}\u{301}\u{301}\u{301}".to_owned(),
        String::new(),
    ]
}

/// A form as a browser would send it untouched.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Form {
    action: String,
    multipart: bool,
    fields: Vec<(String, String)>,
}

fn forms(html: &str) -> Vec<Form> {
    let page = Html::parse_document(html);
    let (form, field, option) = (
        Selector::parse("form[method=post]").unwrap(),
        Selector::parse("input[name], select[name], textarea[name]").unwrap(),
        Selector::parse("option").unwrap(),
    );
    page.select(&form)
        .map(|form| {
            let mut fields = BTreeMap::new();
            for one in form.select(&field) {
                let value = one.value();
                let name = value.attr("name").unwrap_or_default().to_owned();
                let kind = value.attr("type").unwrap_or_default();
                if matches!(name.as_str(), "csrf" | "once") || kind == "file" {
                    continue;
                }
                let is_tick = matches!(kind, "radio" | "checkbox");
                if is_tick && value.attr("checked").is_none() {
                    fields.entry(name).or_insert_with(String::new);
                    continue;
                }
                let typed = match value.name() {
                    "textarea" => one.text().collect(),
                    "select" => one
                        .select(&option)
                        .find(|o| o.value().attr("selected").is_some())
                        .or_else(|| one.select(&option).next())
                        .and_then(|o| o.value().attr("value"))
                        .unwrap_or_default()
                        .to_owned(),
                    _ => value.attr("value").unwrap_or_default().to_owned(),
                };
                fields.insert(name, typed);
            }
            Form {
                action: form.value().attr("action").unwrap_or_default().to_owned(),
                multipart: form.value().attr("enctype") == Some("multipart/form-data"),
                fields: fields.into_iter().collect(),
            }
        })
        .collect()
}

fn links(html: &str) -> Vec<String> {
    let page = Html::parse_document(html);
    let link = Selector::parse("a[href]").unwrap();
    page.select(&link)
        .filter_map(|a| a.value().attr("href"))
        .filter(|href| href.starts_with('/') && !href.contains('#'))
        .map(str::to_owned)
        .collect()
}

/// Walks from page to page and gathers the forms met; of pages that differ
/// only in their query, a few.
async fn crawl(client: &mut Client) -> BTreeSet<Form> {
    let mut found = BTreeSet::new();
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let mut ahead = vec!["/".to_owned(), "/shelf".to_owned()];
    ahead.extend(
        web::routes()
            .iter()
            .filter(|r| r.method == axum::http::Method::GET && !r.path.contains('{'))
            .map(|r| r.path.to_owned()),
    );
    while let Some(path) = ahead.pop() {
        let bare = path.split('?').next().unwrap_or_default().to_owned();
        let times = seen.entry(bare).or_default();
        *times += 1;
        if *times > 2 || path.starts_with("/static/") {
            continue;
        }
        let page = client.get(&path).await;
        assert!(!page.status.is_server_error(), "{path}: {}", page.status);
        let html = page.text();
        found.extend(forms(&html));
        ahead.extend(links(&html));
    }
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn no_field_of_any_form_breaks_the_house_or_becomes_markup() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    house.instrument("S203", by).await;
    house.person("Otto Brand", Role::Member).await;
    let forms = crawl(&mut client).await;
    let actions: BTreeSet<&str> = forms.iter().map(|f| f.action.as_str()).collect();
    assert!(actions.len() >= 15, "{actions:?}");
    let payloads = payloads();
    let (mut sent, mut last) = (0, String::new());
    for form in &forms {
        // Signing out ends the test; retiring ends what others need.
        if ["/sign-out", "/sessions/end", "/retire", "/leave"]
            .iter()
            .any(|end| form.action.contains(end))
        {
            continue;
        }
        for (place, (name, _)) in form.fields.iter().enumerate() {
            // A few for each field, others for the next: all are tried often.
            for turn in 0..5 {
                let payload = &payloads[(place + sent + turn * 3) % payloads.len()];
                let fields: Vec<(&str, &str)> = form
                    .fields
                    .iter()
                    .map(|(n, v)| (n.as_str(), if n == name { payload.as_str() } else { v }))
                    .collect();
                let page = if form.multipart {
                    client.upload(&form.action, &fields, &[]).await
                } else {
                    client.post(&form.action, &fields).await
                };
                let what = format!("{} {name}={payload:.40?}", form.action);
                assert!(!page.status.is_server_error(), "{what}: {}", page.status);
                assert_ne!(
                    page.status,
                    StatusCode::UNAUTHORIZED,
                    "{what}, after {last}"
                );
                last.clone_from(&what);
                assert!(!page.text().contains(MARKUP), "{what}");
                assert!(!page.headers.contains_key("x"), "{what}");
            }
            sent += 1;
        }
    }
    // Read by tests/trust/table.py.
    println!(
        "counts: fields of forms filled with what no honest hand types: {} forms, {sent} fields, {} posts -> none broke anything or came back as markup",
        forms.len(),
        sent * 5
    );
    for path in [
        "/shelf",
        "/instruments/S203",
        "/instruments/S203/logbook",
        "/people",
        "/audit-log",
        "/due",
        "/loans",
    ] {
        let page = client.get(path).await;
        assert!(page.status.is_success(), "{path}: {}", page.status);
        assert!(!page.text().contains(MARKUP), "{path}");
    }
    assert!(sent >= 100, "{sent} fields");
}
