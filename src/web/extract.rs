//! Taking a request apart. axum's own `Form`, `Path` and `Query` are banned
//! (see `.clippy.toml`): these check the session's mark and answer a bad
//! address with our own page.

use std::collections::HashMap;
use std::io::Write as _;
use std::sync::Arc;

use axum::extract::multipart::MultipartError;
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::header;
use axum::http::request::Parts;
use serde::de::DeserializeOwned;

use super::visitor::{UnsentForm, Visitor};
use super::{App, Error};

/// Parts of the path.
#[derive(Debug)]
pub struct Path<T>(pub T);

impl<T> FromRequestParts<App> for Path<T>
where
    T: DeserializeOwned + Send,
{
    type Rejection = Error;

    #[allow(clippy::disallowed_types)] // this is the wrapper
    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Error> {
        axum::extract::Path::<T>::from_request_parts(parts, app)
            .await
            .map(|p| Self(p.0))
            .map_err(|_| Error::NotFound("page"))
    }
}

/// What stands after the question mark. Repeated names make a list.
#[derive(Debug)]
pub struct Query<T>(pub T);

impl<T> FromRequestParts<App> for Query<T>
where
    T: DeserializeOwned,
{
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Error> {
        serde_html_form::from_str(parts.uri.query().unwrap_or_default())
            .map(Self)
            .map_err(|e| {
                Error::BadRequest(format!("The address has a part that makes no sense ({e})."))
            })
    }
}

/// A form's fields, once its mark has been checked.
#[derive(Debug)]
pub struct Form<T> {
    /// The fields.
    pub fields: T,
    /// The form's own mark; give it to [`super::page::RequestContext::begin`].
    pub once: String,
}

/// The largest form without files.
const FORM_BYTES: usize = 512 * 1024;

impl<T> FromRequest<App> for Form<T>
where
    T: DeserializeOwned,
{
    type Rejection = Error;

    async fn from_request(request: Request, _: &App) -> Result<Self, Error> {
        let visitor = visitor_of(&request)?;
        let action = request.uri().path().to_owned();
        let bytes = axum::body::to_bytes(request.into_body(), FORM_BYTES)
            .await
            .map_err(|_| Error::TooLarge("This form holds more text than it can take. Shorten the longest field and send it again.".to_owned()))?;
        let pairs: Vec<(String, String)> = serde_html_form::from_bytes(&bytes).map_err(|_| {
            Error::BadRequest("This form arrived damaged. Go back and send it again.".to_owned())
        })?;
        let find = |name: &str| {
            pairs
                .iter()
                .find(|(n, _)| n == name)
                .map(|(_, v)| v.clone())
                .unwrap_or_default()
        };
        if !mark_matches(&visitor, &find("csrf")) {
            return Err(match UnsentForm::from_body(action, &bytes) {
                Some(form) => Error::StaleForm(form),
                None => Error::CrossSite,
            });
        }
        let once = find("once");
        let fields = serde_html_form::from_bytes(&bytes).map_err(|e| {
            Error::BadRequest(format!("This form is missing something it needs ({e})."))
        })?;
        Ok(Self { fields, once })
    }
}

fn visitor_of(request: &Request) -> Result<Arc<Visitor>, Error> {
    request
        .extensions()
        .get::<Arc<Visitor>>()
        .cloned()
        .ok_or(Error::Broken(
            "a request came past the middleware".to_owned(),
        ))
}

/// Someone signed in must send their session's mark; for others there is
/// nothing that a foreign page could misuse beyond what the door refuses.
fn mark_matches(visitor: &Visitor, sent: &str) -> bool {
    visitor.person.is_none() || visitor.form_mark == sent
}

/// One file of an upload, on disk until dropped.
#[derive(Debug)]
pub struct UploadedFile {
    /// The form's field.
    pub field: String,
    /// The name it had on the sender's machine; for words only, never a path.
    pub name: String,
    /// Its bytes.
    pub file: tempfile::NamedTempFile,
    /// How many.
    pub bytes: u64,
}

/// A form with files, once its mark has been checked.
#[derive(Debug)]
pub struct Upload {
    /// Text fields, in order of sending.
    pub text: HashMap<String, Vec<String>>,
    /// Files with at least one byte, in order of sending.
    pub files: Vec<UploadedFile>,
    /// The form's own mark.
    pub once: String,
}

/// The most one upload may hold, all files together.
pub const UPLOAD_BYTES: u64 = 512 * 1024 * 1024;
/// The most files one upload may hold.
pub const UPLOAD_FILES: usize = 500;

impl Upload {
    /// The first value of a text field, or "".
    pub fn value(&self, name: &str) -> &str {
        self.text
            .get(name)
            .and_then(|values| values.first())
            .map_or("", String::as_str)
    }

    /// The text fields as a form struct.
    pub fn fields<T: DeserializeOwned>(&self) -> Result<T, Error> {
        let pairs: Vec<(&str, &str)> = self
            .text
            .iter()
            .flat_map(|(name, values)| values.iter().map(move |v| (name.as_str(), v.as_str())))
            .collect();
        let encoded = serde_html_form::to_string(&pairs)
            .map_err(|e| Error::BadRequest(format!("This form arrived damaged ({e}).")))?;
        serde_html_form::from_str(&encoded).map_err(|e| {
            Error::BadRequest(format!("This form is missing something it needs ({e})."))
        })
    }
}

fn damaged(error: &MultipartError) -> Error {
    if error.status() == axum::http::StatusCode::PAYLOAD_TOO_LARGE {
        too_much()
    } else {
        Error::BadRequest("The upload was cut off on its way. Send it again.".to_owned())
    }
}

fn too_much() -> Error {
    Error::TooLarge(format!(
        "An upload may hold {UPLOAD_FILES} files and {} MB in all. Send fewer at a time.",
        UPLOAD_BYTES / 1024 / 1024
    ))
}

impl FromRequest<App> for Upload {
    type Rejection = Error;

    #[allow(clippy::disallowed_types)] // this is the wrapper
    async fn from_request(request: Request, app: &App) -> Result<Self, Error> {
        let visitor = visitor_of(&request)?;
        let is_multipart = request
            .headers()
            .get(header::CONTENT_TYPE)
            .and_then(|v| v.to_str().ok())
            .is_some_and(|v| v.starts_with("multipart/form-data"));
        if !is_multipart {
            return Err(Error::BadRequest(
                "This form must be sent with its files.".to_owned(),
            ));
        }
        let mut parts = axum::extract::Multipart::from_request(request, app)
            .await
            .map_err(|_| {
                Error::BadRequest("The upload could not be read. Send it again.".to_owned())
            })?;
        let mut text: HashMap<String, Vec<String>> = HashMap::new();
        let mut files = Vec::new();
        let mut total: u64 = 0;
        let mut checked = false;
        while let Some(mut part) = parts.next_field().await.map_err(|e| damaged(&e))? {
            let field = part.name().unwrap_or_default().to_owned();
            if let Some(name) = part.file_name().map(ToOwned::to_owned) {
                if !checked {
                    return Err(Error::CrossSite);
                }
                let mut file = tempfile::NamedTempFile::new_in(app.library.folder())
                    .map_err(|e| Error::of_file(&e))?;
                let mut bytes: u64 = 0;
                while let Some(chunk) = part.chunk().await.map_err(|e| damaged(&e))? {
                    bytes += chunk.len() as u64;
                    total += chunk.len() as u64;
                    if total > UPLOAD_BYTES {
                        return Err(too_much());
                    }
                    file.write_all(&chunk).map_err(|e| Error::of_file(&e))?;
                }
                if bytes > 0 {
                    if files.len() >= UPLOAD_FILES {
                        return Err(too_much());
                    }
                    files.push(UploadedFile {
                        field,
                        name,
                        file,
                        bytes,
                    });
                }
            } else {
                let value = part.text().await.map_err(|e| damaged(&e))?;
                total += value.len() as u64;
                if value.len() > FORM_BYTES || total > UPLOAD_BYTES {
                    return Err(too_much());
                }
                if field == "csrf" {
                    if !mark_matches(&visitor, &value) {
                        return Err(Error::CrossSite);
                    }
                    checked = true;
                }
                text.entry(field).or_default().push(value);
            }
        }
        if !checked && visitor.person.is_some() {
            return Err(Error::CrossSite);
        }
        let once = text
            .get("once")
            .and_then(|v| v.first())
            .cloned()
            .unwrap_or_default();
        Ok(Self { text, files, once })
    }
}
