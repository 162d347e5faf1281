//! The commands. Each has its arguments and a `run` that answers an exit code.

/// Prints a line on standard output as [`print`] does.
macro_rules! say {
    ($($words:tt)*) => { $crate::commands::print(format!("{}
", format_args!($($words)*)).as_bytes()) };
}

pub mod backup;
pub mod barrels;
pub mod desk;
pub mod doctor;
pub mod due;
pub mod export;
pub mod figures;
pub mod follow;
pub mod intake;
pub mod lending;
pub mod logbook;
pub mod measure;
pub mod peephole;
pub mod people;
pub mod serve;
pub mod star_test;

use std::path::PathBuf;
use std::process::ExitCode;

/// Something broke that is not the caller's doing.
pub const BROKEN: u8 = 1;
/// Wrong usage.
pub const USAGE: u8 = 2;
/// The input was refused.
pub const REFUSED: u8 = 3;

/// The data folder when none is named.
pub const DATA_FOLDER: &str = "tubewright-data";

/// Where the club's data lives.
#[derive(Debug, clap::Args)]
pub struct DataArgs {
    /// The folder that holds the club's data; made when missing
    #[arg(
        long,
        value_name = "DIR",
        env = "TUBEWRIGHT_DATA",
        default_value = DATA_FOLDER
    )]
    pub data: PathBuf,
}

/// Prints on standard output. A reader that has gone away (`tubewright doctor | head -3`) has seen
/// enough; any other failure ends the command with a message.
pub fn print(text: &[u8]) {
    use std::io::Write;
    let mut stdout = std::io::stdout().lock();
    if let Err(error) = stdout.write_all(text).and_then(|()| stdout.flush())
        && error.kind() != std::io::ErrorKind::BrokenPipe
    {
        eprintln!("tubewright: standard output can't be written: {error}");
        std::process::exit(BROKEN.into());
    }
}

/// Runs a future to its end on a fresh runtime.
pub fn block_on<F: Future<Output = anyhow::Result<ExitCode>>>(work: F) -> ExitCode {
    let outcome = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(anyhow::Error::from)
        .and_then(|runtime| runtime.block_on(work));
    match outcome {
        Ok(code) => code,
        Err(error) => {
            eprintln!("tubewright: {error:#}");
            let refused = matches!(
                error.downcast_ref(),
                Some(tubewright::library::Error::Refused(_))
            );
            ExitCode::from(if refused { REFUSED } else { BROKEN })
        }
    }
}

/// Ends when the tool is told to stop. It listens from the call on, not only
/// from when it is waited for.
pub fn stop_signal() -> std::io::Result<impl Future<Output = ()>> {
    #[cfg(unix)]
    let (mut interrupt, mut terminate) = {
        use tokio::signal::unix::{SignalKind, signal};
        (
            signal(SignalKind::interrupt())?,
            signal(SignalKind::terminate())?,
        )
    };
    #[cfg(not(unix))]
    let (mut interrupt, mut terminate) = (
        tokio::signal::windows::ctrl_c()?,
        tokio::signal::windows::ctrl_shutdown()?,
    );
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
    })
}
