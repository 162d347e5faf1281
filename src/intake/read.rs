//! Files to sheets: CSV, XLSX, ODS.

use std::io::Cursor;

use calamine::{Data, Ods, Range, Reader, Xlsx};

use super::cells::{Cell, Sheet};

/// The largest file taken, bytes.
pub const MOST_BYTES: u64 = 20 * 1024 * 1024;
/// The most cells of one upload.
pub const MOST_CELLS: usize = 2_000_000;
/// The most columns of a sheet that are looked at.
pub const MOST_COLUMNS: usize = 200;
/// The most sheets of one upload.
pub const MOST_SHEETS: usize = 40;
/// The largest that a spreadsheet file may become when it is unpacked, bytes.
const MOST_UNPACKED: u64 = 300 * 1024 * 1024;

/// Why a file is not taken, in words that name the remedy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct NotRead(pub String);

/// The sheets of one file, told by its first bytes: empty ones are left out.
///
/// # Errors
/// When it is no spreadsheet that can be read; the words say what to do.
pub fn sheets(name: &str, bytes: &[u8]) -> Result<Vec<Sheet>, NotRead> {
    if bytes.len() as u64 > MOST_BYTES {
        return Err(NotRead(format!(
            "{name} is {} MB. Send one of at most {} MB: save it without pictures.",
            bytes.len() / 1024 / 1024,
            MOST_BYTES / 1024 / 1024
        )));
    }
    let mut sheets = if bytes.starts_with(b"PK") {
        workbook(name, bytes)?
    } else if bytes.starts_with(&[0xd0, 0xcf, 0x11, 0xe0]) {
        return Err(NotRead(format!(
            "{name} is a spreadsheet of the old kind, or locked by a password. Open it, save it as XLSX, ODS or CSV without a password, and send that."
        )));
    } else {
        vec![text(name, bytes)?]
    };
    sheets.retain(|sheet| sheet.rows.iter().flatten().any(|cell| !cell.is_empty()));
    if sheets.is_empty() {
        return Err(NotRead(format!(
            "{name} has no filled cell. Send the list itself."
        )));
    }
    let cells: usize = sheets.iter().flat_map(|s| &s.rows).map(Vec::len).sum();
    if cells > MOST_CELLS || sheets.len() > MOST_SHEETS {
        return Err(NotRead(format!(
            "{name} holds more than {MOST_CELLS} cells or {MOST_SHEETS} sheets. Send only the lists that are to be brought."
        )));
    }
    Ok(sheets)
}

/// What the file would become when unpacked: a small one may hold a huge one.
fn refuse_swollen(name: &str, bytes: &[u8]) -> Result<(), NotRead> {
    let damaged = || {
        NotRead(format!(
            "{name} is damaged, or no spreadsheet. Open it, save it as XLSX, ODS or CSV, and send that."
        ))
    };
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|_| damaged())?;
    let mut unpacked = 0_u64;
    for at in 0..archive.len() {
        let part = archive.by_index_raw(at).map_err(|_| damaged())?;
        unpacked = unpacked.saturating_add(part.size());
    }
    if unpacked > MOST_UNPACKED {
        return Err(NotRead(format!(
            "{name} would unpack to more than {} MB. Send only the lists that are to be brought.",
            MOST_UNPACKED / 1024 / 1024
        )));
    }
    Ok(())
}

fn workbook(name: &str, bytes: &[u8]) -> Result<Vec<Sheet>, NotRead> {
    refuse_swollen(name, bytes)?;
    let not_read = |said: &dyn std::fmt::Display| {
        NotRead(format!(
            "{name} cannot be read ({said}). Open it, save it as XLSX, ODS or CSV, and send that."
        ))
    };
    if let Ok(mut book) = Xlsx::new(Cursor::new(bytes)) {
        let mut sheets = Vec::new();
        for sheet in book.sheet_names() {
            let range = book.worksheet_range(&sheet).map_err(|e| not_read(&e))?;
            let mut read = of_range(name, &sheet, &range);
            for merged in book.merge_cells_by_sheet_name(&sheet).unwrap_or_default() {
                spread(&mut read, merged.start, merged.end);
            }
            sheets.push(read);
        }
        return Ok(sheets);
    }
    let mut book = Ods::new(Cursor::new(bytes)).map_err(|e| not_read(&e))?;
    let mut sheets = Vec::new();
    for sheet in book.sheet_names() {
        let range = book.worksheet_range(&sheet).map_err(|e| not_read(&e))?;
        sheets.push(of_range(name, &sheet, &range));
    }
    Ok(sheets)
}

/// What stands in a merged cell goes for each row it spans; what is merged along a
/// row alone is a title and stays where it is.
fn spread(sheet: &mut Sheet, start: (u32, u32), end: (u32, u32)) {
    let [top, left, bottom] = [start.0, start.1, end.0].map(|n| n as usize);
    let value = sheet.cell(top, left).clone();
    let last = bottom.min(sheet.rows.len().saturating_sub(1));
    for row in sheet.rows.iter_mut().take(last + 1).skip(top + 1) {
        if row.len() <= left {
            row.resize(left + 1, Cell::Empty);
        }
        if row[left].is_empty() {
            row[left] = value.clone();
        }
    }
}

fn of_range(file: &str, sheet: &str, range: &Range<Data>) -> Sheet {
    // A range begins at its first filled cell; cells are named from A1.
    let (top, left) = range.start().unwrap_or((0, 0));
    let mut rows = vec![Vec::new(); top as usize];
    for row in range.rows() {
        let mut cells = vec![Cell::Empty; left as usize];
        cells.extend(row.iter().take(MOST_COLUMNS).map(cell));
        while cells.last().is_some_and(Cell::is_empty) {
            cells.pop();
        }
        rows.push(cells);
    }
    Sheet {
        file: file.to_owned(),
        name: sheet.to_owned(),
        rows,
    }
}

fn cell(data: &Data) -> Cell {
    match data {
        Data::Empty | Data::Error(_) => Cell::Empty,
        Data::Int(n) => Cell::Number(*n as f64),
        Data::Float(n) => Cell::Number(*n),
        Data::Bool(is) => Cell::Text(if *is { "yes" } else { "no" }.to_owned()),
        Data::DateTime(time) => match time.as_datetime() {
            Some(day) if time.is_datetime() => Cell::of_time(day),
            _ => Cell::Number(time.as_f64()),
        },
        Data::DateTimeIso(text) => Cell::of(text.split('T').next().unwrap_or(text)),
        Data::String(text) | Data::DurationIso(text) => Cell::of(text),
    }
}

/// A CSV file: UTF-8, UTF-16 with its mark, or else Windows-1252; commas, semicolons
/// or tabs, whichever parts the first rows most evenly.
fn text(name: &str, bytes: &[u8]) -> Result<Sheet, NotRead> {
    let text = decoded(bytes);
    if text.chars().take(4000).any(|c| c == '\0') {
        return Err(NotRead(format!(
            "{name} is no list of a kind known here. Save it as XLSX, ODS or CSV, and send that."
        )));
    }
    // The separator line that some programs write before the head.
    let (told, body) = match text.split_once('\n') {
        Some((first, rest)) if first.trim().to_lowercase().starts_with("sep=") => {
            (first.trim().as_bytes().get(4).copied(), rest)
        }
        _ => (None, text.as_str()),
    };
    let separator = told.unwrap_or_else(|| guessed_separator(body));
    let body = empty_lines_kept(body);
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .from_reader(body.as_bytes());
    // The separator's line counts as a row, too.
    let mut rows = vec![Vec::new(); usize::from(told.is_some())];
    for record in reader.records() {
        let record = record.map_err(|e| {
            NotRead(format!(
                "{name} cannot be read as CSV ({e}). Save it again as CSV, and send that."
            ))
        })?;
        rows.push(record.iter().take(MOST_COLUMNS).map(Cell::of).collect());
    }
    Ok(Sheet {
        file: name.to_owned(),
        name: String::new(),
        rows,
    })
}

/// An empty line is a row of its own, as spreadsheets count; the reader would pass over
/// it, so it gets an empty field. Within quotes a line stays as it is.
fn empty_lines_kept(text: &str) -> String {
    let mut kept = String::with_capacity(text.len());
    let mut quoted = false;
    for line in text.split_inclusive('\n') {
        if !quoted && line.trim_end_matches(['\r', '\n']).is_empty() {
            kept.push_str("\"\"");
        }
        quoted ^= line.bytes().filter(|b| *b == b'"').count() % 2 == 1;
        kept.push_str(line);
    }
    kept
}

fn decoded(bytes: &[u8]) -> String {
    let utf16 = |bytes: &[u8], unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.chunks_exact(2).map(|p| unit([p[0], p[1]])).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xff, 0xfe, rest @ ..] => utf16(rest, u16::from_le_bytes),
        [0xfe, 0xff, rest @ ..] => utf16(rest, u16::from_be_bytes),
        [0xef, 0xbb, 0xbf, rest @ ..] => String::from_utf8_lossy(rest).into_owned(),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().map(|&b| windows_1252(b)).collect(),
        },
    }
}

/// Windows-1252 (WHATWG Encoding Standard, index windows-1252): Latin-1 but for
/// 0x80 to 0x9f.
fn windows_1252(byte: u8) -> char {
    const HIGH: [char; 32] = [
        '€', '\u{81}', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\u{8d}', 'Ž',
        '\u{8f}', '\u{90}', '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\u{9d}',
        'ž', 'Ÿ',
    ];
    match byte {
        0x80..=0x9f => HIGH[usize::from(byte - 0x80)],
        other => char::from(other),
    }
}

fn guessed_separator(text: &str) -> u8 {
    let lines: Vec<&str> = text
        .lines()
        .filter(|l| !l.trim().is_empty())
        .take(20)
        .collect();
    let count = |separator: u8| {
        // Outside of quotes.
        lines
            .iter()
            .map(|line| {
                let mut quoted = false;
                line.bytes()
                    .filter(|b| {
                        quoted ^= *b == b'"';
                        !quoted && *b == separator
                    })
                    .count()
            })
            .filter(|n| *n > 0)
            .count()
    };
    // Of two that part as many lines, the semicolon and the tab are rarer in words.
    [b'\t', b';', b',']
        .into_iter()
        .rev()
        .max_by_key(|s| count(*s))
        .unwrap_or(b',')
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn texts(sheet: &Sheet, row: usize) -> Vec<String> {
        sheet.rows[row].iter().map(Cell::text).collect()
    }

    #[test]
    fn a_csv_is_read_whatever_parts_it_and_whatever_its_letters() {
        for (bytes, first) in [
            (&b"Tag;Aperture\nN1;203,2 mm\n"[..], "203,2 mm"),
            (&b"Tag\tAperture\r\nN1\t8 in\r\n"[..], "8 in"),
            (
                &b"Tag,Aperture\nN1,\"8\"\" f/6, blue\"\n"[..],
                "8\" f/6, blue",
            ),
            (&b"sep=;\nTag;Aperture\nN1;8\n"[..], "8"),
        ] {
            let read = sheets("a.csv", bytes).unwrap();
            let row = read[0]
                .rows
                .iter()
                .position(|r| r.first() == Some(&Cell::of("N1")))
                .unwrap();
            assert_eq!(texts(&read[0], row)[1], first);
        }
        let latin = sheets("a.csv", b"Name,Mail\nBj\xf6rn,b@x.example\n").unwrap();
        assert_eq!(texts(&latin[0], 1)[0], "Björn");
        let mut utf16 = vec![0xff, 0xfe];
        utf16.extend(
            "Name,Mail\nŁucja,l@x.example\n"
                .encode_utf16()
                .flat_map(u16::to_le_bytes),
        );
        assert_eq!(texts(&sheets("a.csv", &utf16).unwrap()[0], 1)[0], "Łucja");
    }

    #[test]
    fn a_row_keeps_its_number_over_an_empty_line() {
        let read = sheets("a.csv", b"Tag,Name\n\nN1,x\n").unwrap();
        assert_eq!(texts(&read[0], 2), ["N1", "x"]);
    }

    #[test]
    fn what_is_no_list_is_refused_with_the_remedy() {
        for bytes in [
            &b"PK\x03\x04 not a zip"[..],
            &[0xd0, 0xcf, 0x11, 0xe0, 0xa1][..],
            &b"GIF89a\0\0\0"[..],
            &b"  \n \n"[..],
        ] {
            let said = sheets("x.bin", bytes).unwrap_err().0;
            assert!(said.contains("Send") || said.contains("send"), "{said}");
        }
    }
}
