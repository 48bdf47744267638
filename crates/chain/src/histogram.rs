//! Counts of width errors in bins of one width, for a small figure. All groups of a run share their
//! bins, so that they can be drawn under one axis.

use serde::{Deserialize, Serialize};
use stats::Sorted;

/// Counts in bins of equal width.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Histogram {
    /// Lower end of the first bin, ms.
    pub low_ms: f64,
    /// Width of a bin, ms.
    pub bin_ms: f64,
    /// Values in each bin. A value on the edge of two bins counts in the upper.
    pub counts: Vec<u64>,
    /// Values below the first bin.
    pub below: u64,
    /// Values above the last bin.
    pub above: u64,
}

/// Bins that histograms share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bins {
    /// Lower end of the first bin, in bins from zero.
    first: f64,
    bin_ms: f64,
    count: usize,
}

/// The most bins that a histogram has.
const MOST_BINS: usize = 48;
/// Least width of a bin, ms: nothing is known better than a nanosecond.
const LEAST_BIN_MS: f64 = 1e-6;

impl Bins {
    /// Bins over the middle 98 % of `values` and a tenth of that on either side: one straggler must
    /// not squeeze all others into one bin. Their width is 1, 2 or 5 times a power of ten.
    pub fn over(values: &Sorted) -> Bins {
        let (low, high) = (
            stats::order::quantile(values, 0.01),
            stats::order::quantile(values, 0.99),
        );
        let margin = 0.1 * (high - low);
        let (low, high) = (
            (low - margin).max(values.min()),
            (high + margin).min(values.max()),
        );
        // Two bins may be cut by the ends.
        let bin_ms = round_up_125(((high - low) / (MOST_BINS as f64 - 2.0)).max(LEAST_BIN_MS));
        let first = (low / bin_ms).floor();
        let count = ((high / bin_ms).floor() - first) as usize + 1;
        Bins {
            first,
            bin_ms,
            count: count.clamp(1, MOST_BINS),
        }
    }
}

impl Histogram {
    /// Counts `values` in `bins`.
    pub fn new(values: &[f64], bins: &Bins) -> Histogram {
        let mut histogram = Histogram {
            low_ms: bins.first * bins.bin_ms,
            bin_ms: bins.bin_ms,
            counts: vec![0; bins.count],
            below: 0,
            above: 0,
        };
        for value in values {
            let place = (value / bins.bin_ms).floor() - bins.first;
            if place < 0.0 {
                histogram.below += 1;
            } else if place as usize >= bins.count {
                histogram.above += 1;
            } else {
                histogram.counts[place as usize] += 1;
            }
        }
        histogram
    }
}

/// The least of 1, 2, 5, 10 times a power of ten that is at least `value`.
fn round_up_125(value: f64) -> f64 {
    let power = 10f64.powf(value.log10().floor());
    let mantissa = value / power;
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|step| mantissa <= step * (1.0 + 1e-9))
        .unwrap_or(10.0);
    step * power
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_value_is_counted_once(values in prop::collection::vec(-1e4f64..1e4, 1..300)) {
            let n = values.len() as u64;
            let bins = Bins::over(&Sorted::new(values.clone()).unwrap());
            let histogram = Histogram::new(&values, &bins);
            let inside: u64 = histogram.counts.iter().sum();
            prop_assert_eq!(inside + histogram.below + histogram.above, n);
            prop_assert!(histogram.counts.len() <= MOST_BINS);
            prop_assert!(histogram.bin_ms > 0.0);
        }
    }

    #[test]
    fn equal_values_fill_one_bin() {
        let values = vec![12.0; 40];
        let bins = Bins::over(&Sorted::new(values.clone()).unwrap());
        assert_eq!(Histogram::new(&values, &bins).counts, [40]);
    }

    #[test]
    fn bins_are_round_numbers() {
        assert_eq!(round_up_125(0.3), 0.5);
        assert_eq!(round_up_125(1.0), 1.0);
        assert!((round_up_125(0.021) - 0.05).abs() < 1e-15);
        assert_eq!(round_up_125(6.0), 10.0);
    }
}
