//! A copy of the whole book.

use std::fs::{File, OpenOptions};
use std::io;
use std::path::Path;

use rusqlite::Connection;

use crate::{Book, BookError};

impl Book {
    /// Writes a copy of the book to `to`: what it holds at one moment, whatever others write
    /// meanwhile. The copy is a lab book itself.
    ///
    /// # Errors
    /// [`BookError::Exists`] where a file has that name; [`BookError::Denied`] where none can be made
    /// there; else as SQLite answers. Then no copy is left behind.
    pub fn backup(&self, to: &Path) -> Result<(), BookError> {
        let denied = |error: io::Error| match error.kind() {
            io::ErrorKind::AlreadyExists => BookError::Exists {
                path: to.to_owned(),
            },
            _ => BookError::Denied {
                path: to.to_owned(),
                reason: error.to_string(),
            },
        };
        let Some(name) = to.to_str() else {
            return Err(denied(io::Error::other("its name is not in Unicode")));
        };
        // The name is taken before anything is written: SQLite writes into an empty file, but over no
        // other.
        OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(to)
            .map_err(denied)?;
        let copied = self
            .connection
            .execute("VACUUM INTO ?1", [name])
            .map_err(|error| self.at(error))
            .and_then(|_| {
                // A copy begins without the write-ahead log that the book has.
                Connection::open(to)
                    .and_then(|copy| copy.pragma_update(None, "journal_mode", "WAL"))
                    .map_err(|error| BookError::from_sqlite(to, error))
            })
            // SQLite doesn't wait for the disk when it makes a copy.
            .and_then(|()| File::open(to).and_then(|f| f.sync_all()).map_err(denied));
        if copied.is_err() {
            // What was begun is of no use; that it can't be removed changes nothing.
            let _ = std::fs::remove_file(to);
        }
        copied
    }
}
