//! Without a network: what makes the tool a thing that a phone installs, and keeps its
//! pages and entries there (`static/service-worker.js`, `static/offline.js`).

use std::sync::LazyLock;

use axum::http::header;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use super::Error;
use super::access::{Access, Route};
use super::assets;
use super::page::RequestContext;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        // From the root, so that every page is within its reach.
        Route::get(Access::Anyone, "/service-worker.js", worker),
        Route::get(Access::Anyone, "/manifest.webmanifest", manifest),
    ]
}

/// The worker with the addresses of all files; it changes when any of them does.
static WORKER: LazyLock<String> = LazyLock::new(|| {
    let files = serde_json::json!(assets::kept_without_network());
    let digest = Sha256::digest(files.to_string());
    let version: String = digest.iter().take(6).map(|b| format!("{b:02x}")).collect();
    format!(
        "const VERSION = \"{version}\";\nconst FILES = {files};\n{}",
        assets::text("service-worker.js")
    )
});

async fn worker() -> Response {
    (
        [
            (header::CONTENT_TYPE, "text/javascript; charset=utf-8"),
            (header::CACHE_CONTROL, "no-cache"),
        ],
        WORKER.as_str(),
    )
        .into_response()
}

async fn manifest(context: RequestContext) -> Result<Response, Error> {
    let icon = |name: &str, sizes: &str, kind: &str, purpose: &str| {
        serde_json::json!({
            "src": assets::address(name), "sizes": sizes, "type": kind, "purpose": purpose,
        })
    };
    let manifest = serde_json::json!({
        "name": format!("{}: telescopes", context.club().name),
        "short_name": "Telescopes",
        "id": "/",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#000000",
        "theme_color": "#0e151a",
        "icons": [
            icon("favicon.svg", "any", "image/svg+xml", "any"),
            icon("icon-192.png", "192x192", "image/png", "any"),
            icon("icon-512.png", "512x512", "image/png", "any"),
            icon("icon-512.png", "512x512", "image/png", "maskable"),
        ],
    });
    Ok((
        [
            (header::CONTENT_TYPE, "application/manifest+json"),
            (header::CACHE_CONTROL, "no-cache"),
        ],
        manifest.to_string(),
    )
        .into_response())
}
