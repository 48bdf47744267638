//! Trials in parallel: the same bits for the same seed on any number of threads, for each trial is
//! computed alone and the results are put together in the order of the trials.

use crate::error::ServoError;
use crate::loop_sim::{AxisTrial, LoopCase, PreparedAxis, Scratch};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Trials that a thread takes at a time.
const BATCH: usize = 8;

/// How many trials, from which seed, on how many threads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trials {
    /// Seed of all random numbers.
    pub seed: u64,
    /// Number of trials.
    pub count: usize,
    /// Number of threads; 0 takes as many as the machine has.
    pub threads: usize,
}

impl Trials {
    /// `count` trials from `seed` on all the machine's processors.
    pub fn new(seed: u64, count: usize) -> Self {
        Self {
            seed,
            count,
            threads: 0,
        }
    }
}

/// Computes `work(0), ..., work(count - 1)` on `threads` threads (0: all), each thread with its own
/// buffer made by `buffer`. The order of the results is that of the numbers.
pub fn parallel<T: Send, B>(
    count: usize,
    threads: usize,
    buffer: impl Fn() -> B + Sync,
    work: impl Fn(&mut B, usize) -> T + Sync,
) -> Vec<T> {
    let machine = || std::thread::available_parallelism().map_or(1, |n| n.get());
    let threads = if threads == 0 { machine() } else { threads };
    let threads = threads.clamp(1, count.div_ceil(BATCH).max(1));
    let next = AtomicUsize::new(0);
    let take = || {
        let mut own = buffer();
        let mut done: Vec<(usize, Vec<T>)> = Vec::new();
        loop {
            let from = next.fetch_add(BATCH, Ordering::Relaxed);
            if from >= count {
                return done;
            }
            let to = (from + BATCH).min(count);
            done.push((from, (from..to).map(|i| work(&mut own, i)).collect()));
        }
    };
    let mut batches: Vec<(usize, Vec<T>)> = if threads == 1 {
        take()
    } else {
        std::thread::scope(|scope| {
            let others: Vec<_> = (1..threads).map(|_| scope.spawn(take)).collect();
            let mut all = take();
            for other in others {
                match other.join() {
                    Ok(done) => all.extend(done),
                    Err(panic) => std::panic::resume_unwind(panic),
                }
            }
            all
        })
    };
    batches.sort_by_key(|b| b.0);
    batches.into_iter().flat_map(|b| b.1).collect()
}

/// Both axes of one trial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrialResult {
    /// Right ascension and declination.
    pub axes: [AxisTrial; 2],
    /// Covariance in arcsec^2 of the two axes' frame means over the long exposure.
    pub covariance: f64,
}

/// Both axes of a case, ready to run.
#[derive(Debug, Clone)]
pub struct PreparedLoop {
    /// Right ascension and declination.
    pub axes: [PreparedAxis; 2],
    /// Width in arcsec at half maximum of a perfectly tracked star.
    pub star_fwhm_arcsec: f64,
}

impl PreparedLoop {
    /// Checks and prepares a case.
    ///
    /// # Errors
    /// [`ServoError`] for values without sense: see the fields of [`LoopCase`].
    pub fn new(case: &LoopCase) -> Result<Self, ServoError> {
        crate::error::above_zero(
            "width of a perfectly tracked star in arcsec",
            case.star_fwhm_arcsec,
            "a width above 0 is expected",
        )?;
        let chain = Arc::new(case.chain.prepare()?);
        Ok(Self {
            axes: [
                PreparedAxis::new(case, 0, &chain)?,
                PreparedAxis::new(case, 1, &chain)?,
            ],
            star_fwhm_arcsec: case.star_fwhm_arcsec,
        })
    }

    /// Runs one trial of both axes.
    pub fn run(&self, seed: u64, trial: u64, scratch: &mut [Scratch; 2]) -> TrialResult {
        let [ra, dec] = scratch;
        let axes = [
            self.axes[0].run(seed, trial, ra),
            self.axes[1].run(seed, trial, dec),
        ];
        TrialResult {
            axes,
            covariance: covariance(&ra.frame_errors, &dec.frame_errors),
        }
    }

    /// Runs all trials; the result is in the order of the trials.
    pub fn run_all(&self, trials: &Trials) -> Vec<TrialResult> {
        parallel(
            trials.count,
            trials.threads,
            <[Scratch; 2]>::default,
            |s, i| self.run(trials.seed, i as u64, s),
        )
    }
}

fn covariance(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len().min(y.len());
    if n == 0 {
        return 0.0;
    }
    let (mut sx, mut sy, mut sxy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        sx += a;
        sy += b;
        sxy += a * b;
    }
    let n = n as f64;
    sxy / n - (sx / n) * (sy / n)
}
