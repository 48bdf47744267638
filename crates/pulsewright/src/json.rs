//! The JSON documents. Their layout is versioned, described in `docs/formats.md` and held to the
//! schemas in `docs/schema/` by a test.

use std::collections::BTreeMap;

use book::{RunRow, Source, StoredRun};
use chain::{Comparison, Proof, RunSummary, Trim};
use serde::Serialize;
use serde_json::Value;
use wire::Observation;

use crate::error::Error;
use crate::reading::{CaptureReport, ReadSettings, Reading};

/// Version of the layout: it grows when a field goes or changes its meaning, not when one is added.
pub const SCHEMA_VERSION: u32 = 1;

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

/// A comparison, of `compare` and `demo`.
#[derive(Debug, Serialize)]
pub struct ComparisonDocument<'a> {
    schema_version: u32,
    kind: &'static str,
    run_numbers: &'a [i64],
    #[serde(flatten)]
    comparison: &'a Comparison,
    #[serde(skip_serializing_if = "Option::is_none")]
    demo: Option<DemoFiles>,
}

/// Where the demo put its files.
#[derive(Debug, Serialize)]
pub struct DemoFiles {
    /// The lab book.
    pub book: String,
    /// Every other file.
    pub files: Vec<String>,
}

/// The document of a comparison.
pub fn of_comparison<'a>(
    run_numbers: &'a [i64],
    comparison: &'a Comparison,
    demo: Option<DemoFiles>,
) -> ComparisonDocument<'a> {
    ComparisonDocument {
        schema_version: SCHEMA_VERSION,
        kind: "comparison",
        run_numbers,
        comparison,
        demo,
    }
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
}

/// The document of a trim.
pub fn of_trim<'a>(run: &'a StoredRun, trim: &'a Trim) -> TrimDocument<'a> {
    TrimDocument {
        schema_version: SCHEMA_VERSION,
        kind: "trim",
        run: run.number,
        chain: &run.chain,
        trim,
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
