//! Pictures of drift: coma over time for one instrument, the fleet's bars, the
//! calibration plot. Lines and shapes tell, not colours; no scripts.

use crate::library::club::Club;
use crate::upkeep::drift::back_test::Class;
use crate::upkeep::drift::course::{Course, Mark};
use crate::upkeep::drift::from_history::day_of;
use chrono::{DateTime, Datelike, NaiveDate, Utc};

/// Width of the pictures, in their own units.
pub const WIDE: f64 = 720.0;
/// Height of the course.
pub const HIGH: f64 = 260.0;
const LEFT: f64 = 54.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 14.0;
const FOOT: f64 = 34.0;

/// A mark ready to draw.
pub struct Drawn {
    /// Across.
    pub x: String,
    /// Down.
    pub y: String,
    /// Ends of its error bar.
    pub low: String,
    /// See `low`.
    pub high: String,
    /// look-eye, look-frames or bench.
    pub kind: &'static str,
    /// Corners, where it is a shape of corners.
    pub points: String,
}

/// A tick of an axis.
pub struct Tick {
    /// Where.
    pub at: String,
    /// Words.
    pub words: String,
}

/// Something that happened, marked on the axis.
pub struct Happened {
    /// Across.
    pub x: String,
    /// journey, knock, work or problem.
    pub kind: &'static str,
    /// When and what, for who rests on it.
    pub words: String,
}

/// Coma over time.
pub struct CoursePicture {
    /// Nine chances in ten.
    pub wide_band: String,
    /// As likely as not.
    pub narrow_band: String,
    /// The middle.
    pub middle: String,
    /// Star checks and adjustments at the bench.
    pub marks: Vec<Drawn>,
    /// What happened on the same days, below the axis: across, and its kind.
    pub happened: Vec<Happened>,
    /// The limit, down.
    pub limit_y: String,
    /// Today, across.
    pub today_x: String,
    /// Along time.
    pub across: Vec<Tick>,
    /// Along coma.
    pub down: Vec<Tick>,
    /// What it shows, for those who do not see it.
    pub words: String,
}

fn figure(x: f64) -> String {
    format!("{x:.1}")
}

struct Frame {
    from: f64,
    until: f64,
    top: f64,
}

impl Frame {
    fn x(&self, day: f64) -> f64 {
        let share = (day - self.from) / (self.until - self.from).max(1e-9);
        LEFT + share.clamp(0.0, 1.0) * (WIDE - LEFT - RIGHT)
    }
    fn y(&self, coma: f64) -> f64 {
        let share = (coma / self.top).clamp(0.0, 1.0);
        HIGH - FOOT - share * (HIGH - TOP - FOOT)
    }
}

/// A round step that divides a span in about so many.
fn step_of(span: f64, about: f64) -> f64 {
    let raw = span / about;
    let ten = 10_f64.powf(raw.max(1e-9).log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * ten)
        .find(|s| *s >= raw)
        .unwrap_or(10.0 * ten)
}

impl CoursePicture {
    /// Draws a course; none when nothing happened yet.
    pub fn of(course: &Course, limit: f64, today: f64, words: String) -> Option<Self> {
        Self::with(course, limit, today, words, &[])
    }

    /// The same with what happened on the same axis: day, kind, words.
    pub fn with(
        course: &Course,
        limit: f64,
        today: f64,
        words: String,
        happened: &[(f64, &'static str, String)],
    ) -> Option<Self> {
        let (first, last) = (course.points.first()?, course.points.last()?);
        let seen = course.marks.iter().map(|m| match m {
            Mark::Look { coma, .. } => *coma,
            Mark::LinedUp { .. } => 0.0,
        });
        let reach = course.points.iter().map(|p| p.coma[3]);
        let top = seen.chain(reach).fold(limit * 1.6, f64::max) * 1.08;
        let frame = Frame {
            from: first.day,
            until: last.day,
            top: top.min(limit * 6.0),
        };
        let point = |day: f64, coma: f64| format!("{:.1},{:.1}", frame.x(day), frame.y(coma));
        let band = |low: usize, high: usize| {
            let up = course.points.iter().map(|p| point(p.day, p.coma[high]));
            let back = course
                .points
                .iter()
                .rev()
                .map(|p| point(p.day, p.coma[low]));
            up.chain(back).collect::<Vec<_>>().join(" ")
        };
        let is_in = |day: f64| day >= frame.from && day <= frame.until;
        let marks = course.marks.iter().filter(|m| match m {
            Mark::Look { day, .. } | Mark::LinedUp { day } => is_in(*day),
        });
        let marks = marks.map(|m| drawn(m, &frame)).collect();
        let happened = happened.iter().filter(|(day, ..)| is_in(*day));
        let happened = happened.map(|(day, kind, words)| Happened {
            x: figure(frame.x(*day)),
            kind,
            words: words.clone(),
        });
        let happened = happened.collect();
        let coma_step = step_of(frame.top, 4.0);
        let mut down = Vec::new();
        let mut level = 0.0;
        while level <= frame.top {
            down.push(Tick {
                at: figure(frame.y(level)),
                words: format!("{level:.2}"),
            });
            level += coma_step;
        }
        Some(Self {
            wide_band: band(0, 4),
            narrow_band: band(1, 3),
            middle: course
                .points
                .iter()
                .map(|p| point(p.day, p.coma[2]))
                .collect::<Vec<_>>()
                .join(" "),
            marks,
            happened,
            limit_y: figure(frame.y(limit)),
            today_x: figure(frame.x(today)),
            across: years(&frame),
            down,
            words,
        })
    }
}

fn drawn(mark: &Mark, frame: &Frame) -> Drawn {
    match *mark {
        Mark::Look {
            day,
            coma,
            sigma,
            by_eye,
        } => Drawn {
            x: figure(frame.x(day)),
            y: figure(frame.y(coma)),
            low: figure(frame.y((coma - sigma).max(0.0))),
            high: figure(frame.y(coma + sigma)),
            kind: if by_eye { "look-eye" } else { "look-frames" },
            points: String::new(),
        },
        Mark::LinedUp { day } => {
            let (x, y) = (frame.x(day), HIGH - FOOT);
            Drawn {
                x: figure(x),
                y: figure(y),
                low: String::new(),
                high: String::new(),
                kind: "bench",
                points: format!(
                    "{x:.1},{:.1} {:.1},{:.1} {:.1},{:.1}",
                    y - 9.0,
                    x - 6.0,
                    y + 2.0,
                    x + 6.0,
                    y + 2.0
                ),
            }
        }
    }
}

/// Ticks at the year's beginnings, or at months where the span is short.
fn years(frame: &Frame) -> Vec<Tick> {
    let date = |day: f64| DateTime::<Utc>::from_timestamp((day * 86_400.0) as i64, 0);
    let (Some(from), Some(until)) = (date(frame.from), date(frame.until)) else {
        return Vec::new();
    };
    let months = (frame.until - frame.from) / 30.44;
    let every: i32 = match months as i64 {
        ..10 => 2,
        10..24 => 3,
        24..48 => 6,
        48..150 => 12,
        _ => 60,
    };
    let mut ticks = Vec::new();
    let mut count = from.year() * 12;
    while count <= until.year() * 12 + 12 {
        let day = NaiveDate::from_ymd_opt(count.div_euclid(12), count.rem_euclid(12) as u32 + 1, 1);
        let at = day
            .and_then(|d| d.and_hms_opt(0, 0, 0))
            .map(|d| day_of(d.and_utc()));
        if let (Some(day), Some(at)) = (day, at)
            && at >= frame.from
            && at <= frame.until
        {
            ticks.push(Tick {
                at: figure(frame.x(at)),
                words: if every < 12 {
                    day.format("%b %Y").to_string()
                } else {
                    day.format("%Y").to_string()
                },
            });
        }
        count += every;
    }
    ticks
}

/// One instrument's bar in the fleet's picture, in percents of its width.
pub struct Bar {
    /// Nine chances in ten.
    pub low: String,
    /// See `low`.
    pub wide: String,
    /// As likely as not.
    pub from: String,
    /// See `from`.
    pub narrow: String,
    /// The middle.
    pub middle: String,
    /// Where the limit stands.
    pub limit: String,
    /// In words.
    pub words: String,
}

impl Bar {
    /// Coma's quantiles against its limit; the limit stands at a third.
    pub fn of(coma: [f64; 5], limit: f64) -> Self {
        let at = |x: f64| (x / limit * 33.3).clamp(0.0, 99.5);
        let [low, from, middle, to, high] = coma.map(at);
        Self {
            low: figure(low),
            wide: figure((high - low).max(0.5)),
            from: figure(from),
            narrow: figure((to - from).max(0.5)),
            middle: figure(middle),
            limit: "33.3".to_owned(),
            words: format!(
                "Coma about {:.3} waves, likely between {:.3} and {:.3}; limit {limit:.3}",
                coma[2], coma[0], coma[4]
            ),
        }
    }
}

/// One class of the calibration plot.
pub struct Dot {
    /// Across: what was said.
    pub x: String,
    /// Down: what came.
    pub y: String,
    /// Ends of its interval.
    pub low: String,
    /// See `low`.
    pub high: String,
    /// Radius by how many looks.
    pub r: String,
    /// Its row in the table below.
    pub class: Class,
}

/// Side of the calibration plot.
pub const SIDE: f64 = 320.0;
const EDGE: f64 = 40.0;

/// Chances said against what came.
pub fn dots(classes: &[Class]) -> Vec<Dot> {
    let along = |share: f64| EDGE + share * (SIDE - EDGE - 12.0);
    let up = |share: f64| SIDE - EDGE - share * (SIDE - EDGE - 12.0);
    classes
        .iter()
        .map(|class| Dot {
            x: figure(along(class.said)),
            y: figure(up(class.came)),
            low: figure(up(class.came_between.0)),
            high: figure(up(class.came_between.1)),
            r: figure((class.looks as f64).sqrt().clamp(3.0, 9.0)),
            class: *class,
        })
        .collect()
}

/// The days a course is drawn over: at most six years back, half a year ahead.
pub fn span(today: f64, begins: f64) -> (f64, f64) {
    ((today - 6.0 * 365.25).max(begins), today + 183.0)
}

/// Words for the picture's alternative.
pub fn course_words(club: &Club, tag: &str, looks: usize, chance: &str) -> String {
    format!(
        "Coma of {tag} over time at {}: {looks} looks, the band where it likely was, and its limit. Chance that it is out of collimation today: {chance}.",
        club.name
    )
}
