//! `export`: a run's pulses and numbers for other programs.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use wire::Observation;

use crate::cli::{ExportArgs, ExportFormat, Global};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library};

/// Runs the command.
///
/// # Errors
/// What the book says; [`Error::File`] where the file can't be written.
pub fn run(args: &ExportArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::open(global)?;
    let (run, summary) = library::run(&book, &args.run)?;
    let pulses = book.observations(run.number)?;
    // `--json` asks every command for JSON, this one too.
    let text = if args.format == ExportFormat::Json || output.json() {
        let mut text =
            serde_json::to_string_pretty(&json::of_stored(&run, &summary, Some(&pulses))?)?;
        text.push('\n');
        text
    } else {
        csv(&pulses)
    };
    match &args.output {
        Some(path) if !crate::input::is_stdin(path) => {
            write(path, text.as_bytes())?;
            output.note(&format!(
                "{} of run {} written to {}",
                chain::plural(pulses.len() as u64, "pulse"),
                run.number,
                path.display()
            ));
            Ok(())
        }
        _ => output.print_raw(text.as_bytes()),
    }
}

/// CSV (RFC 4180) of delivered pulses, in the layout that `read` takes.
pub fn csv(pulses: &[Observation]) -> String {
    let mut text = String::from("direction,requested_ms,width_ms,issued_s,start_s\r\n");
    for p in pulses {
        let direction = p.direction.map_or("", |d| d.name());
        let number = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
        // Writing to a String can't fail.
        let _ = write!(
            text,
            "{direction},{},{},{},{}\r\n",
            p.requested_ms,
            p.width_ms,
            number(p.issued_s),
            number(p.start_s)
        );
    }
    text
}

/// Writes a file. A lab book, or any other SQLite file, is never replaced; a device or a pipe is written
/// to as it is; a link is followed; a file is replaced whole or not at all.
fn write(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let failed = |error| {
        Error::file(
            path,
            "writing",
            error,
            "check the folder, its permissions and the space on the disk",
        )
    };
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
            "{}: this is a lab book or another database, and export does not replace it; name another file with -o",
            path.display()
        )));
    }
    write_whole(&target, bytes).map_err(failed)
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
