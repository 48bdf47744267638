//! The rig's clock on the host's: offset and skew from sync exchanges, with uncertainty.
//!
//! In an exchange the host sends a token, the rig answers with its tick, the host receives. The rig
//! took the tick between the two, whatever the delays: each exchange bounds the host time of its
//! tick from below and from above. With `x` the rig's time (ticks over the nominal rate), a line
//! `host = x + offset + skew x` must pass between all lower and upper bounds.
//!
//! - *Skew*: of all lines below the upper bounds the one nearest to them, which is the edge of their
//!   lower convex hull that spans the mean of `x`; the same from the other side; the mean of both
//!   (Moon, Skelly & Towsley 1999, IEEE INFOCOM, "Estimation and removal of clock skew from network
//!   delay measurements"). Skewed delays don't pull at it as they pull at least squares.
//! - *Offset*: the middle of the exchange with the least round trip (the clock filter of RFC 5905,
//!   section 10).
//! - *Uncertainty*: the whole range of the lines that pass between all bounds. It holds with
//!   certainty while both rates are constant, and is about half the least round trip.
//!
//! Rates are constant for minutes only: [`Timeline`] fits windows, not the whole run.

use crate::ticks::MOST_SKEW;

/// Rates are taken to be constant over this many seconds: a resonator warms up by some degrees, and
/// some ppm, in that time (common practice, no source).
pub const WINDOW_S: f64 = 600.0;
/// Bisections of the range of skews: 1e-2 / 2^60 is below the precision of a double.
const HALVINGS: u32 = 60;

/// One sync exchange.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Exchange {
    /// Just before the host sent the token, in host seconds.
    pub sent_s: f64,
    /// The rig's tick, unwrapped.
    pub tick: i64,
    /// Just after the host received the answer, in host seconds.
    pub received_s: f64,
}

impl Exchange {
    /// From sending to receiving, in seconds.
    pub fn round_trip_s(&self) -> f64 {
        self.received_s - self.sent_s
    }
}

/// A value with its guaranteed range.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize)]
pub struct Bounded {
    /// The estimate; within the range.
    pub value: f64,
    /// Least possible value.
    pub low: f64,
    /// Greatest possible value.
    pub high: f64,
}

impl Bounded {
    /// How far the truth may be from the estimate.
    pub fn uncertainty(&self) -> f64 {
        (self.value - self.low).max(self.high - self.value)
    }
}

/// The rig's clock on the host's over one window.
///
/// ```
/// use rig::clock::{Alignment, Exchange};
/// let exchange = |i: i64| Exchange {
///     sent_s: 5.0 + i as f64,
///     tick: 2_000_000 * i + 4_000,
///     received_s: 5.004 + i as f64,
/// };
/// let exchanges: Vec<Exchange> = (0..60).map(exchange).collect();
/// let alignment = Alignment::fit(&exchanges, 2_000_000).unwrap();
/// let host = alignment.host_s(4_000);
/// assert!((host.value - 5.002).abs() < 1e-9 && host.uncertainty() < 0.0021);
/// ```
#[derive(Clone, PartialEq, Debug)]
pub struct Alignment {
    tick_hz: f64,
    /// The tick from which `x` counts.
    origin: i64,
    /// The middle of the exchange with the least round trip, where `x` is 0.
    anchor_s: f64,
    skew: Bounded,
    /// Offset bounds less `x`: hulls around the channel that the line passes through.
    upper: Vec<(f64, f64)>,
    lower: Vec<(f64, f64)>,
    /// By how much the bounds contradict one line, in seconds.
    wander_s: f64,
    least_round_trip_s: f64,
    exchanges: usize,
}

impl Alignment {
    /// Fits the `exchanges` of one window, in the order in which they took place; `tick_hz` is the
    /// rig's nominal rate. Exchanges that end before they began or aren't finite are left out; `None`
    /// where none is left.
    pub fn fit(exchanges: &[Exchange], tick_hz: u32) -> Option<Alignment> {
        let usable = |e: &&Exchange| {
            e.sent_s.is_finite() && e.received_s.is_finite() && e.received_s >= e.sent_s
        };
        let usable: Vec<&Exchange> = exchanges.iter().filter(usable).collect();
        let best = usable
            .iter()
            .min_by(|a, b| a.round_trip_s().total_cmp(&b.round_trip_s()))?;
        let tick_hz = f64::from(tick_hz.max(1));
        let origin = best.tick;
        let x = |e: &Exchange| e.tick.saturating_sub(origin) as f64 / tick_hz;
        let mut above: Vec<(f64, f64)> = Vec::with_capacity(usable.len());
        let mut below: Vec<(f64, f64)> = Vec::with_capacity(usable.len());
        let mut mean = 0.0;
        for e in &usable {
            above.push((x(e), e.received_s - x(e)));
            // Upside down, so that one hull serves both.
            below.push((x(e), x(e) - e.sent_s));
            mean += x(e) / usable.len() as f64;
        }
        let upper = lower_hull(above);
        let lower: Vec<(f64, f64)> = lower_hull(below)
            .into_iter()
            .map(|(x, y)| (x, -y))
            .collect();
        let mut alignment = Alignment {
            tick_hz,
            origin,
            anchor_s: 0.5 * (best.sent_s + best.received_s),
            skew: Bounded {
                value: 0.0,
                low: -MOST_SKEW,
                high: MOST_SKEW,
            },
            wander_s: 0.0,
            least_round_trip_s: best.round_trip_s(),
            exchanges: usable.len(),
            upper,
            lower,
        };
        alignment.bound_skew();
        let slopes = [
            spanning_slope(&alignment.upper, mean),
            spanning_slope(&alignment.lower, mean),
        ];
        let known: Vec<f64> = slopes.into_iter().flatten().collect();
        let Bounded { low, high, .. } = alignment.skew;
        alignment.skew.value = if known.is_empty() {
            0.5 * (low + high)
        } else {
            (known.iter().sum::<f64>() / known.len() as f64).clamp(low, high)
        };
        Some(alignment)
    }

    /// Room between the bounds for a line of slope `skew`, in seconds; negative where none fits.
    fn room(&self, skew: f64) -> f64 {
        self.highest(skew) - self.lowest(skew)
    }

    /// The highest offset at `x = 0` of a line of slope `skew` below the upper bounds.
    fn highest(&self, skew: f64) -> f64 {
        self.upper
            .iter()
            .map(|(x, y)| y - skew * x)
            .fold(f64::INFINITY, f64::min)
    }

    /// The lowest offset at `x = 0` of a line of slope `skew` above the lower bounds.
    fn lowest(&self, skew: f64) -> f64 {
        self.lower
            .iter()
            .map(|(x, y)| y - skew * x)
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// The range of skews for which a line fits: the room is a concave function of the skew.
    fn bound_skew(&mut self) {
        let (mut low, mut high) = (-MOST_SKEW, MOST_SKEW);
        // Golden-section search for the skew with the most room.
        let golden = 0.5 * (5f64.sqrt() - 1.0);
        for _ in 0..2 * HALVINGS {
            let (a, b) = (high - golden * (high - low), low + golden * (high - low));
            if self.room(a) < self.room(b) {
                low = a;
            } else {
                high = b;
            }
        }
        let widest = 0.5 * (low + high);
        let room = self.room(widest);
        // Bounds that contradict each other say that the rates changed: every line counts then that
        // misses them by at most a round trip more than the best.
        let least = if room < 0.0 {
            room - self.least_round_trip_s
        } else {
            0.0
        };
        self.wander_s = (-room).max(0.0);
        let edge = |outside: f64| {
            if self.room(outside) >= least {
                return outside;
            }
            let (mut inside, mut outside) = (widest, outside);
            for _ in 0..HALVINGS {
                let middle = 0.5 * (inside + outside);
                if self.room(middle) >= least {
                    inside = middle;
                } else {
                    outside = middle;
                }
            }
            outside
        };
        (self.skew.low, self.skew.high) = (edge(-MOST_SKEW), edge(MOST_SKEW));
    }

    /// The host time of `tick` in seconds, with the range that the exchanges leave.
    pub fn host_s(&self, tick: i64) -> Bounded {
        let x = tick.saturating_sub(self.origin) as f64 / self.tick_hz;
        let skew = self.skew;
        let value = self.anchor_s + x * (1.0 + skew.value);
        // Each hull's extreme line through x is at an end of the range or along an edge.
        let slopes = |hull: &[(f64, f64)]| -> Vec<f64> {
            hull.windows(2)
                .map(|pair| slope(pair[0], pair[1]))
                .filter(|s| *s > skew.low && *s < skew.high)
                .chain([skew.low, skew.high])
                .collect()
        };
        let high = slopes(&self.upper)
            .into_iter()
            .map(|s| self.highest(s) + s * x)
            .fold(f64::NEG_INFINITY, f64::max)
            + x;
        let low = slopes(&self.lower)
            .into_iter()
            .map(|s| self.lowest(s) + s * x)
            .fold(f64::INFINITY, f64::min)
            + x;
        // Where the bounds contradict each other the truth lies about the crossed ends.
        let (low, high) = if self.wander_s > 0.0 {
            let beyond = 0.5 * self.least_round_trip_s;
            (low.min(high) - beyond, low.max(high) + beyond)
        } else {
            (low.min(high), high.max(low))
        };
        let value = value.clamp(low, high);
        Bounded { value, low, high }
    }

    /// How much longer the host's second is than the rig's nominal one, as a fraction: a width in
    /// ticks over the nominal rate, times one plus this, is in host seconds. Positive: the rig is slow.
    pub fn skew(&self) -> Bounded {
        self.skew
    }

    /// The least round trip in seconds; half of it bounds the offset at its exchange.
    pub fn least_round_trip_s(&self) -> f64 {
        self.least_round_trip_s
    }

    /// By how much the exchanges contradict constant rates, in seconds; 0 where they don't.
    pub fn wander_s(&self) -> f64 {
        self.wander_s
    }

    /// Exchanges that took part.
    pub fn exchanges(&self) -> usize {
        self.exchanges
    }
}

/// Alignments of overlapping windows along a run.
#[derive(Clone, PartialEq, Debug)]
pub struct Timeline {
    /// Each with the tick at its middle, in order.
    knots: Vec<(i64, Alignment)>,
}

impl Timeline {
    /// Fits windows of [`WINDOW_S`], every fifth of that, to the exchanges of a run without a reset,
    /// in their order. `None` without a usable exchange.
    pub fn fit(exchanges: &[Exchange], tick_hz: u32) -> Option<Timeline> {
        let hz = i64::from(tick_hz.max(1));
        let first = exchanges.iter().map(|e| e.tick).min()?;
        let last = exchanges.iter().map(|e| e.tick).max()?;
        let window = hz.saturating_mul(WINDOW_S as i64);
        let mut sorted: Vec<Exchange> = exchanges.to_vec();
        sorted.sort_by_key(|e| e.tick);
        let mut knots = Vec::new();
        let mut begin = first;
        loop {
            let end = begin.saturating_add(window);
            let from = sorted.partition_point(|e| e.tick < begin);
            let to = sorted.partition_point(|e| e.tick <= end);
            let part = sorted.get(from..to).unwrap_or_default();
            if let Some(alignment) = Alignment::fit(part, tick_hz) {
                knots.push((begin + (end.min(last) - begin) / 2, alignment));
            }
            if end >= last {
                break;
            }
            // Over a long silence on to the window that ends with the next exchange.
            let next = sorted.get(to).map_or(last, |e| e.tick);
            begin = (begin + window / 5).max(next.saturating_sub(window));
        }
        (!knots.is_empty()).then_some(Timeline { knots })
    }

    /// The alignment nearest to `tick`.
    pub fn at(&self, tick: i64) -> &Alignment {
        let after = self.knots.partition_point(|(middle, _)| *middle < tick);
        let nearest = match after.checked_sub(1) {
            Some(before) if after == self.knots.len() => before,
            Some(before)
                if tick.saturating_sub(self.knots[before].0)
                    < self.knots[after].0.saturating_sub(tick) =>
            {
                before
            }
            _ => after,
        };
        &self.knots[nearest].1
    }

    /// All alignments, in order.
    pub fn alignments(&self) -> impl Iterator<Item = &Alignment> {
        self.knots.iter().map(|(_, alignment)| alignment)
    }
}

fn slope(a: (f64, f64), b: (f64, f64)) -> f64 {
    (b.1 - a.1) / (b.0 - a.0)
}

/// The lower convex hull of points, by ascending `x` (Andrew's monotone chain, 1979); of equal `x`
/// the lowest.
fn lower_hull(mut points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut hull: Vec<(f64, f64)> = Vec::new();
    for point in points {
        if hull.last().is_some_and(|last| last.0 == point.0) {
            continue;
        }
        while let [.., a, b] = hull.as_slice() {
            if slope(*a, *b) < slope(*b, point) {
                break;
            }
            hull.pop();
        }
        hull.push(point);
    }
    hull
}

/// The slope of the hull's edge that spans `x`; `None` of a single point.
fn spanning_slope(hull: &[(f64, f64)], x: f64) -> Option<f64> {
    let edges = || hull.windows(2).map(|pair| (pair[0], pair[1]));
    edges()
        .find(|(_, right)| right.0 >= x)
        .or(edges().next_back())
        .map(|(left, right)| slope(left, right))
}
