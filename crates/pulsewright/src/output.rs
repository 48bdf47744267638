//! Everything that reaches standard output or standard error goes through here.

use std::fmt::Write as _;
use std::io::{IsTerminal, Write};
use std::path::Path;

use anstyle::{AnsiColor, Style};

use crate::cli::Global;
use crate::error::Error;

/// Where results and messages go. Colour follows the terminal, `NO_COLOR` and `CLICOLOR`.
#[derive(Debug)]
pub struct Output {
    quiet: bool,
    json: bool,
}

/// The answer.
pub const ANSWER: Style = Style::new().bold();
/// A heading.
pub const HEADING: Style = Style::new().bold().underline();
/// A warning.
pub const WARNING: Style = AnsiColor::Yellow.on_default().bold();
/// Less important.
pub const FAINT: Style = Style::new().dimmed();
const ERROR: Style = AnsiColor::Red.on_default().bold();

/// `text` in a style.
pub fn styled(style: Style, text: &str) -> String {
    format!("{style}{text}{style:#}")
}

impl Output {
    /// Output as the options ask.
    pub fn new(global: &Global) -> Output {
        Output {
            quiet: global.quiet,
            json: global.json,
        }
    }

    /// Whether only the answer is wanted.
    pub fn quiet(&self) -> bool {
        self.quiet
    }

    /// Whether JSON is wanted.
    pub fn json(&self) -> bool {
        self.json
    }

    /// Whether progress may be shown.
    pub fn shows_progress(&self) -> bool {
        !self.quiet && std::io::stderr().is_terminal()
    }

    /// Prints a result at one go.
    ///
    /// # Errors
    /// [`Error::Output`] where it can't be written.
    pub fn print(&self, text: &str) -> Result<(), Error> {
        let mut stdout = anstream::stdout().lock();
        stdout
            .write_all(text.as_bytes())
            .and_then(|()| stdout.flush())
            .map_err(Error::Output)
    }

    /// Prints bytes that are no text for people: no style, no change.
    ///
    /// # Errors
    /// [`Error::Output`] where they can't be written.
    pub fn print_raw(&self, bytes: &[u8]) -> Result<(), Error> {
        let mut stdout = std::io::stdout().lock();
        stdout
            .write_all(bytes)
            .and_then(|()| stdout.flush())
            .map_err(Error::Output)
    }

    /// Prints a JSON document.
    ///
    /// # Errors
    /// [`Error::Output`] where it can't be written.
    pub fn print_json(&self, document: &impl serde::Serialize) -> Result<(), Error> {
        self.print_raw(crate::json::text(document)?.as_bytes())
    }

    /// Writes a result to a file, and says so; or to standard output, for none or `-`.
    ///
    /// # Errors
    /// As [`crate::write::write`], or [`Error::Output`].
    pub fn deliver(&self, to: Option<&Path>, what: &str, bytes: &[u8]) -> Result<(), Error> {
        match to.filter(|path| !crate::input::is_stdin(path)) {
            Some(path) => {
                crate::write::write(path, bytes)?;
                self.note(&format!("{what} written to {}", path.display()));
                Ok(())
            }
            None => self.print_raw(bytes),
        }
    }

    /// Says something beside the result, on standard error.
    pub fn note(&self, text: &str) {
        if !self.quiet {
            // Nobody is left to tell where standard error is gone.
            let _ = writeln!(anstream::stderr(), "{text}");
        }
    }

    /// Says what went wrong.
    pub fn error(&self, error: &Error) {
        let mut text = String::new();
        let _ = write!(text, "{} {error}", styled(ERROR, "error:"));
        let _ = writeln!(anstream::stderr(), "{text}");
    }
}
