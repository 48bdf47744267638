//! Requests to pulses: by the nearest width of a list, or by an order-preserving alignment with a log.

use crate::capture::{Capture, Pulse, Warning};
use crate::direction::Direction;
use crate::error::WireError;
use crate::list_match;
use crate::log_match;
use crate::outcome::{Matching, Observation, Outcomes};
use crate::requests::Request;

/// Where the requested widths come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RequestSource<'a> {
    /// The widths that were requested, in ms, in no order: each pulse goes to the nearest.
    List(&'a [f64]),
    /// Every request in its order.
    Log(&'a [Request]),
}

/// How requests and pulses are brought together.
#[derive(Clone, PartialEq, Debug)]
pub struct MatchOptions {
    /// Whether the times of issue are on the clock of the capture. Only then is a start delay known.
    pub shared_clock: bool,
    /// The longest start delay that is looked for, in seconds; without a shared clock the furthest
    /// from the usual one.
    pub max_delay_s: f64,
}

impl Default for MatchOptions {
    fn default() -> MatchOptions {
        MatchOptions {
            shared_clock: false,
            // A chain that is later than this is stuck (common practice, no source).
            max_delay_s: 2.0,
        }
    }
}

/// Brings the requests of `source` together with the pulses of `capture`.
///
/// By a list, each pulse goes to the nearest width; one that differs by more than half of it is
/// extra. Two pulses of one direction after each other, neither near a width, that span one with a
/// gap shorter than both together, are one broken request. Which requests are missing can't be known.
///
/// By a log, requests and pulses are aligned in their order at the least cost (dynamic programming):
/// of a width that differs, relative to half the request or 60 ms, whichever is more; of a start that
/// is late, relative to [`MatchOptions::max_delay_s`]; of a request that is left out or broken, of a
/// pulse left over. Directions must agree where both are known. Without a shared clock the offset of
/// the clocks (with the usual start delay in it) is found from the times, and no start delay is
/// given.
///
/// The rows of a CSV of pulses are observations already; `source` doesn't matter then.
///
/// # Errors
/// An empty list or log; a width that isn't positive; an alignment too large for the memory.
///
/// ```
/// use wire::{match_pulses, read_capture, MatchOptions, RequestSource, Settings};
/// let csv = "t_s,D0\n0,0\n1,1\n1.262,0\n2,1\n2.061,0\n3,0\n";
/// let capture = read_capture(csv.as_bytes(), &Settings::default(), &mut |_| {}).unwrap();
/// let widths = RequestSource::List(&[50.0, 250.0]);
/// let matching = match_pulses(&capture, widths, &MatchOptions::default()).unwrap();
/// assert_eq!(matching.observations[0].requested_ms, 250.0);
/// assert_eq!(matching.observations[1].width_ms, 61.0);
/// ```
pub fn match_pulses(
    capture: &Capture,
    source: RequestSource<'_>,
    options: &MatchOptions,
) -> Result<Matching, WireError> {
    if !(options.max_delay_s.is_finite() && options.max_delay_s > 0.0) {
        return Err(WireError::setting(
            "longest delay",
            options.max_delay_s,
            "a duration above 0",
        ));
    }
    let mut matching = match (&capture.measured, source) {
        (Some(_), _) => measured(capture, options),
        (None, RequestSource::List(widths)) => list_match::match_list(capture, widths)?,
        (None, RequestSource::Log(requests)) => log_match::match_log(capture, requests, options)?,
    };
    matching.outcomes.bounces = capture.bounces;
    matching.outcomes.dropped_short = capture.dropped_short;
    matching.outcomes.clash = clashes(capture);
    put_in_order(&mut matching);
    if matching.outcomes.clash > 0 {
        matching.warnings.push(Warning::new(
            format!(
                "{} times both directions of an axis were on at once",
                matching.outcomes.clash
            ),
            "check the wiring and the map of channels to directions",
        ));
    }
    Ok(matching)
}

/// The rows of a CSV of pulses.
fn measured(capture: &Capture, options: &MatchOptions) -> Matching {
    let rows = capture.measured.as_deref().unwrap_or(&[]);
    let observations = rows
        .iter()
        .map(|row| Observation {
            direction: row.direction,
            requested_ms: row.requested_ms,
            width_ms: row.width_ms,
            start_s: row.start_s,
            issued_s: row.issued_s,
            start_delay_ms: match (row.start_s, row.issued_s) {
                (Some(start), Some(issued)) if options.shared_clock => {
                    Some((start - issued) * 1000.0)
                }
                _ => None,
            },
            order: 0,
            bridged: 0,
            request: None,
        })
        .collect();
    Matching {
        observations,
        outcomes: Outcomes {
            delivered: rows.len() as u64,
            ..Outcomes::default()
        },
        notes: vec!["The capture holds pulses with their requested widths.".to_owned()],
        ..Matching::default()
    }
}

/// Sorts by time, where times are known, and numbers the observations.
fn put_in_order(matching: &mut Matching) {
    // A sort that is stable leaves rows without a time in their order.
    if matching.observations.iter().all(|o| o.start_s.is_some()) {
        matching
            .observations
            .sort_by(|a, b| f64::total_cmp(&a.start_s.unwrap_or(0.0), &b.start_s.unwrap_or(0.0)));
    }
    for (order, observation) in matching.observations.iter_mut().enumerate() {
        observation.order = order;
    }
    for strays in [&mut matching.extras, &mut matching.broken] {
        strays.sort_by(|a, b| f64::total_cmp(&a.start_s, &b.start_s));
    }
}

/// Pairs of pulses of opposite directions that overlap in time.
fn clashes(capture: &Capture) -> u64 {
    let of = |direction: Direction| {
        let mut pulses: Vec<Pulse> = capture
            .pulses
            .iter()
            .chain(capture.cut.iter().copied())
            .filter(|pulse| pulse.direction == Some(direction))
            .collect();
        pulses.sort_by_key(|pulse| pulse.start);
        pulses
    };
    [Direction::RaPlus, Direction::DecPlus]
        .into_iter()
        .map(|direction| overlaps(&of(direction), &of(direction.opposite())))
        .sum()
}

fn overlaps(some: &[Pulse], others: &[Pulse]) -> u64 {
    let (mut some, mut others) = (some.iter().peekable(), others.iter().peekable());
    let mut count = 0;
    while let (Some(one), Some(other)) = (some.peek(), others.peek()) {
        count += u64::from(one.start < other.end && other.start < one.end);
        if one.end < other.end {
            some.next();
        } else {
            others.next();
        }
    }
    count
}
