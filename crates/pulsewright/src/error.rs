//! The program's one error: a message that says what was found, what was expected and the way out.

use std::io;
use std::path::{Path, PathBuf};

use book::BookError;
use chain::ChainError;
use rig::RigError;
use servo::ServoError;
use wire::WireError;

/// Why a command did not succeed.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The command line asks for something that can't be.
    #[error("{0}")]
    Usage(String),
    /// A file can't be opened, read or written.
    #[error("{path}: {doing} failed: {source}; {advice}", path = path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: io::Error,
        /// The way out.
        advice: &'static str,
    },
    /// A capture or request log can't be used.
    #[error("{path}: {source}{hint}", path = path.display(), hint = options(source))]
    Wire {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        source: Box<WireError>,
    },
    /// A run can't be summarised.
    #[error("{files}: {source}{hint}")]
    Run {
        /// Which options to look at.
        hint: &'static str,
        /// Its captures.
        files: String,
        /// What is wrong.
        source: Box<ChainError>,
    },
    /// Runs can't be compared.
    #[error("{0}")]
    Chain(Box<ChainError>),
    /// A loop can't be simulated, judged or tuned.
    #[error("{place}{source}{hint}", hint = way_out(source))]
    Servo {
        /// The setup file, where its values are to blame.
        place: String,
        /// What is wrong.
        source: Box<ServoError>,
    },
    /// A live run could not begin or go on.
    #[error("{0}")]
    Rig(Box<RigError>),
    /// The lab book can't be used.
    #[error("{0}")]
    Book(#[from] BookError),
    /// Standard output can't be written.
    #[error("standard output: writing failed: {0}; check where it goes")]
    Output(io::Error),
    /// A value can't be written as JSON.
    #[error("JSON: {0}")]
    Json(#[from] serde_json::Error),
}

/// Which command helps: the room of the loop knows of none.
fn way_out(error: &ServoError) -> &'static str {
    match error {
        ServoError::Unstable { limit, .. } if *limit > 0.0 => {
            " (`pulsewright tune` finds settings that hold)"
        }
        _ => "",
    }
}

/// Which options of `read` are meant by the way out of an error: the readers know of none.
fn options(error: &WireError) -> &'static str {
    match error {
        WireError::NoSuchChannel { .. } | WireError::AmbiguousChannel { .. } => {
            " (--channel NAME, or --map ra+=NAME,ra-=NAME)"
        }
        WireError::ChooseChannel { .. } => {
            " (--channel NAME for one line, --map ra+=NAME,ra-=NAME for several)"
        }
        WireError::UnknownFormat { .. } => " (--format FORMAT; --column WHAT=NAME for a CSV)",
        WireError::NoEdges { .. } => " (--channel, --threshold, --coupling)",
        WireError::TooManyPulses { .. } => " (--bridge, --min-pulse, --threshold)",
        WireError::Setting { name, .. } if *name == "time unit" => " (--time-unit)",
        WireError::IdleUnclear { .. } => " (--idle low or --idle high)",
        _ => "",
    }
}

impl From<ChainError> for Error {
    fn from(error: ChainError) -> Error {
        Error::Chain(Box::new(error))
    }
}

impl From<RigError> for Error {
    fn from(error: RigError) -> Error {
        Error::Rig(Box::new(error))
    }
}

impl Error {
    /// An error of the readers.
    pub fn wire(path: &Path, source: WireError) -> Error {
        Error::Wire {
            path: path.to_owned(),
            source: Box::new(source),
        }
    }

    /// An error of the loop that `setup` describes.
    pub fn servo(setup: &Path, source: ServoError) -> Error {
        Error::Servo {
            place: format!("{}: ", setup.display()),
            source: Box::new(source),
        }
    }

    /// A file error.
    pub fn file(
        path: &Path,
        doing: &'static str,
        source: io::Error,
        advice: &'static str,
    ) -> Error {
        Error::File {
            path: path.to_owned(),
            doing,
            source,
            advice,
        }
    }

    /// Whether the reader of standard output has gone: no error to speak of.
    pub fn is_closed_pipe(&self) -> bool {
        matches!(self, Error::Output(error) if error.kind() == io::ErrorKind::BrokenPipe)
    }
}
