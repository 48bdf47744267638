//! The lab book: one SQLite file that keeps every run, what it was read from and how, and what is
//! known of each chain.
//!
//! Each change is one transaction on a write-ahead log with full synchronisation, so that a book is
//! never half-written: after a kill, a full disk or a power cut it holds what it held before the
//! change, or after it. The schema is in `schema.sql` beside this file and described in
//! `docs/formats.md`.

mod backup;
mod error;
mod read;
mod schema;
mod write;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

pub use error::BookError;
pub use read::{RunRow, StoredRun};
pub use schema::VERSION;
pub use write::{NewRun, Source, SourceRole};

/// How long a writer waits for another to finish before it gives up.
const PATIENCE: Duration = Duration::from_secs(10);

/// An open lab book.
#[derive(Debug)]
pub struct Book {
    connection: Connection,
    path: PathBuf,
}

impl Book {
    /// Opens the book at `path`, and makes it with an empty schema where there is none.
    ///
    /// # Errors
    /// [`BookError::NotABook`] for any other file, [`BookError::Newer`] for a book of a newer
    /// program; [`BookError::Busy`] and [`BookError::Sqlite`] as the file system answers.
    pub fn open_or_create(path: &Path) -> Result<Book, BookError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        Book::open_with(path, flags)
    }

    /// Opens the book at `path`.
    ///
    /// # Errors
    /// [`BookError::Missing`] where there is no such file; else as [`Book::open_or_create`].
    pub fn open(path: &Path) -> Result<Book, BookError> {
        if !path.exists() {
            return Err(BookError::Missing {
                path: path.to_owned(),
            });
        }
        match Book::open_with(path, OpenFlags::SQLITE_OPEN_READ_WRITE) {
            Err(BookError::Denied { .. }) => Book::open_unchanging(path),
            done => done,
        }
    }

    /// Opens a book that may be read but not written, on a medium that can't be written, say: as a file
    /// that nobody changes meanwhile.
    fn open_unchanging(path: &Path) -> Result<Book, BookError> {
        // The characters that have a meaning in a URI (RFC 3986).
        let escaped: String = path
            .display()
            .to_string()
            .chars()
            .map(|c| match c {
                '%' | '?' | '#' => format!("%{:02x}", c as u32),
                c => c.to_string(),
            })
            .collect();
        let uri = format!("file:{escaped}?immutable=1");
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
        let at = |error| BookError::from_sqlite(path, error);
        schema::look(path)?;
        let connection = Connection::open_with_flags(uri, flags).map_err(at)?;
        schema::check(&connection, path)?;
        Ok(Book {
            connection,
            path: path.to_owned(),
        })
    }

    fn open_with(path: &Path, flags: OpenFlags) -> Result<Book, BookError> {
        if path.is_dir() {
            return Err(BookError::Directory {
                path: path.to_owned(),
            });
        }
        schema::look(path)?;
        let at = |error| BookError::from_sqlite(path, error);
        let flags = flags | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection = Connection::open_with_flags(path, flags).map_err(at)?;
        connection.busy_timeout(PATIENCE).map_err(at)?;
        schema::prepare(&mut connection, path)?;
        Ok(Book {
            connection,
            path: path.to_owned(),
        })
    }

    /// Where the book is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Runs `action` while the file may not grow beyond `pages`: what a full disk does, for tests.
    ///
    /// # Errors
    /// What `action` gives.
    #[doc(hidden)]
    pub fn with_most_pages<T>(
        &mut self,
        pages: i64,
        action: impl FnOnce(&mut Book) -> Result<T, BookError>,
    ) -> Result<T, BookError> {
        let limit = |book: &Book, pages: i64| {
            book.connection
                .pragma_update(None, "max_page_count", pages)
                .map_err(|error| book.at(error))
        };
        limit(self, pages)?;
        let done = action(self);
        limit(self, i64::from(u32::MAX) - 1)?;
        done
    }

    fn at(&self, error: rusqlite::Error) -> BookError {
        BookError::from_sqlite(&self.path, error)
    }
}
