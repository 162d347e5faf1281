//! Changing a limit, after a look at what the change would do.

use super::Error;
use super::access::{Access, Route};
use super::extract::{Form, Path, Query};
use super::fields::FormErrors;
use super::limits::with_unit;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::show::capital;
use super::{address, show};
use crate::library::entries::{EntryKind, NewEntry};
use crate::library::instruments::{Design, Instrument};
use crate::library::limits::{self as set_limits, LimitSet, LimitWhat, Whose};
use crate::library::{Conn, InstrumentId};
use crate::upkeep::Fleet;
use crate::upkeep::limits::{self, Limits, about, bounds, unit};
use crate::upkeep::preview::{self, Change, Preview, Touched};
use askama::Template;
use axum::response::Response;
use serde::Deserialize;

/// Routes.
pub fn routes() -> Vec<Route> {
    use Access::Coordinator;
    vec![
        Route::post(Coordinator, "/limits", change_design),
        Route::get(Coordinator, "/limits/change", design_form),
        Route::post(Coordinator, "/instruments/{tag}/limits", change_instrument),
        Route::get(
            Coordinator,
            "/instruments/{tag}/limits/change",
            instrument_form,
        ),
    ]
}

/// The change form as typed.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct ChangeForm {
    design: String,
    what: String,
    /// "value" or "back".
    to: String,
    value: String,
    reason: String,
    /// The value in force when the form was opened.
    seen: String,
    /// "look" shows what it would do, "set" does it.
    step: String,
}

/// Whose limits a form is about.
struct Target {
    whose: Whose,
    /// "every Newtonian" or "N203".
    words: String,
    /// Where its forms go.
    action: String,
    /// Where its limits are listed.
    back: String,
    design: Design,
    instrument: Option<InstrumentId>,
}

impl Target {
    fn design(design: Design) -> Self {
        Self {
            whose: Whose::Design(design),
            words: format!("every {design}"),
            action: "/limits".to_owned(),
            back: "/limits".to_owned(),
            design,
            instrument: None,
        }
    }

    fn instrument(instrument: &Instrument) -> Self {
        let path = format!("{}/limits", address::instrument(&instrument.tag));
        Self {
            whose: Whose::Instrument(instrument.id),
            words: instrument.tag.clone(),
            action: path.clone(),
            back: path,
            design: instrument.design,
            instrument: Some(instrument.id),
        }
    }

    /// The limits in force for it.
    fn in_force(&self, sets: &[LimitSet]) -> Limits {
        match self.instrument {
            Some(id) => limits::in_force(self.design, id, sets),
            None => limits::of_design(self.design, sets),
        }
    }

    /// What holds when nothing is set at its own level.
    fn above(&self, what: LimitWhat, sets: &[LimitSet]) -> f64 {
        match self.instrument {
            Some(_) => limits::of_design(self.design, sets).of(what).value,
            None => limits::default(self.design, what),
        }
    }

    /// Whether something is set at its own level.
    fn is_set(&self, what: LimitWhat, sets: &[LimitSet]) -> bool {
        let in_force = self.in_force(sets);
        let source = &in_force.of(what).source;
        match self.instrument {
            Some(_) => source.is_instruments(),
            None => !source.is_built_in(),
        }
    }
}

#[derive(Template)]
#[template(path = "limits/change.html")]
struct ChangePage {
    layout: Layout,
    target: Target,
    what: &'static str,
    unit: &'static str,
    about: &'static str,
    back_note: &'static str,
    now: String,
    above: String,
    is_set: bool,
    form: ChangeForm,
    errors: FormErrors,
}

impl ChangePage {
    fn new(
        context: &RequestContext,
        target: Target,
        what: LimitWhat,
        sets: &[LimitSet],
        form: ChangeForm,
        errors: FormErrors,
    ) -> Self {
        Self {
            layout: context.layout(&format!("Limit: {what}")),
            now: with_unit(target.in_force(sets).of(what).value, what),
            above: with_unit(target.above(what, sets), what),
            is_set: target.is_set(what, sets),
            back_note: match target.instrument {
                Some(_) => "what holds for its design",
                None => "the default",
            },
            target,
            what: what.slug(),
            unit: unit(what),
            about: about(what),
            form,
            errors,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(default)]
#[derive(Default)]
struct WhichLimit {
    design: String,
    what: String,
}

fn known<W: std::str::FromStr>(typed: &str) -> Result<W, Error> {
    typed.parse().map_err(|_| Error::NotFound("limit"))
}

async fn design_form(
    context: RequestContext,
    Query(which): Query<WhichLimit>,
) -> Result<Response, Error> {
    blank_form(&context, Target::design(known(&which.design)?), &which.what).await
}

async fn instrument_form(
    context: RequestContext,
    Path(tag): Path<String>,
    Query(which): Query<WhichLimit>,
) -> Result<Response, Error> {
    let instrument = Instrument::by_tag(&mut *context.read().await?, &tag).await?;
    blank_form(&context, Target::instrument(&instrument), &which.what).await
}

async fn blank_form(
    context: &RequestContext,
    target: Target,
    what: &str,
) -> Result<Response, Error> {
    let what = known(what)?;
    let mut conn = context.read().await?;
    let sets = set_limits::history(&mut conn).await?;
    let value = show::trimmed(target.in_force(&sets).of(what).value, 4);
    let form = ChangeForm {
        to: "value".to_owned(),
        seen: value.clone(),
        value,
        ..ChangeForm::default()
    };
    page(&ChangePage::new(
        context,
        target,
        what,
        &sets,
        form,
        FormErrors::new(),
    ))
}

async fn change_design(context: RequestContext, form: Form<ChangeForm>) -> Result<Response, Error> {
    let target = Target::design(known(&form.fields.design)?);
    change(context, target, form).await
}

async fn change_instrument(
    context: RequestContext,
    Path(tag): Path<String>,
    form: Form<ChangeForm>,
) -> Result<Response, Error> {
    let instrument = Instrument::by_tag(&mut *context.read().await?, &tag).await?;
    change(context, Target::instrument(&instrument), form).await
}

/// What was typed, checked by itself.
struct Checked {
    value: Option<f64>,
    reason: String,
}

impl ChangeForm {
    fn check(&self, what: LimitWhat) -> (Checked, FormErrors) {
        let mut errors = FormErrors::new();
        let value = match self.to.as_str() {
            "back" => None,
            "value" => {
                let label = "The new limit";
                let value = errors.number("value", label, &self.value, bounds(what));
                if what == LimitWhat::Loans && value.is_finite() && value.fract() != 0.0 {
                    errors.add(
                        "value",
                        "The new limit: loans are counted whole; give a whole number.",
                    );
                }
                Some(value)
            }
            _ => {
                errors.add("to", "Choose a new limit or the way back.");
                None
            }
        };
        let reason = errors.text("reason", "Reason", &self.reason, 500);
        (Checked { value, reason }, errors)
    }
}

#[derive(Template)]
#[template(path = "limits/preview.html")]
struct PreviewPage {
    layout: Layout,
    target: Target,
    sentence: String,
    form: ChangeForm,
    preview: Preview,
    groups: Vec<(&'static str, Vec<Touched>)>,
    again: String,
}

async fn change(
    context: RequestContext,
    target: Target,
    form: Form<ChangeForm>,
) -> Result<Response, Error> {
    let what: LimitWhat = known(&form.fields.what)?;
    let (checked, mut errors) = form.fields.check(what);
    let asked = form.fields;
    let sets_now = set_limits::history(&mut *context.read().await?).await?;
    if !errors.is_empty() {
        let page = ChangePage::new(&context, target, what, &sets_now, asked, errors);
        return mend(&page);
    }
    let change = Change {
        whose: target.whose,
        what,
        value: checked.value,
    };
    let snapshot = context.snapshot().await?;
    if asked.step != "set" {
        let fleet = &snapshot.fleet;
        let shown = preview::of(fleet, &change, context.now());
        judge(&target, &change, &asked, &fleet.sets, &shown, &mut errors);
        if !errors.is_empty() {
            let page = ChangePage::new(&context, target, what, &fleet.sets, asked, errors);
            return mend(&page);
        }
        return page(&PreviewPage {
            layout: context.layout("Before you set it"),
            sentence: sentence(&target, &change, &fleet.sets),
            again: form_address(&target, what),
            target,
            form: asked,
            groups: groups(&shown),
            preview: shown,
        });
    }
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    // The limits may have moved since the preview: judged again within the write.
    let fleet = Fleet::after(Some(&snapshot.fleet), &mut write, context.now()).await?;
    let shown = preview::of(&fleet, &change, context.now());
    judge(&target, &change, &asked, &fleet.sets, &shown, &mut errors);
    if !errors.is_empty() {
        drop(write);
        let page = ChangePage::new(&context, target, what, &fleet.sets, asked, errors);
        return mend(&page);
    }
    let said = sentence(&target, &change, &fleet.sets);
    set(
        &context,
        &mut write,
        &target,
        &change,
        &checked.reason,
        &said,
    )
    .await?;
    let back = target.back;
    write.finish(&back, &said).await
}

/// What a change touches, as the preview lists it; empty groups left out.
fn groups(preview: &Preview) -> Vec<(&'static str, Vec<Touched>)> {
    [
        ("Would become due", &preview.added),
        ("Would no longer be due", &preview.removed),
        ("Would read otherwise", &preview.reread),
    ]
    .into_iter()
    .filter(|(_, list)| !list.is_empty())
    .map(|(heading, list)| (heading, list.clone()))
    .collect()
}

/// Where the form for one limit stands.
fn form_address(target: &Target, what: LimitWhat) -> String {
    match target.whose {
        Whose::Design(design) => {
            format!(
                "/limits/change?design={}&what={}",
                design.slug(),
                what.slug()
            )
        }
        Whose::Instrument(_) => format!("{}/change?what={}", target.back, what.slug()),
    }
}

/// What only the limits in force can tell of a change.
fn judge(
    target: &Target,
    change: &Change,
    asked: &ChangeForm,
    sets: &[LimitSet],
    shown: &Preview,
    errors: &mut FormErrors,
) {
    let now = target.in_force(sets).of(change.what).value;
    if show::trimmed(now, 4) != asked.seen {
        errors.add(
            "value",
            format!(
                "Someone has changed this limit since you opened it; it is {} now. Look again whether yours still fits.",
                with_unit(now, change.what)
            ),
        );
        return;
    }
    let is_set = target.is_set(change.what, sets);
    if change.value.is_none() && !is_set {
        errors.add(
            "to",
            "Nothing is set here, so there is nothing to go back from.",
        );
    } else if change.value == Some(now) && is_set {
        errors.add("value", "That is the limit already. Give another number.");
    }
    let about = match change.what {
        LimitWhat::ComaNote | LimitWhat::ComaBench => Some("coma"),
        LimitWhat::BarrelsNote | LimitWhat::BarrelsBench => Some("limit"),
        LimitWhat::Exposure | LimitWhat::Months | LimitWhat::Loans => None,
    };
    if let Some(about) = about
        && !shown.crossed.is_empty()
    {
        let field = if change.value.is_some() {
            "value"
        } else {
            "to"
        };
        errors.add(
            field,
            format!(
                "The {about} to mention must not be above the {about} for the bench, as it would be for {}. Give another number, or change the other limit first.",
                shown.crossed.join(", ")
            ),
        );
    }
}

/// "Coma for the bench of every Newtonian: 0.1 waves RMS instead of 0.071."
fn sentence(target: &Target, change: &Change, sets: &[LimitSet]) -> String {
    let before = show::trimmed(target.in_force(sets).of(change.what).value, 4);
    let what = capital(change.what.label());
    match change.value {
        Some(value) => format!(
            "{what}, for {}: {} instead of {before}.",
            target.words,
            with_unit(value, change.what)
        ),
        None => format!(
            "{what}, for {}: back to {} from {before}.",
            target.words,
            with_unit(target.above(change.what, sets), change.what)
        ),
    }
}

async fn set(
    context: &RequestContext,
    conn: &mut Conn,
    target: &Target,
    change: &Change,
    reason: &str,
    said: &str,
) -> Result<(), Error> {
    let (by, now) = (context.person()?.id, context.now());
    set_limits::set(
        conn,
        target.whose,
        change.what,
        change.value,
        reason,
        by,
        now,
    )
    .await?;
    if let Some(instrument) = target.instrument {
        NewEntry {
            instrument,
            kind: EntryKind::Limit,
            happened_at: now,
            recorded_at: now,
            by,
            loan: None,
            note: format!("{said} {reason}"),
        }
        .write(conn)
        .await?;
    }
    Ok(())
}
