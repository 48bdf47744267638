//! Measure: a capture that is sent by the browser. It is kept beside the lab book under its checksum,
//! never where its name says, and read by the same readers as on the command line.

mod arrival;
mod fields;

use std::path::{Path, PathBuf};

use ::book::Book;
use axum::Router;
use axum::extract::{DefaultBodyLimit, Multipart};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use maud::{Markup, html};
use tokio::sync::Semaphore;

use self::arrival::{Arrived, Sent};
use self::fields::{Fault, Typed};
use super::layout::{self, Seen, Spot};
use super::{App, Problem, Shared, aside};
use crate::cli::ReadArgs;
use crate::cmd::read;
use crate::error::Error;
use crate::library;
use crate::reading::{self, Reading};

/// Most bytes of an upload, all its parts together.
const MOST_UPLOAD: usize = 256 << 20;
/// How many uploads arrive at once: each may fill the disk by its limit until it is read.
const AT_ONCE: usize = 4;

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/measure/upload", get(show).post(take))
        .layer(DefaultBodyLimit::max(MOST_UPLOAD))
}

const TITLE: &str = "Upload a capture";

async fn show(seen: Seen) -> Response {
    let chains = chains(&seen.app).await;
    page(&seen, &chains, &Typed::default(), None)
}

/// The names of the chains that the book holds, to choose from.
async fn chains(app: &Shared) -> Vec<String> {
    let path = app.book.clone();
    let rows = aside(move || {
        if !path.exists() {
            return Ok(Vec::new());
        }
        Ok(Book::open(&path)?.runs()?)
    });
    let mut names: Vec<String> = rows
        .await
        // The form serves without them; storing tells what is wrong with the book.
        .unwrap_or_default()
        .into_iter()
        .map(|row| row.chain)
        .collect();
    names.sort();
    names.dedup();
    names
}

fn page(seen: &Seen, chains: &[String], typed: &Typed, fault: Option<&Fault>) -> Response {
    let body = html! {
        h1 { (TITLE) }
        @if let Some(fault) = fault {
            div role="alert" {
                p.problem { (fault.text) }
                p { "Nothing was stored. What you typed stands below; the files must be chosen again, for a browser does not keep them." }
            }
        } @else {
            p {
                "A recording of the guide port's line, and a word of what was asked for: that is all it takes. "
                "It is read on this computer, and kept beside the lab book."
            }
        }
        form method="post" action="/measure/upload" enctype="multipart/form-data" {
            (fields::all(typed, fault, chains))
            p { button.first { "Read it and keep the run" } }
        }
        (wiring())
    };
    let mut response = layout::page(seen, Spot::Measure, TITLE, &body);
    if fault.is_some() {
        *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    }
    response
}

fn wiring() -> Markup {
    html! {
        p.hint {
            "Before you connect anything: low voltage only. The common line of a guide port is not always ground: \
             put a meter on it first, and opto-isolate when in doubt. A mount that is being pulsed moves: clear \
             its path, keep a hand on the power, and never point it at or near the Sun."
        }
    }
}

async fn take(seen: Seen, multipart: Multipart) -> Result<Response, Problem> {
    static PERMITS: Semaphore = Semaphore::const_new(AT_ONCE);
    let Ok(_held) = PERMITS.try_acquire() else {
        return Err(Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "Other uploads are still arriving; wait until they are done, and send it again.",
        ));
    };
    let app = seen.app.clone();
    let arrived = arrival::take(multipart, &folder_of(&app.book)).await?;
    let typed = arrived.typed.clone();
    let kept = aside(move || Ok(keep(&app, arrived))).await?;
    match kept {
        Ok(number) => Ok(Redirect::to(&format!("/measure/run/{number}")).into_response()),
        Err(fault) => {
            let chains = chains(&seen.app).await;
            Ok(page(&seen, &chains, &typed, Some(&fault)))
        }
    }
}

/// Where captures that were sent are kept: beside the book, by its name.
fn folder_of(book: &Path) -> PathBuf {
    let mut folder = std::path::absolute(book).unwrap_or_else(|_| book.to_owned());
    let mut name = folder.file_name().unwrap_or_default().to_owned();
    name.push(".captures");
    folder.set_file_name(name);
    folder
}

/// Reads what was sent, keeps the files and stores the run.
fn keep(app: &App, arrived: Arrived) -> Result<i64, Fault> {
    let Arrived {
        typed,
        capture,
        requests,
    } = arrived;
    let Some(capture) = capture else {
        return Err(Fault::at(
            "capture",
            "No capture was chosen; choose the file that holds the recording of the line.",
        ));
    };
    let sent: Vec<&Sent> = [Some(&capture), requests.as_ref()]
        .into_iter()
        .flatten()
        .collect();
    let log = requests.as_ref().map(|log| log.file.path());
    let args = typed.args(capture.file.path(), log)?;
    let Some(chain) = args.chain.clone() else {
        return Err(Fault::at(
            "chain",
            "The chain has no name; give it one, such as attic-laptop, under which its runs are kept.",
        ));
    };
    let named = |error: Error| {
        // The person knows the files by their own names.
        let text = sent.iter().fold(error.to_string(), |text, sent| {
            text.replace(&sent.file.path().display().to_string(), &sent.name)
        });
        Fault::of(&text)
    };
    let settings = read::checked(&args, app.seed).map_err(named)?;
    let mut reading =
        reading::read(&args.captures, &args.requests, &settings, false).map_err(named)?;
    let number = store(app, &chain, &args, &settings, &mut reading, &sent).map_err(named)?;
    Ok(number)
}

/// Keeps the files under their checksums and stores the run that names them so; where the run can't be
/// stored, files that were not there before are removed again.
fn store(
    app: &App,
    chain: &str,
    args: &ReadArgs,
    settings: &reading::ReadSettings,
    reading: &mut Reading,
    sent: &[&Sent],
) -> Result<i64, Error> {
    let folder = folder_of(&app.book);
    let mut new = Vec::new();
    let stored = (|| {
        for (source, sent) in reading.sources.iter_mut().zip(sent) {
            let extension = extension(source.format.as_deref());
            let path = folder.join(format!("{}.{extension}", source.sha256));
            if !path.exists() {
                // At once whole, so that a name never stands for half of its bytes.
                std::fs::rename(sent.file.path(), &path).map_err(|error| {
                    Error::file(&path, "keeping the capture", error, "check the disk")
                })?;
                new.push(path.clone());
            }
            source.path = path.display().to_string();
        }
        for (report, source) in reading.captures.iter_mut().zip(&reading.sources) {
            report.path.clone_from(&source.path);
            let names: Vec<&str> = sent.iter().map(|sent| sent.name.as_str()).collect();
            report
                .notes
                .push(format!("Uploaded as {}.", names.join(" with ")));
        }
        let mut book = Book::open_or_create(&app.book)?;
        read::store(
            &mut book,
            chain,
            &args.notes,
            &library::now(),
            settings,
            reading,
        )
    })();
    if stored.is_err() {
        for path in new {
            // It may be gone already; the error that led here is the one to tell.
            let _ = std::fs::remove_file(path);
        }
    }
    stored
}

/// Whether a file's name without its ending is a checksum, as that of each kept file.
pub fn is_checksum(stem: &str) -> bool {
    stem.len() == 64 && stem.bytes().all(|b| b.is_ascii_hexdigit())
}

/// The ending of a kept file, by what it was found to be.
fn extension(format: Option<&str>) -> &'static str {
    match format {
        Some("vcd") => "vcd",
        Some("wav") => "wav",
        Some("record") => "record",
        _ => "csv",
    }
}

#[cfg(test)]
mod tests;
