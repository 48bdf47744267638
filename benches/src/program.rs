//! The program as a whole: how soon it is there, and how soon it shows a large run.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use book::{Book, NewRun};
use chain::{Instrument, RunData, Sampling};
use wire::{Matching, Outcomes};

use crate::{median_s, summary, time};

const STARTS: usize = 51;

pub fn run(folder: &Path) {
    let program = built();
    let once = |program: &Path, args: &[&str]| {
        let status = Command::new(program)
            .args(args)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .expect("the program runs");
        assert!(status.success());
    };
    let nothing = PathBuf::from("/bin/true");
    let (mut version, mut limit) = (Vec::new(), Vec::new());
    for _ in 0..STARTS {
        version.push(time(|| once(&program, &["--version"])).0);
        limit.push(time(|| once(&nothing, &[])).0);
    }
    let (version, limit) = (median_s(version), median_s(limit));

    let book = folder.join("book.sqlite");
    store(&book, 1, 1_000_000);
    let book = book.display().to_string();
    let show = median_s(
        (0..7)
            .map(|_| time(|| once(&program, &["show", "1", "--book", &book])).0)
            .collect(),
    );
    println!("### The program\n");
    println!("| what | median |\n|---|---|");
    println!(
        "| limit: start a program that does nothing | {:.1} ms |",
        limit * 1e3
    );
    println!("| `pulsewright --version` | {:.1} ms |", version * 1e3);
    println!(
        "| `pulsewright show` of a stored run of 1,000,000 pulses | {:.1} ms |",
        show * 1e3
    );
    println!();
}

/// The program that was built.
pub fn built() -> PathBuf {
    let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/pulsewright");
    assert!(
        program.exists(),
        "build the program first: cargo build --release"
    );
    program
}

/// A book with so many runs of `n` pulses, each of a chain of its own.
pub fn store(path: &Path, runs: usize, n: usize) {
    let observations = summary::observations(n);
    let outcomes = Outcomes {
        delivered: n as u64,
        ..Outcomes::default()
    };
    let summary = chain::summarise(&RunData {
        observations: &observations,
        outcomes,
        instrument: Instrument {
            resolution_ms: 0.001,
            sampling: Sampling::Edges,
            timebase_ppm: 100.0,
            edge_ms: None,
        },
        warnings: &[],
        seed: 1,
    })
    .expect("a good run");
    let matching = Matching {
        observations,
        outcomes,
        ..Matching::default()
    };
    let mut book = Book::open_or_create(path).expect("a new book");
    // The settings and the reading of a run of no capture: what `show` prints without them.
    let settings = r#"{"capture":{},"direction":null,"requested_ms":[],"shared_clock":false,"max_delay_s":2.0,"timebase_ppm":100.0,"edge_uncertainty_ms":null,"seed":1}"#;
    for run in 1..=runs {
        book.add_run(&NewRun {
            chain: &format!("bench-{run}"),
            notes: &[],
            stored_at: "2026-01-01T00:00:00Z",
            program: "bench",
            settings,
            reading: "[]",
            summary: &summary,
            sources: &[],
            matching: &matching,
        })
        .expect("space on the disk");
    }
}
