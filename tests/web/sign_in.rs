use axum::http::{StatusCode, header};
use chrono::Utc;
use tubewright::library::people::{self, Role};
use tubewright::library::sessions::{self, Purpose};
use tubewright::web::passwords;

use crate::common::House;

const PASSWORD: &str = "four kettles at dusk";

async fn with_password(house: &House, name: &str, role: Role) {
    let id = house.person(name, role).await;
    let mut write = house.library.write().await.unwrap();
    let hash = passwords::hash_now(PASSWORD).unwrap();
    people::set_password_hash(&mut write, id, &hash)
        .await
        .unwrap();
    write.commit().await.unwrap();
}

#[tokio::test]
async fn signing_in_gives_a_new_session_and_signing_out_ends_it() {
    let house = House::empty().await;
    with_password(&house, "Ines Vale", Role::Member).await;
    let mut client = house.visitor();
    let page = client
        .post(
            "/sign-in",
            &[
                ("email", "INES.vale@club.example"),
                ("password", PASSWORD),
                ("next", "/my-loans"),
            ],
        )
        .await;
    assert_eq!(page.location(), "/my-loans");
    let set = page.headers[header::SET_COOKIE].to_str().unwrap();
    assert!(
        set.contains("HttpOnly") && set.contains("SameSite=Lax"),
        "{set}"
    );
    let before = client.cookies["tubewright"].clone();
    let page = client.post("/sign-out", &[]).await;
    assert_eq!(page.location(), "/");
    assert_eq!(page.headers["clear-site-data"], "\"cache\", \"storage\"");
    client.cookies.insert("tubewright".to_owned(), before);
    let page = client.post("/sign-out", &[]).await;
    assert_eq!(page.status, StatusCode::UNAUTHORIZED);
}

/// OWASP ASVS 4.0.3, 3.4.1 to 3.4.5; the `__Host-` prefix as RFC 6265bis has it: Secure,
/// the path `/`, no domain.
#[tokio::test]
async fn over_https_the_cookies_are_bound_to_the_host() {
    let mut house = House::empty().await;
    with_password(&house, "Ines Vale", Role::Member).await;
    house.app.secure = true;
    house.reroute();
    let mut client = house.visitor();
    let fields = [("email", "ines.vale@club.example"), ("password", PASSWORD)];
    let page = client.post("/sign-in", &fields).await;
    let set: Vec<&str> = page
        .headers
        .get_all(header::SET_COOKIE)
        .iter()
        .map(|c| c.to_str().unwrap())
        .collect();
    let names = ["__Host-tubewright=", "__Host-tubewright-browser="];
    for name in names {
        let cookie = set
            .iter()
            .find(|c| c.starts_with(name))
            .unwrap_or_else(|| panic!("{name} {set:?}"));
        for word in ["Secure", "HttpOnly", "SameSite=Lax", "Path=/"] {
            assert!(cookie.contains(word), "{cookie}");
        }
        assert!(!cookie.contains("Domain"), "{cookie}");
    }
    assert_eq!(client.get("/my-loans").await.status, StatusCode::OK);
    // Under the plain name it opens nothing.
    let token = client.cookies["__Host-tubewright"].clone();
    let mut other = house.visitor();
    other.cookies.insert("tubewright".to_owned(), token);
    assert_eq!(
        other.get("/my-loans").await.status,
        StatusCode::UNAUTHORIZED
    );
}

#[tokio::test]
async fn a_wrong_password_says_the_same_as_an_unknown_address() {
    let house = House::empty().await;
    with_password(&house, "Ines Vale", Role::Member).await;
    let mut client = house.visitor();
    let wrong = client
        .post(
            "/sign-in",
            &[
                ("email", "ines.vale@club.example"),
                ("password", "not this one at all"),
            ],
        )
        .await;
    let unknown = client
        .post(
            "/sign-in",
            &[
                ("email", "nobody@club.example"),
                ("password", "not this one at all"),
            ],
        )
        .await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(unknown.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(wrong.select(".error"), unknown.select(".error"));
    assert_eq!(
        wrong.attributes("#f-email", "value"),
        ["ines.vale@club.example"]
    );
}

#[tokio::test]
async fn many_failures_slow_one_account_down_and_no_other() {
    let house = House::empty().await;
    with_password(&house, "Ines Vale", Role::Member).await;
    with_password(&house, "Otto Reed", Role::Member).await;
    let mut client = house.visitor();
    let mut slowed = None;
    for n in 0..8 {
        let page = client
            .post(
                "/sign-in",
                &[
                    ("email", "ines.vale@club.example"),
                    ("password", "not this one at all"),
                ],
            )
            .await;
        if page.status == StatusCode::TOO_MANY_REQUESTS {
            slowed = Some(n);
            break;
        }
    }
    assert_eq!(slowed, Some(5));
    let right = client
        .post(
            "/sign-in",
            &[("email", "ines.vale@club.example"), ("password", PASSWORD)],
        )
        .await;
    assert_eq!(right.status, StatusCode::TOO_MANY_REQUESTS);
    let other = client
        .post(
            "/sign-in",
            &[("email", "otto.reed@club.example"), ("password", PASSWORD)],
        )
        .await;
    assert_eq!(other.location(), "/");
}

#[tokio::test]
async fn the_first_coordinator_sets_the_club_up_once() {
    let house = House::empty().await;
    let mut write = house.library.write().await.unwrap();
    let token = sessions::make_address(&mut write, Purpose::SetUp, None, None, Utc::now())
        .await
        .unwrap();
    write.commit().await.unwrap();
    let path = format!("/welcome/{}", token.text());
    let mut client = house.visitor();
    let fields = [
        ("club", "Fenwater Sky Society"),
        ("zone", "Europe/Lisbon"),
        ("name", "Ada Moss"),
        ("email", "ada@fenwater.example"),
        ("password", PASSWORD),
        ("again", "something else entirely"),
    ];
    let page = client.post(&path, &fields).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(
        page.attributes("#f-club", "value"),
        ["Fenwater Sky Society"]
    );
    let mut fields = fields;
    fields[5].1 = PASSWORD;
    assert_eq!(client.post(&path, &fields).await.location(), "/");
    assert!(client.cookies.contains_key("tubewright"));
    let again = house.visitor().post(&path, &fields).await;
    assert_eq!(again.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_form_from_another_site_is_refused() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Coordinator).await;
    let mark = client.mark();
    for headers in [
        [("sec-fetch-site", "cross-site")],
        [("sec-fetch-site", "same-site")],
        [("origin", "https://elsewhere.example")],
    ] {
        let page = client
            .post_raw("/sign-out-everywhere", &[("csrf", &mark)], &headers)
            .await;
        assert_eq!(page.status, StatusCode::FORBIDDEN, "{headers:?}");
    }
    let page = client
        .post_raw(
            "/sign-out-everywhere",
            &[("csrf", "wrong")],
            &[("sec-fetch-site", "same-origin")],
        )
        .await;
    assert_eq!(page.status, StatusCode::CONFLICT);
    assert_eq!(client.get("/static/style.css").await.status, StatusCode::OK);
}

#[tokio::test]
async fn what_was_typed_survives_a_session_that_ran_out() {
    let house = House::empty().await;
    with_password(&house, "Ines Vale", Role::Member).await;
    let mut client = house.visitor();
    let page = client
        .post(
            "/sign-out-everywhere",
            &[("words", "typed with cold hands")],
        )
        .await;
    assert_eq!(page.status, StatusCode::UNAUTHORIZED);
    let page = client
        .post(
            "/sign-in",
            &[("email", "ines.vale@club.example"), ("password", PASSWORD)],
        )
        .await;
    assert_eq!(page.location(), "/unsent");
    let page = client.get("/unsent").await;
    assert_eq!(page.status, StatusCode::OK);
    assert_eq!(
        page.attributes("main form", "action"),
        ["/sign-out-everywhere", "/unsent/forget"]
    );
    assert_eq!(
        page.attributes("main input[name=words]", "value"),
        ["typed with cold hands"]
    );
    assert_eq!(
        page.attributes("main input[name=csrf]", "value"),
        [client.mark(), client.mark()]
    );
}

#[tokio::test]
async fn every_answer_carries_the_guarding_headers() {
    let house = House::empty().await;
    for path in ["/sign-in", "/no-such-page", "/static/style.css"] {
        let page = house.visitor().get(path).await;
        let policy = page.headers["content-security-policy"].to_str().unwrap();
        assert!(
            policy.contains("default-src 'none'") && !policy.contains("unsafe"),
            "{path}"
        );
        assert_eq!(page.headers["x-content-type-options"], "nosniff");
    }
}

#[tokio::test]
async fn the_display_changes_and_the_page_stays() {
    let house = House::empty().await;
    let mut client = house.visitor();
    let page = client.get("/shelf?design=newtonian").await;
    let back = page.attributes("#display input[name=back]", "value");
    assert_eq!(back, ["/shelf?design=newtonian"]);
    let page = client
        .post("/display", &[("value", "red"), ("back", &back[0])])
        .await;
    assert_eq!(page.location(), "/shelf?design=newtonian");
    let page = client.get("/shelf").await;
    assert_eq!(page.attributes("html", "data-display"), ["red"]);
    let page = client
        .post(
            "/display",
            &[("value", "day"), ("back", "//elsewhere.example")],
        )
        .await;
    assert_eq!(page.location(), "/");
}
