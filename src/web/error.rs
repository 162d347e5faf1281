//! What a visitor is told when a request cannot be done.
//!
//! A handler returns [`Error`]; it travels to the middleware as an [`ErrorPage`] and
//! is drawn there with the visitor's own layout. Causes inside the house are
//! logged once, here, and never shown.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::rights::Access;
use super::visitor::UnsentForm;
use crate::library;

/// Why a request was not done.
#[derive(Debug)]
pub enum Error {
    /// 404: nothing of that name.
    NotFound(&'static str),
    /// 405: the address is there, but not for this method.
    WrongMethod,
    /// 401: sign in first; what was typed is kept.
    SignInFirst(Option<UnsentForm>),
    /// 422: the password is asked for again, and was wrong if the second is true;
    /// what was typed is kept.
    ConfirmFirst(UnsentForm, bool),
    /// 403: the visitor's role may not.
    NotAllowed(Access),
    /// 403: the club asks coordinators for a second factor, and theirs is off.
    SecondFactorFirst,
    /// 403: the request came from another site's page.
    CrossSite,
    /// 409: a form of an earlier session; what was typed is kept.
    StaleForm(UnsentForm),
    /// 409: the rules of the house forbid it, in words.
    Refused(String),
    /// The same, with the page that shows how it stands and the words of the
    /// link there.
    RefusedAt(String, (String, &'static str)),
    /// 400: the request makes no sense, in words.
    BadRequest(String),
    /// 413: too large, in words.
    TooLarge(String),
    /// 429: too many tries; wait this many seconds.
    SlowDown(i64),
    /// 507: there is no room on the disk.
    DiskFull,
    /// 503: the data cannot be written at present, in words.
    Unwritable(&'static str),
    /// 500: something broke; the text is for the log only.
    Broken(String),
}

impl Error {
    /// A refusal leads on to a page; everything else stays what it is.
    pub fn leading_to(self, address: String, words: &'static str) -> Self {
        match self {
            Self::Refused(why) => Self::RefusedAt(why, (address, words)),
            other => other,
        }
    }

    /// Too many tries: so long a wait.
    pub fn slow_down(wait: chrono::Duration) -> Self {
        Self::SlowDown((wait + chrono::Duration::milliseconds(999)).num_seconds())
    }

    /// A file of ours that could not be written.
    pub fn of_file(error: &std::io::Error) -> Self {
        use std::io::ErrorKind;
        match error.kind() {
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => {
                Self::DiskFull
            }
            ErrorKind::ReadOnlyFilesystem | ErrorKind::PermissionDenied => {
                Self::Unwritable(READ_ONLY)
            }
            _ => Self::Broken(format!("a file: {error}")),
        }
    }
}

const READ_ONLY: &str = "Nothing was saved: the folder with the club's data cannot be written at present. Whoever looks after the machine finds with `tubewright doctor` what to mend. Keep this page open and send it again then.";
const DISK: &str = "The disk with the club's data did not do as it was asked, and nothing was saved. Whoever looks after the machine finds with `tubewright doctor` what to mend. Keep this page open and send it again in a little while.";
const CROWDED: &str = "More is being asked at once than this machine can answer just now. Nothing was saved; wait a little and send it again.";
const BUSY: &str = "Nothing was saved: something else has held the club's data for more than ten seconds, a backup by another program, say. Send it again.";

impl From<library::Error> for Error {
    fn from(error: library::Error) -> Self {
        match error {
            library::Error::NotFound(what) => Self::NotFound(what),
            library::Error::Refused(why) => Self::Refused(why),
            library::Error::SyncFailed(said) => {
                tracing::error!(%said, "the disk failed to keep what was written");
                Self::Unwritable(DISK)
            }
            library::Error::Database(sqlx::Error::PoolTimedOut) => {
                tracing::warn!("no connection to the database was free");
                Self::Unwritable(CROWDED)
            }
            library::Error::Database(said @ sqlx::Error::Database(_)) => {
                let code = library::result_code(&said);
                match (code & 0xff, code) {
                    (13, _) | (_, 778) => {
                        tracing::error!(code, "the disk is full");
                        Self::DiskFull
                    }
                    (8, _) => {
                        tracing::error!(code, "the database cannot be written");
                        Self::Unwritable(READ_ONLY)
                    }
                    // SQLITE_IOERR, _CORRUPT, _CANTOPEN, _NOTADB.
                    (10 | 11 | 14 | 26, _) => {
                        tracing::error!(code, %said, "the disk or the database fails");
                        Self::Unwritable(DISK)
                    }
                    (5, _) => {
                        tracing::warn!(code, "the database was held too long");
                        Self::Unwritable(BUSY)
                    }
                    _ => Self::Broken(said.to_string()),
                }
            }
            other => Self::Broken(other.to_string()),
        }
    }
}

impl From<askama::Error> for Error {
    fn from(error: askama::Error) -> Self {
        Self::Broken(format!("a template: {error}"))
    }
}

/// An error on its way to the door.
#[derive(Debug, Clone)]
pub struct ErrorPage {
    pub(super) status: StatusCode,
    pub(super) title: &'static str,
    pub(super) words: String,
    pub(super) sign_in: bool,
    /// The password is asked for again; true where it was wrong.
    pub(super) confirm: Option<bool>,
    pub(super) unsent: Option<UnsentForm>,
    pub(super) lead: Option<(String, &'static str)>,
}

impl IntoResponse for Error {
    fn into_response(self) -> Response {
        let mut unsent = None;
        let mut lead = None;
        let mut sign_in = false;
        let mut confirm = None;
        let retry_after = match &self {
            Self::SlowDown(seconds) => Some((*seconds).max(1)),
            _ => None,
        };
        let (status, title, words) = match self {
            Self::NotFound(what) => (
                StatusCode::NOT_FOUND,
                "Not found",
                format!("There is no such {what} here. It may have been mistyped, or the label is an old one."),
            ),
            Self::WrongMethod => (
                StatusCode::METHOD_NOT_ALLOWED,
                "Not in this way",
                "This address is there, but it does not take what was sent to it. Go back and use the form or the link.".to_owned(),
            ),
            Self::SignInFirst(form) => {
                sign_in = true;
                let words = if form.is_some() {
                    "Nothing was saved: you are not signed in, or no longer. Sign in, and you can look over what you typed and send it."
                } else {
                    "Sign in to go on."
                };
                unsent = form;
                (StatusCode::UNAUTHORIZED, "Sign in first", words.to_owned())
            }
            Self::ConfirmFirst(form, wrong) => {
                unsent = Some(form);
                confirm = Some(wrong);
                (
                    StatusCode::UNPROCESSABLE_ENTITY,
                    "Type your password again",
                    "This changes who can get in, so it asks for your password where you have not typed it within the last ten minutes. Nothing has been saved yet.".to_owned(),
                )
            }
            Self::NotAllowed(access) => (
                StatusCode::FORBIDDEN,
                "Not for your role",
                format!("This is for {}. If you need it, ask a coordinator.", access.words()),
            ),
            Self::SecondFactorFirst => {
                lead = Some(("/me#second-factor".to_owned(), "Set up the second factor"));
                (
                    StatusCode::FORBIDDEN,
                    "Second factor first",
                    "The club lets coordinators do this only with a second factor, and yours is off. Until it is on you can do what volunteers do.".to_owned(),
                )
            }
            Self::CrossSite => (
                StatusCode::FORBIDDEN,
                "Sent from elsewhere",
                "This form was sent from a page that is not ours, so nothing was done. Open the page here and send it again.".to_owned(),
            ),
            Self::StaleForm(form) => {
                unsent = Some(form);
                (
                    StatusCode::CONFLICT,
                    "Your session has changed",
                    "You have signed in anew since this page was opened, so nothing was done yet. Look over what you typed and send it again.".to_owned(),
                )
            }
            Self::Refused(why) => (StatusCode::CONFLICT, "That cannot be done", why),
            Self::RefusedAt(why, to) => {
                lead = Some(to);
                (StatusCode::CONFLICT, "That cannot be done", why)
            }
            Self::BadRequest(why) => (StatusCode::BAD_REQUEST, "That was not understood", why),
            Self::TooLarge(why) => (StatusCode::PAYLOAD_TOO_LARGE, "That is too large", why),
            Self::SlowDown(seconds) => (
                StatusCode::TOO_MANY_REQUESTS,
                "Too many tries",
                format!("Too many passwords or codes have been tried here. Wait {} and try again, or ask a coordinator for a sign-in link.", wait_words(seconds)),
            ),
            Self::DiskFull => (
                StatusCode::INSUFFICIENT_STORAGE,
                "The disk is full",
                "Nothing was saved: there is no room left where the club's data lies. What is there can still be looked at. Keep this page open, have room made, and send it again.".to_owned(),
            ),
            Self::Unwritable(why) => (
                StatusCode::SERVICE_UNAVAILABLE,
                "Not just now",
                why.to_owned(),
            ),
            Self::Broken(why) => {
                tracing::error!(%why, "a request failed inside the house");
                (
                    StatusCode::INTERNAL_SERVER_ERROR,
                    "Something broke here",
                    "Nothing was saved. It is not your doing; try once more, and tell a coordinator if it happens again.".to_owned(),
                )
            }
        };
        let mut response = (status, format!("{title}. {words}\n")).into_response();
        response.extensions_mut().insert(ErrorPage {
            status,
            title,
            words,
            sign_in,
            confirm,
            unsent,
            lead,
        });
        if let Some(wait) = retry_after
            && let Ok(wait) = HeaderValue::from_str(&wait.to_string())
        {
            response.headers_mut().insert(header::RETRY_AFTER, wait);
        }
        response
    }
}

fn wait_words(seconds: i64) -> String {
    if seconds < 90 {
        format!("{} seconds", seconds.max(1))
    } else {
        format!("{} minutes", (seconds + 59) / 60)
    }
}

/// The plain text of an error, where no page can be drawn.
pub fn bare(error: Error) -> Response {
    let mut response = error.into_response();
    response.extensions_mut().remove::<ErrorPage>();
    response
}
