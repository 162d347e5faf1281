//! The loan sheet signed with a finger: by whom, and what becomes of it.

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::library::{kit, own_data, returning};

use crate::common::{House, days_ago};
use crate::context::lend;

const NAME: &str = "M10 100L200 20L400 180M500 40L500 160";
const AGAIN: &str = "M20 20L500 180";

#[tokio::test]
async fn the_borrower_or_the_desk_signs_and_the_name_goes_with_its_owner() {
    let house = House::empty().await;
    let (by, mut desk) = house.someone(Role::Volunteer).await;
    let (me, mut borrower) = house.someone(Role::Member).await;
    let (_, mut other) = house.someone(Role::Member).await;
    let (_, mut coordinator) = house.someone(Role::Coordinator).await;
    let id = house.instrument("S203", by).await;
    let loan = lend(&house, id, me, by, days_ago(1)).await;
    let (sheet, sign) = (
        format!("/loans/{loan}/sheet"),
        format!("/loans/{loan}/sign"),
    );
    let drawn = async |client: &mut crate::common::Client| {
        client.get(&sheet).await.attributes(".signature path", "d")
    };
    let page = desk.get(&sheet).await;
    assert!(page.words().contains("signature and date"));
    assert_eq!(
        page.attributes("form[data-sign]", "action"),
        [sign.as_str()]
    );
    assert!(drawn(&mut desk).await.is_empty());

    // Who has nothing to do with it does not learn that there is such a loan.
    let refused = other.post(&sign, &[("strokes", NAME)]).await;
    assert_eq!(refused.status, StatusCode::NOT_FOUND);
    // A dot is no name, nor is anything that is not strokes.
    for wrong in ["", "M10 10", "M0 0L300 100\"/><b>"] {
        let refused = desk.post(&sign, &[("strokes", wrong)]).await;
        assert_eq!(refused.status, StatusCode::CONFLICT, "{wrong}");
        assert!(refused.words().contains("sign on paper"), "{wrong}");
    }
    assert!(drawn(&mut borrower).await.is_empty());

    desk.post(&sign, &[("strokes", NAME)]).await.location();
    assert_eq!(drawn(&mut borrower).await, [NAME]);
    borrower.post(&sign, &[("strokes", AGAIN)]).await.location();
    assert_eq!(drawn(&mut desk).await, [AGAIN]);
    let data = borrower.get("/me/data").await.words();
    assert!(data.contains(", signed "), "{data}");
    let file = borrower.get("/me/data/file").await;
    assert!(String::from_utf8_lossy(&file.body).contains(AGAIN));

    // What is over is not signed any more.
    let mut write = house.library.write().await.unwrap();
    let kit = kit::of(&mut write, id).await.unwrap();
    let kit: Vec<_> = kit.iter().map(|part| part.id).collect();
    returning::return_loan(&mut write, loan, &kit, days_ago(0), by)
        .await
        .unwrap();
    write.commit().await.unwrap();
    let page = borrower.get(&sheet).await;
    assert!(page.attributes("form[data-sign]", "action").is_empty());
    let refused = borrower.post(&sign, &[("strokes", NAME)]).await;
    assert_eq!(refused.status, StatusCode::CONFLICT);
    assert_eq!(drawn(&mut coordinator).await, [AGAIN]);

    let mut write = house.library.write().await.unwrap();
    own_data::erase(&mut write, me, days_ago(0)).await.unwrap();
    write.commit().await.unwrap();
    assert!(drawn(&mut coordinator).await.is_empty());
}
