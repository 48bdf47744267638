//! Trials in parallel: the same bits for the same seed on any number of threads and in any lane, for
//! no trial's numbers enter another's and the results are put together in the order of the trials.

use crate::error::ServoError;
use crate::loop_sim::{AxisTrial, LoopCase, PreparedAxis, Scratch};
use crate::stream::LANES;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

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
    let threads = threads.clamp(1, count.max(1));
    let next = AtomicUsize::new(0);
    let take = || {
        let mut own = buffer();
        let mut done: Vec<(usize, T)> = Vec::new();
        loop {
            let i = next.fetch_add(1, Ordering::Relaxed);
            if i >= count {
                return done;
            }
            done.push((i, work(&mut own, i)));
        }
    };
    let mut all: Vec<(usize, T)> = if threads == 1 {
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
    all.sort_by_key(|done| done.0);
    all.into_iter().map(|done| done.1).collect()
}

/// As [`parallel`] for `count` trials of which [`LANES`] run side by side: `work` is told the first
/// of them. What the last ones run past `count` is dropped.
pub fn in_lanes<T: Send, B>(
    count: usize,
    threads: usize,
    buffer: impl Fn() -> B + Sync,
    work: impl Fn(&mut B, u64) -> [T; LANES] + Sync,
) -> Vec<T> {
    let first = |group: usize| (group * LANES) as u64;
    let groups = parallel(count.div_ceil(LANES), threads, buffer, |own, group| {
        work(own, first(group))
    });
    groups.into_iter().flatten().take(count).collect()
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

    /// Runs the trials side by side from trial `first`, both axes of each.
    pub fn run(&self, seed: u64, first: u64, scratch: &mut [Scratch; 2]) -> [TrialResult; LANES] {
        let [ra, dec] = scratch;
        let axes = [
            self.axes[0].run(seed, first, ra),
            self.axes[1].run(seed, first, dec),
        ];
        std::array::from_fn(|lane| TrialResult {
            axes: axes.map(|trials| trials[lane]),
            covariance: covariance(&ra.frame_errors[lane], &dec.frame_errors[lane]),
        })
    }

    /// Runs all trials; the result is in the order of the trials.
    pub fn run_all(&self, trials: &Trials) -> Vec<TrialResult> {
        in_lanes(
            trials.count,
            trials.threads,
            <[Scratch; 2]>::default,
            |scratch, first| self.run(trials.seed, first, scratch),
        )
    }
}

pub(crate) fn covariance(x: &[f64], y: &[f64]) -> f64 {
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
