//! The start page of who is signed in: what needs a coordinator today, what a
//! volunteer does tonight, what a member has and waits for.

use std::collections::HashSet;

use askama::Template;
use axum::response::Response;
use chrono::NaiveDate;

use super::access::Access;
use super::demo_parts::{self, DemoPart};
use super::page::{Layout, RequestContext, page};
use super::watch::free_share;
use super::{Error, address, due, jobs, show, waiting, work_nights};
use crate::library::club::Club;
use crate::library::instruments::State;
use crate::library::jobs::{self as library_jobs, Job};
use crate::library::loans::{Loan, Which};
use crate::library::messages::Message;
use crate::library::spares::{self, Spare};
use crate::library::things::Kind;
use crate::library::turns::{Lines, Turn};
use crate::library::waits;
use crate::library::work_nights::{WorkNight, assigned};
use crate::library::{Conn, InstrumentId, collimation_lists, problem_list, reports};
use crate::upkeep::due_list::{DueRow, whole_due_list};
use crate::upkeep::{ShelfRow, Snapshot};

/// One thing that asks for something, with the act it leads to.
pub struct Task {
    tag: String,
    href: String,
    words: String,
    late: bool,
    act: &'static str,
    act_href: String,
}

/// Tasks of one kind.
pub struct Card {
    count: usize,
    title: &'static str,
    tasks: Vec<Task>,
    /// Where the rest are, "" where all are shown.
    more: &'static str,
}

/// The most rows of one kind; the rest are a tap away.
const ROWS: usize = 5;

impl Card {
    fn of(title: &'static str, tasks: Vec<Task>, all: &'static str) -> Self {
        let count = tasks.len();
        Self::first(title, tasks, count, all)
    }

    /// The first rows, of so many.
    fn first(title: &'static str, mut tasks: Vec<Task>, count: usize, all: &'static str) -> Self {
        tasks.truncate(count.min(ROWS));
        Self {
            more: if count > tasks.len() { all } else { "" },
            count,
            title,
            tasks,
        }
    }

    fn is_any(&self) -> bool {
        self.count > 0
    }
}

/// What a member has at home or waits for.
struct Own {
    tag: String,
    href: String,
    name: String,
    words: String,
    late: bool,
}

#[derive(Template)]
#[template(path = "today/coordinator.html")]
struct CoordinatorPage {
    layout: Layout,
    day: String,
    cards: Vec<Card>,
    well: Vec<String>,
    /// Whether they sign in by password alone.
    by_password_alone: bool,
    amiss: Vec<String>,
    night: Option<Night>,
    demo: Option<Vec<DemoPart>>,
}

#[derive(Template)]
#[template(path = "today/volunteer.html")]
struct VolunteerPage {
    layout: Layout,
    day: String,
    /// Whether they are a coordinator whose second factor is missing.
    held_back: bool,
    cards: Vec<Card>,
    night: Option<Night>,
    demo: Option<Vec<DemoPart>>,
}

#[derive(Template)]
#[template(path = "today/member.html")]
struct MemberPage {
    layout: Layout,
    has: Vec<Own>,
    waits: Vec<Own>,
    contact: String,
    demo: Option<Vec<DemoPart>>,
}

/// The next work night.
struct Night {
    href: String,
    tonight: bool,
    words: String,
    tags: Vec<String>,
}

/// The start page of whoever is signed in.
pub async fn today_page(context: RequestContext) -> Result<Response, Error> {
    let demo = context
        .club()
        .demo
        .then(|| demo_parts::parts(context.person().ok().map(|p| p.mail())));
    let day = context.club().date(context.now());
    let words = day.format("%A %-d %B").to_string();
    if !context.may(Access::Volunteer) {
        return member_page(&context, day, demo).await;
    }
    let snapshot = context.snapshot().await?;
    let mut conn = context.read().await?;
    let out = Loan::count_open(&mut conn, day).await?;
    let night = next_night(&mut conn, day).await?;
    drop(conn);
    let mine = jobs::of_person(&context, context.person()?.id).await?;
    let mine: Vec<Task> = mine.iter().map(|job| job_row(job, day)).collect();
    let mut conn = context.read().await?;
    if !context.may(Access::Coordinator) {
        let running = running(&mut conn).await?;
        let unseen = unseen(&mut conn, context.club(), day).await?;
        let back = first_due(&mut conn, 0).await?;
        drop(conn);
        return page(&VolunteerPage {
            layout: context.layout("Today"),
            day: words,
            held_back: context.visitor.held_back,
            cards: vec![
                Card::first(
                    "to come back",
                    back.iter().map(|loan| coming_back(loan, day)).collect(),
                    out.late + out.due_today,
                    "/loans",
                ),
                Card::of("to continue at the bench", running, "/collimations"),
                Card::of("for you to do", mine, "/jobs?who=me"),
                Card::of("reported, to look at", unseen, "/reports"),
            ],
            night,
            demo,
        });
    }
    let plan = match &night {
        Some(night) => night.href.clone(),
        None => "/work-nights/new".to_owned(),
    };
    let all_jobs = library_jobs::list(&mut conn, None).await?;
    let reported = reported(&mut conn, context.club(), day).await?;
    let me = context.person()?.id;
    let late_jobs = all_jobs.iter().filter(|job| !job.is_of(me));
    let late_jobs = late_jobs.filter(|job| job.days_late(day).is_some());
    let late_jobs = late_jobs.map(|job| job_row(job, day)).collect();
    let low = low_spares(&mut conn).await?;
    let (to_lend, things_to_lend) = to_lend(&mut conn, &snapshot, &context).await?;
    let unsaid = unsaid(&mut conn, context.app.post.sends()).await?;
    let unseen = unseen(&mut conn, context.club(), day).await?;
    let late = first_due(&mut conn, 0).await?;
    let back = first_due(&mut conn, out.late).await?;
    let by_password_alone = !context.club().demo && !context.visitor.second_factor;
    drop(conn);
    let late = late.iter().map(|l| late_row(l, day)).collect();
    let back = back.iter().map(|l| coming_back(l, day)).collect();
    let list = whole_due_list(&snapshot, context.club(), context.now());
    let before_next = list.due.iter().filter(|row| row.waiting > 0);
    let before_next = before_next
        .map(|row| wanted(row, context.club(), day, &plan))
        .collect();
    let amiss = context.app.watch.amiss();
    let free = free_share(context.app.library.folder());
    let mut well: Vec<String> = Vec::new();
    if amiss.is_empty() {
        well.push("The machine reports nothing amiss".to_owned());
        well.push(if context.app.watch.backs_up() {
            "Backups are made by themselves".to_owned()
        } else {
            "No backup is made by itself: see --backup-into".to_owned()
        });
        well.extend(free.map(|share| format!("Disk {:.0}\u{a0}% free", 100.0 * share)));
    }
    let mut cards = vec![
        Card::first("late", late, out.late, "/loans?show=overdue"),
        Card::of("wanted, but due for the bench first", before_next, "/due"),
        Card::first("come back today", back, out.due_today, "/loans"),
        Card::of("reported, to look at", unseen, "/reports"),
        reported,
        Card::of("taken on, and late", late_jobs, "/jobs?show=late"),
        Card::of("to tell in person", unsaid, "/messages"),
        Card::of("can be lent to who waits", to_lend, "/shelf?sort=waiting"),
    ];
    // Of these nobody misses the word that there are none.
    let things = Card::of(
        "other things can be lent to who waits",
        things_to_lend,
        "/things?waiting=yes",
    );
    let mine = Card::of("for you to do", mine, "/jobs?who=me");
    cards.extend([things, mine, low].into_iter().filter(Card::is_any));
    page(&CoordinatorPage {
        layout: context.layout("Today"),
        day: words,
        cards,
        well,
        by_password_alone,
        amiss: amiss.into_iter().map(|one| one.words).collect(),
        night,
        demo,
    })
}

/// What is out and due first, behind so many.
async fn first_due(conn: &mut Conn, skip: usize) -> Result<Vec<Loan>, Error> {
    let which = Which {
        open: true,
        skip: skip as i64,
        rows: Some(ROWS as i64),
        ..Which::default()
    };
    Ok(Loan::list(conn, which).await?)
}

fn late_row(loan: &Loan, today: NaiveDate) -> Task {
    let days = show::days_late((today - loan.due_on).num_days());
    // Who has no address is reminded some other way.
    let (act, act_href) = match loan.borrower_email.as_str() {
        "" => ("See the loan", format!("/loans/{}", loan.id)),
        email => {
            let subject = address::part(&loan.tag);
            ("Remind", format!("mailto:{email}?subject={subject}"))
        }
    };
    Task {
        tag: loan.tag.clone(),
        href: format!("/loans/{}", loan.id),
        words: format!("{}, {days}", loan.borrower),
        late: true,
        act,
        act_href,
    }
}

fn coming_back(loan: &Loan, today: NaiveDate) -> Task {
    let days = (today - loan.due_on).num_days();
    Task {
        tag: loan.tag.clone(),
        href: address::instrument(&loan.tag),
        words: if days > 0 {
            format!("{}, {}", loan.borrower, show::days_late(days))
        } else {
            loan.borrower.clone()
        },
        late: days > 0,
        act: "Check in",
        act_href: super::address::check_in(&loan.tag),
    }
}

/// A job of whoever looks, or one that is late.
fn job_row(job: &Job, today: NaiveDate) -> Task {
    let words = due::cut(job.problem.words.trim_end_matches('.'));
    let late = job.days_late(today);
    let when = match (late, job.terms.due_on) {
        (Some(days), _) => format!(", {}", show::days_late(days)),
        (None, Some(day)) => format!(", by {}", show::short_day(day, today)),
        (None, None) => String::new(),
    };
    Task {
        tag: job.tag.clone(),
        href: address::instrument(&job.tag),
        words: format!("{words}{when}"),
        late: late.is_some(),
        act: "Work on it",
        act_href: format!("{}/work", address::instrument(&job.tag)),
    }
}

/// Spare parts of which there are few, in one row.
async fn low_spares(conn: &mut Conn) -> Result<Card, Error> {
    let mut low = spares::all(conn).await?;
    low.retain(Spare::is_low);
    let count = low.len();
    let task = low.first().map(|first| Task {
        // A tag is short; a name need not be.
        tag: first.there_are(),
        href: format!("/spares/{}", first.id),
        words: match count {
            1 => format!("of {}", first.particulars.name),
            n => format!("of {}; {} more low", first.particulars.name, n - 1),
        },
        late: false,
        act: "See them",
        act_href: "/spares?show=low".to_owned(),
    });
    Ok(Card {
        count,
        title: "low among the spare parts",
        tasks: task.into_iter().collect(),
        more: "",
    })
}

/// Somebody waits for it, and it is due for the bench first.
fn wanted(row: &DueRow, club: &Club, today: NaiveDate, plan: &str) -> Task {
    let why = row.reasons.first();
    let why = why.map(|reason| due::cut(&due::short_why(row, reason, club, today)));
    let is_there = matches!(row.state, State::AtTheBench | State::HeldForTheBench);
    Task {
        tag: row.tag.clone(),
        href: address::instrument(&row.tag),
        words: format!(
            "{}\u{a0}waiting · {}",
            row.waiting,
            why.unwrap_or_else(|| row.condition.to_string())
        ),
        late: false,
        act: if is_there { "Look" } else { "Plan" },
        act_href: if is_there {
            "/bench".to_owned()
        } else {
            plan.to_owned()
        },
    }
}

/// What was reported, is not settled yet, and that nobody has taken on; the newest first.
async fn reported(conn: &mut Conn, club: &Club, today: NaiveDate) -> Result<Card, Error> {
    let (count, newest) = problem_list::untaken(conn, ROWS as i64).await?;
    let tasks = newest.into_iter().map(|p| Task {
        href: format!("{}/logbook", address::instrument(&p.tag)),
        words: format!(
            "{}, {}",
            due::cut(p.words.trim_end_matches('.')),
            show::ago(club.date(p.happened_at), today)
        ),
        late: false,
        act: "Work on it",
        act_href: format!("{}/work", address::instrument(&p.tag)),
        tag: p.tag,
    });
    Ok(Card {
        count,
        title: "problems reported",
        tasks: tasks.collect(),
        more: if count > ROWS {
            "/problems?job=none"
        } else {
            ""
        },
    })
}

/// Whose turn it is, or else the first in line, for what is on the shelf and may be lent:
/// instruments, and other things.
async fn to_lend(
    conn: &mut Conn,
    snapshot: &Snapshot,
    context: &RequestContext,
) -> Result<(Vec<Task>, Vec<Task>), Error> {
    let waiting = context.waiting(conn, snapshot).await?;
    let lines = context.lines(conn, snapshot).await?;
    let rows = snapshot.shelf(context.now());
    let fit = |row: &&ShelfRow| {
        row.instrument.state() == State::OnTheShelf && row.assessment.condition.goes_out()
    };
    let mut fit: HashSet<InstrumentId> = rows
        .iter()
        .filter(fit)
        .map(|row| row.instrument.id)
        .collect();
    fit.extend(waits::things_there(conn).await?);
    let (mut tasks, mut things) = (Vec::new(), Vec::new());
    for wait in waiting.iter() {
        let kept = lines.kept(wait.instrument_id);
        // The first of each, and no other.
        if kept.is_some_and(|kept| kept.wait_id != wait.id) || !fit.remove(&wait.instrument_id) {
            continue;
        }
        let of_its_kind = match wait.kind {
            Kind::Instrument => &mut tasks,
            _ => &mut things,
        };
        of_its_kind.push(Task {
            href: address::of_kind(wait.kind, &wait.tag),
            words: wait.person_and_wish(),
            late: false,
            act: "Lend",
            act_href: format!(
                "{}/lend?to={}",
                address::instrument(&wait.tag),
                wait.person_id
            ),
            tag: wait.tag.clone(),
        });
    }
    Ok((tasks, things))
}

/// Messages that mail does not bring, because the server would not have them or who they
/// are for has no address: somebody has to say them. Without a server that is so of all,
/// and nobody is reminded of each.
async fn unsaid(conn: &mut Conn, sends: bool) -> Result<Vec<Task>, Error> {
    let all = Message::unsaid(conn, sends).await?;
    let tasks = all.into_iter().map(|m| Task {
        tag: m.person,
        href: "/messages".to_owned(),
        words: m.subject,
        late: false,
        act: "Tell them",
        act_href: "/messages".to_owned(),
    });
    Ok(tasks.collect())
}

/// Reports that nobody has looked at, the oldest first.
async fn unseen(conn: &mut Conn, club: &Club, today: NaiveDate) -> Result<Vec<Task>, Error> {
    let which = reports::Which {
        waiting: true,
        ..reports::Which::default()
    };
    let all = reports::list(conn, &which).await?;
    let tasks = all.into_iter().rev().map(|one| Task {
        href: address::instrument(&one.tag),
        words: format!(
            "{}, {}",
            show::capital(one.what.label()),
            show::ago(club.date(one.reported_at), today)
        ),
        late: false,
        act: "Look",
        act_href: format!("/reports/{}", one.id),
        tag: one.tag,
    });
    Ok(tasks.collect())
}

/// Collimation sessions that were begun and not ended.
async fn running(conn: &mut Conn) -> Result<Vec<Task>, Error> {
    let running = collimation_lists::running(conn).await?;
    let tasks = running.into_iter().map(|one| Task {
        href: address::instrument(&one.tag),
        words: one.name,
        late: false,
        act: "Continue",
        act_href: format!("{}/collimation", address::instrument(&one.tag)),
        tag: one.tag,
    });
    Ok(tasks.collect())
}

async fn next_night(conn: &mut Conn, today: NaiveDate) -> Result<Option<Night>, Error> {
    let Some(night) = WorkNight::next(conn, today).await? else {
        return Ok(None);
    };
    let open = assigned(conn, night.id).await?.into_iter();
    let open = open.filter(|a| a.done_at.is_none());
    let tags = open.map(|a| a.tag);
    Ok(Some(Night {
        href: format!("/work-nights/{}", night.id),
        tonight: night.held_on == today,
        words: work_nights::in_short(&night),
        tags: tags.collect(),
    }))
}

async fn member_page(
    context: &RequestContext,
    today: NaiveDate,
    demo: Option<Vec<DemoPart>>,
) -> Result<Response, Error> {
    let me = context.person()?.id;
    let mut conn = context.read().await?;
    let which = Which {
        borrower: Some(me),
        open: true,
        ..Which::default()
    };
    let has = Loan::list(&mut conn, which).await?.into_iter().map(|loan| {
        let late = (today - loan.due_on).num_days();
        Own {
            href: format!("/loans/{}", loan.id),
            words: match late {
                1.. => format!(
                    "{}: it was due {}",
                    show::days_late(late),
                    show::short_day(loan.due_on, today)
                ),
                0 => "Due back today".to_owned(),
                -1 => "Due back tomorrow".to_owned(),
                days => format!(
                    "Due back {}, in {}\u{a0}days",
                    show::short_day(loan.due_on, today),
                    -days
                ),
            },
            late: late > 0,
            tag: loan.tag,
            name: loan.instrument_name,
        }
    });
    let has = has.collect();
    let lines = Lines::of_person(&mut conn, me, context.club(), today).await?;
    let mut mine = Vec::new();
    for wait in waits::open(&mut conn, None, Some(me)).await? {
        let turn = lines.turn(wait.id).unwrap_or(Turn::Later { ahead: 0 });
        mine.push(Own {
            href: address::of_kind(wait.kind, &wait.tag),
            words: waiting::turn_words(turn, today),
            late: false,
            tag: wait.tag,
            name: wait.instrument_name,
        });
    }
    page(&MemberPage {
        layout: context.layout("Today"),
        has,
        waits: mine,
        contact: context.club().contact.clone(),
        demo,
    })
}
