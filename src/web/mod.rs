//! Routes, forms, sign-in, pages: one file per screen family, its templates
//! under the same name in `templates/`.
//!
//! A request passes the [`identify::identify`] (who is asking, may it come in), then
//! its route's guard ([`access`]), then one handler, which turns a form into
//! nouns and nouns into one page.

pub mod access;
pub mod address;
pub mod assets;
mod at_work;
mod attempt;
pub mod audit_log;
pub mod barrels;
pub mod bench;
pub mod by_eye_form;
pub mod calendar;
pub mod cautions;
pub mod check_in;
pub mod check_in_answer;
pub mod clock;
pub mod club;
pub mod collimation;
pub mod condition;
pub mod confirm;
mod demo_parts;
mod design_change;
pub mod devices;
pub mod drift_picture;
pub mod due;
pub mod due_ahead;
mod enter;
pub mod error;
mod error_page;
pub mod extract;
pub mod fields;
pub mod first_evening;
mod form_limits;
mod health;
pub mod home;
mod identify;
pub mod instrument;
mod intake;
mod intake_check;
mod job_form;
mod jobs;
pub mod journeys;
pub mod kit_ticks;
pub mod label;
mod lamp;
pub mod lend;
pub mod lend_form;
pub mod lend_together;
pub mod lending;
mod limit_change;
pub mod limits;
pub mod listen;
pub mod lists;
pub mod loan_lengths;
pub mod loan_sheet;
pub mod logbook;
pub mod logbook_words;
pub mod logbook_write;
pub mod me;
pub mod measures;
pub mod measuring;
pub mod missing_kit;
pub mod my_loans;
mod night_plan;
pub mod offline;
pub mod outings;
pub mod own_data;
pub mod page;
mod papers;
pub mod passwords;
pub mod peephole;
pub mod peers;
pub mod people;
mod phone;
mod phone_reading;
pub mod photos;
mod pictures;
mod piece;
pub mod pieces;
pub mod post;
pub mod practice;
mod problem_list;
pub mod problems;
pub mod register;
pub mod register_changes;
pub mod register_form;
mod report_desk;
mod reports;
pub mod reservations;
mod rights;
mod rings;
mod said;
mod screw_strip;
mod search;
mod second_look;
pub mod sets;
pub mod shelf;
pub mod show;
pub mod sign_in;
pub mod sign_in_code;
mod spares;
mod spares_form;
mod spares_used;
pub mod star_test;
pub mod stock;
pub mod tables;
mod take_away;
pub mod things;
pub mod things_back;
pub mod things_form;
pub mod today;
pub mod tries;
pub mod unsent;
mod uploaded;
pub mod visitor;
pub mod waiting;
pub mod watch;
pub mod when;
pub mod work_nights;
mod year;

use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware;
use tower::ServiceBuilder;
use tower_http::compression::CompressionLayer;
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::{RequestBodyTimeoutLayer, TimeoutLayer};
use tower_http::trace::TraceLayer;

pub use error::Error;
pub use listen::serve;

use crate::library::Library;

/// What every handler can reach.
#[derive(Debug, Clone)]
pub struct App {
    /// The club's data.
    pub library: Library,
    /// Which proxies were named, and who may read the counters.
    pub peers: peers::Peers,
    /// Forms kept while their senders sign in.
    pub unsent: unsent::Unsent,
    /// Hashes and checks passwords.
    pub passwords: passwords::Passwords,
    /// Files that come in pieces.
    pub pieces: pieces::Pieces,
    /// Measures frames on a thread of its own.
    pub measuring: measuring::Measuring,
    /// What the tool counts of its own work.
    pub metrics: std::sync::Arc<health::Metrics>,
    /// What is amiss with the machine it runs on.
    pub watch: watch::Watch,
    /// How mail leaves.
    pub post: post::Post,
    /// Tells the time.
    pub clock: clock::Clock,
    /// How far the audit log has been walked since the tool was started.
    pub walked: audit_log::Walked,
    /// What follows from the logbooks, kept while nothing changes.
    pub snapshots: crate::upkeep::Snapshots,
    /// Whether the tool is reached over https, so that cookies are marked secure.
    pub secure: bool,
}

impl App {
    /// An app over an open library. `public_address` is where the club reaches
    /// it; https there makes cookies secure. Must be called on a tokio runtime.
    pub fn new(library: Library, public_address: Option<&str>) -> Self {
        let clock = clock::Clock::default();
        let measuring = measuring::Measuring::start(&library, clock.clone());
        Self {
            library,
            measuring,
            metrics: std::sync::Arc::default(),
            watch: watch::Watch::default(),
            post: post::Post::default(),
            clock,
            walked: audit_log::Walked::default(),
            snapshots: crate::upkeep::Snapshots::of_server(),
            passwords: passwords::Passwords::default(),
            peers: peers::Peers::default(),
            unsent: unsent::Unsent::default(),
            pieces: pieces::Pieces::default(),
            secure: public_address.is_some_and(|a| a.starts_with("https://")),
        }
    }
}

/// Every route there is, with who may use it.
pub fn routes() -> Vec<access::Route> {
    [
        assets::routes(),
        barrels::routes(),
        peephole::routes(),
        bench::routes(),
        calendar::routes(),
        check_in::routes(),
        check_in_answer::routes(),
        club::routes(),
        condition::routes(),
        due::routes(),
        due_ahead::routes(),
        lend::routes(),
        health::routes(),
        first_evening::routes(),
        home::routes(),
        instrument::routes(),
        intake::routes(),
        intake_check::routes(),
        job_form::routes(),
        jobs::routes(),
        label::routes(),
        lamp::routes(),
        lending::routes(),
        limits::routes(),
        limit_change::routes(),
        loan_lengths::routes(),
        loan_sheet::routes(),
        logbook::routes(),
        logbook_write::routes(),
        me::routes(),
        missing_kit::routes(),
        my_loans::routes(),
        offline::routes(),
        outings::routes(),
        own_data::routes(),
        papers::routes(),
        people::routes(),
        photos::routes(),
        piece::routes(),
        post::pages::routes(),
        practice::routes(),
        problem_list::routes(),
        register::routes(),
        report_desk::routes(),
        reports::routes(),
        reservations::routes(),
        screw_strip::routes(),
        search::routes(),
        shelf::routes(),
        sign_in::routes(),
        sign_in_code::routes(),
        take_away::routes(),
        things::routes(),
        things_back::routes(),
        lend_together::routes(),
        second_look::routes(),
        sets::routes(),
        stock::routes(),
        things_form::routes(),
        spares::routes(),
        spares_form::routes(),
        collimation::routes(),
        star_test::routes(),
        attempt::routes(),
        phone::routes(),
        phone_reading::routes(),
        audit_log::routes(),
        unsent::routes(),
        waiting::routes(),
        work_nights::routes(),
        year::routes(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What pages may load, and what they may not ask the browser for.
const CONTENT_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; \
     connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
const PERMISSIONS: &str = "geolocation=(), microphone=(), camera=(), payment=(), usb=()";
/// The same for the one page that films.
const FILMING_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; \
     connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; \
     media-src 'self' blob:";
const FILMING_PERMISSIONS: &str =
    "geolocation=(), microphone=(), camera=(self), display-capture=(self), payment=(), usb=()";
const PERMISSIONS_POLICY: HeaderName = HeaderName::from_static("permissions-policy");

/// The whole service.
pub fn router(app: &App) -> Router {
    let headers: [(HeaderName, &str); 6] = [
        (header::CONTENT_SECURITY_POLICY, CONTENT_POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
        (PERMISSIONS_POLICY, PERMISSIONS),
    ];
    let router = headers.into_iter().fold(
        access::guarded(app, routes())
            .fallback(|| async { Error::NotFound("page") })
            .method_not_allowed_fallback(|| async { Error::WrongMethod })
            .layer(middleware::from_fn_with_state(
                app.clone(),
                identify::identify,
            ))
            .layer(middleware::from_fn_with_state(app.clone(), health::count)),
        |router, (name, value)| {
            router.layer(SetResponseHeaderLayer::if_not_present(
                name,
                HeaderValue::from_static(value),
            ))
        },
    );
    // Only where it is reached by https: a browser then never comes by http again.
    let router = if app.secure {
        router.layer(SetResponseHeaderLayer::if_not_present(
            header::STRICT_TRANSPORT_SECURITY,
            HeaderValue::from_static("max-age=31536000"),
        ))
    } else {
        router
    };
    router
        .layer(
            ServiceBuilder::new()
                .layer(
                    TraceLayer::new_for_http()
                        .make_span_with(listen::span)
                        .on_request(())
                        .on_response(listen::answered)
                        .on_body_chunk(())
                        .on_eos(())
                        .on_failure(()),
                )
                .layer(TimeoutLayer::with_status_code(
                    StatusCode::REQUEST_TIMEOUT,
                    Duration::from_secs(300),
                ))
                .layer(RequestBodyTimeoutLayer::new(listen::PATIENCE))
                .layer(DefaultBodyLimit::max(
                    usize::try_from(extract::UPLOAD_BYTES).unwrap_or(usize::MAX) + 1024 * 1024,
                ))
                .layer(CompressionLayer::new()),
        )
        .with_state(app.clone())
}
