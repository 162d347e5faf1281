//! A club served by the real binary, with browsers at its door.

use std::future::Future;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use fantoccini::ClientBuilder;
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::json;
use tempfile::TempDir;
use tubewright::demo;
use tubewright::library::people::Role;

use super::console;
use super::programs::{Running, program, word_after};
use super::visitor::{Scripts, Visitor, Window};

/// A club while one test visits it.
#[derive(Clone)]
pub struct Club {
    /// Where it is served, without a trailing slash.
    pub base: String,
    /// What the server said as it started.
    pub said: String,
    driver: String,
    folder: Arc<TempDir>,
    visitors: Arc<Mutex<Vec<Visitor>>>,
}

/// No test takes nearly as long.
const LONGEST: Duration = Duration::from_secs(900);

/// Opens the demo club for one test, and closes it after.
pub async fn at_the_demo_club<F>(test: impl FnOnce(Club) -> F)
where
    F: Future<Output = ()> + Send + 'static,
{
    at_a_club(true, test).await;
}

/// Opens a club that holds nothing yet for one test, and closes it after.
pub async fn at_a_new_club<F>(test: impl FnOnce(Club) -> F)
where
    F: Future<Output = ()> + Send + 'static,
{
    at_a_club(false, test).await;
}

/// Opens a club for one test, served by the program.
async fn at_a_club<F>(is_demo: bool, test: impl FnOnce(Club) -> F)
where
    F: Future<Output = ()> + Send + 'static,
{
    let folder = new_folder();
    let (server, said) = tokio::task::block_in_place(|| program_serves(&folder, is_demo));
    visited(folder, said, test, async move || {
        let code = tokio::task::block_in_place(|| server.stop(Duration::from_secs(30)));
        assert_eq!(code, Some(0), "the server stops cleanly on SIGTERM");
    })
    .await;
}

/// A folder for one test, gone when it ends.
pub fn new_folder() -> Arc<TempDir> {
    Arc::new(tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap())
}

/// Lets a test visit a club that is served, whose server said this as it started, and
/// closes every browser and the club after it, whether the test passes or not. A test
/// passes only when no page said anything untoward in its browser's console.
pub async fn visited<F>(
    folder: Arc<TempDir>,
    said: String,
    test: impl FnOnce(Club) -> F,
    close: impl AsyncFnOnce(),
) where
    F: Future<Output = ()> + Send + 'static,
{
    let (driver, club) = tokio::task::block_in_place(|| open(&folder, said));
    let visitors = club.visitors.clone();
    // On a task of its own, so that a failed check does not keep us from tidying up.
    let test = test(club);
    let outcome = tokio::spawn(async move {
        tokio::time::timeout(LONGEST, test)
            .await
            .expect("the test takes too long: something waits for what never comes");
    })
    .await;
    let mut complaints = Vec::new();
    let visitors = std::mem::take(&mut *visitors.lock().unwrap());
    for visitor in visitors {
        if outcome.is_ok() {
            complaints.extend(console::complaints(&visitor).await);
        } else {
            visitor.photograph("failed").await;
        }
        let _ = visitor.client.close().await;
    }
    drop(driver);
    if let Err(failed) = outcome {
        let said = std::fs::read_to_string(folder.path().join("server.err")).unwrap_or_default();
        eprintln!("the server said:\n{said}");
        std::panic::resume_unwind(failed.into_panic());
    }
    close().await;
    assert_eq!(complaints, Vec::<String>::new(), "in the browser's console");
}

/// The folder of a demo club as `serve --demo` makes it. Making it measures
/// its frames, which takes a while without optimisation, so each test starts
/// from a copy; it is made anew for another build and on another day.
fn demo_data() -> PathBuf {
    let targets = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let lock = std::fs::File::create(targets.join("demo-club.lock")).unwrap();
    lock.lock().unwrap();
    let built = std::fs::metadata(env!("CARGO_BIN_EXE_tubewright"))
        .and_then(|m| m.modified())
        .unwrap();
    let built = built.duration_since(std::time::UNIX_EPOCH).unwrap();
    let name = format!(
        "demo-club-{}-{}",
        chrono::Utc::now().date_naive(),
        built.as_millis()
    );
    let folder = targets.join(&name);
    if folder.exists() {
        return folder;
    }
    for old in std::fs::read_dir(targets).unwrap() {
        let old = old.unwrap().path();
        let is_demo = old
            .file_name()
            .is_some_and(|n| n.to_string_lossy().starts_with("demo-club-"));
        if is_demo && old.is_dir() {
            std::fs::remove_dir_all(old).unwrap();
        }
    }
    // Under its name only once it is whole.
    let making = tempfile::tempdir_in(targets).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_tubewright"));
    command
        .args([
            "serve",
            "--demo",
            "--listen",
            "127.0.0.1:0",
            "--data",
            "data",
        ])
        .current_dir(making.path());
    let (server, _) = Running::start(
        "tubewright serve --demo",
        command,
        "ready at ",
        &making.path().join("server.err"),
        Duration::from_secs(900),
    );
    assert_eq!(server.stop(Duration::from_secs(30)), Some(0));
    std::fs::rename(making.path().join("data"), &folder).unwrap();
    folder
}

/// The program, serving the folder `data` in this one, and what it said as it started.
pub fn program_serves(folder: &TempDir, is_demo: bool) -> (Running, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tubewright"));
    command
        .args(["serve", "--listen", "127.0.0.1:0", "--data", "data"])
        .current_dir(folder.path());
    if is_demo {
        command.arg("--demo");
        let data = folder.path().join("data");
        std::fs::create_dir(&data).unwrap();
        for file in std::fs::read_dir(demo_data()).unwrap() {
            let file = file.unwrap().path();
            if file.is_file() {
                std::fs::copy(&file, data.join(file.file_name().unwrap())).unwrap();
            }
        }
    }
    Running::start(
        "tubewright serve",
        command,
        "ready at ",
        &folder.path().join("server.err"),
        Duration::from_secs(180),
    )
}

fn open(folder: &Arc<TempDir>, said: String) -> (Running, Club) {
    let mut command = Command::new(program("CHROMEDRIVER", &["chromedriver"]));
    command.arg("--port=0");
    let (driver, driver_said) = Running::start(
        "chromedriver",
        command,
        "successfully on port ",
        &folder.path().join("driver.err"),
        Duration::from_secs(60),
    );
    let port = word_after(&driver_said, "successfully on port ");
    let club = Club {
        base: word_after(&said, "ready at ")
            .trim_end_matches('/')
            .to_owned(),
        said,
        driver: format!("http://127.0.0.1:{}", port.trim_end_matches('.')),
        folder: folder.clone(),
        visitors: Arc::default(),
    };
    (driver, club)
}

impl Club {
    /// A folder for what the test makes, gone when it ends.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// What a command of ours prints, run on this club's data.
    ///
    /// # Panics
    /// When it does not end with 0.
    pub fn command(&self, arguments: &[&str]) -> String {
        self.command_on("data", arguments)
    }

    /// The same, run on another folder in this club's.
    pub fn command_on(&self, data: &str, arguments: &[&str]) -> String {
        let answer = Command::new(env!("CARGO_BIN_EXE_tubewright"))
            .args(arguments)
            .args(["--data", data])
            .current_dir(self.folder.path())
            .output()
            .unwrap();
        assert!(answer.status.success(), "{arguments:?}: {answer:?}");
        String::from_utf8(answer.stdout).unwrap()
    }

    /// The account of a role that the demo's visitors may use.
    pub fn account(&self, role: Role) -> demo::Account {
        let account = demo::accounts().iter().find(|a| a.role == role);
        account.cloned().unwrap()
    }

    /// Someone of the demo club, signed in by its start page.
    pub async fn signed_in(&self, role: Role, window: Window, scripts: Scripts) -> Visitor {
        self.signed_in_with(role, window, scripts, &[]).await
    }

    /// The same with a browser that is started with these arguments beside the usual.
    pub async fn signed_in_with(
        &self,
        role: Role,
        window: Window,
        scripts: Scripts,
        arguments: &[String],
    ) -> Visitor {
        let visitor = self.visitor_with(window, scripts, arguments).await;
        visitor.open("/").await;
        visitor.press(&format!("Be the {}", role.label())).await;
        visitor.sees("You are signed in as this").await;
        visitor
    }

    /// Someone with a browser of their own.
    pub async fn visitor(&self, window: Window, scripts: Scripts) -> Visitor {
        self.visitor_with(window, scripts, &[]).await
    }

    async fn visitor_with(
        &self,
        window: Window,
        scripts: Scripts,
        arguments: &[String],
    ) -> Visitor {
        let number = self.visitors.lock().unwrap().len();
        let profile = self.folder.path().join(format!("profile-{number}"));
        let mut capabilities = serde_json::Map::new();
        capabilities.insert("browserName".to_owned(), json!("chrome"));
        capabilities.insert("goog:loggingPrefs".to_owned(), json!({ "browser": "ALL" }));
        let mut options = options(window, scripts, &profile);
        if let Some(usual) = options["args"].as_array_mut() {
            usual.extend(arguments.iter().map(|a| json!(a)));
        }
        capabilities.insert("goog:chromeOptions".to_owned(), options);
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities)
            .connect(&self.driver)
            .await
            .unwrap_or_else(|e| panic!("Chromium does not start; does tests/run? {e}"));
        let session = client.session_id().await.unwrap().unwrap();
        let visitor = Visitor {
            client,
            base: self.base.clone(),
            log_address: format!("{}/session/{session}/se/log", self.driver),
            window,
            refusals: Arc::default(),
        };
        self.visitors.lock().unwrap().push(visitor.clone());
        visitor
    }
}

fn options(window: Window, scripts: Scripts, profile: &Path) -> serde_json::Value {
    let (width, height) = window.size();
    let binary: PathBuf = program(
        "CHROMIUM",
        &[
            "chromium",
            "chromium-browser",
            "google-chrome",
            "google-chrome-stable",
        ],
    );
    let mut options = json!({
        "binary": binary,
        "args": [
            "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--disable-dev-shm-usage", "--hide-scrollbars", "--lang=en-GB",
            format!("--user-data-dir={}", profile.display()),
            format!("--window-size={width},{height}"),
        ],
        "prefs": {},
    });
    if window.is_phone() {
        // The driver follows a tap by a timer in the page, which never comes
        // where scripts are off; there it must use a mouse.
        options["mobileEmulation"] = json!({
            "deviceMetrics": {
                "width": width, "height": height, "pixelRatio": 2.0, "touch": scripts == Scripts::On,
            },
        });
    }
    if window == Window::SmallDesk {
        // The browser's own frame takes some of a window's height.
        options["mobileEmulation"] = json!({
            "deviceMetrics": {
                "width": width, "height": height, "pixelRatio": 1.0, "touch": false, "mobile": false,
            },
        });
    }
    if scripts == Scripts::Off {
        options["prefs"]["profile.managed_default_content_settings.javascript"] = json!(2);
    }
    options
}
