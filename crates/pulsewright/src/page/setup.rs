//! The setup as a form.

use std::io;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use ::book::Book;
use axum::Router;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use maud::{Markup, html};
use sha2::{Digest, Sha256};
use sky::{Fault, Field, FieldKind, Law, Setup, SetupReading, fields, sections};
use wire::Warning;

use super::download::attached;
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared, aside};
use crate::cmd::setup::{described, unsteady};
use crate::error::Error;
use crate::library;
use crate::section::{self, Place, warnings};

/// Where this place is.
const HERE: &str = "/setup";
/// The field that holds what the form was made from.
const MADE_FROM: &str = "made-from";
/// Rows for harmonics that are shown at least, and how many of them are empty at least.
const ROWS: usize = 4;
/// What a harmonic is made of: the end of the field's name, and its heading.
const PARTS: [(&str, &str); 3] = [
    ("order", "cycles per turn"),
    ("share", "share of the strongest"),
    ("phase_deg", "phase, degrees"),
];

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route(HERE, get(show).post(save))
        .route("/setup/setup.toml", get(download))
}

/// What a form shows.
struct Sheet {
    /// What the fields hold.
    pairs: Vec<(String, String)>,
    faults: Vec<Fault>,
    warnings: Vec<Warning>,
    /// Fields that the file leaves to their default.
    defaulted: Vec<String>,
    /// Marks the file that the form is made from.
    made_from: String,
    /// Whether the file is there.
    is_there: bool,
    /// What went before.
    told: Told,
    /// What a millisecond is worth with it.
    worth: Option<Markup>,
}

/// What is said above a form.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Told {
    /// Nothing.
    Nothing,
    /// It was saved.
    Saved,
    /// It was not saved, for it has faults.
    Faults,
    /// It was not saved, for the file is another one than the form was made from.
    Changed,
}

/// Marks a file by what it holds.
fn mark(text: Option<&str>) -> String {
    text.map_or_else(
        || "none".to_owned(),
        |text| crate::input::hex(&Sha256::digest(text)),
    )
}

/// The text of the setup file; `None` where there is none.
fn text_of(path: &Path) -> Result<Option<String>, Error> {
    match library::setup_text(path) {
        Ok(text) => Ok(Some(text)),
        Err(Error::File { source, .. }) if source.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let (path, book) = (seen.app.setup.clone(), seen.app.book.clone());
    let told = match asked.text("done") {
        Some("saved") => Told::Saved,
        _ => Told::Nothing,
    };
    let sheet = aside(move || {
        let text = text_of(&path)?;
        Ok(of_file(&path, text.as_deref(), told, &book))
    })
    .await?;
    Ok(page(&seen, &sheet))
}

/// The form of a file as it is.
fn of_file(path: &Path, text: Option<&str>, told: Told, book: &Path) -> Sheet {
    let sheet = |setup: &Setup| Sheet {
        pairs: setup.typed(),
        faults: Vec::new(),
        warnings: Vec::new(),
        defaulted: Vec::new(),
        made_from: mark(text),
        is_there: text.is_some(),
        told,
        worth: None,
    };
    let Some(text) = text else {
        return sheet(&Setup::default());
    };
    match Setup::read(text) {
        Ok(mut reading) => {
            reading.warnings.extend(unsteady(&reading.setup));
            // These stand above the form.
            let warnings = std::mem::take(&mut reading.warnings);
            let defaulted = std::mem::take(&mut reading.defaulted);
            Sheet {
                warnings,
                defaulted,
                worth: Some(worth(path, &reading, book)),
                ..sheet(&reading.setup)
            }
        }
        Err(error) => Sheet {
            faults: error.faults,
            ..sheet(&Setup::salvage(text))
        },
    }
}

/// What a millisecond is worth, and what the newest run's width error moves the star by.
fn worth(path: &Path, reading: &SetupReading, book: &Path) -> Markup {
    // A book that can't be read is told where it is the matter; the setup stands without it.
    let newest = Book::open(book).ok().and_then(|book| {
        let number = book.runs().ok()?.last()?.number;
        library::run(&book, &number.to_string()).ok()
    });
    let run = newest.as_ref().map(|(run, summary)| (run, summary));
    let place = Place {
        prefix: "setup",
        level: 2,
        unfolded: false,
    };
    html! {
        (place.heading("What a millisecond of pulse is worth"))
        (section::sky::section(&described(path, reading, run), &place))
    }
}

async fn save(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let path = seen.app.setup.clone();
    let refused = aside(move || Ok(saved(&path, asked)?)).await?;
    let Some(sheet) = refused else {
        return Ok(Redirect::to("/setup?done=saved").into_response());
    };
    let mut response = page(&seen, &sheet);
    *response.status_mut() = match sheet.told {
        Told::Changed => StatusCode::CONFLICT,
        _ => StatusCode::UNPROCESSABLE_ENTITY,
    };
    Ok(response)
}

/// Writes what was typed, or gives the form that says why not.
fn saved(path: &Path, asked: Asked) -> Result<Option<Sheet>, Error> {
    /// From the look at the file to the end of its writing nobody else saves here.
    static SAVING: Mutex<()> = Mutex::new(());
    let _alone = SAVING.lock().unwrap_or_else(PoisonError::into_inner);
    let now = text_of(path)?;
    let now = now.as_deref();
    let refused = |faults, told| Sheet {
        pairs: asked.pairs().to_vec(),
        faults,
        warnings: Vec::new(),
        defaulted: Vec::new(),
        made_from: match told {
            // To save once more is to mean it.
            Told::Changed => mark(now),
            _ => asked.text(MADE_FROM).unwrap_or("").to_owned(),
        },
        is_there: now.is_some(),
        told,
        worth: None,
    };
    let reading = match Setup::from_typed(asked.pairs()) {
        Ok(reading) => reading,
        Err(error) => return Ok(Some(refused(error.faults, Told::Faults))),
    };
    if asked.text(MADE_FROM) != Some(mark(now).as_str()) {
        return Ok(Some(refused(Vec::new(), Told::Changed)));
    }
    crate::write::write(path, reading.setup.to_toml().as_bytes())?;
    Ok(None)
}

async fn download(seen: Seen) -> Result<Response, Problem> {
    let path = seen.app.setup.clone();
    let text = aside(move || Ok(text_of(&path)?)).await?;
    let text = text.ok_or_else(|| {
        Problem::missing("There is no setup yet; fill in the form and save it first.")
            .with_way_out(HERE, "Go to the form")
    })?;
    Ok(attached("setup.toml", "application/toml", text))
}

fn page(seen: &Seen, sheet: &Sheet) -> Response {
    let file = seen.app.setup.display();
    let body = html! {
        h1 { "Setup" }
        (head(sheet, &file.to_string()))
        (faults(&sheet.faults))
        (warnings(&sheet.warnings))
        @if !sheet.defaulted.is_empty() {
            p.hint {
                "Not in the file, and taken from the common case: "
                (sheet.defaulted.iter().map(|name| label_of(name)).collect::<Vec<_>>().join(", ")) "."
            }
        }
        form.setup method="post" action=(HERE) {
            input type="hidden" name=(MADE_FROM) value=(sheet.made_from);
            @for (section, meaning) in sections() {
                fieldset id=(section) {
                    legend { (meaning.trim_end_matches('.')) }
                    @for field in fields().iter().filter(|field| field.section == *section) {
                        (entry(field, sheet))
                    }
                }
            }
            div.save {
                button { "Save the setup" }
                @if sheet.is_there {
                    p.hint { "The file is written anew, with a comment on each line; what was written beside the values by hand is not kept." }
                }
            }
        }
        @if sheet.is_there {
            p { a.button href="/setup/setup.toml" download { "Download setup.toml" } }
        }
        @if let Some(worth) = &sheet.worth { (worth) }
    };
    layout::page(seen, Spot::Setup, "Setup", &body)
}

/// What the form is, and what went before.
fn head(sheet: &Sheet, file: &str) -> Markup {
    html! {
        @match sheet.told {
            Told::Saved => p.done role="status" { "Saved in " code { (file) } "." },
            Told::Changed => p.problem role="alert" {
                "Nothing was saved: " code { (file) } " has changed since this form was made from it. Save again to put these values in its place, or "
                a href=(HERE) { "look at what it holds now" } "."
            },
            Told::Faults => p.problem role="alert" { "Nothing was saved yet: look at the values that are marked." },
            Told::Nothing => {},
        }
        @if sheet.is_there {
            p.answer { "Mount, optics, sky and loop, as " code { (file) } " has them." }
        } @else {
            p.answer { "There is no setup yet. This is a common amateur case: put your own numbers in, and save." }
            p.hint { "It will be kept in " code { (file) } ". What you don't know can stay as it is; guide rates, focal lengths and pixels matter most." }
        }
    }
}

/// All faults, each with the way to its field.
fn faults(faults: &[Fault]) -> Markup {
    html! {
        @if !faults.is_empty() {
            section.faults aria-labelledby="faults" {
                h2 #faults tabindex="-1" { (chain::plural(faults.len() as u64, "value")) " can't be used" }
                ul {
                    @for fault in faults {
                        li {
                            @if let Some(field) = fields().iter().find(|field| field.name() == fault.key) {
                                a href={ "#" (fault.key) } { (label(field)) }
                                ": "
                            } @else if !fault.key.is_empty() {
                                code { (fault.key) } ": "
                            }
                            @if let Some(line) = fault.line { "line " (line) ": " }
                            (told(fault))
                        }
                    }
                }
            }
        }
    }
}

/// A fault beside the name of its field.
fn told(fault: &Fault) -> String {
    format!(
        "found {}, expected {}; {}.",
        fault.found, fault.expected, fault.advice
    )
}

/// The name of a field with a capital.
fn label(field: &Field) -> String {
    let label = field.label();
    let mut letters = label.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

fn label_of(name: &str) -> String {
    let field = fields().iter().find(|field| field.name() == name);
    field.map_or_else(|| name.to_owned(), Field::label)
}

/// A field with its unit, meaning, range and fault.
fn entry(field: &Field, sheet: &Sheet) -> Markup {
    let name = field.name();
    let value = |name: &str| {
        let pair = sheet.pairs.iter().find(|(known, _)| known == name);
        pair.map_or("", |(_, text)| text.as_str())
    };
    let faults: Vec<&Fault> = sheet.faults.iter().filter(|f| f.key == name).collect();
    let invalid = (!faults.is_empty()).then_some("true");
    let mut described = format!("{name}-hint");
    if invalid.is_some() {
        described += &format!(" {name}-fault");
    }
    html! {
        @if let FieldKind::Harmonics { .. } = field.kind {
            div.field id=(name) role="group" aria-labelledby={ (name) "-label" } aria-describedby=(described) {
                p id={ (name) "-label" } { (label(field)) }
                (harmonics(&name, sheet, invalid))
                (hint(field))
                (beside(&name, &faults))
            }
        } @else {
            div.field {
                label for=(name) {
                    (label(field))
                    @if !field.unit.is_empty() {
                        // The file's keys are ASCII, and so is its table of units.
                        span.unit { ", " (if field.unit == "um" { "µm" } else { field.unit }) }
                    }
                }
                @if field.kind == FieldKind::Law {
                    select id=(name) name=(name) aria-describedby=(described) aria-invalid=[invalid] {
                        @for law in Law::ALL {
                            option value=(law.name()) selected[law.name() == value(&name)] { (law.name()) }
                        }
                    }
                } @else {
                    input id=(name) name=(name) value=(value(&name)) autocomplete="off"
                        aria-describedby=(described) aria-invalid=[invalid];
                }
                (hint(field))
                (beside(&name, &faults))
            }
        }
    }
}

fn hint(field: &Field) -> Markup {
    let range = match field.kind {
        FieldKind::Number {
            least,
            most,
            default,
        } => format!("; {least} to {most}, commonly {default}"),
        FieldKind::Whole {
            least,
            most,
            default,
        } => format!("; a whole number, {least} to {most}, commonly {default}"),
        FieldKind::Optional {
            least,
            most,
            example,
        } => {
            format!("; {least} to {most}, such as {example}; empty where it was not measured")
        }
        FieldKind::Law => format!("; commonly {}", Law::default().name()),
        FieldKind::Harmonics { .. } => "; an empty row is left out".to_owned(),
    };
    html! { p.hint id={ (field.name()) "-hint" } { (field.explanation) (range) "." } }
}

fn beside(name: &str, faults: &[&Fault]) -> Markup {
    html! {
        @if !faults.is_empty() {
            div.error id={ (name) "-fault" } {
                @for fault in faults { p { (told(fault)) } }
            }
        }
    }
}

/// The harmonics as a table, with a row or more to add some.
fn harmonics(name: &str, sheet: &Sheet, invalid: Option<&str>) -> Markup {
    let start = format!("{name}.");
    let part = |row: usize, part: &str| {
        let wanted = format!("{start}{row}.{part}");
        let pair = sheet.pairs.iter().find(|(known, _)| *known == wanted);
        pair.map_or("", |(_, text)| text.as_str())
    };
    let places = sheet.pairs.iter().filter_map(|(known, text)| {
        let (row, _) = known.strip_prefix(&start)?.split_once('.')?;
        (!text.trim().is_empty()).then_some(row.parse::<usize>().ok()?)
    });
    // No form of ours has rows beyond its fields.
    let used = places
        .map(|row| row + 1)
        .max()
        .unwrap_or(0)
        .min(sheet.pairs.len());
    html! {
        div.table-frame {
            table {
                thead { tr { th scope="col" { "row" } @for (_, heading) in PARTS { th scope="col" { (heading) } } } }
                tbody {
                    @for row in 0..ROWS.max(used + 1) {
                        tr {
                            th scope="row" { (row + 1) }
                            @for (end, heading) in PARTS {
                                td {
                                    input name={ (start) (row) "." (end) } value=(part(row, end)) autocomplete="off"
                                        aria-label={ "Row " (row + 1) ": " (heading) } aria-invalid=[invalid];
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}
