//! A step about to be taken: who asks, on which collimation session, having seen how much
//! of it, inside the one write there can be.

use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::response::{IntoResponse, Response};
use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer};

use super::super::extract::{Form, Path};
use super::super::fields::{FormErrors, part};
use super::super::page::{OnceWrite, RequestContext, Submission, mend};
use super::super::{App, Error};
use super::collimation_address;
use super::draw::Stand;
use super::page::{Typed, collimation_page};
use crate::bench::replay::Step;
use crate::library::collimation_replay::{Progress, progress};
use crate::library::collimations::{self, Collimation, Record};
use crate::library::{CollimationId, EntryId};

/// A form of a collimation: its own fields, and how many records the sender saw.
struct Placed<T> {
    at: String,
    stand: String,
    fields: T,
}

impl<'de, T: DeserializeOwned> Deserialize<'de> for Placed<T> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let pairs = Vec::<(String, String)>::deserialize(from)?;
        let of = |field: &str| {
            pairs
                .iter()
                .find(|(name, _)| name == field)
                .map(|(_, value)| value.clone())
                .unwrap_or_default()
        };
        let fields = part(&pairs).map_err(D::Error::custom)?;
        Ok(Self {
            at: of("at"),
            stand: of("stand"),
            fields,
        })
    }
}

/// A step about to be written.
pub struct Taking {
    context: RequestContext,
    write: OnceWrite,
    /// The collimation session as it is in this write.
    pub collimation: Collimation,
    ordinal: i64,
    /// From where the tube is looked at, as the page's address carries it, or "".
    stand: String,
}

/// The same with the form's own fields.
pub struct Taken<T> {
    /// The step.
    pub step: Taking,
    /// The fields.
    pub fields: T,
}

/// Why a form is not taken.
pub enum Turned {
    /// It was handled before; it leads where it led.
    Again(Response),
    /// It cannot be taken.
    Away(Error),
}

impl IntoResponse for Turned {
    fn into_response(self) -> Response {
        match self {
            Self::Again(response) => response,
            Self::Away(error) => error.into_response(),
        }
    }
}

impl From<Error> for Turned {
    fn from(error: Error) -> Self {
        Self::Away(error)
    }
}

impl From<crate::library::Error> for Turned {
    fn from(error: crate::library::Error) -> Self {
        Self::Away(error.into())
    }
}

impl<T> FromRequest<App> for Taken<T>
where
    T: DeserializeOwned + Send,
{
    type Rejection = Turned;

    async fn from_request(request: Request, app: &App) -> Result<Self, Turned> {
        let (mut parts, body) = request.into_parts();
        let context = RequestContext::from_request_parts(&mut parts, app).await?;
        let Path(id) = Path::<CollimationId>::from_request_parts(&mut parts, app).await?;
        let request = Request::from_parts(parts, body);
        let Form { fields, once } = Form::<Placed<T>>::from_request(request, app).await?;
        let mut step = Taking::begin(context, id, &once, &fields.at).await?;
        step.stand = fields.stand;
        Ok(Self {
            step,
            fields: fields.fields,
        })
    }
}

impl Taking {
    /// Begins the write, unless this very form was handled before.
    pub async fn begin(
        context: RequestContext,
        id: CollimationId,
        once: &str,
        at: &str,
    ) -> Result<Self, Turned> {
        let ordinal = at.parse().map_err(|_| {
            Error::BadRequest(
                "This form has lost its place; open the collimation session again.".to_owned(),
            )
        })?;
        let mut write = match context.begin(once).await? {
            Submission::Again(response) => return Err(Turned::Again(response)),
            Submission::First(write) => write,
        };
        let collimation = Collimation::get(&mut write, id).await?;
        Ok(Self {
            context,
            write: *write,
            collimation,
            ordinal,
            stand: String::new(),
        })
    }

    /// The desk.
    pub fn context(&self) -> &RequestContext {
        &self.context
    }

    /// The write.
    pub fn conn(&mut self) -> &mut crate::library::Conn {
        &mut self.write
    }

    /// How many records the sender saw.
    pub fn ordinal(&self) -> i64 {
        self.ordinal
    }

    /// Where the collimation session stands.
    pub async fn progress(&mut self) -> Result<Progress, Error> {
        Ok(progress(&mut self.write, &self.collimation).await?)
    }

    /// Writes a record and leads back to the collimation session.
    pub async fn record(
        mut self,
        record: &Record,
        entry: Option<EntryId>,
    ) -> Result<Response, Error> {
        let by = self.context.person()?.id;
        let (id, now) = (self.collimation.id, self.context.now());
        collimations::write(&mut self.write, id, self.ordinal, record, entry, by, now)
            .await
            .map_err(|e| leads_back(e, id))?;
        self.finish("Saved.").await
    }

    /// Writes a step of the course and leads back to the collimation session.
    pub async fn take(self, taken: Step, entry: Option<EntryId>) -> Result<Response, Error> {
        self.record(&Record::Taken { taken }, entry).await
    }

    /// Done: leads back to the collimation session. Something is said always, so that the
    /// browser knows that its form was taken.
    pub async fn finish(self, notice: &str) -> Result<Response, Error> {
        let mut back = collimation_address(self.collimation.id);
        if let Some(stand) = stand_of(&self.stand) {
            back.push_str(&format!("?stand={}", stand_word(stand)));
        }
        self.write.finish(&back, notice).await
    }

    /// The collimation session's page again, with what was typed and what to mend.
    pub async fn mend(self, mut typed: Typed, errors: FormErrors) -> Result<Response, Error> {
        drop(self.write);
        typed.stand = stand_of(&self.stand);
        let mut conn = self.context.read().await?;
        mend(&collimation_page(&self.context, &mut conn, &self.collimation, typed, errors).await?)
    }
}

/// A refusal leads back to the collimation session, where it can be seen how it stands.
pub fn leads_back(error: crate::library::Error, id: CollimationId) -> Error {
    Error::from(error).leading_to(collimation_address(id), "To the collimation session")
}

/// From where the tube is looked at: "front" or "behind", and what stands at the top
/// ("behind-3").
pub fn stand_of(typed: &str) -> Option<Stand> {
    let (side, top) = typed.split_once('-').unwrap_or((typed, "12"));
    let behind = match side {
        "front" => false,
        "behind" => true,
        _ => return None,
    };
    Some(Stand {
        behind,
        top_deg: hour_deg(top)?,
    })
}

/// The same as the address carries it.
pub fn stand_word(stand: Stand) -> String {
    let side = if stand.behind { "behind" } else { "front" };
    match hour_of(stand.top_deg).as_str() {
        "12" => side.to_owned(),
        top => format!("{side}-{top}"),
    }
}

/// A clock hour as degrees.
pub fn hour_deg(typed: &str) -> Option<f64> {
    let hour: u8 = typed.trim().parse().ok()?;
    (1..=12)
        .contains(&hour)
        .then(|| f64::from(hour % 12) * 30.0)
}

/// Degrees as the nearest clock hour.
pub fn hour_of(deg: f64) -> String {
    match (deg / 30.0).round() as i64 % 12 {
        0 => "12".to_owned(),
        h => h.to_string(),
    }
}
