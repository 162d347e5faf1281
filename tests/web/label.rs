use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use tubewright::library::club::Club;
use tubewright::library::people::Role;
use tubewright::library::things::Kind;
use tubewright::web::access::Access;
use tubewright::web::label::qr_svg;

use crate::common::House;
use crate::roles;

/// Draws the code's SVG as pixels, `scale` to a module.
fn drawn(svg: &str, scale: usize) -> (usize, Vec<u8>) {
    let between = |from: &str, to: &str| {
        let start = svg.find(from).unwrap() + from.len();
        &svg[start..start + svg[start..].find(to).unwrap()]
    };
    let side: usize = between("viewBox=\"0 0 ", " ").parse().unwrap();
    let mut pixels = vec![255_u8; side * side * scale * scale];
    for run in between("<path d=\"M", "\"").split('M') {
        let numbers: Vec<usize> = run
            .split(|c: char| !c.is_ascii_digit())
            .filter(|n| !n.is_empty())
            .map(|n| n.parse().unwrap())
            .collect();
        let (x, y, w) = (numbers[0], numbers[1], numbers[2]);
        for row in y * scale..(y + 1) * scale {
            for column in x * scale..(x + w) * scale {
                pixels[row * side * scale + column] = 0;
            }
        }
    }
    (side * scale, pixels)
}

/// What an independent decoder reads, and its modules and correction level.
fn decoded(svg: &str) -> (String, usize, u16) {
    let (side, pixels) = drawn(svg, 5);
    let mut picture =
        rqrr::PreparedImage::prepare_from_greyscale(side, side, |x, y| pixels[y * side + x]);
    let grids = picture.detect_grids();
    assert_eq!(grids.len(), 1);
    let (meta, content) = grids[0].decode().unwrap();
    (content, meta.version.to_size(), meta.ecc_level)
}

// ISO/IEC 18004: side 17 + 4 v modules, a quiet zone of four modules about
// them; the format information names correction level M as 00.
#[tokio::test]
async fn an_independent_decoder_reads_the_address() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("SC-203-B", by).await;
    let request = Request::get("/instruments/sc-203-b/qr.svg")
        .header(header::HOST, "scopes.local:8017")
        .body(Body::empty())
        .unwrap();
    let page = client.send(request).await;
    assert_eq!(page.headers[header::CONTENT_TYPE], "image/svg+xml");
    let svg = page.text();
    let (content, modules, level) = decoded(&svg);
    assert_eq!(content, "http://scopes.local:8017/instruments/SC-203-B");
    assert_eq!(modules % 4, 1);
    assert!(svg.contains(&format!("viewBox=\"0 0 {0} {0}\"", modules + 8)));
    assert_eq!(level, 0);
    let (side, pixels) = drawn(&svg, 1);
    for i in 0..side {
        for quiet in 0..4 {
            for (x, y) in [
                (quiet, i),
                (side - 1 - quiet, i),
                (i, quiet),
                (i, side - 1 - quiet),
            ] {
                assert_eq!(pixels[y * side + x], 255, "dark in the quiet zone");
            }
        }
    }
}

#[test]
fn long_and_odd_addresses_read_back_too() {
    for address in [
        "https://a.example/instruments/N1",
        "https://lending.a-rather-long-club-name.observers.example/scopes/instruments/SC-203-BLUE2",
        "http://[::1]:8017/instruments/X1",
    ] {
        assert_eq!(decoded(&qr_svg(address).unwrap()).0, address);
    }
}

#[tokio::test]
async fn the_clubs_public_address_comes_before_the_requests_own() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    house.instrument("N1", by).await;
    let mut write = house.library.write().await.unwrap();
    Club {
        public_address: Some("https://scopes.fenwater.example/".to_owned()),
        name: "Fenwater Sky Society".to_owned(),
        ..Club::default()
    }
    .save(&mut write)
    .await
    .unwrap();
    write.commit().await.unwrap();
    let page = client.get("/instruments/N1/qr.svg").await;
    assert_eq!(
        decoded(&page.text()).0,
        "https://scopes.fenwater.example/instruments/N1"
    );
    let page = client.get("/instruments/N1/label").await;
    assert_eq!(page.select(".label-tag"), ["N1"]);
    assert_eq!(page.select(".label-club"), ["Fenwater Sky Society"]);
    assert_eq!(
        page.select(".label-how"),
        ["Scan for its condition; check it in here."]
    );
    assert!(!page.words().contains("Check the address first"));
}

#[tokio::test]
async fn labels_are_for_volunteers_and_their_codes_for_anyone() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    house.instrument("N1", by).await;
    for (role, mut client) in roles::everyone(&house).await {
        for (access, path) in [
            (Access::Volunteer, "/instruments/N1/label"),
            (Access::Volunteer, "/labels"),
            (Access::Anyone, "/instruments/N1/qr.svg"),
        ] {
            let request = Request::get(path)
                .header(header::HOST, "x.example")
                .body(Body::empty())
                .unwrap();
            let page = client.send(request).await;
            roles::check(access, role, page.status, StatusCode::OK, path);
        }
    }
    let odd = Request::get("/instruments/N1/qr.svg")
        .header(header::HOST, "x\"y")
        .body(Body::empty())
        .unwrap();
    let page = house.visitor().send(odd).await;
    assert_eq!(page.status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_sheet_holds_the_labels_asked_for() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    for tag in ["N1", "N2", "N3"] {
        house.instrument(tag, by).await;
    }
    for query in ["tags=N1,n3", "tags=N1&tags=N3"] {
        let request = Request::get(format!("/labels?{query}"))
            .header(header::HOST, "x.example")
            .body(Body::empty())
            .unwrap();
        let page = client.send(request).await;
        assert_eq!(page.select(".label-tag"), ["N1", "N3"], "{query}");
        assert_eq!(
            page.attributes("input[name=tags][checked]", "value"),
            ["N1", "N3"]
        );
    }
    let page = client.get("/labels?tags=NOPE").await;
    assert!(page.words().contains("Nothing has the tag NOPE"));
}

#[tokio::test]
async fn a_thing_s_code_leads_to_its_own_page() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    crate::things::thing(&house, "M-1", Kind::Mount, by).await;
    let ask = |path: &str| {
        Request::get(path)
            .header(header::HOST, "scopes.local:8017")
            .body(Body::empty())
            .unwrap()
    };
    let svg = client.send(ask("/instruments/m-1/qr.svg")).await.text();
    assert_eq!(decoded(&svg).0, "http://scopes.local:8017/things/M-1");
    let page = client.send(ask("/labels?tags=M-1")).await;
    assert_eq!(page.select(".label-tag"), ["M-1"]);
}

#[tokio::test]
async fn a_strip_for_a_screw_head_is_printed_to_its_size() {
    let house = House::empty().await;
    let (_, mut client) = house.someone(Role::Volunteer).await;
    // pi x (10 + 0.1) mm and a tab of 6 mm (geometry); so many for the screws of a tube.
    let page = client.get("/labels/screw-strip").await;
    assert_eq!(page.attributes("svg.strip", "width"), ["37.730mm"; 6]);
    // 0.375 in is 9.525 mm.
    let page = client.get("/labels/screw-strip?head=0.375+in").await;
    assert_eq!(page.attributes("svg.strip", "width")[0], "36.238mm");
    for wrong in ["2", "100", "wide", "-5", "NaN"] {
        let page = client
            .get(&format!("/labels/screw-strip?head={wrong}"))
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}");
        assert_eq!(page.attributes("#f-head", "value"), [wrong]);
        assert!(page.words().contains("Width of the head:"), "{wrong}");
        assert!(page.attributes("svg.strip", "width").is_empty());
    }
    // It is found from the labels.
    let links = client.get("/labels").await.attributes("a", "href");
    assert!(links.iter().any(|l| l == "/labels/screw-strip"));
}
