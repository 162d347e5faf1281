//! What is grave asks for the password again: a session left open, or stolen, is
//! not enough to change how its owner signs in, or who coordinates.

use super::Error;
use super::extract::GraveForm;
use super::page::RequestContext;
use super::tries;
use crate::library::sessions::{self, Token};
use crate::library::sign_in_tries::{self, Ended};

/// Passes where the password was typed in this session within the last ten
/// minutes, or comes with the form.
///
/// # Errors
/// [`Error::ConfirmFirst`], which shows the form again with a field for the
/// password; [`Error::SlowDown`] after too many wrong ones.
pub async fn asked<T>(context: &RequestContext, form: &GraveForm<T>) -> Result<(), Error> {
    if context.visitor.confirmed {
        return Ok(());
    }
    let me = context.person()?;
    if form.confirm_password.is_empty() {
        return Err(Error::ConfirmFirst(form.sent.clone(), false));
    }
    let account = tries::account(me.mail());
    let password = form.confirm_password.clone();
    let checked = tries::check(context, &account, Some(me), password).await?;
    let mut write = context.app.library.write().await?;
    if checked.right {
        sign_in_tries::settle_try(&mut write, checked.counted, Ended::In).await?;
        if let Some(token) = &context.visitor.token {
            sessions::confirm(&mut write, &Token::given(token), context.now()).await?;
        }
    } else {
        context
            .audit(
                &mut write,
                "Refused: the password asked for again was wrong.",
            )
            .await?;
    }
    write.commit().await?;
    if checked.right {
        Ok(())
    } else {
        Err(Error::ConfirmFirst(form.sent.clone(), true))
    }
}
