//! From a run, a trim file and options to the chain that a simulation draws its pulses from.

use std::path::Path;

use book::Book;
use chain::{Trim, significant};
use serde::Deserialize;
use servo::chain_model::{Chain, ChainModel};
use servo::judge::ENOUGH_PULSES;
use servo::loop_sim::LoopCase;
use servo::outcome::{Outcome, outcome};
use servo::run::Trials;
use servo::{DrawnFrom, RunChain};
use sky::Setup;
use wire::{Observation, Warning};

use crate::cli::{DrawFrom, Global};
use crate::error::Error;
use crate::{json, library};

/// Largest trim file, bytes.
const MOST_TRIM: u64 = 1 << 20;
/// Exposures that tell how long the pulses of a loop usually are.
const FEW_EXPOSURES: usize = 20;
/// A mean width beyond what was measured by this factor is worth a warning.
const BEYOND: f64 = 1.25;

/// A measured chain, ready to be simulated.
pub struct MeasuredChain {
    /// Number of its run.
    pub run: i64,
    /// Its name.
    pub name: String,
    /// The chain as measured.
    pub chain: Chain,
    /// Its pulses.
    pub observations: Vec<Observation>,
    /// Shortest and longest requested width, ms.
    pub tried_ms: [f64; 2],
    /// What its run warns of, as far as a simulation is concerned.
    pub warnings: Vec<Warning>,
}

/// The chain of a run in the lab book.
///
/// # Errors
/// What the book says; [`Error::Servo`] where no family can be fitted.
pub fn measured(book: &Book, name: &str, draw_from: DrawFrom) -> Result<MeasuredChain, Error> {
    let (run, summary) = library::run(book, name)?;
    let observations = book.observations(run.number)?;
    let of_run = RunChain {
        observations: &observations,
        missing: summary.missing_share.map(|share| share.share),
        drawn_from: match draw_from {
            DrawFrom::Pulses => DrawnFrom::Pulses,
            DrawFrom::Family => DrawnFrom::Family,
        },
    };
    let chain = of_run.chain().map_err(|source| Error::Servo {
        place: format!("run {} of {}: ", run.number, run.chain),
        source: Box::new(source),
    })?;
    let mut warnings = Vec::new();
    if let Some(doubt) = summary.doubt() {
        warnings.push(Warning::new(
            format!("what was measured may be of nothing: {doubt}"),
            "mend the run first: `pulsewright show` says how",
        ));
    }
    if summary
        .start_delay
        .as_ref()
        .is_none_or(|delay| !delay.absolute)
    {
        warnings.push(Warning::new(
            "the start delay of this chain is not known, and is taken as none",
            "read the run with a log of requests on the capture's clock (--shared-clock); `loop --start-delay` tries one by hand",
        ));
    }
    if let Some(lost) = summary.came_to_nothing() {
        warnings.push(Warning::new(
            format!(
                "{lost}; the simulation loses as many, and no setting or trim brings them back"
            ),
            "look at cable, plugs and program: what loses pulses now may lose more later",
        ));
    }
    if summary.missing_share.is_none() {
        warnings.push(Warning::new(
            "how many requests came to nothing is not known, and is taken as none",
            "read the run with a log of requests",
        ));
    }
    Ok(MeasuredChain {
        run: run.number,
        name: run.chain,
        chain,
        tried_ms: summary.pooled.requested_range_ms,
        observations,
        warnings,
    })
}

/// What a simulation goes out from.
pub struct Given {
    /// The setup.
    pub setup: Setup,
    /// The chain of the run that was named.
    pub measured: Option<MeasuredChain>,
    /// What setup and run warn of.
    pub warnings: Vec<Warning>,
}

/// The setup in `file`, and the chain of `run` where one is named.
///
/// # Errors
/// As [`library::setup`] and [`measured`].
pub fn given(
    file: &Path,
    run: Option<&str>,
    draw_from: DrawFrom,
    global: &Global,
) -> Result<Given, Error> {
    let reading = library::setup(file)?;
    let mut warnings = reading.warnings;
    let measured = match run {
        Some(name) => {
            let mut measured = measured(&library::open(global)?, name, draw_from)?;
            warnings.append(&mut measured.warnings);
            Some(measured)
        }
        None => None,
    };
    Ok(Given {
        setup: reading.setup,
        measured,
        warnings,
    })
}

/// A trim in a file, as `trim --json` wrote it.
#[derive(Debug, Deserialize)]
pub struct TrimFile {
    schema_version: u32,
    kind: String,
    /// The run that it was fitted on.
    pub run: i64,
    /// The chain of that run.
    pub chain: String,
    /// The trim.
    #[serde(flatten)]
    pub trim: Trim,
}

/// Reads a trim file.
///
/// # Errors
/// [`Error::File`] where it can't be read, [`Error::Usage`] where it is no trim of this version.
pub fn trim_file(path: &Path) -> Result<TrimFile, Error> {
    let shown = path.display();
    let way_out = "`pulsewright trim RUN --json -o FILE` writes one";
    let text = library::text_of(
        path,
        MOST_TRIM,
        "name a trim file: `pulsewright trim RUN --json -o FILE` writes one",
    )?;
    let file: TrimFile = serde_json::from_str(&text)
        .map_err(|error| Error::Usage(format!("{shown}: found no trim ({error}); {way_out}")))?;
    if file.kind != "trim" {
        return Err(Error::Usage(format!(
            "{shown}: found a JSON document of kind `{}`, expected `trim`; {way_out}",
            file.kind
        )));
    }
    if file.schema_version > json::SCHEMA_VERSION {
        return Err(Error::Usage(format!(
            "{shown}: found a trim of version {}, expected at most {}; it is of a newer pulsewright: update this one, or fit the trim again",
            file.schema_version,
            json::SCHEMA_VERSION
        )));
    }
    behind(&Chain::perfect(), &file.trim)
        .prepare()
        .map_err(|error| Error::Usage(format!("{shown}: {error}; {way_out}")))?;
    if file
        .trim
        .curve
        .knots()
        .iter()
        .any(|knot| knot.wanted_us < 0)
    {
        return Err(Error::Usage(format!(
            "{shown}: found a wanted width below 0, expected widths of 0 or more; {way_out}"
        )));
    }
    Ok(file)
}

/// The chain behind a trim.
pub fn behind(chain: &Chain, trim: &Trim) -> Chain {
    Chain {
        trim: trim.into(),
        ..chain.clone()
    }
}

/// What to know of a trim that was fitted elsewhere.
pub fn strange_trim(trim: &TrimFile, measured: Option<&MeasuredChain>) -> Option<Warning> {
    let other = measured.filter(|m| m.run != trim.run || m.name != trim.chain)?;
    Some(Warning::new(
        format!(
            "the trim was fitted on run {} of {}, and stands here before run {} of {}",
            trim.run, trim.chain, other.run, other.name
        ),
        "a trim fits the chain it was fitted on; fit one on this run",
    ))
}

/// The few exposures that the warnings on widths rest on.
///
/// # Errors
/// As the simulation.
pub fn glance(setup: &Setup, chain: &Chain, seed: u64) -> Result<Outcome, servo::ServoError> {
    outcome(
        &LoopCase::from_setup(setup, chain)?,
        &Trials::new(seed, FEW_EXPOSURES),
    )
}

/// Whether the loop asks for widths that nobody has tried: of the chain, or of the trim.
pub fn beyond_what_was_tried(found: &Outcome, what: &str, tried_ms: [f64; 2]) -> Option<Warning> {
    let [low, high] = tried_ms;
    let usual: Vec<f64> = found
        .axes
        .iter()
        .map(|axis| axis.pulses.mean_wanted_ms)
        .filter(|ms| *ms > 0.0)
        .collect();
    let shortest = usual.iter().copied().fold(f64::INFINITY, f64::min);
    let longest = usual.iter().copied().fold(0.0, f64::max);
    let (side, width, end) = if shortest * BEYOND < low {
        ("shortest", shortest, low)
    } else if longest > high * BEYOND {
        ("longest", longest, high)
    } else {
        return None;
    };
    Some(Warning::new(
        format!(
            "the pulses of this loop are {} ms long on average, and the {side} that {what} was {} ms: the simulation takes them to err alike",
            significant(width),
            significant(end)
        ),
        "record a run with widths like those that the loop sends, and use that",
    ))
}

/// A chain that is set by hand.
pub fn by_hand(error_ms: Option<f64>, delay_ms: Option<f64>) -> Chain {
    match (error_ms, delay_ms) {
        (None, None) => Chain::perfect(),
        (error_ms, delay_ms) => Chain::of(ChainModel::Constant {
            error_ms: error_ms.unwrap_or(0.0),
            delay_ms: delay_ms.unwrap_or(0.0),
        }),
    }
}

/// An answer, with a word on a chain of too few pulses.
pub fn few_pulses(chain: &Chain, answer: String) -> String {
    match chain.pulses() {
        Some(n) if n < ENOUGH_PULSES => format!(
            "{answer} But the run holds {} alone, and {ENOUGH_PULSES} are the least to rely on.",
            chain::plural(n as u64, "pulse")
        ),
        _ => answer,
    }
}
