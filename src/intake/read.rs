//! Files to sheets: CSV, XLSX, ODS.

use std::io::{BufRead, BufReader, Cursor};
use std::panic::{AssertUnwindSafe, catch_unwind};

use calamine::{Data, Ods, Range, Reader, Xlsx};
use quick_xml::events::{BytesStart, Event};

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
        // The reader from outside may stop on bytes that nobody thought of.
        catch_unwind(AssertUnwindSafe(|| workbook(name, bytes)))
            .unwrap_or_else(|_| Err(damaged(name)))?
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
        return Err(too_many(name));
    }
    Ok(sheets)
}

fn too_many(name: &str) -> NotRead {
    NotRead(format!(
        "{name} holds more than {MOST_CELLS} cells or {MOST_SHEETS} sheets, or a filled cell far below or beside its list. Send only the lists that are to be brought."
    ))
}

fn damaged(name: &str) -> NotRead {
    NotRead(format!(
        "{name} is damaged, or no spreadsheet. Open it, save it as XLSX, ODS or CSV, and send that."
    ))
}

/// What the file would become when unpacked: a small one may hold a huge one.
fn refuse_swollen(name: &str, bytes: &[u8]) -> Result<(), NotRead> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|_| damaged(name))?;
    let mut unpacked = 0_u64;
    for at in 0..archive.len() {
        let part = archive.by_index_raw(at).map_err(|_| damaged(name))?;
        unpacked = unpacked.saturating_add(part.size());
    }
    if unpacked > MOST_UNPACKED {
        return Err(NotRead(format!(
            "{name} would unpack to more than {} MB. Send only the lists that are to be brought.",
            MOST_UNPACKED / 1024 / 1024
        )));
    }
    // Of an ODS a row of a hundred bytes may stand for a million cells.
    if let Ok(content) = archive.by_name("content.xml")
        && spread_cells(BufReader::new(content)).is_none_or(|cells| cells > 2 * MOST_CELLS as u64)
    {
        return Err(too_many(name));
    }
    Ok(())
}

/// How many cells an ODS file's content (OpenDocument 1.3, part 3, 9.1) becomes when
/// its repeated rows and cells are written out, up to each last filled one; `None`
/// where it is not well-formed.
fn spread_cells(content: impl BufRead) -> Option<u64> {
    let repeats = |tag: &BytesStart<'_>, name: &str| {
        tag.try_get_attribute(name)
            .ok()
            .flatten()
            .and_then(|a| a.value.parse::<u64>().ok())
            .unwrap_or(1)
    };
    let mut reader = quick_xml::Reader::from_reader(content);
    let mut buffer = Vec::new();
    let (mut all, mut widest, mut rows, mut empty_rows) = (0_u64, 0_u64, 0_u64, 0_u64);
    let (mut row, mut filled, mut empty) = (1_u64, 0_u64, 0_u64);
    loop {
        let event = reader.read_event_into(&mut buffer).ok()?;
        match event {
            Event::Start(tag) | Event::Empty(tag) => match tag.name().as_ref() {
                "table:table" => (rows, empty_rows, widest) = (0, 0, 0),
                "table:table-row" => {
                    row = repeats(&tag, "table:number-rows-repeated");
                    (filled, empty) = (0, 0);
                }
                "table:table-cell" | "table:covered-table-cell" => {
                    let count = repeats(&tag, "table:number-columns-repeated");
                    let has_value = tag.attributes().flatten().any(|a| {
                        a.key.as_ref().starts_with("office:") || a.key.as_ref() == "table:formula"
                    });
                    if has_value {
                        filled = filled.saturating_add(empty).saturating_add(count);
                        empty = 0;
                    } else {
                        empty = empty.saturating_add(count);
                    }
                }
                _ => {}
            },
            Event::End(tag) if tag.name().as_ref() == "table:table-row" => {
                if filled == 0 {
                    empty_rows = empty_rows.saturating_add(row);
                } else {
                    rows = rows.saturating_add(empty_rows).saturating_add(row);
                    empty_rows = 0;
                    widest = widest.max(filled);
                    all = all.saturating_add(filled);
                }
            }
            Event::End(tag) if tag.name().as_ref() == "table:table" => {
                all = all.saturating_add(rows.saturating_mul(widest));
            }
            Event::Eof => return Some(all),
            _ => {}
        }
        buffer.clear();
    }
}

fn workbook(name: &str, bytes: &[u8]) -> Result<Vec<Sheet>, NotRead> {
    refuse_swollen(name, bytes)?;
    let not_read = |said: &dyn std::fmt::Display| {
        NotRead(format!(
            "{name} cannot be read ({said}). Open it, save it as XLSX, ODS or CSV, and send that."
        ))
    };
    let mut left = MOST_CELLS;
    if let Ok(mut book) = Xlsx::new(Cursor::new(bytes)) {
        let mut sheets = Vec::new();
        for sheet in book.sheet_names() {
            // Cell by cell: a range would hold everything up to one filled cell far away.
            let mut rows: Vec<Vec<Cell>> = Vec::new();
            {
                let mut cells = book
                    .worksheet_cells_reader(&sheet)
                    .map_err(|e| not_read(&e))?;
                while let Some(found) = cells.next_cell().map_err(|e| not_read(&e))? {
                    let (at, column) = found.get_position();
                    let value = cell(&Data::from(found.get_value().clone()));
                    if (column as usize) < MOST_COLUMNS && !value.is_empty() {
                        place(&mut rows, at as usize, column as usize, value, &mut left)
                            .ok_or_else(|| too_many(name))?;
                    }
                }
            }
            let mut read = Sheet {
                file: name.to_owned(),
                name: sheet.clone(),
                rows,
            };
            for merged in book.merge_cells_by_sheet_name(&sheet).unwrap_or_default() {
                spread(&mut read, merged.start, merged.end, &mut left)
                    .ok_or_else(|| too_many(name))?;
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
/// `None` where there is no room left for it.
fn spread(sheet: &mut Sheet, start: (u32, u32), end: (u32, u32), room: &mut usize) -> Option<()> {
    let [top, left, bottom] = [start.0, start.1, end.0].map(|n| n as usize);
    let value = sheet.cell(top, left).clone();
    let last = bottom.min(sheet.rows.len().saturating_sub(1));
    if value.is_empty() || left >= MOST_COLUMNS {
        return Some(());
    }
    for at in top + 1..=last {
        if sheet.cell(at, left).is_empty() {
            place(&mut sheet.rows, at, left, value.clone(), room)?;
        }
    }
    Some(())
}

/// Puts a cell where it belongs, counting what that takes of the room; `None` where
/// there is none left.
fn place(
    rows: &mut Vec<Vec<Cell>>,
    at: usize,
    column: usize,
    value: Cell,
    room: &mut usize,
) -> Option<()> {
    if rows.len() <= at {
        *room = room.checked_sub(at + 1 - rows.len())?;
        rows.resize_with(at + 1, Vec::new);
    }
    let row = &mut rows[at];
    if row.len() <= column {
        *room = room.checked_sub(column + 1 - row.len())?;
        row.resize(column + 1, Cell::Empty);
    }
    row[column] = value;
    Some(())
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

    /// A zip of these parts.
    fn zipped(parts: &[(&str, &str)]) -> Vec<u8> {
        use std::io::Write;
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        for (name, text) in parts {
            zip.start_file(*name, zip::write::SimpleFileOptions::default())
                .unwrap();
            zip.write_all(text.as_bytes()).unwrap();
        }
        zip.finish().unwrap().into_inner()
    }

    /// The least that is an XLSX file (ECMA-376, part 1), with this sheet data.
    fn xlsx(data: &str) -> Vec<u8> {
        const MAIN: &str = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
        const OFFICE: &str = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
        zipped(&[
            (
                "_rels/.rels",
                &format!(
                    r#"<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>"#
                ),
            ),
            (
                "xl/workbook.xml",
                &format!(
                    r#"<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets><sheet name="A" sheetId="1" r:id="r1"/></sheets></workbook>"#
                ),
            ),
            (
                "xl/_rels/workbook.xml.rels",
                &format!(
                    r#"<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>"#
                ),
            ),
            (
                "xl/worksheets/sheet1.xml",
                &format!(r#"<worksheet xmlns="{MAIN}">{data}</worksheet>"#),
            ),
        ])
    }

    /// The least that is an ODS file (OpenDocument 1.3), with these rows.
    fn ods(rows: &str) -> Vec<u8> {
        zipped(&[
            ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
            (
                "META-INF/manifest.xml",
                r#"<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>"#,
            ),
            (
                "content.xml",
                &format!(
                    r#"<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet><table:table table:name="A">{rows}</table:table></office:spreadsheet></office:body></office:document-content>"#
                ),
            ),
        ])
    }

    #[test]
    fn one_filled_cell_far_away_does_not_fill_the_memory() {
        let cell = |at: &str| format!(r#"<c r="{at}" t="str"><v>x</v></c>"#);
        let rows = |far: &str| {
            format!(
                r#"<sheetData><row r="1">{}</row><row r="1048576">{}</row></sheetData>"#,
                cell("A1"),
                cell(far)
            )
        };
        // Far to the right is not looked at; far below is a row that may be.
        let read = sheets("a.xlsx", &xlsx(&rows("XFD1048576"))).unwrap();
        assert_eq!(
            (read[0].rows.len(), texts(&read[0], 0)),
            (1, vec!["x".to_owned()])
        );
        let read = sheets("a.xlsx", &xlsx(&rows("C1048576"))).unwrap();
        assert_eq!(read[0].rows.len(), 1_048_576);
        assert_eq!(texts(&read[0], 1_048_575), ["", "", "x"]);
        // A merged cell that spans everything.
        let merged = format!(
            r#"{}<mergeCells><mergeCell ref="C1:C1048576"/></mergeCells>"#,
            rows("A1048576").replace("A1\"", "C1\"")
        );
        let said = sheets("a.xlsx", &xlsx(&merged)).unwrap_err().0;
        assert!(said.contains("far below"), "{said}");
        let value =
            r#"<table:table-cell office:value-type="string"><text:p>x</text:p></table:table-cell>"#;
        let times =
            |n: u64| value.replacen(' ', &format!(r#" table:number-columns-repeated="{n}" "#), 1);
        let small = format!(
            r#"<table:table-row>{value}<table:table-cell table:number-columns-repeated="16383"/></table:table-row><table:table-row table:number-rows-repeated="1048575"><table:table-cell table:number-columns-repeated="16384"/></table:table-row>"#
        );
        let read = sheets("a.ods", &ods(&small)).unwrap();
        assert_eq!(
            (read[0].rows.len(), texts(&read[0], 0)),
            (1, vec!["x".to_owned()])
        );
        for rows in [
            format!("<table:table-row>{}</table:table-row>", times(16_384)).repeat(4000),
            format!(
                "<table:table-row table:number-rows-repeated=\"1000000\">{}</table:table-row>",
                times(50)
            ),
            format!(
                "<table:table-row>{value}</table:table-row><table:table-row table:number-rows-repeated=\"1000000\"><table:table-cell/></table:table-row><table:table-row>{}</table:table-row>",
                times(90)
            ),
        ] {
            let said = sheets("a.ods", &ods(&rows)).unwrap_err().0;
            assert!(said.contains("far below"), "{said}");
        }
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
