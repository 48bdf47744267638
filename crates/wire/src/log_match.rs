//! Pulses to the requests of a log, by an order-preserving alignment.

use std::ops::Range;

use crate::align::MatchOptions;
use crate::alignment::{Costs, Step, align};
use crate::capture::{Capture, Pulse, Warning};
use crate::clock::{BEST_FIT, ClockMap};
use crate::direction::Direction;
use crate::error::WireError;
use crate::list_match::{NEAR, observation, stray};
use crate::outcome::{Matching, Outcomes, RequestOutcome, Stray};
use crate::requests::Request;

/// A delivered width may differ by this at least, however short the request, in ms: stragglers are 30
/// to 50 ms too long (common practice, no source).
const LEAST_TOLERANCE_MS: f64 = 60.0;
/// A delivered pulse costs up to 1 for its width and 1 for its time. A request and a pulse that could
/// belong together always cost more apart.
const ALONE: f64 = 1.25;
/// What a pulse costs that an end of the capture cuts and that has no request: its request may be
/// outside of the log.
const CUT_ALONE: f64 = 0.5;
/// What a broken request costs beside its width and time.
const BROKEN: f64 = 0.5;
/// A pulse may seem to start so much before its request, in seconds, by the uncertainty of clocks
/// that are set to each other (common practice, no source).
const EARLY_S: f64 = 0.05;
/// Where so large a share is left alone, the log is likely that of another capture.
const DOUBTFUL: f64 = 0.5;

/// A pulse of the capture, cut or not.
#[derive(Clone, Copy)]
struct Item {
    pulse: Pulse,
    /// Index in `Capture::pulses`, unless it is cut.
    index: Option<usize>,
    start_s: f64,
    width_ms: f64,
}

/// See [`crate::match_pulses`].
pub(crate) fn match_log(
    capture: &Capture,
    requests: &[Request],
    options: &MatchOptions,
) -> Result<Matching, WireError> {
    if requests.is_empty() {
        return Err(WireError::setting("requests", "", "at least one request"));
    }
    if let Some(request) = requests
        .iter()
        .find(|request| !(request.width_ms.is_finite() && request.width_ms > 0.0))
    {
        return Err(WireError::line(
            request.line,
            format!("a requested width of {} ms", request.width_ms),
            "a width above 0",
            "correct or remove the line",
        ));
    }
    let items = items(capture);
    let mut matching = Matching::default();
    let clock = clock(requests, &items, options, &mut matching.notes);
    let directed = requests.iter().all(|request| request.direction.is_some())
        && items.iter().all(|item| item.pulse.direction.is_some());
    let align_with =
        |clock: Option<ClockMap>| aligned(capture, requests, &items, clock, options, directed);
    let mut steps = align_with(clock)?;
    if let (Some(rough), false) = (clock, options.shared_clock) {
        let mut pairs: Vec<(f64, f64)> = steps
            .iter()
            .filter_map(|step| match step {
                Joined::Request(i, joined) if joined.len() == 1 => Some((
                    requests.get(*i)?.issued_s?,
                    items.get(*joined.first()?)?.start_s,
                )),
                _ => None,
            })
            .collect();
        pairs.sort_unstable_by(|a, b| f64::total_cmp(&a.0, &b.0));
        let fine = rough.refine(&pairs);
        steps = align_with(Some(fine))?;
        matching.clock_offset_s = Some(fine.offset);
        matching.notes.push(format!(
            "The requests are on another clock: {:.3} s is added to it at the first request, and it runs {:+.1} ppm apart; the usual start delay is in that, so absolute start delays can't be known.",
            fine.offset,
            fine.skew * 1e6
        ));
    }
    take_in(&mut matching, &steps, capture, requests, &items, options);
    if !directed
        && items.iter().all(|item| item.pulse.direction.is_none())
        && requests
            .iter()
            .any(|request| request.direction != requests.first().and_then(|r| r.direction))
    {
        matching.warnings.push(Warning::new(
            "the log holds several directions, the capture names none, so they were not compared",
            "map the channels to directions, or give a log of the one direction that was captured",
        ));
    }
    Ok(matching)
}

/// All pulses, whole and cut, by start.
fn items(capture: &Capture) -> Vec<Item> {
    let item = |index: Option<usize>, pulse: Pulse| Item {
        pulse,
        index,
        start_s: capture.start_s(&pulse),
        width_ms: capture.width_ms(&pulse),
    };
    let mut items: Vec<Item> = capture
        .pulses
        .iter()
        .enumerate()
        .map(|(index, pulse)| item(Some(index), pulse))
        .chain(capture.cut.iter().map(|pulse| item(None, *pulse)))
        .collect();
    items.sort_by_key(|item| item.pulse.start);
    items
}

/// The way from the times of issue to the clock of the capture; `None` where not every request has
/// one.
fn clock(
    requests: &[Request],
    items: &[Item],
    options: &MatchOptions,
    notes: &mut Vec<String>,
) -> Option<ClockMap> {
    let issued: Option<Vec<f64>> = requests.iter().map(|request| request.issued_s).collect();
    let Some(issued) = issued else {
        notes.push("Not every request has a time of issue, so times were not used.".to_owned());
        return None;
    };
    if options.shared_clock {
        return Some(ClockMap::SHARED);
    }
    let starts: Vec<f64> = items.iter().map(|item| item.start_s).collect();
    ClockMap::find(&issued, &starts, |request, item| {
        match (requests.get(request), items.get(item)) {
            (Some(request), Some(item))
                if item.index.is_some() && agree(request.direction, item.pulse.direction) =>
            {
                width_cost(item.width_ms, request.width_ms)
                    .map_or(0, |cost| ((1.0 - cost) * f64::from(BEST_FIT)) as u32)
            }
            _ => 0,
        }
    })
}

fn agree(one: Option<Direction>, other: Option<Direction>) -> bool {
    one.is_none() || other.is_none() || one == other
}

/// From 0 to 1 within the tolerance, `None` outside of it.
fn width_cost(width_ms: f64, requested_ms: f64) -> Option<f64> {
    let tolerance = (NEAR * requested_ms).max(LEAST_TOLERANCE_MS);
    let cost = (width_ms - requested_ms).abs() / tolerance;
    (cost <= 1.0).then_some(cost)
}

/// What became of a request, or of an item, by their indices.
enum Joined {
    Request(usize, Vec<usize>),
    Missing(usize),
    Extra(usize),
}

/// The costs of bringing some requests and some items together, both given by their indices.
struct LogCosts<'a> {
    capture: &'a Capture,
    requests: Vec<(usize, &'a Request)>,
    items: Vec<(usize, &'a Item)>,
    clock: Option<ClockMap>,
    options: &'a MatchOptions,
}

impl LogCosts<'_> {
    /// From 0 to 1 for the time, `None` where it can't be.
    fn time_cost(&self, request: &Request, start_s: f64) -> Option<f64> {
        let (Some(clock), Some(issued)) = (self.clock, request.issued_s) else {
            return Some(0.0);
        };
        let late = start_s - clock.map(issued);
        if self.options.shared_clock && late < -EARLY_S {
            return None;
        }
        let cost = late.abs() / self.options.max_delay_s;
        (cost <= 1.0).then_some(cost)
    }
}

impl Costs for LogCosts<'_> {
    fn join(&self, first: usize, second: Range<usize>) -> Option<f64> {
        let (_, request) = *self.requests.get(first)?;
        let joined = self.items.get(second)?;
        let (first, last) = (joined.first()?.1, joined.last()?.1);
        if !agree(request.direction, first.pulse.direction) {
            return None;
        }
        let time = self.time_cost(request, first.start_s)?;
        if joined.len() == 1 {
            if first.index.is_some() {
                return Some(time + width_cost(first.width_ms, request.width_ms)?);
            }
            // Of a cut pulse only the least width is known. One that the beginning cuts may have
            // started long before.
            let longer = first.width_ms > request.width_ms;
            let width = if longer {
                width_cost(first.width_ms, request.width_ms)?
            } else {
                0.0
            };
            return Some(time + width);
        }
        let parts_ms: f64 = joined.iter().map(|(_, item)| item.width_ms).sum();
        let span_ms = self
            .capture
            .tick
            .ms(last.pulse.end.saturating_sub(first.pulse.start));
        let one_line = joined
            .iter()
            .all(|(_, item)| item.index.is_some() && item.pulse.direction == first.pulse.direction);
        // A gap as long as the pulses is no break in one.
        if !one_line || span_ms - parts_ms >= parts_ms {
            return None;
        }
        Some(BROKEN + time + width_cost(span_ms, request.width_ms)?)
    }

    fn skip_first(&self, _: usize) -> f64 {
        ALONE
    }

    fn skip_second(&self, second: usize) -> f64 {
        match self.items.get(second) {
            Some((_, item)) if item.index.is_none() => CUT_ALONE,
            _ => ALONE,
        }
    }

    fn reach(&self, first: usize) -> Option<Range<usize>> {
        let clock = self.clock?;
        let (_, request) = self.requests.get(first)?;
        let expected = clock.map(request.issued_s?);
        let until = |time: f64| self.items.partition_point(|(_, item)| item.start_s < time);
        let longest = self.options.max_delay_s;
        Some(until(expected - longest)..until(expected + longest) + crate::alignment::MOST_JOINED)
    }
}

/// Aligns; each direction for itself where all are `directed`.
fn aligned(
    capture: &Capture,
    requests: &[Request],
    items: &[Item],
    clock: Option<ClockMap>,
    options: &MatchOptions,
    directed: bool,
) -> Result<Vec<Joined>, WireError> {
    let lines: Vec<Option<Direction>> = if directed {
        Direction::ALL.into_iter().map(Some).collect()
    } else {
        vec![None]
    };
    let mut all = Vec::new();
    for line in lines {
        let costs = LogCosts {
            capture,
            requests: requests
                .iter()
                .enumerate()
                .filter(|(_, request)| line.is_none() || request.direction == line)
                .collect(),
            items: items
                .iter()
                .enumerate()
                .filter(|(_, item)| line.is_none() || item.pulse.direction == line)
                .collect(),
            clock,
            options,
        };
        let steps = align(costs.requests.len(), costs.items.len(), &costs).ok_or_else(|| {
            WireError::setting(
                "requests",
                format!(
                    "{} requests, {} pulses",
                    costs.requests.len(),
                    costs.items.len()
                ),
                "fewer that are close together: cut the log and the capture in parts",
            )
        })?;
        let request = |i: usize| costs.requests.get(i).map_or(0, |(index, _)| *index);
        let item = |j: usize| costs.items.get(j).map_or(0, |(index, _)| *index);
        all.extend(steps.into_iter().map(|step| match step {
            Step::Join { first, second } => {
                Joined::Request(request(first), second.map(item).collect())
            }
            Step::SkipFirst(first) => Joined::Missing(request(first)),
            Step::SkipSecond(second) => Joined::Extra(item(second)),
        }));
    }
    Ok(all)
}

/// Makes outcomes of the steps.
fn take_in(
    matching: &mut Matching,
    steps: &[Joined],
    capture: &Capture,
    requests: &[Request],
    items: &[Item],
    options: &MatchOptions,
) {
    let mut outcomes = vec![RequestOutcome::Missing; requests.len()];
    let mut missing = 0;
    let mut counts = Outcomes::default();
    let (begin, end) = (
        capture.tick.seconds(capture.begin),
        capture.tick.seconds(capture.end),
    );
    // With a shared clock it is known which requests were issued before or after the capture.
    let outside = |request: &Request| {
        options.shared_clock
            && request
                .issued_s
                .is_some_and(|t| t < begin || t + request.width_ms / 1000.0 > end)
    };
    for step in steps {
        match step {
            Joined::Extra(j) => {
                if let Some(item) = items.get(*j) {
                    counts.extra += 1;
                    matching.extras.push(stray(capture, &item.pulse));
                }
            }
            Joined::Missing(i) => {
                let cut = requests.get(*i).is_some_and(outside);
                if cut {
                    counts.cut += 1;
                } else {
                    missing += 1;
                }
                if let (true, Some(outcome)) = (cut, outcomes.get_mut(*i)) {
                    *outcome = RequestOutcome::Cut;
                }
            }
            Joined::Request(i, joined) => {
                let (Some(request), Some(outcome)) = (requests.get(*i), outcomes.get_mut(*i))
                else {
                    continue;
                };
                let parts = || joined.iter().filter_map(|j| items.get(*j));
                let (Some(first), Some(last)) = (parts().next(), parts().next_back()) else {
                    continue;
                };
                *outcome = match first.index {
                    None => {
                        counts.cut += 1;
                        RequestOutcome::Cut
                    }
                    Some(pulse) if joined.len() == 1 => {
                        counts.delivered += 1;
                        let mut one = observation(capture, &first.pulse, request.width_ms);
                        one.direction = one.direction.or(request.direction);
                        one.issued_s = request.issued_s;
                        one.request = Some(*i);
                        one.start_delay_ms = request
                            .issued_s
                            .filter(|_| options.shared_clock)
                            .map(|issued| (first.start_s - issued) * 1000.0);
                        matching.observations.push(one);
                        RequestOutcome::Delivered { pulse }
                    }
                    Some(pulse) => {
                        counts.broken += 1;
                        let whole = Pulse {
                            end: last.pulse.end,
                            ..first.pulse
                        };
                        matching.broken.push(Stray {
                            requested_ms: Some(request.width_ms),
                            ..stray(capture, &whole)
                        });
                        RequestOutcome::Broken {
                            first: pulse,
                            pulses: joined.len(),
                        }
                    }
                };
            }
        }
    }
    counts.requests = Some(requests.len() as u64);
    counts.missing = Some(missing);
    let alone = missing + counts.extra;
    if alone as f64 > DOUBTFUL * (requests.len() + items.len()) as f64 {
        matching.warnings.push(Warning::new(
            format!(
                "{missing} of {} requests have no pulse and {} of {} pulses no request",
                requests.len(),
                counts.extra,
                items.len()
            ),
            "check that the log belongs to this capture, and the map of channels to directions",
        ));
    }
    matching.requests = outcomes;
    matching.outcomes = counts;
}
