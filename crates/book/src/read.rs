//! Looking things up.

use chain::RunSummary;
use rusqlite::{OptionalExtension, Row, params};
use wire::Observation;

use crate::write::{Source, SourceRole};
use crate::{Book, BookError};

/// A run in the list of runs.
#[derive(Debug, Clone, PartialEq)]
pub struct RunRow {
    /// Its number.
    pub number: i64,
    /// Name of its chain.
    pub chain: String,
    /// When it was stored, UTC, RFC 3339.
    pub stored_at: String,
    /// Delivered requests.
    pub pulses: u64,
    /// Median width error of all, ms.
    pub median_ms: Option<f64>,
    /// Its 95 % interval.
    pub median_ci95: Option<[f64; 2]>,
    /// Its answer.
    pub answer: Option<String>,
    /// Paths of its captures.
    pub captures: Vec<String>,
}

/// A run with all but its pulses.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredRun {
    /// Its number.
    pub number: i64,
    /// Name of its chain.
    pub chain: String,
    /// Notes on the chain, by key.
    pub notes: Vec<(String, String)>,
    /// When it was stored, UTC, RFC 3339.
    pub stored_at: String,
    /// Version of the program that stored it.
    pub program: String,
    /// How the captures were read, as JSON.
    pub settings: String,
    /// What was found in the captures, as JSON.
    pub reading: String,
    /// Layout of the summary; see [`chain::SUMMARY_VERSION`].
    pub summary_version: u32,
    /// What was computed, as JSON.
    pub summary: String,
    /// The files it was read from.
    pub sources: Vec<Source>,
}

impl Book {
    /// All runs, by number.
    ///
    /// # Errors
    /// As SQLite answers.
    pub fn runs(&self) -> Result<Vec<RunRow>, BookError> {
        self.search("")
    }

    /// The runs, by number, for which each word of `text` stands in the name of their chain, in its
    /// notes, or in the path of one of their files. Capital and small letters of ASCII are the same;
    /// no character has a meaning of its own; without a word all runs are found.
    ///
    /// # Errors
    /// As SQLite answers.
    pub fn search(&self, text: &str) -> Result<Vec<RunRow>, BookError> {
        let words: Vec<&str> = text.split_whitespace().collect();
        let words = serde_json::Value::from(words).to_string();
        let run = || -> Result<Vec<RunRow>, rusqlite::Error> {
            let mut statement = self.connection.prepare(
                "SELECT run.id, chain.name, run.stored_at, run.pulses,
                        run.summary ->> '$.pooled.width_error_ms.median',
                        run.summary ->> '$.pooled.width_error_ms.median_ci95[0]',
                        run.summary ->> '$.pooled.width_error_ms.median_ci95[1]',
                        (SELECT json_group_array(path ORDER BY position) FROM source
                         WHERE run_id = run.id AND role = 'capture'),
                        run.summary ->> '$.answer'
                 FROM run JOIN chain ON chain.id = run.chain_id
                 WHERE NOT EXISTS (
                     SELECT 1 FROM json_each(?1) AS word WHERE NOT (
                         instr(lower(chain.name), lower(word.value))
                         OR EXISTS (SELECT 1 FROM chain_note WHERE chain_id = chain.id
                                    AND (instr(lower(key), lower(word.value))
                                         OR instr(lower(chain_note.value), lower(word.value))))
                         OR EXISTS (SELECT 1 FROM source WHERE run_id = run.id
                                    AND instr(lower(source.path), lower(word.value)))))
                 ORDER BY run.id",
            )?;
            let rows = statement.query_map([words], |row| {
                let low: Option<f64> = row.get(5)?;
                let high: Option<f64> = row.get(6)?;
                let captures: String = row.get(7)?;
                Ok(RunRow {
                    number: row.get(0)?,
                    chain: row.get(1)?,
                    stored_at: row.get(2)?,
                    pulses: row.get::<_, i64>(3)? as u64,
                    median_ms: row.get(4)?,
                    median_ci95: low.zip(high).map(|(low, high)| [low, high]),
                    answer: row.get(8)?,
                    captures: serde_json::from_str(&captures).unwrap_or_default(),
                })
            })?;
            rows.collect()
        };
        run().map_err(|error| self.at(error))
    }

    /// The number of the newest run of a chain.
    ///
    /// # Errors
    /// [`BookError::NoSuchChain`]; else as SQLite answers.
    pub fn newest_run_of(&self, name: &str) -> Result<i64, BookError> {
        let found: Option<i64> = self
            .connection
            .query_row(
                "SELECT max(run.id) FROM run JOIN chain ON chain.id = run.chain_id WHERE chain.name = ?1",
                [name],
                |row| row.get(0),
            )
            .map_err(|error| self.at(error))?;
        found.ok_or_else(|| BookError::NoSuchChain {
            name: name.to_owned(),
            path: self.path.clone(),
        })
    }

    /// The notes on a chain, by key.
    ///
    /// # Errors
    /// [`BookError::NoSuchChain`]; else as SQLite answers.
    pub fn notes(&self, chain: &str) -> Result<Vec<(String, String)>, BookError> {
        self.newest_run_of(chain)?;
        self.notes_of(chain).map_err(|error| self.at(error))
    }

    fn notes_of(&self, chain: &str) -> Result<Vec<(String, String)>, rusqlite::Error> {
        self.connection
            .prepare(
                "SELECT key, value FROM chain_note JOIN chain ON chain.id = chain_note.chain_id
                 WHERE chain.name = ?1 ORDER BY key",
            )?
            .query_map([chain], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect()
    }

    /// A run.
    ///
    /// # Errors
    /// [`BookError::NoSuchRun`]; else as SQLite answers.
    pub fn run(&self, number: i64) -> Result<StoredRun, BookError> {
        let find = || -> Result<Option<StoredRun>, rusqlite::Error> {
            let found = self
                .connection
                .query_row(
                    "SELECT chain.name, run.stored_at, run.program, run.settings,
                            run.summary_version, run.summary, run.reading
                     FROM run JOIN chain ON chain.id = run.chain_id WHERE run.id = ?1",
                    [number],
                    |row| {
                        Ok(StoredRun {
                            number,
                            chain: row.get(0)?,
                            notes: Vec::new(),
                            stored_at: row.get(1)?,
                            program: row.get(2)?,
                            settings: row.get(3)?,
                            summary_version: row.get(4)?,
                            summary: row.get(5)?,
                            reading: row.get(6)?,
                            sources: Vec::new(),
                        })
                    },
                )
                .optional()?;
            let Some(mut run) = found else {
                return Ok(None);
            };
            run.notes = self.notes_of(&run.chain)?;
            run.sources = self
                .connection
                .prepare(
                    "SELECT role, path, sha256, bytes, format FROM source
                     WHERE run_id = ?1 ORDER BY position",
                )?
                .query_map([number], source)?
                .collect::<Result<_, _>>()?;
            Ok(Some(run))
        };
        find()
            .map_err(|error| self.at(error))?
            .ok_or_else(|| BookError::NoSuchRun {
                number,
                path: self.path.clone(),
            })
    }

    /// The delivered requests of a run, in time.
    ///
    /// # Errors
    /// As SQLite answers. A run that doesn't exist has none.
    pub fn observations(&self, number: i64) -> Result<Vec<Observation>, BookError> {
        let all = || -> Result<Vec<Observation>, rusqlite::Error> {
            let mut statement = self.connection.prepare(
                "SELECT direction, requested_ms, width_ms, start_s, issued_s, start_delay_ms,
                        bridged, request, position
                 FROM pulse WHERE run_id = ?1 ORDER BY position",
            )?;
            let rows = statement.query_map(params![number], observation)?;
            rows.collect()
        };
        all().map_err(|error| self.at(error))
    }
}

impl StoredRun {
    /// The stored summary.
    ///
    /// # Errors
    /// [`BookError::Damaged`] where it can't be read; the message names `path`.
    pub fn summary(&self, path: &std::path::Path) -> Result<RunSummary, BookError> {
        serde_json::from_str(&self.summary).map_err(|error| BookError::Damaged {
            path: path.to_owned(),
            number: self.number,
            what: "summary",
            reason: error.to_string(),
        })
    }
}

fn source(row: &Row<'_>) -> Result<Source, rusqlite::Error> {
    let role: String = row.get(0)?;
    Ok(Source {
        role: if role == SourceRole::Requests.name() {
            SourceRole::Requests
        } else {
            SourceRole::Capture
        },
        path: row.get(1)?,
        sha256: row.get(2)?,
        bytes: row.get::<_, i64>(3)? as u64,
        format: row.get(4)?,
    })
}

fn observation(row: &Row<'_>) -> Result<Observation, rusqlite::Error> {
    // The table's own check holds directions to the four names.
    let direction = row
        .get_ref(0)?
        .as_str_or_null()?
        .and_then(|name| name.parse().ok());
    Ok(Observation {
        direction,
        requested_ms: row.get(1)?,
        width_ms: row.get(2)?,
        start_s: row.get(3)?,
        issued_s: row.get(4)?,
        start_delay_ms: row.get(5)?,
        bridged: row.get(6)?,
        request: row.get::<_, Option<i64>>(7)?.map(|r| r as usize),
        order: row.get::<_, i64>(8)? as usize,
    })
}
