//! One person with a browser: reads words, fills fields, presses keys.

use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use axum::http::Request;
use fantoccini::actions::{InputSource, MOUSE_BUTTON_LEFT, MouseActions, PointerAction};
use fantoccini::elements::Element;
use fantoccini::wd::{PrintConfigurationBuilder, PrintMargins, PrintSize};
use fantoccini::{Client, Locator};
use http_body_util::Full;
use hyper_util::client::legacy::Client as HttpClient;
use hyper_util::rt::TokioExecutor;
use serde_json::{Value, json};

/// How large the browser's window is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// A phone, upright.
    Phone,
    /// A desk.
    Desk,
    /// A small phone, upright: what the first view is reckoned for.
    SmallPhone,
    /// A small desk, the same.
    SmallDesk,
    /// The narrowest that a page must do without sideways scrolling (WCAG 2.2, 1.4.10).
    Narrow,
    /// A desk of 1280 px at 200 % zoom.
    Zoomed,
}

impl Window {
    /// Width and height, CSS pixels.
    pub fn size(self) -> (u32, u32) {
        match self {
            Self::Phone => (390, 844),
            Self::Desk => (1280, 900),
            Self::SmallPhone => (360, 740),
            Self::SmallDesk => (1280, 800),
            Self::Narrow => (320, 640),
            Self::Zoomed => (640, 400),
        }
    }

    /// Whether it is a phone's.
    pub fn is_phone(self) -> bool {
        matches!(
            self,
            Self::Phone | Self::SmallPhone | Self::Narrow | Self::Zoomed
        )
    }
}

/// Whether the browser runs scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scripts {
    /// It does.
    On,
    /// Its owner has turned them off.
    Off,
}

/// Someone with a browser of their own.
#[derive(Clone)]
pub struct Visitor {
    /// The browser.
    pub client: Client,
    /// Where the club is served.
    pub base: String,
    /// Where the driver tells what the console said.
    pub log_address: String,
    /// The window.
    pub window: Window,
    /// Paths of pages that are known to be refused to this visitor.
    pub refusals: Arc<Mutex<Vec<String>>>,
}

/// How long a page may take to show something.
const PATIENCE: Duration = Duration::from_secs(120);

/// A text as an XPath literal.
fn quoted(words: &str) -> String {
    assert!(!words.contains('"'), "cannot be quoted: {words}");
    format!("\"{words}\"")
}

/// Folds white space.
pub fn folded(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

impl Visitor {
    /// Opens a page of the club.
    pub async fn open(&self, path: &str) {
        let address = format!("{}{path}", self.base);
        self.client.goto(&address).await.unwrap();
    }

    /// Opens a page that answers this visitor with an error.
    pub async fn open_in_vain(&self, path: &str) {
        self.refusals.lock().unwrap().push(path.to_owned());
        self.open(path).await;
    }

    /// The path of the page that is open.
    pub async fn path(&self) -> String {
        self.client.current_url().await.unwrap().path().to_owned()
    }

    /// The words that can be seen on the page.
    pub async fn words(&self) -> String {
        let body = self.client.find(Locator::Css("body")).await.unwrap();
        folded(&body.text().await.unwrap())
    }

    /// The words of what a CSS selector finds first.
    pub async fn words_of(&self, css: &str) -> String {
        let found = self.client.find(Locator::Css(css)).await;
        match found {
            Ok(element) => folded(&element.text().await.unwrap()),
            Err(e) => panic!("nothing like {css} ({e}) on: {}", self.words().await),
        }
    }

    /// Whether a CSS selector finds anything that can be seen.
    pub async fn sees_any(&self, css: &str) -> bool {
        for element in self.client.find_all(Locator::Css(css)).await.unwrap() {
            if element.is_displayed().await.unwrap_or(false) {
                return true;
            }
        }
        false
    }

    /// Waits until a question about the page is answered with yes.
    pub async fn wait_until<F: Future<Output = bool>>(&self, what: &str, ask: impl Fn() -> F) {
        let until = Instant::now() + PATIENCE;
        while !ask().await {
            assert!(
                Instant::now() < until,
                "waited in vain for {what}; the page {} says: {}",
                self.path().await,
                self.words().await
            );
            tokio::time::sleep(Duration::from_millis(150)).await;
        }
    }

    /// Whether the page shows these words now.
    pub async fn shows(&self, words: &str) -> bool {
        // A page being left has no body to read for a moment.
        match self.client.find(Locator::Css("body")).await {
            Ok(body) => body
                .text()
                .await
                .is_ok_and(|text| folded(&text).contains(&folded(words))),
            Err(_) => false,
        }
    }

    /// Waits until the page shows these words.
    pub async fn sees(&self, words: &str) {
        self.wait_until(&format!("\"{words}\""), || self.shows(words))
            .await;
    }

    /// Waits until the page is in dim red.
    pub async fn sees_red(&self) {
        self.wait_until("the red display", || {
            self.sees_any("html[data-display='red']")
        })
        .await;
    }

    async fn first_seen(&self, xpath: &str, what: &str) -> Element {
        let until = Instant::now() + Duration::from_secs(10);
        loop {
            for element in self.client.find_all(Locator::XPath(xpath)).await.unwrap() {
                if element.is_displayed().await.unwrap_or(false) {
                    return element;
                }
            }
            assert!(
                Instant::now() < until,
                "there is no {what} on {}, which says: {}",
                self.path().await,
                self.words().await
            );
            tokio::time::sleep(Duration::from_millis(150)).await;
        }
    }

    /// Presses an element as a finger would, after bringing it into view.
    async fn press_element(&self, element: &Element) {
        let handle = serde_json::to_value(element).unwrap();
        let middle = "arguments[0].scrollIntoView({block: 'center'})";
        self.client.execute(middle, vec![handle]).await.unwrap();
        element
            .click()
            .await
            .unwrap_or_else(|e| panic!("cannot be pressed: {e}"));
    }

    /// Presses a key, link, label or fold by the words on it.
    pub async fn press(&self, words: &str) {
        self.press_in("//body", words).await;
    }

    /// Presses a key, link, label or fold by the words on it, within what an
    /// XPath finds.
    pub async fn press_in(&self, within: &str, words: &str) {
        let w = quoted(words);
        let kinds = "self::a or self::button or self::label or self::summary";
        let whole = format!("{within}//*[{kinds}][normalize-space()={w}]");
        let element = self
            .first_seen(&whole, &format!("key or link \"{words}\""))
            .await;
        self.press_element(&element).await;
    }

    /// Presses a label, link or key whose words begin so.
    pub async fn press_starting(&self, words: &str) {
        let w = quoted(words);
        let kinds = "self::a or self::button or self::label or self::summary";
        let start = format!("//*[{kinds}][starts-with(normalize-space(), {w})]");
        let element = self
            .first_seen(&start, &format!("key or link \"{words}...\""))
            .await;
        self.press_element(&element).await;
    }

    /// Ticks the box whose words begin so, unless it is ticked already.
    pub async fn tick(&self, words: &str) {
        let label = format!(
            "//label[input[@type='checkbox']][starts-with(normalize-space(), {})]",
            quoted(words)
        );
        let element = self
            .first_seen(&label, &format!("box \"{words}...\""))
            .await;
        let tick = element.find(Locator::Css("input")).await.unwrap();
        if !tick.is_selected().await.unwrap() {
            self.press_element(&element).await;
        }
        assert!(tick.is_selected().await.unwrap(), "{words} is ticked");
    }

    /// Presses what a CSS selector finds first.
    pub async fn press_css(&self, css: &str) {
        let element = self
            .client
            .find(Locator::Css(css))
            .await
            .unwrap_or_else(|e| panic!("nothing like {css}: {e}"));
        self.press_element(&element).await;
    }

    /// Draws one stroke on what a CSS selector finds first, through points counted from
    /// its middle in pixels.
    pub async fn draws(&self, css: &str, points: &[(i64, i64)]) {
        let field = self.client.find(Locator::Css(css)).await.unwrap();
        let handle = serde_json::to_value(&field).unwrap();
        let middle = "arguments[0].scrollIntoView({block: 'center'})";
        self.client.execute(middle, vec![handle]).await.unwrap();
        let mut hand = MouseActions::new("hand".to_owned());
        for (place, (x, y)) in points.iter().enumerate() {
            hand = hand.then(PointerAction::MoveToElement {
                element: field.clone(),
                duration: Some(Duration::from_millis(60)),
                x: *x as f64,
                y: *y as f64,
            });
            if place == 0 {
                hand = hand.then(PointerAction::Down {
                    button: MOUSE_BUTTON_LEFT,
                });
            }
        }
        hand = hand.then(PointerAction::Up {
            button: MOUSE_BUTTON_LEFT,
        });
        self.client.perform_actions(hand).await.unwrap();
    }

    /// The field under a label.
    pub async fn field(&self, label: &str) -> Element {
        let l = quoted(label);
        let of_label = format!("//*[@id=//label[normalize-space()={l}]/@for]");
        self.first_seen(&of_label, &format!("field \"{label}\""))
            .await
    }

    /// Types into the field under a label, over what it held.
    pub async fn fill(&self, label: &str, text: &str) {
        let field = self.field(label).await;
        field.clear().await.unwrap();
        field.send_keys(text).await.unwrap();
    }

    /// What the field under a label holds.
    pub async fn holds(&self, label: &str) -> String {
        let field = self.field(label).await;
        field.prop("value").await.unwrap().unwrap_or_default()
    }

    /// Chooses from the list under a label by the words of the choice.
    pub async fn choose(&self, label: &str, choice: &str) {
        let list = self.field(label).await;
        list.select_by_label(choice)
            .await
            .unwrap_or_else(|e| panic!("{label} has no choice \"{choice}\": {e}"));
    }

    /// Chooses from the list under a label by how the choice begins.
    pub async fn choose_starting(&self, label: &str, start: &str) {
        let list = self.field(label).await;
        let choice = format!(
            ".//option[starts-with(normalize-space(), {})]",
            quoted(start)
        );
        list.select_by(Locator::XPath(&choice))
            .await
            .unwrap_or_else(|e| panic!("{label} has no choice \"{start}...\": {e}"));
    }

    /// Picks one of several under a legend by its words.
    pub async fn pick(&self, legend: &str, words: &str) {
        let within = format!("//fieldset[legend[normalize-space()={}]]", quoted(legend));
        let label = format!(
            "{within}//label[.//*[contains(@class, 'pick-words')][starts-with(normalize-space(), {})]]",
            quoted(words)
        );
        let element = self
            .first_seen(&label, &format!("\"{words}\" under \"{legend}\""))
            .await;
        self.press_element(&element).await;
    }

    /// Gives files to the file field of a name.
    pub async fn give_files(&self, field: &str, files: &[PathBuf]) {
        let css = format!("input[type=file][name={field}]");
        let element = self.client.find(Locator::Css(&css)).await.unwrap();
        let names: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
        element.send_keys(&names.join("\n")).await.unwrap();
    }

    /// Opens the menu where it is folded away, and presses one of its entries.
    pub async fn go(&self, entry: &str) {
        if self.sees_any(".menu-key").await {
            self.press("Menu").await;
        }
        self.press_in("//nav[@id='menu']", entry).await;
    }

    /// Signs in with an address and a password.
    pub async fn sign_in(&self, email: &str, phrase: &str) {
        self.open("/sign-in").await;
        self.fill("Email address", email).await;
        self.fill("Password", phrase).await;
        self.press_css("main button[type=submit]").await;
        self.wait_until("being signed in", || async {
            self.path().await != "/sign-in"
        })
        .await;
    }

    /// Runs a script in the page and answers what it returns.
    pub async fn script(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.unwrap()
    }

    /// Gives the browser a command of the DevTools protocol, for which WebDriver has no
    /// words of its own.
    pub async fn devtools(&self, command: &str, params: Value) {
        let address = self.log_address.replace("/se/log", "/goog/cdp/execute");
        let body = json!({ "cmd": command, "params": params }).to_string();
        let request = Request::post(address)
            .header("content-type", "application/json")
            .body(Full::<bytes::Bytes>::from(body))
            .unwrap();
        let answer = HttpClient::builder(TokioExecutor::new())
            .build_http()
            .request(request)
            .await
            .unwrap();
        assert!(answer.status().is_success(), "{command}: {answer:?}");
    }

    /// Fetches a file of the club with the visitor's session, as text.
    pub async fn fetch(&self, path: &str) -> String {
        let answer = self
            .client
            .execute_async(
                "const [path, done] = arguments; fetch(path).then(async a => done(a.status + '\\n' + await a.text()));",
                vec![json!(path)],
            )
            .await
            .unwrap();
        let answer = answer.as_str().unwrap();
        let (status, body) = answer.split_once('\n').unwrap();
        assert_eq!(status, "200", "{path}: {body}");
        body.to_owned()
    }

    /// Takes a picture of the whole page, kept beside the build for people to
    /// look at.
    pub async fn photograph(&self, name: &str) -> Option<PathBuf> {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("browser-screens");
        std::fs::create_dir_all(&folder).ok()?;
        let window = match self.window {
            Window::Phone => "phone",
            Window::Desk => "desk",
            Window::SmallPhone => "small-phone",
            Window::SmallDesk => "small-desk",
            Window::Narrow => "narrow",
            Window::Zoomed => "zoomed",
        };
        let test = std::thread::current().name().unwrap_or("test").to_owned();
        let test = if test.contains("tokio") {
            String::new()
        } else {
            test.replace("::", "-")
        };
        let file = folder.join(format!("{test}-{name}-{window}.png").trim_start_matches('-'));
        std::fs::write(&file, self.client.screenshot().await.ok()?).ok()?;
        Some(file)
    }

    /// Prints the page on paper of this size and answers the PDF.
    pub async fn print(&self, paper: PrintSize) -> Vec<u8> {
        let margins = PrintMargins {
            top: 1.2,
            bottom: 1.2,
            left: 1.2,
            right: 1.2,
        };
        let paper = PrintConfigurationBuilder::default()
            .size(paper)
            .margins(margins)
            .build()
            .unwrap();
        // On a busy machine Chromium may answer that printing failed while the page that was
        // just opened is still being laid out.
        for _ in 0..10 {
            match self.client.print(paper.clone()).await {
                Err(error) if error.to_string().contains("Printing failed") => {
                    tokio::time::sleep(Duration::from_millis(500)).await;
                }
                printed => return printed.unwrap(),
            }
        }
        panic!("the page could not be printed in ten tries");
    }
}
