//! Every parameter that becomes a header, a path or a file's name, with bytes that
//! no honest hand types: control bytes, UTF-8 that is too long or broken,
//! surrogates, and what programs have stumbled over. Nothing may answer 5xx, no
//! header may be put in, and every `Location` is a path of ours.

use axum::body::Body;
use axum::http::{HeaderValue, Method, Request, header};
use tubewright::library::people::Role;
use tubewright::web;

use crate::common::{Client, House, Page};

/// As they stand in an address or an encoded form. RFC 3629, 3 and 10 name the
/// over-long forms and the surrogates as what a decoder must not take.
const BYTES: [&str; 24] = [
    "%00",
    "%01x",
    "%07",
    "%08",
    "%09",
    "%0A",
    "%0B",
    "%0C",
    "%0D",
    "%0D%0AX-Put-In:%201",
    "%1B%5B31m",
    "%7F",
    "%80",
    "%C0%AF",
    "%E0%80%AF",
    "%F0%80%80%AF",
    "%C0%80",
    "%ED%A0%80",
    "%ED%BF%BF",
    "%F4%90%80%80",
    "%FF%FE",
    "%C2%85",
    "%E2%80%AE",
    "%",
];

/// The same as an attacker places them.
fn around(bytes: &str) -> [String; 4] {
    [
        bytes.to_owned(),
        format!("/{bytes}x"),
        format!("S203{bytes}"),
        format!("..%2F..%2F{bytes}"),
    ]
}

fn check(page: &Page, what: &str) {
    assert!(!page.status.is_server_error(), "{what}: {}", page.status);
    assert!(!page.headers.contains_key("x-put-in"), "{what}");
    if let Some(to) = page.headers.get(header::LOCATION) {
        let to = to.to_str().unwrap_or("not text");
        assert!(
            to.starts_with('/')
                && !to.starts_with("//")
                && to.bytes().all(|b| b.is_ascii_graphic()),
            "{what}: leads to {to:?}"
        );
    }
}

async fn send(client: &mut Client, method: &Method, address: &str, body: String) -> Option<Page> {
    let mark = client.mark();
    let body = match *method {
        Method::POST => format!("csrf={mark}&once={}&{body}", uuid::Uuid::new_v4()),
        _ => String::new(),
    };
    // What is no address at all does not get as far as us.
    let request = Request::builder()
        .method(method)
        .uri(address)
        .header("sec-fetch-site", "same-origin")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .body(Body::from(body))
        .ok()?;
    Some(client.send(request).await)
}

#[tokio::test(flavor = "multi_thread")]
async fn no_bytes_in_a_parameter_break_the_house_or_its_headers() {
    let house = House::empty().await;
    let (by, client) = house.someone(Role::Coordinator).await;
    house.instrument("S203", by).await;
    let mut sent = 0;
    // Parts of paths.
    for route in web::routes() {
        let Some(from) = route.path.find('{') else {
            continue;
        };
        let to = route.path.rfind('}').unwrap_or(from) + 1;
        for (n, bytes) in BYTES.iter().enumerate() {
            let placed = &around(bytes)[n % 4];
            let address = format!("{}{placed}{}", &route.path[..from], &route.path[to..]);
            let mut client = client.clone();
            if let Some(page) = send(&mut client, &route.method, &address, String::new()).await {
                check(&page, &format!("{} {address}", route.method));
                sent += 1;
            }
        }
    }
    // Where to go next, what is looked for, and where one came from.
    for bytes in BYTES {
        for placed in around(bytes) {
            for (method, address, body) in [
                (
                    Method::GET,
                    format!("/sign-in?next={placed}"),
                    String::new(),
                ),
                (
                    Method::GET,
                    format!("/shelf?q={placed}&design={placed}&page={placed}"),
                    String::new(),
                ),
                (Method::GET, format!("/shelf.csv?q={placed}"), String::new()),
                (
                    Method::GET,
                    format!("/shelf/finder.json?q={placed}"),
                    String::new(),
                ),
                (Method::GET, format!("/check-in?q={placed}"), String::new()),
                (
                    Method::GET,
                    format!("/people?q={placed}&role={placed}&page={placed}"),
                    String::new(),
                ),
                (
                    Method::GET,
                    format!("/audit-log?before={placed}&person={placed}"),
                    String::new(),
                ),
                (
                    Method::GET,
                    format!("/labels?tags={placed}&tag={placed}"),
                    String::new(),
                ),
                (
                    Method::GET,
                    format!("/instruments/S203?x={placed}"),
                    String::new(),
                ),
                (
                    Method::POST,
                    "/display".to_owned(),
                    format!("value=red&back={placed}"),
                ),
                (
                    Method::POST,
                    "/sign-in".to_owned(),
                    format!("email={placed}&password={placed}&next={placed}"),
                ),
                (
                    Method::POST,
                    "/people/new".to_owned(),
                    format!("name={placed}&email={placed}@x.example&role=member"),
                ),
                (
                    Method::POST,
                    "/register/new".to_owned(),
                    format!("tag={placed}&name={placed}&design={placed}"),
                ),
                (
                    Method::POST,
                    "/me/sessions/end".to_owned(),
                    format!("session={placed}"),
                ),
            ] {
                // Each starts as if nobody had signed in elsewhere.
                let mut client = client.clone();
                if let Some(page) = send(&mut client, &method, &address, body).await {
                    check(&page, &format!("{method} {address} with {placed}"));
                    sent += 1;
                }
            }
        }
    }
    // Headers themselves.
    let odd: [&[u8]; 6] = [
        b"\xff\xfe",
        b"\xc0\xaf",
        b"\xed\xa0\x80",
        b"a\tb",
        b"=;,\"",
        b"\x80",
    ];
    for bytes in odd {
        for name in [
            "cookie",
            "host",
            "user-agent",
            "x-forwarded-for",
            "forwarded",
            "referer",
            "content-type",
            "authorization",
            "if-none-match",
            "range",
            "origin",
            "accept-encoding",
            "content-length",
        ] {
            for cookie in [
                "tubewright",
                "notice",
                "display",
                "tubewright-browser",
                "tubewright-unsent",
            ] {
                let mut value = if name == "cookie" {
                    format!("{cookie}=").into_bytes()
                } else {
                    Vec::new()
                };
                value.extend(bytes);
                let request = Request::get("/")
                    .header(name, HeaderValue::from_bytes(&value).unwrap())
                    .body(Body::empty())
                    .unwrap();
                let page = house.visitor().send(request).await;
                check(&page, &format!("{name}: {value:?}"));
                sent += 1;
                if name != "cookie" {
                    break;
                }
            }
        }
    }
    assert!(sent > 2_000, "{sent}");
    // Read by tests/trust/table.py.
    println!(
        "counts: odd bytes in parameters, paths and headers: {sent} requests -> none broke anything or put a header in"
    );
}

/// Names of files and fields, and JSON with surrogates that stand alone (RFC 8259,
/// 8.2), wherever a form takes such.
#[tokio::test]
async fn no_name_of_a_file_and_no_lone_surrogate_breaks_the_house() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Coordinator).await;
    house.instrument("S203", by).await;
    let tiny = std::fs::read(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/decoder-seeds/grey8.png"
    ))
    .unwrap();
    for name in [
        "../../etc/passwd",
        "..\\..\\x.png",
        "/dev/stdin",
        "a\u{0}b.png",
        "\u{202e}gnp.exe",
        "a\u{b}.png",
        "CON",
        "",
        "%00",
        &"x".repeat(5_000),
    ] {
        let page = client
            .upload(
                "/instruments/S203/photos",
                &[("caption", name)],
                &[("photos", name, &tiny)],
            )
            .await;
        check(&page, &format!("{name:.30?}"));
    }
    for json in [
        r#"{"tag":"\ud800"}"#,
        r#""\udfff""#,
        r#"{"a":"\ud83d\u0041"}"#,
        "{\"a\":\"\\u0000\"}",
        "[[[[[[[[",
        "{",
        "1e999",
    ] {
        for path in [
            "/register/new",
            "/instruments/S203/edit",
            "/instruments/S203/star-test/eye",
            "/check-in/S203",
        ] {
            for field in ["base", "told", "judged", "note", "shown", "loan_version"] {
                let page = client.post(path, &[(field, json)]).await;
                check(&page, &format!("{path} {field}={json}"));
            }
        }
    }
}
