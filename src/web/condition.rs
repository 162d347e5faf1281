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
use super::jobs::JobLine;
use super::page::{Layout, RequestContext, page, see_other};
use super::pictures::{Picture, pictures};
use super::said::{Sharp, about, chooses_magnification, sentence, sharpness};
use super::{Error, address, papers, reservations, show, things};
use crate::library::club::Club;
use crate::library::collimation_lists;
use crate::library::collimations::{self, Collimation};
use crate::library::instruments::{Check, Design, Instrument, State};
use crate::library::loans::Loan;
use crate::library::{Conn, kit, missing_kit, second_looks, star_tests};
use crate::optics::eye;
use crate::startest::words::waves_and_error;
use crate::upkeep::drift::course::course;
use crate::upkeep::due_list::{Foreseen, in_100};
use crate::upkeep::{Assessment, Condition};

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
    has_barrels: bool,
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
    /// Manuals and the like, for who may read them.
    papers: Vec<papers::Row>,
    /// Whether work waits for a second pair of eyes, and whether it may be the visitor's.
    second_look: Option<bool>,
    /// Open problems and who puts them right, for volunteers.
    jobs: Vec<JobLine>,
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
    looked_at: String,
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
    page(&condition_page(&context, &tag, FormErrors::new(), Typed::default()).await?)
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
    let Some(id) = collimation_lists::last_ended(conn, instrument.id).await? else {
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

/// What was typed into the page's forms.
#[derive(Default)]
pub(super) struct Typed {
    /// Under a photo.
    pub caption: String,
    /// What a second person looked at.
    pub looked_at: String,
}

/// The page, with what must be mended in one of its forms.
pub(super) async fn with_mends(
    context: &RequestContext,
    tag: &str,
    errors: FormErrors,
    typed: Typed,
) -> Result<Response, Error> {
    super::page::mend(&condition_page(context, tag, errors, typed).await?)
}

async fn condition_page(
    context: &RequestContext,
    tag: &str,
    errors: FormErrors,
    typed: Typed,
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
    let papers = match context.may(Access::Member) {
        true => papers::for_borrowers(context, &mut conn, instrument.id).await?,
        false => Vec::new(),
    };
    let jobs = match context.may(Access::Volunteer) {
        true => JobLine::of_problems(&mut conn, instrument.id, today).await?,
        false => Vec::new(),
    };
    let may_sign = match (context.person(), club.second_look) {
        (Ok(me), Some(since)) if context.may(Access::Volunteer) => {
            second_looks::may_sign(&mut conn, instrument.id, me.id, since).await?
        }
        _ => None,
    };
    let count_at = things::count_at(&mut conn, context).await?;
    let tested = star_tests::current(&mut conn, Some(instrument.id))
        .await?
        .last()
        .map(|t| t.happened_at);
    let last_collimation = last_collimation(&mut conn, club, &instrument).await?;
    let collimation_open = collimations::open(&mut conn, instrument.id)
        .await?
        .is_some();
    let row = context.shelf_row(&mut conn, instrument.clone()).await?;
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
        has_barrels: instrument.design.check() == Check::Barrels,
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
            Some(due) => format!("On loan {}.", show::back_by(club.date(context.now()), due)),
            None if instrument.place.is_empty() => String::new(),
            None => format!("Its place: {}.", instrument.place),
        },
        waiting: show::waiting(row.waiting),
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
        figures: figures(&instrument, a, sharp),
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
        papers,
        jobs,
        second_look: may_sign.filter(|_| a.second_look.is_some()),
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
        caption: typed.caption,
        looked_at: typed.looked_at,
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
            "Take these chances for a guess: against this club's own past star tests they are not yet better than its limits by more than luck explains."
                .to_owned(),
        );
    }
    Ok((CoursePicture::of(&drawn, limit, snapshot.today, alt), words))
}

fn figures(i: &Instrument, a: &Assessment, sharp: Option<Sharp>) -> Vec<Figure> {
    let mut figures = Vec::new();
    if let Some(s) = sharp {
        let (low, high, perfect) = (about(s.at_least), about(s.at_most), about(s.perfect));
        let range = if low == high {
            String::new()
        } else {
            format!("Between {low}× and {high}×, with the error of the test. ")
        };
        figures.push(Figure {
            label: if a.condition == Condition::NotChecked {
                "Sharp at its last test up to about"
            } else {
                "Sharp today up to about"
            },
            value: about(s.today),
            unit: "×",
            beside: format!("{range}A perfect one of its size: {perfect}×."),
        });
    } else if chooses_magnification(i.design) {
        let perfect = eye::sharp_up_to(0.0, i.aperture_mm, eye::DEFAULT_ACUITY_ARCMIN);
        figures.push(Figure {
            label: "Sharp today up to",
            value: "not known".to_owned(),
            unit: "",
            beside: format!(
                "No star test yet. A perfect one of its size: about {}×.",
                about(perfect.perfect_magnification)
            ),
        });
    }
    if let Some(barrels) = &a.last_barrels {
        figures.push(Figure {
            label: "Barrels at their last check",
            value: show::trimmed(barrels.judged.worst.value, 1),
            unit: "times what eyes accept",
            beside: format!("{}.", barrels.words),
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
            unit: "×",
            beside: "Twice the aperture in millimetres, in air that allows it.".to_owned(),
        });
    }
    figures
}

fn figures_note(i: &Instrument) -> String {
    match i.design {
        Design::Binocular => {
            "Its magnification is fixed, so what you see depends most on how still it is held. A double image or tired eyes: the barrels are out of collimation, which a barrel check on a far roof edge shows."
        }
        Design::Solar => "In daylight the air seldom lets a small detail through: expect less than the lens could show.",
        _ => "\u{201c}Of perfect\u{201d} is the Strehl ratio exp(\u{2212}(2\u{3c0}\u{3c3})\u{b2}) of its coma \u{3c3} on its own aperture (Mahajan, J. Opt. Soc. Am. 71, 75, 1981). \u{201c}Sharp\u{201d} is for an eye that tells 1.5 arc minutes apart in the eyepiece, and leaves the air out.",
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
