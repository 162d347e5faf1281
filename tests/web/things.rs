//! Things, sets and stock-taking, page by page.

use axum::http::StatusCode;
use chrono::{Days, Utc};
use tubewright::library::instruments::{Design, Instrument, State};
use tubewright::library::people::Role;
use tubewright::library::things::{Kind, Particulars, Thing};
use tubewright::library::{InstrumentId, PersonId};

use crate::common::{Client, House};

pub async fn thing(house: &House, tag: &str, kind: Kind, by: PersonId) -> InstrumentId {
    let particulars = Particulars {
        tag: tag.to_owned(),
        kind,
        name: format!("{} of the club", kind.label()),
        place: "Hut".to_owned(),
        replacement_value_cents: Some(4500),
        notes: "A secret note".to_owned(),
    };
    let mut write = house.library.write().await.unwrap();
    let id = Thing::add(&mut write, &particulars, Utc::now(), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    id
}

async fn state(house: &House, tag: &str) -> State {
    let mut conn = house.library.read().await.unwrap();
    Thing::by_tag(&mut conn, tag).await.unwrap().state()
}

/// T-1, M-1 and E-1, a volunteer and a member.
async fn stocked() -> (House, Client, PersonId) {
    let house = House::empty().await;
    let (by, client) = house.someone(Role::Volunteer).await;
    let member = house.person("Ines Vale", Role::Member).await;
    house.instrument("T-1", by).await;
    thing(&house, "M-1", Kind::Mount, by).await;
    thing(&house, "E-1", Kind::Eyepiece, by).await;
    (house, client, member)
}

async fn lend(client: &mut Client, tags: &[&str], to: PersonId) -> String {
    let due = (Utc::now().date_naive() + Days::new(9)).to_string();
    let to = to.to_string();
    let mut fields = vec![("borrower", to.as_str()), ("due_on", due.as_str())];
    fields.extend(tags.iter().map(|tag| ("take", *tag)));
    let page = client.post("/lend-together", &fields).await;
    page.location().to_owned()
}

#[tokio::test]
async fn a_thing_is_added_found_and_edited_and_its_old_tag_leads_to_it() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    assert!(
        client
            .get("/things")
            .await
            .words()
            .contains("No things yet")
    );
    let page = client.post("/things/new", &[("tag", "M 1")]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("Kind: choose one"));
    let fields = [
        ("tag", "M-1"),
        ("kind", "mount"),
        ("name", "mount for 6 kg"),
        ("place", "Hut"),
        ("value", "260.50"),
    ];
    let page = client.post("/things/new", &fields).await;
    assert_eq!(page.location(), "/things/M-1");
    let words = house.visitor().get("/things/M-1").await.words();
    assert!(words.contains("Its place: Hut."), "{words}");
    assert!(!words.contains("260"), "{words}");
    assert!(client.get("/things/M-1").await.words().contains("260.50"));
    // Its tag is on no second thing.
    let page = client.post("/things/new", &fields).await;
    assert!(page.words().contains("already on another"));
    let fields = [
        ("tag", "MT-1"),
        ("kind", "mount"),
        ("name", "mount for 6 kg"),
        ("version", "1"),
    ];
    let page = client.post("/things/M-1/edit", &fields).await;
    assert_eq!(page.location(), "/things/MT-1");
    for old in ["/things/M-1", "/instruments/M-1", "/instruments/MT-1"] {
        assert_eq!(client.get(old).await.location(), "/things/MT-1", "{old}");
    }
    // An edit of an older version says what stands there now.
    let stale = [("name", "another"), fields[0], fields[1], fields[3]];
    let page = client.post("/things/MT-1/edit", &stale).await;
    assert!(page.words().contains("here now stands: mount for 6 kg"));
}

#[tokio::test]
async fn the_list_is_filtered_and_saved_with_no_more_than_one_may_see() {
    let (house, mut client, member) = stocked().await;
    lend(&mut client, &["M-1"], member).await;
    let words = house.visitor().get("/things?kind=mount").await.words();
    assert!(words.contains("M-1") && !words.contains("E-1"), "{words}");
    assert!(!words.contains("Ines"), "{words}");
    let csv = house
        .visitor()
        .get("/things.csv?state=on-loan")
        .await
        .text();
    assert!(csv.contains("M-1") && !csv.contains("E-1"), "{csv}");
    assert!(!csv.contains("Ines") && !csv.contains("secret"), "{csv}");
    let csv = client.get("/things.csv").await.text();
    assert!(csv.contains("Ines Vale") && csv.contains("45"), "{csv}");
}

#[tokio::test]
async fn a_set_goes_out_in_one_act_without_what_is_unticked() {
    let (house, mut client, member) = stocked().await;
    let fields = [
        ("name", "First evening"),
        ("member", "T-1"),
        ("member", "M-1"),
        ("member", "E-1"),
    ];
    let page = client.post("/sets/new", &fields[..2]).await;
    assert!(page.words().contains("tick at least two"));
    client.post("/sets/new", &fields).await.location();
    let list = client.get("/sets").await;
    let href = list.attributes(".set-row .key-main", "href").remove(0);
    let form = client.get(&href).await;
    assert_eq!(
        form.attributes("input[name=take][checked]", "value"),
        ["T-1", "M-1", "E-1"]
    );
    let location = lend(&mut client, &["T-1", "M-1"], member).await;
    assert!(location.starts_with("/loans?q=Ines"), "{location}");
    assert_eq!(state(&house, "T-1").await, State::OnLoan);
    assert_eq!(state(&house, "M-1").await, State::OnLoan);
    assert_eq!(state(&house, "E-1").await, State::OnTheShelf);
    // The rest of the set is offered, and what is out is said.
    let form = client.get(&href).await;
    assert_eq!(form.attributes("input[name=take]", "value"), ["E-1"]);
    assert!(form.words().contains("on loan, due"), "{}", form.words());
    // The borrower sees both, and one sheet names what went together.
    let mut ines = house.signed_in(member).await;
    let mine = ines.get("/my-loans").await;
    assert!(
        mine.words().contains("1 instrument and 1 thing"),
        "{}",
        mine.words()
    );
    let loan = mine.attributes(".mine .row-tag a", "href").remove(0);
    let sheet = ines.get(&format!("{loan}/sheet")).await.words();
    assert!(sheet.contains("T-1") && sheet.contains("M-1"), "{sheet}");
}

#[tokio::test]
async fn what_cannot_go_leaves_all_of_it_here() {
    let (house, mut client, member) = stocked().await;
    lend(&mut client, &["M-1"], member).await;
    let due = (Utc::now().date_naive() + Days::new(9)).to_string();
    let to = member.to_string();
    let fields = [
        ("borrower", to.as_str()),
        ("due_on", due.as_str()),
        ("offered", "E-1"),
        ("take", "E-1"),
        ("take", "M-1"),
        ("more", "X-9"),
    ];
    let page = client.post("/lend-together", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("nothing has the tag X-9"));
    let page = client.post("/lend-together", &fields[..5]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("M-1 is out on loan already"));
    assert_eq!(state(&house, "E-1").await, State::OnTheShelf);
}

#[tokio::test]
async fn things_come_back_together_or_one_by_one_and_what_is_lost_is_missing() {
    let (house, mut client, member) = stocked().await;
    lend(&mut client, &["M-1", "E-1"], member).await;
    assert_eq!(
        client.get("/check-in/M-1").await.location(),
        "/things/M-1/return"
    );
    let form = client.get("/things/M-1/return").await;
    let loans = form.attributes("#f-back input", "value");
    assert_eq!(loans.len(), 2);
    assert_eq!(form.attributes("#f-back input[checked]", "value").len(), 1);
    let page = client.post("/things/M-1/return", &[]).await;
    assert!(page.words().contains("tick at least one"));
    let both = [("back", loans[0].as_str()), ("lost", loans[0].as_str())];
    let page = client.post("/things/M-1/return", &both).await;
    assert!(page.words().contains("not both"));
    let fields = [
        ("back", loans[0].as_str()),
        ("lost", loans[1].as_str()),
        ("note", "The clutch slips"),
    ];
    client.post("/things/M-1/return", &fields).await.location();
    assert_eq!(state(&house, "M-1").await, State::OnTheShelf);
    assert_eq!(state(&house, "E-1").await, State::Missing);
    let words = client.get("/things/M-1").await.words();
    assert!(words.contains("The clutch slips"), "{words}");
    client
        .post(
            "/things/E-1/status/shelf",
            &[("reason", "In the other case")],
        )
        .await
        .location();
    assert_eq!(state(&house, "E-1").await, State::OnTheShelf);
    // Only a coordinator retires.
    let page = client
        .post("/things/E-1/status/retired", &[("reason", "Cracked")])
        .await;
    assert_eq!(page.status, StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn the_stock_is_taken_from_the_pages_and_the_report_says_what_was_not_seen() {
    let (house, mut client, member) = stocked().await;
    lend(&mut client, &["M-1"], member).await;
    let here = client.post("/stock", &[]).await.location().to_owned();
    // Scanned, the thing's own page counts it; so does an instrument's.
    let page = client.get("/instruments/T-1").await;
    let see = page.attributes("form[action$=see]", "action").remove(0);
    let scanned = [("tag", "http://club.example/instruments/T-1")];
    assert_eq!(client.post(&see, &scanned).await.location(), here);
    let page = client.post(&see, &[("tag", "X-9")]).await;
    assert!(page.words().contains("nothing has the tag X-9"));
    let words = client.get(&here).await.words();
    assert!(words.contains("1 of 3 seen"), "{words}");
    assert!(words.contains("1 on loan need not be seen"), "{words}");
    let words = house.visitor().get("/things/E-1").await.words();
    assert!(!words.contains("count it"), "{words}");
    client.post(&format!("{here}/end"), &[]).await.location();
    let report = client.get(&format!("{here}/report")).await.words();
    for said in ["Not seen (1)", "E-1", "Hut", "On loan (1)", "Ines Vale"] {
        assert!(report.contains(said), "{said}: {report}");
    }
    let csv = client.get(&format!("{here}/report.csv")).await.text();
    assert_eq!(csv.lines().count(), 4, "{csv}");
    assert_eq!(client.get(&here).await.location(), format!("{here}/report"));
}

#[tokio::test]
async fn another_design_is_said_and_asked_before_it_is_kept() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S203", by).await;
    let form = client.get("/instruments/S203/edit").await;
    let mut fields = crate::register::fields(&form);
    fields.retain(|(name, _)| name != "design");
    fields.push(("design".to_owned(), "newtonian".to_owned()));
    let design = async || {
        let mut conn = house.library.read().await.unwrap();
        Instrument::get(&mut conn, id).await.unwrap().design
    };
    let plain: Vec<(&str, &str)> = fields
        .iter()
        .map(|(name, value)| (name.as_str(), value.as_str()))
        .collect();
    let asked = ("design_asked", "newtonian");
    let path = "/instruments/S203/edit/1";
    let page = client.post(path, &plain).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let words = page.words();
    assert!(
        words.contains("Limit, loans without a test: 6 now, then 4."),
        "{words}"
    );
    assert_eq!(design().await, Design::SchmidtCassegrain);
    let usual = [plain.clone(), vec![asked, ("design_choice", "usual")]].concat();
    let page = client.post(path, &usual).await;
    assert_eq!(page.attributes("#f-obstruction", "value"), ["25"]);
    assert_eq!(design().await, Design::SchmidtCassegrain);
    let keep = [plain, vec![asked, ("design_choice", "keep")]].concat();
    client.post(path, &keep).await.location();
    assert_eq!(design().await, Design::Newtonian);
}

#[tokio::test]
async fn members_ask_for_a_thing_on_its_page_and_it_is_kept_for_them() {
    let (house, mut desk, other) = stocked().await;
    let (anna, mut client) = house.someone(Role::Member).await;
    lend(&mut desk, &["M-1"], other).await;
    let page = client.get("/things/M-1").await;
    assert!(page.words().contains("Nobody is waiting for it."));
    let ask = page.attributes(".keys-bar a", "href");
    assert_eq!(ask, ["/instruments/M-1/ask"]);
    let form = client.get(&ask[0]).await;
    let words = form.words();
    assert!(words.contains("On loan, due back"), "{words}");
    assert!(!words.contains("Ines"), "{words}");
    assert!(form.select("input[name=wants_it_for]").is_empty());
    let page = client.post(&ask[0], &[("note", "Saturdays")]).await;
    assert_eq!(page.location(), "/my-loans");
    let again = client.post(&ask[0], &[]).await;
    assert_eq!(again.status, StatusCode::CONFLICT);
    let mine = client.get("/my-loans").await;
    assert_eq!(mine.attributes(".wait a.tag", "href"), ["/things/M-1"]);
    assert_eq!(mine.select(".wait small"), ["Saturdays"]);
    assert!(mine.words().contains("You are next in line."));
    // Who has it cannot renew it now.
    let mut ines = house.signed_in(other).await;
    let words = ines.get("/my-loans").await.words();
    assert!(words.contains("Somebody waits for it"), "{words}");

    let page = desk.get("/things/M-1/return").await;
    let loan = page.attributes("input[name=back]", "value").remove(0);
    desk.post("/things/M-1/return", &[("back", &loan)])
        .await
        .location();
    let words = client.get("/my-loans").await.words();
    assert!(words.contains("It is kept for you until"), "{words}");
    let start = client.get("/").await;
    assert_eq!(start.attributes(".own-rows a", "href"), ["/things/M-1"]);
    let words = house.visitor().get("/things/M-1").await.words();
    assert!(words.contains("Kept for the next in line until"), "{words}");
    // The desk sees who, and lends it past them only with a reason.
    assert!(desk.get("/").await.words().contains("M-1"));
    let line = desk.get("/instruments/M-1/waiting").await;
    assert!(!line.words().contains("What for"), "{}", line.words());
    let lend_it = line.attributes("tbody a.key", "href").remove(0);
    let form = desk.get(&lend_it).await.location().to_owned();
    let form = desk.get(&form).await;
    let chosen = form.attributes("#f-borrower optgroup option[selected]", "value");
    assert_eq!(chosen, [anna.to_string()]);
    let due = (Utc::now().date_naive() + Days::new(9)).to_string();
    let to = other.to_string();
    let mut fields = vec![("borrower", to.as_str()), ("due_on", &due), ("take", "M-1")];
    fields.push(("offered", "M-1"));
    let page = desk.post("/lend-together", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("is next in line"), "{}", page.words());
    fields.push(("override_reason", "They agreed on it"));
    desk.post("/lend-together", &fields).await.location();
    let words = desk.get("/things/M-1").await.words();
    assert!(
        words.contains("Lent although kept for the next in line: They agreed on it"),
        "{words}"
    );
    // Taken off by the desk, as of an instrument.
    let line = desk.get("/instruments/M-1/waiting").await;
    let remove = line.attributes("tbody form", "action").remove(0);
    desk.post(&remove, &[]).await.location();
    let words = client.get("/my-loans").await.words();
    assert!(words.contains("You are on no waiting list"), "{words}");
}

#[tokio::test]
async fn kinds_of_things_have_lengths_of_loans_beside_the_designs() {
    let (house, _, _) = stocked().await;
    let (_, mut client) = house.someone(Role::Coordinator).await;
    let page = client.get("/club/loan-lengths").await;
    let mark = page.attributes("input[name=shown]", "value").remove(0);
    let ids = page.attributes("input[name=days]", "id");
    assert_eq!(ids.len(), Design::ALL.len() + Kind::of_things().len());
    let mut fields = vec![("shown", mark.as_str())];
    fields.extend(ids.iter().map(|id| match id.as_str() {
        "f-days-mount" => ("days", "28"),
        "f-days-eyepiece" => ("days", "90"),
        "f-days-book" => ("days", "a while"),
        _ => ("days", ""),
    }));
    let page = client.post("/club/loan-lengths", &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("Book:"), "{}", page.words());
    for field in &mut fields {
        if field.1 == "a while" {
            field.1 = "";
        }
    }
    client.post("/club/loan-lengths", &fields).await.location();
    let single = [("tag", "m-1"), ("instrument_days", "7")];
    client
        .post("/club/loan-lengths/instrument", &single)
        .await
        .location();
    let words = client.get("/club/loan-lengths").await.words();
    assert!(words.contains("M-1 7 days"), "{words}");
    // The desk is offered that day; of several, the first that falls due.
    for (address, days) in [
        ("/lend-together?take=E-1", 90),
        ("/lend-together?take=M-1", 7),
    ] {
        let page = client.get(address).await;
        let due = page.attributes("input[name=due_on]", "value");
        let expected = (Utc::now().date_naive() + Days::new(days)).to_string();
        assert_eq!(due, [expected], "{address}");
    }
    let words = client.get("/club/history").await.words();
    assert!(words.contains("Loan length, eyepiece"), "{words}");
}
