use axum::http::StatusCode;
use chrono::Duration;
use tubewright::library::people::{self, Role};
use tubewright::library::second_factor::{self, STEP_S, Secret, State};
use tubewright::library::sessions::{self, Purpose};
use tubewright::library::{PersonId, audit_log};
use tubewright::web::passwords;

use crate::common::{Client, House, Page};

const PASSWORD: &str = "four kettles at dusk";

async fn with_password(house: &House, role: Role) -> PersonId {
    let id = house.person("Ines Vale", role).await;
    let mut write = house.library.write().await.unwrap();
    let hash = passwords::hash_now(PASSWORD).unwrap();
    people::set_password_hash(&mut write, id, &hash)
        .await
        .unwrap();
    write.commit().await.unwrap();
    id
}

async fn state(house: &House, id: PersonId) -> State {
    let mut conn = house.library.read().await.unwrap();
    second_factor::state(&mut conn, id).await.unwrap()
}

fn code(house: &House, secret: &Secret) -> String {
    secret
        .code(house.app.clock.now().timestamp() / STEP_S)
        .unwrap()
}

/// Sets a second factor up by the pages: the secret and the spare codes.
async fn set_up(house: &House, id: PersonId, client: &mut Client) -> (Secret, Vec<String>) {
    assert_eq!(
        client.post("/me/second-factor", &[]).await.location(),
        "/me#second-factor"
    );
    let State::Wanted(secret) = state(house, id).await else {
        panic!("no secret was made")
    };
    let shown = client.get("/me").await;
    assert!(
        shown.words().replace(' ', "").contains(&secret.base32()),
        "the secret is shown: {}",
        shown.words()
    );
    let wrong = client
        .post("/me/second-factor/confirm", &[("code", "000000x")])
        .await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(matches!(state(house, id).await, State::Wanted(_)));
    let done = client
        .post(
            "/me/second-factor/confirm",
            &[("code", &code(house, &secret))],
        )
        .await;
    assert_eq!(done.status, StatusCode::OK, "{}", done.words());
    let codes = done.select(".spare-codes code");
    assert_eq!(codes.len(), second_factor::SPARE_CODES);
    (secret, codes)
}

async fn with_password_only(client: &mut Client) -> Page {
    client
        .post(
            "/sign-in",
            &[("email", "ines.vale@club.example"), ("password", PASSWORD)],
        )
        .await
}

fn half(page: &Page) -> String {
    page.attributes("input[name=half]", "value").remove(0)
}

#[tokio::test]
async fn with_a_second_factor_the_password_alone_opens_nothing() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Coordinator).await;
    let (secret, _) = set_up(&house, id, &mut house.signed_in(id).await).await;
    let mut client = house.visitor();
    let asked = with_password_only(&mut client).await;
    assert_eq!(asked.status, StatusCode::OK);
    assert!(!client.cookies.contains_key("tubewright"));
    assert_eq!(client.get("/people").await.status, StatusCode::UNAUTHORIZED);

    // The code by which it was turned on does not work again (RFC 6238, 5.2).
    let once = code(&house, &secret);
    let half = half(&asked);
    let refused = client
        .post("/sign-in/code", &[("half", &half), ("code", &once)])
        .await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);

    house.app.clock.put_off(Duration::seconds(STEP_S));
    let next = code(&house, &secret);
    let spaced = format!("{} {}", &next[..3], &next[3..]);
    let entered = client
        .post(
            "/sign-in/code",
            &[("half", &half), ("code", &spaced), ("next", "/people")],
        )
        .await;
    assert_eq!(entered.location(), "/people");
    assert_eq!(client.get("/people").await.status, StatusCode::OK);

    // Neither the half sign-in nor the code serves another browser.
    let mut other = house.visitor();
    let again = other
        .post("/sign-in/code", &[("half", &half), ("code", &next)])
        .await;
    assert_eq!(again.status, StatusCode::CONFLICT);
    let half = self::half(&with_password_only(&mut other).await);
    let again = other
        .post("/sign-in/code", &[("half", &half), ("code", &next)])
        .await;
    assert_eq!(again.status, StatusCode::UNPROCESSABLE_ENTITY);

    let mut conn = house.library.read().await.unwrap();
    let rows = audit_log::list(&mut conn, audit_log::Which::default(), 0, 20)
        .await
        .unwrap();
    let words: Vec<&str> = rows.iter().map(|r| r.words.as_str()).collect();
    assert!(
        words.contains(&"Signed in with a second factor."),
        "{words:?}"
    );
    assert!(
        words.contains(&"Sign-in refused: wrong code of the second factor."),
        "{words:?}"
    );
}

#[tokio::test]
async fn a_spare_code_works_once() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Member).await;
    let (_, codes) = set_up(&house, id, &mut house.signed_in(id).await).await;
    for (client, right) in [(house.visitor(), true), (house.visitor(), false)] {
        let mut client = client;
        let half = half(&with_password_only(&mut client).await);
        let page = client
            .post(
                "/sign-in/code",
                &[("half", &half), ("code", &codes[0].to_uppercase())],
            )
            .await;
        assert_eq!(page.status == StatusCode::SEE_OTHER, right);
    }
    assert_eq!(
        state(&house, id).await,
        State::On {
            spare_left: second_factor::SPARE_CODES as i64 - 1
        }
    );
}

#[tokio::test]
async fn codes_cannot_be_tried_without_end() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Member).await;
    let (secret, _) = set_up(&house, id, &mut house.signed_in(id).await).await;
    house.app.clock.put_off(Duration::seconds(STEP_S));
    let mut client = house.visitor();
    let half = half(&with_password_only(&mut client).await);
    for _ in 0..5 {
        let page = client
            .post("/sign-in/code", &[("half", &half), ("code", "123")])
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    }
    let right = code(&house, &secret);
    let page = client
        .post("/sign-in/code", &[("half", &half), ("code", &right)])
        .await;
    assert_eq!(
        page.status,
        StatusCode::CONFLICT,
        "five codes to a password"
    );
    let page = with_password_only(&mut client).await;
    assert_eq!(
        page.status,
        StatusCode::TOO_MANY_REQUESTS,
        "and the account waits"
    );
    // A half sign-in lasts ten minutes.
    house.app.clock.put_off(Duration::minutes(20));
    let half = self::half(&with_password_only(&mut client).await);
    house.app.clock.put_off(Duration::minutes(31));
    let late = code(&house, &secret);
    let page = client
        .post("/sign-in/code", &[("half", &half), ("code", &late)])
        .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn it_is_turned_off_by_its_owner_or_by_a_coordinator() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Volunteer).await;
    let mut client = house.signed_in(id).await;
    set_up(&house, id, &mut client).await;
    let path = format!("/people/{id}/second-factor/off");
    assert_eq!(client.post(&path, &[]).await.status, StatusCode::FORBIDDEN);
    assert!(matches!(state(&house, id).await, State::On { .. }));
    let mut coordinator = house.someone(Role::Coordinator).await.1;
    let person = coordinator.get(&format!("/people/{id}")).await;
    assert!(person.words().contains("Uses a second factor"));
    assert_eq!(
        coordinator.post(&path, &[]).await.location(),
        format!("/people/{id}")
    );
    assert_eq!(state(&house, id).await, State::Off);
    set_up(&house, id, &mut client).await;
    let off = client.post("/me/second-factor/off", &[]).await;
    assert_eq!(off.location(), "/me");
    assert_eq!(state(&house, id).await, State::Off);
    assert_eq!(
        with_password_only(&mut house.visitor()).await.location(),
        "/"
    );
}

#[tokio::test]
async fn the_secret_is_shown_to_its_owner_until_it_is_confirmed_and_to_nobody_after() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Member).await;
    let mut client = house.signed_in(id).await;
    assert_eq!(
        client.get("/me/second-factor.svg").await.status,
        StatusCode::NOT_FOUND
    );
    let (secret, _) = set_up(&house, id, &mut client).await;
    assert_eq!(
        client.get("/me/second-factor.svg").await.status,
        StatusCode::NOT_FOUND
    );
    assert!(
        !client
            .get("/me")
            .await
            .text()
            .contains(&secret.base32()[..4])
    );
    assert_eq!(
        house.visitor().get("/me").await.status,
        StatusCode::UNAUTHORIZED
    );
}

/// Somebody who hammers an account from elsewhere does not keep its owner out
/// of a browser that the account has signed in with before.
#[tokio::test]
async fn a_known_browser_does_not_wait_for_strangers() {
    let house = House::empty().await;
    with_password(&house, Role::Member).await;
    let mut own = house.visitor();
    assert_eq!(with_password_only(&mut own).await.location(), "/");
    assert!(own.cookies.contains_key("tubewright-browser"));
    own.post("/sign-out", &[]).await;
    let mut stranger = house.visitor();
    let wrong = [
        ("email", "ines.vale@club.example"),
        ("password", "not this one at all"),
    ];
    let mut last = StatusCode::OK;
    for _ in 0..7 {
        last = stranger.post("/sign-in", &wrong).await.status;
    }
    assert_eq!(last, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(with_password_only(&mut own).await.location(), "/");
    // The stranger goes on waiting all the same.
    assert_eq!(
        stranger.post("/sign-in", &wrong).await.status,
        StatusCode::TOO_MANY_REQUESTS
    );
    // And a known browser has its own count.
    own.post("/sign-out", &[]).await;
    for _ in 0..7 {
        last = own.post("/sign-in", &wrong).await.status;
    }
    assert_eq!(last, StatusCode::TOO_MANY_REQUESTS);
}

#[tokio::test]
async fn a_sign_in_link_does_not_skip_a_second_factor() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Coordinator).await;
    let (secret, _) = set_up(&house, id, &mut house.signed_in(id).await).await;
    let mut write = house.library.write().await.unwrap();
    let now = house.app.clock.now();
    let link = sessions::make_address(&mut write, Purpose::NewPassword, Some(id), None, now)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let mut client = house.visitor();
    let path = format!("/welcome/{}", link.text());
    let new = "damp wool, cold tea, owls";
    let asked = client
        .post(&path, &[("password", new), ("again", new)])
        .await;
    assert!(!client.cookies.contains_key("tubewright"));
    assert_eq!(client.get("/people").await.status, StatusCode::UNAUTHORIZED);
    house.app.clock.put_off(Duration::seconds(STEP_S));
    let entered = client
        .post(
            "/sign-in/code",
            &[("half", &half(&asked)), ("code", &code(&house, &secret))],
        )
        .await;
    assert_eq!(entered.location(), "/");
    assert_eq!(client.get("/people").await.status, StatusCode::OK);
}

#[tokio::test]
async fn a_code_used_by_a_clock_that_ran_ahead_shuts_nobody_out() {
    let house = House::empty().await;
    let id = with_password(&house, Role::Member).await;
    house.app.clock.put_off(Duration::days(365));
    let (secret, _) = set_up(&house, id, &mut house.signed_in(id).await).await;
    house.app.clock.put_off(Duration::zero());
    let mut client = house.visitor();
    let half = half(&with_password_only(&mut client).await);
    let right = code(&house, &secret);
    let page = client
        .post("/sign-in/code", &[("half", &half), ("code", &right)])
        .await;
    assert_eq!(page.location(), "/");
}
