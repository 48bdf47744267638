//! A run as a section of it needs it, from the lab book.

use book::{Book, StoredRun};
use chain::RunSummary;
use wire::Observation;

use super::View;
use crate::error::Error;
use crate::json;
use crate::reading::{CaptureReport, ReadSettings};

/// A run with its summary and its pulses.
#[derive(Debug, Clone)]
pub struct Stored {
    /// The run as it is stored.
    pub run: StoredRun,
    /// What was computed of it.
    pub summary: RunSummary,
    /// How its captures were read.
    settings: ReadSettings,
    /// What was found in them.
    captures: Vec<CaptureReport>,
    /// Its pulses, in time.
    pub observations: Vec<Observation>,
}

impl Stored {
    /// The run of this number.
    ///
    /// # Errors
    /// What the book says; [`Error::Json`] where what was stored with it can't be read.
    pub fn of(book: &Book, number: i64) -> Result<Stored, Error> {
        let run = book.run(number)?;
        let summary = run.summary(book.path())?;
        let (settings, captures) = json::stored_reading(&run)?;
        Ok(Stored {
            observations: book.observations(number)?,
            run,
            summary,
            settings,
            captures,
        })
    }

    /// What a section is made of.
    pub fn view(&self) -> View<'_> {
        View {
            run: &self.run,
            summary: &self.summary,
            captures: &self.captures,
            settings: &self.settings,
            observations: &self.observations,
        }
    }
}
