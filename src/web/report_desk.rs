//! Reports as the desk looks at them: each becomes a journey or a problem in the logbook,
//! or is set aside.

use askama::Template;
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::lists::{Asked, Choice, Controls, Shown};
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::problems::LONGEST;
use super::reports::told_words;
use super::shelf::tag_key;
use super::tables::{Cell, csv_response};
use super::{Error, address, journeys, show};
use crate::library::ReportId;
use crate::library::journeys::JourneyKind;
use crate::library::photos::Size;
use crate::library::problems::{AsksFor, Problem, ProblemWhat};
use crate::library::reports::{self, Becomes, Report, State, What, Which};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/reports", list),
        Route::get(Access::Volunteer, "/reports.csv", list_csv),
        Route::get(Access::Volunteer, "/reports/{id}", show_one),
        Route::get(Access::Volunteer, "/reports/{id}/full.jpg", full),
        Route::get(Access::Volunteer, "/reports/{id}/small.jpg", small),
        Route::post(Access::Volunteer, "/reports/{id}/accept", accept),
        Route::post(Access::Volunteer, "/reports/{id}/set-aside", set_aside),
        Route::post(Access::Volunteer, "/reports/{id}/picture", keep_picture),
    ]
}

fn controls() -> Controls {
    let whats: Vec<(&str, &str)> = What::ALL.iter().map(|w| (w.slug(), w.label())).collect();
    Controls {
        path: "/reports".to_owned(),
        csv: "/reports.csv".to_owned(),
        sought_in: "Tag, words, or who reported it",
        choices: vec![
            Choice::of(
                "show",
                "Which",
                "to look at",
                &[
                    ("accepted", "in the logbook"),
                    ("set-aside", "set aside"),
                    ("all", "all"),
                ],
            ),
            Choice::of("what", "What happened", "anything", &whats),
        ],
        orders: &[
            ("oldest", "Oldest first"),
            ("newest", "Newest first"),
            ("tag", "Tag"),
        ],
        rows: 50,
    }
}

async fn asked_for(context: &RequestContext, asked: &Asked) -> Result<Vec<Report>, Error> {
    let controls = controls();
    let order = controls.check(asked)?;
    let mut found = reports::list(&mut *context.read().await?, &Which::default()).await?;
    found.retain(|one| {
        let shown = match asked.of("show") {
            "all" => true,
            "" => one.state == State::Waiting,
            state => one.state.slug() == state,
        };
        shown
            && (asked.of("what").is_empty() || asked.of("what") == one.what.slug())
            && asked.fits(&[
                &one.tag,
                &one.instrument_name,
                &one.words,
                &one.name,
                one.what.label(),
            ])
    });
    match order {
        "tag" => found.sort_by_cached_key(|one| tag_key(&one.tag)),
        "oldest" => found.reverse(),
        _ => {}
    }
    Ok(found)
}

struct Row {
    href: String,
    tag: String,
    told: String,
    who: String,
    when: String,
    state: &'static str,
    picture: bool,
}

/// Who it was, and whether they were signed in.
fn who(report: &Report) -> String {
    match report.person_id {
        Some(_) => report.name.clone(),
        None => format!("{}, not signed in", report.name),
    }
}

#[derive(Template)]
#[template(path = "reports/list.html")]
struct ListPage {
    layout: Layout,
    lede: String,
    list: Shown,
    rows: Vec<Row>,
}

async fn list(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = asked_for(&context, &asked).await?;
    let waiting = found.iter().filter(|r| r.state == State::Waiting).count();
    let today = context.club().date(context.now());
    let (rows, list) = controls().page_of(&asked, found);
    page(&ListPage {
        layout: context.layout("Reports"),
        lede: format!(
            "{} to look at. None counts until then.",
            show::counted(waiting, "report", "reports")
        ),
        rows: rows
            .iter()
            .map(|one| Row {
                href: format!("/reports/{}", one.id),
                tag: one.tag.clone(),
                told: told_words(&context, one),
                who: who(one),
                when: show::short_day(context.club().date(one.reported_at), today),
                state: one.state.label(),
                picture: one.width_px.is_some(),
            })
            .collect(),
        list,
    })
}

async fn list_csv(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let found = asked_for(&context, &asked).await?;
    let club = context.club();
    csv_response(
        &[
            "tag",
            "reported",
            "what",
            "words",
            "by",
            "signed in",
            "state",
            "decided",
            "decided by",
            "answer",
        ],
        found.into_iter().map(|one| {
            vec![
                Cell::from(one.tag),
                Cell::time(club, one.reported_at),
                Cell::from(one.what.label()),
                Cell::from(one.words),
                Cell::from(one.name),
                Cell::from(if one.person_id.is_some() { "yes" } else { "no" }),
                Cell::from(one.state.label()),
                Cell::from(one.decided_at.map(|at| club.date(at))),
                Cell::from(one.decided_by),
                Cell::from(one.answer),
            ]
        }),
    )
}

#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(default)]
struct AcceptFields {
    /// Slug of a kind of journey, or of what is wrong, with "journey " or "problem "
    /// before it.
    becomes: String,
    how_hard: String,
    distance: String,
    asks_for: String,
    words: String,
    answer: String,
    keep_picture: String,
}

impl AcceptFields {
    /// As it was told.
    fn of(context: &RequestContext, report: &Report) -> Self {
        match report.becomes() {
            Becomes::Journey(journey, words) => Self {
                becomes: format!("journey {}", journey.kind.slug()),
                how_hard: journey.severity.map(|n| n.to_string()).unwrap_or_default(),
                distance: journey
                    .distance_km
                    .map(|km| journeys::distance_typed(context.club(), km))
                    .unwrap_or_default(),
                asks_for: AsksFor::ALook.slug().to_owned(),
                words,
                ..Self::default()
            },
            Becomes::Problem(problem) => Self {
                becomes: format!("problem {}", problem.what.slug()),
                asks_for: problem.asks_for.slug().to_owned(),
                words: problem.words,
                ..Self::default()
            },
        }
    }

    fn check(&self, context: &RequestContext, errors: &mut FormErrors) -> Option<Becomes> {
        let (family, slug) = self.becomes.split_once(' ').unwrap_or_default();
        let words = errors.optional_text("words", "In words", &self.words, LONGEST);
        if family == "journey" {
            let kind: JourneyKind = errors.word("becomes", "Enter it as", slug)?;
            let (field, typed) = if kind.has_severity() {
                ("how_hard", &self.how_hard)
            } else {
                ("distance", &self.distance)
            };
            let journey = journeys::journey(kind, field, typed, context.club(), errors);
            return Some(Becomes::Journey(journey, words));
        }
        let what: ProblemWhat = errors.word("becomes", "Enter it as", slug)?;
        let asks_for = errors.word("asks_for", "It asks for", &self.asks_for)?;
        if words.is_empty() {
            errors.add("words", "In words: say what is wrong.");
        }
        Some(Becomes::Problem(Problem {
            what,
            asks_for,
            words,
        }))
    }
}

#[derive(Template)]
#[template(path = "reports/one.html")]
struct OnePage {
    layout: Layout,
    id: ReportId,
    tag: String,
    href: String,
    lede: String,
    told: String,
    who: String,
    when: String,
    waits: bool,
    decided: String,
    answer: String,
    /// Width and height of its picture, pixels.
    picture: Option<(i64, i64)>,
    form: AcceptFields,
    errors: FormErrors,
    distance_unit: &'static str,
    journeys: &'static [JourneyKind],
    problems: &'static [ProblemWhat],
    asks: &'static [AsksFor],
}

async fn one_page(
    context: &RequestContext,
    id: ReportId,
    form: Option<AcceptFields>,
    errors: FormErrors,
) -> Result<OnePage, Error> {
    let report = find(context, id).await?;
    let club = context.club();
    let by = match &report.decided_by {
        Some(by) => format!(" by {by}"),
        None => String::new(),
    };
    Ok(OnePage {
        layout: context.layout(&format!("Report on {}", report.tag)),
        id,
        href: address::instrument(&report.tag),
        lede: report.instrument_name.clone(),
        told: told_words(context, &report),
        who: who(&report),
        when: show::time(club, report.reported_at),
        waits: report.state == State::Waiting,
        decided: report
            .decided_at
            .map(|at| {
                format!(
                    "{} on {}{by}",
                    show::capital(report.state.label()),
                    show::date(club, at)
                )
            })
            .unwrap_or_default(),
        answer: report.answer.clone(),
        picture: report.width_px.zip(report.height_px),
        form: form.unwrap_or_else(|| AcceptFields::of(context, &report)),
        errors,
        distance_unit: journeys::distance_unit(club),
        journeys: JourneyKind::ALL,
        problems: ProblemWhat::ALL,
        asks: AsksFor::ALL,
        tag: report.tag,
    })
}

async fn find(context: &RequestContext, id: ReportId) -> Result<Report, Error> {
    let which = Which {
        id: Some(id),
        ..Which::default()
    };
    Ok(Report::one(&mut *context.read().await?, &which).await?)
}

async fn show_one(context: RequestContext, Path(id): Path<ReportId>) -> Result<Response, Error> {
    page(&one_page(&context, id, None, FormErrors::new()).await?)
}

async fn accept(
    context: RequestContext,
    Path(id): Path<ReportId>,
    Form { fields: form, once }: Form<AcceptFields>,
) -> Result<Response, Error> {
    let report = find(&context, id).await?;
    let mut errors = FormErrors::new();
    let becomes = form.check(&context, &mut errors);
    let answer = errors.optional_text("answer", "Answer", &form.answer, LONGEST);
    let Some(becomes) = becomes.filter(|_| errors.is_empty()) else {
        return mend(&one_page(&context, id, Some(form), errors).await?);
    };
    let by = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    reports::accept(&mut write, &report, &becomes, &answer, by, context.now()).await?;
    if form.keep_picture == "yes" && report.width_px.is_some() {
        reports::keep_picture(&mut write, &report, by, context.now()).await?;
    }
    let there = "/reports";
    let said = format!("It stands in the logbook of {}.", report.tag);
    write.finish(there, &said).await
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct AsideFields {
    answer: String,
}

async fn set_aside(
    context: RequestContext,
    Path(id): Path<ReportId>,
    Form { fields: form, once }: Form<AsideFields>,
) -> Result<Response, Error> {
    find(&context, id).await?;
    let mut errors = FormErrors::new();
    let answer = errors.optional_text("aside_answer", "Answer", &form.answer, LONGEST);
    if !errors.is_empty() {
        return mend(&one_page(&context, id, None, errors).await?);
    }
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let by = context.person()?.id;
    reports::set_aside(&mut write, id, &answer, by, context.now()).await?;
    write
        .finish("/reports", "Set aside: it counts for nothing.")
        .await
}

async fn keep_picture(
    context: RequestContext,
    Path(id): Path<ReportId>,
    Form { once, .. }: Form<Nothing>,
) -> Result<Response, Error> {
    let report = find(&context, id).await?;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let by = context.person()?.id;
    reports::keep_picture(&mut write, &report, by, context.now()).await?;
    let there = format!("{}#photos", address::instrument(&report.tag));
    write
        .finish(&there, "The picture is among its photos.")
        .await
}

async fn full(context: RequestContext, Path(id): Path<ReportId>) -> Result<Response, Error> {
    picture(&context, id, Size::Full).await
}

async fn small(context: RequestContext, Path(id): Path<ReportId>) -> Result<Response, Error> {
    picture(&context, id, Size::Small).await
}

async fn picture(context: &RequestContext, id: ReportId, size: Size) -> Result<Response, Error> {
    let bytes = reports::picture(&mut *context.read().await?, id, size).await?;
    let head = [
        (header::CONTENT_TYPE, "image/jpeg"),
        (header::CACHE_CONTROL, "no-store"),
    ];
    Ok((head, bytes).into_response())
}
