//! `read`: from a capture to what the chain does to a pulse, and into the lab book.

use std::path::PathBuf;

use book::{Book, NewRun};
use wire::{ChannelMap, CsvColumns, Settings};

use crate::cli::{Global, ReadArgs};
use crate::error::Error;
use crate::output::Output;
use crate::reading::{self, ReadSettings, Reading};
use crate::{json, library, text};

/// Runs the command.
///
/// # Errors
/// What the files, the readers and the book say.
pub fn run(args: &ReadArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let settings = checked(args, global.seed)?;
    if args.chain.is_some() {
        // A book that can't be used is told before a long read, but none is made before it succeeds.
        let path = library::path(global)?;
        if path.exists() {
            Book::open(&path)?;
        }
    }
    let reading = reading::read(
        &args.captures,
        &args.requests,
        &settings,
        output.shows_progress(),
    )?;
    let stored = match &args.chain {
        Some(chain) => {
            let mut book = library::open_or_create(global)?;
            let stored_at = library::now();
            let number = store(
                &mut book,
                chain,
                &args.notes,
                &stored_at,
                &settings,
                &reading,
            )?;
            Some((number, stored_at, book.path().to_owned()))
        }
        None => None,
    };
    if output.json() {
        let label = match (&args.chain, &stored) {
            (Some(chain), Some((number, stored_at, _))) => Some(json::RunLabel {
                number: *number,
                chain,
                stored_at,
                notes: json::notes(&args.notes),
            }),
            _ => None,
        };
        return output.print_json(&json::of_reading(&reading, &settings, label)?);
    }
    if output.quiet() {
        return output.print(&format!("{}\n", reading.summary.answer));
    }
    let mut page = text::run::page(&reading.summary, &reading.captures);
    page += &next_step(
        args,
        stored.as_ref().map(|(number, _, path)| (*number, path)),
    );
    output.print(&page)
}

/// How the captures are to be read, once chain and notes can be kept.
///
/// # Errors
/// [`Error::Usage`] that names the option, what was found and what was expected.
pub fn checked(args: &ReadArgs, seed: u64) -> Result<ReadSettings, Error> {
    let settings = settings(args, seed)?;
    if let Some(name) = &args.chain {
        check_name(name)?;
        for (index, (key, _)) in args.notes.iter().enumerate() {
            if args.notes[..index].iter().any(|(other, _)| other == key) {
                return Err(Error::Usage(format!(
                    "--note: `{key}` is given twice; keep one"
                )));
            }
        }
    }
    Ok(settings)
}

/// Stores a run.
///
/// # Errors
/// What the book says.
pub fn store(
    book: &mut Book,
    chain: &str,
    notes: &[(String, String)],
    stored_at: &str,
    settings: &ReadSettings,
    reading: &Reading,
) -> Result<i64, Error> {
    Ok(book.add_run(&NewRun {
        chain,
        notes,
        stored_at,
        program: env!("CARGO_PKG_VERSION"),
        settings: &serde_json::to_string(settings)?,
        reading: &serde_json::to_string(&reading.captures)?,
        summary: &reading.summary,
        sources: &reading.sources,
        matching: &reading.matching,
    })?)
}

/// What to do now.
fn next_step(args: &ReadArgs, stored: Option<(i64, &PathBuf)>) -> String {
    match (stored, &args.chain) {
        (Some((number, path)), Some(chain)) => text::faint(&format!(
            "Kept as run {number} of {chain} in {}. `pulsewright runs` lists all; `pulsewright compare {chain} ANOTHER` sets two chains side by side.",
            path.display()
        )),
        _ => text::faint(
            "Not kept. Add --chain NAME to keep this run in the lab book and compare it with others.",
        ),
    }
}

/// Longest name of a chain, characters.
const MOST_NAME: usize = 80;

/// A name that is all digits would be taken for the number of a run.
///
/// # Errors
/// [`Error::Usage`] that says what is wrong with it.
pub fn check_name(name: &str) -> Result<(), Error> {
    let problem = if name.trim().is_empty() {
        "is empty"
    } else if name.trim() != name || name.chars().any(char::is_control) {
        "begins or ends with a space, or holds a control character"
    } else if name.chars().count() > MOST_NAME {
        "has more than 80 characters"
    } else if name.starts_with('-') {
        "begins with a dash, and would be taken for an option"
    } else if name.parse::<i64>().is_ok() {
        "is a number, which would be taken for the number of a run"
    } else {
        return Ok(());
    };
    Err(Error::Usage(format!(
        "--chain: found `{}`, which {problem}; expected a name such as attic-laptop",
        name.chars()
            .take(MOST_NAME)
            .collect::<String>()
            .escape_debug()
    )))
}

fn settings(args: &ReadArgs, seed: u64) -> Result<ReadSettings, Error> {
    let usage = |error: wire::WireError| Error::Usage(error.to_string());
    let channels = match (&args.channel, &args.map) {
        (Some(name), _) => ChannelMap::single(name),
        (None, Some(map)) => ChannelMap::parse(map).map_err(usage)?,
        (None, None) => ChannelMap::automatic(),
    };
    if !(args.timebase_ppm.is_finite() && (0.0..1e6).contains(&args.timebase_ppm)) {
        return Err(Error::Usage(format!(
            "--timebase-ppm: found {}, expected 0 or more and less than a million",
            args.timebase_ppm
        )));
    }
    if args.edge_uncertainty.is_some_and(|ms| ms > MOST_EDGE_MS) {
        return Err(Error::Usage(format!(
            "--edge-uncertainty: found more than {MOST_EDGE_MS} ms, expected the error of one width from threshold and edges, some microseconds to milliseconds"
        )));
    }
    if args.shared_clock
        && args.requests.is_empty()
        && args.format != Some(wire::Format::PulsesCsv)
        && !args.requested.is_empty()
    {
        return Err(Error::Usage(
            "--shared-clock speaks of the times in a request log, and none was given; name it with --requests".into(),
        ));
    }
    let defaults = Settings::default();
    Ok(ReadSettings {
        capture: Settings {
            format: args.format,
            channels,
            idle: args.idle,
            bridge_s: args.bridge.map_or(defaults.bridge_s, |ms| ms / 1000.0),
            min_pulse_s: args
                .min_pulse
                .map_or(defaults.min_pulse_s, |ms| ms / 1000.0),
            columns: columns(&args.columns)?,
            time_unit: args.time_unit,
            threshold_v: args.threshold,
            coupling: args.coupling,
        },
        direction: args.direction,
        requested_ms: distinct(&args.requested),
        shared_clock: args.shared_clock,
        max_delay_s: args.max_delay / 1000.0,
        timebase_ppm: args.timebase_ppm,
        edge_uncertainty_ms: args.edge_uncertainty,
        seed,
    })
}

/// Largest `--edge-uncertainty`, ms.
const MOST_EDGE_MS: f64 = 1000.0;

/// The widths in ascending order, each once.
fn distinct(widths: &[f64]) -> Vec<f64> {
    let mut widths = widths.to_vec();
    widths.sort_by(f64::total_cmp);
    widths.dedup();
    widths
}

fn columns(named: &[(String, String)]) -> Result<CsvColumns, Error> {
    let mut columns = CsvColumns::default();
    for (what, name) in named {
        let slot = match what.as_str() {
            "time" => &mut columns.time,
            "channel" => &mut columns.channel,
            "level" => &mut columns.level,
            "volts" => &mut columns.volts,
            "direction" => &mut columns.direction,
            "requested" => &mut columns.requested,
            "width" => &mut columns.width,
            "issued" => &mut columns.issued,
            "start" => &mut columns.start,
            _ => {
                return Err(Error::Usage(format!(
                    "--column: found `{what}`, expected one of time, channel, level, volts, direction, requested, width, issued, start"
                )));
            }
        };
        if slot.replace(name.clone()).is_some() {
            return Err(Error::Usage(format!("--column: `{what}` is named twice")));
        }
    }
    Ok(columns)
}
