//! What a member sees of an instrument before borrowing it, and where the code
//! on its label leads. Below it, for volunteers, the way to their screens.

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::cautions::{self, Caution};
use super::collimation::draw::donut_address;
use super::drift_picture::{self, CoursePicture};
use super::extract::Path;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, page, see_other};
use super::photos::{Picture, pictures};
use super::shelf::back_by;
use super::{Error, address, reservations, show, things};
use crate::library::club::Club;
use crate::library::collimations::{self, Collimation};
use crate::library::instruments::{Design, Instrument, State};
use crate::library::loans::Loan;
use crate::library::{Conn, kit, missing_kit, star_tests};
use crate::optics::{eye, strehl};
use crate::startest::words::waves_and_error;
use crate::upkeep::drift::course::course;
use crate::upkeep::due_list::{Foreseen, in_100};
use crate::upkeep::{self, Assessment, Condition};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::get(
        Access::Anyone,
        "/instruments/{tag}",
        show_condition,
    )]
}

/// A figure with its unit, as the page sets it.
struct Figure {
    label: &'static str,
    value: String,
    unit: &'static str,
    /// Words below, or "".
    beside: String,
}

/// Coma against its limit, in percents of the bar.
struct Gauge {
    value: String,
    low: String,
    high: String,
    limit: String,
    words: String,
}

/// A defocused star, drawn as a perfect one of this design and as this one
/// would show it.
struct Pictures {
    perfect: String,
    this: String,
    when: String,
}

/// Waves of defocus the pictures are drawn at: enough to see the ring, little
/// enough that a lopsided one shows.
const DRAWN_DEFOCUS_WAVES: f64 = 4.0;

fn drawn(i: &Instrument, a: &Assessment, tested_on: Option<&str>) -> Option<Pictures> {
    let (coma, _) = a.coma_rms_waves?;
    let star = |coma| donut_address([0.0, coma], DRAWN_DEFOCUS_WAVES, i.obstruction);
    Some(Pictures {
        perfect: star(0.0),
        this: star(coma.min(3.0)),
        when: tested_on.unwrap_or_default().to_owned(),
    })
}

/// One caution, where the hand is about to act.
fn first_caution(design: Design) -> &'static str {
    match design {
        Design::Solar => {
            "Check its filters before each use. A pinhole, a scratch, haze or a loose ring: do not look."
        }
        Design::Binocular => "Never point it near the Sun without filters over both front lenses.",
        _ => "Never point it near the Sun without a filter over the front.",
    }
}

#[derive(Template)]
#[template(path = "instrument/condition.html")]
struct ConditionPage {
    layout: Layout,
    tag: String,
    base: String,
    title: String,
    lede: String,
    state: &'static str,
    where_words: String,
    waiting: String,
    standing_words: String,
    is_retired: bool,
    condition: &'static str,
    dated: String,
    sentence: String,
    reasons: Vec<String>,
    figures: Vec<Figure>,
    figures_note: String,
    gauge: Option<Gauge>,
    /// The last collimation session at the bench: when, and before and after.
    last_collimation: Option<LastCollimation>,
    collimation_open: bool,
    takes_star_test: bool,
    kit: Vec<String>,
    /// Parts that are not in the kit.
    missing: Vec<String>,
    /// For whom it is kept or reserved, naming nobody.
    kept: Vec<String>,
    needs: Vec<(&'static str, String)>,
    /// What stands before the eye: one line.
    first_caution: &'static str,
    cautions: Vec<Caution>,
    /// What it will show, drawn: a perfect one and this one.
    pictures: Option<Pictures>,
    photos: Vec<Picture>,
    /// Where it is counted, while the stock is taken.
    count_at: String,
    contact: String,
    is_volunteer: bool,
    is_coordinator: bool,
    on_loan: bool,
    value: String,
    notes: Vec<String>,
    errors: FormErrors,
    caption: String,
    course: Option<CoursePicture>,
    course_words: Vec<String>,
}

async fn show_condition(
    context: RequestContext,
    Path(tag): Path<String>,
) -> Result<Response, Error> {
    if let Some(elsewhere) = things::page_instead(&context, &tag).await? {
        return Ok(see_other(&elsewhere));
    }
    page(&condition_page(&context, &tag, FormErrors::new(), String::new()).await?)
}

/// The last collimation session that ended.
struct LastCollimation {
    when: String,
    /// Before and after in one sentence.
    words: String,
    /// The first look and the last, drawn.
    stars: Option<(String, String)>,
    sheet: String,
}

async fn last_collimation(
    conn: &mut Conn,
    club: &Club,
    instrument: &Instrument,
) -> Result<Option<LastCollimation>, Error> {
    let Some(id) = collimations::last_ended(conn, instrument.id).await? else {
        return Ok(None);
    };
    let collimation = Collimation::get(conn, id).await?;
    let stars = super::collimation::first_and_last_drawn(&collimation);
    Ok(collimation.ended.map(|e| {
        let o = e.outcome;
        LastCollimation {
            when: show::date(club, e.at),
            words: super::collimation::stop::before_after(o.before, o.after, o.adjustments),
            stars: stars.filter(|_| o.adjustments > 0),
            sheet: super::collimation::sheet_address(id),
        }
    }))
}

/// The page, with what must be mended in its photo form.
pub(super) async fn with_photo_mends(
    context: &RequestContext,
    tag: &str,
    errors: FormErrors,
    caption: String,
) -> Result<Response, Error> {
    super::page::mend(&condition_page(context, tag, errors, caption).await?)
}

async fn condition_page(
    context: &RequestContext,
    tag: &str,
    errors: FormErrors,
    caption: String,
) -> Result<ConditionPage, Error> {
    let club = context.club();
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, tag).await?;
    let due_on = match instrument.open_loan {
        Some(loan) => Some(Loan::get(&mut conn, loan).await?.due_on),
        None => None,
    };
    let today = club.date(context.now());
    let kept = reservations::kept_words(&mut conn, club, instrument.id, today).await?;
    let missing = missing_kit::of(&mut conn, instrument.id).await?;
    let kit: Vec<String> = kit::present(&mut conn, instrument.id)
        .await?
        .into_iter()
        .map(|part| part.name)
        .collect();
    let photos = pictures(&mut conn, instrument.id).await?;
    let count_at = things::count_at(&mut conn, context).await?;
    let tested = star_tests::current(&mut conn, Some(instrument.id))
        .await?
        .last()
        .map(|t| t.happened_at);
    let last_collimation = last_collimation(&mut conn, club, &instrument).await?;
    let collimation_open = collimations::open(&mut conn, instrument.id)
        .await?
        .is_some();
    let row = upkeep::shelf_row(&mut conn, instrument.clone(), context.now()).await?;
    drop(conn);
    let (course, course_words) = coma_over_time(context, &instrument).await?;
    let a = &row.assessment;
    let state = instrument.state();
    let is_volunteer = context.may(Access::Volunteer);
    let tested_on = tested.map(|at| show::date(club, at));
    let sharp = sharpness(&instrument, a);
    let tested_short = tested.map(|at| show::short_day(club.date(at), club.date(context.now())));
    Ok(ConditionPage {
        layout: context.layout(&format!("{}, {}", instrument.tag, instrument.name)),
        last_collimation,
        collimation_open,
        takes_star_test: instrument.design.takes_star_test(),
        tag: instrument.tag.clone(),
        base: address::instrument(&instrument.tag),
        title: format!("{}, {}", instrument.tag, instrument.name),
        lede: format!(
            "{}, f/{}",
            show::capital(instrument.design.label()),
            show::trimmed(instrument.focal_ratio(), 1)
        ),
        state: state.slug(),
        where_words: match due_on {
            Some(due) => format!("On loan {}.", back_by(club.date(context.now()), due)),
            None if instrument.place.is_empty() => String::new(),
            None => format!("Its place: {}.", instrument.place),
        },
        waiting: match row.waiting {
            0 => "Nobody is waiting for it.".to_owned(),
            1 => "One person is waiting for it.".to_owned(),
            n => format!("{n} people are waiting for it."),
        },
        standing_words: match state {
            State::HeldForTheBench => {
                "It waits for the bench and is not lent until it is back on the shelf."
            }
            State::AtTheBench => {
                "It is being worked on and is not lent until it is back on the shelf."
            }
            State::Missing => "Nobody knows where it is. It is not lent until it is found.",
            State::Retired => "It is retired and no longer lent.",
            State::OnTheShelf | State::OnLoan => "",
        }
        .to_owned(),
        is_retired: state == State::Retired,
        condition: a.condition.slug(),
        dated: a
            .as_of
            .map(|at| format!("As of {}", show::date(club, at)))
            .unwrap_or_default(),
        sentence: sentence(&instrument, a, sharp),
        reasons: a.reasons.clone(),
        figures: figures(&instrument, a, sharp, tested_on.as_deref()),
        figures_note: figures_note(&instrument),
        gauge: gauge(a, tested_on.as_deref()),
        kit: kit.clone(),
        missing: missing.into_iter().map(|m| m.part).collect(),
        kept,
        needs: needs(club, &instrument),
        first_caution: first_caution(instrument.design),
        cautions: cautions::of(club, &instrument, &kit),
        // Drawn for who may fetch the pictures.
        pictures: drawn(&instrument, a, tested_short.as_deref())
            .filter(|_| context.may(Access::Member) && chooses_magnification(instrument.design)),
        photos,
        count_at,
        contact: club.contact.clone(),
        is_volunteer,
        is_coordinator: context.may(Access::Coordinator),
        on_loan: state == State::OnLoan,
        value: instrument
            .replacement_value_cents
            .filter(|_| is_volunteer)
            .map(|cents| show::money(club, cents))
            .unwrap_or_default(),
        notes: if is_volunteer {
            instrument
                .notes
                .lines()
                .filter(|l| !l.trim().is_empty())
                .map(ToOwned::to_owned)
                .collect()
        } else {
            Vec::new()
        },
        errors,
        caption,
        course,
        course_words,
    })
}

/// The picture of its coma over time and what it means for a borrower; none for
/// what takes no star test, was never looked at, or is retired.
async fn coma_over_time(
    context: &RequestContext,
    instrument: &Instrument,
) -> Result<(Option<CoursePicture>, Vec<String>), Error> {
    let snapshot = context.snapshot().await?;
    let found = snapshot.member(instrument.id).and_then(|member| {
        let chain = member.book.chain.as_ref().filter(|c| c.looks() > 0)?;
        Some((member, chain, snapshot.forecast(instrument.id)?))
    });
    let Some((member, chain, forecast)) = found else {
        return Ok((None, Vec::new()));
    };
    let limit = member.limits.coma_bench.value;
    let told = Foreseen::of(forecast, member.instrument.design, limit, None);
    let (from, until) = drift_picture::span(snapshot.today, chain.begins);
    let drawn = course(chain, snapshot.model(), from, until);
    let alt = drift_picture::course_words(
        context.club(),
        &instrument.tag,
        chain.looks(),
        &in_100(forecast.chance),
    );
    let mut words = told.words;
    if !snapshot.is_trusted() {
        words.push(
            "Take these chances for a guess: against this club's own past looks they have not yet foretold better than its limits by more than luck explains."
                .to_owned(),
        );
    }
    Ok((CoursePicture::of(&drawn, limit, snapshot.today, alt), words))
}

/// The sentence that borrowers read beside the condition.
pub(super) fn said_to_borrowers(i: &Instrument, a: &Assessment) -> String {
    sentence(i, a, sharpness(i, a))
}

/// Magnifications up to which it looks sharp.
#[derive(Clone, Copy)]
pub(super) struct Sharp {
    /// With the coma of the last test.
    pub(super) today: f64,
    /// With that coma more by its error.
    at_least: f64,
    /// With that coma less by its error.
    at_most: f64,
    /// Without coma.
    perfect: f64,
}

/// None for instruments whose magnification is fixed or that take no star
/// test, and for those that never had one.
pub(super) fn sharpness(i: &Instrument, a: &Assessment) -> Option<Sharp> {
    if !chooses_magnification(i.design) {
        return None;
    }
    let (coma, sigma) = a.coma_rms_waves?;
    let at = |coma: f64| eye::sharp_up_to(coma, i.aperture_mm, eye::DEFAULT_ACUITY_ARCMIN);
    let today = at(coma);
    Some(Sharp {
        today: today.magnification,
        at_least: at(coma + sigma).magnification,
        at_most: at((coma - sigma).max(0.0)).magnification,
        perfect: today.perfect_magnification,
    })
}

fn chooses_magnification(design: Design) -> bool {
    !matches!(design, Design::Binocular | Design::Solar)
}

/// "140": magnifications are told to the next ten, small ones to five.
pub(super) fn about(magnification: f64) -> String {
    let step = if magnification < 60.0 { 5.0 } else { 10.0 };
    show::trimmed((magnification / step).round() * step, 0)
}

/// The share of a perfect telescope's peak brightness from which nobody notices
/// the difference: half the coma of Maréchal's criterion.
const UNNOTICED: f64 = 0.95;

/// "71 % of perfect: planets a little soft above about 120×. Use eyepieces of
/// 17 mm or longer."
fn share_words(i: &Instrument, coma: f64, sharp: Sharp) -> String {
    let share = strehl::exponential(coma);
    let percent = show::percent(share);
    if share >= UNNOTICED {
        return format!("{percent} of perfect: nothing you would notice.");
    }
    let magnification = about(sharp.today);
    format!(
        "{percent} of perfect: planets a little soft above about {magnification}×. Use eyepieces of {:.0}\u{a0}mm or longer.",
        (i.focal_mm / sharp.today.max(1.0)).ceil()
    )
}

fn sentence(i: &Instrument, a: &Assessment, sharp: Option<Sharp>) -> String {
    let shows = match (a.coma_rms_waves, sharp) {
        (Some((coma, _)), Some(sharp)) => share_words(i, coma, sharp),
        _ => String::new(),
    };
    match a.condition {
        Condition::Ready | Condition::Usable if !shows.is_empty() => shows,
        Condition::Ready if i.design == Design::Solar => {
            "Nothing is reported against it. For the Sun only.".to_owned()
        }
        Condition::Ready => "Collimated when last tested.".to_owned(),
        Condition::Usable => a.reasons.first().cloned().unwrap_or_default(),
        Condition::NeedsBench => format!("Not lent until the bench has had it. {shows}"),
        Condition::NotChecked if shows.is_empty() => "Nobody has tested it yet.".to_owned(),
        Condition::NotChecked => format!("Test a star first. At its last test: {shows}"),
    }
}

fn figures(
    i: &Instrument,
    a: &Assessment,
    sharp: Option<Sharp>,
    tested_on: Option<&str>,
) -> Vec<Figure> {
    let mut figures = Vec::new();
    if let Some(s) = sharp {
        let (low, high, perfect) = (about(s.at_least), about(s.at_most), about(s.perfect));
        let range = if low == high {
            String::new()
        } else {
            format!("Between {low}x and {high}x, with the error of the test. ")
        };
        figures.push(Figure {
            label: if a.condition == Condition::NotChecked {
                "Sharp at its last test up to about"
            } else {
                "Sharp today up to about"
            },
            value: about(s.today),
            unit: "x",
            beside: format!("{range}A perfect one of its size: {perfect}x."),
        });
    } else if chooses_magnification(i.design) {
        let perfect = eye::sharp_up_to(0.0, i.aperture_mm, eye::DEFAULT_ACUITY_ARCMIN);
        figures.push(Figure {
            label: "Sharp today up to",
            value: "not known".to_owned(),
            unit: "",
            beside: format!(
                "No star test yet. A perfect one of its size: about {}x.",
                about(perfect.perfect_magnification)
            ),
        });
    }
    if i.design == Design::Binocular
        && let (Some((coma, sigma)), Some(on)) = (a.coma_rms_waves, tested_on)
    {
        figures.push(Figure {
            label: "Coma at its last test",
            value: format!("{coma:.2}"),
            unit: "waves RMS",
            beside: format!("Give or take {sigma:.2}, on {on}. Its low power hides a good deal."),
        });
    }
    let rayleigh = eye::rayleigh_arcsec(i.aperture_mm);
    figures.push(Figure {
        label: "Resolving limit",
        value: show::trimmed(eye::dawes_arcsec(i.aperture_mm), 2),
        unit: "arc seconds",
        beside: format!(
            "Two equal stars, perfect optics, after Dawes. Rayleigh's limit at 550 nm: {} arc seconds.",
            show::trimmed(rayleigh, 2)
        ),
    });
    if chooses_magnification(i.design) {
        figures.push(Figure {
            label: "Highest useful magnification",
            value: show::trimmed(eye::highest_useful_magnification(i.aperture_mm), 0),
            unit: "x",
            beside: "Twice the aperture in millimetres, in air that allows it.".to_owned(),
        });
    }
    figures
}

fn figures_note(i: &Instrument) -> String {
    match i.design {
        Design::Binocular => {
            "Its magnification is fixed, so what you see depends most on how still it is held. A double image or tired eyes: the barrels are out of collimation, which the bench checks on a distant roof edge."
        }
        Design::Solar => "In daylight the air seldom lets a small detail through: expect less than the lens could show.",
        _ => "\"Sharp\" is for an eye that tells 1.5 arc minutes apart in the eyepiece, and leaves the air out.",
    }
    .to_owned()
}

fn gauge(a: &Assessment, tested_on: Option<&str>) -> Option<Gauge> {
    let (coma, sigma) = a.coma_rms_waves?;
    let limit = a.limits.coma_bench.value;
    if limit.is_nan() || limit <= 0.0 {
        return None;
    }
    // The limit stands at two thirds of the bar unless the value needs more room.
    let full = (limit * 1.5).max((coma + sigma) * 1.1);
    let percent = |value: f64| show::trimmed((value / full * 100.0).clamp(0.0, 100.0), 1);
    Some(Gauge {
        value: percent(coma),
        low: percent(coma - sigma),
        high: percent(coma + sigma),
        limit: percent(limit),
        words: format!(
            "Coma {} waves RMS at 550 nm{}; its limit is {limit:.3}.",
            waves_and_error(coma, sigma),
            tested_on.map(|on| format!(" on {on}")).unwrap_or_default()
        ),
    })
}

fn needs(club: &Club, i: &Instrument) -> Vec<(&'static str, String)> {
    let mut needs = Vec::new();
    if let Some(minutes) = i.cool_down_min {
        needs.push((
            "Cool-down",
            if minutes == 0 {
                "none".to_owned()
            } else {
                format!("{minutes} minutes outdoors before it is at its best")
            },
        ));
    }
    if let Some(kg) = i.weight_kg {
        needs.push(("Weight of the tube", show::weight(club, kg)));
        needs.push((
            "Who carries it",
            if cautions::takes_two(i) {
                "two people"
            } else {
                "one person"
            }
            .to_owned(),
        ));
    }
    needs.push(("Focal length", show::length(club, i.focal_mm)));
    if i.obstruction > 0.0 {
        needs.push((
            "Obstruction",
            format!(
                "{} % of its diameter",
                show::trimmed(i.obstruction * 100.0, 0)
            ),
        ));
    }
    if i.uses_diagonal {
        needs.push(("Diagonal", "used with one".to_owned()));
    }
    needs
}

#[cfg(test)]
mod tests {
    use super::about;

    #[test]
    fn magnifications_are_told_as_roughly_as_they_are_known() {
        assert_eq!(about(143.7), "140");
        assert_eq!(about(52.4), "50");
        assert_eq!(about(58.0), "60");
        assert_eq!(about(8.0), "10");
    }
}
