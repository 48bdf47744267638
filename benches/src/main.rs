//! How fast it is, beside a peer and a limit, in one run: prints Markdown tables.
//!
//! Every figure is the median of several runs that are interleaved with those of its peer, so that
//! another program's load falls on both.

#[path = "../../crates/pulsewright/tests/browser/driver.rs"]
#[allow(dead_code)]
mod driver;
mod page;
mod program;
mod rig;
mod servo;
mod summary;
mod vcd;

use std::path::PathBuf;
use std::time::{Duration, Instant};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if let [mode, path] = args.as_slice() {
        // A child that reads one file, so that its peak memory can be told.
        if mode == "read-vcd" {
            return vcd::child(&PathBuf::from(path));
        }
    }
    let wanted = |name: &str| args.is_empty() || args.iter().any(|a| a == name);
    let folder = tempfile::tempdir().expect("a temporary folder");
    if wanted("vcd") {
        vcd::run(folder.path());
    }
    if wanted("summary") {
        summary::run(folder.path());
    }
    if wanted("servo") {
        servo::run(folder.path());
    }
    if wanted("rig") {
        rig::run(folder.path());
    }
    if wanted("program") {
        program::run(folder.path());
    }
    if wanted("page") {
        page::run(folder.path());
    }
}

/// How long `action` takes.
fn time<T>(action: impl FnOnce() -> T) -> (Duration, T) {
    let begun = Instant::now();
    let result = action();
    (begun.elapsed(), result)
}

/// The median of durations, in seconds.
fn median_s(mut times: Vec<Duration>) -> f64 {
    times.sort();
    times[times.len() / 2].as_secs_f64()
}
