//! Things: what goes with the instruments, listed, and each on a page of its own.

use std::collections::HashMap;

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::{Path, Query};
use super::fields::FormErrors;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, mend, page, see_other};
use super::pictures::{Picture, pictures};
use super::tables::{Cell, Paging, csv_response};
use super::{Error, address, papers, reservations, show};
use crate::library::instruments::{State, former_tags};
use crate::library::loans::Loan;
use crate::library::sets::Set;
use crate::library::things::{Kind, Thing, Which};
use crate::library::{self, Conn, LoanId, logbook, stock, waits};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Anyone, "/things", list),
        Route::get(Access::Anyone, "/things.csv", list_csv),
        Route::get(Access::Anyone, "/things/{tag}", one),
    ]
}

/// Rows of one page of the list.
const PAGE_ROWS: usize = 50;

/// Where a thing's own page is, if this tag is that of a thing that is no instrument:
/// old labels, and lists of both, lead to an instrument's address.
pub async fn page_instead(context: &RequestContext, tag: &str) -> Result<Option<String>, Error> {
    let mut conn = context.read().await?;
    match Thing::by_tag(&mut conn, tag).await {
        Ok(thing) if thing.is_instrument() => Ok(None),
        Ok(thing) => Ok(Some(address::thing(&thing))),
        Err(library::Error::NotFound(_)) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Ticks what is typed as more tags, and gives those; what nothing bears stays typed, and is a
/// mistake of the field "more".
pub(super) async fn tick_typed(
    conn: &mut Conn,
    more: &mut String,
    ticked: &mut Vec<String>,
    errors: &mut FormErrors,
) -> Result<Vec<String>, Error> {
    let (typed, unknown) = Thing::typed(conn, more).await?;
    let typed: Vec<String> = typed.into_iter().map(|thing| thing.tag).collect();
    ticked.retain(|tag| !typed.contains(tag));
    ticked.extend_from_slice(&typed);
    *more = unknown.join(", ");
    if !unknown.is_empty() {
        errors.add("more", format!("More tags: nothing has the tag {more}."));
    }
    Ok(typed)
}

// ---- the list ----

fn controls() -> Controls {
    let states = [
        State::OnTheShelf,
        State::OnLoan,
        State::Missing,
        State::Retired,
    ];
    Controls {
        path: "/things".to_owned(),
        csv: "/things.csv".to_owned(),
        sought_in: "Tag or words",
        choices: vec![
            Choice {
                name: "kind",
                label: "Kind",
                any: "every kind",
                options: Kind::of_things()
                    .iter()
                    .map(|kind| (kind.slug().to_owned(), kind.label().to_owned()))
                    .collect(),
            },
            Choice {
                name: "state",
                label: "Status",
                any: "any but retired",
                options: states
                    .iter()
                    .map(|state| (state.slug().to_owned(), state.label().to_owned()))
                    .collect(),
            },
            Choice {
                name: "waiting",
                label: "Waiting list",
                any: "with one or without",
                options: vec![("yes".to_owned(), "somebody waits".to_owned())],
            },
        ],
        orders: &[],
        rows: PAGE_ROWS,
    }
}

/// The things asked for: how many, and those of one page, or all of them, each with its open
/// loan.
async fn asked_for(
    conn: &mut Conn,
    asked: &Asked,
    rows: Option<usize>,
) -> Result<(usize, Vec<(Thing, Option<Loan>)>), Error> {
    controls().check(asked)?;
    let chosen = |name| Some(asked.of(name)).filter(|chosen| !chosen.is_empty());
    let which = Which {
        kind: chosen("kind"),
        state: asked.of("state").parse().ok(),
        retired: chosen("state").is_some(),
        waited_for: chosen("waiting").is_some(),
        words: asked.each_word(),
    };
    let (page, size) = match rows {
        Some(rows) => (asked.page() as i64, rows as i64),
        None => (1, i64::MAX),
    };
    let (count, things) = Thing::page(conn, &which, page, size).await?;
    let loans = Loan::each(conn, things.iter().filter_map(|t| t.open_loan)).await?;
    let mut loans: HashMap<LoanId, Loan> = loans.into_iter().map(|l| (l.id, l)).collect();
    let with_loan = |thing: Thing| {
        let loan = thing.open_loan.and_then(|id| loans.remove(&id));
        (thing, loan)
    };
    let shown = things.into_iter().map(with_loan).collect();
    Ok((count, shown))
}

struct Line {
    tag: String,
    href: String,
    name: String,
    kind: String,
    state: &'static str,
    where_words: String,
    late: bool,
}

#[derive(Template)]
#[template(path = "things/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    list: Shown,
    lines: Vec<Line>,
    is_bare: bool,
    is_volunteer: bool,
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let (fits, rows) = asked_for(&mut conn, &asked, Some(PAGE_ROWS)).await?;
    let (there_are, _) = Thing::page(&mut conn, &Which::default(), 1, 1).await?;
    drop(conn);
    let today = context.club().date(context.now());
    let paging = Paging::new(asked.page(), fits, PAGE_ROWS);
    let list = controls().shown(&asked, &paging);
    page(&ListPage {
        layout: context.layout("Things"),
        lede: match list.is_asked {
            true => format!("{fits} of {there_are}."),
            false => {
                let count = show::counted(fits, "thing", "things");
                format!("{count} that go with the instruments.")
            }
        },
        is_bare: fits == 0 && there_are == 0 && !list.is_asked,
        lines: rows
            .into_iter()
            .map(|(thing, loan)| Line {
                href: address::thing(&thing),
                kind: show::capital(thing.kind.label()),
                state: thing.state().slug(),
                late: loan
                    .as_ref()
                    .is_some_and(|l| l.days_overdue(today).is_some()),
                where_words: match &loan {
                    Some(loan) => format!("back {}", show::short_day(loan.due_on, today)),
                    None => thing.place.clone(),
                },
                tag: thing.tag,
                name: thing.name,
            })
            .collect(),
        is_volunteer: context.may(Access::Volunteer),
        list,
    })
}

async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let (_, found) = asked_for(&mut *context.read().await?, &asked, None).await?;
    let is_volunteer = context.may(Access::Volunteer);
    let mut header = vec!["tag", "kind", "name", "state", "back_by", "place"];
    if is_volunteer {
        header.extend(["with", "value", "notes"]);
    }
    let rows = found.into_iter().map(|(thing, loan)| {
        let mut row: Vec<Cell> = vec![
            thing.tag.as_str().into(),
            thing.kind.label().into(),
            thing.name.as_str().into(),
            thing.state().label().into(),
            loan.as_ref().map(|l| l.due_on).into(),
            thing.place.as_str().into(),
        ];
        if is_volunteer {
            let cents = thing.replacement_value_cents;
            row.push(loan.map(|l| l.borrower).unwrap_or_default().as_str().into());
            row.push(cents.map(|c| Cell::number(c as f64 / 100.0, 2)).into());
            row.push(thing.notes.as_str().into());
        }
        row
    });
    csv_response(&header, rows)
}

// ---- one ----

#[derive(Template)]
#[template(path = "things/thing.html")]
struct ThingPage {
    layout: Layout,
    thing: Thing,
    base: String,
    /// Where its photos, label and code are.
    photo_base: String,
    tag: String,
    lede: String,
    where_words: String,
    /// How many wait for it.
    waiting: String,
    kept: Vec<String>,
    /// Its sets, for who lends: name, and where it is lent.
    sets: Vec<(String, String)>,
    loan: Option<(String, String)>,
    value: String,
    notes: Vec<String>,
    former: Vec<String>,
    history: Vec<(String, String)>,
    /// Where it is counted, while the stock is taken.
    count_at: String,
    photos: Vec<Picture>,
    /// Manuals and the like, for who may read them.
    papers: Vec<papers::Row>,
    is_volunteer: bool,
    is_coordinator: bool,
    contact: String,
    errors: FormErrors,
    caption: String,
}

async fn one(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let thing = Thing::by_tag(&mut *context.read().await?, &tag).await?;
    if thing.is_instrument() || thing.tag != tag {
        return Ok(see_other(&address::thing(&thing)));
    }
    page(&thing_page(&context, thing, FormErrors::new(), String::new()).await?)
}

/// The page, with what must be mended in its photo form.
pub(super) async fn with_photo_mends(
    context: &RequestContext,
    tag: &str,
    errors: FormErrors,
    caption: String,
) -> Result<Response, Error> {
    let thing = Thing::by_tag(&mut *context.read().await?, tag).await?;
    mend(&thing_page(context, thing, errors, caption).await?)
}

/// Where a thing is counted while the stock is taken; "" while it is not.
pub(super) async fn count_at(conn: &mut Conn, context: &RequestContext) -> Result<String, Error> {
    if !context.may(Access::Volunteer) {
        return Ok(String::new());
    }
    let open = stock::open(conn).await?;
    Ok(open.map_or_else(String::new, |s| format!("/stock/{}/see", s.id)))
}

async fn thing_page(
    context: &RequestContext,
    thing: Thing,
    errors: FormErrors,
    caption: String,
) -> Result<ThingPage, Error> {
    let club = context.club();
    let today = club.date(context.now());
    let is_volunteer = context.may(Access::Volunteer);
    let mut conn = context.read().await?;
    let loan = match thing.open_loan {
        Some(id) => Some(Loan::get(&mut conn, id).await?),
        None => None,
    };
    let where_words = match (&loan, thing.state()) {
        (Some(loan), _) => match loan.days_overdue(today) {
            Some(days) => show::capital(&show::days_late(days)) + ".",
            None => format!("Back {}.", show::short_day(loan.due_on, today)),
        },
        (None, State::Missing) => {
            "Nobody knows where it is. It is not lent until it is found.".to_owned()
        }
        (None, State::Retired) => "It is no longer lent.".to_owned(),
        (None, _) if thing.place.is_empty() => String::new(),
        (None, _) => format!("Its place: {}.", thing.place),
    };
    let (mut sets, mut history) = (Vec::new(), Vec::new());
    if is_volunteer {
        for set in Set::with(&mut conn, thing.id).await? {
            sets.push((set.name, format!("/lend-together?set={}", set.id)));
        }
        for line in logbook::of(&mut conn, thing.id).await? {
            if line.entry.superseded || line.entry.struck {
                continue;
            }
            // Who had it before is seen on the loan, by who may.
            let when = format!(
                "{}, by {}",
                show::date(club, line.entry.happened_at),
                line.entry.recorded_by
            );
            let kind = show::capital(line.entry.kind.label());
            history.push((when, format!("{kind}. {}", line.entry.note)));
        }
    }
    let base = address::thing(&thing);
    Ok(ThingPage {
        layout: context.layout(&format!("{}, {}", thing.tag, thing.name)),
        photo_base: address::instrument(&thing.tag),
        lede: show::capital(thing.kind.label()),
        waiting: show::waiting(waits::open(&mut conn, Some(thing.id), None).await?.len()),
        kept: reservations::kept_words(&mut conn, club, thing.id, today).await?,
        loan: loan
            .filter(|_| is_volunteer)
            .map(|l| (format!("/loans/{}", l.id), l.borrower)),
        value: thing
            .replacement_value_cents
            .filter(|_| is_volunteer)
            .map(|cents| show::money(club, cents))
            .unwrap_or_default(),
        notes: match is_volunteer {
            true => thing.notes.lines().map(str::to_owned).collect(),
            false => Vec::new(),
        },
        former: former_tags(&mut conn, thing.id).await?,
        count_at: count_at(&mut conn, context).await?,
        photos: pictures(&mut conn, thing.id).await?,
        papers: match context.may(Access::Member) {
            true => papers::for_borrowers(context, &mut conn, thing.id).await?,
            false => Vec::new(),
        },
        is_volunteer,
        is_coordinator: context.may(Access::Coordinator),
        contact: club.contact.clone(),
        tag: thing.tag.clone(),
        where_words,
        sets,
        history,
        base,
        thing,
        errors,
        caption,
    })
}

impl ThingPage {
    /// Whether it is out.
    fn is_out(&self) -> bool {
        self.thing.open_loan.is_some()
    }

    /// Whether it can be lent.
    fn is_here(&self) -> bool {
        self.thing.state() == State::OnTheShelf
    }

    fn is_missing(&self) -> bool {
        self.thing.state() == State::Missing
    }

    fn is_retired(&self) -> bool {
        self.thing.state() == State::Retired
    }
}
