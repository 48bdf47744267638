//! Pulses and requests as they come, for what is shown live; the journal's record decides in the end.

use std::collections::BTreeMap;

use stats::Sorted;
use wire::{Direction, Matching};

use super::LivePulse;
use crate::clock::Alignment;
use crate::tracker::TickPulse;

/// Confidence of the interval of the stop rule.
const CONFIDENCE: f64 = 0.95;
/// A pulse may seem to start so much before its request, in s, by the uncertainty of the clocks.
const EARLY_S: f64 = 0.05;

/// A request that has no pulse yet.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    index: u64,
    direction: Direction,
    width_ms: f64,
    asked_s: f64,
    issued_s: Option<f64>,
}

/// Requests in flight and errors so far.
#[derive(Debug, Default)]
pub(super) struct Live {
    waiting: Vec<Waiting>,
    /// Pulses told, each with its ticks, the latest last.
    told: Vec<(TickPulse, LivePulse)>,
    /// Width errors in ms of each direction and width, the bits of the width being its key.
    errors: BTreeMap<(Direction, u64), Vec<f64>>,
}

impl Live {
    /// Takes over what earlier legs measured.
    pub(super) fn take_over(&mut self, matching: &Matching) {
        for seen in &matching.observations {
            if let Some(direction) = seen.direction {
                self.group(direction, seen.requested_ms)
                    .push(seen.width_ms - seen.requested_ms);
            }
        }
    }

    fn group(&mut self, direction: Direction, width_ms: f64) -> &mut Vec<f64> {
        self.errors
            .entry((direction, width_ms.to_bits()))
            .or_default()
    }

    /// A request is about to be made.
    pub(super) fn asked(&mut self, index: u64, direction: Direction, width_ms: f64, at_s: f64) {
        self.waiting.push(Waiting {
            index,
            direction,
            width_ms,
            asked_s: at_s,
            issued_s: None,
        });
    }

    /// Its time of issue is known.
    pub(super) fn issued(&mut self, index: u64, issued_s: Option<f64>) {
        if let Some(waiting) = self.waiting.iter_mut().find(|w| w.index == index) {
            waiting.issued_s = issued_s;
        }
        let told = self.told.iter_mut().rev();
        for (_, pulse) in told.take_while(|(_, p)| p.index >= Some(index)) {
            if pulse.index == Some(index) {
                pulse.start_delay_ms = issued_s.map(|issued| (pulse.start_s - issued) * 1000.0);
            }
        }
    }

    /// It was not made.
    pub(super) fn forget(&mut self, index: u64) {
        self.waiting.retain(|w| w.index != index);
    }

    /// All requests in flight are of no use any more.
    pub(super) fn forget_all(&mut self) {
        self.waiting.clear();
    }

    /// Whether the request still waits for its pulse.
    pub(super) fn waits(&self, index: u64) -> bool {
        self.waiting.iter().any(|w| w.index == index)
    }

    /// Requests whose pulse can't come any more.
    pub(super) fn missing(&mut self, now_s: f64, max_delay_s: f64) -> Vec<u64> {
        let late = |w: &Waiting| {
            let from = w.issued_s.unwrap_or(w.asked_s);
            // Twice the width, for a pulse that is much too long is no missing one.
            now_s > from + 2.0 * w.width_ms / 1000.0 + max_delay_s
        };
        let missing: Vec<u64> = self
            .waiting
            .iter()
            .filter(|w| late(w))
            .map(|w| w.index)
            .collect();
        self.waiting.retain(|w| !late(w));
        missing
    }

    /// A pulse was timed.
    pub(super) fn closed(
        &mut self,
        pulse: TickPulse,
        alignment: &Alignment,
        tick_hz: u32,
        max_delay_s: f64,
    ) -> LivePulse {
        let start_s = alignment.host_s(pulse.start).value;
        let nominal_ms = (pulse.end - pulse.start) as f64 * 1000.0 / f64::from(tick_hz.max(1));
        let width_ms = nominal_ms * (1.0 + alignment.skew().value);
        let fits = |w: &Waiting| {
            let from = w.issued_s.unwrap_or(w.asked_s);
            w.direction == pulse.direction
                && start_s >= from - EARLY_S
                && (w.issued_s.is_none() || start_s <= from + max_delay_s)
        };
        let request = self
            .waiting
            .iter()
            .rposition(fits)
            .map(|i| self.waiting.remove(i));
        let live = LivePulse {
            index: request.map(|r| r.index),
            direction: pulse.direction,
            requested_ms: request.map(|r| r.width_ms),
            width_ms,
            start_s,
            start_delay_ms: request
                .and_then(|r| r.issued_s)
                .map(|issued| (start_s - issued) * 1000.0),
            bridged: pulse.bridged,
        };
        if let Some(request) = request {
            self.group(request.direction, request.width_ms)
                .push(width_ms - request.width_ms);
        }
        self.told.push((pulse, live));
        live
    }

    /// A pulse that was told is withdrawn.
    pub(super) fn withdrawn(&mut self, pulse: TickPulse) -> Option<LivePulse> {
        let place = self.told.iter().rposition(|(told, _)| *told == pulse)?;
        let (_, live) = self.told.remove(place);
        if let (Some(requested), Some(error)) = (live.requested_ms, live.error_ms()) {
            let group = self.group(live.direction, requested);
            if let Some(place) = group.iter().rposition(|e| *e == error) {
                group.remove(place);
            }
        }
        Some(live)
    }

    /// A withdrawn pulse that bounced on: its request waits again.
    pub(super) fn wait_again(&mut self, pulse: &LivePulse) {
        if let (Some(index), Some(width_ms)) = (pulse.index, pulse.requested_ms) {
            let issued_s = pulse
                .start_delay_ms
                .map(|delay| pulse.start_s - delay / 1000.0);
            self.waiting.push(Waiting {
                index,
                direction: pulse.direction,
                width_ms,
                asked_s: issued_s.unwrap_or(pulse.start_s),
                issued_s,
            });
        }
    }

    /// Whether the median of each of `groups` groups is known to `half_width_ms` either side.
    pub(super) fn is_precise(&self, groups: usize, half_width_ms: f64) -> bool {
        let precise = |errors: &Vec<f64>| {
            let interval = Sorted::new(errors.clone())
                .ok()
                .and_then(|sorted| stats::order::median_interval(&sorted, CONFIDENCE));
            interval.is_some_and(|found| found.interval.half_width() <= half_width_ms)
        };
        self.errors.len() >= groups && self.errors.values().all(precise)
    }
}
