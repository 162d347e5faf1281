use axum::http::StatusCode;
use tubewright::library::entries::{Entry, EntryKind};
use tubewright::library::instruments::{Design, Instrument};
use tubewright::library::people::Role;
use tubewright::library::{adjusters, kit};
use tubewright::web::access::Access;

use crate::common::{House, Page};
use crate::roles;

/// Every field of a page's register form, as a browser would send it back.
pub fn fields(page: &Page) -> Vec<(String, String)> {
    let html = scraper::Html::parse_document(&page.text());
    let css = scraper::Selector::parse(
        "form.register-form input, form.register-form textarea, form.register-form select",
    )
    .unwrap();
    let chosen = scraper::Selector::parse("option[selected]").unwrap();
    html.select(&css)
        .filter_map(|e| {
            let name = e.value().attr("name")?.to_owned();
            if name == "csrf" || name == "once" {
                return None;
            }
            let value = match e.value().name() {
                "textarea" => e.text().collect::<String>().trim_start().to_owned(),
                "select" => e
                    .select(&chosen)
                    .next()
                    .and_then(|o| o.value().attr("value"))
                    .unwrap_or("")
                    .to_owned(),
                _ if e.value().attr("type") == Some("checkbox") => {
                    e.value().attr("checked")?;
                    "yes".to_owned()
                }
                _ => e.value().attr("value").unwrap_or("").to_owned(),
            };
            Some((name, value))
        })
        .collect()
}

/// The same with one field changed.
pub fn with(mut fields: Vec<(String, String)>, name: &str, value: &str) -> Vec<(String, String)> {
    let field = fields.iter_mut().find(|(n, _)| n == name).unwrap();
    field.1 = value.to_owned();
    fields
}

pub fn pairs(fields: &[(String, String)]) -> Vec<(&str, &str)> {
    fields
        .iter()
        .map(|(n, v)| (n.as_str(), v.as_str()))
        .collect()
}

#[tokio::test]
async fn only_volunteers_add() {
    let house = House::empty().await;
    for (n, (role, mut client)) in roles::everyone(&house).await.into_iter().enumerate() {
        let page = client.get("/register/new").await;
        roles::check(Access::Volunteer, role, page.status, StatusCode::OK, "new");
        let (_, mut volunteer) = house.someone(Role::Volunteer).await;
        let form = volunteer.get("/register/new?design=newtonian").await;
        let tag = format!("N-{n}");
        let sent = with(fields(&form), "tag", &tag);
        let page = client.post("/register/new", &pairs(&sent)).await;
        roles::check(
            Access::Volunteer,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "add",
        );
        let mut conn = house.library.read().await.unwrap();
        let added = Instrument::by_tag(&mut conn, &tag).await.is_ok();
        assert_eq!(added, Access::Volunteer.allows(role), "{role:?}");
    }
}

#[tokio::test]
async fn the_design_comes_first_and_each_fills_a_form_that_can_be_sent_as_it_is() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let page = client.get("/register/new").await;
    let offered = page.attributes("input[name=design]", "value");
    let all: Vec<_> = Design::ALL.iter().map(|d| d.slug()).collect();
    assert_eq!(offered, all);
    for (n, design) in Design::ALL.iter().enumerate() {
        let form = client
            .get(&format!("/register/new?design={}", design.slug()))
            .await;
        assert_eq!(form.status, StatusCode::OK);
        let sent = with(fields(&form), "tag", &format!("T-{n}"));
        let page = client.post("/register/new", &pairs(&sent)).await;
        assert_eq!(page.location(), format!("/instruments/T-{n}"), "{design}");
        let mut conn = house.library.read().await.unwrap();
        let added = Instrument::by_tag(&mut conn, &format!("T-{n}"))
            .await
            .unwrap();
        assert_eq!(added.design, *design);
        assert_eq!(added.obstruction > 0.0, design.is_obstructed(), "{design}");
        assert!(added.weight_kg.is_some() && added.cool_down_min.is_some());
        assert!(!kit::of(&mut conn, added.id).await.unwrap().is_empty());
        let screws = adjusters::of(&mut conn, added.id).await.unwrap();
        let expected = match design {
            Design::Newtonian | Design::ClassicalCassegrain | Design::RitcheyChretien => 6,
            Design::Binocular | Design::Solar => 0,
            _ => 3,
        };
        assert_eq!(screws.len(), expected, "{design}");
        let log = Entry::of(&mut conn, added.id).await.unwrap();
        assert_eq!(log.len(), 1);
        assert_eq!(log[0].kind, EntryKind::Register);
        assert!(log[0].note.starts_with("Added to the register"));
    }
}

#[tokio::test]
async fn a_size_given_with_the_design_scales_what_is_usual() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let page = client
        .get("/register/new?design=newtonian&aperture=12+in&focal=1500")
        .await;
    assert_eq!(page.attributes("#f-aperture", "value"), ["304.8 mm"]);
    assert_eq!(page.attributes("#f-focal", "value"), ["1500 mm"]);
    assert_eq!(page.attributes("#f-name", "value"), ["305 mm Newtonian"]);
    assert_eq!(page.attributes("#f-weight", "value"), ["20.3 kg"]);
    for bad in [
        "aperture=eight",
        "design=newtonian&aperture=8",
        "design=sphere",
    ] {
        let page = client.get(&format!("/register/new?{bad}")).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{bad}");
        assert!(!page.select("#errors li").is_empty(), "{bad}");
    }
}

#[tokio::test]
async fn what_is_wrong_is_named_and_what_is_typed_is_kept() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let form = fields(&client.get("/register/new?design=schmidt-cassegrain").await);
    for (field, typed, word) in [
        ("tag", "N 203", "hyphens"),
        ("tag", "", "hyphens"),
        ("name", " ", "fill this in"),
        ("aperture", "eight", "203 mm or 8 in"),
        ("aperture", "3 m", "10 to 2000 mm"),
        ("focal", "12", "20 to 40000 mm"),
        ("focal", "48 mm", "f/0.2"),
        ("obstruction", "99", "from 0 to 85"),
        ("obstruction", "0", "has one"),
        ("vanes", "2.5", "whole number"),
        ("weight", "heavy", "5.8 kg or 13 lb"),
        ("cool_down", "-1", "from 0 to 600"),
        ("value", "1e9", "from 0 to 1000000"),
        ("kit", "Finder\nfinder", "twice"),
        ("a_clock", "13", "1 to 12"),
        ("a_pitch", "coarse", "M5"),
        ("a_element", "", "choose one"),
    ] {
        let sent = with(with(form.clone(), "tag", "SC1"), field, typed);
        let page = client.post("/register/new", &pairs(&sent)).await;
        assert_eq!(
            page.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{field} {typed}"
        );
        let errors = page.select("#errors li").join(" ");
        assert!(errors.contains(word), "{field} {typed}: {errors}");
        assert_eq!(fields(&page), sent, "{field} {typed}");
        let target = page.attributes("#errors a", "href")[0].clone();
        assert_eq!(page.select(&target).len(), 1, "{target} is on the page");
    }
    let mut conn = house.library.read().await.unwrap();
    assert!(Instrument::all(&mut conn).await.unwrap().is_empty());
}

#[tokio::test]
async fn a_taken_tag_is_refused_whatever_its_case() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("SC203", by).await;
    let form = fields(&client.get("/register/new?design=achromat").await);
    let sent = with(form, "tag", "sc203");
    let page = client.post("/register/new", &pairs(&sent)).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.select("#f-tag-error")[0].contains("already on another"));
    assert_eq!(fields(&page), sent);
    let mut conn = house.library.read().await.unwrap();
    assert_eq!(Instrument::all(&mut conn).await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_form_sent_twice_adds_one() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let form = fields(&client.get("/register/new?design=achromat").await);
    let sent = with(form, "tag", "R102");
    for _ in 0..2 {
        let page = client
            .post_once("/register/new", "same-mark", &pairs(&sent))
            .await;
        assert_eq!(page.location(), "/instruments/R102");
    }
    let mut conn = house.library.read().await.unwrap();
    assert_eq!(Instrument::all(&mut conn).await.unwrap().len(), 1);
}

#[tokio::test]
async fn inches_pounds_and_threads_are_understood() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    let mut form = fields(&client.get("/register/new?design=newtonian").await);
    for (field, typed) in [
        ("tag", "N203"),
        ("aperture", "8\""),
        ("focal", "48 in"),
        ("weight", "20 lb"),
        ("a_clock", "half past 4"),
        ("a_pitch", "M6"),
        ("value", "640,50"),
    ] {
        form = with(form, field, typed);
    }
    client.post("/register/new", &pairs(&form)).await.location();
    let mut conn = house.library.read().await.unwrap();
    let added = Instrument::by_tag(&mut conn, "N203").await.unwrap();
    assert!((added.aperture_mm - 203.2).abs() < 1e-9);
    assert!((added.focal_mm - 1219.2).abs() < 1e-9);
    assert!((added.weight_kg.unwrap() - 9.071_847_4).abs() < 1e-9);
    assert_eq!(added.replacement_value_cents, Some(64_050));
    let screws = adjusters::of(&mut conn, added.id).await.unwrap();
    assert_eq!((screws[0].clock_deg, screws[0].pitch_mm), (135.0, 1.0));
}
