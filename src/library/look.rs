//! Opening the club's data to look at it only: beside a running server, making
//! nothing and changing nothing.

use std::path::Path;
use std::time::Duration;

use sqlx::sqlite::{SqliteConnectOptions, SqlitePoolOptions};

use super::{DATABASE_FILE, Error, Library, MIGRATIONS, Result};

impl Library {
    /// Opens a data folder that is there already, for reading.
    ///
    /// # Errors
    /// Refused when there is no club's data in the folder, or when its layout
    /// is not the one this binary reads.
    pub async fn look_into(folder: &Path) -> Result<Self> {
        let file = folder.join("tubewright.db");
        if !file.is_file() {
            return Err(Error::Refused(format!(
                "There is no club's data in {}. Name the data folder with --data, or start the club with `tubewright serve`.",
                folder.display()
            )));
        }
        let options = SqliteConnectOptions::new()
            .filename(file)
            .read_only(true)
            .foreign_keys(true)
            .busy_timeout(Duration::from_secs(10));
        let readers = SqlitePoolOptions::new()
            .max_connections(4)
            .connect_with(options.clone())
            .await
            .map_err(|e| not_ours(folder, &e))?;
        let library = Self {
            folder: folder.to_owned(),
            readers,
            writer: SqlitePoolOptions::new()
                .max_connections(1)
                .connect_lazy_with(options),
            log: super::write::Log::of(&folder.join(DATABASE_FILE)),
        };
        let applied = sqlx::query_scalar::<_, i64>(
            "SELECT COALESCE(MAX(version), 0) FROM _sqlx_migrations WHERE success",
        )
        .fetch_one(&mut *library.read().await?)
        .await
        .map_err(|e| not_ours(folder, &e))?;
        let known = MIGRATIONS.iter().map(|m| m.version).max().unwrap_or(0);
        if applied == known {
            return Ok(library);
        }
        library.close().await;
        Err(Error::Refused(if applied < known {
            format!(
                "The data in {} was written by an older tubewright. Start the server once with this one to bring it up to date.",
                folder.display()
            )
        } else {
            format!(
                "The data in {} was written by a newer tubewright. Use that one.",
                folder.display()
            )
        }))
    }
}

fn not_ours(folder: &Path, error: &sqlx::Error) -> Error {
    super::held(folder, error).unwrap_or_else(|| {
        let folder = folder.display();
        // SQLITE_CORRUPT.
        Error::Refused(if super::result_code(error) & 0xff == 11 {
            format!("The data in {folder} are damaged ({error}). {}", super::DAMAGED)
        } else {
            format!(
                "The data in {folder} cannot be read ({error}). Is it a tubewright data folder, and may you read it?"
            )
        })
    })
}
