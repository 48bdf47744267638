//! Runs for the tests of a book.

// Each test file uses its own part of this.
#![allow(dead_code)]

use book::{Book, BookError, NewRun, Source, SourceRole};
use chain::{Instrument, RunData, RunSummary, Sampling};
use wire::{Direction, Matching, Observation, Outcomes, Stray};

/// A run of `n` pulses.
pub fn matching(n: usize) -> Matching {
    let observations: Vec<Observation> = (0..n)
        .map(|i| Observation {
            direction: Some(Direction::ALL[i % 4]),
            requested_ms: [50.0, 250.0][i % 2],
            // A third is no binary fraction: it must come back with every bit.
            width_ms: [50.0, 250.0][i % 2] + 10.0 + (i as f64) / 3.0,
            start_s: Some(i as f64 * 1.1),
            issued_s: (i % 3 == 0).then_some(i as f64),
            start_delay_ms: (i % 3 == 0).then_some(0.1 * i as f64),
            order: i,
            bridged: (i % 5) as u32,
            request: Some(i),
        })
        .collect();
    Matching {
        outcomes: Outcomes {
            requests: Some(n as u64 + 1),
            delivered: n as u64,
            missing: Some(1),
            extra: 1,
            ..Outcomes::default()
        },
        extras: vec![Stray {
            direction: None,
            width_ms: 3.25,
            start_s: 17.5,
            requested_ms: None,
        }],
        observations,
        ..Matching::default()
    }
}

/// Its summary.
pub fn summary(matching: &Matching) -> RunSummary {
    chain::summarise(&RunData {
        observations: &matching.observations,
        outcomes: matching.outcomes,
        instrument: Instrument {
            resolution_ms: 0.001,
            sampling: Sampling::Edges,
            timebase_ppm: 100.0,
            edge_ms: None,
        },
        warnings: &[],
        seed: 1,
    })
    .unwrap()
}

/// Stores it, with a note and a source.
pub fn add(book: &mut Book, chain: &str, matching: &Matching) -> Result<i64, BookError> {
    book.add_run(&NewRun {
        chain,
        notes: &[("cable".into(), "5 m".into())],
        stored_at: "2026-01-02T03:04:05Z",
        program: "0.0.0",
        settings: r#"{"a":1}"#,
        reading: "[]",
        summary: &summary(matching),
        sources: &[Source {
            role: SourceRole::Capture,
            path: "port.vcd".into(),
            sha256: "0".repeat(64),
            bytes: 123,
            format: Some("vcd".into()),
        }],
        matching,
    })
}
