//! What is to be said now, worked out from the library: nothing of it is stored but the
//! messages themselves, and what is no longer so is dropped before it is sent.

use chrono::{Datelike, Duration, NaiveDate, Timelike, Weekday};

use super::words::{day, letter};
use crate::library::club::Club;
use crate::library::loans::{Loan, Which};
use crate::library::messages::{Kind, NewMessage};
use crate::library::people::{Person, Role};
use crate::library::turns::Lines;
use crate::library::{Conn, Moment, PersonId, Result, problems, reservations, things};
use crate::upkeep::Snapshot;
use crate::upkeep::due_list::{Filter, due_list};
use crate::web::{address, show};

/// How many days before a loan is due its borrower hears of it.
pub const SOON_DAYS: i64 = 3;
/// Days between two messages about a late loan; the first comes on the first day.
pub const LATE_EVERY_DAYS: i64 = 7;
/// How long after a problem was settled its reporter may still hear of it.
pub const SETTLED_DAYS: i64 = 7;
/// The club's clock shows so many hours before anything of the day is said.
const FIRST_HOUR: u32 = 9;
/// The most lines of one kind in the week's message.
const WEEK_LINES: usize = 8;

/// Who writes, and where the tool is.
#[derive(Clone, Copy)]
struct Desk<'a> {
    club: &'a Club,
    base: &'a str,
}

impl Desk<'_> {
    /// A letter about one thing: `about` tells it from others of its kind.
    fn to(
        self,
        (person, name): (PersonId, &str),
        kind: Kind,
        about: String,
        subject: String,
        lines: &[String],
    ) -> NewMessage {
        NewMessage {
            kind,
            person,
            about,
            subject,
            body: letter(self.club, name, lines),
            to_address: None,
        }
    }

    /// Where to read how an instrument is; of a thing its address leads to its page.
    fn how_it_is(self, words: &str, tag: &str) -> String {
        format!("{words}: {}{}", self.base, address::instrument(tag))
    }
}

/// Everything that should be said now, whether it has been or not.
///
/// # Errors
/// When the library cannot be read.
pub async fn wanted(
    conn: &mut Conn,
    club: &Club,
    snapshot: &Snapshot,
    base: &str,
    now: Moment,
) -> Result<Vec<NewMessage>> {
    let desk = Desk { club, base };
    let today = club.date(now);
    let loans = Loan::list(
        conn,
        Which {
            open: true,
            ..Which::default()
        },
    )
    .await?;
    let mut all: Vec<NewMessage> = loans
        .iter()
        .filter_map(|loan| of_loan(loan, desk, today))
        .collect();
    all.extend(turns(conn, desk, snapshot, now).await?);
    all.extend(reserved(conn, desk, today).await?);
    all.extend(settled(conn, desk, snapshot, now).await?);
    all.extend(week(conn, desk, snapshot, &loans, now).await?);
    Ok(all)
}

/// Whether the club's day has begun for messages: nobody is woken by one.
pub fn day_has_begun(club: &Club, now: Moment) -> bool {
    now.with_timezone(&club.tz()).hour() >= FIRST_HOUR
}

/// Due in a few days, or late.
fn of_loan(loan: &Loan, desk: Desk<'_>, today: NaiveDate) -> Option<NewMessage> {
    let Desk { club, base } = desk;
    let left = (loan.due_on - today).num_days();
    let lent_for = (loan.due_on - club.date(loan.lent_at)).num_days();
    let where_to = format!(
        "Details, and what to do when something is wrong: {base}/loans/{}",
        loan.id
    );
    let of = |kind, about, subject, lines: &[String]| {
        desk.to(
            (loan.borrower_id, &loan.borrower),
            kind,
            about,
            subject,
            lines,
        )
    };
    match left {
        // A loan of a few days needs no such word.
        0..=SOON_DAYS if lent_for > SOON_DAYS => Some(of(
            Kind::DueSoon,
            format!("{} {}", loan.id, loan.due_on),
            match left {
                0 => format!("{} is due back today", loan.tag),
                1 => format!("{} is due back tomorrow", loan.tag),
                n => format!("{} is due back in {n} days", loan.tag),
            },
            &[
                format!(
                    "{} ({}) is due back on {}.",
                    loan.tag,
                    loan.instrument_name,
                    day(loan.due_on)
                ),
                "Bring back everything in the kit, and tell the desk of knocks and long drives: it helps the next borrower.".to_owned(),
                where_to,
            ],
        )),
        ..0 => {
            let late = -left;
            Some(of(
                Kind::Late,
                format!("{} {} {}", loan.id, loan.due_on, (late - 1) / LATE_EVERY_DAYS),
                format!("{} is {} late", loan.tag, show::counted(late as usize, "day", "days")),
                &[
                    format!(
                        "{} ({}) was due back on {}. Please bring it back, or tell the desk when you will.",
                        loan.tag,
                        loan.instrument_name,
                        day(loan.due_on)
                    ),
                    where_to,
                ],
            ))
        }
        _ => None,
    }
}

/// Whom an instrument is kept for, where it goes out as it is, or a thing.
async fn turns(
    conn: &mut Conn,
    desk: Desk<'_>,
    snapshot: &Snapshot,
    now: Moment,
) -> Result<Vec<NewMessage>> {
    let Desk { club, base } = desk;
    let lines = Lines::load(conn, None, club, club.date(now)).await?;
    let turns = lines.all_kept().iter().filter_map(|kept| {
        if kept.kind == things::Kind::Instrument {
            let member = snapshot.member(kept.instrument_id)?;
            if !snapshot.fleet.judge(member, now).condition.goes_out() {
                return None;
            }
        }
        Some(desk.to((kept.person_id, &kept.person), Kind::YourTurn, format!("{} {}", kept.wait_id, kept.until), format!("{} is here for you", kept.tag), &[
                    format!(
                        "{} ({}) is on the shelf, and you are the next in line. It is kept for you until {}.",
                        kept.tag,
                        kept.name,
                        day(kept.until)
                    ),
                    format!("Tell the desk when you will fetch it. If you no longer want it, take yourself off the list, so that the next may have it: {base}/my-loans"),
                    desk.how_it_is("How it is", &kept.tag),
                ]))
    });
    Ok(turns.collect())
}

/// What is reserved for somebody from one of the next days on.
async fn reserved(conn: &mut Conn, desk: Desk<'_>, today: NaiveDate) -> Result<Vec<NewMessage>> {
    let coming = reservations::from_day(conn, None, today).await?;
    let told = coming.into_iter().filter_map(|one| {
        let days = (one.from_on - today).num_days();
        if !(0..=SOON_DAYS).contains(&days) {
            return None;
        }
        let (person, name) = (one.person_id?, one.person?);
        Some(desk.to(
            (person, &name),
            Kind::Reserved,
            format!("{} {}", one.id, one.from_on),
            format!("{} is reserved for you", one.tag),
            &[
                format!(
                    "{} ({}) is reserved for you from {} to {}.",
                    one.tag,
                    one.instrument_name,
                    day(one.from_on),
                    day(one.until_on)
                ),
                desk.how_it_is("How it is", &one.tag),
            ],
        ))
    });
    Ok(told.collect())
}

/// What people reported and work has settled, told to who reported it.
async fn settled(
    conn: &mut Conn,
    desk: Desk<'_>,
    snapshot: &Snapshot,
    now: Moment,
) -> Result<Vec<NewMessage>> {
    let Desk { club, .. } = desk;
    let since = now - Duration::days(SETTLED_DAYS);
    let settled = problems::settled_since(conn, since).await?;
    let told = settled.into_iter().filter_map(|one| {
        let i = &snapshot.member(one.instrument_id)?.instrument;
        Some(desk.to(
            (one.reported_by, &one.reporter),
            Kind::Settled,
            one.entry_id.to_string(),
            format!("{}: what you reported is settled", i.tag),
            &[
                format!(
                    "On {} you reported of {}: \"{}\"",
                    show::date(club, one.reported_at),
                    i.tag,
                    one.problem_words
                ),
                format!(
                    "On {} it was settled: {}",
                    show::date(club, one.settled_at),
                    match one.work_words.as_str() {
                        "" => one.work.label().to_owned() + ".",
                        words => words.to_owned(),
                    }
                ),
                desk.how_it_is("How it is now", &i.tag),
            ],
        ))
    });
    Ok(told.collect())
}

/// The week ahead, to those who answer for the shelf: from Monday morning on.
async fn week(
    conn: &mut Conn,
    desk: Desk<'_>,
    snapshot: &Snapshot,
    loans: &[Loan],
    now: Moment,
) -> Result<Vec<NewMessage>> {
    let Desk { club, base } = desk;
    let today = club.date(now);
    let monday = today.week(Weekday::Mon).first_day();
    let sunday = monday + Duration::days(6);
    let mut lines = Vec::new();
    let mut part = |title: String, rows: Vec<String>| {
        if !rows.is_empty() {
            let left = rows.len().saturating_sub(WEEK_LINES);
            let mut text = format!("{title}:\n");
            for row in rows.iter().take(WEEK_LINES) {
                text.push_str(&format!("- {row}\n"));
            }
            if left > 0 {
                text.push_str(&format!("- and {left} more\n"));
            }
            lines.push(text.trim_end().to_owned());
        }
    };
    let late = loans.iter().filter(|l| l.due_on < today);
    let late: Vec<String> = late
        .map(|l| {
            let days = show::counted((today - l.due_on).num_days() as usize, "day", "days");
            format!("{}, {}, {days}", l.tag, l.borrower)
        })
        .collect();
    part("Late".to_owned(), late);
    let back = loans
        .iter()
        .filter(|l| (today..=sunday).contains(&l.due_on));
    let back: Vec<String> = back
        .map(|l| format!("{}, {}, {}", l.tag, l.borrower, l.due_on.format("%A")))
        .collect();
    part("Due back this week".to_owned(), back);
    let due = due_list(snapshot, club, &Filter::default(), None, now);
    let rows = due.due.iter().map(|row| {
        let why = row.reasons.first().map(|r| r.words.as_str());
        format!("{}: {}", row.tag, why.unwrap_or_default())
    });
    part(
        format!("Due for the bench, {} in all", due.due_in_all),
        rows.collect(),
    );
    if lines.is_empty() {
        return Ok(Vec::new());
    }
    lines.push(format!("All of it: {base}/"));
    let people = Person::list(conn).await?;
    let coordinators = people.iter().filter(|p| p.role == Role::Coordinator);
    let week = monday.iso_week();
    Ok(coordinators
        .map(|person| {
            desk.to(
                (person.id, &person.name),
                Kind::Week,
                format!("{}-W{:02}", week.year(), week.week()),
                format!("{}: the week from {}", club.name, monday.format("%-d %B")),
                &lines,
            )
        })
        .collect())
}
