//! Who may do what: every route tried as every role, by every method, and with
//! identifiers that are guessed or belong to somebody else.

use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use chrono::{Duration, Utc};
use tubewright::library::lending::Lend;
use tubewright::library::people::Role;
use tubewright::library::waits::{self, WantsItFor};
use tubewright::library::{LoanId, PersonId, WaitId, kit};
use tubewright::web;
use tubewright::web::access::Access;

use crate::common::{Client, House, Page};
use crate::roles;

const ROLES: [Option<Role>; 4] = [
    None,
    Some(Role::Member),
    Some(Role::Volunteer),
    Some(Role::Coordinator),
];

/// A club with somebody of each role, an instrument out with the member, and a
/// member who waits for it.
struct Scene {
    house: House,
    people: [PersonId; 3],
    loan: LoanId,
    wait: WaitId,
}

async fn scene() -> Scene {
    let house = House::empty().await;
    let member = house.person("Mara Member", Role::Member).await;
    let volunteer = house.person("Vito Volunteer", Role::Volunteer).await;
    let coordinator = house.person("Cora Coordinator", Role::Coordinator).await;
    let instrument = house.instrument("S203", volunteer).await;
    let now = Utc::now();
    let mut write = house.library.write().await.unwrap();
    let kit = kit::of(&mut write, instrument).await.unwrap();
    let loan = Lend {
        instrument,
        borrower: member,
        at: now,
        by: volunteer,
        due_on: (now + Duration::days(14)).date_naive(),
        limit_stated: String::new(),
        kit: kit.iter().map(|part| part.id).collect(),
        override_reason: None,
        details: Default::default(),
    }
    .write(&mut write)
    .await
    .unwrap();
    let wait = waits::ask(&mut write, instrument, member, WantsItFor::Planets, "", now)
        .await
        .unwrap();
    write.commit().await.unwrap();
    Scene {
        house,
        people: [member, volunteer, coordinator],
        loan,
        wait,
    }
}

impl Scene {
    /// A browser of this role, with a session of its own.
    async fn client(&self, role: Option<Role>) -> Client {
        match role {
            None => self.house.visitor(),
            Some(Role::Member) => self.house.signed_in(self.people[0]).await,
            Some(Role::Volunteer) => self.house.signed_in(self.people[1]).await,
            Some(Role::Coordinator) => self.house.signed_in(self.people[2]).await,
        }
    }

    /// A route's pattern with something in each place; what there is where it
    /// is known, else something of the right form.
    fn address(&self, pattern: &str) -> String {
        let id = if pattern.starts_with("/loans/") || pattern.ends_with("/renew") {
            self.loan.to_string()
        } else if pattern.contains("waiting/") {
            self.wait.to_string()
        } else if pattern.starts_with("/people/") {
            self.people[0].to_string()
        } else {
            uuid::Uuid::now_v7().to_string()
        };
        pattern
            .replace("{tag}", "S203")
            .replace("{kind}", "note")
            .replace("{version}", "1")
            .replace("{*name}", "style.css")
            .split('/')
            .map(|part| {
                if part.starts_with('{') {
                    part.replace(['{', '}'], "")
                } else {
                    part.to_owned()
                }
            })
            .map(|part| match part.as_str() {
                "id" | "entry" | "token" | "name" | "step" | "night" => id.clone(),
                _ => part,
            })
            .collect::<Vec<_>>()
            .join("/")
    }
}

async fn send(client: &mut Client, method: &Method, path: &str) -> Page {
    match *method {
        Method::GET => client.get(path).await,
        Method::POST => client.post(path, &[]).await,
        _ => {
            let request = Request::builder()
                .method(method)
                .uri(path)
                .header("sec-fetch-site", "same-origin")
                .body(Body::empty())
                .unwrap();
            client.send(request).await
        }
    }
}

async fn ask(client: &mut Client, method: &Method, path: &str) -> StatusCode {
    send(client, method, path).await.status
}

#[tokio::test]
async fn every_route_answers_every_role_as_the_table_says() {
    let scene = scene().await;
    let mut cells = 0;
    for route in web::routes() {
        for role in ROLES {
            let mut client = scene.client(role).await;
            let path = scene.address(route.path);
            let status = ask(&mut client, &route.method, &path).await;
            let what = format!("{} {path} as {role:?}: {status}", route.method);
            if route.access.allows(role) {
                let turned_away = [StatusCode::UNAUTHORIZED, StatusCode::FORBIDDEN];
                assert!(!turned_away.contains(&status), "{what}");
                assert!(!status.is_server_error(), "{what}");
            } else {
                roles::check(route.access, role, status, StatusCode::OK, &what);
            }
            cells += 1;
        }
    }
    assert!(cells > 4 * 100, "{cells} cells");
    // Read by tests/trust/table.py.
    println!("counts: roles by routes: {cells} cells -> each answered as the table says");
}

/// The table as it stands in `tests/who-may-what.md`; with the variable
/// `WRITE_WHO_MAY_WHAT` set it is written anew.
#[test]
fn the_table_for_readers_is_that_of_the_program() {
    let mut rows: Vec<(String, String, Access)> = web::routes()
        .iter()
        .map(|r| (r.path.to_owned(), r.method.to_string(), r.access))
        .collect();
    rows.sort();
    let mut table = String::from(
        "# Who may do what\n\nEvery route of the program, and the roles that may use it. Made by\n\
         `WRITE_WHO_MAY_WHAT=1 cargo test --test web who_may_what`, and checked by the same test; each cell\n\
         is tried by `every_route_answers_every_role_as_the_table_says`. A member sees their own loans\n\
         and places on waiting lists only.\n\n\
         | route | method | anyone | member | volunteer | coordinator |\n|-|-|-|-|-|-|\n",
    );
    for (path, method, access) in rows {
        let cells = ROLES.map(|role| if access.allows(role) { "yes" } else { "-" });
        table.push_str(&format!(
            "| `{path}` | {method} | {} |\n",
            cells.join(" | ")
        ));
    }
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/who-may-what.md");
    if std::env::var_os("WRITE_WHO_MAY_WHAT").is_some() {
        std::fs::write(file, &table).unwrap();
    }
    assert_eq!(
        std::fs::read_to_string(file).unwrap_or_default(),
        table,
        "write it anew with WRITE_WHO_MAY_WHAT=1"
    );
}

#[tokio::test]
async fn methods_that_a_route_does_not_have_do_nothing() {
    let scene = scene().await;
    let routes = web::routes();
    for route in &routes {
        let path = scene.address(route.path);
        let mut client = scene.client(Some(Role::Coordinator)).await;
        for method in [Method::PUT, Method::DELETE, Method::PATCH, Method::POST] {
            if routes
                .iter()
                .any(|r| r.path == route.path && r.method == method)
            {
                continue;
            }
            let page = send(&mut client, &method, &path).await;
            assert_eq!(
                page.status,
                StatusCode::METHOD_NOT_ALLOWED,
                "{method} {path}"
            );
            // RFC 9110, 15.5.6: the answer names the methods there are.
            let allowed = page.headers[header::ALLOW].to_str().unwrap();
            assert!(allowed.contains(route.method.as_str()), "{path}: {allowed}");
        }
    }
}

#[tokio::test]
async fn guessed_identifiers_lead_nowhere() {
    let scene = scene().await;
    let mut client = scene.client(Some(Role::Coordinator)).await;
    let mut tried = 0;
    for route in web::routes() {
        if !route.path.contains("{id}") && !route.path.contains("{tag}") {
            continue;
        }
        for guess in [
            uuid::Uuid::now_v7().to_string(),
            uuid::Uuid::nil().to_string(),
            "1".to_owned(),
            "..%2f..%2fetc%2fpasswd".to_owned(),
            "%00".to_owned(),
        ] {
            let path = route
                .path
                .replace("{id}", &guess)
                .replace("{tag}", &guess)
                .replace("{kind}", "note")
                .replace("{version}", "1")
                .replace("{entry}", &guess)
                .replace("{name}", &guess);
            let mut status = ask(&mut client, &route.method, &path).await;
            if status == StatusCode::SEE_OTHER && route.method == Method::GET {
                // To the newest form of the same thing, which is not there either.
                let onward = client.get(&path).await.location().to_owned();
                status = client.get(&onward).await.status;
            }
            // A form may find fault with what was typed before it looks; nothing
            // is done.
            let fine = [
                StatusCode::NOT_FOUND,
                StatusCode::BAD_REQUEST,
                StatusCode::CONFLICT,
                StatusCode::UNPROCESSABLE_ENTITY,
            ];
            assert!(fine.contains(&status), "{} {path}: {status}", route.method);
            tried += 1;
        }
    }
    assert!(tried > 100, "{tried}");
    println!("counts: guessed names and identifiers: {tried} requests -> none led anywhere");
}

#[tokio::test]
async fn a_member_reaches_nothing_of_another_member() {
    let scene = scene().await;
    let (_, mut other) = scene.house.someone(Role::Member).await;
    for path in [
        format!("/loans/{}", scene.loan),
        format!("/loans/{}/sheet", scene.loan),
    ] {
        assert_eq!(
            other.get(&path).await.status,
            StatusCode::NOT_FOUND,
            "{path}"
        );
        let mut own = scene.client(Some(Role::Member)).await;
        assert_eq!(own.get(&path).await.status, StatusCode::OK, "{path}");
    }
    let withdraw = format!("/my-loans/waiting/{}/withdraw", scene.wait);
    let status = other.post(&withdraw, &[]).await.status;
    assert_eq!(status, StatusCode::NOT_FOUND);
    let mut conn = scene.house.library.read().await.unwrap();
    assert_eq!(
        waits::holder(&mut conn, scene.wait).await.unwrap().1,
        scene.people[0],
        "the other's place stands"
    );
    drop(conn);
    // Nor do the pages that everyone sees name who has it or waits for it.
    for client in [&mut other, &mut scene.house.visitor()] {
        for path in [
            "/",
            "/shelf",
            "/shelf.csv",
            "/shelf.json",
            "/instruments/S203",
        ] {
            let text = client.get(path).await.text();
            assert!(
                !text.contains("Mara") && !text.contains("mara.member"),
                "{path}"
            );
        }
    }
}
