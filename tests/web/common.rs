//! A house to test in: a fresh data folder, a router, and people of each role.
#![allow(dead_code)] // each test module uses its own part

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};

use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::{HeaderMap, Method, Request, StatusCode, header};
use chrono::{DateTime, Duration, TimeZone, Utc};
use http_body_util::BodyExt;
use scraper::{Html, Selector};
use tower::ServiceExt;
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::people::{self, NewPerson, Person, Role};
use tubewright::library::{InstrumentId, Library, PersonId, kit, sessions};
use tubewright::web::{self, App};

/// A fresh house.
pub struct House {
    pub app: App,
    pub library: Library,
    router: Router,
    _folder: tempfile::TempDir,
}

impl House {
    /// With nobody in it and nothing on the shelf.
    pub async fn empty() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let library = Library::open(folder.path()).await.unwrap();
        let app = App::new(library.clone(), None);
        let router = web::router(&app);
        Self {
            app,
            library,
            router,
            _folder: folder,
        }
    }

    /// Adds a person who can be signed in as.
    pub async fn person(&self, name: &str, role: Role) -> PersonId {
        let mut write = self.library.write().await.unwrap();
        let new = NewPerson {
            name: name.to_owned(),
            email: format!("{}@club.example", name.to_lowercase().replace(' ', ".")),
            role,
            guest: false,
        }
        .check()
        .unwrap();
        let id = Person::add(&mut write, &new, Utc::now()).await.unwrap();
        write.commit().await.unwrap();
        id
    }

    /// Adds a 203 mm Schmidt-Cassegrain with three kit parts.
    pub async fn instrument(&self, tag: &str, by: PersonId) -> InstrumentId {
        let mut write = self.library.write().await.unwrap();
        let id = Instrument::add(&mut write, &particulars(tag), Utc::now(), by)
            .await
            .unwrap();
        let parts = ["finder", "diagonal", "25 mm eyepiece"].map(str::to_owned);
        kit::set(&mut write, id, &parts, Utc::now()).await.unwrap();
        write.commit().await.unwrap();
        id
    }

    /// Names proxies whose word on addresses counts.
    pub fn trust(&mut self, proxies: &[&str]) {
        let proxies: Vec<_> = proxies.iter().map(|p| p.parse().unwrap()).collect();
        self.app.peers = web::peers::Peers::new(&proxies, None);
        self.reroute();
    }

    /// Builds the routes anew after the app was changed.
    pub fn reroute(&mut self) {
        self.router = web::router(&self.app);
    }

    /// A browser that is not signed in.
    pub fn visitor(&self) -> Client {
        Client {
            router: self.router.clone(),
            cookies: BTreeMap::new(),
            from: None,
        }
    }

    /// The same at a network address of its own.
    pub fn visitor_from(&self, address: &str) -> Client {
        Client {
            from: Some(address.parse().unwrap()),
            ..self.visitor()
        }
    }

    /// Adds a person who signs in with this password.
    pub async fn with_password(&self, name: &str, role: Role, password: &str) -> PersonId {
        let id = self.person(name, role).await;
        let hash = web::passwords::hash_now(password).unwrap();
        let mut write = self.library.write().await.unwrap();
        people::set_password_hash(&mut write, id, &hash)
            .await
            .unwrap();
        write.commit().await.unwrap();
        id
    }

    /// A browser signed in as this person.
    pub async fn signed_in(&self, person: PersonId) -> Client {
        let mut write = self.library.write().await.unwrap();
        let token = sessions::start(&mut write, person, self.app.clock.now())
            .await
            .unwrap();
        write.commit().await.unwrap();
        let mut client = self.visitor();
        client
            .cookies
            .insert("tubewright".to_owned(), token.text().to_owned());
        client
    }

    /// A new person of this role, and a browser signed in as them.
    pub async fn someone(&self, role: Role) -> (PersonId, Client) {
        let id = self
            .person(
                &format!("{} {}", role.label(), uuid::Uuid::new_v4().simple()),
                role,
            )
            .await;
        (id, self.signed_in(id).await)
    }
}

/// An ordinary instrument.
pub fn particulars(tag: &str) -> Particulars {
    Particulars {
        tag: tag.to_owned(),
        name: "203 mm Schmidt-Cassegrain".to_owned(),
        design: Design::SchmidtCassegrain,
        aperture_mm: 203.0,
        focal_mm: 2030.0,
        obstruction: 0.34,
        vane_count: 0,
        weight_kg: Some(5.8),
        cool_down_min: Some(60),
        uses_diagonal: true,
        replacement_value_cents: Some(95_000),
        place: "Hut".to_owned(),
        notes: String::new(),
    }
}

/// Noon UTC some days ago.
pub fn days_ago(days: i64) -> DateTime<Utc> {
    let day = Utc::now().date_naive() - Duration::days(days);
    Utc.from_utc_datetime(&day.and_hms_opt(12, 0, 0).unwrap())
}

/// A browser without scripts.
#[derive(Clone)]
pub struct Client {
    router: Router,
    pub cookies: BTreeMap<String, String>,
    /// The address its connections come from.
    pub from: Option<IpAddr>,
}

/// What came back.
pub struct Page {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub body: Vec<u8>,
}

impl Client {
    /// Sends a request with the cookies, and keeps those that come back.
    pub async fn send(&mut self, mut request: Request<Body>) -> Page {
        let jar: Vec<String> = self
            .cookies
            .iter()
            .map(|(n, v)| format!("{n}={v}"))
            .collect();
        if !jar.is_empty() {
            request
                .headers_mut()
                .insert(header::COOKIE, jar.join("; ").parse().unwrap());
        }
        if let Some(from) = self.from {
            let from = ConnectInfo(SocketAddr::new(from, 40_000));
            request.extensions_mut().insert(from);
        }
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        for cookie in parts.headers.get_all(header::SET_COOKIE) {
            let text = cookie.to_str().unwrap();
            let (name, value) = text.split(';').next().unwrap().split_once('=').unwrap();
            if value.is_empty() || text.contains("Max-Age=0") {
                self.cookies.remove(name);
            } else {
                self.cookies.insert(name.to_owned(), value.to_owned());
            }
        }
        Page {
            status: parts.status,
            headers: parts.headers,
            body: body.collect().await.unwrap().to_bytes().to_vec(),
        }
    }

    pub async fn get(&mut self, path: &str) -> Page {
        self.send(Request::get(path).body(Body::empty()).unwrap())
            .await
    }

    /// The mark that this session's forms carry.
    pub fn mark(&self) -> String {
        self.cookies
            .get("tubewright")
            .map(|t| sessions::Token::given(t).form_mark())
            .unwrap_or_default()
    }

    /// Sends a form as our own page would, with a fresh mark of its own.
    pub async fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Page {
        let once = uuid::Uuid::new_v4().to_string();
        self.post_once(path, &once, fields).await
    }

    /// Sends a form with this mark of its own.
    pub async fn post_once(&mut self, path: &str, once: &str, fields: &[(&str, &str)]) -> Page {
        let mark = self.mark();
        let mut all = vec![("csrf", mark.as_str()), ("once", once)];
        all.extend_from_slice(fields);
        self.post_raw(path, &all, &[("sec-fetch-site", "same-origin")])
            .await
    }

    /// Sends exactly these fields and headers.
    pub async fn post_raw(
        &mut self,
        path: &str,
        fields: &[(&str, &str)],
        headers: &[(&str, &str)],
    ) -> Page {
        let body = serde_html_form::to_string(fields).unwrap();
        let mut request = Request::builder()
            .method(Method::POST)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.send(request.body(Body::from(body)).unwrap()).await
    }

    /// Sends a form with files: (field, file name, bytes).
    pub async fn upload(
        &mut self,
        path: &str,
        fields: &[(&str, &str)],
        files: &[(&str, &str, &[u8])],
    ) -> Page {
        let mark = self.mark();
        self.upload_marked(path, &mark, fields, files).await
    }

    /// Sends a form that takes files, without any, with this mark of its own.
    pub async fn upload_once(&mut self, path: &str, once: &str, fields: &[(&str, &str)]) -> Page {
        let mark = self.mark();
        self.upload_with(path, &mark, once, fields, &[]).await
    }

    /// The same with this mark in place of the session's.
    pub async fn upload_marked(
        &mut self,
        path: &str,
        mark: &str,
        fields: &[(&str, &str)],
        files: &[(&str, &str, &[u8])],
    ) -> Page {
        let once = uuid::Uuid::new_v4().to_string();
        self.upload_with(path, mark, &once, fields, files).await
    }

    async fn upload_with(
        &mut self,
        path: &str,
        mark: &str,
        once: &str,
        fields: &[(&str, &str)],
        files: &[(&str, &str, &[u8])],
    ) -> Page {
        let boundary = "tubewright-test-boundary";
        let mut body: Vec<u8> = Vec::new();
        let mut all = vec![("csrf", mark), ("once", once)];
        all.extend_from_slice(fields);
        for (name, value) in all {
            body.extend(format!("--{boundary}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n").bytes());
        }
        for (field, name, bytes) in files {
            body.extend(format!("--{boundary}\r\nContent-Disposition: form-data; name=\"{field}\"; filename=\"{name}\"\r\nContent-Type: application/octet-stream\r\n\r\n").bytes());
            body.extend_from_slice(bytes);
            body.extend(b"\r\n");
        }
        body.extend(format!("--{boundary}--\r\n").bytes());
        let request = Request::builder()
            .method(Method::POST)
            .uri(path)
            .header(
                header::CONTENT_TYPE,
                format!("multipart/form-data; boundary={boundary}"),
            )
            .header("sec-fetch-site", "same-origin")
            .body(Body::from(body))
            .unwrap();
        self.send(request).await
    }
}

impl Page {
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The words a reader sees, white space folded.
    pub fn words(&self) -> String {
        let html = Html::parse_document(&self.text());
        let all: Vec<&str> = html.root_element().text().collect();
        all.join(" ")
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
    }

    /// The words of each element that a CSS selector finds.
    pub fn select(&self, css: &str) -> Vec<String> {
        let html = Html::parse_document(&self.text());
        html.select(&Selector::parse(css).unwrap())
            .map(|e| {
                e.text()
                    .collect::<Vec<_>>()
                    .join(" ")
                    .split_whitespace()
                    .collect::<Vec<_>>()
                    .join(" ")
            })
            .collect()
    }

    /// An attribute of each element that a CSS selector finds.
    pub fn attributes(&self, css: &str, attribute: &str) -> Vec<String> {
        let html = Html::parse_document(&self.text());
        html.select(&Selector::parse(css).unwrap())
            .filter_map(|e| e.value().attr(attribute).map(ToOwned::to_owned))
            .collect()
    }

    /// Where a redirect leads.
    pub fn location(&self) -> &str {
        assert_eq!(
            self.status,
            StatusCode::SEE_OTHER,
            "not a redirect: {}",
            self.words()
        );
        self.headers[header::LOCATION].to_str().unwrap()
    }
}
