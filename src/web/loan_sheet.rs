//! The loan sheet: what the borrower takes home, and signs.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::cautions::{self, Caution};
use super::extract::{Form, Path};
use super::lending::visible;
use super::page::{Layout, RequestContext, Submission, page};
use super::{Error, show};
use crate::library::instruments::{Design, Instrument};
use crate::library::loans::{self, Loan, Which};
use crate::library::signatures::{self, Signature};
use crate::library::things::Kind;
use crate::library::{Conn, LoanId, missing_kit};

/// Routes.
pub fn routes() -> Vec<Route> {
    // A member sees their own; which that is, the handler checks.
    vec![
        Route::get(Access::Member, "/loans/{id}/sheet", loan_sheet),
        Route::post(Access::Member, "/loans/{id}/sign", sign),
    ]
}

#[derive(Template)]
#[template(path = "lending/loan_sheet.html")]
struct LoanSheetPage {
    layout: Layout,
    loan: Loan,
    since: String,
    until: String,
    /// How it is today, as the shelf has it; "" for what has no optics to judge.
    condition: String,
    parts: Vec<String>,
    missing: Vec<String>,
    /// What went out with it in the same act.
    lent_with: Vec<String>,
    care: Vec<String>,
    cautions: Vec<Caution>,
    contact: String,
    back_href: String,
    signature: Option<Signature>,
    signed_on: String,
}

/// How to look after an instrument of this kind: common practice, no source.
fn care(instrument: &Instrument) -> Vec<String> {
    let mut care = Vec::new();
    if let Some(minutes) = instrument.cool_down_min.filter(|m| *m > 0) {
        care.push(format!(
            "Let it stand outdoors for {minutes} minutes before you judge what it shows."
        ));
    }
    care.push(
        "Carry it upright or in its case, padded and strapped, on the seat or the floor of a car and never loose in the boot."
            .to_owned(),
    );
    care.push(
        "Let dew dry in a warm room with the caps off; cap it only when it is dry.".to_owned(),
    );
    care.push("Do not wipe the glass, not even with a lens cloth. Dust does no harm.".to_owned());
    if !matches!(instrument.design, Design::Binocular | Design::Solar) {
        care.push(
            "Leave the adjusting screws alone. If images look wrong, tell us when you bring it back."
                .to_owned(),
        );
    }
    care.push(
        "Tell us of every knock, long drive and wet night: we look it over before the next loan and nobody is blamed."
            .to_owned(),
    );
    care
}

/// How to look after the things that go with an instrument: common practice, no source.
fn care_of_things() -> Vec<String> {
    [
        "Keep caps on lenses and filters, and carry them in their case.",
        "Let dew dry in a warm room with the caps off; cap it only when it is dry.",
        "Do not wipe the glass, not even with a lens cloth. Dust does no harm.",
    ]
    .map(str::to_owned)
    .to_vec()
}

/// What went out with it in the same act, as tag and name.
async fn lent_with(conn: &mut Conn, loan: &Loan) -> Result<Vec<String>, Error> {
    let which = Which {
        borrower: Some(loan.borrower_id),
        lent_at: Some(loan.lent_at),
        ..Which::default()
    };
    let mut others = Loan::list(conn, which).await?;
    others.retain(|l| l.id != loan.id);
    Ok(others
        .iter()
        .map(|l| format!("{}, {}", l.tag, l.instrument_name))
        .collect())
}

async fn loan_sheet(context: RequestContext, Path(id): Path<LoanId>) -> Result<Response, Error> {
    let club = context.club();
    let mut conn = context.read().await?;
    let loan = visible(&context, &mut conn, id).await?;
    let parts: Vec<String> = loans::parts(&mut conn, loan.id)
        .await?
        .into_iter()
        .filter(|p| p.went_out)
        .map(|p| p.name)
        .collect();
    let missing = missing_kit::Which {
        instrument: Some(loan.instrument_id),
        all: true,
        ..missing_kit::Which::default()
    };
    let missing = missing_kit::list(&mut conn, missing).await?;
    let missing = missing.iter().filter(|m| m.was_missing(loan.lent_at));
    let missing = missing.map(|m| m.part.clone()).collect();
    let signature = signatures::of(&mut conn, loan.id).await?;
    let mut sheet = LoanSheetPage {
        layout: context.layout(&format!("Loan sheet for {}", loan.tag)),
        since: show::date(club, loan.lent_at),
        until: show::day(loan.due_on),
        condition: String::new(),
        missing,
        lent_with: lent_with(&mut conn, &loan).await?,
        care: care_of_things(),
        cautions: Vec::new(),
        contact: club.contact.clone(),
        back_href: format!("/loans/{id}"),
        signed_on: signature
            .as_ref()
            .map(|s| show::date(club, s.signed_at))
            .unwrap_or_default(),
        signature,
        parts,
        loan,
    };
    if sheet.loan.kind != Kind::Instrument {
        return page(&sheet);
    }
    let instrument = Instrument::get(&mut conn, sheet.loan.instrument_id).await?;
    let row = context.shelf_row(&mut conn, instrument).await?;
    let assessment = &row.assessment;
    sheet.condition = show::capital(assessment.condition.label());
    if let Some(at) = assessment.as_of {
        sheet.condition = format!("{}, as of {}", sheet.condition, show::date(club, at));
    }
    sheet.care = care(&row.instrument);
    // How to treat the glass stands under how to look after it.
    sheet.cautions = cautions::of(club, &row.instrument, &sheet.parts)
        .into_iter()
        .filter(|c| c.title != "glass")
        .collect();
    page(&sheet)
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct SignForm {
    strokes: String,
}

async fn sign(
    context: RequestContext,
    Path(id): Path<LoanId>,
    Form { fields, once }: Form<SignForm>,
) -> Result<Response, Error> {
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let loan = visible(&context, &mut write, id).await?;
    let by = context.person()?.id;
    signatures::sign(&mut write, loan.id, &fields.strokes, by, context.now()).await?;
    let notice = format!("The loan sheet of {} is signed.", loan.tag);
    write.finish(&format!("/loans/{id}/sheet"), &notice).await
}

impl LoanSheetPage {
    /// Who signs for the kit.
    fn signer(&self) -> String {
        match self.loan.collected_by.as_str() {
            "" => self.loan.borrower.clone(),
            other => format!("{other}, for {}", self.loan.borrower),
        }
    }

    /// Tag and name.
    fn what(&self) -> String {
        format!("{}, {}", self.loan.tag, self.loan.instrument_name)
    }
}
