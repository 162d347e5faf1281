//! What is to be said now, worked out from the library: nothing of it is stored but the
//! messages themselves, and what is no longer so is dropped before it is sent.

use chrono::{Datelike, Duration, NaiveDate, Timelike, Weekday};

use super::words::{day, letter};
use crate::library::club::Club;
use crate::library::loans::{Loan, Which};
use crate::library::messages::{Kind, NewMessage};
use crate::library::people::{Person, Role};
use crate::library::turns::Lines;
use crate::library::{Conn, Moment, Result, problems, reservations};
use crate::upkeep::due_list::{Filter, due_list};
use crate::upkeep::{Condition, Snapshot};
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
        .filter_map(|loan| of_loan(loan, club, base, today))
        .collect();
    all.extend(turns(conn, club, snapshot, base, now).await?);
    all.extend(reserved(conn, club, base, today).await?);
    all.extend(settled(conn, club, snapshot, base, now).await?);
    all.extend(week(conn, club, snapshot, base, &loans, now).await?);
    Ok(all)
}

/// Whether the club's day has begun for messages: nobody is woken by one.
pub fn day_has_begun(club: &Club, now: Moment) -> bool {
    now.with_timezone(&club.tz()).hour() >= FIRST_HOUR
}

/// Due in a few days, or late.
fn of_loan(loan: &Loan, club: &Club, base: &str, today: NaiveDate) -> Option<NewMessage> {
    let left = (loan.due_on - today).num_days();
    let lent_for = (loan.due_on - club.date(loan.lent_at)).num_days();
    let where_to = format!(
        "Details, and what to do when something is wrong: {base}/loans/{}",
        loan.id
    );
    let of = |kind, about: String, subject: String, lines: Vec<String>| NewMessage {
        kind,
        person: loan.borrower_id,
        about,
        subject,
        body: letter(club, base, &loan.borrower, &lines),
        to_address: None,
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
            vec![
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
                vec![
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

/// Whom an instrument is kept for, where it may be lent as it is.
async fn turns(
    conn: &mut Conn,
    club: &Club,
    snapshot: &Snapshot,
    base: &str,
    now: Moment,
) -> Result<Vec<NewMessage>> {
    let lines = Lines::load(conn, None, club, club.date(now)).await?;
    let turns = lines.all_kept().iter().filter_map(|kept| {
        let member = snapshot.member(kept.instrument_id)?;
        let i = &member.instrument;
        let condition = snapshot.fleet.judge(member, now).condition;
        if !matches!(condition, Condition::Ready | Condition::Usable) {
            return None;
        }
        Some(NewMessage {
            kind: Kind::YourTurn,
            person: kept.person_id,
            about: format!("{} {}", kept.wait_id, kept.until),
            subject: format!("{} is here for you", i.tag),
            body: letter(
                club,
                base,
                &kept.person,
                &[
                    format!(
                        "{} ({}) is on the shelf, and you are the next in line. It is kept for you until {}.",
                        i.tag,
                        i.name,
                        day(kept.until)
                    ),
                    format!("Tell the desk when you will fetch it. If you no longer want it, take yourself off the list, so that the next may have it: {base}/my-loans"),
                    format!("How it is: {base}{}", address::instrument(&i.tag)),
                ],
            ),
            to_address: None,
        })
    });
    Ok(turns.collect())
}

/// What is reserved for somebody from one of the next days on.
async fn reserved(
    conn: &mut Conn,
    club: &Club,
    base: &str,
    today: NaiveDate,
) -> Result<Vec<NewMessage>> {
    let coming = reservations::from_day(conn, None, today).await?;
    let told = coming.into_iter().filter_map(|one| {
        let days = (one.from_on - today).num_days();
        if !(0..=SOON_DAYS).contains(&days) {
            return None;
        }
        let (person, name) = (one.person_id?, one.person?);
        Some(NewMessage {
            kind: Kind::Reserved,
            person,
            about: format!("{} {}", one.id, one.from_on),
            subject: format!("{} is reserved for you", one.tag),
            body: letter(
                club,
                base,
                &name,
                &[
                    format!(
                        "{} ({}) is reserved for you from {} to {}.",
                        one.tag,
                        one.instrument_name,
                        day(one.from_on),
                        day(one.until_on)
                    ),
                    format!("How it is: {base}{}", address::instrument(&one.tag)),
                ],
            ),
            to_address: None,
        })
    });
    Ok(told.collect())
}

/// What people reported and work has settled, told to who reported it.
async fn settled(
    conn: &mut Conn,
    club: &Club,
    snapshot: &Snapshot,
    base: &str,
    now: Moment,
) -> Result<Vec<NewMessage>> {
    let since = now - Duration::days(SETTLED_DAYS);
    let settled = problems::settled_since(conn, since).await?;
    let told = settled.into_iter().filter_map(|one| {
        let i = &snapshot.member(one.instrument_id)?.instrument;
        Some(NewMessage {
            kind: Kind::Settled,
            person: one.reported_by,
            about: one.entry_id.to_string(),
            subject: format!("{}: what you reported is settled", i.tag),
            body: letter(
                club,
                base,
                &one.reporter,
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
                    format!("How it is now: {base}{}", address::instrument(&i.tag)),
                ],
            ),
            to_address: None,
        })
    });
    Ok(told.collect())
}

/// The week ahead, to those who answer for the shelf: from Monday morning on.
async fn week(
    conn: &mut Conn,
    club: &Club,
    snapshot: &Snapshot,
    base: &str,
    loans: &[Loan],
    now: Moment,
) -> Result<Vec<NewMessage>> {
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
        .map(|person| NewMessage {
            kind: Kind::Week,
            person: person.id,
            about: format!("{}-W{:02}", week.year(), week.week()),
            subject: format!("{}: the week from {}", club.name, monday.format("%-d %B")),
            body: letter(club, base, &person.name, &lines),
            to_address: None,
        })
        .collect())
}
