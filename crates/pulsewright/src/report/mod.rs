//! The report: one self-contained file with the four answers, every figure and table, and all that
//! another person needs to remake each number. On a screen it is a page with the same figures as the
//! lab book's; on paper nothing of it is folded or cut.

mod gather;
mod html;
mod remake;

use std::path::Path;

use book::Book;

use crate::error::Error;
use crate::json::Answer;

/// What a report is made of.
pub struct Asked<'a> {
    /// The lab book.
    pub book: &'a Book,
    /// The runs, each by number or chain.
    pub runs: &'a [String],
    /// The run after a change; the first of `runs` is the one before.
    pub after: Option<&'a str>,
    /// The margin of the proof, ms; none takes a tenth of the star's width in the setup.
    pub margin_ms: Option<f64>,
    /// The setup file.
    pub setup: &'a Path,
    /// Seed of all random numbers.
    pub seed: u64,
    /// The time of day, UTC, RFC 3339.
    pub made_at: &'a str,
    /// Is told the share that is done.
    pub progress: &'a dyn Fn(f64),
}

/// A report.
pub struct Made {
    /// The file.
    pub html: String,
    /// The runs in it, that after a change last.
    pub run_numbers: Vec<i64>,
    /// The answers, by question.
    pub answers: Vec<Answer>,
}

/// Makes a report. Takes some seconds a run, for the best settings.
///
/// # Errors
/// What the book, the setup, the fits and the simulation say; [`Error::Usage`] where a run is named twice.
pub fn make(asked: &Asked<'_>) -> Result<Made, Error> {
    let gathered = gather::gather(asked)?;
    let answers = gathered.answers();
    Ok(Made {
        html: html::document(asked, &gathered, &answers)?,
        run_numbers: gathered.run_numbers(),
        answers,
    })
}
