//! Finding the lab book and the runs in it.

use std::io::{BufRead, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};

use book::{Book, BookError, StoredRun};
use chain::RunSummary;
use sky::{Setup, SetupReading};

use crate::cli::Global;
use crate::error::Error;

/// Where the lab book is: `--book`, `PULSEWRIGHT_BOOK`, or `book.sqlite` in the platform's data
/// folder.
///
/// # Errors
/// [`Error::Usage`] where the platform has no data folder.
pub fn path(global: &Global) -> Result<PathBuf, Error> {
    if let Some(book) = &global.book {
        return Ok(book.clone());
    }
    directories::ProjectDirs::from("", "", "pulsewright")
        .map(|dirs| dirs.data_dir().join("book.sqlite"))
        .ok_or_else(|| {
            Error::Usage(
                "no data folder is known on this system; name a lab book with --book FILE".into(),
            )
        })
}

/// Opens the lab book.
///
/// # Errors
/// As [`path`] and [`Book::open`].
pub fn open(global: &Global) -> Result<Book, Error> {
    Ok(Book::open(&path(global)?)?)
}

/// Opens the lab book, and makes it and its folder where there is none.
///
/// # Errors
/// As [`path`] and [`Book::open_or_create`].
pub fn open_or_create(global: &Global) -> Result<Book, Error> {
    let path = path(global)?;
    let default_folder = path.parent().filter(|_| global.book.is_none());
    if let Some(folder) = default_folder {
        std::fs::create_dir_all(folder).map_err(|error| {
            Error::file(
                folder,
                "making the folder",
                error,
                "name a lab book elsewhere with --book",
            )
        })?;
    }
    Ok(Book::open_or_create(&path)?)
}

/// The number of a run that is named by its number, or by its chain for the newest.
///
/// # Errors
/// As [`Book::newest_run_of`].
pub fn number_of(book: &Book, name: &str) -> Result<i64, BookError> {
    match name.parse() {
        Ok(number) => Ok(number),
        Err(_) => book.newest_run_of(name),
    }
}

/// The numbers of several runs, each named as in [`number_of`].
///
/// # Errors
/// As [`number_of`]; [`Error::Usage`] where one is named twice.
pub fn numbers_of(book: &Book, names: &[String]) -> Result<Vec<i64>, Error> {
    let mut numbers = Vec::new();
    for name in names {
        let number = number_of(book, name)?;
        if numbers.contains(&number) {
            return Err(Error::Usage(format!(
                "run {number} is named twice; name runs that differ (`pulsewright runs` lists them)"
            )));
        }
        numbers.push(number);
    }
    Ok(numbers)
}

/// A run that is named by its number or its chain, with its summary.
///
/// # Errors
/// As [`number_of`] and [`Book::run`].
pub fn run(book: &Book, name: &str) -> Result<(StoredRun, RunSummary), Error> {
    let run = book.run(number_of(book, name)?)?;
    let summary = run.summary(book.path())?;
    Ok((run, summary))
}

/// The text of a file, of at most so many bytes.
///
/// # Errors
/// [`Error::File`] with the way out where it can't be read.
pub fn text_of(path: &Path, most: u64, way_out: &'static str) -> Result<String, Error> {
    let failed = |error| Error::file(path, "reading", error, way_out);
    let mut text = String::new();
    if crate::input::is_stdin(path) {
        std::io::stdin()
            .lock()
            .take(most)
            .read_to_string(&mut text)
            .map_err(failed)?;
    } else {
        std::fs::File::open(path)
            .map_err(failed)?
            .take(most)
            .read_to_string(&mut text)
            .map_err(failed)?;
    }
    Ok(text)
}

/// Largest setup file, bytes: a file of another kind is not read to its end.
const MOST_SETUP: u64 = 1 << 20;

/// The text of a setup file.
///
/// # Errors
/// [`Error::File`] where it can't be read.
pub fn setup_text(path: &Path) -> Result<String, Error> {
    text_of(
        path,
        MOST_SETUP,
        "name a setup file; `pulsewright setup new` writes one",
    )
}

/// A setup file.
///
/// # Errors
/// [`Error::File`] where it can't be read, [`Error::Usage`] with every fault in it.
pub fn setup(path: &Path) -> Result<SetupReading, Error> {
    setup_of(path, &setup_text(path)?)
}

/// What the text of the setup file at `path` says.
///
/// # Errors
/// [`Error::Usage`] with every fault in it.
pub fn setup_of(path: &Path, text: &str) -> Result<SetupReading, Error> {
    Setup::read(text).map_err(|error| faults(path, &error.faults))
}

/// Every fault of a file, each with the file's name.
pub fn faults(path: &Path, faults: &[sky::Fault]) -> Error {
    let faults: Vec<String> = faults
        .iter()
        .map(|fault| format!("{}: {fault}", path.display()))
        .collect();
    Error::Usage(faults.join("\n       "))
}

/// Writes a file that must not be there yet: never over one that somebody has filled in. `-` is standard
/// output.
///
/// # Errors
/// [`Error::File`] where it is there, or can't be written.
pub fn write_new(path: &Path, text: &str) -> Result<(), Error> {
    if crate::input::is_stdin(path) {
        return std::io::stdout()
            .lock()
            .write_all(text.as_bytes())
            .map_err(Error::Output);
    }
    std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .and_then(|mut file| file.write_all(text.as_bytes()))
        .map_err(|error| {
            let advice = match error.kind() {
                std::io::ErrorKind::AlreadyExists => "it is not replaced; name another file",
                _ => "check the folder and its permissions",
            };
            Error::file(path, "writing", error, advice)
        })
}

/// The time of day, UTC, RFC 3339, to the second.
pub fn now() -> String {
    jiff::Timestamp::now()
        .strftime("%Y-%m-%dT%H:%M:%SZ")
        .to_string()
}

/// Asks on the terminal, and takes only yes for yes.
///
/// # Errors
/// [`Error::Usage`] where nobody can be asked.
pub fn agreed(question: &str) -> Result<bool, Error> {
    if !std::io::stdin().is_terminal() {
        return Err(Error::Usage(format!(
            "{question} Nobody can be asked here; add --yes to do it"
        )));
    }
    eprint!("{question} [y/N] ");
    std::io::stderr().flush().map_err(Error::Output)?;
    let mut answer = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut answer)
        .map_err(Error::Output)?;
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}
