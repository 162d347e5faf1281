//! What a printed page says, as `pdftotext` reads it.

use std::path::Path;
use std::process::Command;

use super::programs::program;

/// The text of each page, in the order in which it was set.
pub fn pages(pdf: &[u8], folder: &Path) -> Vec<String> {
    let file = folder.join(format!("{}.pdf", uuid::Uuid::new_v4()));
    std::fs::write(&file, pdf).unwrap();
    let answer = Command::new(program("PDFTOTEXT", &["pdftotext"]))
        .args(["-raw", "-enc", "UTF-8"])
        .arg(&file)
        .arg("-")
        .output()
        .unwrap();
    assert!(answer.status.success(), "pdftotext: {answer:?}");
    let text = String::from_utf8(answer.stdout).unwrap();
    text.trim_end_matches('\u{c}')
        .split('\u{c}')
        .map(ToOwned::to_owned)
        .collect()
}

/// One row that a printed list must show: a word that begins it, and what
/// follows in its other cells.
#[derive(Debug, Clone)]
pub struct PrintedRow {
    /// What begins it.
    pub head: String,
    /// What else it says, in any order.
    pub cells: Vec<String>,
}

fn squeezed(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

/// Looks for rows in their order, each whole on one page. Lines may be broken
/// anywhere within a cell.
///
/// # Errors
/// Words for the first row that is missing, or whose cells are not all on the
/// page on which it begins.
pub fn rows_stand_whole(pages: &[String], rows: &[PrintedRow]) -> Result<(), String> {
    let pages: Vec<String> = pages.iter().map(|p| squeezed(p)).collect();
    let (mut page, mut from) = (0, 0);
    for (place, row) in rows.iter().enumerate() {
        let head = squeezed(&row.head);
        let start = loop {
            let Some(text) = pages.get(page) else {
                return Err(format!(
                    "{} is not printed after the rows before it",
                    row.head
                ));
            };
            if let Some(at) = text[from..].find(&head) {
                break from + at + head.len();
            }
            (page, from) = (page + 1, 0);
        };
        let rest = &pages[page][start..];
        let end = rows
            .get(place + 1)
            .and_then(|next| rest.find(&squeezed(&next.head)))
            .unwrap_or(rest.len());
        for cell in &row.cells {
            if !rest[..end].contains(&squeezed(cell)) {
                return Err(format!(
                    "\"{cell}\" of {} is not on page {} with it",
                    row.head,
                    page + 1
                ));
            }
        }
        from = start;
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
        row("N1", &["Never had a star test", "Lock hut"]),
        row("N2", &["Reported: dew"]),
    ];
    let text = |pages: &[&str]| pages.iter().map(|p| (*p).to_owned()).collect::<Vec<_>>();
    let whole = text(&[
        "Tag Why\nN1 Never had a\nstar test Lock hut",
        "Tag Why\nN2 Reported:\ndew",
    ]);
    assert_eq!(rows_stand_whole(&whole, &rows), Ok(()));
    let cut = text(&[
        "Tag Why\nN1 Never had a",
        "Tag Why\nstar test Lock hut\nN2 Reported: dew",
    ]);
    assert!(rows_stand_whole(&cut, &rows).unwrap_err().contains("of N1"));
    let missing = text(&["Tag Why\nN1 Never had a star test Lock hut"]);
    assert!(
        rows_stand_whole(&missing, &rows)
            .unwrap_err()
            .contains("N2")
    );
    let swapped = text(&["N2 Reported: dew N1 Never had a star test Lock hut"]);
    assert!(rows_stand_whole(&swapped, &rows).is_err());
}
