//! What can go wrong while a capture or a request log is read or matched.

use std::io;

use crate::format::Format;

/// An error of this crate. Each message says where (line or byte), what was found, what was
/// expected and the way out. The name of the file is the caller's to put in front.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WireError {
    /// The reader failed: a disk, a directory, a pipe.
    #[error(
        "reading failed after {bytes} bytes: {source}; check the file or the program that feeds the pipe"
    )]
    Read {
        /// Bytes read before it failed.
        bytes: u64,
        /// What the system said.
        source: io::Error,
    },
    /// There was not one byte.
    #[error(
        "byte 0: found the end of the input, expected a capture ({}); check that the capture was saved",
        Format::LIST
    )]
    Empty,
    /// The content is none of the known formats.
    #[error(
        "byte 0: found {found}, expected a capture ({}); {advice}",
        Format::LIST
    )]
    UnknownFormat {
        /// What the content looks like.
        found: String,
        /// The way out.
        advice: String,
    },
    /// A line of a text file can't be used.
    #[error("line {line}: found {found}, expected {expected}; {advice}")]
    Line {
        /// The line, from 1.
        line: u64,
        /// What stands there.
        found: String,
        /// What should stand there.
        expected: String,
        /// The way out.
        advice: String,
    },
    /// A byte of a binary file can't be used.
    #[error("byte {offset}: found {found}, expected {expected}; {advice}")]
    Byte {
        /// The byte, from 0.
        offset: u64,
        /// What stands there.
        found: String,
        /// What should stand there.
        expected: String,
        /// The way out.
        advice: String,
    },
    /// No channel has the name asked for.
    #[error("found no channel `{name}`, expected one of: {known}; choose one of these")]
    NoSuchChannel {
        /// The name asked for.
        name: String,
        /// The names in the file.
        known: String,
    },
    /// More than one channel has the name asked for.
    #[error(
        "found several channels that `{name}` may mean, expected one of: {candidates}; give the whole name"
    )]
    AmbiguousChannel {
        /// The name asked for.
        name: String,
        /// The whole names that it may mean.
        candidates: String,
    },
    /// More than one channel toggles and none was chosen.
    #[error(
        "found {toggling} channels that toggle, expected one: {channels}; choose a channel by its name, or map channels to directions such as ra+=NAME"
    )]
    ChooseChannel {
        /// How many toggle.
        toggling: usize,
        /// Each channel with its count of edges.
        channels: String,
    },
    /// The channel never changes.
    #[error(
        "found no edge up to the end of the capture ({channels}), expected at least two; {advice}"
    )]
    NoEdges {
        /// Each channel with its count of edges.
        channels: String,
        /// The way out.
        advice: String,
    },
    /// More pulses than the memory set aside for them holds.
    #[error(
        "{place}: found more than {limit} pulses, expected at most that many; raise the least pulse width or the bridge so that noise is dropped, or cut the capture in parts"
    )]
    TooManyPulses {
        /// Line or byte at which the limit was passed.
        place: String,
        /// The limit.
        limit: u64,
    },
    /// Both levels were held longest in turn, in a capture too long to keep both readings of it.
    #[error(
        "found that the {first} level was held longest at first and the {last} level in the end, expected one idle level; give the idle level"
    )]
    IdleUnclear {
        /// The level held longest at first.
        first: crate::Level,
        /// The level held longest up to the end.
        last: crate::Level,
    },
    /// A setting has a value that can't be used.
    #[error("setting {name}: found `{found}`, expected {expected}")]
    Setting {
        /// The setting.
        name: &'static str,
        /// Its value.
        found: String,
        /// What it may be.
        expected: String,
    },
}

impl WireError {
    /// A setting `name` whose value was `found` and should be `expected`.
    pub(crate) fn setting(name: &'static str, found: impl ToString, expected: &str) -> WireError {
        WireError::Setting {
            name,
            found: shown(&found.to_string()),
            expected: expected.to_owned(),
        }
    }

    /// Something on a line of text.
    pub(crate) fn line(
        line: u64,
        found: impl Into<String>,
        expected: impl Into<String>,
        advice: impl Into<String>,
    ) -> WireError {
        WireError::Line {
            line,
            found: found.into(),
            expected: expected.into(),
            advice: advice.into(),
        }
    }

    /// Something at a byte of a binary file.
    pub(crate) fn byte(
        offset: u64,
        found: impl Into<String>,
        expected: impl Into<String>,
        advice: impl Into<String>,
    ) -> WireError {
        WireError::Byte {
            offset,
            found: found.into(),
            expected: expected.into(),
            advice: advice.into(),
        }
    }
}

/// Text of the input made fit for a message: at most 40 characters, controls escaped.
pub(crate) fn shown(text: &str) -> String {
    let mut out = String::new();
    for character in text.chars().take(40) {
        if character.is_control() {
            out.extend(character.escape_default());
        } else {
            out.push(character);
        }
    }
    if text.chars().nth(40).is_some() {
        out.push_str("...");
    }
    out
}

/// Bytes of the input made fit for a message, in backquotes.
pub(crate) fn quoted(bytes: &[u8]) -> String {
    if bytes.is_empty() {
        return "nothing".to_owned();
    }
    // 160 bytes hold at least 40 characters, the most that is shown.
    let text = String::from_utf8_lossy(bytes.get(..160).unwrap_or(bytes));
    format!("`{}`", shown(&text))
}
