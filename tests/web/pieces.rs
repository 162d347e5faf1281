//! Files that come in pieces: the same end as a plain upload, nothing of another's, and no
//! more than there is room for.

use std::io::Cursor;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use image::{DynamicImage, ImageFormat, RgbImage};
use tubewright::library::people::Role;
use tubewright::library::{InstrumentId, photos};
use uuid::Uuid;

use crate::common::{Client, House, Page};

fn picture() -> Vec<u8> {
    let grey = RgbImage::from_fn(64, 48, |x, y| {
        image::Rgb([(x * 3) as u8, (y * 5) as u8, 90])
    });
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::ImageRgb8(grey)
        .write_to(&mut bytes, ImageFormat::Jpeg)
        .unwrap();
    bytes.into_inner()
}

async fn piece(client: &mut Client, id: Uuid, from: usize, of: usize, bytes: &[u8]) -> Page {
    let mark = client.mark();
    marked_piece(client, &mark, id, from, of, bytes).await
}

async fn marked_piece(
    client: &mut Client,
    mark: &str,
    id: Uuid,
    from: usize,
    of: usize,
    bytes: &[u8],
) -> Page {
    let request = Request::post(format!("/pieces/{id}?from={from}&of={of}"))
        .header("content-type", "application/octet-stream")
        .header("x-form-mark", mark)
        .header("sec-fetch-site", "same-origin")
        .body(Body::from(bytes.to_vec()))
        .unwrap();
    client.send(request).await
}

fn here(page: &Page) -> u64 {
    let answer: serde_json::Value = serde_json::from_slice(&page.body).unwrap();
    answer["bytes"].as_u64().unwrap()
}

async fn kept(house: &House, id: InstrumentId) -> usize {
    let mut conn = house.library.read().await.unwrap();
    photos::of(&mut conn, id).await.unwrap().len()
}

#[tokio::test]
async fn a_photo_in_pieces_is_taken_as_one_that_came_whole() {
    let house = House::empty().await;
    let (by, mut ada) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S-1", by).await;
    let photo = picture();
    let (of, half, mark) = (photo.len(), photo.len() / 2, Uuid::new_v4());
    let named = format!("{mark}/{of}/cell.jpg");
    let fields = [("caption", "The cell"), ("pieces:photo", named.as_str())];

    let first = piece(&mut ada, mark, 0, of, &photo[..half]).await;
    assert_eq!((first.status, here(&first)), (StatusCode::OK, half as u64));
    // Half a file is none.
    let page = ada.upload("/instruments/S-1/photos", &fields, &[]).await;
    assert_eq!(page.status, StatusCode::BAD_REQUEST);
    assert!(
        page.words()
            .contains("cell.jpg is not here, or not all of it")
    );
    assert_eq!(kept(&house, id).await, 0);

    // After an answer that was lost, an empty piece asks where to go on.
    let asked = piece(&mut ada, mark, 0, of, b"").await;
    assert_eq!(
        (asked.status, here(&asked)),
        (StatusCode::CONFLICT, half as u64)
    );
    let rest = piece(&mut ada, mark, half, of, &photo[half..]).await;
    assert_eq!((rest.status, here(&rest)), (StatusCode::OK, of as u64));

    // Nobody else's form can name it.
    let (_, mut ben) = house.someone(Role::Coordinator).await;
    let page = ben.upload("/instruments/S-1/photos", &fields, &[]).await;
    assert_eq!(page.status, StatusCode::BAD_REQUEST);
    assert_eq!(kept(&house, id).await, 0);

    // It is taken, and what else the form brings; and one form comes once.
    let page = ada
        .upload(
            "/instruments/S-1/photos",
            &fields,
            &[("photo", "b.jpg", &photo)],
        )
        .await;
    assert!(page.location().ends_with("#photos"));
    assert_eq!(kept(&house, id).await, 2);

    // What is no picture is refused in the words that a plain upload gets.
    let mark = Uuid::new_v4();
    piece(&mut ada, mark, 0, 5, b"plain").await;
    let named = format!("{mark}/5/notes.txt");
    let page = ada
        .upload("/instruments/S-1/photos", &[("pieces:photo", &named)], &[])
        .await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        page.words()
            .contains("notes.txt is not a JPEG or PNG picture")
    );
    assert_eq!(kept(&house, id).await, 2);
}

#[tokio::test]
async fn a_form_that_comes_again_finds_its_files_and_acts_once() {
    let house = House::empty().await;
    let (by, mut ada) = house.someone(Role::Volunteer).await;
    let id = house.instrument("S-1", by).await;
    let photo = picture();
    let mark = Uuid::new_v4();
    piece(&mut ada, mark, 0, photo.len(), &photo).await;
    let named = format!("{mark}/{}/cell.jpg", photo.len());
    for _ in 0..2 {
        let page = ada
            .upload_once(
                "/instruments/S-1/photos",
                "the-one-form",
                &[("pieces:photo", &named)],
            )
            .await;
        assert!(page.location().ends_with("#photos"));
    }
    assert_eq!(kept(&house, id).await, 1);
}

#[tokio::test]
async fn a_piece_needs_the_sessions_mark_and_makes_sense() {
    let house = House::empty().await;
    let (_, mut ada) = house.someone(Role::Volunteer).await;
    let (_, ben) = house.someone(Role::Volunteer).await;
    let id = Uuid::new_v4();
    for mark in ["", &ben.mark()] {
        let page = marked_piece(&mut ada, mark, id, 0, 3, b"abc").await;
        assert_eq!(page.status, StatusCode::FORBIDDEN);
    }
    let folder = house.library.folder().join("pieces");
    assert!(!folder.exists(), "a refusal leaves no trace");
    let (over, more) = (513 * 1024 * 1024, vec![0; 4 * 1024 * 1024 + 1]);
    for (from, of, bytes, status) in [
        (0, 0, &b""[..], StatusCode::BAD_REQUEST),
        (0, over, b"abc", StatusCode::BAD_REQUEST),
        (2, 4, b"abc", StatusCode::BAD_REQUEST),
        (usize::MAX, 4, b"abc", StatusCode::BAD_REQUEST),
        (0, 5_000_000, &more, StatusCode::PAYLOAD_TOO_LARGE),
    ] {
        let page = piece(&mut ada, id, from, of, bytes).await;
        assert_eq!(page.status, status, "{from} of {of}");
    }
    assert!(!folder.exists(), "nor does this");
}

#[tokio::test]
async fn a_form_holds_no_more_in_pieces_than_whole() {
    let house = House::empty().await;
    let (by, mut ada) = house.someone(Role::Volunteer).await;
    house.instrument("S-1", by).await;
    let photo = picture();
    let mark = Uuid::new_v4();
    piece(&mut ada, mark, 0, photo.len(), &photo).await;
    let named = format!("{mark}/{}/cell.jpg", photo.len());
    // The route takes a hundred files, and then ten photos.
    for (files, status) in [
        (101, StatusCode::PAYLOAD_TOO_LARGE),
        (11, StatusCode::UNPROCESSABLE_ENTITY),
    ] {
        let fields = vec![("pieces:photo", named.as_str()); files];
        let page = ada.upload("/instruments/S-1/photos", &fields, &[]).await;
        assert_eq!(page.status, status, "{files}");
    }
}
