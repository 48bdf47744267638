//! The full summary of a run: beside the same numbers from SciPy, and its growth with the pulses.

use std::path::Path;
use std::process::Command;

use chain::{Instrument, RunData, Sampling};
use stats::random::Random;
use wire::{Direction, Observation, Outcomes};

use crate::{median_s, time};

const ROUNDS: usize = 9;

pub fn run(folder: &Path) {
    let small = observations(1000);
    let file = folder.join("pulses.csv");
    let rows: String = small
        .iter()
        .map(|o| {
            format!(
                "{},{},{},{}\n",
                o.direction.map_or("", |d| d.name()),
                o.requested_ms,
                o.width_ms,
                o.start_s.unwrap_or(0.0)
            )
        })
        .collect();
    std::fs::write(&file, rows).expect("space on the disk");
    let ours = median_s((0..ROUNDS).map(|_| time(|| summarise(&small)).0).collect());
    let peer = scipy_s(&file);
    println!("### The full summary of a run\n");
    println!("| pulses | ours | SciPy | ratio |\n|---|---|---|---|");
    println!(
        "| 1,000 in 12 groups | {:.1} ms | {:.0} ms | {:.0} |",
        ours * 1e3,
        peer * 1e3,
        peer / ours
    );
    println!("\n| pulses | ours | ns for each n log2 n |\n|---|---|---|");
    for n in [10_000usize, 100_000, 1_000_000] {
        let data = observations(n);
        let rounds = if n > 500_000 { 5 } else { ROUNDS };
        let s = median_s((0..rounds).map(|_| time(|| summarise(&data)).0).collect());
        let per = s * 1e9 / (n as f64 * (n as f64).log2());
        println!("| {n} | {:.0} ms | {per:.1} |", s * 1e3);
    }
    println!();
}

fn summarise(observations: &[Observation]) -> String {
    chain::summarise(&RunData {
        observations,
        outcomes: Outcomes {
            delivered: observations.len() as u64,
            ..Outcomes::default()
        },
        instrument: Instrument {
            resolution_ms: 0.001,
            sampling: Sampling::Edges,
            timebase_ppm: 100.0,
            edge_ms: None,
        },
        warnings: &[],
        seed: 1,
    })
    .expect("a good run")
    .answer
}

/// Skewed errors with stragglers, four directions, three widths, to the microsecond.
pub fn observations(n: usize) -> Vec<Observation> {
    let mut random = Random::new(5);
    let mut now_s = 0.0;
    (0..n)
        .map(|order| {
            let requested_ms = [50.0, 250.0, 500.0][random.below(3) as usize];
            let direction = Direction::ALL[random.below(4) as usize];
            let error = 8.0
                + (1.3 + 0.5 * random.normal()).exp()
                + if random.uniform() < 0.03 { 20.0 } else { 0.0 };
            now_s += 0.4 + random.uniform();
            Observation {
                direction: Some(direction),
                requested_ms,
                width_ms: ((requested_ms + error) * 1000.0).round() / 1000.0,
                start_s: Some((now_s * 1e6f64).round() / 1e6),
                issued_s: None,
                start_delay_ms: None,
                order,
                bridged: 0,
                request: None,
            }
        })
        .collect()
}

/// Seconds that the script beside this file takes for the numbers alone.
fn scipy_s(file: &Path) -> f64 {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("summary_scipy.py");
    let output = Command::new(python)
        .arg(script)
        .arg(file)
        .output()
        .expect("Python with SciPy and statsmodels, named in PULSEWRIGHT_PYTHON");
    let text = String::from_utf8_lossy(&output.stdout);
    text.trim().parse().unwrap_or_else(|_| {
        panic!(
            "the script failed: {}",
            String::from_utf8_lossy(&output.stderr)
        )
    })
}
