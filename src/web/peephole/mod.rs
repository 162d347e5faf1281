//! A look down a Newtonian's focuser by a phone's picture: what is out, and the next
//! adjustment. Nothing is written: the picture is measured and let go.

mod draw;

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::at_work::one_at_a_time;
use super::extract::{FormLimits, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::measures::typed_length;
use super::page::{Layout, RequestContext, mend, page};
use super::{Error, address};
use crate::bench::mechanical::Stage;
use crate::bench::peephole::{Act, Tube, next};
use crate::bench::screw::Element;
use crate::bench::words::{clock_words, turning_cautions};
use crate::library::club::Club;
use crate::library::collimation_lists;
use crate::library::collimations::{Collimation, screw_of, usual_focuser_deg};
use crate::library::instruments::{Design, Instrument};
use crate::library::{Conn, adjusters};
use crate::optics::peephole::{Found, Judged, Offset, Told, Verdict};
use crate::startest::peephole::{Report, Which, measure_file};
use crate::web::collimation::{hour_deg, hour_of};

/// The largest picture, bytes.
const MOST_BYTES: u64 = 20 * 1024 * 1024;

/// Routes.
pub fn routes() -> Vec<Route> {
    let limits = FormLimits {
        files: 1,
        file_bytes: MOST_BYTES,
        ..FormLimits::of(Access::Volunteer)
    };
    vec![
        Route::get(Access::Volunteer, "/instruments/{tag}/peephole", show_form),
        Route::post(Access::Volunteer, "/instruments/{tag}/peephole", measure).holding(limits),
    ]
}

/// The form as typed, without its file.
#[derive(Debug, Default, Clone, serde::Serialize, serde::Deserialize)]
#[serde(default)]
struct Fields {
    flat: String,
    draw: String,
    hole: String,
    outside: String,
    inside: String,
    front_clock: String,
    focuser_clock: String,
}

impl Fields {
    /// What the register and the last collimation session know.
    async fn known(conn: &mut Conn, club: &Club, instrument: &Instrument) -> Result<Self, Error> {
        let focuser = match collimation_lists::last_ended(conn, instrument.id).await? {
            Some(id) => Collimation::get(conn, id).await?.setup.focuser_deg,
            None => usual_focuser_deg(),
        };
        let flat = instrument.obstruction * instrument.aperture_mm;
        Ok(Self {
            flat: if flat >= 10.0 {
                typed_length(club, (flat * 10.0).round() / 10.0)
            } else {
                String::new()
            },
            hole: typed_length(club, 3.0),
            front_clock: "12".to_owned(),
            focuser_clock: hour_of(focuser),
            ..Self::default()
        })
    }

    fn told(&self, errors: &mut FormErrors, instrument: &Instrument) -> (Told, f64) {
        let most = 0.6 * instrument.aperture_mm;
        let flat_mm = errors.length_mm("flat", "Flat\u{2019}s minor axis", &self.flat, 10.0..=most);
        let draw_mm =
            errors.optional_length_mm("draw", "Inside of the drawtube", &self.draw, 15.0..=150.0);
        let hole_mm = errors.length_mm("hole", "Peephole", &self.hole, 0.5..=20.0);
        let outside = errors.optional_length_mm(
            "outside",
            "Peephole from where an eyepiece focuses",
            &self.outside,
            0.0..=150.0,
        );
        let outside = outside.unwrap_or(0.0);
        let told = Told {
            aperture_mm: instrument.aperture_mm,
            focal_mm: instrument.focal_mm,
            flat_mm,
            draw_mm,
            outside_focus_mm: if self.inside == "yes" {
                -outside
            } else {
                outside
            },
            hole_mm,
            front_clock_deg: hour_deg(&self.front_clock),
        };
        let focuser = hour_deg(&self.focuser_clock).unwrap_or_else(usual_focuser_deg);
        (told, focuser)
    }
}

/// One line of the table.
struct Line {
    what: &'static str,
    offset: String,
    limit: String,
    says: &'static str,
}

/// What a picture said.
struct Answer {
    first: String,
    more: Vec<String>,
    cautions: Vec<&'static str>,
    lines: Vec<Line>,
    coma: String,
    beside: Vec<String>,
    notes: Vec<String>,
    drawing: draw::Drawing,
}

#[derive(Template)]
#[template(path = "peephole/form.html")]
struct FormPage {
    layout: Layout,
    name: String,
    tag: String,
    base: String,
    is_newtonian: bool,
    screws: usize,
    answer: Option<Answer>,
    fields: Fields,
    errors: FormErrors,
}

fn form_page(
    context: &RequestContext,
    instrument: &Instrument,
    fields: Fields,
    screws: usize,
) -> FormPage {
    FormPage {
        layout: context.layout(&format!("Look down the focuser of {}", instrument.tag)),
        base: address::instrument(&instrument.tag),
        is_newtonian: instrument.design == Design::Newtonian,
        name: instrument.name.clone(),
        tag: instrument.tag.clone(),
        screws,
        answer: None,
        fields,
        errors: FormErrors::new(),
    }
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let fields = Fields::known(&mut conn, context.club(), &instrument).await?;
    let screws = adjusters::of(&mut conn, instrument.id).await?.len();
    page(&form_page(&context, &instrument, fields, screws))
}

/// Measures the picture and shows what it says.
async fn measure(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: Upload,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    if instrument.design != Design::Newtonian {
        return Err(Error::Refused(format!(
            "{} is no Newtonian: this looks at a flat and a primary down the focuser.",
            instrument.tag
        )));
    }
    let screws: Vec<_> = adjusters::of(&mut conn, instrument.id)
        .await?
        .iter()
        .filter_map(screw_of)
        .collect();
    drop(conn);
    let fields: Fields = upload.fields()?;
    let mut form = form_page(&context, &instrument, fields, screws.len());
    let (told, focuser_deg) = form.fields.told(&mut form.errors, &instrument);
    let mut files = upload.files;
    let file = match (files.pop(), files.is_empty()) {
        (Some(file), true) => Some(file),
        (None, _) => {
            form.errors.add("picture", "Picture: choose one.");
            None
        }
        (Some(_), false) => {
            form.errors.add("picture", "Picture: choose one at a time.");
            None
        }
    };
    let (Some(file), true) = (file, form.errors.is_empty()) else {
        return mend(&form);
    };
    let report = measured(file, told).await?;
    let Some(found) = report.found else {
        for reason in &report.reasons {
            let words = format!("Picture: {} {}", reason.sentence(), reason.mend);
            form.errors.add("picture", words);
        }
        return mend(&form);
    };
    let tube = Tube {
        screws,
        focuser_deg,
    };
    form.answer = Some(answer(&report, &found, &told, &tube));
    page(&form)
}

async fn measured(file: UploadedFile, told: Told) -> Result<Report, Error> {
    one_at_a_time(move || measure_file(file.file.path(), &file.name, &told)).await
}

fn answer(report: &Report, found: &Found, told: &Told, tube: &Tube) -> Answer {
    let advice = next(found, told, Some(tube));
    let mut words = advice.words();
    let first = words.remove(0);
    let element = match advice.stage {
        Stage::Primary => Element::Primary,
        Stage::Focuser | Stage::Secondary => Element::Secondary,
    };
    let acts = matches!(
        advice.act,
        Act::MoveFlat { .. } | Act::Turn(_) | Act::Tilt { .. }
    );
    let cautions = match acts {
        // The Sun stands in the form's own caution.
        true => turning_cautions(element, false, false)
            .into_iter()
            .filter(|words| !words.contains("Sun"))
            .collect(),
        false => Vec::new(),
    };
    if acts {
        words.push("Then take another picture.".to_owned());
    }
    let lines = [
        (
            "Flat off the focuser\u{2019}s axis, at the flat",
            found.flat,
        ),
        (
            "Mark off the focuser\u{2019}s axis, at the primary",
            found.tilt,
        ),
        (
            "Mark off the bright face\u{2019}s middle, at the primary",
            found.primary,
        ),
    ];
    let mut beside = Vec::new();
    if let Some(of) = found.reflection {
        beside.push(format!(
            "Rim of the primary off the rim of the flat, at the flat: {}.",
            offset(of)
        ));
    }
    if found.flat.is_some() {
        beside.push(format!(
            "A flat that was set without an offset is seen {:.1} mm towards the tube\u{2019}s front. That does no harm within the limit.",
            found.no_offset_mm
        ));
    }
    beside.push(format!(
        "Phone off the focuser\u{2019}s axis: {}. This is taken off.",
        offset(found.phone)
    ));
    Answer {
        first,
        more: words,
        cautions,
        lines: lines
            .into_iter()
            .map(|(what, of)| line(what, of.as_ref()))
            .collect(),
        coma: match (found.coma_rms_waves, found.coma_sigma_waves) {
            (Some(coma), Some(sigma)) => format!(
                "The primary\u{2019}s tilt leaves {coma:.3} \u{b1} {sigma:.3} waves of coma in the middle of the field."
            ),
            _ => String::new(),
        },
        beside,
        notes: report
            .notes
            .iter()
            .map(|n| format!("{} {}", n.sentence(), n.mend))
            .collect(),
        drawing: draw::Drawing::of(report),
    }
}

fn offset(of: Offset) -> String {
    format!(
        "{:.1} \u{b1} {:.1}\u{a0}mm, towards {}",
        of.size_mm(),
        of.sigma_mm,
        clock_words(of.clock_deg())
    )
}

fn line(what: &'static str, of: Option<&Judged>) -> Line {
    Line {
        what,
        offset: of.map_or_else(|| "not told".to_owned(), |j| offset(j.offset)),
        limit: of.map_or_else(String::new, |j| format!("{:.1}\u{a0}mm", j.limit_mm)),
        says: match of.map(|j| j.verdict) {
            Some(Verdict::Within) => "Within",
            Some(Verdict::Out) => "Out",
            Some(Verdict::CannotTell) => "Too close to tell",
            None => "",
        },
    }
}
