//! Loans: who has what until when, one loan.
//!
//! Volunteers see loans that are open, since they lend and return.
//! Past loans by person are seen by that person and by coordinators only.

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::shelf::tag_key;
use super::tables::{Cell, Paging, csv_response};
use super::{Error, address, check_in, lend_form, logbook_words, outings, reservations, show};
use crate::library::club::Club;
use crate::library::loan_lists::{By, Found};
use crate::library::loans::{self, Loan, LoanPart, Which};
use crate::library::missing_kit::{self, MissingPart};
use crate::library::{Conn, LoanId, loan_lists, logbook, renewals, waits};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/loans", list),
        Route::get(Access::Volunteer, "/loans.csv", list_csv),
        // A member sees their own; which that is, the handler checks.
        Route::get(Access::Member, "/loans/{id}", one),
        Route::post(Access::Volunteer, "/loans/{id}/until", until),
    ]
}

// ---- the list ----

/// What can be asked of the list; of past loans by coordinators only.
fn controls(histories: bool) -> Controls {
    let mut shows = vec![("overdue", "overdue"), ("event", "for a public evening")];
    if histories {
        shows.extend([("past", "past"), ("all", "all")]);
    }
    Controls {
        path: "/loans".to_owned(),
        csv: "/loans.csv".to_owned(),
        sought_in: "Tag, instrument or borrower",
        choices: vec![Choice::of("show", "Which", "out now", &shows)],
        orders: &[
            ("due", "Due first"),
            ("tag", "Tag"),
            ("borrower", "Borrower"),
            ("latest", "Lent last first"),
        ],
        rows: PAGE_ROWS,
    }
}

/// Whether loans that came back are asked for.
fn history(asked: &Asked) -> bool {
    matches!(asked.of("show"), "past" | "all")
}

/// Past loans, by whom they were, are for coordinators.
fn check_access(context: &RequestContext, asked: &Asked) -> Result<(), Error> {
    match history(asked) && !context.may(Access::Coordinator) {
        true => Err(Error::NotAllowed(Access::Coordinator)),
        false => Ok(()),
    }
}

/// What is asked for, as the library is asked for it.
fn which(asked: &Asked, order: &str) -> loan_lists::Asked {
    loan_lists::Asked {
        words: asked.each_word(),
        open: !history(asked),
        past: asked.of("show") == "past",
        for_an_event: asked.of("show") == "event",
        by_borrower: order == "borrower",
        latest_first: order == "latest",
    }
}

/// Which loans are asked for, in the order asked for.
async fn asked_for(
    context: &RequestContext,
    conn: &mut Conn,
    asked: &Asked,
) -> Result<Vec<Found>, Error> {
    check_access(context, asked)?;
    let order = controls(true).check(asked)?;
    let today = context.club().date(context.now());
    let mut found = loan_lists::found(conn, &which(asked, order), today).await?;
    if asked.of("show") == "overdue" {
        found.retain(|loan| loan.late);
    }
    if order == "tag" {
        found.sort_by_cached_key(|loan| (tag_key(&loan.tag), loan.tag.clone()));
    }
    Ok(found)
}

struct LoanRow {
    href: String,
    tag: String,
    name: String,
    borrower: String,
    since: String,
    until: String,
    late: String,
    check_in: String,
    open: bool,
    back: String,
}

impl LoanRow {
    fn new(context: &RequestContext, loan: &Loan, today: NaiveDate) -> Self {
        Self {
            href: format!("/loans/{}", loan.id),
            tag: loan.tag.clone(),
            name: loan.instrument_name.clone(),
            borrower: loan.borrower.clone(),
            since: show::date(context.club(), loan.lent_at),
            until: show::day(loan.due_on),
            late: loan
                .days_overdue(today)
                .map_or_else(String::new, show::days_late),
            check_in: address::check_in(&loan.tag),
            open: loan.returned_at.is_none(),
            back: loan
                .returned_at
                .map(|at| show::date(context.club(), at))
                .unwrap_or_default(),
        }
    }
}

#[derive(Template)]
#[template(path = "lending/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    list: Shown,
    loans: Vec<LoanRow>,
    history: bool,
    /// What is out for public evenings: the evening, how many, where they are returned.
    outings: Vec<(String, usize, String)>,
}

const PAGE_ROWS: usize = 50;

/// The loans of one page, what stands above them, and the list's controls.
type Page = (Vec<Loan>, String, Shown);

/// What is asked for, of which only the page's own loans are read. Where nothing narrower is
/// asked for and the order is an index's, the others are counted and not gone through.
async fn page_of(context: &RequestContext, asked: &Asked, today: NaiveDate) -> Result<Page, Error> {
    check_access(context, asked)?;
    let (history, past) = (history(asked), asked.of("show") == "past");
    let controls = controls(context.may(Access::Coordinator));
    let order = controls.check(asked)?;
    let lede = |all: usize, out: usize, late: usize| match history {
        true => format!("{all} loans, {out} still out."),
        false => format!(
            "{out} out, {late} of them overdue, on {}.",
            show::day(today)
        ),
    };
    let mut conn = context.read().await?;
    let as_it_comes = match history {
        true => asked.words().is_empty(),
        false => controls.here(asked) == controls.path,
    };
    if !as_it_comes {
        let found = asked_for(context, &mut conn, asked).await?;
        let count = |which: fn(&Found) -> bool| found.iter().filter(|loan| which(loan)).count();
        let lede = lede(found.len(), count(|loan| loan.out), count(|loan| loan.late));
        let (rows, list) = controls.page_of(asked, found);
        let loans = Loan::each(&mut conn, rows.iter().map(|loan| loan.id)).await?;
        return Ok((loans, lede, list));
    }
    let out = Loan::count_open(&mut conn, today).await?;
    let all = match history {
        true => Loan::count(&mut conn).await?,
        false => out.all,
    };
    let shown = if past { all - out.all } else { all };
    let paging = Paging::new(asked.page(), shown, PAGE_ROWS);
    let by = match order {
        "borrower" => Some(By::Borrower),
        "tag" => Some(By::Thing),
        _ => None,
    };
    let skip = (paging.number - 1) * PAGE_ROWS;
    let loans = match by {
        Some(by) => {
            let mut all = loan_lists::all(&mut conn, by).await?;
            if by == By::Thing {
                all.sort_by_cached_key(|one| (tag_key(&one.name), one.name.clone()));
            }
            let page = skip..skip + PAGE_ROWS;
            let which = which(asked, order);
            let found = loan_lists::page_by(&mut conn, by, &all, &which, page, today).await?;
            Loan::each(&mut conn, found.iter().map(|loan| loan.id)).await?
        }
        None => {
            let which = Which {
                open: !history,
                past,
                latest_first: order == "latest",
                skip: skip as i64,
                rows: Some(PAGE_ROWS as i64),
                ..Which::default()
            };
            Loan::list(&mut conn, which).await?
        }
    };
    let lede = lede(shown, if past { 0 } else { out.all }, out.late);
    Ok((loans, lede, controls.shown(asked, &paging)))
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let today = context.club().date(context.now());
    let history = history(&asked);
    let mut outings: Vec<(String, usize, String)> = Vec::new();
    if !history {
        let events = Loan::count_events(&mut *context.read().await?).await?;
        outings.extend(events.into_iter().map(|(event, n)| {
            let back = outings::back_address(&event);
            (event, usize::try_from(n).unwrap_or_default(), back)
        }));
    }
    let (loans, lede, list) = page_of(&context, &asked, today).await?;
    page(&ListPage {
        layout: context.layout("Loans"),
        outings,
        lede,
        loans: loans
            .iter()
            .map(|loan| LoanRow::new(&context, loan, today))
            .collect(),
        history,
        list,
    })
}

async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let found = asked_for(&context, &mut conn, &asked).await?;
    let loans = Loan::each(&mut conn, found.iter().map(|loan| loan.id)).await?;
    drop(conn);
    let today = context.club().date(context.now());
    let club = context.club();
    csv_response(
        &[
            "tag",
            "instrument",
            "borrower",
            "lent",
            "lent by",
            "due",
            "days late",
            "came back",
            "returned by",
            "told",
            "lent although",
            "fetched by",
            "deposit",
            "for",
        ],
        loans.into_iter().map(|l| {
            let late = l.days_overdue(today);
            vec![
                Cell::from(l.tag),
                Cell::from(l.instrument_name),
                Cell::from(l.borrower),
                Cell::from(club.date(l.lent_at)),
                Cell::from(l.lent_by),
                Cell::from(l.due_on),
                Cell::from(late),
                Cell::from(l.returned_at.map(|at| club.date(at))),
                Cell::from(l.returned_to),
                Cell::from(l.limit_stated),
                Cell::from(l.override_reason),
                Cell::from(l.collected_by),
                Cell::from(l.deposit),
                Cell::from(l.event),
            ]
        }),
    )
}

// ---- one loan ----

/// A loan, if this visitor may see it: the borrower always, volunteers while
/// it is open, coordinators always. To a member, another's loan does not exist.
pub async fn visible(context: &RequestContext, conn: &mut Conn, id: LoanId) -> Result<Loan, Error> {
    let own = context.person()?.id;
    let loan = match Loan::get(conn, id).await {
        Ok(loan) => loan,
        Err(error) => return Err(error.into()),
    };
    if loan.borrower_id == own || context.may(Access::Coordinator) {
        return Ok(loan);
    }
    if !context.may(Access::Volunteer) {
        return Err(Error::NotFound("loan"));
    }
    if loan.returned_at.is_none() {
        Ok(loan)
    } else {
        Err(Error::NotAllowed(Access::Coordinator))
    }
}

struct PartRow {
    name: String,
    words: String,
    late: bool,
}

impl PartRow {
    /// `missing` is all that ever was missing from the kit.
    fn new(club: &Club, loan: LoanId, part: LoanPart, missing: &[MissingPart]) -> Self {
        let lost = missing
            .iter()
            .find(|m| m.loan_id == Some(loan) && m.kit_part_id == part.id);
        let settled = lost.and_then(|m| Some((m.outcome?, m.settled_at?)));
        Self {
            late: part.came_back == Some(false) && part.went_out && settled.is_none(),
            words: match (part.went_out, part.came_back, settled) {
                (false, _, _) => "stayed here".to_owned(),
                (true, None, _) => "went along, still out".to_owned(),
                (true, Some(true), _) => "went along, came back".to_owned(),
                (true, Some(false), None) => "went along, missing".to_owned(),
                (true, Some(false), Some((outcome, at))) => {
                    format!("did not come back; {outcome} {}", show::date(club, at))
                }
            },
            name: part.name,
        }
    }
}

#[derive(Template)]
#[template(path = "lending/loan.html")]
struct LoanPage {
    layout: Layout,
    lede: String,
    /// What kind of thing it is of.
    what: String,
    loan: Loan,
    since: String,
    until: String,
    late: bool,
    back: String,
    parts: Vec<PartRow>,
    history: Vec<(String, String)>,
    desk_keys: bool,
    /// What a renewal would come to, for the borrower: the day, or why there is none.
    renew_until: String,
    why_not: String,
    /// For the desk: who else it is promised to; empty for nobody.
    promised: Vec<String>,
    instrument: String,
    check_in: String,
    due_on: String,
    errors: FormErrors,
}

async fn loan_page(
    context: &RequestContext,
    conn: &mut Conn,
    loan: Loan,
    due_on: Option<String>,
    errors: FormErrors,
) -> Result<LoanPage, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let volunteer = context.may(Access::Volunteer);
    let missing = missing_kit::Which {
        instrument: Some(loan.instrument_id),
        all: true,
        ..missing_kit::Which::default()
    };
    let missing = missing_kit::list(conn, missing).await?;
    let own = context.person()?.id == loan.borrower_id && loan.returned_at.is_none();
    let offer = match own {
        true => Some(renewals::offer(conn, club, &loan, today).await?),
        false => None,
    };
    let desk_keys = volunteer && loan.returned_at.is_none();
    let mut promised = Vec::new();
    if desk_keys {
        let waiting = waits::open(conn, Some(loan.instrument_id), None)
            .await?
            .len();
        if waiting > 0 {
            let people = show::counted(waiting, "person waits", "people wait");
            promised.push(format!("{people} for it."));
        }
        promised.extend(reservations::kept_words(conn, club, loan.instrument_id, today).await?);
    }
    let history = logbook::of_loan(conn, loan.instrument_id, loan.id)
        .await?
        .into_iter()
        .filter(|l| !l.entry.superseded && !l.entry.struck)
        .map(|l| {
            let words = match l.told {
                logbook::Told::Words
                    if l.entry.kind != crate::library::entries::EntryKind::Note =>
                {
                    format!(
                        "{}. {}",
                        show::capital(l.entry.kind.label()),
                        logbook_words::of(club, &l)
                    )
                }
                _ => logbook_words::of(club, &l),
            };
            let signed = format!(
                "{}, signed by {}",
                show::time(club, l.entry.happened_at),
                l.entry.recorded_by
            );
            (signed, words)
        })
        .collect();
    Ok(LoanPage {
        layout: context.layout(&format!("Loan of {}", loan.tag)),
        lede: format!("{}, to {}", loan.instrument_name, loan.borrower),
        what: show::capital(loan.kind.label()),
        since: format!("{}, by {}", show::date(club, loan.lent_at), loan.lent_by),
        until: check_in::due_words(&loan, today),
        late: loan.days_overdue(today).is_some(),
        back: match (loan.returned_at, &loan.returned_to) {
            (Some(at), Some(by)) => format!("{}, returned by {by}", show::date(club, at)),
            _ => String::new(),
        },
        parts: loans::parts(conn, loan.id)
            .await?
            .into_iter()
            .map(|part| PartRow::new(club, loan.id, part, &missing))
            .collect(),
        history,
        renew_until: match &offer {
            Some(Ok(until)) => show::short_day(*until, today),
            _ => String::new(),
        },
        why_not: offer.and_then(Result::err).unwrap_or_default(),
        desk_keys,
        promised,
        instrument: address::instrument(&loan.tag),
        check_in: address::check_in(&loan.tag),
        due_on: due_on.unwrap_or_else(|| loan.due_on.format("%Y-%m-%d").to_string()),
        loan,
        errors,
    })
}

async fn one(context: RequestContext, Path(id): Path<LoanId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let loan = visible(&context, &mut conn, id).await?;
    page(&loan_page(&context, &mut conn, loan, None, FormErrors::new()).await?)
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct UntilFields {
    due_on: String,
}

async fn until(
    context: RequestContext,
    Path(id): Path<LoanId>,
    Form { fields: form, once }: Form<UntilFields>,
) -> Result<Response, Error> {
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let loan = visible(&context, &mut write, id).await?;
    let mut errors = FormErrors::new();
    let today = context.club().date(context.now());
    let Some(due_on) = lend_form::due_day(&mut errors, "due_on", &form.due_on, today) else {
        let typed = Some(form.due_on);
        drop(write);
        let mut conn = context.read().await?;
        return mend(&loan_page(&context, &mut conn, loan, typed, errors).await?);
    };
    loans::extend(&mut write, id, due_on, context.now(), by).await?;
    write
        .finish(
            &format!("/loans/{id}"),
            &format!("{} is now due on {}.", loan.tag, show::day(due_on)),
        )
        .await
}

impl LoanPage {
    /// The loan sheet's address.
    fn loan_sheet(&self) -> String {
        format!("/loans/{}/sheet", self.loan.id)
    }
}
