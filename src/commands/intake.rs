//! `tubewright import`: a club's own lists, under the same rules as the page.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use chrono::Utc;
use tubewright::intake::cells::Sheet;
use tubewright::intake::plan::{Choices, Plan};
use tubewright::intake::read::{self, MOST_BYTES};
use tubewright::intake::{self, Error, whole};
use tubewright::library::people::{Person, Role};
use tubewright::library::{Error as Refusal, Library};

use super::{DataArgs, REFUSED, USAGE, block_on};

/// Arguments of `import`.
#[derive(Debug, clap::Args)]
pub struct ImportArgs {
    /// Lists that belong together (CSV, XLSX, ODS); or one whole club that was exported, which
    /// goes into an empty folder
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    data: DataArgs,
    /// Who brings them: a coordinator's email address
    #[arg(long, value_name = "EMAIL", env = "TUBEWRIGHT_BY", default_value = "")]
    by: String,
    /// Only say what would be added, and what is wrong or open
    #[arg(long)]
    dry_run: bool,
    /// Answer a question by its key, as it is printed; may be given several times
    #[arg(long = "answer", value_name = "KEY=VALUE", value_parser = answer)]
    answers: Vec<(String, String)>,
    /// Take the answer that is suggested wherever there is one
    #[arg(long)]
    as_suggested: bool,
    /// Leave rows out that are wrong, rather than keep nothing
    #[arg(long)]
    leave_out: bool,
}

fn answer(typed: &str) -> Result<(String, String), String> {
    let (key, value) = typed
        .split_once('=')
        .ok_or_else(|| "write it as KEY=VALUE".to_owned())?;
    Ok((key.to_owned(), value.to_owned()))
}

/// Runs the command; the server may be running meanwhile.
pub fn run(args: ImportArgs) -> ExitCode {
    block_on(import(args))
}

fn sheets(files: &[PathBuf]) -> anyhow::Result<Vec<Sheet>> {
    let mut sheets = Vec::new();
    for path in files {
        let bytes = bytes_of(path)?;
        let name = path.file_name().unwrap_or(path.as_os_str());
        let read = read::sheets(&name.to_string_lossy(), &bytes);
        sheets.extend(read.map_err(|why| Refusal::Refused(why.0))?);
    }
    Ok(sheets)
}

fn bytes_of(path: &Path) -> Result<Vec<u8>, Refusal> {
    let refused = |why: String| Refusal::Refused(format!("{}: {why}", path.display()));
    let size = std::fs::metadata(path)
        .map_err(|e| refused(e.to_string()))?
        .len();
    if size > MOST_BYTES {
        return Err(refused(format!(
            "at most {} MB are taken; save it without pictures",
            MOST_BYTES / 1024 / 1024
        )));
    }
    std::fs::read(path).map_err(|e| refused(e.to_string()))
}

async fn import(args: ImportArgs) -> anyhow::Result<ExitCode> {
    if let [one] = args.files.as_slice()
        && whole::is_export(one)
    {
        return super::export::read_back(one, &args.data).await;
    }
    if args.by.is_empty() {
        eprintln!("tubewright: --by: give the email address of the coordinator who brings them.");
        return Ok(ExitCode::from(USAGE));
    }
    // A mistyped folder is not filled.
    Library::look_into(&args.data.data).await?.close().await;
    let begun = Instant::now();
    let step = |words: &str| eprintln!("{:6.2} s  {words}", begun.elapsed().as_secs_f64());
    let sheets = sheets(&args.files)?;
    let rows: usize = sheets.iter().map(|s| s.rows.len()).sum();
    step(&format!("read {rows} rows of {} sheets", sheets.len()));
    let library = Library::open(&args.data.data).await?;
    let by = Person::named(&mut *library.read().await?, &args.by).await?;
    if by.role < Role::Coordinator {
        eprintln!("tubewright: --by: {} is no coordinator.", by.name);
        return Ok(ExitCode::from(REFUSED));
    }
    let now = Utc::now();
    let mut choices = Choices {
        answers: args.answers.into_iter().collect::<BTreeMap<_, _>>(),
        leave_out: args.leave_out,
        ..Choices::guessed(&sheets)
    };
    for (sheet, choice) in sheets.iter().zip(&choices.sheets) {
        say!("{}: {}", sheet.words(), choice.kind);
    }
    let mut looked = intake::look(&library, &sheets, &choices, now).await?;
    if args.as_suggested {
        for question in &looked.plan.questions {
            if let (None, Some(suggested)) = (&question.answer, &question.suggested) {
                choices
                    .answers
                    .insert(question.key.clone(), suggested.clone());
            }
        }
        looked = intake::look(&library, &sheets, &choices, now).await?;
    }
    step("looked them over");
    tell(&looked.plan);
    if args.dry_run {
        library.close().await;
        let open = !looked.plan.is_ready(&choices) && !looked.plan.batch.is_empty();
        say!("Nothing was kept: this was a dry run.");
        return Ok(ExitCode::from(if open { REFUSED } else { 0 }));
    }
    if looked.plan.batch.is_empty() && looked.plan.faults.is_empty() {
        library.close().await;
        say!("All of it is here already. Nothing was added.");
        return Ok(ExitCode::SUCCESS);
    }
    let kept = intake::keep_alone(&library, &sheets, &choices, by.id, now).await;
    library.close().await;
    match kept {
        Ok((_, added)) => {
            step("kept them");
            say!("Kept: {added}.");
            Ok(ExitCode::SUCCESS)
        }
        Err(Error::NotReady(_)) => {
            say!(
                "Nothing was kept. Answer the questions with --answer KEY=VALUE, and correct the cells or give --leave-out."
            );
            Ok(ExitCode::from(REFUSED))
        }
        Err(error) => Err(error.into()),
    }
}

fn tell(plan: &Plan) {
    for (kind, count) in &plan.counts {
        say!(
            "{kind}: {} new, {} here already, {} to correct, {} waiting for an answer",
            count.added,
            count.known,
            count.faulty,
            count.waiting
        );
    }
    for question in plan.questions.iter().filter(|q| q.answer.is_none()) {
        say!(
            "question {}: {} (in {})",
            question.key,
            question.words,
            question.places.join(", ")
        );
        for (value, words) in &question.options {
            let suggested = match question.suggested.as_ref() == Some(value) {
                true => " (suggested)",
                false => "",
            };
            say!("    {}={value}    {words}{suggested}", question.key);
        }
    }
    for fault in &plan.faults {
        say!("{}, {}: {}", fault.sheet, fault.cell, fault.words);
    }
    for words in &plan.notes {
        say!("note: {words}");
    }
}
