//! The loan sheet: what the borrower takes home, and signs.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::cautions::{self, Caution};
use super::extract::Path;
use super::lending::visible;
use super::page::{Layout, RequestContext, page};
use super::{Error, show};
use crate::library::instruments::{Design, Instrument};
use crate::library::loans::{self, Loan};
use crate::library::{LoanId, missing_kit};
use crate::upkeep;

/// Routes.
pub fn routes() -> Vec<Route> {
    // A member sees their own; which that is, the handler checks.
    vec![Route::get(Access::Member, "/loans/{id}/sheet", loan_sheet)]
}

#[derive(Template)]
#[template(path = "lending/loan_sheet.html")]
struct LoanSheetPage {
    layout: Layout,
    loan: Loan,
    since: String,
    until: String,
    /// How it is today, as the shelf has it.
    condition: String,
    parts: Vec<String>,
    missing: Vec<String>,
    care: Vec<String>,
    cautions: Vec<Caution>,
    contact: String,
    back_href: String,
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

async fn loan_sheet(context: RequestContext, Path(id): Path<LoanId>) -> Result<Response, Error> {
    let club = context.club();
    let mut conn = context.read().await?;
    let loan = visible(&context, &mut conn, id).await?;
    let instrument = Instrument::get(&mut conn, loan.instrument_id).await?;
    let parts: Vec<String> = loans::parts(&mut conn, loan.id)
        .await?
        .into_iter()
        .filter(|p| p.went_out)
        .map(|p| p.name)
        .collect();
    let missing = missing_kit::Which {
        instrument: Some(instrument.id),
        all: true,
        ..missing_kit::Which::default()
    };
    let missing = missing_kit::list(&mut conn, missing).await?;
    let missing = missing.iter().filter(|m| m.was_missing(loan.lent_at));
    let missing = missing.map(|m| m.part.clone()).collect();
    let row = upkeep::shelf_row(&mut conn, instrument, context.now()).await?;
    let instrument = &row.instrument;
    let assessment = &row.assessment;
    page(&LoanSheetPage {
        condition: match assessment.as_of {
            Some(at) => {
                let condition = show::capital(assessment.condition.label());
                format!("{condition}, as of {}", show::date(club, at))
            }
            None => show::capital(assessment.condition.label()),
        },
        missing,
        layout: context.layout(&format!("Loan sheet for {}", loan.tag)),
        since: show::date(club, loan.lent_at),
        until: show::day(loan.due_on),
        care: care(instrument),
        // How to treat the glass stands under how to look after it.
        cautions: cautions::of(club, instrument, &parts)
            .into_iter()
            .filter(|c| c.title != "glass")
            .collect(),
        parts,
        contact: club.contact.clone(),
        back_href: format!("/loans/{id}"),
        loan,
    })
}

impl LoanSheetPage {
    /// Tag and name.
    fn what(&self) -> String {
        format!("{}, {}", self.loan.tag, self.loan.instrument_name)
    }
}
