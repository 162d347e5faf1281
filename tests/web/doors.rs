//! The doors, attacked: forms that others prepared, guesses sent all at once,
//! addresses that a caller makes up, clocks that jump, bodies without end.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chrono::Duration;
use tubewright::library::messages::Message;
use tubewright::library::people::{Person, Role};
use tubewright::library::sessions;
use tubewright::web::peers::Peers;

use crate::common::{Client, House, Page};

const PASSWORD: &str = "four kettles at dusk";

async fn sign_in(client: &mut Client, email: &str, password: &str) -> Page {
    client
        .post("/sign-in", &[("email", email), ("password", password)])
        .await
}

/// Every hidden field of the sign-in form on a page, as a browser would send it.
fn hidden(page: &Page) -> Vec<(String, String)> {
    let names = page.attributes("form[action='/sign-in'] input[type=hidden]", "name");
    let values = page.attributes("form[action='/sign-in'] input[type=hidden]", "value");
    let ours = |name: &String| name == "csrf" || name == "once";
    names
        .into_iter()
        .zip(values)
        .filter(|(n, _)| !ours(n))
        .collect()
}

#[tokio::test]
async fn a_prepared_link_puts_no_form_into_anybodys_hands() {
    let house = House::empty().await;
    house
        .with_password("Cora Moss", Role::Coordinator, PASSWORD)
        .await;
    let mut client = house.visitor();
    let shown = client
        .get("/sign-in?unsent_action=/people/new&unsent_fields=name%3DMallory%26role%3Dcoordinator")
        .await;
    let hidden = hidden(&shown);
    let mut fields = vec![("email", "cora.moss@club.example"), ("password", PASSWORD)];
    fields.extend(hidden.iter().map(|(n, v)| (n.as_str(), v.as_str())));
    let mut page = client.post("/sign-in", &fields).await;
    if page.status == StatusCode::SEE_OTHER {
        let to = page.location().to_owned();
        page = client.get(&to).await;
    }
    assert!(!page.text().contains("Mallory"), "{}", page.words());
    // Nor do the same fields sent with the sign-in form itself.
    let mut client = house.visitor();
    fields.push(("unsent_action", "/people/new"));
    fields.push(("unsent_fields", "name=Mallory&role=coordinator"));
    let page = client.post("/sign-in", &fields).await;
    assert!(!page.text().contains("Mallory"), "{}", page.words());
}

#[tokio::test(flavor = "multi_thread")]
async fn guesses_sent_all_at_once_are_counted_before_they_are_checked() {
    let house = House::empty().await;
    house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    let guesses: Vec<_> = (0..120)
        .map(|n| {
            let mut client = house.visitor();
            tokio::spawn(async move {
                let guess = format!("wrong password number {n}");
                let page = sign_in(&mut client, "ines.vale@club.example", &guess).await;
                page.status
            })
        })
        .collect();
    let mut checked = 0;
    for guess in guesses {
        match guess.await.unwrap() {
            StatusCode::UNPROCESSABLE_ENTITY => checked += 1,
            status => assert_eq!(status, StatusCode::TOO_MANY_REQUESTS),
        }
    }
    assert!(checked <= 5, "{checked} of 120 guesses were checked");
    println!("counts: 120 guesses at one account at once -> {checked} were checked");
}

/// Fifty guesses at fifty accounts from one address, and five members who sign
/// in while they are under way: measured by how many guesses were checked before
/// the last member was in, and by how long a member takes alone.
#[tokio::test(flavor = "multi_thread")]
async fn a_flood_of_guesses_holds_up_the_guesser_and_nobody_else() {
    let house = House::empty().await;
    for n in 0..6 {
        house
            .with_password(&format!("Member {n}"), Role::Member, PASSWORD)
            .await;
    }
    let begun = std::time::Instant::now();
    let mut alone = house.visitor_from("192.0.2.200");
    let page = sign_in(&mut alone, "member.5@club.example", PASSWORD).await;
    assert_eq!(page.location(), "/");
    let alone = begun.elapsed();

    let checked = Arc::new(AtomicUsize::new(0));
    let flood: Vec<_> = (0..50)
        .map(|n| {
            let mut client = house.visitor_from("198.51.100.66");
            let checked = checked.clone();
            tokio::spawn(async move {
                let account = format!("guess{n}@club.example");
                let page = sign_in(&mut client, &account, "not this one at all").await;
                if page.status == StatusCode::UNPROCESSABLE_ENTITY {
                    checked.fetch_add(1, Ordering::SeqCst);
                }
                page.status
            })
        })
        .collect();
    tokio::time::sleep(alone / 4).await;
    let honest: Vec<_> = (0..5)
        .map(|n| {
            let mut client = house.visitor_from(&format!("192.0.2.{}", n + 1));
            tokio::spawn(async move {
                let begun = std::time::Instant::now();
                let email = format!("member.{n}@club.example");
                let page = sign_in(&mut client, &email, PASSWORD).await;
                assert_eq!(page.location(), "/");
                begun.elapsed()
            })
        })
        .collect();
    let mut slowest = std::time::Duration::ZERO;
    for one in honest {
        slowest = slowest.max(one.await.unwrap());
    }
    let before_the_last = checked.load(Ordering::SeqCst);
    let mut refused = 0;
    for one in flood {
        refused += usize::from(one.await.unwrap() == StatusCode::TOO_MANY_REQUESTS);
    }
    let ratio = slowest.as_secs_f64() / alone.as_secs_f64();
    println!(
        "counts: 50 guesses from one address against 5 members who sign in -> {before_the_last} guesses were checked before the last member was in, {refused} refused; the slowest member took {ratio:.1} times a sign-in alone ({slowest:.0?})"
    );
    assert!(
        before_the_last <= 12,
        "{before_the_last} guesses came first"
    );
    // Two slow hashes run at once: the members' five behind a few guesses.
    assert!(ratio < 15.0, "{ratio} times as long as alone");
}

#[tokio::test]
async fn a_clock_that_jumps_a_year_back_keeps_nobody_out() {
    let house = House::empty().await;
    house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    let mut client = house.visitor();
    house.app.clock.put_off(Duration::days(365));
    for _ in 0..9 {
        sign_in(&mut client, "ines.vale@club.example", "not this one at all").await;
    }
    house.app.clock.put_off(Duration::zero());
    let page = sign_in(&mut client, "ines.vale@club.example", PASSWORD).await;
    if page.status == StatusCode::TOO_MANY_REQUESTS {
        // The limit's own length, and no more.
        house.app.clock.put_off(Duration::minutes(16));
        let page = sign_in(&mut client, "ines.vale@club.example", PASSWORD).await;
        assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    } else {
        assert_eq!(page.status, StatusCode::SEE_OTHER, "{}", page.words());
    }
}

#[tokio::test]
async fn a_session_of_a_clock_that_ran_ahead_lasts_no_longer_than_any() {
    let house = House::empty().await;
    house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    house.app.clock.put_off(Duration::days(365));
    let mut used = house.visitor();
    let mut left = house.visitor();
    for client in [&mut used, &mut left] {
        let page = sign_in(client, "ines.vale@club.example", PASSWORD).await;
        assert_eq!(page.location(), "/");
    }
    house.app.clock.put_off(Duration::zero());
    assert_eq!(used.get("/my-loans").await.status, StatusCode::OK);
    // Used once a week, it ends after sixty days all the same.
    for week in 1..=8 {
        house.app.clock.put_off(Duration::weeks(week));
        assert_eq!(used.get("/my-loans").await.status, StatusCode::OK, "{week}");
        if week == 3 {
            let status = left.get("/my-loans").await.status;
            assert_eq!(status, StatusCode::UNAUTHORIZED, "unused for three weeks");
        }
    }
    house.app.clock.put_off(Duration::days(61));
    assert_eq!(used.get("/my-loans").await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn where_to_go_next_is_a_path_of_ours_or_the_start() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Member).await;
    for (next, to) in [
        ("/%0Bx", "/"),
        ("/%00", "/"),
        ("/%7F", "/"),
        ("/%C2%85x", "/"),
        ("/%0d%0aSet-Cookie:%20x=1", "/"),
        ("/%09/elsewhere.example", "/"),
        ("//elsewhere.example", "/"),
        ("/%5Celsewhere.example", "/"),
        ("/instruments/N%C3%A9", "/instruments/N%C3%A9"),
        ("/shelf?q=a%26b", "/shelf?q=a&b"),
    ] {
        let page = client.get(&format!("/sign-in?next={next}")).await;
        assert_eq!(page.location(), to, "{next}");
        let typed = next.replace("%0B", "\u{b}").replace("%00", "\0");
        let page = client
            .post("/display", &[("value", "red"), ("back", &typed)])
            .await;
        assert_eq!(page.status, StatusCode::SEE_OTHER, "{next}");
    }
}

/// A form's body, sent as it stands.
async fn post_body(client: &mut Client, path: &str, kind: &str, body: Vec<u8>) -> Page {
    let request = Request::post(path)
        .header(header::CONTENT_TYPE, kind)
        .header("sec-fetch-site", "same-origin")
        .body(Body::from(body))
        .unwrap();
    client.send(request).await
}

const ENCODED: &str = "application/x-www-form-urlencoded";

#[tokio::test]
async fn a_form_of_countless_fields_is_refused_with_the_limit() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Coordinator).await;
    let mark = client.mark();
    let mut body = format!("csrf={mark}").into_bytes();
    for _ in 0..50_000 {
        body.extend(b"&a=1");
    }
    let page = post_body(&mut client, "/club", ENCODED, body).await;
    assert_eq!(page.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(page.words().contains("fields"), "{}", page.words());
    // Whoever is not signed in may send less yet.
    let mut stranger = house.visitor();
    let body = format!("email=a@b.example&password={}", "x".repeat(60_000)).into_bytes();
    let page = post_body(&mut stranger, "/sign-in", ENCODED, body).await;
    assert_eq!(page.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(page.words().contains("KiB"), "{}", page.words());
}

#[tokio::test]
async fn an_upload_of_countless_or_endless_fields_is_refused_with_the_limit() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let kind = "multipart/form-data; boundary=b";
    let field = |name: &str, value: &str| {
        format!("--b\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
    };
    let start = field("csrf", &client.mark());
    let path = "/instruments/S203/star-test/frames";
    let many = start.clone() + &field("a", "1").repeat(20_000) + "--b--\r\n";
    let page = post_body(&mut client, path, kind, many.into_bytes()).await;
    assert_eq!(page.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(page.words().contains("fields"), "{}", page.words());
    let long = start.clone() + &field("note", &"x".repeat(2_000_000)) + "--b--\r\n";
    let page = post_body(&mut client, path, kind, long.into_bytes()).await;
    assert_eq!(page.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(page.words().contains("KiB"), "{}", page.words());
    // A field whose head never ends.
    let head = start + "--b\r\nX-Long: " + &"x".repeat(4_000_000);
    let page = post_body(&mut client, path, kind, head.into_bytes()).await;
    assert!(
        [StatusCode::PAYLOAD_TOO_LARGE, StatusCode::BAD_REQUEST].contains(&page.status),
        "{}",
        page.status
    );
}

/// Puts the browser's session so far back that the password is asked for again.
async fn grow_old(house: &House, client: &mut Client) {
    let mut write = house.library.write().await.unwrap();
    let token = sessions::Token::given(&client.cookies["tubewright"]);
    let long_ago = chrono::Utc::now() - Duration::hours(1);
    sessions::confirm(&mut write, &token, long_ago)
        .await
        .unwrap();
    write.commit().await.unwrap();
}

#[tokio::test]
async fn a_form_that_met_a_closed_door_waits_in_its_own_browser() {
    let house = House::empty().await;
    house
        .with_password("Cora Moss", Role::Coordinator, PASSWORD)
        .await;
    let typed = [
        ("name", "Otto Reed"),
        ("email", "otto@club.example"),
        ("role", "member"),
        ("password", "typed in the wrong place"),
    ];
    let mut client = house.visitor();
    let page = client.post("/people/new", &typed).await;
    assert_eq!(page.status, StatusCode::UNAUTHORIZED);
    assert!(page.words().contains("Otto Reed"), "it is shown");
    assert!(hidden(&page).is_empty(), "and does not travel");
    let page = sign_in(&mut client, "cora.moss@club.example", PASSWORD).await;
    assert_eq!(page.location(), "/unsent");
    let page = client.get("/unsent").await;
    let form = "main form[action='/people/new']";
    assert_eq!(
        page.attributes(&format!("{form} input[name=name]"), "value"),
        ["Otto Reed"]
    );
    assert!(page.attributes("input[name=password]", "value").is_empty());
    // Nothing is done until it is sent.
    assert!(!client.get("/people").await.words().contains("Otto Reed"));
    let once = page.attributes(&format!("{form} input[name=once]"), "value");
    let done = client.post_once("/people/new", &once[0], &typed[..3]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER);
    // Once sent it does not come again.
    let page = sign_in(&mut client, "cora.moss@club.example", PASSWORD).await;
    assert_eq!(page.location(), "/");
    // Another browser has nothing of it.
    let mut other = house.visitor();
    let page = sign_in(&mut other, "cora.moss@club.example", PASSWORD).await;
    assert_eq!(page.location(), "/");
    assert!(!other.get("/unsent").await.words().contains("Otto"));
    // It can be left, and is left after half an hour.
    for wait in [0, 31] {
        let mut client = house.visitor();
        client.post("/people/new", &typed).await;
        house.app.clock.put_off(Duration::minutes(wait));
        let page = sign_in(&mut client, "cora.moss@club.example", PASSWORD).await;
        if wait == 0 {
            assert_eq!(page.location(), "/unsent");
            client.post("/unsent/forget", &[]).await;
        } else {
            assert_eq!(page.location(), "/");
        }
        assert!(!client.get("/unsent").await.words().contains("Otto"));
    }
}

#[tokio::test]
async fn an_address_is_the_callers_own_unless_a_named_proxy_says_otherwise() {
    let mut house = House::empty().await;
    house.trust(&["203.0.113.0/24"]);
    house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    for (peer, lines, seen) in [
        ("203.0.113.5", vec!["10.1.1.1", "192.0.2.77"], "192.0.2.77"),
        ("198.51.100.9", vec!["10.1.1.2"], "198.51.100.9"),
        ("127.0.0.1", vec!["10.1.1.3"], "127.0.0.1"),
    ] {
        let mut client = house.visitor_from(peer);
        let mut headers = vec![("sec-fetch-site", "same-origin")];
        headers.extend(lines.iter().map(|line| ("x-forwarded-for", *line)));
        let fields = [("email", "ines.vale@club.example"), ("password", PASSWORD)];
        let page = client.post_raw("/sign-in", &fields, &headers).await;
        assert_eq!(page.location(), "/");
        let log = coordinator.get("/audit-log").await.words();
        assert!(log.contains(seen), "{seen}: {log}");
        assert!(!log.contains("10.1.1."), "{log}");
    }
}

#[tokio::test]
async fn the_counters_are_for_this_machine_or_a_token() {
    let mut house = House::empty().await;
    let token = "kx7vq2mzt9wbn4hckx7v";
    house.app.peers = Peers::new(&["203.0.113.0/24".parse().unwrap()], Some(token));
    house.reroute();
    let bearer = format!("Bearer {token}");
    let wrong = format!("Bearer {}", token.to_uppercase());
    for (peer, headers, answers) in [
        ("127.0.0.1", vec![("host", "localhost:8017")], true),
        ("::1", vec![("host", "[::1]:8017")], true),
        // A proxy on this machine hands on its visitor's name and address.
        ("127.0.0.1", vec![("host", "scopes.example.org")], false),
        (
            "127.0.0.1",
            vec![("host", "localhost"), ("x-forwarded-for", "127.0.0.1")],
            false,
        ),
        (
            "203.0.113.5",
            vec![("host", "localhost"), ("x-forwarded-for", "127.0.0.1")],
            false,
        ),
        ("192.0.2.1", vec![("host", "localhost")], false),
        (
            "192.0.2.1",
            vec![("host", "x.example"), ("authorization", &bearer)],
            true,
        ),
        (
            "192.0.2.1",
            vec![("host", "x.example"), ("authorization", &wrong)],
            false,
        ),
    ] {
        let mut request = Request::get("/metrics");
        for (name, value) in &headers {
            request = request.header(*name, *value);
        }
        let mut client = house.visitor_from(peer);
        let page = client.send(request.body(Body::empty()).unwrap()).await;
        assert_eq!(page.status == StatusCode::OK, answers, "{peer} {headers:?}");
    }
}

#[tokio::test]
async fn a_person_changes_their_own_password_and_is_signed_out_elsewhere() {
    let house = House::empty().await;
    house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    let mut own = house.visitor();
    let mut phone = house.visitor();
    for client in [&mut own, &mut phone] {
        sign_in(client, "ines.vale@club.example", PASSWORD).await;
    }
    let new = "damp wool, cold tea, owls";
    let change = |old: &str, password: &str, again: &str| {
        [
            ("old_password", old.to_owned()),
            ("password", password.to_owned()),
            ("again", again.to_owned()),
        ]
    };
    for (fields, field) in [
        (
            change("not this one at all", new, new),
            "#f-old_password-error",
        ),
        (
            change(PASSWORD, "passwordpassword", "passwordpassword"),
            "#f-password-error",
        ),
        (
            change(PASSWORD, "ines vale ines vale", "ines vale ines vale"),
            "#f-password-error",
        ),
        (
            change(PASSWORD, new, "another one altogether"),
            "#f-again-error",
        ),
    ] {
        let fields: Vec<_> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
        let page = own.post("/me/password", &fields).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert_eq!(page.select(field).len(), 1, "{field}: {}", page.words());
    }
    assert_eq!(phone.get("/me").await.status, StatusCode::OK);
    let before = own.cookies["tubewright"].clone();
    let fields = change(PASSWORD, new, new);
    let fields: Vec<_> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let page = own.post("/me/password", &fields).await;
    assert_eq!(page.location(), "/me");
    let page = own.get("/me").await;
    let said = page.select(".notice").join(" ");
    assert!(said.contains("password is changed"), "{said}");
    assert!(said.contains("1 other device"), "{said}");
    assert_ne!(own.cookies["tubewright"], before, "under a new token");
    assert_eq!(phone.get("/me").await.status, StatusCode::UNAUTHORIZED);
    let mut other = house.visitor();
    let page = sign_in(&mut other, "ines.vale@club.example", PASSWORD).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    let page = sign_in(&mut other, "ines.vale@club.example", new).await;
    assert_eq!(page.location(), "/");
}

#[tokio::test]
async fn guesses_at_the_old_password_are_slowed_down_too() {
    let house = House::empty().await;
    house
        .with_password("Ines Vale", Role::Coordinator, PASSWORD)
        .await;
    let mut client = house.visitor();
    sign_in(&mut client, "ines.vale@club.example", PASSWORD).await;
    let new = "damp wool, cold tea, owls";
    let guess = [
        ("old_password", "not this one at all"),
        ("password", new),
        ("again", new),
    ];
    let mut last = StatusCode::OK;
    for _ in 0..6 {
        last = client.post("/me/password", &guess).await.status;
    }
    assert_eq!(last, StatusCode::TOO_MANY_REQUESTS);
    // So is the field that asks again, by the same count.
    grow_old(&house, &mut client).await;
    let page = client
        .post(
            "/me/second-factor",
            &[("confirm_password", "not this one at all")],
        )
        .await;
    assert_eq!(page.status, StatusCode::TOO_MANY_REQUESTS);
    assert!(page.headers.contains_key(header::RETRY_AFTER));
}

#[tokio::test]
async fn a_person_changes_their_own_address_and_the_old_one_is_told() {
    let house = House::empty().await;
    house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    house.person("Otto Reed", Role::Member).await;
    let mut own = house.visitor();
    sign_in(&mut own, "ines.vale@club.example", PASSWORD).await;
    for (typed, why) in [
        ("", "you sign in with it"),
        ("ines at home", "like name@example.org"),
        ("otto.reed@club.example", "address"),
    ] {
        let page = own.post("/me/address", &[("email", typed)]).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{typed}");
        let said = page.select("#f-email-error");
        assert!(said.len() == 1 && said[0].contains(why), "{said:?}");
        assert_eq!(page.attributes("#f-email", "value"), [typed]);
    }
    let done = own
        .post("/me/address", &[("email", " Ines@Elsewhere.example ")])
        .await;
    assert_eq!(done.location(), "/me");
    let mut conn = house.library.read().await.unwrap();
    let told: Vec<(String, String)> = Message::all(&mut conn)
        .await
        .unwrap()
        .into_iter()
        .map(|m| (m.address.unwrap_or_default(), m.body))
        .collect();
    drop(conn);
    let change = "from ines.vale@club.example to ines@elsewhere.example";
    assert!(
        told.iter().all(|(_, words)| words.contains(change)),
        "{told:?}"
    );
    assert!(
        told.iter().any(|(at, _)| at == "ines.vale@club.example"),
        "{told:?}"
    );
    // The new one signs in, the old one no more.
    let status = async |email: &str| {
        let mut visitor = house.visitor();
        sign_in(&mut visitor, email, PASSWORD).await.status
    };
    assert!(status("ines@elsewhere.example").await.is_redirection());
    assert!(!status("ines.vale@club.example").await.is_redirection());
}

#[tokio::test]
async fn what_is_grave_asks_for_the_password_again_after_ten_minutes() {
    let house = House::empty().await;
    house
        .with_password("Cora Moss", Role::Coordinator, PASSWORD)
        .await;
    let otto = house.person("Otto Reed", Role::Member).await;
    let mut client = house.visitor();
    sign_in(&mut client, "cora.moss@club.example", PASSWORD).await;
    let path = format!("/people/{otto}");
    let shown = client
        .get(&path)
        .await
        .attributes("input[name=shown]", "value");
    let fields = |email, role| {
        [
            ("name", "Otto Reed"),
            ("email", email),
            ("role", role),
            ("shown", shown[0].as_str()),
        ]
    };
    let same = "otto.reed@club.example";
    let grave: Vec<(String, Vec<(&str, &str)>)> = vec![
        (path.clone(), fields(same, "coordinator").to_vec()),
        (
            path.clone(),
            fields("otto@elsewhere.example", "member").to_vec(),
        ),
        (format!("{path}/address"), vec![]),
        (format!("{path}/second-factor/off"), vec![]),
        (
            "/people/new".to_owned(),
            vec![
                ("name", "Mal Ory"),
                ("email", "mal@club.example"),
                ("role", "coordinator"),
            ],
        ),
        (
            "/me/address".to_owned(),
            vec![("email", "cora@elsewhere.example")],
        ),
        ("/me/second-factor".to_owned(), vec![]),
        (
            "/me/second-factor/confirm".to_owned(),
            vec![("code", "123456")],
        ),
        ("/me/second-factor/off".to_owned(), vec![]),
    ];
    let unchanged = async || {
        let mut conn = house.library.read().await.unwrap();
        let person = Person::get(&mut conn, otto).await.unwrap();
        assert_eq!((person.role, person.mail()), (Role::Member, same));
    };
    for (path, fields) in &grave {
        grow_old(&house, &mut client).await;
        let asked = client.post(path, fields).await;
        assert_eq!(asked.status, StatusCode::UNPROCESSABLE_ENTITY, "{path}");
        assert_eq!(
            asked.attributes("#f-confirm_password", "type"),
            ["password"]
        );
        unchanged().await;
    }
    let (path, mut wrong) = grave[1].clone();
    wrong.push(("confirm_password", "not this one at all"));
    let asked = client.post(&path, &wrong).await;
    assert_eq!(asked.select("#f-confirm_password-error").len(), 1);
    unchanged().await;
    // The form as it is shown, with the password, is sent on.
    let form = format!("main form[action='{path}'] input[type=hidden]");
    let names = asked.attributes(&form, "name");
    let values = asked.attributes(&form, "value");
    let pairs = names.iter().zip(&values);
    let mut sent: Vec<(&str, &str)> = pairs.map(|(n, v)| (n.as_str(), v.as_str())).collect();
    sent.push(("confirm_password", PASSWORD));
    let done = client
        .post_raw(&path, &sent, &[("sec-fetch-site", "same-origin")])
        .await;
    assert_eq!(done.location(), path);
    // For ten minutes it is not asked for again.
    let page = client.post(&format!("{path}/address"), &[]).await;
    assert_eq!(page.status, StatusCode::OK);
    // A name changed is nothing grave.
    grow_old(&house, &mut client).await;
    let shown = client
        .get(&path)
        .await
        .attributes("input[name=shown]", "value");
    let page = client
        .post(
            &path,
            &[
                ("name", "Otto B. Reed"),
                ("email", "otto@elsewhere.example"),
                ("role", "member"),
                ("shown", &shown[0]),
            ],
        )
        .await;
    assert_eq!(page.location(), path);
}

#[tokio::test]
async fn people_see_where_they_are_signed_in_and_end_it() {
    let house = House::empty().await;
    let id = house
        .with_password("Ines Vale", Role::Member, PASSWORD)
        .await;
    let mut own = house.visitor();
    let mut phone = house.visitor();
    let mut tablet = house.visitor();
    for (client, agent) in [
        (
            &mut own,
            "Mozilla/5.0 (X11; Linux x86_64; rv:125.0) Gecko/20100101 Firefox/125.0",
        ),
        (
            &mut phone,
            "Mozilla/5.0 (Linux; Android 14; K) Chrome/124.0 Mobile Safari/537.36",
        ),
        (
            &mut tablet,
            "Mozilla/5.0 (iPad; CPU OS 17_4) Version/17.4 Safari/604.1",
        ),
    ] {
        let fields = [("email", "ines.vale@club.example"), ("password", PASSWORD)];
        let headers = [("sec-fetch-site", "same-origin"), ("user-agent", agent)];
        client.post_raw("/sign-in", &fields, &headers).await;
    }
    let page = own.get("/me").await;
    let words = page.select("#sessions li").join("; ");
    assert!(
        words.contains("Firefox on a Linux computer, this one"),
        "{words}"
    );
    assert!(words.contains("Chrome on an Android phone"), "{words}");
    assert!(words.contains("Safari on an iPad"), "{words}");
    let places = page.attributes("#sessions input[name=session]", "value");
    assert_eq!(places.len(), 2, "not this one");
    // Another person's place is nobody else's to end.
    let (_, mut stranger) = house.someone(Role::Volunteer).await;
    let page = stranger
        .post("/me/sessions/end", &[("session", &places[0])])
        .await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    let page = own
        .post("/me/sessions/end", &[("session", &places[0])])
        .await;
    assert_eq!(page.location(), "/me#sessions");
    let open = [
        phone.get("/me").await.status == StatusCode::OK,
        tablet.get("/me").await.status == StatusCode::OK,
        own.get("/me").await.status == StatusCode::OK,
    ];
    assert_eq!(open.iter().filter(|o| **o).count(), 2);
    // A coordinator ends somebody's, one and then all.
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let path = format!("/people/{id}");
    let page = coordinator.get(&path).await;
    let form = format!("form[action='{path}/sessions/end'] input[name=session]");
    let places = page.attributes(&form, "value");
    assert_eq!(places.len(), 2);
    let ending = format!("{path}/sessions/end");
    let page = coordinator.post(&ending, &[("session", &places[0])]).await;
    assert_eq!(page.location(), path);
    let page = coordinator.post(&ending, &[]).await;
    assert_eq!(page.location(), path);
    for client in [&mut own, &mut phone, &mut tablet] {
        assert_eq!(client.get("/me").await.status, StatusCode::UNAUTHORIZED);
    }
    assert_eq!(coordinator.get("/me").await.status, StatusCode::OK);
}
