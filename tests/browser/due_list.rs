//! A coordinator prints the due list on A4 and on Letter.

use fantoccini::wd::PrintSize;
use serde_json::Value;
use tubewright::library::people::Role;

use super::club::at_the_demo_club;
use super::pdf::{PrintedRow, pages, rows_stand_whole};
use super::visitor::{Scripts, Window};

/// ISO 216 A4 and ANSI Letter, centimetres.
pub const A4: PrintSize = PrintSize {
    width: 21.0,
    height: 29.7,
};
pub const LETTER: PrintSize = PrintSize {
    width: 21.59,
    height: 27.94,
};

#[tokio::test(flavor = "multi_thread")]
async fn a_coordinator_prints_the_due_list() {
    at_the_demo_club(|club| async move {
        let ingrid = club
            .signed_in(Role::Coordinator, Window::Desk, Scripts::On)
            .await;
        ingrid.go("Due").await;
        ingrid.sees("Why").await;
        ingrid.photograph("due").await;

        let told = tokio::task::block_in_place(|| club.command(&["due", "--json"]));
        let told: Value = serde_json::from_str(&told).unwrap();
        let rows: Vec<PrintedRow> = told["due"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| PrintedRow {
                head: row["tag"].as_str().unwrap().to_owned(),
                // One reason each on paper, short; here those that are told as they are.
                cells: match row["reasons"][0]["code"].as_str().unwrap() {
                    "problem" => {
                        let words = row["reasons"][0]["words"].as_str().unwrap();
                        let words = words.trim_start_matches("Reported: ").trim_end_matches('.');
                        // The last word is followed by when it was reported.
                        let but_last = words.rsplit_once(' ').map_or(words, |(rest, _)| rest);
                        vec![but_last.to_owned()]
                    }
                    "months" | "loans" => {
                        let words = row["reasons"][0]["words"].as_str().unwrap();
                        vec![
                            words
                                .split(';')
                                .next()
                                .unwrap()
                                .trim_end_matches('.')
                                .to_owned(),
                        ]
                    }
                    _ => Vec::new(),
                }
                .into_iter()
                .chain([row["name"].as_str().unwrap().to_owned()])
                .collect(),
            })
            .collect();
        assert!(rows.len() >= 4, "the demo has a few due: {rows:?}");

        for (name, paper) in [("A4", A4), ("Letter", LETTER)] {
            let pdf = ingrid.print(paper).await;
            let pages = pages(&pdf, club.folder());
            if let Err(why) = rows_stand_whole(&pages, &rows) {
                panic!("on {name}: {why}; it reads: {pages:#?}");
            }
            let texts: Vec<String> = pages
                .iter()
                .map(|page| {
                    let words: Vec<&str> = page.iter().map(|w| w.text.as_str()).collect();
                    words.join(" ")
                })
                .collect();
            for text in &texts {
                let has_rows = rows.iter().any(|row| text.contains(&row.head));
                assert!(
                    text.contains("Why") || !has_rows,
                    "the head of the table is on each page with rows: {text}"
                );
                // The keys and the menu stay off the paper.
                for unwanted in ["Sign out", "Menu", "Dim red"] {
                    assert!(!text.contains(unwanted), "{unwanted} is printed: {text}");
                }
            }
            assert!(
                texts[0].contains("Velmouth Night Sky Circle. Printed"),
                "{texts:?}"
            );
        }

        // The same as a file.
        let csv = ingrid.fetch("/due.csv").await;
        for row in told["due"].as_array().unwrap() {
            assert!(csv.contains(row["tag"].as_str().unwrap()), "{csv}");
        }
    })
    .await;
}
