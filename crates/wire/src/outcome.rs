//! What became of each request and of each pulse.

use serde::{Deserialize, Serialize};

use crate::capture::Warning;
use crate::direction::Direction;

/// A request that was delivered, with its pulse.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Observation {
    /// Direction of the pulse, or else of the request.
    pub direction: Option<Direction>,
    /// Requested width, in ms.
    pub requested_ms: f64,
    /// Measured width, in ms.
    pub width_ms: f64,
    /// Leading edge on the clock of the capture, in seconds; `None` only where a CSV of pulses
    /// doesn't give it.
    pub start_s: Option<f64>,
    /// Time of issue on the clock of the requests, in seconds.
    pub issued_s: Option<f64>,
    /// Leading edge minus time of issue, in ms; `None` unless both share a clock.
    pub start_delay_ms: Option<f64>,
    /// Place among the observations in time, from 0.
    pub order: usize,
    /// Gaps inside the pulse that were taken for bounce.
    pub bridged: u32,
    /// Index of the request in the log, where there is one.
    pub request: Option<usize>,
}

/// Counts of each outcome. With a request log, `requests = delivered + missing + broken + cut`.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Outcomes {
    /// Requests in the log; `None` without one.
    pub requests: Option<u64>,
    /// Requests that came out as one whole pulse.
    pub delivered: u64,
    /// Requests without a pulse; `None` without a log: it can't be known.
    pub missing: Option<u64>,
    /// Pulses without a request.
    pub extra: u64,
    /// Requests that came out split by a gap.
    pub broken: u64,
    /// Requests that an end of the capture cuts; without a log: pulses that it cuts.
    pub cut: u64,
    /// Pairs of pulses of opposite directions of one axis that overlap in time.
    pub clash: u64,
    /// Gaps that were taken for bounce.
    pub bounces: u64,
    /// Pulses dropped for being too short.
    pub dropped_short: u64,
}

/// What became of one request of a log. Pulses are given by their index in the capture.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RequestOutcome {
    /// One whole pulse.
    Delivered {
        /// Index in `Capture::pulses`.
        pulse: usize,
    },
    /// Two or three pulses with gaps between.
    Broken {
        /// Index of the first in `Capture::pulses`.
        first: usize,
        /// How many there are.
        pulses: usize,
    },
    /// Cut by an end of the capture.
    Cut,
    /// No pulse.
    Missing,
}

/// A pulse, or a broken one, that is no observation.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Stray {
    /// Direction, where known.
    pub direction: Option<Direction>,
    /// Width in ms, from the first leading to the last trailing edge.
    pub width_ms: f64,
    /// First leading edge, in seconds.
    pub start_s: f64,
    /// The request that it belongs to, in ms; `None` of an extra pulse.
    pub requested_ms: Option<f64>,
}

/// Requests and pulses brought together.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Matching {
    /// The delivered requests, in time.
    pub observations: Vec<Observation>,
    /// The counts.
    pub outcomes: Outcomes,
    /// With a log: the outcome of each request, in its order.
    pub requests: Vec<RequestOutcome>,
    /// Pulses without a request, in time.
    pub extras: Vec<Stray>,
    /// Broken requests, in time.
    pub broken: Vec<Stray>,
    /// With a log of times on another clock: what was added to a time of issue to compare it with
    /// the capture, in seconds. It holds the unknown median start delay as well.
    pub clock_offset_s: Option<f64>,
    /// What was chosen automatically, a sentence each.
    pub notes: Vec<String>,
    /// What may spoil the result.
    pub warnings: Vec<Warning>,
}
