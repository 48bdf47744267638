//! A run that was recorded: what is sure of it, and how sure.

use crate::link::Identity;
use chain::{BudgetRow, Instrument, Sampling};
use wire::{Capture, MatchOptions, Matching, Request, RequestSource, WireError};

/// The greatest delay between an edge and its time stamp while the rig serves another interrupt, in
/// ms: the firmware's stated bound.
pub const LATENCY_MS: f64 = 0.005;
/// The same of a rig that is pins of a Linux computer, in ms: its interrupt latency is 10 to 50 us while it
/// is idle, and a few times that while others keep interrupts off (common practice, no source; not measured
/// here). docs/gpio.md.
pub const GPIO_LATENCY_MS: f64 = 0.2;
/// How the version of such a rig begins.
pub const GPIO_VERSION: &str = "gpio-";
/// How far the host's own clock may be off in rate, in ppm (common practice, no source).
pub const HOST_PPM: f64 = 50.0;
/// Counts of a run.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, serde::Serialize)]
pub struct RecordCounts {
    /// Edges received.
    pub edges: u64,
    /// Edges known to be lost, in the rig or on the line; a broken connection may have lost more.
    pub edges_lost: u64,
    /// Damaged lines.
    pub damaged: u64,
    /// Gaps in which edges may have been lost.
    pub gaps: u64,
    /// Whole pulses that a gap touches: dropped.
    pub pulses_dropped: u64,
    /// Requests that a gap touches, or of which it isn't known whether they were made: left out.
    pub requests_dropped: u64,
    /// Times the rig answered anew: after the start, a reset or a break of the connection.
    pub epochs: u64,
}

/// A run, ready to be summed up.
#[derive(Clone, PartialEq, Debug)]
pub struct Recorded {
    /// The requests that can be judged, by time, in host seconds.
    pub requests: Vec<Request>,
    /// The pulses on the same clock, in ns, and the channels.
    pub capture: Capture,
    /// How to match them.
    pub options: MatchOptions,
    /// Counts.
    pub counts: RecordCounts,
    /// Rate of the rig's clock: host seconds per nominal second, less one, with its range, of the
    /// longest epoch; `None` without an exchange.
    pub skew: Option<crate::clock::Bounded>,
    /// How far a leading edge may be off on the host's clock, in s, at most; `None` without an exchange.
    pub alignment_s: Option<f64>,
    /// The greatest uncertainty of a time of issue, in s.
    pub issue_s: f64,
    /// Nominal rate of the rig's counter.
    pub tick_hz: u32,
    /// The bound of the latency of its time stamps, in ms.
    pub latency_ms: f64,
}

/// The bound of the latency of a rig's time stamps, in ms.
pub(super) fn latency_ms(identity: &Identity) -> f64 {
    if identity.version.starts_with(GPIO_VERSION) {
        GPIO_LATENCY_MS
    } else {
        LATENCY_MS
    }
}

impl Recorded {
    /// Requests and pulses brought together.
    ///
    /// # Errors
    /// No request at all.
    pub fn matching(&self) -> Result<Matching, WireError> {
        wire::match_pulses(
            &self.capture,
            RequestSource::Log(&self.requests),
            &self.options,
        )
    }

    /// The rig as an instrument, for the uncertainty budget of widths: step of the counter, what is
    /// not known of its rate, and the latency of its time stamps.
    pub fn instrument(&self) -> Instrument {
        let skew = self
            .skew
            .map_or(crate::ticks::MOST_SKEW, |skew| skew.uncertainty());
        Instrument {
            resolution_ms: 1000.0 / f64::from(self.tick_hz.max(1)),
            sampling: Sampling::Edges,
            timebase_ppm: skew * 1e6 + HOST_PPM,
            edge_ms: Some(self.latency_ms),
        }
    }

    /// The rows of the budget of a start delay beside those of its scatter (JCGM 100:2008, 4.3.7: of a
    /// bound alone, rectangular): step, latency, alignment of the clocks, time of issue.
    pub fn delay_rows(&self) -> Vec<BudgetRow> {
        let row = BudgetRow::rectangular;
        let shown = |ms: f64| chain::significant(ms);
        let tick_ms = 1000.0 / f64::from(self.tick_hz.max(1));
        let mut rows = vec![
            row(
                "time stamp",
                0.5 * tick_ms,
                format!("half a step of {} ms / sqrt(3)", shown(tick_ms)),
            ),
            row(
                "latency",
                self.latency_ms,
                format!("at most {} ms, the rig's bound, / sqrt(3)", self.latency_ms),
            ),
        ];
        if let Some(alignment_s) = self.alignment_s {
            rows.push(row(
                "clock alignment",
                alignment_s * 1000.0,
                format!(
                    "range of all lines between the sync exchanges, {} ms / sqrt(3)",
                    shown(alignment_s * 1000.0)
                ),
            ));
        }
        rows.push(row(
            "time of issue",
            self.issue_s * 1000.0,
            format!(
                "half of what lies between just before and just after the act, {} ms at most / sqrt(3)",
                shown(self.issue_s * 1000.0)
            ),
        ));
        rows
    }
}
