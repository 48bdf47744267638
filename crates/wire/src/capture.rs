//! What a reader makes of a capture.

use serde::{Deserialize, Serialize};

use crate::direction::Direction;
use crate::format::Format;
use crate::pulse_list::PulseList;
use crate::settings::{Coupling, Level};
use crate::time::TickLength;

/// What the wire did: one pulse, from its leading to its trailing edge at the 50 % reference level
/// (IEEE Std 181), in ticks of its capture. `end > start`.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Pulse {
    /// Direction of the line that it was on, where the capture names one.
    pub direction: Option<Direction>,
    /// Leading edge, in ticks.
    pub start: i64,
    /// Trailing edge, in ticks.
    pub end: i64,
    /// Gaps inside the pulse that were taken for bounce.
    pub bridged: u32,
}

/// The state levels of an analogue channel (IEEE Std 181), in volts; of a WAV in parts of full
/// scale.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct StateLevels {
    /// Level of the low state. AC-coupled: the median trough of the spikes.
    pub low: f64,
    /// Level of the high state. AC-coupled: the median peak of the spikes.
    pub high: f64,
    /// The level at which instants were taken: 50 % unless a threshold was given. AC-coupled: the
    /// base line (each instant is at 50 % of its own spike).
    pub reference: f64,
    /// Median duration of the transitions from 10 % to 90 %, or back, in seconds; `None` where no
    /// transition was seen whole.
    pub transition_s: Option<f64>,
}

/// One channel of a capture, as it was read.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Channel {
    /// Its name; in a VCD the whole one, with the scopes, such as `capture.DATA`.
    pub name: String,
    /// The direction it was mapped to.
    pub direction: Option<Direction>,
    /// The level between pulses, held longest or given.
    pub idle: Level,
    /// Changes from one known level to the other.
    pub edges: u64,
    /// Pulses measured; without the cut ones.
    pub pulses: u64,
    /// Analogue channels: the state levels.
    pub levels: Option<StateLevels>,
}

/// Something that may spoil the result, and what to do about it.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Warning {
    /// What was seen.
    pub text: String,
    /// What to do about it.
    pub advice: String,
}

impl Warning {
    /// A warning.
    pub fn new(text: impl Into<String>, advice: impl Into<String>) -> Warning {
        Warning {
            text: text.into(),
            advice: advice.into(),
        }
    }
}

/// A pulse that was measured by something else: a row of a CSV of pulses.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Measured {
    /// Direction, where given.
    pub direction: Option<Direction>,
    /// Requested width, in ms.
    pub requested_ms: f64,
    /// Measured width, in ms.
    pub width_ms: f64,
    /// Time of issue of the request, in seconds, where given.
    pub issued_s: Option<f64>,
    /// Leading edge, in seconds, where given.
    pub start_s: Option<f64>,
}

/// What was read from a capture: its pulses, and all that is needed to judge them.
#[derive(Clone, PartialEq, Debug)]
pub struct Capture {
    /// The format it was read as.
    pub format: Format,
    /// The length of a tick.
    pub tick: TickLength,
    /// The step of the time stamps actually used, in seconds: the greatest common divisor of the
    /// distances of the edges from the first. Sampled analogue data: the median sample interval (the
    /// instants are interpolated between samples, to much finer ticks).
    pub resolution_s: f64,
    /// The first instant of the capture, in ticks.
    pub begin: i64,
    /// The last instant of the capture, in ticks.
    pub end: i64,
    /// The channels read, in the order of the file or of the map.
    pub channels: Vec<Channel>,
    /// The pulses of all channels, by start.
    pub pulses: PulseList,
    /// Pulses that touch an end of the capture, by start; counted, never measured.
    pub cut: Vec<Pulse>,
    /// Gaps that were taken for bounce, in all channels.
    pub bounces: u64,
    /// Pulses dropped for being too short, in all channels.
    pub dropped_short: u64,
    /// Analogue captures: the coupling.
    pub coupling: Option<Coupling>,
    /// What was chosen automatically, a sentence each.
    pub notes: Vec<String>,
    /// What may spoil the result.
    pub warnings: Vec<Warning>,
    /// A CSV of pulses: its rows; `pulses` is empty then.
    pub measured: Option<Vec<Measured>>,
    /// Length of the input, in bytes.
    pub bytes: u64,
}

impl Capture {
    /// Width of `pulse` in ms.
    pub fn width_ms(&self, pulse: &Pulse) -> f64 {
        self.tick.ms(pulse.end.saturating_sub(pulse.start))
    }

    /// Leading edge of `pulse` in seconds.
    pub fn start_s(&self, pulse: &Pulse) -> f64 {
        self.tick.seconds(pulse.start)
    }

    /// From the first to the last instant, in seconds.
    pub fn duration_s(&self) -> f64 {
        self.tick.seconds(self.end.saturating_sub(self.begin))
    }
}
