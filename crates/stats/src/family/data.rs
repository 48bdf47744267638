//! What a fit looks at: the data in standard units, in cells where they are many or coarse.

use super::Family;
use crate::normality::mean_and_squares;
use crate::order::quantile;
use crate::tick::resolution;
use crate::{Sorted, StatsError, check};

/// Up to this many values a fit looks at every one of them.
const ALL_VALUES: usize = 8_192;

/// In about this many cells of consecutive order statistics more values are put.
const CELLS: usize = 2_048;

/// Cells for the comparison of starting places.
const ROUGH_CELLS: usize = 192;

/// Values on a lattice whose step is at least this share of the spread are fitted as counts
/// in rounding intervals. Below it, rounding adds less than 0.02 % to the variance
/// (Sheppard's step^2 / 12).
const COARSE_STEP: f64 = 0.05;

/// Nodes a rounding interval is looked at with.
const NODES: usize = 8;

/// Weighted places, ascending.
#[derive(Debug, Clone)]
pub(super) struct Cells {
    /// Places, in standard units.
    pub x: Vec<f64>,
    /// How many values each stands for.
    pub w: Vec<f64>,
}

/// Counts of values in rounding intervals.
#[derive(Debug, Clone)]
pub(super) struct Lattice {
    /// The step, in the unit of the data.
    pub step: f64,
    /// The distinct values, ascending.
    pub centers: Vec<f64>,
    /// How often each came.
    pub counts: Vec<f64>,
}

/// The data, prepared for fits.
#[derive(Debug, Clone)]
pub(super) struct Prepared<'a> {
    /// All values, ascending.
    pub sorted: &'a Sorted,
    /// Mean of all values.
    pub mean: f64,
    /// Maximum-likelihood standard deviation (divisor n).
    pub sd: f64,
    /// Origin of the standard units: the median.
    pub origin: f64,
    /// Scale of the standard units: interquartile range / 1.349, or the standard deviation
    /// where that is next to nothing.
    pub scale: f64,
    /// Smallest distance of a shift from the least value, in standard units.
    pub least_gap: f64,
    /// Smallest standard deviation of a part of the distribution, in standard units.
    pub least_sd: f64,
    /// What the optimizers look at.
    pub cells: Cells,
    /// Fewer cells, for comparing starts.
    pub rough: Cells,
    /// The counts, when the data are coarse.
    pub lattice: Option<Lattice>,
}

impl<'a> Prepared<'a> {
    /// Prepares at least 8 values, not all equal.
    pub fn new(sorted: &'a Sorted) -> Result<Self, StatsError> {
        let x = sorted.as_slice();
        check(x, 8)?;
        if sorted.min() == sorted.max() {
            return Err(StatsError::Degenerate("all values are equal"));
        }
        let n = x.len() as f64;
        let (mean, squares) = mean_and_squares(x);
        let sd = (squares / n).sqrt();
        let range = quantile(sorted, 0.75) - quantile(sorted, 0.25);
        // 1.349 is the interquartile range of a standard normal distribution.
        // So far apart the two scales are only where nearly all values are equal.
        let scale = if range > 1e-9 * sd { range / 1.349 } else { sd };
        if !(sd.is_finite() && sd > 0.0 && scale.is_finite() && scale > 0.0) {
            return Err(StatsError::Degenerate("the values' spread is out of range"));
        }
        let origin = quantile(sorted, 0.5);
        let step = if has_ties(x) { resolution(x) } else { None };
        let step_share = step.map_or(0.0, |s| s / scale);
        let lattice = step
            .filter(|_| step_share >= COARSE_STEP)
            .map(|step| Lattice::new(x, step));
        let cells = match &lattice {
            Some(lattice) => lattice.nodes(None, origin, scale),
            None => Cells::new(
                x,
                if x.len() > ALL_VALUES { CELLS } else { x.len() },
                origin,
                scale,
            ),
        };
        let rough = cells.merged(ROUGH_CELLS);
        Ok(Self {
            sorted,
            mean,
            sd,
            origin,
            scale,
            least_gap: (0.5 / n).max(0.5 * step_share),
            least_sd: 0.05f64.max(step_share),
            cells,
            rough,
            lattice,
        })
    }

    /// The place of `x` in standard units.
    pub fn standard(&self, x: f64) -> f64 {
        (x - self.origin) / self.scale
    }

    /// The family, given in standard units, in the unit of the data.
    pub fn unstandardized(&self, family: &Family) -> Family {
        let (o, s) = (self.origin, self.scale);
        match *family {
            Family::Normal { mean, sd } => Family::Normal {
                mean: o + s * mean,
                sd: s * sd,
            },
            Family::ShiftedLognormal { shift, mu, sigma } => Family::ShiftedLognormal {
                shift: o + s * shift,
                mu: mu + libm::log(s),
                sigma,
            },
            Family::ShiftedGamma {
                shift,
                shape,
                scale,
            } => Family::ShiftedGamma {
                shift: o + s * shift,
                shape,
                scale: s * scale,
            },
            Family::ShiftedWeibull {
                shift,
                shape,
                scale,
            } => Family::ShiftedWeibull {
                shift: o + s * shift,
                shape,
                scale: s * scale,
            },
            Family::ExponentiallyModifiedNormal { mean, sd, tau } => {
                Family::ExponentiallyModifiedNormal {
                    mean: o + s * mean,
                    sd: s * sd,
                    tau: s * tau,
                }
            }
            Family::TwoNormalMixture {
                weight,
                mean1,
                sd1,
                mean2,
                sd2,
            } => Family::TwoNormalMixture {
                weight,
                mean1: o + s * mean1,
                sd1: s * sd1,
                mean2: o + s * mean2,
                sd2: s * sd2,
            },
        }
    }
}

fn has_ties(sorted: &[f64]) -> bool {
    sorted.windows(2).any(|pair| pair[0] == pair[1])
}

impl Cells {
    /// About `most` cells of consecutive values, each standing for its mean: single values at
    /// both ends, ever more toward the middle, so that the tails are kept as they are.
    fn new(sorted: &[f64], most: usize, origin: f64, scale: f64) -> Self {
        let places: Vec<f64> = sorted.iter().map(|x| (x - origin) / scale).collect();
        let weights = vec![1.0; sorted.len()];
        Self {
            x: places,
            w: weights,
        }
        .merged(most)
    }

    /// The same mass in about `most` cells.
    fn merged(&self, most: usize) -> Self {
        let n = self.x.len();
        if n <= most {
            return self.clone();
        }
        // A cell holds the fraction c of the values between it and the nearer end, and no more
        // than its even share times two. With c = 8/most the tails take about half the cells.
        let share = 8.0 / most as f64;
        let cap = 2 * n / most;
        let mut cells = Self {
            x: Vec::with_capacity(most + most / 4),
            w: Vec::with_capacity(most + most / 4),
        };
        let mut i = 0;
        while i < n {
            let from_end = i.min(n - 1 - i);
            let count = ((from_end as f64 * share) as usize).min(cap).max(1);
            let end = (i + count).min(n);
            let weight: f64 = self.w[i..end].iter().sum();
            let moment: f64 = (i..end).map(|j| self.w[j] * self.x[j]).sum();
            if weight > 0.0 {
                cells.x.push(moment / weight);
                cells.w.push(weight);
            }
            i = end;
        }
        cells
    }
}

impl Lattice {
    /// Counts ascending values by the multiple of `step` that is nearest.
    fn new(sorted: &[f64], step: f64) -> Self {
        let mut lattice = Self {
            step,
            centers: Vec::new(),
            counts: Vec::new(),
        };
        let mut last = f64::NAN;
        for &x in sorted {
            let multiple = (x / step).round();
            match lattice.counts.last_mut() {
                Some(count) if multiple == last => *count += 1.0,
                _ => {
                    lattice.centers.push(multiple * step);
                    lattice.counts.push(1.0);
                    last = multiple;
                }
            }
        }
        lattice
    }

    /// Each count spread over its rounding interval: in proportion to the density of `family`
    /// (given in the unit of the data), or evenly.
    pub fn nodes(&self, family: Option<&Family>, origin: f64, scale: f64) -> Cells {
        let mut cells = Cells {
            x: Vec::with_capacity(NODES * self.centers.len()),
            w: Vec::with_capacity(NODES * self.centers.len()),
        };
        for (&center, &count) in self.centers.iter().zip(&self.counts) {
            let places: [f64; NODES] = std::array::from_fn(|i| {
                center + self.step * ((i as f64 + 0.5) / NODES as f64 - 0.5)
            });
            let mut weights = match family {
                Some(family) => places.map(|x| family.pdf(x)),
                None => [1.0; NODES],
            };
            let total: f64 = weights.iter().sum();
            if !(total.is_finite() && total > 0.0) {
                weights = [1.0; NODES];
            }
            let total: f64 = weights.iter().sum();
            for (x, w) in places.into_iter().zip(weights) {
                cells.x.push((x - origin) / scale);
                cells.w.push(count * w / total);
            }
        }
        cells
    }
}
