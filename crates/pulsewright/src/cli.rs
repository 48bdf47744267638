//! The command line: every command, option and example.

use std::path::PathBuf;

use chain::Loss;
use clap::{Args, Parser, Subcommand, ValueEnum};
use clap_complete::Shell;
use wire::{Coupling, Direction, Format, Level, TimeUnit};

use crate::duration::{parse_ms, parse_width_ms};

const EXAMPLES: &str = "\
Examples:
  pulsewright demo
      See it all on an invented scenario, with no hardware.
  pulsewright read port.vcd --requested 50ms,250ms,500ms
      What does the chain do to a pulse?
  pulsewright read port.vcd --requested 50ms,250ms,500ms --chain attic-laptop
      The same, and keep it in the lab book.
  pulsewright runs
  pulsewright compare attic-laptop pier-board
      Which chain is better, and by how much?
  pulsewright trim attic-laptop
      What to request, to get the width that one wants.
  pulsewright prove attic-laptop attic-laptop-trimmed --margin 2ms
      Did it help?

Wiring: low voltage only. The common line of a guide port is not always ground: put a meter on it
before you connect anything, and opto-isolate when in doubt. A mount that is being pulsed moves:
clear its path and keep a hand on the power. Never point it at or near the Sun.";

/// Find out what your chain does to a guide pulse: how much too long or too short it comes out, how
/// raggedly, and how sure that is.
#[derive(Debug, Parser)]
#[command(name = "pulsewright", version, after_help = EXAMPLES, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Options of all commands.
    #[command(flatten)]
    pub global: Global,
}

/// Options of all commands.
#[derive(Debug, Args)]
pub struct Global {
    /// The lab book [default: book.sqlite in your data folder]
    #[arg(
        long,
        global = true,
        value_name = "FILE",
        env = "PULSEWRIGHT_BOOK",
        hide_env_values = true
    )]
    pub book: Option<PathBuf>,
    /// Print JSON instead of text; its layout is in docs/formats.md
    #[arg(long, global = true)]
    pub json: bool,
    /// Print the answer alone, and no progress
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Seed of everything random (the bootstrap; the demo's pulses)
    #[arg(long, global = true, value_name = "N", default_value_t = 1)]
    pub seed: u64,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Read a capture and say what the chain does to a pulse
    Read(Box<ReadArgs>),
    /// List the runs in the lab book
    Runs,
    /// Show a stored run
    Show(ShowArgs),
    /// Set two or more runs beside each other
    Compare(CompareArgs),
    /// Describe mount and optics in a file, and see what a millisecond of pulse is worth on the sky
    #[command(subcommand)]
    Setup(SetupCommand),
    /// What to request, to get the width that one wants; for a controller too
    Trim(TrimArgs),
    /// Did a change help? A run before and a run after it
    Prove(ProveArgs),
    /// Remove a run from the lab book
    Forget(ForgetArgs),
    /// Write a run's pulses and numbers as CSV or JSON
    Export(ExportArgs),
    /// Make captures and a lab book of an invented scenario, and compare its four chains
    Demo(DemoArgs),
    /// Print completions for a shell
    Completions(CompletionsArgs),
    /// Print the manual page
    Man(ManArgs),
}

const READ_EXAMPLES: &str = "\
Examples:
  pulsewright read port.vcd --channel D0 --requested 50ms,250ms,500ms
      A logic capture; each pulse goes to the nearest requested width.
  pulsewright read port.vcd --map ra+=D0,ra-=D1,dec+=D2,dec-=D3 --requests sent.csv
      Four lines, and a log of what was sent: then missing pulses are known too.
  pulsewright read scope.csv --requested 250ms --min-pulse 20ms
      Samples of a voltage, as an oscilloscope writes them.
  pulsewright read port.wav --requested 250ms --direction ra+
      A recording on a sound card; its coupling is found by itself.
  zcat port.vcd.gz | pulsewright read - --requested 250ms
      From standard input.
  pulsewright read port.vcd --requested 250ms --chain attic-laptop --note cable='5 m, shielded'
      Keep the run, and what is known of the chain.

Captures: VCD (IEEE 1364), CSV of edges (t_s,channel,level), CSV of samples, WAV, CSV of pulses that
were measured elsewhere (direction,requested_ms,width_ms[,issued_s,start_s]). A log of requests is
CSV with direction,requested_ms[,issued_s]. docs/formats.md shows each.";

/// Options of `read`.
#[derive(Debug, Args)]
#[command(after_help = READ_EXAMPLES)]
pub struct ReadArgs {
    /// The captures of one chain under one plan; `-` is standard input
    #[arg(required = true, value_name = "CAPTURE")]
    pub captures: Vec<PathBuf>,
    /// The widths that were asked for, with units: 50ms,250ms,500ms
    #[arg(long, value_name = "WIDTHS", value_delimiter = ',', value_parser = parse_width_ms, conflicts_with = "requests")]
    pub requested: Vec<f64>,
    /// A log of the requests in the order they were sent, one file a capture
    #[arg(long, value_name = "FILE")]
    pub requests: Vec<PathBuf>,
    /// Keep the run in the lab book, under the name of its chain
    #[arg(long, value_name = "NAME", help_heading = "Lab book")]
    pub chain: Option<String>,
    /// Something known of the chain: computer, system, program, link, adapter, cable, ...
    #[arg(long = "note", value_name = "KEY=VALUE", value_parser = parse_note, requires = "chain", help_heading = "Lab book")]
    pub notes: Vec<(String, String)>,

    /// Read as this format [default: told by the content]
    #[arg(long, value_name = "FORMAT", help_heading = "Capture")]
    pub format: Option<Format>,
    /// The channel to read [default: the only one that changes]
    #[arg(
        long,
        value_name = "NAME",
        conflicts_with = "map",
        help_heading = "Capture"
    )]
    pub channel: Option<String>,
    /// The direction of the channel: ra+, ra-, dec+ or dec-
    #[arg(
        long,
        value_name = "DIRECTION",
        conflicts_with = "map",
        help_heading = "Capture"
    )]
    pub direction: Option<Direction>,
    /// Which channel is which direction: ra+=D0,ra-=D1,...
    #[arg(long, value_name = "MAP", help_heading = "Capture")]
    pub map: Option<String>,
    /// Level between pulses, low or high [default: the one held longest]
    #[arg(long, value_name = "LEVEL", help_heading = "Capture")]
    pub idle: Option<Level>,
    /// Gaps shorter than this are bounce, and are bridged [default: 1ms]
    #[arg(long, value_name = "TIME", value_parser = parse_ms, help_heading = "Capture")]
    pub bridge: Option<f64>,
    /// Pulses shorter than this are dropped [default: 1ms]
    #[arg(long, value_name = "TIME", value_parser = parse_ms, help_heading = "Capture")]
    pub min_pulse: Option<f64>,
    /// Level in volts above which a sample is high [default: half-way between the two levels]
    #[arg(
        long,
        value_name = "VOLTS",
        allow_negative_numbers = true,
        help_heading = "Capture"
    )]
    pub threshold: Option<f64>,
    /// Coupling of a recording: dc (levels) or ac (spikes) [default: told by the content]
    #[arg(long, value_name = "COUPLING", help_heading = "Capture")]
    pub coupling: Option<Coupling>,
    /// Name of a CSV column: time=..., channel, level, volts, direction, requested, width, issued,
    /// start
    #[arg(long = "column", value_name = "WHAT=NAME", value_parser = parse_note, help_heading = "Capture")]
    pub columns: Vec<(String, String)>,
    /// Unit of the times in a CSV: s, ms, us, ns or ps [default: told by the header, or s]
    #[arg(long, value_name = "UNIT", help_heading = "Capture")]
    pub time_unit: Option<TimeUnit>,

    /// The times in the request log are on the clock of the capture: start delays are then known
    #[arg(long, help_heading = "Requests")]
    pub shared_clock: bool,
    /// Longest start delay to look for
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms, default_value = "2s", help_heading = "Requests")]
    pub max_delay: f64,

    /// Greatest error of the capture's timebase, in parts per million
    #[arg(
        long,
        value_name = "PPM",
        default_value_t = 100.0,
        help_heading = "Uncertainty"
    )]
    pub timebase_ppm: f64,
    /// Greatest error of a width from threshold and edges [default: from the transitions, or 5us]
    #[arg(long, value_name = "TIME", value_parser = parse_ms, help_heading = "Uncertainty")]
    pub edge_uncertainty: Option<f64>,
}

/// Options of `show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Number of the run, or name of a chain for its newest run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// Read the captures again with the stored settings, and say whether the numbers are the same
    #[arg(long)]
    pub again: bool,
}

/// Options of `compare`.
#[derive(Debug, Args)]
pub struct CompareArgs {
    /// Two or more: number of a run, or name of a chain for its newest run
    #[arg(required = true, num_args = 2.., value_name = "RUN")]
    pub runs: Vec<String>,
}

const TRIM_EXAMPLES: &str = "\
Examples:
  pulsewright trim attic-laptop
      In plain words: how much shorter to make which pulse.
  pulsewright trim attic-laptop --as c -o pulse_trim.h
      For a controller's firmware, in whole microseconds.
  pulsewright trim attic-laptop --loss p10 --below skip --shortest 20ms
      Only 1 pulse in 10 comes out too short; nothing is sent under 20 ms.

A trim takes away what is the same for every pulse. It can't take away scatter or missing pulses.
A controller that sends wrong widths moves a mount the wrong way: try it with a hand on the power.";

/// Options of `trim`.
#[derive(Debug, Args)]
#[command(after_help = TRIM_EXAMPLES)]
pub struct TrimArgs {
    /// Number of the run, or name of a chain for its newest run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// What of the error to bring to zero: median, mean, or a quantile such as p10
    #[arg(long, value_name = "LOSS", default_value = "median", value_parser = parse_loss)]
    pub loss: Loss,
    /// What to do with a width that is too short for the chain
    #[arg(long, value_name = "WHAT", default_value = "carry")]
    pub below: BelowArg,
    /// Fit it on the pulses of one direction: ra+, ra-, dec+ or dec-
    #[arg(long, value_name = "DIRECTION")]
    pub direction: Option<Direction>,
    /// The shortest width to ask the chain for [default: what the shortest request comes out as]
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms)]
    pub shortest: Option<f64>,
    /// The format
    #[arg(long = "as", value_name = "FORMAT", default_value = "text")]
    pub format: TrimFormat,
    /// Where to write; `-` is standard output, and so is none
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// What becomes of a width that is too short for the chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum BelowArg {
    /// Forget it
    Skip,
    /// Send the shortest in its place
    Floor,
    /// Add it to the next
    Carry,
}

/// A format of `trim`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum TrimFormat {
    /// Plain words and the numbers behind them
    Text,
    /// JSON
    Json,
    /// A table of wanted and requested widths, every millisecond
    Csv,
    /// A C header, in whole microseconds
    C,
    /// A Rust module, in whole microseconds
    Rust,
}

/// Options of `prove`.
#[derive(Debug, Args)]
pub struct ProveArgs {
    /// The run before the change: its number, or name of a chain for its newest run
    #[arg(value_name = "BEFORE")]
    pub before: String,
    /// The run after the change
    #[arg(value_name = "AFTER")]
    pub after: String,
    /// The width error that would not matter, on either side of none
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms, required_unless_present = "setup")]
    pub margin: Option<f64>,
    /// Take for it what moves the star by a tenth of its width in this setup
    #[arg(long, value_name = "FILE", conflicts_with = "margin")]
    pub setup: Option<PathBuf>,
}

/// Reads `median`, `mean`, or `p1` to `p99`.
fn parse_loss(text: &str) -> Result<Loss, String> {
    match text {
        "median" => Ok(Loss::Median),
        "mean" => Ok(Loss::Mean),
        _ => text
            .strip_prefix('p')
            .and_then(|percent| percent.parse::<f64>().ok())
            .filter(|percent| (1.0..=99.0).contains(percent))
            .map(|percent| Loss::Quantile(percent / 100.0))
            .ok_or_else(|| {
                format!("found `{text}`, expected median, mean, or a quantile from p1 to p99")
            }),
    }
}

/// What to do with a setup file.
#[derive(Debug, Subcommand)]
pub enum SetupCommand {
    /// Write a setup file with a comment on every line, to be filled in
    New(SetupNewArgs),
    /// Check a setup file, and say what a millisecond of pulse is worth on the sky
    Check(SetupCheckArgs),
}

/// Options of `setup new`.
#[derive(Debug, Args)]
pub struct SetupNewArgs {
    /// Where to write it; an existing file is not replaced
    #[arg(value_name = "FILE", default_value = "setup.toml")]
    pub file: PathBuf,
}

/// Options of `setup check`.
#[derive(Debug, Args)]
pub struct SetupCheckArgs {
    /// The setup file
    #[arg(value_name = "FILE", default_value = "setup.toml")]
    pub file: PathBuf,
    /// Say as well what the width error of this run moves the star by
    #[arg(long, value_name = "RUN")]
    pub run: Option<String>,
}

/// Options of `forget`.
#[derive(Debug, Args)]
pub struct ForgetArgs {
    /// Number of the run, or name of a chain for its newest run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// Don't ask
    #[arg(long, short)]
    pub yes: bool,
}

/// A format of `export`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ExportFormat {
    /// The delivered pulses, a row each; `read` takes the file again
    Csv,
    /// All numbers and all pulses
    Json,
}

/// Options of `export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Number of the run, or name of a chain for its newest run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// The format
    #[arg(long = "as", value_name = "FORMAT", default_value = "csv")]
    pub format: ExportFormat,
    /// Where to write; `-` is standard output, and so is none
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// Options of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for the captures and a lab book of their own; it must be new, empty, or an earlier demo's
    #[arg(value_name = "DIR", default_value = "pulsewright-demo")]
    pub folder: PathBuf,
}

/// Options of `completions`.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// The shell
    pub shell: Shell,
}

/// Options of `man`.
#[derive(Debug, Args)]
pub struct ManArgs {
    /// The page of one command [default: the page of the whole program]
    #[arg(value_name = "COMMAND")]
    pub command: Option<String>,
}

fn parse_note(text: &str) -> Result<(String, String), String> {
    let shown = || text.chars().take(60).collect::<String>();
    let (key, value) = match text.split_once('=') {
        Some((key, value)) if !key.trim().is_empty() && !value.trim().is_empty() => {
            (key.trim(), value.trim())
        }
        _ => return Err(format!("found `{}`, expected NAME=VALUE", shown())),
    };
    if key.chars().count() > MOST_KEY || value.chars().count() > MOST_VALUE {
        return Err(format!(
            "found `{}...`, expected a name of at most {MOST_KEY} characters and a value of at most {MOST_VALUE}",
            shown()
        ));
    }
    if text.chars().any(char::is_control) {
        return Err("found a control character (a new line, say), expected plain text".to_owned());
    }
    Ok((key.to_owned(), value.to_owned()))
}

/// Longest name and value of a note, characters.
const MOST_KEY: usize = 40;
const MOST_VALUE: usize = 500;

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        Cli::command().debug_assert();
    }
}
