//! The run that a place is about, and the setup beside it.

use std::path::Path;
use std::sync::Arc;

use ::book::{Book, RunRow};
use axum::response::Response;
use maud::{Markup, html};
use sha2::{Digest, Sha256};
use sky::SetupReading;

use super::form::Asked;
use super::jobs::State;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared, aside};
use crate::error::Error;
use crate::{input, library};

/// The runs of the book, with the one that was chosen.
pub struct Runs {
    /// All, the oldest first; one at least.
    pub rows: Vec<RunRow>,
    /// Place of the chosen one among them.
    chosen: usize,
}

impl Runs {
    /// The chosen run.
    pub fn run(&self) -> &RunRow {
        &self.rows[self.chosen]
    }

    /// What tells a result of this run from every other.
    pub fn stamp(&self) -> String {
        stamp(self.run())
    }

    /// The run that `text` names by its number, or by its chain for the newest. `field` is for the error,
    /// and `back` the address where runs are chosen.
    ///
    /// # Errors
    /// [`Problem::missing`] where there is no such run.
    pub fn named(&self, field: &str, text: &str, back: &str) -> Result<&RunRow, Problem> {
        let is = |row: &&RunRow| row.number.to_string() == text || row.chain == text;
        self.rows.iter().rev().find(is).ok_or_else(|| {
            let shown: String = text.chars().take(60).collect();
            Problem::missing(format!(
                "{field}: found `{shown}`, expected the number of a run or the name of a chain in the book."
            ))
            .with_way_out(back, "Choose the runs")
        })
    }
}

/// The widest margin that can be typed, ms: an hour.
pub const MOST_MARGIN_MS: f64 = 3_600_000.0;

/// The margin that was typed, ms; `None` where none was.
///
/// # Errors
/// [`Problem::bad`] where it is no margin.
pub fn margin_ms(asked: &Asked) -> Result<Option<f64>, Problem> {
    asked.number("margin", "ms", 0.001..=MOST_MARGIN_MS)
}

/// What tells a result of a run from every other.
pub fn stamp(run: &RunRow) -> String {
    format!("run {} of {}", run.number, run.stored_at)
}

/// The runs of the book with the one that `run` names by its number or its chain; the newest, where it
/// names none. `None` where there is no run yet.
///
/// # Errors
/// What the book says.
pub async fn runs(app: &Shared, asked: &Asked) -> Result<Option<Runs>, Problem> {
    let path = app.book.clone();
    let name = asked.text("run").map(str::to_owned);
    aside(move || {
        if !path.exists() {
            return Ok(None);
        }
        let book = Book::open(&path)?;
        let rows = book.runs()?;
        let number = match name {
            Some(name) => library::number_of(&book, &name)?,
            None => match rows.last() {
                Some(newest) => newest.number,
                None => return Ok(None),
            },
        };
        let Some(chosen) = rows.iter().position(|row| row.number == number) else {
            // The book's own words for a run that is not there.
            book.run(number)?;
            return Ok(None);
        };
        Ok(Some(Runs { rows, chosen }))
    })
    .await
}

/// A setup that was read.
pub struct Known {
    /// What it says.
    pub reading: SetupReading,
    /// What tells its values from all others.
    pub stamp: String,
}

/// The setup; `None` where there is no file yet.
///
/// # Errors
/// Every fault in it.
pub async fn setup(app: &Shared) -> Result<Option<Known>, Problem> {
    let path = app.setup.clone();
    aside(move || {
        if !path.exists() {
            return Ok(None);
        }
        let reading = library::setup(&path)
            .map_err(|error| Problem::from(error).with_way_out("/setup", "Mend the setup"))?;
        // Comments and blanks don't matter; values do.
        let values = format!("{:?}", reading.setup);
        let stamp = format!("setup {}", input::hex(&Sha256::digest(values)));
        Ok(Some(Known { reading, stamp }))
    })
    .await
}

/// What Judge and Correct go out from.
pub struct Ground {
    /// The runs.
    pub runs: Runs,
    /// The setup.
    pub known: Known,
}

impl Ground {
    /// What tells a result of this run under this setup from every other; `what` says which result.
    pub fn key(&self, what: &str, seed: u64) -> String {
        let (run, setup) = (self.runs.stamp(), &self.known.stamp);
        format!("{what} {run} {setup} seed {seed}")
    }
}

/// Runs and setup; else the page of `place` that says what to do first, with its title and its heading.
///
/// # Errors
/// What the book and the setup say.
pub async fn ground_or_first(
    seen: &Seen,
    asked: &Asked,
    place: Spot,
    [title, heading]: [&str; 2],
) -> Result<Result<Ground, Response>, Problem> {
    Ok(ground(&seen.app, asked).await?.map_err(|first| {
        let body = html! { h1 { (heading) } (first) };
        layout::page(seen, place, title, &body)
    }))
}

/// Runs and setup; else the body of a page that says what to do first.
///
/// # Errors
/// What the book and the setup say.
pub async fn ground(app: &Shared, asked: &Asked) -> Result<Result<Ground, Markup>, Problem> {
    let Some(runs) = runs(app, asked).await? else {
        return Ok(Err(no_runs()));
    };
    let Some(known) = setup(app).await? else {
        return Ok(Err(no_setup(&app.setup)));
    };
    Ok(Ok(Ground { runs, known }))
}

/// What to do where there is no run yet.
pub fn no_runs() -> Markup {
    html! {
        p.answer { "There is no run in this lab book yet." }
        p { "First measure a chain: upload a capture of its guide port, with the log of the requests." }
        p { a.button href="/measure/upload" { "Upload a capture" } }
    }
}

fn no_setup(path: &Path) -> Markup {
    html! {
        p.answer { "There is no setup yet." }
        p {
            "Whether a chain matters depends on the mount, the optics and the sky. Fill in the setup once; it is \
             kept in " code { (path.display()) } "."
        }
        p { a.button href="/setup" { "Fill in the setup" } }
    }
}

/// The choice of the run, as a form that comes back to `address`, and which setup stands beside it.
pub fn choice(address: &str, runs: &Runs, app: &Shared) -> Markup {
    html! {
        form.controls.choice method="get" action=(address) data-at-once {
            (select(("run", "Run"), &runs.rows, Some(runs.run().number)))
            button { "Show" }
        }
        p.hint {
            "With the setup in " code { (app.setup.display()) } ". " a href="/setup" { "Change the setup" } "."
        }
    }
}

/// A choice among runs, the newest first, with its name and label.
pub fn select((name, label): (&str, &str), rows: &[RunRow], chosen: Option<i64>) -> Markup {
    html! {
        div.control {
            label for=(name) { (label) }
            select id=(name) name=(name) {
                @for row in rows.iter().rev() {
                    option value=(row.number) selected[chosen == Some(row.number)] {
                        (row.number) ": " (row.chain) ", " (chain::plural(row.pulses, "pulse"))
                    }
                }
            }
        }
    }
}

/// A result that takes its time: itself, or the page that waits for it.
///
/// # Errors
/// Why there is none.
pub async fn waited<T: Send + Sync + 'static>(
    seen: &Seen,
    (place, title): (Spot, &str),
    key: String,
    work: impl FnOnce(&dyn Fn(f64)) -> Result<T, Error> + Send + 'static,
) -> Result<Result<Arc<T>, Response>, Problem> {
    match seen.app.jobs.get(key, work).await {
        State::Done(result) => Ok(Ok(result)),
        State::Running(share) => Ok(Err(layout::waiting(seen, place, title, share))),
        State::Failed(text) => {
            let (address, what) = match place {
                Spot::Prove => ("/prove", "Choose the runs"),
                Spot::Report => ("/report", "Choose the runs"),
                _ => ("/setup", "Look at the setup"),
            };
            Err(Problem::bad(text.to_string()).with_way_out(address, what))
        }
    }
}
