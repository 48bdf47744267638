//! The schema: how a book is recognised, made, and brought up to date.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use rusqlite::{Connection, TransactionBehavior};

use crate::error::BookError;

/// Marks an SQLite file as a lab book: "PwBk" in ASCII.
const APPLICATION_ID: i64 = 0x5077_426b;

/// Step `i` brings a book from schema `i` to `i + 1`. A step, once released, never changes.
const STEPS: &[&str] = &[include_str!("schema.sql")];

/// The schema that this program writes.
pub const VERSION: i64 = STEPS.len() as i64;

/// Looks at the bytes of a file before SQLite does, for SQLite takes a file of a few bytes for an empty
/// one, and reads zeros where the end of a file is missing.
///
/// The first 16 bytes are the mark of an SQLite file; the size of a page stands at byte 16, the count of
/// pages at byte 28 (SQLite, "Database File Format", section 1.3).
pub(crate) fn look(path: &Path) -> Result<(), BookError> {
    let not_a_book = |found: &str| BookError::NotABook {
        path: path.to_owned(),
        found: found.to_owned(),
    };
    let read = || -> io::Result<(Vec<u8>, u64)> {
        let mut file = File::open(path)?;
        let mut head = Vec::new();
        file.by_ref().take(32).read_to_end(&mut head)?;
        Ok((head, file.metadata()?.len()))
    };
    // A file that isn't there, or can't be read, is SQLite's to speak of.
    let Ok((head, length)) = read() else {
        return Ok(());
    };
    if head.is_empty() {
        return Ok(());
    }
    if !head.starts_with(b"SQLite format 3\0") {
        return Err(not_a_book("no SQLite file"));
    }
    let &[
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        _,
        size_high,
        size_low,
        ..,
        p0,
        p1,
        p2,
        p3,
    ] = head.as_slice()
    else {
        return Err(not_a_book("an SQLite file cut off in its header"));
    };
    let size = match u64::from(u16::from_be_bytes([size_high, size_low])) {
        1 => 65536,
        size => size,
    };
    let pages = u64::from(u32::from_be_bytes([p0, p1, p2, p3]));
    // With a log beside it the file may rightly be behind its own header.
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    let has_log = std::fs::metadata(log).is_ok_and(|about| about.len() > 0);
    if length < size * pages && !has_log {
        return Err(BookError::Truncated {
            path: path.to_owned(),
            missing: size * pages - length,
        });
    }
    Ok(())
}

/// Recognises the file, makes the schema in an empty one, brings an older one up to date, and sets
/// up the connection.
pub(crate) fn prepare(connection: &mut Connection, path: &Path) -> Result<(), BookError> {
    let at = |error| BookError::from_sqlite(path, error);
    // Nothing is written until the file is known to be a book or empty.
    let version = {
        // One snapshot for all that is looked at: another program may be making the book right now.
        let snapshot = connection.transaction().map_err(at)?;
        recognise(&snapshot, path)?
    };
    if version < VERSION {
        // Before the first table, or the pragma would wait for a transaction of its own.
        connection
            .pragma_update(None, "journal_mode", "WAL")
            .map_err(at)?;
        update(connection, path)?;
    }
    connection
        .execute_batch("PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;")
        .map_err(at)
}

/// Whether the file is a book that can be read as it is.
pub(crate) fn check(connection: &Connection, path: &Path) -> Result<(), BookError> {
    match recognise(connection, path)? {
        VERSION => Ok(()),
        version => Err(BookError::Denied {
            path: path.to_owned(),
            reason: format!(
                "it has schema {version} and must be brought up to {VERSION}, which means writing"
            ),
        }),
    }
}

/// The schema of the file: 0 when it is empty.
fn recognise(connection: &Connection, path: &Path) -> Result<i64, BookError> {
    let at = |error| BookError::from_sqlite(path, error);
    let number = |pragma| connection.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(at)?;
    let (id, version) = (
        number("application_id").map_err(at)?,
        number("user_version").map_err(at)?,
    );
    if id != APPLICATION_ID && (id != 0 || tables != 0 || version != 0) {
        return Err(BookError::NotABook {
            path: path.to_owned(),
            found: "an SQLite file of something else".into(),
        });
    }
    if version > VERSION {
        return Err(BookError::Newer {
            path: path.to_owned(),
            found: version,
            known: VERSION,
        });
    }
    Ok(version)
}

/// Brings the book up to date in one transaction: all steps or none.
fn update(connection: &mut Connection, path: &Path) -> Result<(), BookError> {
    let at = |error| BookError::from_sqlite(path, error);
    let transaction = connection
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .map_err(at)?;
    // Another program may have done it while this one waited.
    let from = recognise(&transaction, path)?;
    for step in STEPS.iter().skip(from as usize) {
        transaction.execute_batch(step).map_err(at)?;
    }
    transaction
        .pragma_update(None, "application_id", APPLICATION_ID)
        .map_err(at)?;
    transaction
        .pragma_update(None, "user_version", VERSION)
        .map_err(at)?;
    transaction.commit().map_err(at)
}
