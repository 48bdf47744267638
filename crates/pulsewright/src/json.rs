//! The JSON documents. Their layout is versioned, described in `docs/formats.md` and held to the
//! schemas in `docs/schema/` by a test.

use std::collections::BTreeMap;

use book::{RunRow, Source, StoredRun};
use chain::{Comparison, HeldBaseline, HeldLimit, Proof, Residual, RunSummary, Trim};
use rig::link::Identity;
use rig::plan::{Plan, Planned};
use rig::self_test::SelfTest;
use serde::Serialize;
use serde_json::Value;
use servo::budget::CauseBudget;
use servo::judge::{ChainResult, Judgement};
use servo::outcome::Outcome;
use servo::tune::Tuned;
use wire::Observation;

use crate::error::Error;
use crate::reading::{CaptureReport, ReadSettings, Reading};

/// Version of the layout: it grows when a field goes or changes its meaning, not when one is added.
pub const SCHEMA_VERSION: u32 = 1;

/// Where the page is, of `serve`.
#[derive(Debug, Serialize)]
pub struct ServeDocument<'a> {
    /// [`SCHEMA_VERSION`].
    pub schema_version: u32,
    /// `serve`.
    pub kind: &'static str,
    /// The address to open, with the token where one is asked for.
    pub address: &'a str,
    /// Address and port that the server listens at.
    pub listens_on: String,
    /// The token, off loopback.
    pub token: Option<&'a str>,
    /// Whether others can't read what passes.
    pub encrypted: bool,
}

/// A document as it is written everywhere.
///
/// # Errors
/// [`Error::Json`], for a number that JSON can't hold.
pub fn text(document: &impl Serialize) -> Result<String, Error> {
    let mut text = serde_json::to_string_pretty(document)?;
    text.push('\n');
    Ok(text)
}

/// A run, of `read`, `show` and `export`.
#[derive(Debug, Serialize)]
pub struct RunDocument<'a> {
    schema_version: u32,
    kind: &'static str,
    program: &'a str,
    run: Option<RunLabel<'a>>,
    sources: Vec<SourceDocument<'a>>,
    settings: Value,
    captures: Value,
    #[serde(flatten)]
    summary: &'a RunSummary,
    #[serde(skip_serializing_if = "Option::is_none")]
    pulses: Option<&'a [Observation]>,
}

/// Where a run stands in the book.
#[derive(Debug, Serialize)]
pub struct RunLabel<'a> {
    /// Its number.
    pub number: i64,
    /// Its chain.
    pub chain: &'a str,
    /// When it was stored.
    pub stored_at: &'a str,
    /// Notes on the chain.
    pub notes: BTreeMap<&'a str, &'a str>,
}

#[derive(Debug, Serialize)]
struct SourceDocument<'a> {
    role: &'static str,
    path: &'a str,
    sha256: &'a str,
    bytes: u64,
    format: Option<&'a str>,
}

fn source(source: &Source) -> SourceDocument<'_> {
    SourceDocument {
        role: source.role.name(),
        path: &source.path,
        sha256: &source.sha256,
        bytes: source.bytes,
        format: source.format.as_deref(),
    }
}

/// Notes by key.
pub fn notes(notes: &[(String, String)]) -> BTreeMap<&str, &str> {
    notes
        .iter()
        .map(|(key, value)| (key.as_str(), value.as_str()))
        .collect()
}

/// The document of a run just read.
///
/// # Errors
/// [`Error::Json`], for a number that JSON can't hold.
pub fn of_reading<'a>(
    reading: &'a Reading,
    settings: &ReadSettings,
    label: Option<RunLabel<'a>>,
) -> Result<RunDocument<'a>, Error> {
    Ok(RunDocument {
        schema_version: SCHEMA_VERSION,
        kind: "run",
        program: env!("CARGO_PKG_VERSION"),
        run: label,
        sources: reading.sources.iter().map(source).collect(),
        settings: serde_json::to_value(settings)?,
        captures: serde_json::to_value(&reading.captures)?,
        summary: &reading.summary,
        pulses: None,
    })
}

/// The document of a stored run, with its pulses where they are given.
///
/// # Errors
/// [`Error::Json`] where the stored settings are no JSON.
pub fn of_stored<'a>(
    run: &'a StoredRun,
    summary: &'a RunSummary,
    pulses: Option<&'a [Observation]>,
) -> Result<RunDocument<'a>, Error> {
    Ok(RunDocument {
        schema_version: SCHEMA_VERSION,
        kind: "run",
        program: &run.program,
        run: Some(RunLabel {
            number: run.number,
            chain: &run.chain,
            stored_at: &run.stored_at,
            notes: notes(&run.notes),
        }),
        sources: run.sources.iter().map(source).collect(),
        settings: serde_json::from_str(&run.settings)?,
        captures: serde_json::from_str(&run.reading)?,
        summary,
        pulses,
    })
}

/// Stored settings and capture reports.
///
/// # Errors
/// [`Error::Json`] where they can't be read.
pub fn stored_reading(run: &StoredRun) -> Result<(ReadSettings, Vec<CaptureReport>), Error> {
    Ok((
        serde_json::from_str(&run.settings)?,
        serde_json::from_str(&run.reading)?,
    ))
}

/// The list of runs.
#[derive(Debug, Serialize)]
pub struct RunsDocument<'a> {
    schema_version: u32,
    kind: &'static str,
    book: String,
    runs: Vec<RunRowDocument<'a>>,
}

#[derive(Debug, Serialize)]
struct RunRowDocument<'a> {
    number: i64,
    chain: &'a str,
    stored_at: &'a str,
    pulses: u64,
    median_ms: Option<f64>,
    median_ci95: Option<[f64; 2]>,
    captures: &'a [String],
}

/// The document of the list of runs.
pub fn of_runs<'a>(book: &std::path::Path, runs: &'a [RunRow]) -> RunsDocument<'a> {
    RunsDocument {
        schema_version: SCHEMA_VERSION,
        kind: "runs",
        book: book.display().to_string(),
        runs: runs
            .iter()
            .map(|run| RunRowDocument {
                number: run.number,
                chain: &run.chain,
                stored_at: &run.stored_at,
                pulses: run.pulses,
                median_ms: run.median_ms,
                median_ci95: run.median_ci95,
                captures: &run.captures,
            })
            .collect(),
    }
}

/// A comparison, of `compare`.
#[derive(Debug, Serialize)]
pub struct ComparisonDocument<'a> {
    schema_version: u32,
    kind: &'static str,
    run_numbers: &'a [i64],
    #[serde(flatten)]
    comparison: &'a Comparison,
}

/// The document of a comparison.
pub fn of_comparison<'a>(
    run_numbers: &'a [i64],
    comparison: &'a Comparison,
) -> ComparisonDocument<'a> {
    ComparisonDocument {
        schema_version: SCHEMA_VERSION,
        kind: "comparison",
        run_numbers,
        comparison,
    }
}

/// All four questions, of `demo`.
#[derive(Debug, Serialize)]
pub struct DemoDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `demo`.
    pub kind: &'static str,
    /// The demo's lab book.
    pub book: String,
    /// The setup file.
    pub setup: String,
    /// Captures and request logs.
    pub files: Vec<String>,
    /// The four chains beside each other.
    pub measure: Comparison,
    /// The verdict on each.
    pub judge: Vec<JudgeDocument>,
    /// The best settings with the first.
    pub tune: Tuned,
    /// Its trim.
    pub trim: Trim,
    /// Whether the trim helped.
    pub prove: Proof,
}

/// A trim, of `trim`.
#[derive(Debug, Serialize)]
pub struct TrimDocument<'a> {
    schema_version: u32,
    kind: &'static str,
    run: i64,
    chain: &'a str,
    #[serde(flatten)]
    trim: &'a Trim,
    #[serde(skip_serializing_if = "Option::is_none")]
    on_sky: Option<&'a TrimOnSky>,
}

/// The document of a trim, with what it does for the star where that was asked for.
pub fn of_trim<'a>(
    run: &'a StoredRun,
    trim: &'a Trim,
    on_sky: Option<&'a TrimOnSky>,
) -> TrimDocument<'a> {
    TrimDocument {
        schema_version: SCHEMA_VERSION,
        kind: "trim",
        run: run.number,
        chain: &run.chain,
        trim,
        on_sky,
    }
}

/// A proof, of `prove`.
#[derive(Debug, Serialize)]
pub struct ProofDocument<'a> {
    schema_version: u32,
    kind: &'static str,
    run_numbers: [i64; 2],
    #[serde(flatten)]
    proof: &'a Proof,
}

/// The document of a proof; `run_numbers` are those of the runs before and after.
pub fn of_proof(run_numbers: [i64; 2], proof: &Proof) -> ProofDocument<'_> {
    ProofDocument {
        schema_version: SCHEMA_VERSION,
        kind: "proof",
        run_numbers,
        proof,
    }
}

/// A setup that was checked, of `setup check`.
#[derive(Debug, Serialize)]
pub struct SetupDocument<'a> {
    /// Version of the layout.
    pub schema_version: u32,
    /// `setup`.
    pub kind: &'static str,
    /// The file.
    pub file: String,
    /// Its values, and the defaults of those it leaves out.
    pub setup: &'a sky::Setup,
    /// Keys that it leaves out.
    pub defaulted: &'a [String],
    /// What is worth a second look.
    pub warnings: &'a [wire::Warning],
    /// Image scale of the guide camera, arcsec/px.
    pub guide_arcsec_per_px: f64,
    /// Image scale of the imaging camera, arcsec/px.
    pub imaging_arcsec_per_px: f64,
    /// Width at half maximum of a perfectly tracked star in the image, arcsec.
    pub star_fwhm_arcsec: f64,
    /// What a millisecond of pulse moves the star by at the setup's declination, arcsec.
    pub ra_arcsec_per_ms: f64,
    /// The same in declination.
    pub dec_arcsec_per_ms: f64,
    /// What the width error of a run moves the star by.
    pub effect: Option<Effect>,
}

/// What the width error of a run moves the star by.
#[derive(Debug, Serialize)]
pub struct Effect {
    /// The run.
    pub run: i64,
    /// Its chain.
    pub chain: String,
    /// On each axis, at the setup's declination and at others.
    pub on_sky: sky::effect::SkyEffect,
}

/// A verdict, of `judge`.
#[derive(Debug, Serialize)]
pub struct JudgeDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `judgement`.
    pub kind: &'static str,
    /// The setup file.
    pub setup: String,
    /// The run.
    pub run: i64,
    /// Its chain.
    pub chain: String,
    /// Long exposures simulated for each case.
    pub exposures: u32,
    /// Seed of all random numbers.
    pub seed: u64,
    /// What the trim does that was judged, in words.
    pub trim: Option<String>,
    /// The verdict and all that led to it.
    #[serde(flatten)]
    pub judgement: Judgement,
}

/// A simulated loop, of `loop`.
#[derive(Debug, Serialize)]
pub struct LoopDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `loop`.
    pub kind: &'static str,
    /// The setup file.
    pub setup: String,
    /// The run that the chain was drawn from.
    pub run: Option<i64>,
    /// The chain, in words.
    pub chain: String,
    /// What the trim before it does, in words.
    pub trim: Option<String>,
    /// Length of the long exposure, s.
    pub exposure_s: f64,
    /// Seed of all random numbers.
    pub seed: u64,
    /// The answer.
    pub answer: String,
    /// What the loop does.
    pub outcome: Outcome,
    /// Which cause takes which share.
    pub causes: CauseBudget,
}

/// The best settings, of `tune`.
#[derive(Debug, Serialize)]
pub struct TuneDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `tuning`.
    pub kind: &'static str,
    /// The setup file.
    pub setup: String,
    /// The run that the chain was drawn from.
    pub run: Option<i64>,
    /// The chain, in words.
    pub chain: String,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Skies and mounts that the settings must suit.
    pub skies: u32,
    /// The answer without a trim.
    pub answer: String,
    /// The answer with the trim.
    pub answer_trimmed: Option<String>,
    /// The best settings without a trim.
    pub untrimmed: Tuned,
    /// The best settings with it.
    pub trimmed: Option<Tuned>,
    /// What may spoil it.
    pub warnings: Vec<wire::Warning>,
}

/// The serial ports and the rigs at them, of `rig list`.
#[derive(Debug, Serialize)]
pub struct RigsDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `rigs`.
    pub kind: &'static str,
    /// Every serial port.
    pub ports: Vec<RigPort>,
}

/// A serial port.
#[derive(Debug, Serialize)]
pub struct RigPort {
    /// What to call it.
    pub port: String,
    /// What the system knows of it.
    pub about: String,
    /// The rig that answers.
    pub rig: Option<Identity>,
    /// What was heard.
    pub heard: String,
}

/// A tested rig, of `rig test`.
#[derive(Debug, Serialize)]
pub struct RigTestDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `rig_test`.
    pub kind: &'static str,
    /// Its port.
    pub port: String,
    /// Whether the link is: nothing damaged or lost, no reset, and a clock whose rate is told.
    pub sound: bool,
    /// What was found.
    #[serde(flatten)]
    pub test: SelfTest,
    /// What deserves a second look.
    pub warnings: Vec<wire::Warning>,
}

/// A plan, of `plan check` and `plan show`.
#[derive(Debug, Serialize)]
pub struct PlanDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `plan`.
    pub kind: &'static str,
    /// The file.
    pub file: String,
    /// Requests in all rounds.
    pub requests_in_all: u64,
    /// How long all rounds take on average, s.
    pub estimated_s: f64,
    /// How far each axis moves, right ascension first.
    pub travel: [TravelDocument; 2],
    /// The plan itself.
    pub plan: Plan,
    /// What deserves a second look.
    pub warnings: Vec<wire::Warning>,
    /// Every request in its order, of `plan show`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub requests: Option<Vec<Planned>>,
}

/// How far an axis moves, in arcsec on the axis.
#[derive(Debug, Serialize)]
pub struct TravelDocument {
    /// `ra` or `dec`.
    pub axis: &'static str,
    /// The way there and back.
    pub total_arcsec: f64,
    /// The furthest from the start.
    pub furthest_arcsec: f64,
    /// Where it ends.
    pub net_arcsec: f64,
}

/// A run held against limits, of `check`.
#[derive(Debug, Serialize)]
pub struct CheckDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `check`.
    pub kind: &'static str,
    /// The run.
    pub run: i64,
    /// Its chain.
    pub chain: String,
    /// The answer.
    pub answer: String,
    /// Whether it passes: exit code 0, and 1 else.
    pub passed: bool,
    /// Whether what can't be told fails too.
    pub strict: bool,
    /// Each limit.
    pub limits: Vec<HeldLimit>,
    /// The earlier run, where one was named.
    pub baseline: Option<Baseline>,
}

/// An earlier run that a run is held against.
#[derive(Debug, Serialize)]
pub struct Baseline {
    /// Its number.
    pub run: i64,
    /// Its chain.
    pub chain: String,
    /// How the later one stands to it.
    #[serde(flatten)]
    pub held: HeldBaseline,
}

/// What trims do for the star, of `trim --setup`.
#[derive(Debug, Serialize)]
pub struct TrimOnSky {
    /// The setup file.
    pub setup: String,
    /// What to set where the controller can't be changed, in words.
    pub answer: String,
    /// The chain as it is, the chain behind each kind of trim, and a perfect chain.
    pub cases: Vec<TrimCase>,
}

/// One chain of a [`TrimOnSky`].
#[derive(Debug, Serialize)]
pub struct TrimCase {
    /// `as it is`, `trim to the median`, ..., `perfect`.
    pub name: String,
    /// What the trim leaves of the width error, on pulses that it was not fitted on; `None` of no
    /// trim.
    pub residual: Option<Residual>,
    /// The star, at the present settings and at the best for this chain.
    #[serde(flatten)]
    pub star: ChainResult,
}

/// A report that was written, of `report`.
#[derive(Debug, Serialize)]
pub struct ReportDocument {
    /// Version of the layout.
    pub schema_version: u32,
    /// `report`.
    pub kind: &'static str,
    /// The file.
    pub file: String,
    /// Its length.
    pub bytes: u64,
    /// Its SHA-256 in lower-case hexadecimal.
    pub sha256: String,
    /// The runs in it, that after a change last.
    pub run_numbers: Vec<i64>,
    /// Seed of all random numbers.
    pub seed: u64,
    /// The answers, by question.
    pub answers: Vec<Answer>,
}

/// One answer of a report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Answer {
    /// `Measure`, `Judge`, `Correct` or `Prove`.
    pub question: &'static str,
    /// The chain or chains.
    pub about: String,
    /// The answer.
    pub sentence: String,
}

/// What `show --again` found.
#[derive(Debug, Serialize)]
pub struct AgainDocument<'a> {
    /// Version of the layout.
    pub schema_version: u32,
    /// `again`.
    pub kind: &'static str,
    /// The run.
    pub run: i64,
    /// Whether the files are the same.
    pub same_files: bool,
    /// Whether the numbers are the same.
    pub same_numbers: bool,
    /// What it means.
    pub answer: &'a str,
}

/// A run that was forgotten.
#[derive(Debug, Serialize)]
pub struct ForgottenDocument<'a> {
    /// Version of the layout.
    pub schema_version: u32,
    /// `forgotten`.
    pub kind: &'static str,
    /// The run.
    pub run: i64,
    /// Its chain.
    pub chain: &'a str,
}
