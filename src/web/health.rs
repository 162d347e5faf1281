//! Whether the tool lives, whether it can work, and what it has done: for
//! whoever watches the machine. Nothing here tells of a person or an instrument.

use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::page::RequestContext;
use super::{App, Error};
use crate::library::attempts;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/health/live", live),
        Route::get(Access::Anyone, "/health/ready", ready),
        Route::get(Access::Anyone, "/metrics", metrics),
    ]
}

async fn live() -> &'static str {
    "alive\n"
}

/// Ready: the database's one writer is to be had, and its pages were found sound when
/// they were read last. What else is amiss with the machine stands in the lines below.
async fn ready(context: RequestContext) -> Result<Response, Error> {
    let write = context.app.library.write().await?;
    write.rollback().await?;
    let amiss = context.app.watch.amiss();
    let (status, mut text) = if amiss.iter().any(|one| one.stops) {
        (StatusCode::SERVICE_UNAVAILABLE, "not ready\n".to_owned())
    } else {
        (StatusCode::OK, "ready\n".to_owned())
    };
    for one in amiss {
        // Writing to a string does not fail.
        let _ = writeln!(text, "{}", one.what);
    }
    Ok((status, [(header::CACHE_CONTROL, "no-store")], text).into_response())
}

/// Upper ends of the buckets in which times of answers are counted, seconds.
const BUCKETS_S: [f64; 8] = [0.005, 0.02, 0.05, 0.1, 0.3, 1.0, 3.0, 10.0];

/// Counters since the tool was started.
#[derive(Debug)]
pub struct Metrics {
    started: Instant,
    /// Answers by the first digit of their status: 1 to 5.
    answers: [AtomicU64; 5],
    /// Answers by how long they took; the last beyond all buckets.
    within: [AtomicU64; BUCKETS_S.len() + 1],
    micros: AtomicU64,
    under_way: AtomicU64,
}

impl Default for Metrics {
    fn default() -> Self {
        Self {
            started: Instant::now(),
            answers: Default::default(),
            within: Default::default(),
            micros: AtomicU64::new(0),
            under_way: AtomicU64::new(0),
        }
    }
}

/// Counts one request, around all of its handling.
pub async fn count(State(app): State<App>, request: Request, next: Next) -> Response {
    let metrics = app.metrics;
    let begun = Instant::now();
    metrics.under_way.fetch_add(1, Ordering::Relaxed);
    let response = next.run(request).await;
    metrics.under_way.fetch_sub(1, Ordering::Relaxed);
    let took = begun.elapsed();
    let class = usize::from(response.status().as_u16() / 100).clamp(1, 5) - 1;
    metrics.answers[class].fetch_add(1, Ordering::Relaxed);
    let bucket = BUCKETS_S.partition_point(|end| *end < took.as_secs_f64());
    metrics.within[bucket].fetch_add(1, Ordering::Relaxed);
    let micros = u64::try_from(took.as_micros()).unwrap_or(u64::MAX);
    metrics.micros.fetch_add(micros, Ordering::Relaxed);
    response
}

/// The counters as Prometheus reads them (text format 0.0.4), for this machine
/// itself, past no proxy, or for who has the token.
async fn metrics(context: RequestContext, headers: HeaderMap) -> Result<Response, Error> {
    if !context.visitor.local && !context.app.peers.opens_metrics(&headers) {
        return Err(Error::NotFound("page"));
    }
    let in_hand = attempts::in_hand(&mut *context.read().await?).await?;
    let m = &context.app.metrics;
    let mut text = String::new();
    let mut family = |name: &str, kind: &str, help: &str, samples: &[(String, f64)]| {
        // Writing to a string does not fail.
        let _ = writeln!(text, "# HELP {name} {help}\n# TYPE {name} {kind}");
        for (suffix, value) in samples {
            let _ = writeln!(text, "{name}{suffix} {value}");
        }
    };
    let read = |counter: &AtomicU64| counter.load(Ordering::Relaxed) as f64;
    let answers: Vec<_> = (1..)
        .zip(&m.answers)
        .map(|(class, n)| (format!("{{status=\"{class}xx\"}}"), read(n)))
        .collect();
    family(
        "tubewright_answers_total",
        "counter",
        "Answers by class of status.",
        &answers,
    );
    let mut sum = 0.0;
    let mut times = Vec::new();
    for (end, n) in BUCKETS_S.iter().zip(&m.within) {
        sum += read(n);
        times.push((format!("_bucket{{le=\"{end}\"}}"), sum));
    }
    sum += m.within.last().map_or(0.0, read);
    times.push(("_bucket{le=\"+Inf\"}".to_owned(), sum));
    times.push(("_sum".to_owned(), read(&m.micros) / 1e6));
    times.push(("_count".to_owned(), sum));
    family(
        "tubewright_answer_seconds",
        "histogram",
        "How long answers took.",
        &times,
    );
    let plain = |value: f64| [(String::new(), value)];
    family(
        "tubewright_requests_under_way",
        "gauge",
        "Requests being handled.",
        &plain(read(&m.under_way)),
    );
    family(
        "tubewright_measuring_waiting",
        "gauge",
        "Sets of frames waiting to be measured or being measured.",
        &plain(in_hand.len() as f64),
    );
    family(
        "tubewright_uptime_seconds",
        "gauge",
        "Seconds since the tool was started.",
        &plain(m.started.elapsed().as_secs_f64()),
    );
    Ok((
        StatusCode::OK,
        [
            (header::CONTENT_TYPE, "text/plain; version=0.0.4"),
            (header::CACHE_CONTROL, "no-store"),
        ],
        text,
    )
        .into_response())
}
