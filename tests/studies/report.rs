//! The tables of the study of collimation sessions.

use bench::response::Noticed;

use super::corners;
use super::play::{Outcome, Said, THRESHOLD};
use super::truth::KINDS;

/// By method and design.
pub fn by_design(all: &[(&str, Vec<Outcome>)]) {
    println!(
        "| star checks | design | led by | sessions | adjustments: median | 95 % within | checks: median | ends collimated | said collimated, was not | other stops | stood above 1.5 × start | ended worse | largest turn |"
    );
    println!("|-|-|-|-|-|-|-|-|-|-|-|-|-|");
    for method in ["eye", "frames", "frames, drawn and measured"] {
        for kind in KINDS.iter().map(|k| Some(k.name)).chain([None]) {
            for (who, rows) in all {
                let rows: Vec<&Outcome> = rows
                    .iter()
                    .filter(|o| o.method == method && kind.is_none_or(|k| k == o.kind))
                    .collect();
                if !rows.is_empty() {
                    line(method, kind.unwrap_or("all"), who, &rows);
                }
            }
        }
    }
}

fn line(method: &str, kind: &str, who: &str, rows: &[&Outcome]) {
    let adjustments = sorted(rows.iter().map(|o| o.adjustments));
    let looks = sorted(rows.iter().map(|o| o.looks));
    let count = |of: &dyn Fn(&&Outcome) -> bool| rows.iter().filter(|o| of(o)).count();
    println!(
        "| {method} | {kind} | {who} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {:.2} |",
        rows.len(),
        at(&adjustments, 0.5),
        at(&adjustments, 0.95),
        at(&looks, 0.5),
        percent(count(&|o| o.in_line), rows.len()),
        count(&|o| o.end == "in line" && !o.in_line),
        count(&|o| o.end != "in line"),
        count(&|o| o.stood_worse > 0),
        count(&|o| o.left_waves > o.start_waves.max(THRESHOLD)),
        rows.iter().map(|o| o.largest_turn).fold(0.0, f64::max),
    );
}

/// By design, split by whether an adjustment was made the wrong way: how it ends, how far
/// it stood from its start, and what was said of side and turn.
pub fn by_wrong_turn(all: &[Outcome]) {
    println!(
        "| star checks | design | a turn the wrong way | sessions | ends collimated | adjustments: median, 90 % within | ever above 1.5 × start | stood there by a turn made as asked | \u{201c}other side of focus\u{201d}: true of said | \u{201c}turned the wrong way\u{201d}: true of said | \u{201c}one of the two\u{201d}: true of said | side checked: sessions, wrongly, not told |"
    );
    println!("|-|-|-|-|-|-|-|-|-|-|-|-|");
    for method in ["eye", "frames"] {
        for kind in KINDS.iter().map(|k| Some(k.name)).chain([None]) {
            for wrong in [false, true] {
                let rows: Vec<&Outcome> = all
                    .iter()
                    .filter(|o| o.method == method && kind.is_none_or(|k| k == o.kind))
                    .filter(|o| (o.wrong_turns > 0) == wrong)
                    .collect();
                if !rows.is_empty() {
                    split_line(method, kind.unwrap_or("all"), wrong, &rows);
                }
            }
        }
    }
    println!();
}

fn split_line(method: &str, kind: &str, wrong: bool, rows: &[&Outcome]) {
    let adjustments = sorted(rows.iter().map(|o| o.adjustments));
    let share = |of: &dyn Fn(&Outcome) -> bool| {
        let count = rows.iter().filter(|o| of(o)).count();
        format!("{count} ({})", percent(count, rows.len()))
    };
    let said = |what: Noticed| {
        let of: Vec<bool> = rows
            .iter()
            .filter_map(|o| o.noticed.iter().find(|(said, _)| *said == what))
            .map(|(_, so)| *so)
            .collect();
        format!("{} of {}", of.iter().filter(|so| **so).count(), of.len())
    };
    println!(
        "| {method} | {kind} | {} | {} | {} | {}, {} | {} | {} | {} | {} | {} | {}, {}, {} |",
        if wrong { "yes" } else { "no" },
        rows.len(),
        share(&|o| o.in_line),
        at(&adjustments, 0.5),
        at(&adjustments, 0.9),
        share(&|o| o.worst_waves > 1.5 * o.start_waves.max(THRESHOLD)),
        share(&|o| o.stood_worse > 0),
        said(Noticed::SideWrong),
        said(Noticed::TurnedWrongWay),
        said(Noticed::OneOfBoth),
        rows.iter().filter(|o| o.side_checks > 0).count(),
        rows.iter().map(|o| o.side_checks_wrong).sum::<usize>(),
        rows.iter().map(|o| o.side_checks_open).sum::<usize>(),
    );
}

/// Said, true, count, for every chance that was stated.
pub fn coverage(all: &[Outcome]) {
    println!("| star checks | what was said | chance said | mean said | was so | count |");
    println!("|-|-|-|-|-|-|");
    let bins = [
        0.0, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.97, 0.98, 0.99, 1.001,
    ];
    for method in ["eye", "frames"] {
        for what in [
            "collimated",
            "stop: collimated",
            "stop: no more tonight",
            "expected after an adjustment",
        ] {
            let said: Vec<Said> = all
                .iter()
                .filter(|o| o.method == method)
                .flat_map(|o| o.said.iter().copied())
                .filter(|s| s.what == what)
                .collect();
            for pair in bins.windows(2) {
                let of: Vec<&Said> = said
                    .iter()
                    .filter(|s| (pair[0]..pair[1]).contains(&s.chance))
                    .collect();
                if of.is_empty() {
                    continue;
                }
                println!(
                    "| {method} | {what} | {:.0} to {:.0} % | {:.1} % | {} | {} |",
                    100.0 * pair[0],
                    100.0 * pair[1].min(1.0),
                    100.0 * of.iter().map(|s| s.chance).sum::<f64>() / of.len() as f64,
                    percent(of.iter().filter(|s| s.true_of_it).count(), of.len()),
                    of.len(),
                );
            }
        }
    }
    println!();
}

/// The first night, the second with what was learnt, and without.
pub fn nights(all: &[[Outcome; 3]]) {
    println!(
        "| star checks | design | sessions | first night: median, mean, collimated | second, with what was learnt | second, afresh |"
    );
    println!("|-|-|-|-|-|-|");
    for method in ["eye", "frames"] {
        for kind in KINDS {
            let rows: Vec<&[Outcome; 3]> = all
                .iter()
                .filter(|o| o[0].method == method && o[0].kind == kind.name)
                .collect();
            if rows.is_empty() {
                continue;
            }
            let cell = |i: usize| {
                let adjustments = sorted(rows.iter().map(|o| o[i].adjustments));
                let mean = adjustments.iter().sum::<usize>() as f64 / rows.len() as f64;
                let within = rows.iter().filter(|o| o[i].in_line).count();
                format!(
                    "{}, {mean:.1}, {}",
                    at(&adjustments, 0.5),
                    percent(within, rows.len())
                )
            };
            println!(
                "| {method} | {} | {} | {} | {} | {} |",
                kind.name,
                rows.len(),
                cell(0),
                cell(1),
                cell(2)
            );
        }
    }
}

/// Ritchey-Chretiens with both mirrors out.
pub fn both_mirrors(all: &[corners::Outcome]) {
    if all.is_empty() {
        return;
    }
    println!("\nBoth mirrors of a Ritchey-Chretien 203 mm f/8, its corners by eye, mild world:\n");
    println!(
        "| middle checked | sessions | adjustments: median | 95 % within | most | of them at the primary | middle collimated | sides even | both | largest turn asked | worse than at the start |"
    );
    println!("|-|-|-|-|-|-|-|-|-|-|-|");
    for method in ["frames", "eye"] {
        let rows: Vec<&corners::Outcome> = all.iter().filter(|o| o.method == method).collect();
        if rows.is_empty() {
            continue;
        }
        let adjustments = sorted(rows.iter().map(|o| o.adjustments));
        let primary = sorted(rows.iter().map(|o| o.primary_goes));
        let share = |of: &dyn Fn(&corners::Outcome) -> bool| {
            percent(rows.iter().filter(|o| of(o)).count(), rows.len())
        };
        println!(
            "| {method} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
            rows.len(),
            at(&adjustments, 0.5),
            at(&adjustments, 0.95),
            adjustments.last().copied().unwrap_or(0),
            at(&primary, 0.5),
            share(&|o| o.left_waves <= THRESHOLD),
            share(&|o| o.left_lean_waves <= THRESHOLD),
            share(&|o| o.in_line),
            rows.iter().map(|o| o.largest_turn).fold(0.0, f64::max),
            rows.iter()
                .filter(|o| {
                    o.left_waves > o.start_waves.max(THRESHOLD)
                        || o.left_lean_waves > o.start_lean_waves.max(THRESHOLD)
                })
                .count(),
        );
    }
}

fn sorted(values: impl Iterator<Item = usize>) -> Vec<usize> {
    let mut values: Vec<usize> = values.collect();
    values.sort_unstable();
    values
}

/// The value at or below which this share lies.
fn at(sorted: &[usize], share: f64) -> usize {
    let place = (share * sorted.len() as f64).ceil() as usize;
    sorted[place.clamp(1, sorted.len()) - 1]
}

fn percent(of: usize, all: usize) -> String {
    format!("{:.1} %", 100.0 * of as f64 / all as f64)
}
