//! The bootstrap: exact for medians and trimmed means, by resampling with BCa intervals for the
//! rest.

mod bca;
mod median;
mod trimmed;

pub use bca::{LARGEST_RESAMPLED, MomentIntervals, bca, bca_moments};
pub use median::exact_median;
pub use trimmed::{LARGEST_EXACT_TRIMMED, exact_trimmed_mean};

/// Mean and standard error of a statistic over all n^n equally likely resamples, in the unit of
/// the data: what a bootstrap with infinitely many resamples would give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExactBootstrap {
    /// Mean of the statistic over the resamples.
    pub mean: f64,
    /// Standard deviation of the statistic over the resamples.
    pub standard_error: f64,
}

/// All n^n resamples, for tests: mean and standard deviation of a statistic of the sorted
/// resample.
#[cfg(test)]
fn enumerate(values: &[f64], statistic: impl Fn(&[f64]) -> f64) -> (f64, f64) {
    let n = values.len();
    let all = n.pow(n as u32);
    let results: Vec<f64> = (0..all)
        .map(|mut code| {
            let mut resample: Vec<f64> = (0..n)
                .map(|_| {
                    let v = values[code % n];
                    code /= n;
                    v
                })
                .collect();
            resample.sort_by(f64::total_cmp);
            statistic(&resample)
        })
        .collect();
    let mean = results.iter().sum::<f64>() / all as f64;
    let variance = results.iter().map(|r| (r - mean) * (r - mean)).sum::<f64>() / all as f64;
    (mean, variance.sqrt())
}
