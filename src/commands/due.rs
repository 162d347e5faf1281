//! `tubewright due`.

use std::path::PathBuf;
use std::process::ExitCode;

use chrono::Utc;
use tubewright::library::club::Club;
use tubewright::library::{Error, Library};
use tubewright::upkeep::Snapshots;
use tubewright::upkeep::due_list::{DueList, Filter, due_list};
use tubewright::web::{due, show};

use super::{REFUSED, block_on};

/// Arguments of `due`.
#[derive(Debug, clap::Args)]
pub struct DueArgs {
    /// The folder that holds the club's data; it is only read, also while the server runs
    #[arg(
        long,
        value_name = "DIR",
        env = "TUBEWRIGHT_DATA",
        default_value = "tubewright-data"
    )]
    data: PathBuf,
    /// One JSON object, its fields as at /due.json
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// CSV (RFC 4180) as at /due.csv
    #[arg(long)]
    csv: bool,
}

/// Prints the due list.
pub fn run(args: DueArgs) -> ExitCode {
    block_on(print(args))
}

async fn print(args: DueArgs) -> anyhow::Result<ExitCode> {
    let library = match Library::look_into(&args.data).await {
        Ok(library) => library,
        Err(Error::Refused(why)) => {
            if args.json {
                say!(
                    "{}",
                    serde_json::json!({ "error": "refused", "words": why })
                );
            }
            eprintln!("tubewright: {why}");
            return Ok(ExitCode::from(REFUSED));
        }
        Err(error) => return Err(error.into()),
    };
    let club = Club::load(&mut *library.read().await?).await?;
    let now = Utc::now();
    let snapshot = Snapshots::default().now(&library, now).await?;
    let list = due_list(&snapshot, &club, &Filter::default(), None, now);
    library.close().await;
    let text = if args.json {
        format!("{}\n", serde_json::to_string_pretty(&list)?).into_bytes()
    } else if args.csv {
        due::csv(&list)?
    } else {
        table(&list, &club).into_bytes()
    };
    super::print(&text);
    Ok(ExitCode::SUCCESS)
}

const REASONS_WIDE: usize = 58;

/// The list for people: one block an instrument, its reasons below each other.
fn table(list: &DueList, club: &Club) -> String {
    let mut text = format!(
        "{}: due for the bench, {}\n",
        list.club,
        show::day(club.date(list.made_at))
    );
    if list.due.is_empty() {
        text.push_str(&format!(
            "\nNothing is due. {} instruments on the shelf.\n",
            list.instruments
        ));
        return text;
    }
    text.push_str(&format!(
        "{} of {} instruments, the most urgent first\n",
        list.due.len(),
        list.instruments
    ));
    let tag_wide = list
        .due
        .iter()
        .map(|r| r.tag.chars().count())
        .max()
        .unwrap_or(0);
    for row in &list.due {
        text.push_str(&format!(
            "\n{:>3}  {:<tag_wide$}  {}\n",
            row.rank, row.tag, row.name
        ));
        let indent = " ".repeat(7 + tag_wide);
        let place = if row.place.is_empty() {
            String::new()
        } else {
            format!(", lives at {}", row.place)
        };
        let waiting = match row.waiting {
            0 => String::new(),
            n => format!("; {n} waiting"),
        };
        text.push_str(&format!(
            "{indent}{}{place}; {}{waiting}\n",
            due::where_words(row),
            row.condition
        ));
        let foreseen = row.foreseen.iter().flat_map(|f| &f.words);
        for words in row.reasons.iter().map(|r| &r.words).chain(foreseen) {
            for (line, lead) in wrap(words, REASONS_WIDE)
                .into_iter()
                .zip(["- "].into_iter().chain(std::iter::repeat("  ")))
            {
                text.push_str(&format!("{indent}{lead}{line}\n"));
            }
        }
        text.push_str(&format!(
            "{indent}{}: {}\n",
            due::last_test_label(row),
            due::last_test_words(row)
        ));
    }
    text
}

/// Breaks words into lines of at most so many characters where it can.
fn wrap(words: &str, wide: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= wide => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_wrapped_between_words_and_long_ones_stay_whole() {
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("unbreakable", 4), ["unbreakable"]);
        assert!(wrap("  ", 4).is_empty());
    }
}
