//! Adding an instrument: its design first, then the form filled with what is
//! usual for it.

use askama::Template;
use axum::response::Response;
use serde::Deserialize;

use super::access::{Access, Route};
use super::extract::{Form, Query};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::register_form::{AdjusterRow, Checked, RegisterForm};
use super::{Error, address, first_evening};
use crate::library::adjusters::{self, AdjusterKind, Element, Head};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::{self, Design, Instrument};
use crate::library::{self, Conn, InstrumentId, designs, kit};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Volunteer, "/register/new", begin),
        Route::post(Access::Volunteer, "/register/new", add),
    ]
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    design: String,
    aperture: String,
    focal: String,
}

/// One design to choose, with what it looks like and how to tell it.
struct DesignCard {
    slug: &'static str,
    label: &'static str,
    words: &'static str,
}

fn cards() -> Vec<DesignCard> {
    Design::ALL
        .iter()
        .map(|&design| DesignCard {
            slug: design.slug(),
            label: design.label(),
            words: how_to_tell(design),
        })
        .collect()
}

/// How one tells the design with the instrument in hand.
fn how_to_tell(design: Design) -> &'static str {
    match design {
        Design::Newtonian => "Open tube, mirror at the bottom, eyepiece at the side near the top.",
        Design::SchmidtCassegrain => {
            "Short tube closed by a nearly flat glass plate, eyepiece behind."
        }
        Design::AplanaticSchmidtCassegrain => {
            "The same with its field corrected; the maker says so on the tube."
        }
        Design::MaksutovCassegrain => "Short tube closed by a deep, thick window, eyepiece behind.",
        Design::ClassicalCassegrain => {
            "Open tube with two mirrors on vanes, long focus, eyepiece behind."
        }
        Design::RitcheyChretien => "The same made for wide pictures, with a large secondary.",
        Design::Achromat => "Lens in front; a thin violet rim on bright stars.",
        Design::Apochromat => "Lens in front, often of three glasses; hardly any colour.",
        Design::Binocular => "Two tubes, one for each eye.",
        Design::Solar => "Made for the Sun only, with its filter built in.",
    }
}

#[derive(Template)]
#[template(path = "register/design.html")]
struct DesignPage {
    layout: Layout,
    cards: Vec<DesignCard>,
    asked: Asked,
    errors: FormErrors,
}

/// The form, for adding and for editing.
#[derive(Template)]
#[template(path = "register/form.html")]
pub(super) struct FormPage {
    pub(super) layout: Layout,
    pub(super) form: RegisterForm,
    pub(super) errors: FormErrors,
    pub(super) rows: Vec<AdjusterRow>,
    pub(super) designs: &'static [Design],
    pub(super) elements: &'static [Element],
    pub(super) kinds: &'static [AdjusterKind],
    pub(super) heads: &'static [Head],
    pub(super) currency: String,
    pub(super) adjusters_open: bool,
    /// The instrument edited, or "" when one is added.
    pub(super) tag: String,
    pub(super) action: String,
    /// What the form held when it was opened, to bring two edits together.
    pub(super) base: String,
    /// Who has changed it meanwhile, or "".
    pub(super) changed_by: String,
    /// Whether the tag was another instrument's before, and it is asked whether that is meant.
    pub(super) asks_former: bool,
    /// What a changed design changes, where that is asked about.
    pub(super) design_changes: Vec<String>,
}

/// Where it was ticked, another's former tag leads to this one from now on.
pub(super) async fn release_where_ticked(
    conn: &mut Conn,
    ticked: bool,
    tag: &str,
    own: Option<InstrumentId>,
) -> Result<(), Error> {
    if ticked
        && let Some(other) = instruments::formerly(conn, tag).await?
        && Some(other.id) != own
    {
        instruments::release_former_tag(conn, tag).await?;
    }
    Ok(())
}

impl FormPage {
    pub(super) fn new(
        context: &RequestContext,
        title: &str,
        form: RegisterForm,
        errors: FormErrors,
    ) -> Self {
        Self {
            layout: context.layout(title),
            rows: form.adjuster_rows(),
            designs: Design::ALL,
            elements: Element::ALL,
            kinds: AdjusterKind::ALL,
            heads: Head::ALL,
            currency: context.club().currency.clone(),
            adjusters_open: errors
                .all()
                .iter()
                .any(|(field, _)| field.starts_with("a_")),
            tag: String::new(),
            action: "/register/new".to_owned(),
            base: String::new(),
            changed_by: String::new(),
            asks_former: errors.of("tag").contains("old labels"),
            design_changes: Vec::new(),
            form,
            errors,
        }
    }
}

async fn begin(context: RequestContext, Query(asked): Query<Asked>) -> Result<Response, Error> {
    let mut errors = FormErrors::new();
    let aperture =
        errors.optional_length_mm("aperture", "Aperture", &asked.aperture, 10.0..=2000.0);
    let focal = errors.optional_length_mm("focal", "Focal length", &asked.focal, 20.0..=40_000.0);
    let nothing_asked = [&asked.design, &asked.aperture, &asked.focal]
        .iter()
        .all(|text| text.is_empty());
    if !nothing_asked && asked.design.parse::<Design>().is_err() {
        errors.add("design", "Design: choose the one that fits best.");
    }
    match asked.design.parse::<Design>() {
        Ok(design) if errors.is_empty() => {
            let usual = designs::usual(design, aperture, focal);
            let form = RegisterForm::usual(context.club(), design, &usual);
            page(&FormPage::new(&context, "Add an instrument", form, errors))
        }
        _ => {
            let template = DesignPage {
                layout: context.layout("Add an instrument"),
                cards: cards(),
                asked,
                errors,
            };
            if template.errors.is_empty() {
                page(&template)
            } else {
                mend(&template)
            }
        }
    }
}

async fn add(
    context: RequestContext,
    Form { fields, once }: Form<RegisterForm>,
) -> Result<Response, Error> {
    let form = fields.folded();
    let again = |form: RegisterForm, errors: FormErrors| {
        mend(&FormPage::new(&context, "Add an instrument", form, errors))
    };
    let checked = match form.check() {
        Ok(checked) => checked,
        Err(errors) => return again(form, errors),
    };
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let Checked {
        particulars: p,
        kit: parts,
        adjusters: screws,
    } = &checked;
    let by = context.person()?.id;
    release_where_ticked(&mut write, form.former_ok == "yes", &p.tag, None).await?;
    let id = match Instrument::add(&mut write, p, context.now(), by).await {
        Ok(id) => id,
        Err(library::Error::Refused(why)) => {
            drop(write);
            let mut errors = FormErrors::new();
            errors.add("tag", why);
            return again(form, errors);
        }
        Err(other) => return Err(other.into()),
    };
    kit::set(&mut write, id, parts, context.now()).await?;
    adjusters::set(&mut write, id, screws).await?;
    NewEntry {
        instrument: id,
        kind: EntryKind::Register,
        happened_at: context.now(),
        recorded_at: context.now(),
        by,
        loan: None,
        note: format!("Added to the register as {}: {}.", p.tag, p.name),
    }
    .write(&mut write)
    .await?;
    let usually = address::instrument(&p.tag);
    let onward =
        first_evening::onward(&mut write, &context, |has| has.instruments, usually).await?;
    write
        .finish(
            &onward,
            &format!("{} is on the shelf. Print its label next.", p.tag),
        )
        .await
}
