//! Pulses to the nearest of a list of requested widths.

use crate::capture::{Capture, Pulse};
use crate::direction::Direction;
use crate::error::WireError;
use crate::outcome::{Matching, Observation, Outcomes, Stray};

/// A width is near a requested one where it differs by this share of it at most.
pub(crate) const NEAR: f64 = 0.5;

/// See [`crate::match_pulses`].
pub(crate) fn match_list(capture: &Capture, widths: &[f64]) -> Result<Matching, WireError> {
    if widths.is_empty() {
        return Err(WireError::setting(
            "requested widths",
            "",
            "at least one width",
        ));
    }
    if let Some(width) = widths.iter().find(|w| !(w.is_finite() && **w > 0.0)) {
        return Err(WireError::setting(
            "requested widths",
            width,
            "widths above 0 ms",
        ));
    }
    let mut widths = widths.to_vec();
    widths.sort_unstable_by(f64::total_cmp);
    widths.dedup();
    let mut matching = Matching {
        outcomes: Outcomes {
            cut: capture.cut.len() as u64,
            ..Outcomes::default()
        },
        ..Matching::default()
    };
    let directions = [None].into_iter().chain(Direction::ALL.map(Some));
    for direction in directions {
        let mut pulses = capture
            .pulses
            .iter()
            .filter(|pulse| pulse.direction == direction)
            .peekable();
        while let Some(pulse) = pulses.next() {
            let width_ms = capture.width_ms(&pulse);
            if let Some(requested_ms) = near(width_ms, &widths) {
                matching
                    .observations
                    .push(observation(capture, &pulse, requested_ms));
            } else if let Some((whole, requested_ms)) = pulses
                .peek()
                .and_then(|next| broken(capture, &pulse, next, &widths))
            {
                pulses.next();
                matching.broken.push(Stray {
                    requested_ms: Some(requested_ms),
                    ..stray(capture, &whole)
                });
            } else {
                matching.extras.push(stray(capture, &pulse));
            }
        }
    }
    matching.outcomes.delivered = matching.observations.len() as u64;
    matching.outcomes.broken = matching.broken.len() as u64;
    matching.outcomes.extra = matching.extras.len() as u64;
    Ok(matching)
}

/// The nearest of `widths` (ascending), where it is near; of two as near the smaller.
fn near(width_ms: f64, widths: &[f64]) -> Option<f64> {
    let above = widths.partition_point(|width| *width < width_ms);
    let below = above.checked_sub(1).and_then(|i| widths.get(i)).copied();
    let nearest = match (below, widths.get(above).copied()) {
        (Some(below), Some(above)) if above - width_ms < width_ms - below => above,
        (Some(below), _) => below,
        (None, above) => above?,
    };
    ((width_ms - nearest).abs() <= NEAR * nearest).then_some(nearest)
}

/// Both pulses as one, and the requested width that it is near, where they are a broken one: `first`
/// is not near any.
fn broken(
    capture: &Capture,
    first: &Pulse,
    second: &Pulse,
    widths: &[f64],
) -> Option<(Pulse, f64)> {
    let second_ms = capture.width_ms(second);
    let gap_ms = capture.tick.ms(second.start.saturating_sub(first.end));
    if near(second_ms, widths).is_some() || gap_ms >= capture.width_ms(first) + second_ms {
        return None;
    }
    let whole = Pulse {
        end: second.end,
        ..*first
    };
    Some((whole, near(capture.width_ms(&whole), widths)?))
}

/// The observation of `pulse` without anything of its request but the width.
pub(crate) fn observation(capture: &Capture, pulse: &Pulse, requested_ms: f64) -> Observation {
    Observation {
        direction: pulse.direction,
        requested_ms,
        width_ms: capture.width_ms(pulse),
        start_s: Some(capture.start_s(pulse)),
        issued_s: None,
        start_delay_ms: None,
        order: 0,
        bridged: pulse.bridged,
        request: None,
    }
}

/// `pulse` as one without a request.
pub(crate) fn stray(capture: &Capture, pulse: &Pulse) -> Stray {
    Stray {
        direction: pulse.direction,
        width_ms: capture.width_ms(pulse),
        start_s: capture.start_s(pulse),
        requested_ms: None,
    }
}
