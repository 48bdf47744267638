//! Comparison of samples: shift, dominance and spread of two, location of many, and the
//! correction for many tests.

mod groups;
mod shift;

pub use groups::{brown_forsythe, holm, kruskal_wallis};
pub use shift::{CliffsDelta, MannWhitney, Shift, cliffs_delta, hodges_lehmann, mann_whitney};
