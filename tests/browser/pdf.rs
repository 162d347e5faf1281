//! What a printed page says and where, as `pdftotext` reads it.

use std::path::Path;
use std::process::Command;

use scraper::{Html, Selector};

use super::programs::program;

/// One word on a page: its left and upper edge in points from the page's.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    /// As it is set.
    pub text: String,
    left: f64,
    top: f64,
}

/// The words of each page, line by line.
pub fn pages(pdf: &[u8], folder: &Path) -> Vec<Vec<Word>> {
    let file = folder.join(format!("{}.pdf", uuid::Uuid::new_v4()));
    std::fs::write(&file, pdf).unwrap();
    let answer = Command::new(program("PDFTOTEXT", &["pdftotext"]))
        .args(["-bbox", "-enc", "UTF-8"])
        .arg(&file)
        .arg("-")
        .output()
        .unwrap();
    assert!(answer.status.success(), "pdftotext: {answer:?}");
    let html = Html::parse_document(&String::from_utf8(answer.stdout).unwrap());
    let number = |word: scraper::ElementRef<'_>, name: &str| -> f64 {
        word.value().attr(name).unwrap().parse().unwrap()
    };
    html.select(&Selector::parse("page").unwrap())
        .map(|page| {
            let mut words: Vec<Word> = page
                .select(&Selector::parse("word").unwrap())
                .map(|word| Word {
                    text: word.text().collect(),
                    // The reader of HTML folds the case of names.
                    left: number(word, "xmin"),
                    top: number(word, "ymin"),
                })
                .collect();
            in_lines(&mut words);
            words
        })
        .collect()
}

fn in_lines(words: &mut [Word]) {
    words.sort_by(|a, b| {
        let lines = a.top.round().total_cmp(&b.top.round());
        lines.then(a.left.total_cmp(&b.left))
    });
}

/// One row that a printed list must show.
#[derive(Debug, Clone)]
pub struct PrintedRow {
    /// The word that heads it, on its first line.
    pub head: String,
    /// What its cells say, in any order.
    pub cells: Vec<String>,
}

/// How far above its head a row's other words may begin, points: cells of
/// another size of type stand a little higher.
const SLACK_POINTS: f64 = 4.0;

/// Looks for rows in their order, each whole on one page: all that its cells
/// say must stand between its head and the next row's.
///
/// # Errors
/// Words for the first row that is missing, or that does not stand whole.
pub fn rows_stand_whole(pages: &[Vec<Word>], rows: &[PrintedRow]) -> Result<(), String> {
    let mut heads = Vec::new();
    let (mut page, mut from) = (0, f64::NEG_INFINITY);
    for row in rows {
        let top = loop {
            let Some(words) = pages.get(page) else {
                return Err(format!(
                    "{} is not printed after the rows before it",
                    row.head
                ));
            };
            let head = words.iter().find(|w| w.text == row.head && w.top > from);
            if let Some(word) = head {
                break word.top;
            }
            (page, from) = (page + 1, f64::NEG_INFINITY);
        };
        heads.push((page, top));
        from = top;
    }
    for (place, (row, &(page, top))) in rows.iter().zip(&heads).enumerate() {
        let end = match heads.get(place + 1) {
            Some(&(next_page, next)) if next_page == page => next - SLACK_POINTS,
            _ => f64::INFINITY,
        };
        let band: Vec<&str> = pages[page]
            .iter()
            .filter(|w| w.top >= top - SLACK_POINTS && w.top < end)
            .map(|w| w.text.as_str())
            .collect();
        for cell in &row.cells {
            let mut left = band.iter();
            // A line may end after a hyphen.
            let mut wanted = cell.split_whitespace();
            let all = wanted.all(|word| {
                left.clone().any(|b| *b == word) && left.any(|b| *b == word)
                    || word
                        .split_inclusive('-')
                        .all(|part| left.any(|b| *b == part))
            });
            if !all {
                return Err(format!(
                    "\"{cell}\" of {} does not stand whole with it on page {}",
                    row.head,
                    page + 1
                ));
            }
        }
    }
    Ok(())
}

#[test]
fn a_cut_row_is_told_from_a_whole_one() {
    let row = |head: &str, cells: &[&str]| PrintedRow {
        head: head.to_owned(),
        cells: cells.iter().map(|c| (*c).to_owned()).collect(),
    };
    let rows = [
        row(
            "N1",
            &["Never had a star test", "127 mm Schmidt-Cassegrain"],
        ),
        row("N2", &["Reported: dew"]),
    ];
    // Each text one line, ten points apart; words by their column.
    let page = |lines: &[&str]| {
        let mut words = Vec::new();
        for (number, line) in lines.iter().enumerate() {
            for (place, word) in line.split_whitespace().enumerate() {
                words.push(Word {
                    text: word.to_owned(),
                    left: place as f64 * 30.0,
                    top: number as f64 * 10.0,
                });
            }
        }
        in_lines(&mut words);
        words
    };
    let first = [
        "Tag Why",
        "N1 127 mm Never had",
        "Schmidt- a star",
        "Cassegrain test",
    ];
    let whole = [page(&first), page(&["Tag Why", "N2 Reported:", "dew"])];
    assert_eq!(rows_stand_whole(&whole, &rows), Ok(()));
    let cut = [
        page(&first[..3]),
        page(&["Tag Why", "Cassegrain test", "N2 Reported: dew"]),
    ];
    assert!(rows_stand_whole(&cut, &rows).unwrap_err().contains("of N1"));
    let missing = [page(&first)];
    assert!(
        rows_stand_whole(&missing, &rows)
            .unwrap_err()
            .contains("N2")
    );
    let swapped = [page(&["N2 Reported: dew"]), page(&first)];
    assert!(rows_stand_whole(&swapped, &rows).is_err());
}
