//! The second step of signing in, for whoever uses a second factor.

use askama::Template;
use axum::response::Response;

use super::Error;
use super::access::{Access, Route};
use super::extract::Form;
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, mend, page};
use super::sign_in::{SignInFields, enter, known_browser, wait_seconds};
use crate::library::people::Person;
use crate::library::sessions::{self, Token, Try};
use crate::library::{self, second_factor};

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
    unsent_action: String,
    unsent_fields: String,
}

#[derive(Template)]
#[template(path = "sign_in_code.html")]
struct CodePage {
    layout: Layout,
    form: CodeFields,
    errors: FormErrors,
}

/// Asks for the code, after a right password.
pub(super) fn ask(
    context: &RequestContext,
    half: &Token,
    form: SignInFields,
) -> Result<Response, Error> {
    page(&CodePage {
        layout: context.layout("Your code"),
        form: CodeFields {
            half: half.text().to_owned(),
            code: String::new(),
            next: form.next,
            unsent_action: form.unsent_action,
            unsent_fields: form.unsent_fields,
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
    let Some(id) = sessions::try_half(&mut write, &half, context.now()).await? else {
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
    let account = person.email.to_lowercase();
    let tried = Try {
        account: &account,
        address: &context.visitor.address,
        browser,
    };
    let wait = wait_seconds(&mut write, tried, context.now()).await?;
    if wait > 0 {
        return Err(Error::SlowDown(wait));
    }
    let right = second_factor::check(&mut write, id, &form.code, context.now()).await?;
    sessions::note_attempt(&mut write, tried, right, context.now()).await?;
    let said = if right {
        "Signed in with a second factor."
    } else {
        "Sign-in refused: wrong code of the second factor."
    };
    context.audit_of(&mut write, Some(id), said).await?;
    if !right {
        write.commit().await.map_err(library::Error::from)?;
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
    sessions::end_half(&mut write, &half).await?;
    let form = SignInFields {
        next: form.next,
        unsent_action: form.unsent_action,
        unsent_fields: form.unsent_fields,
        ..SignInFields::default()
    };
    enter(&context, write, person, browser.is_some(), &form).await
}
