//! Styles, scripts and pictures, carried inside the binary.

use std::sync::LazyLock;

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use rust_embed::RustEmbed;
use sha2::{Digest, Sha256};

use super::Error;
use super::access::{Access, Route};
use super::extract::{Path, Query};

#[derive(RustEmbed)]
#[folder = "static/"]
struct Static;

/// A mark over all the files: it changes when any of them does.
static MARK: LazyLock<String> = LazyLock::new(|| {
    let mut hasher = Sha256::new();
    let mut names: Vec<_> = Static::iter().collect();
    names.sort();
    for name in names {
        if let Some(file) = Static::get(&name) {
            hasher.update(name.as_bytes());
            hasher.update(&file.data);
        }
    }
    hasher
        .finalize()
        .iter()
        .take(6)
        .map(|b| format!("{b:02x}"))
        .collect()
});

/// The address of a file.
pub fn address(name: &str) -> String {
    format!("/static/{name}?v={}", *MARK)
}

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Anyone, "/static/{*name}", file)]
}

#[derive(serde::Deserialize)]
struct Version {
    v: Option<String>,
}

async fn file(Path(name): Path<String>, Query(version): Query<Version>) -> Result<Response, Error> {
    let file = Static::get(&name).ok_or(Error::NotFound("file"))?;
    let media_type = mime_guess::from_path(&name).first_or_octet_stream();
    let keep = if version.v.as_deref() == Some(MARK.as_str()) {
        "public, max-age=31536000, immutable"
    } else {
        "no-cache"
    };
    Ok((
        StatusCode::OK,
        [
            (header::CONTENT_TYPE, media_type.to_string()),
            (header::CACHE_CONTROL, keep.to_owned()),
        ],
        file.data,
    )
        .into_response())
}
