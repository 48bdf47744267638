//! Storing and forgetting.

use chain::{RunSummary, SUMMARY_VERSION};
use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};
use wire::{Matching, Stray};

use crate::{Book, BookError};

/// What a file was to a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceRole {
    /// A capture of the wire.
    Capture,
    /// A log of the requests.
    Requests,
}

impl SourceRole {
    /// `capture` or `requests`.
    pub fn name(self) -> &'static str {
        match self {
            SourceRole::Capture => "capture",
            SourceRole::Requests => "requests",
        }
    }
}

/// A file that a run was read from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// What it was.
    pub role: SourceRole,
    /// Its path as given; `-` is standard input.
    pub path: String,
    /// SHA-256 of its bytes, in lower-case hexadecimal.
    pub sha256: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Its format, of a capture.
    pub format: Option<String>,
}

/// A run to be stored.
#[derive(Debug, Clone)]
pub struct NewRun<'a> {
    /// Name of the chain; it is made where the book doesn't hold it.
    pub chain: &'a str,
    /// Notes on the chain, added to those that it has; a key that it has takes the new value.
    pub notes: &'a [(String, String)],
    /// The time of day, UTC, RFC 3339.
    pub stored_at: &'a str,
    /// Version of the program.
    pub program: &'a str,
    /// How the captures were read, as JSON.
    pub settings: &'a str,
    /// What was found in the captures, as JSON.
    pub reading: &'a str,
    /// What was computed.
    pub summary: &'a RunSummary,
    /// The files.
    pub sources: &'a [Source],
    /// Pulses and strays.
    pub matching: &'a Matching,
}

impl Book {
    /// Stores a run, in one transaction, and gives its number.
    ///
    /// # Errors
    /// As SQLite answers; then nothing is stored.
    pub fn add_run(&mut self, run: &NewRun<'_>) -> Result<i64, BookError> {
        let path = self.path.clone();
        let at = |error| BookError::from_sqlite(&path, error);
        let summary = serde_json::to_string(run.summary).map_err(|error| BookError::Damaged {
            path: path.clone(),
            number: 0,
            what: "summary",
            reason: error.to_string(),
        })?;
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(at)?;
        let id = insert(&transaction, run, &summary).map_err(at)?;
        transaction.commit().map_err(at)?;
        Ok(id)
    }

    /// Puts `notes` in the place of all notes on a chain, in one transaction. Of a key that is given
    /// twice the last value is kept.
    ///
    /// # Errors
    /// [`BookError::NoSuchChain`]; else as SQLite answers, and then nothing is changed.
    pub fn set_notes(&mut self, chain: &str, notes: &[(String, String)]) -> Result<(), BookError> {
        let path = self.path.clone();
        let at = |error| BookError::from_sqlite(&path, error);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(at)?;
        let Some(id) = known_chain(&transaction, chain).map_err(at)? else {
            return Err(BookError::NoSuchChain {
                name: chain.to_owned(),
                path,
            });
        };
        transaction
            .execute("DELETE FROM chain_note WHERE chain_id = ?1", [id])
            .map_err(at)?;
        add_notes(&transaction, id, notes).map_err(at)?;
        transaction.commit().map_err(at)
    }

    /// Removes a run, its pulses and, when it was the last of its chain, the chain with its notes.
    ///
    /// # Errors
    /// [`BookError::NoSuchRun`]; else as SQLite answers, and then nothing is removed.
    pub fn forget(&mut self, number: i64) -> Result<(), BookError> {
        let path = self.path.clone();
        let at = |error| BookError::from_sqlite(&path, error);
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(at)?;
        let removed = transaction
            .execute("DELETE FROM run WHERE id = ?1", [number])
            .map_err(at)?;
        if removed == 0 {
            return Err(BookError::NoSuchRun { number, path });
        }
        transaction
            .execute(
                "DELETE FROM chain WHERE id NOT IN (SELECT chain_id FROM run)",
                [],
            )
            .map_err(at)?;
        transaction.commit().map_err(at)
    }
}

fn insert(
    transaction: &Transaction<'_>,
    run: &NewRun<'_>,
    summary: &str,
) -> Result<i64, rusqlite::Error> {
    let chain = chain_id(transaction, run.chain)?;
    add_notes(transaction, chain, run.notes)?;
    transaction.execute(
        "INSERT INTO run (chain_id, stored_at, program, settings, reading, summary_version, summary,
                          pulses)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        params![
            chain,
            run.stored_at,
            run.program,
            run.settings,
            run.reading,
            SUMMARY_VERSION,
            summary,
            run.matching.observations.len() as i64
        ],
    )?;
    let id = transaction.last_insert_rowid();
    for (position, source) in run.sources.iter().enumerate() {
        transaction.execute(
            "INSERT INTO source (run_id, position, role, path, sha256, bytes, format)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![
                id,
                position as i64,
                source.role.name(),
                source.path,
                source.sha256,
                source.bytes as i64,
                source.format
            ],
        )?;
    }
    let mut pulse = transaction.prepare(
        "INSERT INTO pulse (run_id, position, direction, requested_ms, width_ms, start_s, issued_s,
                            start_delay_ms, bridged, request)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?;
    for (position, o) in run.matching.observations.iter().enumerate() {
        pulse.execute(params![
            id,
            position as i64,
            o.direction.map(|d| d.name()),
            o.requested_ms,
            o.width_ms,
            o.start_s,
            o.issued_s,
            o.start_delay_ms,
            o.bridged,
            o.request.map(|r| r as i64)
        ])?;
    }
    let mut stray = transaction.prepare(
        "INSERT INTO stray (run_id, position, kind, direction, width_ms, start_s, requested_ms)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?;
    let extras = run.matching.extras.iter().map(|s| ("extra", s));
    let broken = run.matching.broken.iter().map(|s| ("broken", s));
    for (position, (kind, s)) in extras.chain(broken).enumerate() {
        let Stray {
            direction,
            width_ms,
            start_s,
            requested_ms,
        } = s;
        stray.execute(params![
            id,
            position as i64,
            kind,
            direction.map(|d| d.name()),
            width_ms,
            start_s,
            requested_ms
        ])?;
    }
    Ok(id)
}

/// Adds notes to a chain; a key that it has takes the new value.
fn add_notes(
    transaction: &Transaction<'_>,
    chain: i64,
    notes: &[(String, String)],
) -> Result<(), rusqlite::Error> {
    for (key, value) in notes {
        transaction.execute(
            "INSERT INTO chain_note (chain_id, key, value) VALUES (?1, ?2, ?3)
             ON CONFLICT (chain_id, key) DO UPDATE SET value = excluded.value",
            params![chain, key, value],
        )?;
    }
    Ok(())
}

fn known_chain(transaction: &Transaction<'_>, name: &str) -> Result<Option<i64>, rusqlite::Error> {
    transaction
        .query_row("SELECT id FROM chain WHERE name = ?1", [name], |row| {
            row.get(0)
        })
        .optional()
}

fn chain_id(transaction: &Transaction<'_>, name: &str) -> Result<i64, rusqlite::Error> {
    match known_chain(transaction, name)? {
        Some(id) => Ok(id),
        None => {
            transaction.execute("INSERT INTO chain (name) VALUES (?1)", [name])?;
            Ok(transaction.last_insert_rowid())
        }
    }
}
