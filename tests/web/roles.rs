//! Each role tried on a route.

use axum::http::StatusCode;
use tubewright::library::people::Role;
use tubewright::web::access::Access;

use crate::common::{Client, House};

/// A visitor and one person of each role, with their browsers.
pub async fn everyone(house: &House) -> Vec<(Option<Role>, Client)> {
    let mut all = vec![(None, house.visitor())];
    for role in [Role::Member, Role::Volunteer, Role::Coordinator] {
        all.push((Some(role), house.someone(role).await.1));
    }
    all
}

/// Checks that a route answers each role as its access says: with `ok` for
/// those who may, else with 401 or 403.
pub fn check(access: Access, role: Option<Role>, status: StatusCode, ok: StatusCode, what: &str) {
    let expected = if access.allows(role) {
        ok
    } else if role.is_some() {
        StatusCode::FORBIDDEN
    } else {
        StatusCode::UNAUTHORIZED
    };
    assert_eq!(status, expected, "{what} as {role:?}");
}
