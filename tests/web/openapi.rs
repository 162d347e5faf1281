//! The published description of the JSON addresses against what they answer.
//! `tests/scan/run` puts them to an independent scanner as well.

use axum::http::{Method, StatusCode};
use serde_json::Value;
use tubewright::library::people::Role;
use tubewright::web;

use crate::common::House;

async fn described(house: &House) -> Value {
    let page = house.visitor().get("/static/openapi.json").await;
    assert_eq!(page.status, StatusCode::OK);
    serde_json::from_slice(&page.body).unwrap()
}

/// Whether a value has the form that a schema asks for: the part of JSON Schema
/// that our description uses.
fn fits(all: &Value, schema: &Value, value: &Value, place: &str) -> Result<(), String> {
    if let Some(name) = schema["$ref"].as_str() {
        let pointer = name.trim_start_matches('#');
        return fits(all, all.pointer(pointer).unwrap(), value, place);
    }
    if let Some(words) = schema["enum"].as_array() {
        return words
            .contains(value)
            .then_some(())
            .ok_or(format!("{place}: {value} is none of {words:?}"));
    }
    let types: Vec<&str> = match &schema["type"] {
        Value::String(one) => vec![one],
        Value::Array(some) => some.iter().filter_map(Value::as_str).collect(),
        _ => return Ok(()),
    };
    let is = |kind: &&str| match *kind {
        "null" => value.is_null(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_i64() || value.is_u64(),
        "boolean" => value.is_boolean(),
        "array" => value.is_array(),
        _ => value.is_object(),
    };
    if !types.iter().any(is) {
        return Err(format!("{place}: {value} is not {types:?}"));
    }
    if let Some(object) = value.as_object() {
        for name in schema["required"].as_array().into_iter().flatten() {
            let name = name.as_str().unwrap();
            if !object.contains_key(name) {
                return Err(format!("{place}: {name} is missing"));
            }
        }
        for (name, inner) in object {
            fits(
                all,
                &schema["properties"][name],
                inner,
                &format!("{place}.{name}"),
            )?;
        }
    }
    for (number, inner) in value.as_array().into_iter().flatten().enumerate() {
        fits(all, &schema["items"], inner, &format!("{place}[{number}]"))?;
    }
    Ok(())
}

#[tokio::test]
async fn every_json_address_is_described_and_no_other() {
    let house = House::empty().await;
    let described = described(&house).await;
    let mut known: Vec<&str> = described["paths"]
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect();
    let mut there: Vec<&str> = web::routes()
        .iter()
        .filter(|r| r.method == Method::GET && r.path.ends_with(".json"))
        .map(|r| r.path)
        .collect();
    known.sort_unstable();
    there.sort_unstable();
    assert_eq!(known, there);
}

#[tokio::test]
async fn what_is_answered_has_the_form_that_is_described() {
    let house = House::empty().await;
    let all = described(&house).await;
    let (by, mut volunteer) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let journey = [
        ("loan_version", ""),
        ("journey", "knock-or-drop"),
        ("note", "Fell"),
    ];
    volunteer.post("/check-in/S203", &journey).await;
    for (path, asked) in [
        ("/shelf.json", "/shelf.json"),
        ("/shelf.json", "/shelf.json?design=schmidt-cassegrain&q=203"),
        ("/shelf/finder.json", "/shelf/finder.json?q=S"),
        ("/due.json", "/due.json"),
        ("/due.json", "/due.json?coming=2030-01-01"),
        ("/due.json", "/due.json?coming=never"),
        (
            "/attempts/{id}/report.json",
            "/attempts/00000000-0000-0000-0000-000000000000/report.json",
        ),
    ] {
        let page = volunteer.get(asked).await;
        let answer = &all["paths"][path]["get"]["responses"][page.status.as_str()];
        assert!(
            answer.is_object(),
            "{asked}: {} is not described",
            page.status
        );
        let schema = &answer["content"]["application/json"]["schema"];
        let value: Value = serde_json::from_slice(&page.body).unwrap();
        fits(&all, schema, &value, asked).unwrap();
    }
    let none = house.visitor().get("/due.json").await;
    assert_eq!(none.status, StatusCode::UNAUTHORIZED);
    let schema = &all["components"]["schemas"]["Error"];
    fits(
        &all,
        schema,
        &serde_json::from_slice(&none.body).unwrap(),
        "/due.json",
    )
    .unwrap();
}
