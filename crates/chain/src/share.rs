//! A share of a count, with its interval.

use serde::{Deserialize, Serialize};

/// Two-sided 95 % point of the normal distribution.
const Z95: f64 = 1.959_963_984_540_054;

/// A share with its 95 % interval by the score method (Wilson 1927, JASA 22:209).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// How many.
    pub count: u64,
    /// Of how many.
    pub of: u64,
    /// The share, 0 to 1.
    pub share: f64,
    /// Its 95 % interval.
    pub ci95: [f64; 2],
}

impl Share {
    /// `count` of `of`, or `None` of nothing.
    ///
    /// ```
    /// // 1 of 10: Wilson's interval is 1.8 % to 40.4 % (Newcombe 1998, from memory).
    /// let share = chain::Share::new(1, 10).unwrap();
    /// assert!((share.ci95[0] - 0.0179).abs() < 1e-4 && (share.ci95[1] - 0.4042).abs() < 1e-4);
    /// ```
    pub fn new(count: u64, of: u64) -> Option<Share> {
        if of == 0 || count > of {
            return None;
        }
        let (n, p) = (of as f64, count as f64 / of as f64);
        let z2 = Z95 * Z95;
        let center = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
        let half = Z95 * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt() / (1.0 + z2 / n);
        Some(Share {
            count,
            of,
            share: p,
            ci95: [(center - half).max(0.0), (center + half).min(1.0)],
        })
    }
}
