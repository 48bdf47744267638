//! The lab book: search, notes, export, backup.

use std::fs::File;
use std::path::Path;

use ::book::{Book, BookError, RunRow};
use axum::Router;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use maud::{Markup, html};

use super::download::{attached, streamed};
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared, aside};
use crate::cli::{self, MOST_KEY, MOST_VALUE};
use crate::error::Error;
use crate::section::{Column, answer, cell, table};
use crate::text::runs::median;

/// Where this place is.
const HERE: &str = "/book";

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route(HERE, get(show))
        .route("/book/notes", get(notes).post(set_notes))
        .route("/book/backup", get(backup))
        .route("/book/forget", get(confirm).post(forget))
}

/// A chain with what was found of it.
struct Shelf {
    name: String,
    notes: Vec<(String, String)>,
    runs: Vec<RunRow>,
}

async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let path = seen.app.book.clone();
    let find = asked.text("find").unwrap_or("").to_owned();
    let words = find.clone();
    let shelves = aside(move || match Book::open(&path) {
        Ok(book) => Ok(Some(shelves(&book, &words)?)),
        Err(BookError::Missing { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    })
    .await?;
    let done = match asked.text("done") {
        Some("notes") => Some("The notes are kept."),
        Some("forgotten") => Some("The run is forgotten; its capture files are untouched."),
        _ => None,
    };
    let body = html! {
        h1 { "Lab book" }
        @if let Some(done) = done { p.done role="status" { (done) } }
        @match shelves {
            None => (empty("There is no lab book yet; the first run makes it.")),
            Some(shelves) if shelves.is_empty() && find.is_empty() => {
                (empty("The lab book is empty."))
            }
            Some(shelves) => {
                (answer(&found(&shelves, &find)))
                (search_field(&find))
                @for shelf in &shelves { (chain(shelf)) }
                (backup_link())
            }
        }
    };
    Ok(layout::page(&seen, Spot::Book, "Lab book", &body))
}

/// What is found, chain by chain, each where its first run stands.
fn shelves(book: &Book, words: &str) -> Result<Vec<Shelf>, BookError> {
    let mut shelves: Vec<Shelf> = Vec::new();
    for run in book.search(words)? {
        match shelves.iter_mut().find(|shelf| shelf.name == run.chain) {
            Some(shelf) => shelf.runs.push(run),
            None => shelves.push(Shelf {
                name: run.chain.clone(),
                notes: book.notes(&run.chain)?,
                runs: vec![run],
            }),
        }
    }
    Ok(shelves)
}

fn empty(text: &str) -> Markup {
    html! {
        (answer(text))
        p {
            "Begin with a capture of the wire: " a.button href="/measure/upload" { "Upload a capture" }
        }
        p {
            "Nothing to measure yet? " code { "pulsewright demo" }
            " makes a lab book of invented chains to look at, and says how to open it."
        }
    }
}

fn found(shelves: &[Shelf], find: &str) -> String {
    let runs: usize = shelves.iter().map(|shelf| shelf.runs.len()).sum();
    let held = format!(
        "{} of {}",
        chain::plural(runs as u64, "run"),
        chain::plural(shelves.len() as u64, "chain")
    );
    match (find.is_empty(), shelves.is_empty()) {
        (true, _) => format!("The lab book holds {held}."),
        (false, true) => "No run holds all of these words; search for fewer.".to_owned(),
        (false, false) => format!("Found: {held}."),
    }
}

fn search_field(find: &str) -> Markup {
    html! {
        form.controls method="get" action=(HERE) role="search" {
            label {
                "Words in chains, notes and paths of captures"
                input type="search" name="find" value=(find) maxlength="500";
            }
            button { "Search" }
            @if !find.is_empty() { a href=(HERE) { "Show all" } }
        }
    }
}

fn chain(shelf: &Shelf) -> Markup {
    let columns = [
        Column::Words("run"),
        Column::Words("stored"),
        Column::Numbers("pulses"),
        Column::Words("median error"),
        Column::Words("captures"),
        Column::Words("take along"),
        Column::Words("remove"),
    ];
    let rows: Vec<Vec<Markup>> = shelf.runs.iter().map(row).collect();
    let caption = format!("Runs of {}", shelf.name);
    html! {
        section.chain {
            h2 { (shelf.name) }
            @if shelf.notes.is_empty() {
                p.hint { "Nothing is noted of this chain." }
            } @else {
                dl.notes {
                    @for (key, value) in &shelf.notes { div { dt { (key) } dd { (value) } } }
                }
            }
            p { a href={ "/book/notes?" (encoded(&[("chain", &shelf.name)])) } { "Change the notes" span.unseen { " of " (shelf.name) } } }
            (table(&caption, &columns, &rows))
        }
    }
}

fn row(run: &RunRow) -> Vec<Markup> {
    let n = run.number;
    let here = format!("/measure/run/{n}");
    vec![
        html! { a href=(here) { "Run " (n) } },
        cell(&run.stored_at),
        cell(chain::count(run.pulses)),
        cell(median(run)),
        cell(run.captures.join(", ")),
        html! {
            a href={ (here) "/pulses.csv" } { "CSV" span.unseen { " of run " (n) } } " "
            a href={ (here) "/run.json" } { "JSON" span.unseen { " of run " (n) } }
        },
        html! { a href={ "/book/forget?run=" (n) } { "Forget" span.unseen { " run " (n) } } },
    ]
}

fn backup_link() -> Markup {
    html! {
        h2 { "A copy of the whole book" }
        p {
            "One file with all runs, notes and results, as they are now. Captures are not in it. "
            a.button href="/book/backup" download { "Download a copy" }
        }
        p.hint { "To use it later: " code { "pulsewright --book FILE runs" } "." }
    }
}

/// The fields of an address.
fn encoded(pairs: &[(&str, &str)]) -> String {
    form_urlencoded::Serializer::new(String::new())
        .extend_pairs(pairs)
        .finish()
}

async fn notes(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let (path, chain) = (seen.app.book.clone(), named(&asked)?);
    let name = chain.clone();
    let rows = aside(move || Ok(Book::open(&path)?.notes(&name)?)).await?;
    Ok(notes_page(&seen, &chain, &rows, &[]))
}

async fn set_notes(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let (path, chain) = (seen.app.book.clone(), named(&asked)?);
    let column = |name: &str| -> Vec<String> {
        let fields = asked.pairs().iter().filter(|(key, _)| key == name);
        fields.map(|(_, value)| value.clone()).collect()
    };
    let (keys, values) = (column("key"), column("value"));
    if keys.len() != values.len() {
        return Err(Problem::bad(
            "Found names and values in different numbers, expected a value for each name; nothing was changed.",
        )
        .with_way_out(HERE, "Back to the lab book"));
    }
    let typed: Vec<(String, String)> = keys.into_iter().zip(values).collect();
    let mut kept: Vec<(String, String)> = Vec::new();
    let mut faults = Vec::new();
    for (place, (key, value)) in typed.iter().enumerate() {
        if key.trim().is_empty() && value.trim().is_empty() {
            continue;
        }
        match cli::note(key, value) {
            Ok((key, _)) if kept.iter().any(|(known, _)| *known == key) => {
                faults.push((
                    place,
                    format!("found `{key}` twice, expected each name once"),
                ));
            }
            Ok(note) => kept.push(note),
            Err(fault) => faults.push((place, fault)),
        }
    }
    if !faults.is_empty() {
        let mut page = notes_page(&seen, &chain, &typed, &faults);
        *page.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
        return Ok(page);
    }
    aside(move || Ok(Book::open(&path)?.set_notes(&chain, &kept)?)).await?;
    Ok(Redirect::to("/book?done=notes").into_response())
}

/// The chain that is asked for.
fn named(asked: &Asked) -> Result<String, Problem> {
    let chain = asked.pairs().iter().find(|(name, _)| name == "chain");
    chain.map(|(_, name)| name.clone()).ok_or_else(|| {
        Problem::bad("Found no chain in the address, expected the name of one.")
            .with_way_out(HERE, "See the chains that there are")
    })
}

/// The notes of a chain as a form, a row each and one that is empty, with faults by their row.
fn notes_page(
    seen: &Seen,
    chain: &str,
    rows: &[(String, String)],
    faults: &[(usize, String)],
) -> Response {
    let none = (String::new(), String::new());
    let last_is_empty = rows.last() == Some(&none);
    let rows = rows.iter().chain((!last_is_empty).then_some(&none));
    let body = html! {
        h1 { "Notes on " (chain) }
        @if !faults.is_empty() {
            p.problem role="alert" { "Nothing was changed yet: look at the rows that are marked." }
        }
        p { "What may matter later: computer, system, program, link, adapter, cable, controller." }
        form.controls method="post" action="/book/notes" {
            input type="hidden" name="chain" value=(chain);
            @for (place, (key, value)) in rows.enumerate() {
                @let fault = faults.iter().find(|(at, _)| *at == place);
                @let told = fault.map(|_| format!("fault-{place}"));
                @let invalid = fault.map(|_| "true");
                div.notes-row {
                    label {
                        "Name " (place + 1)
                        input name="key" value=(key) maxlength=(MOST_KEY)
                            aria-invalid=[invalid] aria-describedby=[told.as_deref()];
                    }
                    label {
                        "Value " (place + 1)
                        input name="value" value=(value) maxlength=(MOST_VALUE)
                            aria-invalid=[invalid] aria-describedby=[told.as_deref()];
                    }
                    @if let Some((_, text)) = fault {
                        p.error id=[told.as_deref()] { (text) }
                    }
                }
            }
            p.hint { "Empty a row to remove its note; save to get another empty row." }
            button { "Save the notes" }
            a href=(HERE) { "Leave them as they were" }
        }
    };
    layout::page(seen, Spot::Book, &format!("Notes on {chain}"), &body)
}

async fn backup(seen: Seen) -> Result<Response, Problem> {
    let path = seen.app.book.clone();
    let file = aside(move || {
        let book = Book::open(&path)?;
        // Beside the book, where there is room for another one.
        let beside = path
            .parent()
            .filter(|folder| !folder.as_os_str().is_empty());
        let folder = tempfile::Builder::new()
            .prefix(".pulsewright-copy-")
            .tempdir_in(beside.unwrap_or(Path::new(".")))
            .map_err(|error| copy_failed(&path, error))?;
        let copy = folder.path().join("book.sqlite");
        book.backup(&copy)?;
        let file = File::open(&copy).map_err(|error| copy_failed(&path, error))?;
        Ok((file, folder))
    })
    .await?;
    // The folder goes when all is sent.
    let body = streamed(file.0, file.1).map_err(|error| copy_failed(&seen.app.book, error))?;
    let day = jiff::Timestamp::now().strftime("%Y-%m-%d");
    let name = format!("book-{day}.sqlite");
    Ok(attached(&name, "application/vnd.sqlite3", body))
}

fn copy_failed(book: &Path, error: std::io::Error) -> Error {
    Error::file(
        book,
        "making a copy beside it",
        error,
        "check the folder, its permissions and the space on the disk",
    )
}

/// The number of the run that is asked for.
fn number(asked: &Asked) -> Result<i64, Problem> {
    let number = asked.whole("run", 1..=i64::MAX as u64)?;
    number.map(|number| number as i64).ok_or_else(|| {
        Problem::bad("Found no run in the address, expected the number of one.")
            .with_way_out(HERE, "See the runs that there are")
    })
}

async fn confirm(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let (path, number) = (seen.app.book.clone(), number(&asked)?);
    let (run, is_last) = aside(move || {
        let book = Book::open(&path)?;
        let run = book.run(number)?;
        let of_chain = book
            .runs()?
            .into_iter()
            .filter(|row| row.chain == run.chain);
        let is_last = of_chain.count() == 1;
        Ok((run, is_last))
    })
    .await?;
    let title = format!("Forget run {number} of {}?", run.chain);
    let body = html! {
        h1 { (title) }
        p {
            "Its pulses and results go from the lab book, and can't be brought back but by reading its captures again; those are untouched."
            @if is_last { " It is the last run of its chain: the chain goes too, with its notes." }
        }
        form.controls method="post" action="/book/forget" {
            input type="hidden" name="run" value=(number);
            button.danger { "Forget run " (number) }
            a.button href=(HERE) { "Keep it" }
        }
    };
    Ok(layout::page(&seen, Spot::Book, &title, &body))
}

async fn forget(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let (path, number) = (seen.app.book.clone(), number(&asked)?);
    aside(move || Ok(Book::open(&path)?.forget(number)?)).await?;
    Ok(Redirect::to("/book?done=forgotten").into_response())
}
