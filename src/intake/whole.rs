//! The whole club as one document, `club.json`, with its pictures as files beside it;
//! and back into an empty folder.
//!
//! The document is described by `static/club.schema.json`. Ids are UUIDs, other bytes
//! are `hex:` and digits, or `{"file": ...}` where they are a picture; instants are
//! RFC 3339 in UTC. What opens a way in (passwords, sessions, second factors) is not
//! in it.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Component, Path, PathBuf};

use library::whole_club::{self, Column, Filling, Holds, Table, Value};
use library::{Conn, Library, Moment};
use serde_json::{Map, Value as Json, json};
use sqlx::Connection;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

/// The document's name.
pub const DOCUMENT: &str = "club.json";
/// What the document says it is.
pub const FORMAT: &str = "tubewright-club";
/// The version of its layout.
pub const VERSION: i64 = 1;
/// Bytes up to so many stand in the document itself.
const SHORT: usize = 64;
/// The largest file that is read back, bytes.
const MOST_BYTES: u64 = 64 * 1024 * 1024;

/// Why it was not written or read.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The library.
    #[error(transparent)]
    Library(#[from] library::Error),
    /// A file.
    #[error("{0}: {1}")]
    File(String, std::io::Error),
    /// An archive.
    #[error("the archive: {0}")]
    Archive(#[from] zip::result::ZipError),
    /// What was read is no such document.
    #[error("{0}")]
    NotOne(String),
}

/// Shorthand.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Where an export goes.
enum Sink {
    Folder(PathBuf),
    Archive(Box<ZipWriter<File>>),
}

fn of_file(name: impl Into<String>) -> impl FnOnce(std::io::Error) -> Error {
    let name = name.into();
    move |error| Error::File(name, error)
}

impl Sink {
    /// An archive where the name ends in .zip, else a folder that is new or empty.
    fn at(path: &Path) -> Result<Self> {
        let shown = path.display().to_string();
        if path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("zip"))
        {
            let file = File::create_new(path).map_err(of_file(shown))?;
            return Ok(Self::Archive(Box::new(ZipWriter::new(file))));
        }
        std::fs::create_dir_all(path).map_err(of_file(&shown))?;
        let mut held = std::fs::read_dir(path).map_err(of_file(&shown))?;
        if held.next().is_some() {
            return Err(Error::NotOne(format!(
                "{shown} is not empty. Name a new folder, or a file that ends in .zip."
            )));
        }
        Ok(Self::Folder(path.to_owned()))
    }

    /// Puts a file there; pictures are small already.
    fn put(&mut self, name: &str, content: &mut dyn Read, pack: bool) -> Result<()> {
        match self {
            Self::Folder(folder) => {
                let path = folder.join(name);
                if let Some(parent) = path.parent() {
                    std::fs::create_dir_all(parent).map_err(of_file(name))?;
                }
                let mut file = File::create_new(path).map_err(of_file(name))?;
                std::io::copy(content, &mut file).map_err(of_file(name))?;
                file.sync_all().map_err(of_file(name))?;
            }
            Self::Archive(archive) => {
                let method = match pack {
                    true => CompressionMethod::Deflated,
                    false => CompressionMethod::Stored,
                };
                let options = SimpleFileOptions::default()
                    .compression_method(method)
                    .large_file(true);
                archive.start_file(name, options)?;
                std::io::copy(content, archive).map_err(of_file(name))?;
            }
        }
        Ok(())
    }

    fn end(self) -> Result<()> {
        if let Self::Archive(archive) = self {
            let file = archive.finish()?;
            file.sync_all().map_err(of_file("the archive"))?;
        }
        Ok(())
    }
}

/// What an export holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Holdings {
    /// Rows of each table.
    pub rows: BTreeMap<String, u64>,
    /// Files beside the document.
    pub files: u64,
}

/// Writes the whole club as it is at one instant: into a folder, or into an archive
/// where the name ends in .zip. Blocking but for the reading.
///
/// # Errors
/// When something is there already, or cannot be written.
pub async fn export(library: &Library, to: &Path, now: Moment) -> Result<Holdings> {
    let mut sink = Sink::at(to)?;
    let mut conn = library.read().await?;
    // It sees the club as it is now, whatever is written meanwhile.
    let mut conn = conn.begin().await.map_err(library::Error::from)?;
    let mut holdings = Holdings::default();
    let spool = tempfile_beside(library)?;
    let mut document = BufWriter::new(&spool);
    let broken = || of_file("the document");
    let head = json!({ "format": FORMAT, "version": VERSION, "made_at": now });
    let head = head.to_string();
    write!(document, "{},\"tables\":{{", head.trim_end_matches('}')).map_err(broken())?;
    for (n, table) in whole_club::tables(&mut conn).await?.iter().enumerate() {
        let comma = if n == 0 { "" } else { "," };
        write!(document, "{comma}\n{}:[", Json::from(table.name.as_str())).map_err(broken())?;
        let mut rows = 0_u64;
        let (document, sink, files) = (&mut document, &mut sink, &mut holdings.files);
        whole_club::each_row(&mut conn, table, |values| {
            let row = row(table, values, sink, files)?;
            let comma = if rows == 0 { "" } else { "," };
            rows += 1;
            write!(document, "{comma}\n{row}").map_err(broken())
        })
        .await?;
        write!(document, "]").map_err(broken())?;
        holdings.rows.insert(table.name.clone(), rows);
    }
    drop(conn);
    writeln!(document, "}}}}").map_err(broken())?;
    document.flush().map_err(broken())?;
    drop(document);
    let mut spool = spool;
    spool.seek(SeekFrom::Start(0)).map_err(broken())?;
    sink.put(DOCUMENT, &mut BufReader::new(spool), true)?;
    sink.end()?;
    Ok(holdings)
}

/// A file without a name in the data folder: it holds people's data while it is written.
fn tempfile_beside(library: &Library) -> Result<File> {
    tempfile::tempfile_in(library.folder()).map_err(of_file("the data folder"))
}

fn row(table: &Table, values: Vec<Value>, sink: &mut Sink, files: &mut u64) -> Result<Json> {
    let mut row = Map::new();
    let mut key = Vec::new();
    for (column, value) in table.columns.iter().zip(&values) {
        if column.key > 0 {
            key.push(match value {
                Value::Blob(bytes) => uuid_of(bytes).unwrap_or_else(|| library::hex(bytes)),
                Value::Integer(n) => n.to_string(),
                Value::Text(text) => plain(text),
                _ => String::new(),
            });
        }
    }
    for (column, value) in table.columns.iter().zip(values) {
        let written = match value {
            Value::Null => Json::Null,
            Value::Integer(n) => n.into(),
            Value::Real(n) => n.into(),
            Value::Text(text) => text.into(),
            Value::Blob(bytes) => match uuid_of(&bytes) {
                Some(id) => id.into(),
                None if bytes.len() <= SHORT => format!("hex:{}", library::hex(&bytes)).into(),
                None => {
                    let name = format!(
                        "files/{}/{}-{}.{}",
                        table.name,
                        key.join("-"),
                        column.name,
                        ending(&bytes)
                    );
                    sink.put(&name, &mut bytes.as_slice(), false)?;
                    *files += 1;
                    json!({ "file": name })
                }
            },
        };
        row.insert(column.name.clone(), written);
    }
    Ok(Json::Object(row))
}

/// Letters, digits and hyphens, for a file's name.
fn plain(text: &str) -> String {
    let keep = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    text.chars().map(keep).take(40).collect()
}

fn uuid_of(bytes: &[u8]) -> Option<String> {
    uuid::Uuid::from_slice(bytes).ok().map(|id| id.to_string())
}

fn ending(bytes: &[u8]) -> &'static str {
    match bytes {
        [0x89, b'P', b'N', b'G', ..] => "png",
        [0xff, 0xd8, ..] => "jpg",
        _ => "bin",
    }
}

/// Where an export is read from.
enum Source {
    Folder(PathBuf),
    Archive(Box<ZipArchive<File>>),
}

impl Source {
    fn bytes(&mut self, name: &str, most: u64) -> Result<Vec<u8>> {
        let not_there = |said: String| {
            Error::NotOne(format!(
                "{name} of the export cannot be read ({said}). Make the export anew."
            ))
        };
        // A name that leads elsewhere is none of ours.
        let inside = Path::new(name)
            .components()
            .all(|part| matches!(part, Component::Normal(_)));
        if !inside {
            return Err(not_there("its name leads out of the export".to_owned()));
        }
        let mut bytes = Vec::new();
        match self {
            Self::Folder(folder) => {
                let file = File::open(folder.join(name)).map_err(|e| not_there(e.to_string()))?;
                file.take(most + 1).read_to_end(&mut bytes)
            }
            Self::Archive(archive) => {
                let file = archive
                    .by_name(name)
                    .map_err(|e| not_there(e.to_string()))?;
                file.take(most + 1).read_to_end(&mut bytes)
            }
        }
        .map_err(|e| not_there(e.to_string()))?;
        if bytes.len() as u64 > most {
            return Err(not_there("it is too large".to_owned()));
        }
        Ok(bytes)
    }
}

/// Whether a path is an export: a folder with the document in it, or an archive with it.
pub fn is_export(path: &Path) -> bool {
    if path.is_dir() {
        return path.join(DOCUMENT).is_file();
    }
    let archive = File::open(path).ok().and_then(|f| ZipArchive::new(f).ok());
    archive.is_some_and(|a| a.index_for_name(DOCUMENT).is_some())
}

/// The most that a document may hold, bytes.
const MOST_DOCUMENT: u64 = 2 * 1024 * 1024 * 1024;

/// Reads an export into an empty library, in the transaction of the caller.
///
/// # Errors
/// When it is no export of this version, or does not hold together, or the library is
/// not empty; then the caller drops the transaction.
pub async fn import(conn: &mut Conn, from: &Path) -> Result<Holdings> {
    let mut source = if from.is_dir() {
        Source::Folder(from.to_owned())
    } else {
        let file = File::open(from).map_err(of_file(from.display().to_string()))?;
        Source::Archive(Box::new(ZipArchive::new(file)?))
    };
    let not_one =
        |why: String| Error::NotOne(format!("This is no export that can be read: {why}."));
    let document = source.bytes(DOCUMENT, MOST_DOCUMENT)?;
    let mut document: Map<String, Json> =
        serde_json::from_slice(&document).map_err(|e| not_one(format!("{DOCUMENT}: {e}")))?;
    if document.get("format").and_then(Json::as_str) != Some(FORMAT) {
        return Err(not_one(format!("{DOCUMENT} is something else")));
    }
    if document.get("version").and_then(Json::as_i64) != Some(VERSION) {
        return Err(not_one("another version of the tool wrote it".to_owned()));
    }
    let Some(Json::Object(mut tables)) = document.remove("tables") else {
        return Err(not_one("it has no tables".to_owned()));
    };
    let filling = Filling::begin(conn).await?;
    let mut holdings = Holdings::default();
    for table in whole_club::tables(conn).await? {
        let Some(rows) = tables.remove(&table.name) else {
            continue;
        };
        let Json::Array(rows) = rows else {
            return Err(not_one(format!("{} is no list", table.name)));
        };
        holdings.rows.insert(table.name.clone(), rows.len() as u64);
        for (n, row) in rows.into_iter().enumerate() {
            let place = format!("{}, row {}", table.name, n + 1);
            let Json::Object(row) = row else {
                return Err(not_one(place));
            };
            let mut names = Vec::new();
            let mut values = Vec::new();
            for (name, value) in &row {
                let column = table.columns.iter().find(|c| c.name == *name);
                let column =
                    column.ok_or_else(|| not_one(format!("{place}: {name} is not known")))?;
                let value = value_of(column, value, &mut source, &mut holdings.files)?;
                let value = value.ok_or_else(|| not_one(format!("{place}: {name}")))?;
                names.push(column.name.as_str());
                values.push(value);
            }
            filling
                .put(conn, &table.name, &names, values)
                .await
                .map_err(|e| not_one(format!("{place}: {e}")))?;
        }
    }
    if let Some(name) = tables.keys().next() {
        return Err(not_one(format!(
            "{name} is not known; a newer tool wrote it"
        )));
    }
    filling.end(conn).await?;
    Ok(holdings)
}

fn value_of(
    column: &Column,
    value: &Json,
    source: &mut Source,
    files: &mut u64,
) -> Result<Option<Value>> {
    Ok(match (column.holds, value) {
        (_, Json::Null) => Some(Value::Null),
        (Holds::Integer, Json::Number(n)) => n.as_i64().map(Value::Integer),
        (Holds::Real, Json::Number(n)) => n.as_f64().map(Value::Real),
        (Holds::Text, Json::String(text)) => Some(Value::Text(text.clone())),
        (Holds::Blob, Json::String(text)) => match text.strip_prefix("hex:") {
            Some(digits) => bytes_of(digits).map(Value::Blob),
            None => uuid::Uuid::parse_str(text)
                .ok()
                .map(|id| Value::Blob(id.as_bytes().to_vec())),
        },
        (Holds::Blob, Json::Object(of)) => match of.get("file").and_then(Json::as_str) {
            Some(name) => {
                *files += 1;
                Some(Value::Blob(source.bytes(name, MOST_BYTES)?))
            }
            None => None,
        },
        _ => None,
    })
}

fn bytes_of(digits: &str) -> Option<Vec<u8>> {
    let digit = |c: u8| {
        char::from(c)
            .to_digit(16)
            .and_then(|d| u8::try_from(d).ok())
    };
    let pairs = digits.as_bytes().chunks_exact(2);
    if !pairs.remainder().is_empty() {
        return None;
    }
    pairs
        .map(|pair| Some(digit(pair[0])? << 4 | digit(pair[1])?))
        .collect()
}

/// The schema of the document (JSON Schema, draft 2020-12), from the tables and the
/// comments beside their columns.
pub fn schema(tables: &[Table]) -> Json {
    let described: Map<String, Json> = tables
        .iter()
        .map(|table| (table.name.clone(), table_schema(table)))
        .collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "club.schema.json",
        "title": "A club, whole",
        "description": "All that a club keeps, as `tubewright export` writes it. Ids are UUIDs; instants are RFC 3339 in UTC; days are YYYY-MM-DD; yes and no are 1 and 0. Lengths are millimetres, weights kilograms, distances kilometres, money hundredths of the club's currency.",
        "type": "object",
        "required": ["format", "version", "made_at", "tables"],
        "additionalProperties": false,
        "properties": {
            "format": { "const": FORMAT },
            "version": { "const": VERSION },
            "made_at": { "type": "string", "format": "date-time" },
            "tables": {
                "type": "object",
                "additionalProperties": false,
                "required": tables.iter().map(|t| t.name.as_str()).collect::<Vec<_>>(),
                "properties": described,
            },
        },
        "$defs": {
            "id": { "type": "string", "format": "uuid" },
            "bytes": {
                "description": "Bytes: an id of sixteen, hexadecimal digits, or a file beside the document",
                "anyOf": [
                    { "$ref": "#/$defs/id" },
                    { "type": "string", "pattern": "^hex:([0-9a-f]{2})*$" },
                    {
                        "type": "object",
                        "required": ["file"],
                        "additionalProperties": false,
                        "properties": { "file": { "type": "string", "pattern": "^files/[a-z_]+/[A-Za-z0-9_.-]+$" } },
                    },
                ],
            },
        },
    })
}

fn table_schema(table: &Table) -> Json {
    let columns: Map<String, Json> = table
        .columns
        .iter()
        .map(|column| (column.name.clone(), column_schema(table, column)))
        .collect();
    let names: Vec<&str> = table.columns.iter().map(|c| c.name.as_str()).collect();
    json!({
        "type": "array",
        "items": {
            "type": "object",
            "additionalProperties": false,
            "required": names,
            "properties": columns,
        },
    })
}

fn column_schema(table: &Table, column: &Column) -> Json {
    let line = table
        .sql
        .lines()
        .find(|l| l.split_whitespace().next() == Some(column.name.as_str()));
    let comment = line
        .and_then(|l| l.split_once("-- "))
        .map(|(_, words)| words.trim().to_owned());
    let is_id = line.is_some_and(|l| l.contains("REFERENCES") || l.contains("= 16"));
    let mut schema = match column.holds {
        Holds::Integer => json!({ "type": "integer" }),
        Holds::Real => json!({ "type": "number" }),
        Holds::Text => json!({ "type": "string" }),
        Holds::Blob if is_id => json!({ "$ref": "#/$defs/id" }),
        Holds::Blob => json!({ "$ref": "#/$defs/bytes" }),
    };
    let is_instant = column.name.ends_with("_at") || column.name == "at";
    if column.holds == Holds::Text && is_instant {
        schema["format"] = "date-time".into();
    }
    if let Some(words) = closed_words(&table.sql, &column.name) {
        schema["enum"] = words.into();
    }
    if column.nullable {
        schema = json!({ "anyOf": [schema, { "type": "null" }] });
    }
    if let Some(comment) = comment {
        schema["description"] = comment.into();
    }
    schema
}

/// The words of `CHECK (column IN ('a', 'b'))`.
fn closed_words(sql: &str, column: &str) -> Option<Vec<String>> {
    let (_, rest) = sql.split_once(&format!("CHECK ({column} IN ('"))?;
    let (list, _) = rest.split_once("'))")?;
    Some(list.split('\'').step_by(2).map(str::to_owned).collect())
}
