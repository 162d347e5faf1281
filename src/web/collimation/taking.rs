//! A step about to be taken: who asks, on which collimation session, having seen how much
//! of it. What there is to look up or to play through comes before the write, which is
//! refused if someone has gone on meanwhile.

use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::response::{IntoResponse, Response};
use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer};

use super::super::extract::{Form, Path};
use super::super::fields::{FormErrors, part};
use super::super::page::{RequestContext, Submission, mend};
use super::super::{App, Error};
use super::collimation_address;
use super::draw::{stand_of, stand_word};
use super::page::collimation_page;
use super::typed::Typed;
use crate::bench::replay::Step;
use crate::library::collimation_replay::{Progress, progress};
use crate::library::collimations::{self, Collimation, Record};
use crate::library::instruments::Instrument;
use crate::library::{CollimationId, Conn, Moment, PersonId};

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
    once: String,
    /// The collimation session as it is read; the write is refused if it has gone on.
    pub collimation: Collimation,
    ordinal: i64,
    /// From where the tube is looked at, as the page's address carries it, or "".
    stand: String,
}

/// Where and by whom a step is written.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// How many records the sender saw.
    pub ordinal: i64,
    /// Who takes the step.
    pub by: PersonId,
    /// When.
    pub at: Moment,
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
        let mut step = Taking::read(context, id, once, &fields.at).await?;
        step.stand = fields.stand;
        Ok(Self {
            step,
            fields: fields.fields,
        })
    }
}

impl Taking {
    /// Reads how the session stands, unless this very form was handled before.
    pub async fn read(
        context: RequestContext,
        id: CollimationId,
        once: String,
        at: &str,
    ) -> Result<Self, Turned> {
        let ordinal = at.parse().map_err(|_| {
            Error::BadRequest(
                "This form has lost its place; open the collimation session again.".to_owned(),
            )
        })?;
        if let Some(response) = context.handled(&once).await? {
            return Err(Turned::Again(response));
        }
        let collimation = Collimation::get(&mut *context.read().await?, id).await?;
        Ok(Self {
            context,
            once,
            collimation,
            ordinal,
            stand: String::new(),
        })
    }

    /// The desk.
    pub fn context(&self) -> &RequestContext {
        &self.context
    }

    /// The instrument in hand.
    pub async fn instrument(&self) -> Result<Instrument, Error> {
        let mut conn = self.context.read().await?;
        Ok(Instrument::get(&mut conn, self.collimation.instrument_id).await?)
    }

    /// Where the collimation session stands.
    pub async fn progress(&self) -> Result<Progress, Error> {
        let mut conn = self.context.read().await?;
        Ok(progress(&mut conn, &self.collimation).await?)
    }

    /// Writes a record and leads back to the collimation session.
    pub async fn record(self, record: &Record) -> Result<Response, Error> {
        self.records(std::slice::from_ref(record)).await
    }

    /// Writes a step of the course and leads back to the collimation session.
    pub async fn take(self, taken: Step) -> Result<Response, Error> {
        self.record(&Record::Taken { taken }).await
    }

    /// Writes records, one after another.
    pub async fn records(self, records: &[Record]) -> Result<Response, Error> {
        let id = self.collimation.id;
        self.write("Saved.", async |conn, place| {
            for (ordinal, record) in (place.ordinal..).zip(records) {
                collimations::write(conn, id, ordinal, record, None, place.by, place.at).await?;
            }
            Ok(())
        })
        .await
    }

    /// Writes in one transaction and leads back to the collimation session. `notice` is
    /// always something, so that the browser knows that its form was taken.
    pub async fn write(
        &self,
        notice: &str,
        act: impl AsyncFnOnce(&mut Conn, Place) -> crate::library::Result<()>,
    ) -> Result<Response, Error> {
        let id = self.collimation.id;
        let place = Place {
            ordinal: self.ordinal,
            by: self.context.person()?.id,
            at: self.context.now(),
        };
        let mut write = match self.context.begin(&self.once).await? {
            Submission::Again(response) => return Ok(response),
            Submission::First(write) => write,
        };
        act(&mut write, place).await.map_err(|error| {
            // It can be seen there how it stands.
            Error::from(error).leading_to(collimation_address(id), "To the collimation session")
        })?;
        let mut back = collimation_address(id);
        if let Some(stand) = stand_of(&self.stand) {
            back.push_str(&format!("?stand={}", stand_word(stand)));
        }
        write.finish(&back, notice).await
    }

    /// The collimation session's page again, with what was typed and what to mend.
    pub async fn mend(self, mut typed: Typed, errors: FormErrors) -> Result<Response, Error> {
        typed.stand = stand_of(&self.stand);
        let mut conn = self.context.read().await?;
        mend(&collimation_page(&self.context, &mut conn, &self.collimation, typed, errors).await?)
    }
}
