//! The file of a live run: a line of JSON for its head and one for everything that happened.
//!
//! Lines are only ever added, each batch is on the disk before it is shown, and a line that a crash
//! left unfinished is left out when the file is read again.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{self, BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use book::{Source, SourceRole};
use chain::RunData;
use rig::journal::{Entry, Journal};
use rig::record::{EdgeSettings, Record};
use serde::{Deserialize, Serialize};
use wire::Direction;

use crate::error::Error;
use crate::input::Checked;
use crate::reading::{CaptureReport, Reading};

/// Version of the file that is written and read.
const VERSION: u32 = 1;
/// How the file begins.
const MARK: &str = "{\"pulsewright_record\":";
/// What the lab book calls its format.
pub const FORMAT: &str = "record";

/// The first line: all that the numbers depend on beside the entries.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Head {
    /// Version of the file.
    pub pulsewright_record: u32,
    /// Version of the program that began it.
    pub program: String,
    /// When, UTC, RFC 3339.
    pub begun_at: String,
    /// The chain's name.
    pub chain: String,
    /// What is known of the chain.
    pub notes: BTreeMap<String, String>,
    /// The chain file, as it was.
    pub chain_file: String,
    /// Direction of each input, the first for input 0.
    pub inputs: Vec<Direction>,
    /// Shorter gaps are bounce, s.
    pub bridge_s: f64,
    /// Shorter pulses are dropped, s.
    pub min_pulse_s: f64,
    /// Longest start delay, s.
    pub max_delay_s: f64,
}

impl Head {
    /// A head with these settings of the edges.
    pub fn new(
        chain: &str,
        chain_file: &str,
        notes: &[(String, String)],
        edges: &EdgeSettings,
    ) -> Head {
        Head {
            pulsewright_record: VERSION,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            begun_at: crate::library::now(),
            chain: chain.to_owned(),
            notes: notes.iter().cloned().collect(),
            chain_file: chain_file.to_owned(),
            inputs: edges.inputs.clone(),
            bridge_s: edges.bridge_s,
            min_pulse_s: edges.min_pulse_s,
            max_delay_s: edges.max_delay_s,
        }
    }

    /// How edges are taken.
    pub fn edges(&self) -> EdgeSettings {
        EdgeSettings {
            inputs: self.inputs.clone(),
            bridge_s: self.bridge_s,
            min_pulse_s: self.min_pulse_s,
            max_delay_s: self.max_delay_s,
        }
    }
}

/// An open record, to which entries are added; nobody else can add to it meanwhile.
#[derive(Debug)]
pub struct RecordFile {
    file: File,
    path: PathBuf,
    buffer: Vec<u8>,
}

impl RecordFile {
    /// Makes a new record; an existing file is not replaced.
    ///
    /// # Errors
    /// [`Error::File`] where it is there or can't be made.
    pub fn create(path: &Path, head: &Head) -> Result<RecordFile, Error> {
        let failed = |error: io::Error| {
            let advice = match error.kind() {
                io::ErrorKind::AlreadyExists => {
                    "it is not replaced; name another with -o, or go on with it by --resume"
                }
                _ => "check the folder, its permissions and the space on the disk",
            };
            Error::file(path, "beginning the record", error, advice)
        };
        let opened = OpenOptions::new().write(true).create_new(true).open(path);
        let mut record = RecordFile::locked(path, opened.map_err(failed)?)?;
        let mut line = serde_json::to_vec(head)?;
        line.push(b'\n');
        record
            .file
            .write_all(&line)
            .and_then(|()| record.file.sync_all())
            .map_err(failed)?;
        Ok(record)
    }

    /// Opens a record to go on with it: what was kept of it, and a place to keep more. A line that was
    /// left unfinished is cut off.
    ///
    /// # Errors
    /// As [`load`]; [`Error::Usage`] where another program is recording into it.
    pub fn resume(path: &Path) -> Result<(Loaded, RecordFile), Error> {
        let failed = |error| {
            Error::file(
                path,
                "opening the record",
                error,
                "name the record that was begun, and check its permissions",
            )
        };
        let opened = OpenOptions::new().read(true).write(true).open(path);
        let mut record = RecordFile::locked(path, opened.map_err(failed)?)?;
        let loaded = load(path)?;
        record
            .file
            .set_len(loaded.whole_bytes)
            .and_then(|()| record.file.seek(SeekFrom::End(0)))
            .map_err(failed)?;
        Ok((loaded, record))
    }

    /// An open file, for this program alone.
    fn locked(path: &Path, file: File) -> Result<RecordFile, Error> {
        // On a file system without locks two programs on one record can't be kept apart.
        if let Err(std::fs::TryLockError::WouldBlock) = file.try_lock() {
            return Err(Error::Usage(format!(
                "{}: another program is recording into this file; let it end, or begin a new record",
                path.display()
            )));
        }
        Ok(RecordFile {
            file,
            path: path.to_owned(),
            buffer: Vec::new(),
        })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Journal for RecordFile {
    fn append(&mut self, entries: &[Entry]) -> io::Result<()> {
        self.buffer.clear();
        for entry in entries {
            serde_json::to_writer(&mut self.buffer, entry)?;
            self.buffer.push(b'\n');
        }
        self.file.write_all(&self.buffer)?;
        self.file.sync_data()
    }
}

/// A record as it was kept.
#[derive(Debug)]
pub struct Loaded {
    /// Its head.
    pub head: Head,
    /// Its entries.
    pub entries: Vec<Entry>,
    /// Bytes up to the end of its last whole line.
    whole_bytes: u64,
    /// The file, for the lab book.
    source: Source,
}

/// Whether the file is a record.
pub fn is_record(path: &Path) -> bool {
    let mut head = [0; MARK.len()];
    !crate::input::is_stdin(path)
        && File::open(path)
            .and_then(|mut file| io::Read::read_exact(&mut file, &mut head))
            .is_ok()
        && head == *MARK.as_bytes()
}

/// Reads a record.
///
/// # Errors
/// [`Error::File`] where it can't be read; [`Error::Usage`] with the line where it is no record of this
/// version.
pub fn load(path: &Path) -> Result<Loaded, Error> {
    let failed = |error| {
        Error::file(
            path,
            "reading the record",
            error,
            "check the file and the disk",
        )
    };
    let mut reader = BufReader::new(Checked::new(File::open(path).map_err(failed)?));
    let mut line = Vec::new();
    let mut number = 0;
    let mut whole_bytes = 0;
    let mut head: Option<Head> = None;
    let mut entries = Vec::new();
    loop {
        line.clear();
        let bytes = reader.read_until(b'\n', &mut line).map_err(failed)?;
        number += 1;
        // A line without its end was being written when the program or the computer went down.
        if bytes == 0 || line.last() != Some(&b'\n') {
            break;
        }
        let fault = |error: serde_json::Error| {
            Error::Usage(format!(
                "{}: line {number}: found something else than a line of a record ({error}); a record is not to be edited: take a copy that is whole",
                path.display()
            ))
        };
        match &head {
            None => {
                let version = serde_json::from_slice::<serde_json::Value>(&line)
                    .map_err(fault)?
                    .get("pulsewright_record")
                    .and_then(serde_json::Value::as_u64);
                if version != Some(u64::from(VERSION)) {
                    return Err(Error::Usage(match version {
                        Some(newer) => format!(
                            "{}: found a record of version {newer}, expected {VERSION}; it is of another pulsewright: update this one",
                            path.display()
                        ),
                        None => format!(
                            "{}: line 1: found no head of a record; name a file that `pulsewright record` wrote",
                            path.display()
                        ),
                    }));
                }
                head = Some(serde_json::from_slice(&line).map_err(fault)?);
            }
            Some(_) => entries.push(serde_json::from_slice(&line).map_err(fault)?),
        }
        whole_bytes += bytes as u64;
    }
    let head = head.ok_or_else(|| {
        Error::Usage(format!(
            "{}: found an empty record; name a file that `pulsewright record` wrote",
            path.display()
        ))
    })?;
    let checksum = reader.into_inner().finish().map_err(failed)?;
    Ok(Loaded {
        head,
        entries,
        whole_bytes,
        source: Source {
            role: SourceRole::Capture,
            path: path.display().to_string(),
            sha256: checksum.sha256,
            bytes: checksum.bytes,
            format: Some(FORMAT.to_owned()),
        },
    })
}

impl Loaded {
    /// The run as its entries tell it.
    pub fn record(&self) -> Record {
        Record::replay(self.head.edges(), &self.entries)
    }

    /// The run, summed up as a capture's would be.
    ///
    /// # Errors
    /// What the matching and the summary say: no pulse that can be relied on, say.
    pub fn reading(&self, seed: u64) -> Result<Reading, Error> {
        let path = Path::new(&self.source.path);
        let recorded = self.record().conclude();
        if recorded.requests.is_empty() {
            return Err(Error::Usage(format!(
                "{}: no request of this record can be relied on yet; go on with it: pulsewright record --resume {}",
                path.display(),
                path.display()
            )));
        }
        let matching = recorded
            .matching()
            .map_err(|source| Error::wire(path, source))?;
        let capture = &recorded.capture;
        let mut warnings = capture.warnings.clone();
        warnings.extend(matching.warnings.iter().cloned());
        let mut summary = chain::summarise(&RunData {
            observations: &matching.observations,
            outcomes: matching.outcomes,
            instrument: recorded.instrument(),
            warnings: &warnings,
            seed,
        })
        .map_err(|source| Error::Run {
            hint: "; check the wiring, and that the chain really sends pulses",
            files: self.source.path.clone(),
            source: Box::new(source),
        })?;
        if let Some(delay) = summary.start_delay.as_mut().filter(|delay| delay.absolute) {
            delay.budget = chain::delay_budget(&matching.observations, &recorded.delay_rows());
        }
        let counts = recorded.counts;
        if counts.requests_dropped > 0 {
            // Whoever reads one sentence must know how much of the run it rests on.
            summary.answer += &format!(
                " But {} of {} could not be measured, for edges or the rig were lost in their time.",
                chain::count(counts.requests_dropped),
                chain::plural(
                    recorded.requests.len() as u64 + counts.requests_dropped,
                    "request"
                )
            );
        }
        let mut notes = capture.notes.clone();
        notes.push(format!(
            "{} received, {} lost; {} damaged; the rig answered {}.",
            chain::plural(counts.edges, "edge"),
            chain::count(counts.edges_lost),
            chain::plural(counts.damaged, "line"),
            chain::plural(counts.epochs, "time")
        ));
        if let Some(skew) = recorded.skew {
            let pace = if skew.value < 0.0 { "fast" } else { "slow" };
            notes.push(format!(
                "Its clock runs {} ppm {pace} against this computer's (give or take {}), which is corrected.",
                chain::significant(skew.value.abs() * 1e6),
                chain::significant(skew.uncertainty() * 1e6)
            ));
        }
        notes.extend(matching.notes.iter().cloned());
        Ok(Reading {
            sources: vec![self.source.clone()],
            captures: vec![CaptureReport {
                path: self.source.path.clone(),
                format: FORMAT.to_owned(),
                coupling: None,
                channels: capture.channels.clone(),
                duration_s: capture.duration_s(),
                resolution_ms: capture.resolution_s * 1000.0,
                notes,
            }],
            matching,
            summary,
        })
    }
}
