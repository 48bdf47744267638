//! From captures to a summary: the one path that `read`, `show --again` and `demo` share.

use std::path::{Path, PathBuf};

use book::{Source, SourceRole};
use chain::{Instrument, RunData, RunSummary, Sampling};
use serde::{Deserialize, Serialize};
use wire::{
    Capture, Channel, Coupling, Direction, Format, MatchOptions, Matching, Observation,
    RequestSource, Settings,
};

use crate::error::Error;
use crate::input::{self, Checked};
use crate::progress::Progress;
use crate::recording;

/// All that decides what numbers come out of the bytes of a run's files. With the same files and the
/// same settings the same numbers come out; the lab book keeps them as JSON.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadSettings {
    /// How the captures are read.
    pub capture: Settings,
    /// Direction of a single channel.
    pub direction: Option<Direction>,
    /// The requested widths, ms; empty with a request log or pulses measured elsewhere.
    pub requested_ms: Vec<f64>,
    /// Whether the times in the request log are on the clock of the capture.
    pub shared_clock: bool,
    /// Longest start delay looked for, s.
    pub max_delay_s: f64,
    /// Greatest error of the timebase, ppm.
    pub timebase_ppm: f64,
    /// Greatest error of a width from threshold and edges, ms.
    pub edge_uncertainty_ms: Option<f64>,
    /// Seed of the bootstrap.
    pub seed: u64,
}

impl ReadSettings {
    /// Those of the record of a live run, which holds all others itself.
    pub fn of_record(seed: u64) -> ReadSettings {
        ReadSettings {
            capture: Settings::default(),
            direction: None,
            requested_ms: Vec::new(),
            shared_clock: true,
            max_delay_s: 2.0,
            timebase_ppm: 100.0,
            edge_uncertainty_ms: None,
            seed,
        }
    }
}

/// What was found in one capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureReport {
    /// Its path as given.
    pub path: String,
    /// Its format: the name of a capture's, or `record` of a live run.
    pub format: String,
    /// Its coupling, of an analogue one.
    pub coupling: Option<Coupling>,
    /// Its channels.
    pub channels: Vec<Channel>,
    /// Its length in time, s.
    pub duration_s: f64,
    /// Step of its time stamps, or sample interval, ms.
    pub resolution_ms: f64,
    /// What was chosen by itself, a sentence each.
    pub notes: Vec<String>,
}

/// A run as it was read.
#[derive(Debug, Clone)]
pub struct Reading {
    /// Its files.
    pub sources: Vec<Source>,
    /// What was found in each capture.
    pub captures: Vec<CaptureReport>,
    /// Pulses and strays of all captures.
    pub matching: Matching,
    /// What was computed.
    pub summary: RunSummary,
}

/// Reads the captures, each with its request log where there is one, and summarises the run.
///
/// # Errors
/// What the files, the readers and the summary say; each message names its file.
pub fn read(
    captures: &[PathBuf],
    requests: &[PathBuf],
    settings: &ReadSettings,
    show_progress: bool,
) -> Result<Reading, Error> {
    check_counts(captures, requests)?;
    if let Some(path) = captures.iter().find(|path| recording::is_record(path)) {
        let of_record = ReadSettings::of_record(settings.seed);
        let same = |a: &ReadSettings| ReadSettings {
            shared_clock: true,
            ..a.clone()
        };
        if captures.len() > 1 || !requests.is_empty() || same(settings) != of_record {
            return Err(Error::Usage(format!(
                "{}: this is the record of a live run, which holds its own requests and how its edges are taken; read it by itself, without options of the capture",
                path.display()
            )));
        }
        return recording::load(path)?.reading(settings.seed);
    }
    let mut sources = Vec::new();
    let mut reports = Vec::new();
    let mut matching = Matching::default();
    let mut warnings = Vec::new();
    let mut instrument: Option<Instrument> = None;
    for (index, path) in captures.iter().enumerate() {
        let (capture, source) = read_one(path, settings, show_progress)?;
        sources.push(source);
        let mut left_out = None;
        let log = match requests.get(index) {
            Some(log_path) => {
                if capture.measured.is_some() {
                    return Err(Error::Usage(format!(
                        "{}: its rows hold the requested widths already, so a request log has no place; leave --requests out",
                        path.display()
                    )));
                }
                let (mut log, source) = read_log(log_path, settings)?;
                sources.push(source);
                left_out = keep_captured(&mut log, log_path, &capture, settings)?;
                Some(log)
            }
            None => None,
        };
        let mut found = match_one(path, &capture, log.as_deref(), settings)?;
        found.notes.extend(left_out);
        let here = instrument_of(&capture, settings);
        instrument = Some(instrument.map_or(here, |before| worse(before, here)));
        warnings.extend(capture.warnings.iter().cloned());
        warnings.extend(found.warnings.iter().cloned());
        reports.push(report(path, &capture, &found));
        join(&mut matching, found, index);
    }
    let instrument = instrument.ok_or_else(|| Error::Usage("no capture was named".into()))?;
    if let Some(direction) = settings.direction {
        for o in &mut matching.observations {
            o.direction = o.direction.or(Some(direction));
        }
    }
    warnings.dedup();
    let summary = chain::summarise(&RunData {
        observations: &matching.observations,
        outcomes: matching.outcomes,
        instrument,
        warnings: &warnings,
        seed: settings.seed,
    })
    .map_err(|source| Error::Run {
        hint: if settings.shared_clock {
            "; if log and capture do not share a clock, leave --shared-clock out"
        } else {
            "; see --requested or --requests, --idle and --min-pulse"
        },
        files: reports
            .iter()
            .map(|r| r.path.as_str())
            .collect::<Vec<_>>()
            .join(", "),
        source: Box::new(source),
    })?;
    Ok(Reading {
        sources,
        captures: reports,
        matching,
        summary,
    })
}

fn check_counts(captures: &[PathBuf], requests: &[PathBuf]) -> Result<(), Error> {
    let from_stdin = captures
        .iter()
        .chain(requests)
        .filter(|p| input::is_stdin(p));
    if from_stdin.count() > 1 {
        return Err(Error::Usage(
            "found `-` more than once, and standard input can be read only once; name files for the others".into(),
        ));
    }
    if !requests.is_empty() && requests.len() != captures.len() {
        return Err(Error::Usage(format!(
            "found {} for {}; give --requests once for each capture, in the same order",
            chain::plural(requests.len() as u64, "request log"),
            chain::plural(captures.len() as u64, "capture"),
        )));
    }
    Ok(())
}

fn read_one(
    path: &Path,
    settings: &ReadSettings,
    show_progress: bool,
) -> Result<(Capture, Source), Error> {
    let (reader, length) = input::open(path)?;
    let name = if input::is_stdin(path) {
        "standard input".to_owned()
    } else {
        path.display().to_string()
    };
    let mut progress = Progress::of_reading(&name, length, show_progress);
    let mut reader = Checked::new(reader);
    let capture = wire::read_capture(&mut reader, &settings.capture, &mut |bytes| {
        progress.at(bytes);
    })
    .map_err(|source| Error::wire(path, source))?;
    let format = capture.format.to_string();
    let source = source_of(path, reader, SourceRole::Capture, Some(format))?;
    Ok((capture, source))
}

fn read_log(path: &Path, settings: &ReadSettings) -> Result<(Vec<wire::Request>, Source), Error> {
    let (reader, _) = input::open(path)?;
    let mut reader = Checked::new(reader);
    let log = wire::read_requests(&mut reader, &settings.capture.columns)
        .map_err(|source| Error::wire(path, source))?;
    let source = source_of(path, reader, SourceRole::Requests, None)?;
    Ok((log, source))
}

/// Keeps the requests in the directions that the capture shows, and says how many were left out: a
/// request for another line is not missing, for nobody looked. A `--direction` stands for the one line.
fn keep_captured(
    log: &mut Vec<wire::Request>,
    path: &Path,
    capture: &Capture,
    settings: &ReadSettings,
) -> Result<Option<String>, Error> {
    let mapped: Option<Vec<Direction>> = match settings.direction {
        Some(direction) => Some(vec![direction]),
        None => capture.channels.iter().map(|c| c.direction).collect(),
    };
    let Some(shown) = mapped else { return Ok(None) };
    let before = log.len();
    log.retain(|request| request.direction.is_none_or(|d| shown.contains(&d)));
    let names: Vec<&str> = shown.iter().map(|d| d.name()).collect();
    if log.is_empty() && before > 0 {
        return Err(Error::Usage(format!(
            "{}: found no request for {}, which is all that the capture shows; check --map, --direction and the log",
            path.display(),
            names.join(" or ")
        )));
    }
    if settings.direction.is_some() {
        // The one channel has no direction of its own to agree with.
        for request in log.iter_mut() {
            request.direction = None;
        }
    }
    let left_out = before - log.len();
    Ok((left_out > 0).then(|| {
        format!(
            "{} for other directions than {} were left out.",
            chain::plural(left_out as u64, "request"),
            names.join(" and ")
        )
    }))
}

fn source_of<R: std::io::Read>(
    path: &Path,
    reader: Checked<R>,
    role: SourceRole,
    format: Option<String>,
) -> Result<Source, Error> {
    let checksum = reader
        .finish()
        .map_err(|error| Error::file(path, "reading", error, "check the file and the disk"))?;
    Ok(Source {
        role,
        path: path.display().to_string(),
        sha256: checksum.sha256,
        bytes: checksum.bytes,
        format,
    })
}

fn match_one(
    path: &Path,
    capture: &Capture,
    log: Option<&[wire::Request]>,
    settings: &ReadSettings,
) -> Result<Matching, Error> {
    let source = match log {
        Some(log) => RequestSource::Log(log),
        None => RequestSource::List(&settings.requested_ms),
    };
    if capture.measured.is_none() && log.is_none() && settings.requested_ms.is_empty() {
        return Err(Error::Usage(format!(
            "{}: found {} and no word of what was asked for; say it with --requested (50ms,250ms,500ms, say) or with --requests and a log of what was sent",
            path.display(),
            chain::plural(capture.pulses.len() as u64, "pulse"),
        )));
    }
    let options = MatchOptions {
        shared_clock: settings.shared_clock,
        max_delay_s: settings.max_delay_s,
    };
    wire::match_pulses(capture, source, &options).map_err(|source| Error::wire(path, source))
}

/// What is known of the instrument from the capture and the options.
fn instrument_of(capture: &Capture, settings: &ReadSettings) -> Instrument {
    let sampling = match capture.format {
        Format::Vcd | Format::EdgesCsv => Sampling::Edges,
        Format::SamplesCsv | Format::Wav => {
            let slowest = capture
                .channels
                .iter()
                .filter_map(|c| c.levels?.transition_s)
                .reduce(f64::max);
            Sampling::Interpolated {
                transition_s: slowest,
            }
        }
        Format::PulsesCsv => Sampling::Widths,
    };
    Instrument {
        resolution_ms: capture.resolution_s * 1000.0,
        sampling,
        timebase_ppm: settings.timebase_ppm,
        edge_ms: settings.edge_uncertainty_ms,
    }
}

/// The instrument with the coarser resolution stands for both.
fn worse(a: Instrument, b: Instrument) -> Instrument {
    if b.resolution_ms > a.resolution_ms {
        b
    } else {
        a
    }
}

fn report(path: &Path, capture: &Capture, found: &Matching) -> CaptureReport {
    CaptureReport {
        path: path.display().to_string(),
        format: capture.format.to_string(),
        coupling: capture.coupling,
        channels: capture.channels.clone(),
        duration_s: capture.duration_s(),
        resolution_ms: capture.resolution_s * 1000.0,
        notes: capture.notes.iter().chain(&found.notes).cloned().collect(),
    }
}

/// Appends what the capture at place `index` gave to what the captures before it gave.
fn join(all: &mut Matching, next: Matching, index: usize) {
    if index == 0 {
        *all = next;
        return;
    }
    let sum = |a: Option<u64>, b: Option<u64>| a.zip(b).map(|(a, b)| a + b);
    let (a, b) = (&mut all.outcomes, &next.outcomes);
    a.requests = sum(a.requests, b.requests);
    a.missing = sum(a.missing, b.missing);
    a.delivered += b.delivered;
    a.extra += b.extra;
    a.broken += b.broken;
    a.cut += b.cut;
    a.clash += b.clash;
    a.bounces += b.bounces;
    a.dropped_short += b.dropped_short;
    let order = all.observations.len();
    let request = all.requests.len();
    all.observations
        .extend(next.observations.into_iter().map(|o| Observation {
            order: o.order + order,
            request: o.request.map(|r| r + request),
            ..o
        }));
    all.requests.extend(next.requests);
    all.extras.extend(next.extras);
    all.broken.extend(next.broken);
}
