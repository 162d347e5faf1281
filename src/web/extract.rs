//! Taking a request apart. axum's own `Form`, `Path` and `Query` are banned
//! (see `.clippy.toml`): these check the session's mark and answer a bad
//! address with our own page.

use std::collections::HashMap;
use std::io::Write as _;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::task::{Context, Poll};

use axum::body::{Body, BodyDataStream, Bytes};
use axum::extract::multipart::MultipartError;
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::header;
use axum::http::request::Parts;
use futures_util::Stream;
use serde::de::DeserializeOwned;

pub use super::form_limits::FormLimits;
pub use super::uploaded::{UPLOAD_BYTES, UploadedFile};
use super::visitor::{UnsentForm, Visitor};
use super::{App, Error, pieces};

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

/// How much the sender says is coming.
fn announced(request: &Request) -> u64 {
    request
        .headers()
        .get(header::CONTENT_LENGTH)
        .and_then(|v| v.to_str().ok())
        .and_then(|v| v.parse().ok())
        .unwrap_or(0)
}

/// A form's fields, once its mark has been checked.
#[derive(Debug)]
pub struct Form<T> {
    /// The fields.
    pub fields: T,
    /// The form's own mark; give it to [`super::page::RequestContext::begin`].
    pub once: String,
}

/// A form that may ask for the password again ([`super::confirm`]).
#[derive(Debug)]
pub struct GraveForm<T> {
    /// The fields.
    pub fields: T,
    /// The form's own mark.
    pub once: String,
    /// The password, where it was asked for again.
    pub confirm_password: String,
    /// All of it as it was sent but for secrets, to be asked about.
    pub sent: UnsentForm,
}

impl<T> FromRequest<App> for Form<T>
where
    T: DeserializeOwned,
{
    type Rejection = Error;

    async fn from_request(request: Request, app: &App) -> Result<Self, Error> {
        let form = GraveForm::from_request(request, app).await?;
        Ok(Self {
            fields: form.fields,
            once: form.once,
        })
    }
}

/// A form that may bring files: as an upload, or without any as a plain form.
#[derive(Debug)]
pub struct FormWithFiles<T> {
    /// The fields.
    pub fields: T,
    /// The form's own mark.
    pub once: String,
    /// The files.
    pub files: Vec<UploadedFile>,
}

impl<T> FromRequest<App> for FormWithFiles<T>
where
    T: DeserializeOwned,
{
    type Rejection = Error;

    async fn from_request(request: Request, app: &App) -> Result<Self, Error> {
        let is_upload = request
            .headers()
            .get(header::CONTENT_TYPE)
            .and_then(|v| v.to_str().ok())
            .is_some_and(|v| v.starts_with("multipart/form-data"));
        if is_upload {
            let upload = Upload::from_request(request, app).await?;
            return Ok(Self {
                fields: upload.fields()?,
                once: upload.once,
                files: upload.files,
            });
        }
        let form = Form::from_request(request, app).await?;
        Ok(Self {
            fields: form.fields,
            once: form.once,
            files: Vec::new(),
        })
    }
}

impl<T> FromRequest<App> for GraveForm<T>
where
    T: DeserializeOwned,
{
    type Rejection = Error;

    async fn from_request(request: Request, _: &App) -> Result<Self, Error> {
        let visitor = visitor_of(&request)?;
        let limits = FormLimits::at(&request);
        let action = request.uri().path().to_owned();
        if announced(&request) > limits.text_bytes as u64 {
            return Err(limits.too_much_text());
        }
        let bytes = axum::body::to_bytes(request.into_body(), limits.text_bytes)
            .await
            .map_err(|_| limits.too_much_text())?;
        if bytes.iter().filter(|b| **b == b'&').count() >= limits.fields {
            return Err(limits.too_much_text());
        }
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
            return Err(Error::StaleForm(UnsentForm::new(action, pairs)));
        }
        let once = find("once");
        let confirm_password = find("confirm_password");
        let fields = serde_html_form::from_bytes(&bytes).map_err(|e| {
            Error::BadRequest(format!("This form is missing something it needs ({e})."))
        })?;
        Ok(Self {
            fields,
            once,
            confirm_password,
            sent: UnsentForm::new(action, pairs),
        })
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

/// The header that carries the session's mark where no form does.
const MARK_HEADER: &str = "x-form-mark";

/// Checks the session's mark of a request that is no form.
///
/// # Errors
/// When it is missing or another session's.
pub fn mark_of_header(request: &Request) -> Result<(), Error> {
    let sent = request.headers().get(MARK_HEADER);
    let sent = sent.and_then(|v| v.to_str().ok()).unwrap_or_default();
    if mark_matches(&*visitor_of(request)?, sent) {
        Ok(())
    } else {
        Err(Error::CrossSite)
    }
}

/// Someone signed in must send their session's mark; for others there is
/// nothing that a foreign page could misuse beyond what the door refuses.
fn mark_matches(visitor: &Visitor, sent: &str) -> bool {
    visitor.person.is_none() || visitor.form_mark == sent
}

/// A form without fields of its own.
#[derive(Debug, serde::Deserialize)]
pub struct Nothing {}

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

/// The most that is read of an upload without getting on: a part's head, or what
/// stands before the first.
const STUCK_BYTES: usize = 256 * 1024;
/// The most that is handed on at a time.
const CHUNK_BYTES: usize = 64 * 1024;

/// A body in small pieces, no faster than it is used: what reads the parts of an
/// upload takes in all that is there before it looks at any of it.
struct Paced {
    body: BodyDataStream,
    rest: Bytes,
    pause: bool,
    unused: Arc<AtomicUsize>,
}

impl Stream for Paced {
    type Item = std::io::Result<Bytes>;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        if std::mem::take(&mut self.pause) {
            cx.waker().wake_by_ref();
            return Poll::Pending;
        }
        if self.rest.is_empty() {
            match Pin::new(&mut self.body).poll_next(cx) {
                Poll::Ready(Some(Ok(bytes))) => self.rest = bytes,
                Poll::Ready(Some(Err(error))) => {
                    return Poll::Ready(Some(Err(std::io::Error::other(error))));
                }
                Poll::Ready(None) => return Poll::Ready(None),
                Poll::Pending => return Poll::Pending,
            }
        }
        let most = self.rest.len().min(CHUNK_BYTES);
        let piece = self.rest.split_to(most);
        if self.unused.fetch_add(most, Ordering::Relaxed) > STUCK_BYTES {
            return Poll::Ready(Some(Err(std::io::Error::other("a part without an end"))));
        }
        self.pause = true;
        Poll::Ready(Some(Ok(piece)))
    }
}

impl FromRequest<App> for Upload {
    type Rejection = Error;

    #[allow(clippy::disallowed_types)] // this is the wrapper
    async fn from_request(request: Request, app: &App) -> Result<Self, Error> {
        let visitor = visitor_of(&request)?;
        let limits = FormLimits::at(&request);
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
        // The heads of the parts and what stands between them count as well.
        let slack = 1024 * (limits.files + limits.fields) as u64;
        if announced(&request) > limits.file_bytes + limits.text_bytes as u64 + slack {
            return Err(limits.too_much());
        }
        let unused = Arc::new(AtomicUsize::new(0));
        let damaged = |error: MultipartError| {
            if error.status() == axum::http::StatusCode::PAYLOAD_TOO_LARGE
                || unused.load(Ordering::Relaxed) > STUCK_BYTES
            {
                limits.too_much()
            } else {
                Error::BadRequest("The upload was cut off on its way. Send it again.".to_owned())
            }
        };
        let request = request.map(|body| {
            Body::from_stream(Paced {
                body: body.into_data_stream(),
                rest: Bytes::new(),
                pause: false,
                unused: unused.clone(),
            })
        });
        let mut parts = axum::extract::Multipart::from_request(request, app)
            .await
            .map_err(|_| {
                Error::BadRequest("The upload could not be read. Send it again.".to_owned())
            })?;
        let mut text: HashMap<String, Vec<String>> = HashMap::new();
        let mut files = Vec::new();
        let (mut text_bytes, mut file_bytes, mut fields, mut all_files) = (0, 0, 0, 0);
        let mut checked = false;
        while let Some(mut part) = parts.next_field().await.map_err(damaged)? {
            unused.store(0, Ordering::Relaxed);
            let field = part.name().unwrap_or_default().to_owned();
            let name = part.file_name().map(ToOwned::to_owned);
            text_bytes += field.len() + name.as_ref().map_or(0, String::len);
            if let Some(name) = name {
                if !checked {
                    return Err(Error::CrossSite);
                }
                all_files += 1;
                if all_files > limits.files || text_bytes > limits.text_bytes {
                    return Err(limits.too_much());
                }
                let mut file = tempfile::NamedTempFile::new_in(app.library.folder())
                    .map_err(|e| Error::of_file(&e))?;
                let mut bytes: u64 = 0;
                while let Some(chunk) = part.chunk().await.map_err(damaged)? {
                    unused.store(0, Ordering::Relaxed);
                    bytes += chunk.len() as u64;
                    file_bytes += chunk.len() as u64;
                    if file_bytes > limits.file_bytes {
                        return Err(limits.too_much());
                    }
                    file.write_all(&chunk).map_err(|e| Error::of_file(&e))?;
                }
                if bytes > 0 {
                    files.push(UploadedFile {
                        field,
                        name,
                        file,
                        bytes,
                    });
                }
            } else {
                fields += 1;
                if fields > limits.fields {
                    return Err(limits.too_much());
                }
                let mut value = Vec::new();
                while let Some(chunk) = part.chunk().await.map_err(damaged)? {
                    unused.store(0, Ordering::Relaxed);
                    text_bytes += chunk.len();
                    if text_bytes > limits.text_bytes {
                        return Err(limits.too_much());
                    }
                    value.extend_from_slice(&chunk);
                }
                let value = String::from_utf8_lossy(&value).into_owned();
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
        let came = |name: &String, _: &mut Vec<String>| name.starts_with(pieces::FIELD);
        for (name, all) in text.extract_if(came).collect::<Vec<_>>() {
            let field = name.trim_start_matches(pieces::FIELD);
            let person = visitor.person.as_ref().ok_or(Error::CrossSite)?.id;
            for said in all {
                let file = pieces::taken(app, person, field, &said)?;
                all_files += 1;
                file_bytes += file.bytes;
                if all_files > limits.files || file_bytes > limits.file_bytes {
                    return Err(limits.too_much());
                }
                files.push(file);
            }
        }
        let once = text
            .get("once")
            .and_then(|v| v.first())
            .cloned()
            .unwrap_or_default();
        Ok(Self { text, files, once })
    }
}
