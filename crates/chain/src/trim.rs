//! The trim: what one must request to get the width that one wants.
//!
//! Fitted on a run, for a stated loss; in whole microseconds, so that a controller without floating
//! point gives exactly what this program gives.

mod carry;
mod curve;
mod export;
mod fit;

pub use carry::Carry;
pub use curve::{Curve, Knot};
pub use fit::fit_trim;

use serde::{Deserialize, Serialize};

/// A trim that leaves more than this share of the mean distance hardly helps.
const LEAST_HELP: f64 = 0.9;

/// What of the width error the trim brings to zero.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Loss {
    /// Its median: as many pulses too long as too short. The least mean distance from what was wanted.
    Median,
    /// Its mean: no drift over many corrections. The least mean square.
    Mean,
    /// A quantile of it, 0 to 1: only that share of the pulses comes out too short.
    Quantile(f64),
}

/// What becomes of a wanted width that is shorter than the chain delivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Below {
    /// Nothing is sent, and it is forgotten.
    Skip,
    /// The shortest is sent in its place.
    Floor,
    /// Nothing is sent, and it is added to the next.
    Carry,
}

/// What the trim leaves, on pulses that took no part in its fit, ms.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Residual {
    /// Pulses.
    pub n: u64,
    /// Median width error after the trim.
    pub median_ms: f64,
    /// Its distribution-free 95 % interval.
    pub median_ci95: Option<[f64; 2]>,
    /// Mean width error after the trim.
    pub mean_ms: f64,
    /// Mean distance from what was wanted, before the trim.
    pub mean_distance_before_ms: f64,
    /// The same after it.
    pub mean_distance_after_ms: f64,
}

/// A trim and what it is worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trim {
    /// What it does, in plain words.
    pub answer: String,
    /// What it brings to zero.
    pub loss: Loss,
    /// From the wanted to the requested width.
    pub curve: Curve,
    /// Width error at a requested width of 0 by the straight line, ms.
    pub offset_ms: f64,
    /// Its change with the requested width, ms/ms.
    pub scale: f64,
    /// Whether the straight line was not enough, and each width tried has its own place on the curve.
    pub refined: bool,
    /// Wanted widths shorter than this are not delivered as such, us.
    pub shortest_us: u32,
    /// What becomes of them.
    pub below: Below,
    /// Shortest and longest width that was requested in the run, ms: beyond, the trim is a guess.
    pub tried_ms: [f64; 2],
    /// What it leaves, by cross-validation.
    pub residual: Residual,
    /// What may spoil it, and what to do about it.
    pub warnings: Vec<wire::Warning>,
}

impl Trim {
    /// Whether it takes away a tenth of the mean distance from what was wanted, or more. A quantile is
    /// chosen for something else, and always counts.
    pub fn helps(&self) -> bool {
        let r = &self.residual;
        matches!(self.loss, Loss::Quantile(_))
            || r.mean_distance_after_ms < LEAST_HELP * r.mean_distance_before_ms
    }

    /// The width to request for a wanted one, us: 0 where nothing is to be sent. A width that is
    /// carried is 0 here; [`Carry`] keeps it.
    pub fn request_us(&self, wanted_us: u32) -> u32 {
        if wanted_us == 0 {
            return 0;
        }
        if wanted_us >= self.shortest_us {
            return self.curve.request_us(wanted_us);
        }
        match self.below {
            Below::Skip | Below::Carry => 0,
            Below::Floor => self.curve.request_us(self.shortest_us),
        }
    }
}
