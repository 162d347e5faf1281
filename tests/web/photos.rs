use std::io::Cursor;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use image::{DynamicImage, ImageFormat, Rgb, RgbImage};
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, photos};
use tubewright::web::access::Access;

use crate::common::House;
use crate::roles;

/// A picture whose left half is red and right half blue.
fn halves(width: u32, height: u32) -> DynamicImage {
    DynamicImage::ImageRgb8(RgbImage::from_fn(width, height, |x, _| {
        if x < width / 2 {
            Rgb([230, 20, 20])
        } else {
            Rgb([20, 20, 230])
        }
    }))
}

fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    picture.write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

/// A JPEG with an Exif block (Exif 2.3, JEITA CP-3451): orientation and, as a
/// secret, a description.
fn with_exif(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let secret = b"home address\0\0\0\0";
    let mut tiff: Vec<u8> = b"MM\0\x2a\0\0\0\x08".to_vec();
    tiff.extend([0, 2]); // two entries
    tiff.extend([0x01, 0x0e, 0, 2, 0, 0, 0, 16, 0, 0, 0, 38]); // ImageDescription at 38
    tiff.extend([0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, orientation, 0, 0]);
    tiff.extend([0, 0, 0, 0]); // no further directory
    assert_eq!(tiff.len(), 38);
    tiff.extend(secret);
    let mut segment = b"Exif\0\0".to_vec();
    segment.extend(tiff);
    let length = u16::try_from(segment.len() + 2).unwrap().to_be_bytes();
    let mut out = jpeg[..2].to_vec();
    out.extend([0xff, 0xe1]);
    out.extend(length);
    out.extend(segment);
    out.extend(&jpeg[2..]);
    out
}

/// A PNG that says it is `width` by `height` and holds hardly anything.
fn bomb(width: u32, height: u32) -> Vec<u8> {
    use flate2::Compression;
    use flate2::write::ZlibEncoder;
    use std::io::Write;
    let chunk = |kind: &[u8; 4], data: &[u8]| {
        let mut crc = flate2::Crc::new();
        crc.update(kind);
        crc.update(data);
        let mut out = u32::try_from(data.len()).unwrap().to_be_bytes().to_vec();
        out.extend(kind);
        out.extend(data);
        out.extend(crc.sum().to_be_bytes());
        out
    };
    let mut head = width.to_be_bytes().to_vec();
    head.extend(height.to_be_bytes());
    head.extend([8, 6, 0, 0, 0]);
    let mut zlib = ZlibEncoder::new(Vec::new(), Compression::best());
    for _ in 0..200 {
        zlib.write_all(&[0; 65_536]).unwrap();
    }
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    png.extend(chunk(b"IHDR", &head));
    png.extend(chunk(b"IDAT", &zlib.finish().unwrap()));
    png.extend(chunk(b"IEND", &[]));
    png
}

async fn kept(house: &House, id: InstrumentId) -> Vec<photos::Photo> {
    let mut conn = house.library.read().await.unwrap();
    photos::of(&mut conn, id).await.unwrap()
}

#[tokio::test]
async fn only_volunteers_add_change_and_remove_and_anyone_looks() {
    let house = House::empty().await;
    let by = house.person("Ada Moss", Role::Coordinator).await;
    let jpeg = encoded(&halves(40, 30), ImageFormat::Jpeg);
    for (n, (role, mut client)) in roles::everyone(&house).await.into_iter().enumerate() {
        let tag = format!("S-{n}");
        let id = house.instrument(&tag, by).await;
        let path = format!("/instruments/{tag}/photos");
        let page = client
            .upload(&path, &[("caption", "")], &[("photo", "a.jpg", &jpeg)])
            .await;
        roles::check(
            Access::Volunteer,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "add",
        );
        let may = Access::Volunteer.allows(role);
        assert_eq!(kept(&house, id).await.len(), usize::from(may), "{role:?}");
        let (_, mut volunteer) = house.someone(Role::Volunteer).await;
        volunteer
            .upload(&path, &[], &[("photo", "b.jpg", &jpeg)])
            .await
            .location();
        let photo = kept(&house, id).await.remove(0).id;
        for path in [
            format!("/photos/{photo}.jpg"),
            format!("/photos/{photo}/small.jpg"),
        ] {
            let page = client.get(&path).await;
            assert_eq!(page.status, StatusCode::OK, "{path} as {role:?}");
            assert_eq!(page.headers[header::CONTENT_TYPE], "image/jpeg");
        }
        let page = client
            .post(&format!("/photos/{photo}/caption"), &[("caption", "Front")])
            .await;
        roles::check(
            Access::Volunteer,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "caption",
        );
        let caption = kept(&house, id).await.remove(0).caption;
        assert_eq!(caption == "Front", may, "{role:?}");
        let before = kept(&house, id).await.len();
        let page = client.post(&format!("/photos/{photo}/remove"), &[]).await;
        roles::check(
            Access::Volunteer,
            role,
            page.status,
            StatusCode::SEE_OTHER,
            "remove",
        );
        let after = kept(&house, id).await.len();
        assert_eq!(before - after, usize::from(may), "{role:?}");
    }
}

#[tokio::test]
async fn a_large_photo_is_kept_small_upright_and_without_its_secrets() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("SC203", by).await;
    // Orientation 6: the camera was turned; shown a quarter turn clockwise, the
    // left half becomes the top.
    let sent = with_exif(&encoded(&halves(2400, 1200), ImageFormat::Jpeg), 6);
    assert!(sent.windows(12).any(|w| w == b"home address"));
    client
        .upload(
            "/instruments/SC203/photos",
            &[("caption", "Front")],
            &[("photo", "x.jpg", &sent)],
        )
        .await
        .location();
    let photo = kept(&house, id).await.remove(0);
    assert_eq!((photo.width_px, photo.height_px), (800, 1600));
    let page = client.get(&format!("/photos/{}.jpg", photo.id)).await;
    assert!(!page.body.windows(4).any(|w| w == b"Exif"));
    assert!(!page.body.windows(12).any(|w| w == b"home address"));
    let shown = image::load_from_memory_with_format(&page.body, ImageFormat::Jpeg)
        .unwrap()
        .to_rgb8();
    assert_eq!(shown.dimensions(), (800, 1600));
    let [top, bottom] = [100, 1500].map(|y| shown.get_pixel(400, y).0);
    assert!(top[0] > 180 && top[2] < 80, "{top:?}");
    assert!(bottom[2] > 180 && bottom[0] < 80, "{bottom:?}");
    let page = client.get(&format!("/photos/{}/small.jpg", photo.id)).await;
    let small = image::load_from_memory(&page.body).unwrap();
    assert_eq!((small.width(), small.height()), (160, 320));
}

#[tokio::test]
async fn clear_parts_of_a_png_become_white() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("SC203", by).await;
    let clear = DynamicImage::ImageRgba8(image::RgbaImage::new(32, 32));
    let png = encoded(&clear, ImageFormat::Png);
    client
        .upload(
            "/instruments/SC203/photos",
            &[],
            &[("photo", "x.png", &png)],
        )
        .await
        .location();
    let photo = kept(&house, id).await.remove(0);
    let page = client.get(&format!("/photos/{}.jpg", photo.id)).await;
    let shown = image::load_from_memory(&page.body).unwrap().to_rgb8();
    assert!(shown.pixels().all(|p| p.0.iter().all(|&c| c > 250)));
}

#[tokio::test]
async fn what_is_no_photo_is_refused_with_the_mend_and_nothing_is_kept() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("SC203", by).await;
    let good = encoded(&halves(400, 300), ImageFormat::Jpeg);
    let svg = b"<svg xmlns=\"http://www.w3.org/2000/svg\"><script>alert(1)</script></svg>".to_vec();
    let gif = b"GIF89a\x01\x00\x01\x00\x00\x00\x00;".to_vec();
    let mut cut = good.clone();
    cut.truncate(200);
    let mut png_cut = encoded(&halves(400, 300), ImageFormat::Png);
    png_cut.truncate(300);
    let hostile: Vec<(&str, Vec<u8>, &str)> = vec![
        (
            "page.jpg",
            b"<html>not a picture</html>".to_vec(),
            "not a JPEG",
        ),
        ("drawing.jpg", svg, "not a JPEG"),
        ("anim.png", gif, "not a JPEG"),
        ("cut.png", png_cut, "not a JPEG"),
        ("huge.png", bomb(60_000, 60_000), "huge.png"),
        ("wide.png", bomb(29_000, 2000), "40 million pixels"),
        ("lying.png", bomb(6000, 6000), "lying.png"),
        ("zero.png", bomb(0, 10), "zero.png"),
        (
            "tiff.jpg",
            encoded(&halves(9, 9), ImageFormat::Tiff),
            "not a JPEG",
        ),
        // A palette of two bytes: the decoder stops the program on it (found by fuzzing).
        (
            "palette.png",
            include_bytes!("../decoder-seeds/found/short-palette.png").to_vec(),
            "not a JPEG",
        ),
        (
            "blocks.jpg",
            include_bytes!("../decoder-seeds/found/stops-the-decoder.jpg").to_vec(),
            "blocks.jpg",
        ),
        ("heavy.jpg", vec![0xff; 21 * 1024 * 1024], "at most 20 MB"),
    ];
    for (name, bytes, word) in &hostile {
        let page = client
            .upload(
                "/instruments/SC203/photos",
                &[("caption", "Rear cell")],
                &[("photo", name, bytes)],
            )
            .await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{name}");
        let errors = page.select("#errors li").join(" ");
        assert!(errors.contains(word), "{name}: {errors}");
        assert_eq!(page.attributes("#f-caption", "value"), ["Rear cell"]);
        assert!(kept(&house, id).await.is_empty(), "{name}");
    }
    let page = client.upload("/instruments/SC203/photos", &[], &[]).await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.words().contains("choose a JPEG or PNG"));
    let mut conn = house.library.read().await.unwrap();
    let log = tubewright::library::entries::Entry::of(&mut conn, id)
        .await
        .unwrap();
    assert!(log.is_empty());
}

#[tokio::test]
async fn a_browser_that_has_it_is_told_so_and_one_removed_is_gone() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("SC203", by).await;
    let jpeg = encoded(&halves(40, 30), ImageFormat::Jpeg);
    client
        .upload(
            "/instruments/SC203/photos",
            &[("caption", "Rear cell")],
            &[("photo", "a.jpg", &jpeg)],
        )
        .await
        .location();
    let photo = kept(&house, id).await.remove(0).id;
    let path = format!("/photos/{photo}.jpg");
    let page = client.get(&path).await;
    let mark = page.headers[header::ETAG].to_str().unwrap().to_owned();
    let again = Request::get(&path)
        .header(header::IF_NONE_MATCH, format!("\"other\", W/{mark}"))
        .body(Body::empty())
        .unwrap();
    let page = house.visitor().send(again).await;
    assert_eq!(page.status, StatusCode::NOT_MODIFIED);
    assert!(page.body.is_empty());
    let seen = house.visitor().get("/instruments/SC203").await;
    assert_eq!(seen.attributes(".photos img", "alt"), ["Rear cell"]);

    client
        .post(&format!("/photos/{photo}/remove"), &[])
        .await
        .location();
    let again = Request::get(&path)
        .header(header::IF_NONE_MATCH, mark)
        .body(Body::empty())
        .unwrap();
    assert_eq!(
        house.visitor().send(again).await.status,
        StatusCode::NOT_FOUND
    );
    for path in [
        format!("/photos/{photo}/small.jpg"),
        "/photos/x.jpg".to_owned(),
        format!("/photos/{photo}"),
        format!("/photos/{}.jpg", uuid::Uuid::new_v4()),
    ] {
        let page = house.visitor().get(&path).await;
        assert_eq!(page.status, StatusCode::NOT_FOUND, "{path}");
    }
    let page = client.post(&format!("/photos/{photo}/remove"), &[]).await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    let mut conn = house.library.read().await.unwrap();
    let log = tubewright::library::entries::Entry::of(&mut conn, id)
        .await
        .unwrap();
    let notes: Vec<_> = log.iter().map(|e| e.note.as_str()).collect();
    assert_eq!(
        notes,
        ["Photo removed: Rear cell", "Photo added: Rear cell"]
    );
}

/// A decoder fills up the missing half with grey.
#[tokio::test]
async fn half_a_photo_is_refused_by_name_and_the_others_are_kept() {
    let house = House::empty().await;
    let (by, mut client) = house.someone(Role::Volunteer).await;
    let id = house.instrument("H-1", by).await;
    let whole = encoded(&halves(400, 300), ImageFormat::Jpeg);
    let half = &whole[..whole.len() / 2];
    let path = "/instruments/H-1/photos";
    let page = client
        .upload(path, &[], &[("photo", "half.jpg", half)])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.text().contains("half.jpg stops before its end"),
        "{}",
        page.text()
    );
    assert_eq!(kept(&house, id).await.len(), 0);
    let set = [
        ("photo", "one.jpg", whole.as_slice()),
        ("photo", "half.jpg", half),
        ("photo", "two.jpg", whole.as_slice()),
    ];
    let page = client.upload(path, &[], &set).await;
    let to = page.location();
    assert_eq!(kept(&house, id).await.len(), 2);
    let page = client.get(to.split('#').next().unwrap()).await;
    for part in ["2 photos are kept", "half.jpg stops before its end"] {
        assert!(page.text().contains(part), "{part}");
    }
}
