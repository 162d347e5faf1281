//! `tubewright serve`.

use std::net::SocketAddr;
use std::process::ExitCode;

use anyhow::Context;
use chrono::Utc;
use tubewright::library::Library;
use tubewright::library::people::Person;
use tubewright::library::sessions::{self, Purpose};
use tubewright::web::{self, App};

use super::{DataArgs, block_on};

/// Arguments of `serve`.
#[derive(Debug, clap::Args)]
pub struct ServeArgs {
    #[command(flatten)]
    data: DataArgs,
    /// Address and port to listen on; port 0 takes any free one
    #[arg(
        long,
        value_name = "ADDR:PORT",
        env = "TUBEWRIGHT_LISTEN",
        default_value = "127.0.0.1:8017"
    )]
    listen: SocketAddr,
    /// Where the club reaches the tool, such as https://scopes.example.org; https makes cookies secure
    #[arg(long, value_name = "URL", env = "TUBEWRIGHT_PUBLIC_ADDRESS")]
    public_address: Option<String>,
    /// Serve an invented club from a folder of its own, made anew each time
    #[arg(long, env = "TUBEWRIGHT_DEMO")]
    demo: bool,
}

/// Runs the server until SIGINT or SIGTERM.
pub fn run(args: ServeArgs) -> ExitCode {
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("TUBEWRIGHT_LOG")
                .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn")),
        )
        .init();
    block_on(serve(args))
}

async fn serve(args: ServeArgs) -> anyhow::Result<ExitCode> {
    let library = Library::open(&args.data.data).await?;
    let listener = tokio::net::TcpListener::bind(args.listen)
        .await
        .with_context(|| format!("cannot listen on {}", args.listen))?;
    let address = listener.local_addr()?;
    let public = args.public_address.clone();
    let base = public
        .clone()
        .unwrap_or_else(|| format!("http://{address}"));
    let base = base.trim_end_matches('/').to_owned();
    first_address(&library, &base).await?;
    let app = App::new(library.clone(), public.as_deref());
    println!("Tubewright is ready at {base}/");
    web::serve(app, listener, stop_signal()).await?;
    library.close().await;
    Ok(ExitCode::SUCCESS)
}

/// Prints the one-time set-up address while nobody can run the club.
async fn first_address(library: &Library, base: &str) -> anyhow::Result<()> {
    let mut write = library.write().await?;
    if Person::coordinators_who_can_sign_in(&mut write).await? == 0 {
        let token =
            sessions::make_address(&mut write, Purpose::SetUp, None, None, Utc::now()).await?;
        write.commit().await?;
        println!(
            "Nobody can sign in yet. Set the club up at this address, which works once, for three days:\n  {base}/welcome/{}",
            token.text()
        );
    }
    Ok(())
}

async fn stop_signal() {
    let interrupt = async {
        let _ = tokio::signal::ctrl_c().await;
    };
    #[cfg(unix)]
    let terminate = async {
        match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
            Ok(mut signal) => {
                signal.recv().await;
            }
            Err(_) => std::future::pending().await,
        }
    };
    #[cfg(not(unix))]
    let terminate = std::future::pending::<()>();
    tokio::select! {
        () = interrupt => {}
        () = terminate => {}
    }
}
