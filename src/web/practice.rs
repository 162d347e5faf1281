//! The practice bench: the collimation session's screens on a simulated instrument. All of
//! it is in the address; nothing is kept.

use askama::Template;
use axum::response::Response;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use super::Error;
use super::access::{Access, Route};
use super::collimation::draw::{donut_address, star_png};
use super::collimation::log::{Looked, step_words};
use super::collimation::stop::Pictures;
use super::collimation::stop::{StopView, stop_words};
use super::collimation::turn::{At, TurnView, turn_view};
use super::extract::Query;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, mend, page, see_other};
use crate::bench::advice::{LEAST_RATIO, Next, defocus_waves};
use crate::bench::orientation::{Orientation, Shade, Side};
use crate::bench::practice::{APERTURE_MM, OBSTRUCTION, Practice};
use crate::bench::replay::Step;
use crate::bench::words::{clock_words, noticed_words};
use crate::optics::wavefront::w020_from_a4;
use crate::startest::by_eye::{ByEye, DonutWidth, Unevenness, judge_by_eye};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Member, "/practice", practice),
        Route::get(Access::Member, "/practice/donut.png", donut),
        Route::get(Access::Member, "/practice/rings", super::rings::rings),
    ]
}

/// The most steps an address may hold.
const MOST_STEPS: usize = 80;

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct Asked {
    seed: String,
    s: String,
    act: String,
    tube_clock: String,
    dark_clock: String,
    star_ratio: String,
    star_clock: String,
    parts: String,
    shaded: String,
}

#[derive(Template)]
#[template(path = "collimation/practice.html")]
struct PracticePage {
    layout: Layout,
    seed: String,
    s: String,
    fresh: String,
    view: &'static str,
    errors: FormErrors,
    picture: String,
    picture_words: String,
    tube_clock: String,
    tube_words: String,
    dark_clock: String,
    star_ratio: String,
    star_clock: String,
    contradiction: String,
    noticed: &'static str,
    turn: Option<TurnView>,
    pictures: Option<Pictures>,
    stop: Option<StopView>,
    truth: String,
    log: Vec<String>,
}

fn seed_of(asked: &Asked) -> Option<u64> {
    asked.seed.trim().parse().ok()
}

/// A seed nobody has seen.
fn fresh_seed() -> u64 {
    u64::from(rand::random::<u32>() % 1_000_000)
}

fn unpack(s: &str) -> Result<Vec<Step>, Error> {
    let wrong = || Error::BadRequest("This practice address is damaged; begin anew.".to_owned());
    if s.is_empty() {
        return Ok(Vec::new());
    }
    let bytes = URL_SAFE_NO_PAD.decode(s).map_err(|_| wrong())?;
    let steps: Vec<Step> = serde_json::from_slice(&bytes).map_err(|_| wrong())?;
    let sound = steps.len() <= MOST_STEPS
        && steps.iter().all(|step| match step {
            Step::Look { coma, sigma, .. } => {
                coma.iter().all(|c| c.abs() < 10.0) && (1e-4..10.0).contains(sigma)
            }
            Step::Adjustment { parts, .. } => {
                parts.len() == 3 && parts.iter().all(|p| p.abs() <= 64)
            }
            Step::Shade { shade, .. } => {
                shade.tube_deg.abs() <= 360.0 && shade.picture_deg.abs() <= 360.0
            }
            Step::Side { .. } | Step::Tension { .. } => true,
        });
    if sound { Ok(steps) } else { Err(wrong()) }
}

fn pack(steps: &[Step]) -> String {
    URL_SAFE_NO_PAD.encode(serde_json::to_vec(steps).unwrap_or_default())
}

fn there(seed: u64, steps: &[Step]) -> String {
    format!("/practice?seed={seed}&s={}", pack(steps))
}

fn hour(typed: &str) -> Option<f64> {
    let hour: u8 = typed.parse().ok()?;
    (1..=12)
        .contains(&hour)
        .then(|| f64::from(hour % 12) * 30.0)
}

fn played(seed: u64, steps: &[Step]) -> Result<Practice, Error> {
    Practice::played(seed, steps).map_err(|e| Error::Broken(e.to_string()))
}

/// How far out of focus the simulated star is shown.
fn shown_defocus(now: &Practice) -> f64 {
    defocus_waves(now.coma, OBSTRUCTION)
}

async fn donut(Query(asked): Query<Asked>) -> Result<Response, Error> {
    let seed = seed_of(&asked).ok_or(Error::NotFound("picture"))?;
    let now = played(seed, &unpack(&asked.s)?)?;
    let shaded = hour(&asked.shaded).map(|tube| now.map.to_picture(tube));
    star_png(now.coma.into(), shown_defocus(&now), OBSTRUCTION, shaded).await
}

async fn practice(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let Some(seed) = seed_of(&asked) else {
        return Ok(see_other(&there(fresh_seed(), &[])));
    };
    let mut steps = unpack(&asked.s)?;
    let mut errors = FormErrors::new();
    let now = played(seed, &steps)?;
    let taken = if steps.len() >= MOST_STEPS {
        None
    } else {
        step_of(&asked, &now, &mut errors)
    };
    if let Some(step) = taken {
        steps.push(step);
        return Ok(see_other(&there(seed, &steps)));
    }
    let shown = practice_page(&context, seed, &steps, &now, &asked, errors);
    if shown.errors.is_empty() {
        page(&shown)
    } else {
        mend(&shown)
    }
}

/// The step that the address asks for.
fn step_of(asked: &Asked, now: &Practice, errors: &mut FormErrors) -> Option<Step> {
    match asked.act.as_str() {
        "shade" => {
            let (tube, dark) = (hour(&asked.tube_clock), hour(&asked.dark_clock));
            if dark.is_none() {
                errors.add("dark_clock", "Dark at: say where the donut went dark.");
            }
            Some(Step::Shade {
                shade: Shade {
                    tube_deg: tube?,
                    picture_deg: dark?,
                    side: Side::Outside,
                },
                anew: false,
            })
        }
        "look" => {
            let ratio = errors.optional_number(
                "star_ratio",
                "Thin side against thick side",
                &asked.star_ratio,
                LEAST_RATIO..=1.0,
            );
            if ratio.is_none() && errors.is_empty() {
                errors.add(
                    "star_ratio",
                    "Thin side against thick side: pick the picture nearest to what you see.",
                );
            }
            let clock = hour(&asked.star_clock);
            if clock.is_none() && ratio.is_some_and(|r| r < 0.95) {
                errors.add(
                    "star_clock",
                    "Where is the thin side: an uneven ring has one.",
                );
            }
            let w020 = shown_defocus(now);
            let judged = judge_by_eye(&ByEye {
                aperture_mm: APERTURE_MM,
                obstruction: OBSTRUCTION,
                width: DonutWidth::OfTrueField {
                    share: 1.0,
                    true_field_deg: (8.0 * w020 * 0.55e-3 / APERTURE_MM).to_degrees(),
                },
                unevenness: Unevenness::Ratio(ratio?),
                thin_clock_deg: clock.filter(|_| ratio.is_some_and(|r| r < 0.95)),
                side_sign: 1.0,
            });
            let judged = judged.ok().filter(|_| errors.is_empty())?;
            Some(Step::Look {
                coma: [judged.coma_x_waves, judged.coma_y_waves],
                sigma: judged.coma_component_sigma_waves,
                eye: None,
            })
        }
        "go" => {
            let parts: Vec<i32> = asked
                .parts
                .split(',')
                .filter_map(|p| p.parse().ok())
                .collect();
            (parts.len() == 3 && parts.iter().all(|p| p.abs() <= 64)).then(|| Step::Adjustment {
                parts,
                jump_deg: None,
                tension: Vec::new(),
            })
        }
        _ => None,
    }
}

fn practice_page(
    context: &RequestContext,
    seed: u64,
    steps: &[Step],
    now: &Practice,
    asked: &Asked,
    errors: FormErrors,
) -> PracticePage {
    let course = &now.course;
    let next = course.next();
    let shading =
        course.shades().len() < 2 && course.response().looks() == 0 && asked.act != "skip";
    let view = match &next {
        _ if shading => "shade",
        Next::Look { .. } => "look",
        Next::Turn(_) => "turn",
        Next::Stop(_) => "stop",
    };
    let tube_deg = Orientation::next_shade_deg(course.shades());
    let tube_clock = match (tube_deg / 30.0).round() as i64 % 12 {
        0 => "12".to_owned(),
        h => h.to_string(),
    };
    let s = pack(steps);
    let w020 = shown_defocus(now);
    let address = |shaded: &str| format!("/practice/donut.png?seed={seed}&s={s}&shaded={shaded}");
    let (coma, _) = course.response().coma();
    PracticePage {
        layout: context.layout("Practice bench"),
        seed: seed.to_string(),
        fresh: format!("/practice?seed={}", fresh_seed()),
        picture: address(if shading { &tube_clock } else { "" }),
        picture_words: format!(
            "A simulated 203 mm Schmidt–Cassegrain, {:.0} waves outside focus, with a diagonal.{}",
            w020_from_a4(crate::optics::wavefront::a4_from_w020(w020)),
            if shading {
                format!(
                    " A hand is held before the tube at {}.",
                    clock_words(tube_deg)
                )
            } else {
                String::new()
            }
        ),
        tube_words: clock_words(tube_deg),
        tube_clock,
        dark_clock: asked.dark_clock.clone(),
        star_ratio: asked.star_ratio.clone(),
        star_clock: asked.star_clock.clone(),
        contradiction: course
            .orientation()
            .contradiction
            .clone()
            .unwrap_or_default(),
        noticed: course.noticed().map_or("", noticed_words),
        turn: match &next {
            Next::Turn(adjustment) if view == "turn" => turn_view(
                course,
                adjustment,
                At {
                    looked: Looked::Star,
                    glass: true,
                    aperture_mm: APERTURE_MM,
                    step: 0,
                    stand: None,
                },
            ),
            _ => None,
        },
        pictures: (view == "turn").then(|| Pictures {
            should: donut_address([0.0, 0.0], w020, OBSTRUCTION),
            does: donut_address([coma.x, coma.y], w020, OBSTRUCTION),
            caption: "Left: collimated. Right: as your star checks say it is now.".to_owned(),
        }),
        stop: match &next {
            Next::Stop(stop) if view == "stop" => Some(stop_words(
                stop,
                coma,
                APERTURE_MM,
                OBSTRUCTION,
                course.footing().aim.threshold_waves,
            )),
            _ => None,
        },
        truth: if view == "stop" {
            format!(
                "What was hidden: it began with {:.2} waves RMS of coma and has {:.3} now.",
                now.start_waves,
                now.coma.norm()
            )
        } else {
            String::new()
        },
        log: steps
            .iter()
            .map(|step| step_words(step, Looked::Star, &course.footing().screws))
            .collect(),
        view,
        s,
        errors,
    }
}
