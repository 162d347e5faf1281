//! What people do at a club on more than one day.

use chrono::NaiveDate;
use serde_json::json;

use crate::own_time::OwnTime;
use crate::visitor::Visitor;

/// Everybody's password.
pub const PHRASE: &str = "four dim rings drifting";

/// The name of the club's public address, where labels and mails lead.
pub const PUBLIC: &str = "https://scopes.lantern.example";

/// Gives the field under a label a day, over what it held.
pub async fn fill_day(visitor: &Visitor, label: &str, day: NaiveDate) {
    let field = visitor.field(label).await;
    let set = "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('change', { bubbles: true }))";
    let field = serde_json::to_value(&field).unwrap();
    let day = json!(day.to_string());
    visitor.client.execute(set, vec![field, day]).await.unwrap();
}

/// Presses a key whose act asks for the password again where it was not typed lately, and
/// waits for the words that answer it.
pub async fn press_gravely(visitor: &Visitor, key: &str, answer: &str) {
    const ASKED: &str = "#f-confirm_password";
    visitor.press(key).await;
    visitor
        .wait_until(answer, || async {
            visitor.sees_any(ASKED).await || visitor.shows(answer).await
        })
        .await;
    if visitor.sees_any(ASKED).await {
        visitor.fill("Your password", PHRASE).await;
        visitor.press("Continue").await;
    }
    visitor.sees(answer).await;
}

/// Opens the sign-in link of a mail, and chooses a password.
pub async fn opens_link(visitor: &Visitor, time: &OwnTime, address: &str) {
    time.round().await;
    let letter = time.letter_to(address);
    assert!(letter.subject.ends_with("your sign-in link"), "{letter:?}");
    let link = letter.body.lines().find(|l| l.contains("/welcome/"));
    let link = link.unwrap_or_else(|| panic!("no link in {letter:?}"));
    let (_, path) = link.split_once("/welcome/").unwrap();
    visitor.open(&format!("/welcome/{path}")).await;
    visitor.fill("Password", PHRASE).await;
    visitor.fill("Password again", PHRASE).await;
    visitor.press("Save").await;
    visitor
        .sees("Your password is set and you are signed in.")
        .await;
}

/// Asks for a sign-in link, and comes in by it.
pub async fn comes_in_first(visitor: &Visitor, time: &OwnTime, address: &str) {
    visitor.open("/sign-in/link").await;
    visitor.fill("Email address", address).await;
    visitor.press("Send me a link").await;
    visitor
        .sees("If that address is on the club's list, a sign-in link is on its way to it.")
        .await;
    opens_link(visitor, time, address).await;
}

/// Signs out, so that somebody else may use the phone.
pub async fn signs_out(visitor: &Visitor) {
    visitor.go("Sign out").await;
    visitor.sees("You are signed out.").await;
}

/// Lends an instrument with all its kit, at the desk.
pub async fn lends(desk: &Visitor, tag: &str, to: &str, until: NaiveDate) {
    desk.open(&format!("/instruments/{tag}/lend")).await;
    desk.choose_starting("To whom", to).await;
    fill_day(desk, "Back by", until).await;
    if desk.sees_any("#f-kit").await {
        desk.tick("All of it goes along").await;
    }
    desk.press("Lend it").await;
    desk.sees(&format!("{tag} is lent.")).await;
}

/// Takes an instrument back with all its kit, at the desk; it came by car.
pub async fn takes_back(desk: &Visitor, tag: &str, on: Option<NaiveDate>) {
    desk.open(&format!("/check-in/{tag}")).await;
    if desk.sees_any("#f-kit").await {
        desk.tick("All of it is here").await;
    }
    desk.tick("By car").await;
    if let Some(day) = on {
        desk.press("A note, or another day than today").await;
        fill_day(desk, "Day it came back or was seen", day).await;
    }
    desk.press("Save").await;
    desk.sees(&format!("{tag} is returned.")).await;
}

/// Asks for an instrument that is out.
pub async fn asks_for(member: &Visitor, tag: &str) {
    member.open(&format!("/instruments/{tag}")).await;
    member.press("Ask to borrow it").await;
    member
        .pick("What do you want it for?", "Moon and planets")
        .await;
    member.press("Put me on the list").await;
    member
        .sees(&format!("You are on the waiting list for {tag}."))
        .await;
}

/// Reserves an instrument from one day to another.
pub async fn reserves(
    desk: &Visitor,
    tag: &str,
    (from, until): (NaiveDate, NaiveDate),
    person: &str,
    event: &str,
) {
    desk.open(&format!("/instruments/{tag}/reserve")).await;
    fill_day(desk, "First day", from).await;
    fill_day(desk, "Last day", until).await;
    desk.choose("For whom", person).await;
    desk.fill("For what", event).await;
    desk.press("Reserve").await;
    desk.sees(&format!("{tag} is reserved")).await;
}
