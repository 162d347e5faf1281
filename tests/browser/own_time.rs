//! A club whose time the test tells. The program makes its folder and prints the first
//! address; then it is served in this process, by the function the program serves by, with
//! a clock that is put off. Its mail goes to a mail server here.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;
use tubewright::library::{Library, Place, expiry};
use tubewright::web::listen::Bounds;
use tubewright::web::post::{Post, carry};
use tubewright::web::{self, App};

use super::club::{Club, new_folder, program_serves, visited};
use super::mail_server::Server;
use super::programs::word_after;

/// What time it is at the club, and what its mail server was given.
pub struct OwnTime {
    app: App,
    zone: Tz,
    post_box: Server,
}

/// One mail that left.
#[derive(Debug, Clone)]
pub struct Letter {
    /// When it was written, by the club's clock.
    pub at: DateTime<Tz>,
    /// The address it went to.
    pub to: String,
    /// What it is about.
    pub subject: String,
    /// What it says.
    pub body: String,
}

/// Opens a club that holds nothing yet for one test, at this day and time of its zone.
pub async fn at_a_new_club_on<F>(
    (day, time): (NaiveDate, &str),
    zone: Tz,
    test: impl FnOnce(Club, Arc<OwnTime>) -> F,
) where
    F: Future<Output = ()> + Send + 'static,
{
    let folder = new_folder();
    let said = tokio::task::block_in_place(|| {
        let (program, said) = program_serves(&folder, false);
        assert_eq!(program.stop(Duration::from_secs(30)), Some(0));
        said
    });
    let data = folder.path().join("data");
    let place = Place::take(&data).unwrap();
    let library = Library::open(&data).await.unwrap();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let post_box = Server::start(folder.path());
    let app = App {
        post: Post::by(&post_box.open_url(), "desk@scopes.example", &base).unwrap(),
        ..App::new(library, None)
    };
    let own_time = Arc::new(OwnTime {
        app: app.clone(),
        zone,
        post_box,
    });
    own_time.set(own_time.moment(day, time));
    // The folder is the same, served at another port.
    let before = word_after(&said, "ready at ").trim_end_matches('/');
    let said = said.replace(before, &base);
    let (end, ended) = tokio::sync::oneshot::channel::<()>();
    let stop = async move {
        let _ = ended.await;
    };
    let serving = tokio::spawn(web::serve(app.clone(), listener, Bounds::default(), stop));
    visited(
        folder,
        said,
        |club| test(club, own_time),
        async move || {
            end.send(()).unwrap();
            serving.await.unwrap().unwrap();
            app.library.close().await;
            drop(place);
        },
    )
    .await;
}

impl OwnTime {
    fn moment(&self, day: NaiveDate, time: &str) -> DateTime<Utc> {
        let time = NaiveTime::parse_from_str(time, "%H:%M").unwrap();
        let local = self.zone.from_local_datetime(&day.and_time(time));
        local.single().unwrap().to_utc()
    }

    /// Makes it this day and time at the club. Time only goes on.
    pub fn it_is(&self, day: NaiveDate, time: &str) {
        let then = self.moment(day, time);
        if then > self.app.clock.now() {
            self.set(then);
        }
    }

    /// The clock is put off by whole seconds, so it may be one late.
    fn set(&self, then: DateTime<Utc>) {
        let off = then - Utc::now() + chrono::Duration::seconds(1);
        self.app.clock.put_off(off);
    }

    /// The day at the club.
    pub fn today(&self) -> NaiveDate {
        self.app.clock.now().with_timezone(&self.zone).date_naive()
    }

    /// What the server does by itself, the one every hour and the other every five minutes.
    pub async fn round(&self) {
        let mut write = self.app.library.write().await.unwrap();
        expiry::remove_expired(&mut write, self.app.clock.now())
            .await
            .unwrap();
        write.commit().await.unwrap();
        carry::round(&self.app).await.unwrap();
        assert_eq!(self.app.post.trouble(), None, "mail goes out");
    }

    /// Goes on to the morning of this day, by each morning before it. Nobody is written to
    /// before nine by the club's clock, and nothing is said twice.
    pub async fn morning_of(&self, day: NaiveDate) {
        for morning in self.today().iter_days().skip(1).take_while(|d| *d <= day) {
            let before = self.letters().len();
            self.it_is(morning, "08:58");
            self.round().await;
            assert_eq!(self.letters().len(), before, "{morning}: nobody is woken");
            self.it_is(morning, "09:03");
            self.round().await;
            let said = self.letters().len();
            self.it_is(morning, "09:08");
            self.round().await;
            assert_eq!(self.letters().len(), said, "{morning}: said once");
        }
    }

    /// The mails that left, in the order they came.
    pub fn letters(&self) -> Vec<Letter> {
        let mails = self.post_box.mails().into_iter();
        mails
            .map(|mail| {
                let at = DateTime::parse_from_rfc2822(&mail.header("Date")).unwrap();
                let (_, body) = mail.text.split_once("\r\n\r\n").unwrap();
                // RFC 2045, 6.7: what a long line is broken by, and the sign that is quoted.
                let quoted = mail.header("Content-Transfer-Encoding") == "quoted-printable";
                let body = match quoted {
                    true => body.replace("=\r\n", "").replace("=3D", "="),
                    false => body.to_owned(),
                };
                Letter {
                    at: at.with_timezone(&self.zone),
                    subject: mail.header("Subject"),
                    to: mail.to,
                    body,
                }
            })
            .collect()
    }

    /// The newest mail to an address.
    ///
    /// # Panics
    /// When none has gone there.
    pub fn letter_to(&self, address: &str) -> Letter {
        let mut all = self.letters();
        all.retain(|letter| letter.to == address);
        all.pop()
            .unwrap_or_else(|| panic!("nothing was sent to {address}"))
    }

    /// The club's data.
    pub fn library(&self) -> &Library {
        &self.app.library
    }
}
