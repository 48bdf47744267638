//! The command line: every command, option and example.

use std::net::SocketAddr;
use std::path::PathBuf;

use chain::{Limit, Limited, Loss};
use clap::{Args, Parser, Subcommand, ValueEnum};
use clap_complete::Shell;
use wire::{Coupling, Direction, Format, Level, TimeUnit};

use crate::duration::{parse_ms, parse_signed_ms, parse_width_ms};

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
  pulsewright judge attic-laptop --setup setup.toml
      Does it matter under my sky, and what should I change?
  pulsewright trim attic-laptop
      What to request, to get the width that one wants.
  pulsewright prove attic-laptop attic-laptop-trimmed --setup setup.toml
      Did it help?

Wiring: low voltage only. The common line of a guide port is not always ground: put a meter on it
before you connect anything, and opto-isolate when in doubt. A mount that is being pulsed moves:
clear its path and keep a hand on the power. Never point it at or near the Sun.";

/// Measure what your chain does to a guide pulse, judge whether that matters on your sky, find what to
/// change and to what, and prove afterwards that it helped.
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
    /// Write, check or show a plan: which pulses to ask for, in which order, how far the mount moves
    #[command(subcommand)]
    Plan(PlanCommand),
    /// Find the rigs at this computer, and test one
    #[command(subcommand)]
    Rig(RigCommand),
    /// Run a plan: ask the chain for pulses and time them with a rig, live
    Record(RecordArgs),
    /// List the runs in the lab book
    Runs,
    /// Show a stored run
    Show(ShowArgs),
    /// Set two or more runs beside each other
    Compare(CompareArgs),
    /// Describe mount and optics in a file, and see what a millisecond of pulse is worth on the sky
    #[command(subcommand)]
    Setup(SetupCommand),
    /// Does it matter on my sky? The verdict, and what to change
    Judge(JudgeArgs),
    /// Simulate the guiding loop: tracking, star, stability, and what causes how much
    Loop(LoopArgs),
    /// Find the best settings of the guiding loop
    Tune(TuneArgs),
    /// What to request, to get the width that one wants; for a controller too
    Trim(TrimArgs),
    /// Did a change help? A run before and a run after it
    Prove(ProveArgs),
    /// Hold a run against limits or an earlier run, for scripts: exit code 1 where it got worse
    Check(CheckArgs),
    /// Make one file of all four answers, to print or to send
    Report(ReportArgs),
    /// Remove a run from the lab book
    Forget(ForgetArgs),
    /// Write a run's pulses and numbers as CSV or JSON
    Export(ExportArgs),
    /// Open the lab book in a browser: the four questions, with figures, and a loop to play with
    Serve(ServeArgs),
    /// Go through all four questions on an invented scenario
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

/// What to do with a plan.
#[derive(Debug, Subcommand)]
pub enum PlanCommand {
    /// Write a plan with a comment on every value, to be changed
    New(PlanNewArgs),
    /// Check a plan, and say how long it takes and how far the mount moves
    Check(PlanFileArgs),
    /// Show every request of a plan in its order
    Show(PlanFileArgs),
}

/// Options of `plan new`.
#[derive(Debug, Args)]
pub struct PlanNewArgs {
    /// Where to write it; an existing file is not replaced
    #[arg(value_name = "FILE", default_value = "plan.toml")]
    pub file: PathBuf,
    /// The widths to ask for, with units [default: 20ms,50ms,100ms,250ms,500ms]
    #[arg(long, value_name = "WIDTHS", value_delimiter = ',', value_parser = parse_width_ms)]
    pub widths: Vec<f64>,
    /// The directions to ask for: ra+,ra-,dec+,dec- [default: all four]
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    pub directions: Vec<Direction>,
    /// How often each width is asked for in each direction
    #[arg(long, value_name = "N", default_value_t = 30)]
    pub rounds: u32,
    /// Take guide rates from this setup
    #[arg(long, value_name = "FILE")]
    pub setup: Option<PathBuf>,
    /// End as soon as each median is known to so much either side
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms)]
    pub until: Option<f64>,
}

/// Options of `plan check` and `plan show`.
#[derive(Debug, Args)]
pub struct PlanFileArgs {
    /// The plan
    #[arg(value_name = "FILE", default_value = "plan.toml")]
    pub file: PathBuf,
}

/// What to do with rigs.
#[derive(Debug, Subcommand)]
pub enum RigCommand {
    /// List the serial ports, and the rigs that answer at them
    List,
    /// Test a rig: link, clock, edges at each input
    Test(RigTestArgs),
}

/// Options of `rig test`.
#[derive(Debug, Args)]
pub struct RigTestArgs {
    /// The port of the rig, or HOST:PORT of one behind a network [default: the only one that answers]
    #[arg(long, value_name = "PORT")]
    pub rig: Option<String>,
    /// How long to listen for edges
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms, default_value = "10s")]
    pub seconds: f64,
}

const RECORD_EXAMPLES: &str = "\
Examples:
  pulsewright record --plan plan.toml --chain chain.toml
      With the only rig that answers; asks before anything moves.
  pulsewright record --plan plan.toml --chain chain.toml --rig /dev/ttyUSB0
  pulsewright record --resume attic.record
      Go on with a run that was stopped or killed.

chain.toml says how a pulse is asked of the chain: by a program, HTTP, a line to TCP or to a serial
port, by hand, or simulated. `pulsewright record --new-chain chain.toml` writes one with all of them.";

/// Options of `record`.
#[derive(Debug, Args)]
#[command(after_help = RECORD_EXAMPLES)]
pub struct RecordArgs {
    /// The plan
    #[arg(
        long,
        value_name = "FILE",
        default_value = "plan.toml",
        conflicts_with = "resume"
    )]
    pub plan: PathBuf,
    /// How a pulse is asked of the chain
    #[arg(
        long,
        value_name = "FILE",
        default_value = "chain.toml",
        conflicts_with = "resume"
    )]
    pub chain: PathBuf,
    /// The port of the rig, or HOST:PORT of one behind a network [default: the only one that answers]
    #[arg(long, value_name = "PORT")]
    pub rig: Option<String>,
    /// The direction of each input of the rig
    #[arg(
        long,
        value_name = "LIST",
        value_delimiter = ',',
        default_value = "ra+,ra-,dec+,dec-",
        conflicts_with = "resume"
    )]
    pub inputs: Vec<Direction>,
    /// Something known of the chain: computer, system, program, link, adapter, cable, ...
    #[arg(long = "note", value_name = "KEY=VALUE", value_parser = parse_note, conflicts_with = "resume")]
    pub notes: Vec<(String, String)>,
    /// Where to keep the record; an existing file is not replaced [default: CHAIN-TIME.record]
    #[arg(long, short, value_name = "FILE", conflicts_with = "resume")]
    pub output: Option<PathBuf>,
    /// Go on with this record
    #[arg(long, value_name = "FILE")]
    pub resume: Option<PathBuf>,
    /// Write a chain file with every way to ask in it, to be filled in, and do nothing else
    #[arg(long, value_name = "FILE", conflicts_with_all = ["resume", "rig", "output"])]
    pub new_chain: Option<PathBuf>,
    /// Don't ask before the mount moves
    #[arg(long, short)]
    pub yes: bool,
}

/// Which setup.
#[derive(Debug, Args)]
pub struct SetupFile {
    /// The setup file of mount, optics, sky and loop
    #[arg(long, value_name = "FILE", default_value = "setup.toml")]
    pub setup: PathBuf,
}

/// What of a run the simulation draws its pulses from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum DrawFrom {
    /// The measured pulses themselves
    #[default]
    Pulses,
    /// The family of distributions that fits them best
    Family,
}

const JUDGE_EXAMPLES: &str = "\
Examples:
  pulsewright judge attic-laptop --setup setup.toml
      Leave it, retune, trim, mend the chain, or measure more.
  pulsewright judge attic-laptop --trim trim.json
      With a trim that `pulsewright trim attic-laptop --json -o trim.json` wrote.

The verdict holds for the sky and mount that the setup describes: `pulsewright setup new` writes one
to fill in, `pulsewright setup check` reads it back.";

/// Options of `judge`.
#[derive(Debug, Args)]
#[command(after_help = JUDGE_EXAMPLES)]
pub struct JudgeArgs {
    /// Number of the run, or name of a chain for its newest run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// The setup
    #[command(flatten)]
    pub setup: SetupFile,
    /// Judge this trim, as `trim --json` wrote it [default: one fitted on the run]
    #[arg(long, value_name = "FILE")]
    pub trim: Option<PathBuf>,
    /// What the simulated pulses are drawn from
    #[arg(long, value_name = "WHAT", default_value = "pulses")]
    pub draw_from: DrawFrom,
    /// How many long exposures are simulated for each case
    #[arg(long, value_name = "N", default_value_t = crate::cmd::judge::USUAL_EXPOSURES, value_parser = clap::value_parser!(u32).range(20..=100_000))]
    pub exposures: u32,
}

const LOOP_EXAMPLES: &str = "\
Examples:
  pulsewright loop --setup setup.toml
      With a chain that does as it is told.
  pulsewright loop --run attic-laptop --trim trim.json
      With a measured chain, behind a trim.
  pulsewright loop --width-error 12ms --start-delay 40ms --missing 2%
      With a chain set by hand.";

/// Options of `loop`.
#[derive(Debug, Args)]
#[command(after_help = LOOP_EXAMPLES)]
pub struct LoopArgs {
    /// The setup
    #[command(flatten)]
    pub setup: SetupFile,
    /// The chain of this run: its number, or name of a chain for its newest run
    #[arg(long, value_name = "RUN")]
    pub run: Option<String>,
    /// A trim before the chain, as `trim --json` wrote it
    #[arg(long, value_name = "FILE")]
    pub trim: Option<PathBuf>,
    /// What the simulated pulses are drawn from
    #[arg(long, value_name = "WHAT", default_value = "pulses", requires = "run")]
    pub draw_from: DrawFrom,
    /// A width error by hand, the same for every pulse
    #[arg(long, value_name = "TIME", value_parser = parse_signed_ms, allow_hyphen_values = true, conflicts_with = "run")]
    pub width_error: Option<f64>,
    /// A start delay by hand, the same for every pulse
    #[arg(long, value_name = "TIME", value_parser = parse_ms, conflicts_with = "run")]
    pub start_delay: Option<f64>,
    /// Share of the pulses that come to nothing, by hand: 2% or 0.02
    #[arg(long, value_name = "SHARE", value_parser = parse_share)]
    pub missing: Option<f64>,
    /// How many long exposures are simulated
    #[arg(long, value_name = "N", default_value_t = 200, value_parser = clap::value_parser!(u32).range(2..=100_000))]
    pub exposures: u32,
}

const TUNE_EXAMPLES: &str = "\
Examples:
  pulsewright tune --run attic-laptop
      Gains, dead band, exposure, cadence, shortest pulse and law for the narrowest star.
  pulsewright tune --run attic-laptop --goal elongation --keep-timing
      For the roundest star, with the present exposure, cadence and law.
  pulsewright tune --run attic-laptop -o tuned.toml
      Write the setup again, with the settings that are recommended.";

/// What is made least.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum GoalArg {
    /// The width of the star at half maximum
    #[default]
    Fwhm,
    /// The tracking RMS of both axes together
    Rms,
    /// The elongation of the star
    Elongation,
}

/// Options of `tune`.
#[derive(Debug, Args)]
#[command(after_help = TUNE_EXAMPLES)]
pub struct TuneArgs {
    /// The setup
    #[command(flatten)]
    pub setup: SetupFile,
    /// The chain of this run [default: a chain that does as it is told]
    #[arg(long, value_name = "RUN")]
    pub run: Option<String>,
    /// Tune with this trim too, as `trim --json` wrote it [default: one fitted on the run]
    #[arg(long, value_name = "FILE", requires = "run")]
    pub trim: Option<PathBuf>,
    /// What the simulated pulses are drawn from
    #[arg(long, value_name = "WHAT", default_value = "pulses", requires = "run")]
    pub draw_from: DrawFrom,
    /// What is made least
    #[arg(long, value_name = "GOAL", default_value = "fwhm")]
    pub goal: GoalArg,
    /// Change neither exposure nor cadence nor control law
    #[arg(long)]
    pub keep_timing: bool,
    /// How many skies and mounts around the setup the settings must suit
    #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub skies: u32,
    /// Write the setup with the recommended settings, those without a trim, to this new file
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

const CHECK_EXAMPLES: &str = "\
Examples:
  pulsewright check attic-laptop --limit median=15ms --limit p975=40ms --limit missing=1%
      Exit code 0 within all limits, 1 beyond one, 2 for an error.
  pulsewright check attic-laptop --baseline 3
      Exit code 1 where the chain got worse than in run 3 by more than a millisecond.

What can be limited, on either side of none: median, mean, p95 and p975 of the width error, its sd
and its longest excursion (max), the share of missing requests (missing).";

/// Options of `check`.
#[derive(Debug, Args)]
#[command(after_help = CHECK_EXAMPLES)]
pub struct CheckArgs {
    /// Number of the run, or name of a chain for its newest run
    #[arg(value_name = "RUN")]
    pub run: String,
    /// A limit, WHAT=VALUE: median=15ms, sd=5ms, missing=1%
    #[arg(long = "limit", value_name = "LIMIT", value_parser = parse_limit, required_unless_present = "baseline")]
    pub limits: Vec<Limit>,
    /// An earlier run that this one must not be worse than
    #[arg(long, value_name = "RUN")]
    pub baseline: Option<String>,
    /// How much worse than the baseline is still no worse
    #[arg(long, value_name = "TIME", value_parser = parse_ms, default_value = "1ms", requires = "baseline")]
    pub slack: f64,
    /// Fail where it can't be told as well: where a limit lies within the interval
    #[arg(long)]
    pub strict: bool,
}

fn parse_limit(text: &str) -> Result<Limit, String> {
    let expected = || {
        let names = Limited::ALL.map(Limited::name);
        format!(
            "found `{text}`, expected WHAT=VALUE with one of {}, such as median=15ms or missing=1%",
            names.join(", ")
        )
    };
    let (name, value) = text.split_once('=').ok_or_else(expected)?;
    let what = Limited::ALL
        .into_iter()
        .find(|known| known.name() == name)
        .ok_or_else(expected)?;
    let most = match what {
        Limited::Missing => parse_share(value)?,
        _ => parse_ms(value)?,
    };
    Ok(Limit { what, most })
}

/// Reads `2%` or `0.02`: a share from 0 to 1.
fn parse_share(text: &str) -> Result<f64, String> {
    let (number, unit) = match text.strip_suffix('%') {
        Some(number) => (number.trim_end(), 0.01),
        None => (text, 1.0),
    };
    number
        .parse::<f64>()
        .ok()
        .map(|n| n * unit)
        .filter(|share| (0.0..=1.0).contains(share))
        .ok_or_else(|| format!("found `{text}`, expected a share such as 2% or 0.02"))
}

const TRIM_EXAMPLES: &str = "\
Examples:
  pulsewright trim attic-laptop
      In plain words: how much shorter to make which pulse.
  pulsewright trim attic-laptop --as c -o pulse_trim.h
      For a controller's firmware, in whole microseconds.
  pulsewright trim attic-laptop --loss p10 --below skip --shortest 20ms
      Only 1 pulse in 10 comes out too short; nothing is sent under 20 ms.
  pulsewright trim attic-laptop --setup setup.toml
      What each kind of trim does for the star, and what to set if the controller can't be changed.

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
    /// Say as well what it does for the star in this setup, by simulation
    #[arg(long, value_name = "FILE")]
    pub setup: Option<PathBuf>,
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
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms)]
    pub margin: Option<f64>,
    /// Take for it what moves the star by a tenth of its width in this setup [default: setup.toml]
    #[arg(long, value_name = "FILE", conflicts_with = "margin")]
    pub setup: Option<PathBuf>,
}

const REPORT_EXAMPLES: &str = "\
Examples:
  pulsewright report attic-laptop --setup setup.toml -o attic.html
      What the chain does, whether it matters, and what to change, with every figure.
  pulsewright report attic-laptop --after attic-laptop-trimmed -o attic.html
      And whether the change helped.
  pulsewright report attic-laptop pier-board -o both.html
      Two chains, and how they differ.

The file holds its figures, styles and scripts itself and asks nothing of a network. On paper nothing is
folded or cut: print it from a browser.";

/// Options of `report`.
#[derive(Debug, Args)]
#[command(after_help = REPORT_EXAMPLES)]
pub struct ReportArgs {
    /// Numbers of runs, or names of chains for their newest runs
    #[arg(required = true, value_name = "RUN")]
    pub runs: Vec<String>,
    /// The setup
    #[command(flatten)]
    pub setup: SetupFile,
    /// The run after a change; the first RUN is then the one before
    #[arg(long, value_name = "RUN")]
    pub after: Option<String>,
    /// The width error that would not matter, for the proof [default: a tenth of the star's width]
    #[arg(long, value_name = "TIME", value_parser = parse_width_ms, requires = "after")]
    pub margin: Option<f64>,
    /// Where to write it
    #[arg(long, short, value_name = "FILE", default_value = "report.html")]
    pub output: PathBuf,
}

/// Reads `median`, `mean`, or `p1` to `p99`.
pub fn parse_loss(text: &str) -> Result<Loss, String> {
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

const SERVE_EXAMPLES: &str = "\
Examples:
  pulsewright serve
      Open the address that it prints in a browser on this computer.
  pulsewright serve --listen 127.0.0.1:0
      At any port that is free.
  pulsewright serve --listen 0.0.0.0:4747 --name pier.lan
      For a phone or tablet in the same network: whoever has the token that is printed is let in.
      The traffic is not encrypted.
  pulsewright serve --live --plan plan.toml --chain chain.toml
      With a live run to start, watch and stop on the page; asks before anything may move.";

/// Options of `serve`.
#[derive(Debug, Args)]
#[command(after_help = SERVE_EXAMPLES)]
pub struct ServeArgs {
    /// Where to listen; off 127.0.0.1 a token is asked for, and the traffic is not encrypted
    #[arg(long, value_name = "ADDR:PORT", default_value = "127.0.0.1:4747", value_parser = parse_listen)]
    pub listen: SocketAddr,
    /// Another name that the server may be called by, as HOST or HOST:PORT
    #[arg(long = "name", value_name = "HOST")]
    pub names: Vec<String>,
    /// The setup file, which the page can change
    #[arg(long, value_name = "FILE", default_value = "setup.toml")]
    pub setup: PathBuf,

    /// Let the page start and stop a live run of a plan; asks first how far the mount may move
    #[arg(long, help_heading = "Live run")]
    pub live: bool,
    /// The plan
    #[arg(
        long,
        value_name = "FILE",
        default_value = "plan.toml",
        requires = "live",
        help_heading = "Live run"
    )]
    pub plan: PathBuf,
    /// How a pulse is asked of the chain
    #[arg(
        long,
        value_name = "FILE",
        default_value = "chain.toml",
        requires = "live",
        help_heading = "Live run"
    )]
    pub chain: PathBuf,
    /// The port of the rig, or HOST:PORT of one behind a network [default: the only one that answers]
    #[arg(
        long,
        value_name = "PORT",
        requires = "live",
        help_heading = "Live run"
    )]
    pub rig: Option<String>,
    /// The direction of each input of the rig
    #[arg(
        long,
        value_name = "LIST",
        value_delimiter = ',',
        default_value = "ra+,ra-,dec+,dec-",
        requires = "live",
        help_heading = "Live run"
    )]
    pub inputs: Vec<Direction>,
    /// The folder to keep records of live runs in
    #[arg(
        long,
        short,
        value_name = "FOLDER",
        default_value = ".",
        requires = "live",
        help_heading = "Live run"
    )]
    pub output: PathBuf,
    /// Don't ask before the mount may move
    #[arg(long, short, requires = "live", help_heading = "Live run")]
    pub yes: bool,
}

/// Reads `127.0.0.1:4747`, `[::1]:4747` or `localhost:4747`.
fn parse_listen(text: &str) -> Result<SocketAddr, String> {
    text.replace("localhost:", "127.0.0.1:").parse().map_err(|_| {
        format!(
            "found `{text}`, expected an address of this computer and a port, such as 127.0.0.1:4747 or [::1]:4747"
        )
    })
}

/// Options of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for the captures and a lab book of their own; it must be new, empty, or an earlier demo's
    #[arg(value_name = "DIR", default_value = "pulsewright-demo")]
    pub folder: PathBuf,
    /// Run a plan live instead, with a simulated rig and chain: no hardware is needed
    #[arg(long)]
    pub live: bool,
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
    let Some((key, value)) = text.split_once('=') else {
        return Err(format!("found `{}`, expected NAME=VALUE", shown(text)));
    };
    note(key, value)
}

/// A name with its value, without blanks around them: a note on a chain, say.
///
/// # Errors
/// What was found and expected, where one of them is empty, too long, or holds a control character.
pub fn note(key: &str, value: &str) -> Result<(String, String), String> {
    let (key, value) = (key.trim(), value.trim());
    if key.is_empty() {
        return Err(format!(
            "found no name before the value `{}`, expected NAME=VALUE",
            shown(value)
        ));
    }
    if value.is_empty() {
        return Err(format!(
            "found no value behind the name `{}`, expected NAME=VALUE",
            shown(key)
        ));
    }
    if key.chars().count() > MOST_KEY || value.chars().count() > MOST_VALUE {
        return Err(format!(
            "found `{}={}...`, expected a name of at most {MOST_KEY} characters and a value of at most {MOST_VALUE}",
            shown(key),
            shown(value)
        ));
    }
    if key.chars().chain(value.chars()).any(char::is_control) {
        return Err("found a control character (a new line, say), expected plain text".to_owned());
    }
    Ok((key.to_owned(), value.to_owned()))
}

/// The beginning of a text, for an error.
fn shown(text: &str) -> String {
    text.chars().take(60).collect()
}

/// Longest name of a note, characters.
pub const MOST_KEY: usize = 40;
/// Longest value of a note, characters.
pub const MOST_VALUE: usize = 500;

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        Cli::command().debug_assert();
    }
}
