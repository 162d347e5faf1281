//! Reporting from an instrument's page, where the code on its label leads, by anyone:
//! and what became of it, for who reported it.

use askama::Template;
use axum::response::Response;
use base64::Engine;
use sha2::{Digest, Sha256};

use super::access::{Access, Route};
use super::extract::{Form, FormLimits, FormWithFiles, Path};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page, see_other, with_notice};
use super::photos::prepare_all;
use super::{Error, address, journeys, show};
use crate::library::audit_log::{self, AuditEntry};
use crate::library::instruments::{Instrument, Status};
use crate::library::journeys::JourneyKind;
use crate::library::loans::Loan;
use crate::library::photos::Prepared;
use crate::library::reports::{
    self, LONGEST_NAME, LONGEST_WORDS, NewReport, Report, Reporter, State, TooMany, What, Which,
};
use crate::library::sessions::Token;
use crate::library::{Conn, LoanId, PersonId};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/instruments/{tag}/report", show_form),
        Route::post(Access::Anyone, "/instruments/{tag}/report", send).holding(limits()),
        // Found by its secret alone, which is no part of an address that is written to.
        Route::get(Access::Anyone, "/reported/{token}", reported),
        Route::post(Access::Anyone, "/reported/withdraw", withdraw),
    ]
}

/// One picture, as a phone takes it.
fn limits() -> FormLimits {
    FormLimits {
        files: 1,
        file_bytes: 10 * 1024 * 1024,
        fields: 20,
        ..FormLimits::of(Access::Anyone)
    }
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct ReportFields {
    what: String,
    how_hard: String,
    distance: String,
    words: String,
    name: String,
}

#[derive(Template)]
#[template(path = "reports/form.html")]
struct FormPage {
    layout: Layout,
    tag: String,
    name: String,
    base: String,
    form: ReportFields,
    errors: FormErrors,
    signed_in: bool,
    /// Whether it stands in the logbook without anybody looking first.
    straight: bool,
    distance_unit: &'static str,
    whats: &'static [What],
}

/// What is reported on, and by whom.
struct Scene {
    instrument: Instrument,
    person: Option<PersonId>,
    /// Whether it counts at once: the borrower's, with their loan, and a volunteer's.
    straight: Option<Option<LoanId>>,
}

async fn scene(context: &RequestContext, conn: &mut Conn, tag: &str) -> Result<Scene, Error> {
    let instrument = Instrument::by_tag(conn, tag).await?;
    if instrument.status == Status::Retired {
        return Err(Error::Refused(format!(
            "{} is retired: nothing is reported of it any more.",
            instrument.tag
        )));
    }
    let person = context.person().ok().map(|p| p.id);
    let loan = match instrument.open_loan {
        Some(loan) => Some(Loan::get(conn, loan).await?),
        None => None,
    };
    let own = loan.filter(|loan| Some(loan.borrower_id) == person);
    let straight = match own {
        Some(loan) => Some(Some(loan.id)),
        None => context.may(Access::Volunteer).then_some(None),
    };
    Ok(Scene {
        instrument,
        person,
        straight,
    })
}

fn form_page(
    context: &RequestContext,
    scene: &Scene,
    form: ReportFields,
    errors: FormErrors,
) -> FormPage {
    let instrument = &scene.instrument;
    FormPage {
        layout: context.layout(&format!("Report on {}", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        base: address::instrument(&instrument.tag),
        form,
        errors,
        signed_in: scene.person.is_some(),
        straight: scene.straight.is_some(),
        distance_unit: journeys::distance_unit(context.club()),
        whats: What::ALL,
    }
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let scene = scene(&context, &mut *context.read().await?, &tag).await?;
    page(&form_page(
        &context,
        &scene,
        ReportFields::default(),
        FormErrors::new(),
    ))
}

fn check(
    context: &RequestContext,
    scene: &Scene,
    form: &ReportFields,
    errors: &mut FormErrors,
) -> Option<NewReport> {
    let what: Option<What> = errors.word("what", "What happened", &form.what);
    let words = errors.optional_text("words", "In your words", &form.words, LONGEST_WORDS);
    if what == Some(What::Other) && words.is_empty() {
        errors.add("words", "In your words: say what is wrong.");
    }
    let (kind, field, typed) = match what {
        Some(What::Knock) => (JourneyKind::KnockOrDrop, "how_hard", &form.how_hard),
        _ => (JourneyKind::Car, "distance", &form.distance),
    };
    let asks = matches!(what, Some(What::Knock | What::Journey));
    let told = asks.then(|| journeys::journey(kind, field, typed, context.club(), errors));
    let name = match context.person() {
        Ok(person) => person.name.clone(),
        Err(_) => {
            let name = errors.text("name", "Your name", &form.name, LONGEST_NAME);
            if name.contains(['\n', '\t']) {
                errors.add("name", "Your name: give it in one line.");
            }
            name
        }
    };
    Some(NewReport {
        instrument: scene.instrument.id,
        what: what?,
        words,
        how_hard: told.and_then(|j| j.severity),
        distance_km: told.and_then(|j| j.distance_km),
        name,
        at: context.now(),
    })
}

fn refused(context: &RequestContext, why: TooMany) -> Error {
    match why {
        TooMany::Wait(wait) => Error::slow_down(wait),
        TooMany::Full => Error::Refused(
            format!(
                "Many reports have come in and wait to be looked at, so no more are taken here today. Tell the lending desk instead. {}",
                context.club().contact
            )
            .trim_end()
            .to_owned(),
        ),
    }
}

/// The secret of a stranger's report: from the form's own mark, which only its page had,
/// so that the form sent again leads to the same report.
fn secret(path: &str, once: &str) -> Token {
    if once.len() < 32 {
        return Token::fresh();
    }
    let mut hash = Sha256::new();
    for part in ["report", path, once] {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part);
    }
    Token::given(&base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(hash.finalize()))
}

async fn send(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: FormWithFiles<ReportFields>,
) -> Result<Response, Error> {
    let FormWithFiles {
        fields: form,
        once,
        files,
    } = upload;
    let token = secret(&context.visitor.path, &once);
    let hash = token.hash();
    let mut conn = context.read().await?;
    let scene = scene(&context, &mut conn, &tag).await?;
    let reporter = match scene.person {
        Some(person) => Reporter::Person(person),
        None => Reporter::Stranger {
            network: &context.visitor.network,
            token_hash: &hash,
        },
    };
    let shown = format!("/reported/{}", token.text());
    if scene.person.is_none() && was_sent(&mut conn, &hash).await? {
        return Ok(see_other(&shown));
    }
    // Before a picture is looked at, which takes its time.
    let instrument = scene.instrument.id;
    if let Some(why) = reports::too_many(&mut conn, reporter, instrument, context.now()).await? {
        return Err(refused(&context, why));
    }
    drop(conn);
    let mut errors = FormErrors::new();
    let report = check(&context, &scene, &form, &mut errors);
    let had_picture = !files.is_empty();
    let mut pictures = Vec::new();
    if errors.is_empty() {
        pictures = prepare_all(files, &mut errors).await?;
    } else if had_picture {
        errors.add("photo", "Picture: choose it again, it was not kept.");
    }
    let Some(report) = report.filter(|_| errors.is_empty()) else {
        return mend(&form_page(&context, &scene, form, errors));
    };
    let picture = pictures.first();
    match scene.person {
        Some(person) => {
            let straight = scene.straight;
            signed_in(&context, &once, &report, person, straight, picture).await
        }
        None => {
            stranger(&context, &report, reporter, &hash, picture).await?;
            Ok(see_other(&shown))
        }
    }
}

async fn was_sent(conn: &mut Conn, hash: &[u8]) -> Result<bool, Error> {
    let which = Which {
        token_hash: Some(hash.to_owned()),
        ..Which::default()
    };
    Ok(!reports::list(conn, &which).await?.is_empty())
}

async fn signed_in(
    context: &RequestContext,
    once: &str,
    report: &NewReport,
    person: PersonId,
    straight: Option<Option<LoanId>>,
    picture: Option<&Prepared>,
) -> Result<Response, Error> {
    let mut write = match context.begin(once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let reporter = Reporter::Person(person);
    if let Some(why) = reports::too_many(&mut write, reporter, report.instrument, report.at).await?
    {
        return Err(refused(context, why));
    }
    let notice = match straight {
        Some(loan) => {
            report
                .write_straight(&mut write, person, loan, picture)
                .await?;
            "Thank you. It stands in the logbook."
        }
        None => {
            report.write(&mut write, reporter, picture).await?;
            "Thank you. A volunteer will look at it."
        }
    };
    write.finish("/my-loans#reported", notice).await
}

/// Writes a stranger's, and in the audit log that one came: not from where, for that is
/// forgotten after a day.
async fn stranger(
    context: &RequestContext,
    report: &NewReport,
    reporter: Reporter<'_>,
    hash: &[u8],
    picture: Option<&Prepared>,
) -> Result<(), Error> {
    let mut write = context.app.library.write().await?;
    if was_sent(&mut write, hash).await? {
        return Ok(());
    }
    if let Some(why) = reports::too_many(&mut write, reporter, report.instrument, report.at).await?
    {
        return Err(refused(context, why));
    }
    report.write(&mut write, reporter, picture).await?;
    let entry = AuditEntry {
        at: context.now(),
        person: None,
        address: "a report's sender",
        what: &context.visitor.path,
        words: "Reported by somebody who was not signed in.",
    };
    audit_log::add(&mut write, &entry).await?;
    write.commit().await?;
    Ok(())
}

/// A report as its sender sees it.
pub struct Seen {
    /// The instrument's tag.
    pub tag: String,
    /// Its page.
    pub href: String,
    /// What was told.
    pub told: String,
    /// When.
    pub when: String,
    /// What became of it.
    pub became: String,
    /// To its sender, or "".
    pub answer: String,
    /// Whether nobody has looked yet.
    pub waits: bool,
}

impl Seen {
    /// Of this report.
    ///
    /// # Errors
    /// When the library cannot be read.
    pub async fn of(
        context: &RequestContext,
        conn: &mut Conn,
        report: Report,
    ) -> Result<Self, Error> {
        let club = context.club();
        let on = report.decided_at.map(|at| show::date(club, at));
        let on = on.unwrap_or_default();
        let mut became = match (report.state, &report.decided_by) {
            (State::Waiting, _) => "No volunteer has looked at it yet.".to_owned(),
            (State::Accepted, Some(_)) => {
                format!("A volunteer looked at it on {on}. It stands in the logbook.")
            }
            (State::Accepted, None) => "It stands in the logbook.".to_owned(),
            (State::SetAside, _) => {
                format!("A volunteer looked at it on {on} and set it aside.")
            }
            (State::Withdrawn, _) => "It was taken back: what was written is removed.".to_owned(),
        };
        if let Some(settled) = report.settled_by(conn).await? {
            became += &format!(
                " Settled on {}: {}.",
                show::date(club, settled.at),
                settled.work
            );
        }
        Ok(Self {
            href: address::instrument(&report.tag),
            told: told_words(context, &report),
            when: show::date(club, report.reported_at),
            became,
            answer: report.answer,
            waits: report.state == State::Waiting,
            tag: report.tag,
        })
    }
}

/// "A knock or a drop, hard: fell off the table".
pub fn told_words(context: &RequestContext, report: &Report) -> String {
    let mut words = show::capital(report.what.label());
    if let Some(severity) = report.how_hard {
        words += &format!(", {}", journeys::severity_words(severity));
    }
    if let Some(km) = report.distance_km {
        words += &format!(", {}", show::distance(context.club(), km));
    }
    if !report.words.is_empty() {
        words += &format!(": {}", report.words);
    }
    words
}

#[derive(Template)]
#[template(path = "reports/reported.html")]
struct ReportedPage {
    layout: Layout,
    one: Seen,
    token: String,
    /// The page's own address, to keep.
    address: String,
}

async fn by_token(conn: &mut Conn, token: &str) -> Result<Report, Error> {
    let which = Which {
        token_hash: Some(Token::given(token).hash()),
        ..Which::default()
    };
    Ok(Report::one(conn, &which).await?)
}

async fn reported(context: RequestContext, Path(token): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let report = by_token(&mut conn, &token).await?;
    let one = Seen::of(&context, &mut conn, report).await?;
    drop(conn);
    page(&ReportedPage {
        layout: context.layout(&format!("Your report on {}", one.tag)),
        one,
        address: format!("{}/reported/{token}", context.base_address()),
        token,
    })
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct WithdrawFields {
    token: String,
}

async fn withdraw(
    context: RequestContext,
    Form { fields, .. }: Form<WithdrawFields>,
) -> Result<Response, Error> {
    let mut write = context.app.library.write().await?;
    let report = by_token(&mut write, &fields.token).await?;
    reports::withdraw(&mut write, report.id, context.now()).await?;
    let entry = AuditEntry {
        at: context.now(),
        person: None,
        address: "a report's sender",
        what: &context.visitor.path,
        words: "A report was taken back by who sent it.",
    };
    audit_log::add(&mut write, &entry).await?;
    write.commit().await?;
    let there = see_other(&format!("/reported/{}", fields.token));
    Ok(with_notice(&context.app, there, "Taken back."))
}
