//! Manuals for those who borrow, receipts for volunteers.

use axum::http::StatusCode;
use tubewright::library::people::Role;

use crate::common::{Client, House, Page};

/// A small PDF of one empty page (ISO 32000-1, annex H.2, shortened).
const PDF: &[u8] = b"%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[3 0 R]/Count 1>>endobj\n3 0 obj<</Type/Page/Parent 2 0 R/MediaBox[0 0 9 9]>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n";

async fn sends(client: &mut Client, more: &[(&str, &str)], name: &str, bytes: &[u8]) -> Page {
    let mut fields = more.to_vec();
    if !fields.iter().any(|(name, _)| *name == "title") {
        fields.push(("title", "Manual"));
    }
    client
        .upload(
            "/instruments/S203/papers",
            &fields,
            &[("paper", name, bytes)],
        )
        .await
}

#[tokio::test]
async fn a_manual_is_read_by_members_and_a_receipt_by_volunteers_alone() {
    let house = House::empty().await;
    let (by, mut desk) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    sends(
        &mut desk,
        &[("for_borrowers", "yes")],
        "../my manual.PDF",
        PDF,
    )
    .await
    .location();
    sends(
        &mut desk,
        &[("title", "Receipt")],
        "q.txt",
        "Spiegel, 120 €".as_bytes(),
    )
    .await
    .location();
    let page = desk.get("/instruments/S203/papers").await;
    let addresses = page.attributes("th a", "href");
    assert_eq!(addresses.len(), 2, "{addresses:?}");
    let (manual, receipt) = (&addresses[0], &addresses[1]);

    let (_, mut member) = house.someone(Role::Member).await;
    let shown = member.get("/instruments/S203").await;
    assert!(
        shown.attributes("a", "href").contains(manual),
        "{}",
        shown.words()
    );
    assert!(!shown.attributes("a", "href").contains(receipt));
    let file = member.get(manual).await;
    assert_eq!(file.status, StatusCode::OK);
    assert_eq!(file.body, PDF);
    let header = |name: &str| file.headers[name].to_str().unwrap().to_owned();
    assert_eq!(header("content-type"), "application/pdf");
    assert_eq!(
        header("content-disposition"),
        "attachment; filename*=UTF-8''my%20manual.pdf"
    );
    assert!(header("content-security-policy").starts_with("sandbox"));
    assert_eq!(member.get(receipt).await.status, StatusCode::NOT_FOUND);
    assert_eq!(desk.get(receipt).await.status, StatusCode::OK);
    let mut stranger = house.visitor();
    assert_ne!(stranger.get(manual).await.status, StatusCode::OK);
    assert!(
        !stranger
            .get("/instruments/S203")
            .await
            .attributes("a", "href")
            .contains(manual)
    );

    // Found by its title, by volunteers; removed, it is gone from all of these.
    assert!(desk.get("/search?q=manual").await.words().contains("S203"));
    desk.post(&format!("{manual}/remove"), &[]).await.location();
    assert_eq!(member.get(manual).await.status, StatusCode::NOT_FOUND);
    assert!(
        !member
            .get("/instruments/S203")
            .await
            .attributes("a", "href")
            .contains(manual)
    );
    assert_eq!(
        desk.get("/instruments/S203/papers")
            .await
            .attributes("th a", "href")
            .len(),
        1
    );
}

#[tokio::test]
async fn a_file_that_is_none_of_these_is_refused_with_the_remedy() {
    let house = House::empty().await;
    let (by, mut desk) = house.someone(Role::Volunteer).await;
    house.instrument("S203", by).await;
    let html = b"<html><script>alert(1)</script></html>";
    for (bytes, why) in [
        (&PDF[..120], "stops before its end"),
        (
            &[0x7f, b'E', b'L', b'F', 0, 1, 2, 3][..],
            "is no PDF, JPEG, PNG or plain text",
        ),
        (&[0xff, 0xd8, 0xff, 0xe0, 0, 1][..], "stops before its end"),
        (&b""[..], "choose a PDF"),
    ] {
        let page = sends(&mut desk, &[], "a.pdf", bytes).await;
        assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY, "{why}");
        assert!(page.words().contains(why), "{why}: {}", page.words());
        assert!(
            page.attributes("input[name=title]", "value")
                .contains(&"Manual".to_owned())
        );
    }
    let untitled = sends(&mut desk, &[("title", "")], "a.pdf", PDF).await;
    assert_eq!(untitled.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(untitled.words().contains("Title"), "{}", untitled.words());
    // A page in disguise is text to save, never a page of ours.
    sends(&mut desk, &[], "a.html", html).await.location();
    let at = desk
        .get("/instruments/S203/papers")
        .await
        .attributes("th a", "href");
    let file = desk.get(&at[0]).await;
    assert_eq!(file.headers["content-type"], "text/plain; charset=utf-8");
    assert!(
        file.headers["content-disposition"]
            .to_str()
            .unwrap()
            .starts_with("attachment")
    );
}
