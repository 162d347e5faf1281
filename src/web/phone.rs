//! A star test by phone: stills, or a video that the browser takes apart, of a donut seen
//! by a phone that is held to the eyepiece. Nobody tells the scale; the rings do.

use askama::Template;
use axum::http::{HeaderValue, header};
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::collimation::{collimation_address, hour_deg};
use super::extract::{Path, Upload};
use super::fields::FormErrors;
use super::measuring::{Circumstances, UNTOLD_PIXEL_UM};
use super::page::{Layout, RequestContext, mend, page};
use super::{lamp, star_test, when};
use crate::bench::orientation::{Orientation, Shade};
use crate::bench::words::clock_words;
use crate::library::club::Club;
use crate::library::instruments::{Design, Instrument};
use crate::library::star_tests::FocusSide;
use crate::library::{Conn, Moment, attempts, collimations};
use crate::startest::measure::{Drift, KnownScale};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(
            Access::Volunteer,
            "/instruments/{tag}/star-test/phone",
            show_form,
        ),
        Route::post(
            Access::Volunteer,
            "/instruments/{tag}/star-test/phone",
            send,
        ),
    ]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct PhoneFields {
    side: String,
    diagonal: String,
    seeing: String,
    lamp: String,
    /// Clock hour of the tube that a hand shaded, and of the picture that went dark.
    shade_tube: String,
    shade_dark: String,
    /// The same of a second shade.
    shade_tube_2: String,
    shade_dark_2: String,
    /// How much the eyepiece magnifies.
    magnification: String,
    /// The star's declination, where the page timed its drift: pixels a second, and 1-sigma.
    declination: String,
    drift_px_s: String,
    drift_px_s_sigma: String,
    note: String,
    taken_on: String,
    taken_at: String,
}

/// One shade's two fields.
struct ShadeRow<'a> {
    tube: &'static str,
    dark: &'static str,
    typed_tube: &'a str,
    typed_dark: &'a str,
}

#[derive(Template)]
#[template(path = "star_test/phone.html")]
struct PhonePage {
    layout: Layout,
    tag: String,
    name: String,
    takes_star_test: bool,
    /// Central obstruction by diameter, as the script reads it.
    obstruction: String,
    /// The running collimation session, or "".
    collimation: String,
    first_shade: String,
    form: PhoneFields,
    errors: FormErrors,
}

impl PhonePage {
    fn rows(&self) -> [ShadeRow<'_>; 2] {
        let form = &self.form;
        [
            ShadeRow {
                tube: "shade_tube",
                dark: "shade_dark",
                typed_tube: &form.shade_tube,
                typed_dark: &form.shade_dark,
            },
            ShadeRow {
                tube: "shade_tube_2",
                dark: "shade_dark_2",
                typed_tube: &form.shade_tube_2,
                typed_dark: &form.shade_dark_2,
            },
        ]
    }

    /// Whether the fold with note and day stands open.
    fn dated(&self) -> bool {
        !(self.form.note.is_empty()
            && self.form.taken_on.is_empty()
            && self.errors.of("note").is_empty()
            && self.errors.of("taken_at").is_empty())
    }

    /// Whether the fold with what is known of the scale stands open.
    fn scaled(&self) -> bool {
        [&self.form.magnification, &self.form.declination]
            .iter()
            .any(|typed| !typed.is_empty())
    }

    /// Whether the fold with the shades stands open.
    fn shaded(&self) -> bool {
        self.rows().iter().any(|r| {
            !(r.typed_tube.is_empty()
                && r.typed_dark.is_empty()
                && self.errors.of(r.tube).is_empty()
                && self.errors.of(r.dark).is_empty())
        })
    }
}

async fn form_page(
    context: &RequestContext,
    conn: &mut Conn,
    instrument: &Instrument,
    form: Option<PhoneFields>,
    errors: FormErrors,
) -> Result<PhonePage, Error> {
    Ok(PhonePage {
        layout: context.layout(&format!("Star test of {} by phone", instrument.tag)),
        tag: instrument.tag.clone(),
        name: instrument.name.clone(),
        takes_star_test: instrument.design.takes_star_test(),
        obstruction: instrument.obstruction.to_string(),
        collimation: collimations::open(conn, instrument.id)
            .await?
            .map_or_else(String::new, collimation_address),
        first_shade: clock_words(Orientation::next_shade_deg(&[])),
        form: form.unwrap_or_else(|| PhoneFields {
            diagonal: if instrument.uses_diagonal { "yes" } else { "" }.to_owned(),
            side: FocusSide::Unknown.slug().to_owned(),
            ..PhoneFields::default()
        }),
        errors,
    })
}

/// The page may show the camera, a window and what was filmed; no other page may.
fn may_film(mut response: Response) -> Response {
    let headers = response.headers_mut();
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(super::FILMING_POLICY),
    );
    headers.insert(
        super::PERMISSIONS_POLICY,
        HeaderValue::from_static(super::FILMING_PERMISSIONS),
    );
    response
}

async fn show_form(context: RequestContext, Path(tag): Path<String>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    let errors = FormErrors::new();
    let shown = form_page(&context, &mut conn, &instrument, None, errors).await?;
    Ok(may_film(page(&shown)?))
}

impl PhoneFields {
    /// A shade of which both hours are told; one hour alone is a mistake.
    fn shade(&self, second: bool, side: FocusSide, errors: &mut FormErrors) -> Option<Shade> {
        let (tube, dark, fields) = if second {
            (
                &self.shade_tube_2,
                &self.shade_dark_2,
                ["shade_tube_2", "shade_dark_2"],
            )
        } else {
            (
                &self.shade_tube,
                &self.shade_dark,
                ["shade_tube", "shade_dark"],
            )
        };
        match (hour_deg(tube), hour_deg(dark)) {
            (Some(tube_deg), Some(picture_deg)) => Some(Shade {
                tube_deg,
                picture_deg,
                side: side.into(),
            }),
            (Some(_), None) => {
                errors.add(fields[1], "Went dark at: say where the donut went dark.");
                None
            }
            (None, Some(_)) => {
                errors.add(
                    fields[0],
                    "Shaded at: say which clock position of the tube was shaded.",
                );
                None
            }
            (None, None) => None,
        }
    }

    /// What is told of the stills' scale.
    fn known_scale(&self, errors: &mut FormErrors) -> KnownScale {
        let magnification = errors.optional_number(
            "magnification",
            "Magnification",
            &self.magnification,
            KnownScale::MAGNIFIES,
        );
        let declination = errors.optional_number(
            "declination",
            "Declination",
            &self.declination,
            KnownScale::DECLINATIONS_DEG,
        );
        // The page's script fills these in; nobody types them.
        let timed = |typed: &str| typed.parse::<f64>().ok();
        let drift = timed(&self.drift_px_s).zip(timed(&self.drift_px_s_sigma));
        if declination.is_some() && drift.is_none() {
            errors.add(
                "declination",
                "Declination: it counts with a drift that this page has timed. Time it with the camera, or leave this empty.",
            );
        }
        let known = KnownScale {
            magnification,
            drift: declination
                .zip(drift)
                .map(|(declination_deg, (px_s, px_s_sigma))| Drift {
                    px_s,
                    px_s_sigma,
                    declination_deg,
                }),
        };
        if let Some(("drift", _)) = known.fault() {
            errors.add(
                "declination",
                "Declination: the drift was not timed well. Time it once more, or leave this empty.",
            );
        }
        known
    }

    fn check(
        &self,
        instrument: &Instrument,
        files: usize,
        club: &Club,
        now: Moment,
    ) -> Result<Circumstances, FormErrors> {
        let mut errors = FormErrors::new();
        if files == 0 {
            errors.add("stills", "Stills: choose one or more, or take them here.");
        }
        let side = errors.word("side", "Side of focus", &self.side);
        let seeing = errors.optional_whole("seeing", "Air", &self.seeing, 1..=5);
        let lamp = lamp::read_for(&mut errors, "lamp", &self.lamp, instrument);
        let told = side.unwrap_or(FocusSide::Unknown);
        let shades = [false, true].map(|second| self.shade(second, told, &mut errors));
        let known_scale = self.known_scale(&mut errors);
        let note = errors.optional_text("note", "Note", &self.note, 1000);
        let taken_at = when::read(
            &mut errors,
            ("taken_on", &self.taken_on),
            ("taken_at", &self.taken_at),
            club,
            now,
        );
        let Some(side) = side.filter(|_| errors.is_empty()) else {
            return Err(errors);
        };
        Ok(Circumstances {
            aperture_mm: instrument.aperture_mm,
            focal_mm: instrument.focal_mm,
            obstruction: instrument.obstruction,
            pixel_um: UNTOLD_PIXEL_UM,
            wavelength_nm: 550.0,
            bandwidth_nm: 200.0,
            side,
            diagonal: self.diagonal == "yes",
            seeing,
            note,
            both_sides: false,
            field_coma: false,
            vane_count: u32::try_from(instrument.vane_count).unwrap_or(0),
            meniscus: instrument.design == Design::MaksutovCassegrain,
            taken_at,
            lamp,
            by_phone: true,
            shades: shades.into_iter().flatten().collect(),
            known_scale,
        })
    }
}

async fn send(
    context: RequestContext,
    Path(tag): Path<String>,
    upload: Upload,
) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let instrument = Instrument::by_tag(&mut conn, &tag).await?;
    star_test::refuse_others(&instrument)?;
    let fields: PhoneFields = upload.fields()?;
    let by = context.person()?.id;
    let told = match fields.check(
        &instrument,
        upload.files.len(),
        context.club(),
        context.now(),
    ) {
        Ok(told) => match attempts::no_room(&mut conn, by).await? {
            None => Ok(told),
            Some(why) => {
                let mut errors = FormErrors::new();
                errors.add("stills", format!("Stills: {why}"));
                Err(errors)
            }
        },
        Err(errors) => Err(errors),
    };
    let told = match told {
        Ok(told) => told,
        Err(errors) => {
            let form = form_page(&context, &mut conn, &instrument, Some(fields), errors).await?;
            return Ok(may_film(mend(&form)?));
        }
    };
    drop(conn);
    let placed = upload
        .files
        .into_iter()
        .enumerate()
        .map(|(place, file)| (place, file.name, file.file))
        .collect();
    star_test::ask(&context, &upload.once, instrument.id, &told, placed).await
}
