//! Progress bars with the time left, on work that takes more than a second.

use std::cell::RefCell;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// How long work goes on before it shows progress.
const PATIENCE: Duration = Duration::from_secs(1);

/// Layouts of the bar: reads of known and unknown length, and work that is told in shares.
const KNOWN: &str = "{msg} {bar:30} {bytes} of {total_bytes}, {bytes_per_sec}, {eta} left";
const UNKNOWN: &str = "{msg} {bytes}, {bytes_per_sec}";
const WORK: &str = "{msg} {bar:30} {percent} %, {eta} left";

/// Steps of a bar that is told in shares.
const STEPS: u64 = 1000;

/// A progress bar on standard error.
pub struct Progress {
    bar: ProgressBar,
    begun: Instant,
    shown: bool,
    enabled: bool,
}

impl Progress {
    /// Progress of reading `name` (of `length` bytes, where known); never shown unless `enabled`.
    pub fn of_reading(name: &str, length: Option<u64>, enabled: bool) -> Progress {
        let layout = if length.is_some() { KNOWN } else { UNKNOWN };
        Progress::new(layout, format!("reading {name}"), length, enabled)
    }

    fn new(layout: &str, message: String, length: Option<u64>, enabled: bool) -> Progress {
        // The layouts are constants that a test draws; the default does for anything else.
        let style =
            ProgressStyle::with_template(layout).unwrap_or_else(|_| ProgressStyle::default_bar());
        // Hidden at first, so that its rate is right by the time it shows.
        let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::hidden())
            .with_style(style)
            .with_message(message);
        Progress {
            bar,
            begun: Instant::now(),
            shown: false,
            enabled,
        }
    }

    /// So many bytes or steps are done.
    pub fn at(&mut self, done: u64) {
        if !self.enabled {
            return;
        }
        self.bar.set_position(done);
        if !self.shown && self.begun.elapsed() > PATIENCE {
            self.shown = true;
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Does `work`, which tells the share that is done, from 0 to 1, under a bar.
pub fn with_progress<T>(message: &str, enabled: bool, work: impl FnOnce(&dyn Fn(f64)) -> T) -> T {
    let progress = RefCell::new(Progress::new(
        WORK,
        message.to_owned(),
        Some(STEPS),
        enabled,
    ));
    work(&|share| {
        let done = (share.clamp(0.0, 1.0) * STEPS as f64) as u64;
        progress.borrow_mut().at(done);
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_layouts_of_the_bar_are_sound() {
        for layout in [KNOWN, UNKNOWN, WORK] {
            assert!(ProgressStyle::with_template(layout).is_ok());
        }
        let mut progress = Progress::of_reading("x", Some(100), true);
        progress.at(50);
        assert_eq!(progress.bar.position(), 50);
        assert_eq!(with_progress("x", true, |at| at(0.5)), ());
    }
}
