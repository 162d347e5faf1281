//! The second step of signing in, for whoever uses a second factor.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::enter::enter;
use super::extract::Form;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, mend, page};
use super::tries::{self, known_browser};
use crate::library::people::Person;
use crate::library::second_factor;
use crate::library::sessions::Token;
use crate::library::sign_in_tries::{self, Ended, Try};

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![Route::post(Access::Anyone, "/sign-in/code", with_code)]
}

#[derive(Debug, Default, serde::Deserialize)]
#[serde(default)]
struct CodeFields {
    /// The mark of the first step.
    half: String,
    code: String,
    next: String,
}

#[derive(Template)]
#[template(path = "sign_in_code.html")]
struct CodePage {
    layout: Layout,
    form: CodeFields,
    errors: FormErrors,
}

/// Asks for the code, after a right password.
pub(super) fn ask(context: &RequestContext, half: &Token, next: String) -> Result<Response, Error> {
    page(&CodePage {
        layout: context.layout("Your code"),
        form: CodeFields {
            half: half.text().to_owned(),
            code: String::new(),
            next,
        },
        errors: FormErrors::new(),
    })
}

async fn with_code(
    context: RequestContext,
    Form { fields: form, .. }: Form<CodeFields>,
) -> Result<Response, Error> {
    let half = Token::given(&form.half);
    let mut write = context.app.library.write().await?;
    let Some(id) = sign_in_tries::try_half(&mut write, &half, context.now()).await? else {
        return Err(Error::Refused(
            "This sign-in has taken too long or too many codes. Begin again with your password."
                .to_owned(),
        ));
    };
    let person = Person::get(&mut write, id).await?;
    if person.left_at.is_some() || !person.can_sign_in {
        return Err(Error::NotFound("person on the list"));
    }
    let browser = known_browser(&mut write, &context, Some(&person)).await?;
    let account = tries::account(person.mail());
    let tried = Try {
        account: &account,
        network: &context.visitor.network,
        browser,
    };
    let known = browser.is_some();
    let counted = sign_in_tries::count_try(&mut write, tried, context.app.clock.now())
        .await?
        .map_err(Error::slow_down)?;
    let right = second_factor::check(&mut write, id, &form.code, context.now()).await?;
    if right {
        sign_in_tries::settle_try(&mut write, counted, Ended::In).await?;
    }
    let said = if right {
        "Signed in with a second factor."
    } else {
        "Sign-in refused: wrong code of the second factor."
    };
    context.audit_of(&mut write, Some(id), said).await?;
    if !right {
        write.commit().await?;
        let mut errors = FormErrors::new();
        errors.add(
            "code",
            "Code: this is not the one. Wait for the next code of the app and type it, or type a spare code that was not used yet.",
        );
        return mend(&CodePage {
            layout: context.layout("Your code"),
            form: CodeFields {
                code: String::new(),
                ..form
            },
            errors,
        });
    }
    sign_in_tries::end_half(&mut write, &half).await?;
    enter(&context, write, person, known, &form.next).await
}
