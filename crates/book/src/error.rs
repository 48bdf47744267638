//! What can go wrong with a book.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// An error of this crate. Each message names the file, what was found, and the way out.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// No file is there.
    #[error("{path}: there is no lab book yet; `pulsewright read CAPTURE --chain NAME` makes one, or name another with --book", path = path.display())]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// A directory is there.
    #[error("{path}: found a directory, expected the file of a lab book; name a file in it with --book", path = path.display())]
    Directory {
        /// The directory.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{path}: this file is not a lab book ({found}), and it was left as it is; name another with --book", path = path.display())]
    NotABook {
        /// The file.
        path: PathBuf,
        /// What it seems to be.
        found: String,
    },
    /// The end of the file is missing.
    #[error("{path}: the last {missing} bytes of this lab book are missing, and it was left as it is; bring it back from a copy, or name another with --book", path = path.display())]
    Truncated {
        /// The file.
        path: PathBuf,
        /// Bytes missing.
        missing: u64,
    },
    /// A newer program wrote it.
    #[error("{path}: this lab book has schema {found}, and this program knows up to {known}; use a newer pulsewright, or name another book with --book", path = path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: i64,
        /// The newest known here.
        known: i64,
    },
    /// Another program holds it.
    #[error("{path}: another program has been writing to this lab book for over 10 s; wait until it has finished, and try again", path = path.display())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// The disk is full.
    #[error("{path}: the disk is full; nothing was stored and the lab book is as it was; free some space, or name a book on another disk with --book", path = path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// The file or its folder can't be written.
    #[error("{path}: the lab book can't be opened or written ({reason}); check the permissions of the file and of its folder", path = path.display())]
    Denied {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        reason: String,
    },
    /// No run has this number.
    #[error("run {number}: there is no such run in {path}; `pulsewright runs` lists them", path = path.display())]
    NoSuchRun {
        /// The number.
        number: i64,
        /// The book.
        path: PathBuf,
    },
    /// A chain is named that the book doesn't hold.
    #[error("chain `{name}`: {path} holds no run of it; `pulsewright runs` lists them", path = path.display())]
    NoSuchChain {
        /// The name.
        name: String,
        /// The book.
        path: PathBuf,
    },
    /// A copy of a book would take the place of a file.
    #[error("{path}: found a file of this name, which is not replaced; name another for the copy", path = path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// A stored text can't be read back.
    #[error("{path}: the stored {what} of run {number} can't be read ({reason}); read its capture again with `pulsewright read`", path = path.display())]
    Damaged {
        /// The book.
        path: PathBuf,
        /// The run.
        number: i64,
        /// What is damaged.
        what: &'static str,
        /// Why.
        reason: String,
    },
    /// Anything else that SQLite says.
    #[error("{path}: {reason}; check the disk, and keep a copy of the file before you go on", path = path.display())]
    Sqlite {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        reason: String,
    },
}

impl BookError {
    pub(crate) fn from_sqlite(path: &Path, error: rusqlite::Error) -> BookError {
        let path = path.to_owned();
        match error.sqlite_error_code() {
            Some(ErrorCode::NotADatabase) => BookError::NotABook {
                path,
                found: "no SQLite file".into(),
            },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => BookError::Busy { path },
            Some(ErrorCode::DiskFull) => BookError::Full { path },
            Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
                BookError::Denied {
                    path,
                    reason: error.to_string(),
                }
            }
            _ => BookError::Sqlite {
                path,
                // The whole text of a statement helps nobody.
                reason: match error {
                    rusqlite::Error::SqlInputError { msg, .. } => msg,
                    other => other.to_string(),
                },
            },
        }
    }
}
