//! A club's own lists brought in: sent, looked over, kept all at once. Coordinators only.

use std::io::Read;

use askama::Template;
use axum::response::Response;

use super::access::{Access, Route};
use super::extract::Nothing;
use super::extract::{Form, FormLimits, Path, Upload, UploadedFile};
use super::fields::FormErrors;
use super::page::{Layout, RequestContext, Submission, mend, page};
use super::{Error, show};
use crate::intake::cells::{Sheet, column_letters};
use crate::intake::fields::{self, Field, Kind};
use crate::intake::plan::{Choices, SheetChoice, repeats};
use crate::intake::read::{self, MOST_BYTES, NotRead};
use crate::intake::{self};
use crate::library::{ImportId, UploadId};
use crate::library::{held_lists, imports};

/// The most files of one sending.
const MOST_FILES: usize = 20;

/// Routes.
pub fn routes() -> Vec<Route> {
    vec![
        Route::get(Access::Coordinator, "/import", begin),
        Route::post(Access::Coordinator, "/import", send).holding(FormLimits {
            files: MOST_FILES,
            file_bytes: MOST_BYTES * 3,
            ..FormLimits::of(Access::Coordinator)
        }),
        Route::get(Access::Coordinator, "/import/{id}", show_columns),
        Route::post(Access::Coordinator, "/import/{id}", choose_columns),
        Route::post(Access::Coordinator, "/import/{id}/drop", let_go),
        Route::get(Access::Coordinator, "/imports/{id}", kept),
        Route::post(Access::Coordinator, "/imports/{id}/undo", undo),
    ]
}

/// One import as a list shows it.
struct ImportLine {
    href: String,
    when: String,
    names: String,
    added: String,
    by: String,
    undone: String,
}

#[derive(Template)]
#[template(path = "intake/begin.html")]
struct BeginPage {
    layout: Layout,
    imports: Vec<ImportLine>,
    errors: FormErrors,
}

async fn begin_page(context: &RequestContext, errors: FormErrors) -> Result<BeginPage, Error> {
    let imports = imports::imports(&mut *context.read().await?).await?;
    let club = context.club();
    Ok(BeginPage {
        layout: context.layout("Bring your lists"),
        imports: imports
            .into_iter()
            .map(|i| ImportLine {
                href: format!("/imports/{}", i.id),
                when: show::time(club, i.at),
                names: i.names,
                added: i.added,
                by: i.by,
                undone: i
                    .undone_at
                    .map(|at| show::time(club, at))
                    .unwrap_or_default(),
            })
            .collect(),
        errors,
    })
}

async fn begin(context: RequestContext) -> Result<Response, Error> {
    page(&begin_page(&context, FormErrors::new()).await?)
}

/// Reads the files that were sent; blocking.
fn read_files(files: &[UploadedFile]) -> Result<Vec<Sheet>, NotRead> {
    let mut sheets = Vec::new();
    for sent in files {
        let mut bytes = Vec::new();
        let read = sent
            .file
            .reopen()
            .and_then(|f| f.take(MOST_BYTES + 1).read_to_end(&mut bytes));
        if read.is_err() {
            return Err(NotRead(format!(
                "{} could not be read on this machine. Send it again.",
                sent.name
            )));
        }
        let name: String = sent.name.chars().take(80).collect();
        sheets.extend(read::sheets(&name, &bytes)?);
    }
    Ok(sheets)
}

async fn send(context: RequestContext, upload: Upload) -> Result<Response, Error> {
    let once = upload.once.clone();
    let mut errors = FormErrors::new();
    if upload.files.is_empty() {
        errors.add("files", "Files: choose the club's lists first.");
        return mend(&begin_page(&context, errors).await?);
    }
    let read = tokio::task::spawn_blocking(move || {
        let sheets = read_files(&upload.files)?;
        let choices = Choices::guessed(&sheets);
        Ok::<_, NotRead>((sheets, choices))
    })
    .await
    .map_err(|e| Error::Broken(format!("reading lists: {e}")))?;
    let (sheets, choices) = match read {
        Ok(read) => read,
        Err(why) => {
            errors.add("files", why.0);
            return mend(&begin_page(&context, errors).await?);
        }
    };
    let upload = intake::to_hold(&sheets, &choices)?;
    let person = context.person()?.id;
    let mut write = match context.begin(&once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    let id = held_lists::hold(&mut write, person, &upload, context.now()).await?;
    write.finish(&format!("/import/{id}"), "").await
}

/// What this person holds, with its sheets and choices.
pub(super) async fn held(
    context: &RequestContext,
    id: UploadId,
) -> Result<(String, Vec<Sheet>, Choices), Error> {
    let person = context.person()?.id;
    let held = held_lists::held(&mut *context.read().await?, person, id).await?;
    let (sheets, choices) = intake::of_held(&held)?;
    Ok((held.names, sheets, choices))
}

/// One column to choose for.
struct ColumnRow {
    /// The field's name in the form.
    name: String,
    letters: String,
    heading: String,
    examples: String,
    chosen: String,
}

/// One sheet to choose for.
struct SheetBlock {
    at: usize,
    title: String,
    kind: String,
    /// The row of headings, from 1.
    header: String,
    rows: usize,
    repeats: bool,
    can_repeat: bool,
    columns: Vec<ColumnRow>,
    fields: Vec<(&'static str, &'static str)>,
}

impl SheetBlock {
    fn of(at: usize, sheet: &Sheet, choice: &SheetChoice) -> Self {
        let columns = (0..sheet.width())
            .filter_map(|column| {
                let heading = sheet.cell(choice.header, column).text();
                let below = choice.header + 1..sheet.rows.len();
                let mut examples: Vec<String> = Vec::new();
                for text in below.map(|row| sheet.cell(row, column).text()) {
                    if !text.is_empty() && !examples.contains(&text) {
                        examples.push(text.chars().take(30).collect());
                    }
                    if examples.len() == 3 {
                        break;
                    }
                }
                if heading.is_empty() && examples.is_empty() {
                    return None;
                }
                let chosen = choice.columns.get(column).copied().flatten();
                Some(ColumnRow {
                    name: format!("col-{at}-{column}"),
                    letters: column_letters(column),
                    heading,
                    examples: examples.join(" · "),
                    chosen: chosen.map_or("", Field::slug).to_owned(),
                })
            })
            .collect();
        Self {
            at,
            title: sheet.words(),
            kind: choice.kind.slug().to_owned(),
            header: (choice.header + 1).to_string(),
            rows: sheet.rows.len().saturating_sub(choice.header + 1),
            repeats: choice.repeats,
            can_repeat: matches!(
                choice.kind,
                Kind::Kit | Kind::Loans | Kind::Journeys | Kind::StarTests
            ),
            columns,
            fields: choice
                .kind
                .fields()
                .iter()
                .map(|f| (f.slug(), f.label()))
                .collect(),
        }
    }

    fn field(&self, what: &str) -> String {
        format!("{what}-{}", self.at)
    }
}

#[derive(Template)]
#[template(path = "intake/columns.html")]
struct ColumnsPage {
    layout: Layout,
    id: UploadId,
    names: String,
    sheets: Vec<SheetBlock>,
    kinds: Vec<(&'static str, String)>,
    errors: FormErrors,
}

impl ColumnsPage {
    fn new(
        context: &RequestContext,
        id: UploadId,
        names: String,
        sheets: &[Sheet],
        choices: &Choices,
    ) -> Self {
        let kinds = Kind::ALL
            .iter()
            .map(|k| (k.slug(), show::capital(k.label())))
            .collect();
        Self {
            layout: context.layout("What the columns mean"),
            id,
            names,
            sheets: sheets
                .iter()
                .zip(&choices.sheets)
                .enumerate()
                .map(|(at, (sheet, choice))| SheetBlock::of(at, sheet, choice))
                .collect(),
            kinds,
            errors: FormErrors::new(),
        }
    }
}

async fn show_columns(
    context: RequestContext,
    Path(id): Path<UploadId>,
) -> Result<Response, Error> {
    let (names, sheets, choices) = held(&context, id).await?;
    page(&ColumnsPage::new(&context, id, names, &sheets, &choices))
}

/// What the form says of one sheet; a new kind or row of headings guesses its columns
/// anew. Tells whether it did.
fn chosen(
    at: usize,
    sheet: &Sheet,
    before: &SheetChoice,
    value: &dyn Fn(&str) -> Option<String>,
    errors: &mut FormErrors,
) -> (SheetChoice, bool) {
    let kind = value(&format!("kind-{at}"))
        .and_then(|slug| slug.parse::<Kind>().ok())
        .unwrap_or(before.kind);
    let field = format!("header-{at}");
    let typed = value(&field).unwrap_or_default();
    let most = i64::try_from(sheet.rows.len()).unwrap_or(1);
    let header = errors
        .optional_whole(&field, "Row of the headings", &typed, 1..=most)
        .map_or(before.header, |row| usize::try_from(row - 1).unwrap_or(0));
    if kind != before.kind || header != before.header {
        let (columns, _) = fields::columns(sheet, header, kind);
        let repeats = repeats(sheet, kind, header, &columns);
        let choice = SheetChoice {
            kind,
            header,
            columns,
            repeats,
        };
        return (choice, true);
    }
    let mut columns: Vec<Option<Field>> = Vec::new();
    for column in 0..sheet.width() {
        let name = format!("col-{at}-{column}");
        let field = match value(&name) {
            Some(slug) => slug
                .parse::<Field>()
                .ok()
                .filter(|f| kind.fields().contains(f)),
            None => None,
        };
        if let Some(field) = field
            && columns.contains(&Some(field))
        {
            errors.add(
                &name,
                format!(
                    "{}, column {}: two columns are chosen as the {}. Choose one.",
                    sheet.words(),
                    column_letters(column),
                    field.label()
                ),
            );
        }
        columns.push(field);
    }
    for group in kind.needs() {
        if !group.iter().any(|f| columns.contains(&Some(*f))) {
            let names: Vec<_> = group.iter().map(|f| f.label()).collect();
            errors.add(
                &format!("kind-{at}"),
                format!(
                    "{}: choose the column of the {}, or leave the sheet out.",
                    sheet.words(),
                    names.join(" or ")
                ),
            );
        }
    }
    let choice = SheetChoice {
        kind,
        header,
        columns,
        repeats: value(&format!("repeats-{at}")).is_some(),
    };
    (choice, false)
}

async fn choose_columns(
    context: RequestContext,
    Path(id): Path<UploadId>,
    form: Form<Vec<(String, String)>>,
) -> Result<Response, Error> {
    let (names, sheets, before) = held(&context, id).await?;
    let value = |name: &str| {
        let found = form.fields.iter().find(|(n, _)| n == name);
        found.map(|(_, v)| v.clone())
    };
    let mut errors = FormErrors::new();
    let mut choices = Choices {
        sheets: Vec::new(),
        ..before.clone()
    };
    let mut anew = false;
    for (at, (sheet, old)) in sheets.iter().zip(&before.sheets).enumerate() {
        let (choice, guessed) = chosen(at, sheet, old, &value, &mut errors);
        anew |= guessed;
        choices.sheets.push(choice);
    }
    if choices.sheets.iter().all(|s| s.kind == Kind::Nothing) {
        errors.add("kind-0", "Choose for one sheet at least what it lists.");
    }
    if choices.sheets != before.sheets {
        // Questions are asked of columns: other columns, other questions.
        choices
            .answers
            .retain(|key, _| !key.starts_with("date:") && !key.starts_with("unit:"));
    }
    if !errors.is_empty() && !anew {
        let mut template = ColumnsPage::new(&context, id, names, &sheets, &choices);
        template.errors = errors;
        return mend(&template);
    }
    let person = context.person()?.id;
    let held = intake::json(&choices)?;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    held_lists::choose(&mut write, person, id, &held).await?;
    if anew {
        let notice = "The columns were guessed anew. Look them over.";
        return write.finish(&format!("/import/{id}"), notice).await;
    }
    write.finish(&format!("/import/{id}/check"), "").await
}

async fn let_go(
    context: RequestContext,
    Path(id): Path<UploadId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let person = context.person()?.id;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    held_lists::held(&mut write, person, id).await?;
    held_lists::let_go(&mut write, person, id).await?;
    write.finish("/import", "Nothing was kept.").await
}

#[derive(Template)]
#[template(path = "intake/kept.html")]
struct KeptPage {
    layout: Layout,
    id: ImportId,
    names: String,
    added: String,
    when: String,
    by: String,
    undone: String,
    /// Why it can no longer be undone as one.
    rests: Vec<String>,
}

async fn kept(context: RequestContext, Path(id): Path<ImportId>) -> Result<Response, Error> {
    let mut conn = context.read().await?;
    let import = imports::import(&mut conn, id).await?;
    let rests = match import.undone_at {
        None => imports::what_rests(&mut conn, id).await?,
        Some(_) => Vec::new(),
    };
    let club = context.club();
    page(&KeptPage {
        layout: context.layout("Lists brought in"),
        id,
        names: import.names,
        added: import.added,
        when: show::time(club, import.at),
        by: import.by,
        undone: import
            .undone_at
            .map(|at| show::time(club, at))
            .unwrap_or_default(),
        rests,
    })
}

async fn undo(
    context: RequestContext,
    Path(id): Path<ImportId>,
    form: Form<Nothing>,
) -> Result<Response, Error> {
    let person = context.person()?.id;
    let mut write = match context.begin(&form.once).await? {
        Submission::Again(response) => return Ok(response),
        Submission::First(write) => write,
    };
    imports::undo(&mut write, id, person, context.now())
        .await
        .map_err(|e| Error::from(e).leading_to(format!("/imports/{id}"), "See what rests on it"))?;
    write
        .finish(
            &format!("/imports/{id}"),
            "Undone. All that it brought is gone.",
        )
        .await
}
