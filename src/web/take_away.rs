//! The whole club, taken away: one document and its files in an archive. Coordinators only.

use askama::Template;
use axum::body::Body;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::StreamExt;
use tokio::io::AsyncReadExt;

use super::Error;
use super::access::{Access, Route};
use super::confirm;
use super::extract::GraveForm;
use super::extract::Nothing;
use super::page::{Layout, RequestContext, page};
use crate::intake::whole;
use crate::library;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/club/export", show),
        Route::post(Access::Coordinator, "/club/export.zip", export),
    ]
}

#[derive(Template)]
#[template(path = "intake/take_away.html")]
struct TakeAwayPage {
    layout: Layout,
}

async fn show(context: RequestContext) -> Result<Response, Error> {
    page(&TakeAwayPage {
        layout: context.layout("Take the club away"),
    })
}

fn not_written(error: whole::Error) -> Error {
    match error {
        whole::Error::Library(error) => error.into(),
        whole::Error::File(_, error) => Error::of_file(&error),
        other => Error::Broken(format!("an export: {other}")),
    }
}

/// Writes the archive beside the data, and sends it. All addresses are in it, so the
/// password is asked for again.
async fn export(context: RequestContext, form: GraveForm<Nothing>) -> Result<Response, Error> {
    confirm::asked(&context, &form).await?;
    let library = context.app.library.clone();
    let now = context.now();
    let folder = tempfile::tempdir_in(library.folder()).map_err(|e| Error::of_file(&e))?;
    let path = folder.path().join("club.zip");
    let runtime = tokio::runtime::Handle::current();
    let to = path.clone();
    // Packing takes a thread of its own.
    tokio::task::spawn_blocking(move || runtime.block_on(whole::export(&library, &to, now)))
        .await
        .map_err(|e| Error::Broken(format!("an export: {e}")))?
        .map_err(not_written)?;
    let mut write: library::Write = context.app.library.write().await?;
    context
        .audit(&mut write, "Took the whole club away.")
        .await?;
    write.commit().await?;
    let file = tokio::fs::File::open(&path)
        .await
        .map_err(|e| Error::of_file(&e))?;
    let bytes = file.metadata().await.map_err(|e| Error::of_file(&e))?.len();
    // The folder goes once the last byte is sent.
    let pieces = futures_util::stream::unfold((file, folder), |(mut file, folder)| async move {
        let mut piece = vec![0; 64 * 1024];
        match file.read(&mut piece).await {
            Ok(0) => None,
            Ok(read) => {
                piece.truncate(read);
                Some((Ok(piece), (file, folder)))
            }
            Err(error) => Some((Err(error), (file, folder))),
        }
    })
    // Whoever packs it asks once more when it has ended.
    .fuse();
    let name = format!(
        "attachment; filename=\"club-{}.zip\"",
        context.club().date(now).format("%Y-%m-%d")
    );
    Ok((
        [
            (header::CONTENT_TYPE, "application/zip".to_owned()),
            (header::CONTENT_DISPOSITION, name),
            (header::CONTENT_LENGTH, bytes.to_string()),
            (header::CACHE_CONTROL, "no-store".to_owned()),
        ],
        Body::from_stream(pieces),
    )
        .into_response())
}
