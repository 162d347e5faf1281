//! Styles, scripts and pictures, carried inside the binary.

use std::collections::HashMap;
use std::sync::LazyLock;

use axum::body::Bytes;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use rust_embed::RustEmbed;
use sha2::{Digest, Sha256};

use super::Error;
use super::access::{Access, Route};
use super::extract::{Path, Query};

#[derive(RustEmbed)]
#[folder = "static/"]
struct Static;

/// One file with the mark of what is in it, which changes when that does.
struct Kept {
    data: Bytes,
    mark: String,
}

/// All the files. A style names its fonts by address, so their marks are written into
/// it before its own is reckoned.
static KEPT: LazyLock<HashMap<String, Kept>> = LazyLock::new(|| {
    let mut kept: HashMap<String, Kept> = HashMap::new();
    let mut names: Vec<_> = Static::iter().collect();
    names.sort_by_key(|name| (name.ends_with(".css"), name.clone()));
    for name in names {
        let Some(file) = Static::get(&name) else {
            continue;
        };
        let data = match std::str::from_utf8(&file.data) {
            Ok(text) if name.ends_with(".css") => {
                let mut text = text.to_owned();
                for (font, of) in kept.iter().filter(|(n, _)| n.starts_with("fonts/")) {
                    text = text.replace(
                        &format!("url(\"{font}\")"),
                        &format!("url(\"{font}?v={}\")", of.mark),
                    );
                }
                Bytes::from(text)
            }
            _ => Bytes::from(file.data.into_owned()),
        };
        let digest = Sha256::digest(&data);
        let mark = digest.iter().take(6).map(|b| format!("{b:02x}")).collect();
        kept.insert(name.into_owned(), Kept { data, mark });
    }
    kept
});

/// The address of a file.
pub fn address(name: &str) -> String {
    match KEPT.get(name) {
        Some(kept) => format!("/static/{name}?v={}", kept.mark),
        None => format!("/static/{name}"),
    }
}

/// The addresses of what pages need without a network: styles, scripts, fonts, icons.
pub fn kept_without_network() -> Vec<String> {
    let mut names: Vec<&String> = KEPT
        .keys()
        .filter(|name| {
            let kind = name.rsplit('.').next().unwrap_or_default();
            matches!(kind, "css" | "js" | "woff2" | "svg") && *name != "service-worker.js"
        })
        .collect();
    names.sort();
    names.into_iter().map(|name| address(name)).collect()
}

/// The text of a file, "" where there is none.
pub fn text(name: &str) -> String {
    KEPT.get(name)
        .map(|kept| String::from_utf8_lossy(&kept.data).into_owned())
        .unwrap_or_default()
}

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(Access::Anyone, "/static/{*name}", file)]
}

#[derive(serde::Deserialize)]
struct Version {
    v: Option<String>,
}

async fn file(
    Path(name): Path<String>,
    Query(version): Query<Version>,
    headers: HeaderMap,
) -> Result<Response, Error> {
    let file = KEPT.get(&name).ok_or(Error::NotFound("file"))?;
    let media_type = mime_guess::from_path(&name).first_or_octet_stream();
    let keep = if version.v.as_deref() == Some(file.mark.as_str()) {
        "public, max-age=31536000, immutable"
    } else {
        "no-cache"
    };
    let mark = format!("\"{}\"", file.mark);
    let kept = [
        (header::CONTENT_TYPE, media_type.to_string()),
        (header::CACHE_CONTROL, keep.to_owned()),
        (header::ETAG, mark.clone()),
    ];
    let known = headers
        .get(header::IF_NONE_MATCH)
        .is_some_and(|v| v.as_bytes() == mark.as_bytes());
    if known {
        return Ok((StatusCode::NOT_MODIFIED, kept).into_response());
    }
    Ok((StatusCode::OK, kept, file.data.clone()).into_response())
}
