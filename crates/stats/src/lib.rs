//! Numbers in, numbers out: order statistics, robust location and scale, intervals, tests,
//! fits, regressions and spectra. No word of the domain is spoken here.
//!
//! Every function takes slices of finite `f64` and returns values or a [`StatsError`]; nothing
//! prints, reads a clock or opens a file. Whatever is random takes a seed and draws from
//! xoshiro256++, so that it gives the same numbers on every machine.

pub mod bootstrap;
pub mod compare;
pub mod density;
pub mod family;
pub mod moments;
pub mod normality;
pub mod order;
pub mod random;
pub mod regression;
pub mod robust;
pub mod special;
pub mod tick;
pub mod trend;

pub use order::Sorted;

/// Why a statistic can't be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// Fewer values than the statistic needs.
    #[error("{found} values, and at least {needed} are needed")]
    TooFew {
        /// How many values there were.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
    /// A value is NaN or infinite.
    #[error("value {index} (counted from 0) is not a finite number")]
    NotFinite {
        /// Position of the first such value.
        index: usize,
    },
    /// The data leave the statistic undefined: all values equal, say.
    #[error("{0}")]
    Degenerate(&'static str),
    /// An argument is out of its range.
    #[error("{0}")]
    BadArgument(&'static str),
}

/// A closed interval, in the units of the data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Whether `value` lies in the interval, ends included.
    pub fn contains(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// Half the width of the interval.
    pub fn half_width(&self) -> f64 {
        0.5 * (self.high - self.low)
    }
}

/// A test's statistic and its p-value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestResult {
    /// The statistic, as its source defines it.
    pub statistic: f64,
    /// The p-value.
    pub p_value: f64,
}

/// Checks that there are at least `needed` values and all are finite.
pub(crate) fn check(values: &[f64], needed: usize) -> Result<(), StatsError> {
    if values.len() < needed {
        return Err(StatsError::TooFew {
            found: values.len(),
            needed,
        });
    }
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(StatsError::NotFinite { index }),
        None => Ok(()),
    }
}
