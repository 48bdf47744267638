//! Writing the files that a command was asked for.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use crate::error::Error;

/// Writes a file. A lab book, or any other SQLite file, is never replaced; a device or a pipe is written
/// to as it is; a link is followed; a file is replaced whole or not at all.
///
/// # Errors
/// [`Error::Usage`] for a lab book, [`Error::File`] where it can't be written.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let failed = |error| {
        Error::file(
            path,
            "writing",
            error,
            "check the folder, its permissions and the space on the disk",
        )
    };
    if belongs_to_a_book(path) {
        return Err(Error::Usage(format!(
            "{}: this name belongs to the lab book beside it, and writing there could damage it; name another file with -o",
            path.display()
        )));
    }
    let Ok(target) = path.canonicalize() else {
        return write_whole(path, bytes).map_err(failed);
    };
    if !target.is_file() {
        return std::fs::write(&target, bytes).map_err(failed);
    }
    let mut head = Vec::new();
    File::open(&target)
        .and_then(|file| file.take(16).read_to_end(&mut head))
        .map_err(failed)?;
    if head.starts_with(b"SQLite format 3\0") {
        return Err(Error::Usage(format!(
            "{}: this is a lab book or another database, which is not to be replaced; name another file with -o",
            path.display()
        )));
    }
    write_whole(&target, bytes).map_err(failed)
}

/// Whether the name is that of a database's log or index beside an existing file.
fn belongs_to_a_book(path: &Path) -> bool {
    let name = path.to_string_lossy();
    ["-wal", "-shm", "-journal"]
        .iter()
        .filter_map(|ending| name.strip_suffix(ending))
        .any(|book| Path::new(book).exists())
}

/// Writes into a file beside it, which then takes its name.
fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.part", std::process::id()));
    let beside = Path::new(&beside);
    let written = std::fs::write(beside, bytes).and_then(|()| std::fs::rename(beside, path));
    if written.is_err() {
        // What was begun is of no use; that it can't be removed changes nothing.
        let _ = std::fs::remove_file(beside);
    }
    written
}
