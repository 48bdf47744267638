//! From the level changes of one wire to its pulses, in one pass and in memory that holds pulses
//! and not edges.
//!
//! Which level is the idle one, the one held longest, is known only at the end. So pulses are put
//! together for either case at once, each from its own runs of the level. In a long capture
//! ([`DECIDE`] pulses) the unlikely case is given up; should it turn out to have been the right one
//! after all, that is an error and not a wrong answer.

use crate::capture::Pulse;
use crate::error::WireError;
use crate::pulse_list::PulseList;
use crate::resolution::Resolution;
use crate::settings::Level;

/// So many pulses are kept for both idle levels; with more only the likelier case goes on. At a
/// pulse a second that is 14 hours.
const DECIDE: usize = 50_000;

/// The two durations that make pulses of edges, in ticks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    /// A gap shorter than this is bounce.
    pub(crate) bridge: i64,
    /// A pulse shorter than this is dropped.
    pub(crate) min_pulse: i64,
}

/// The pulses of one wire, one of its levels being the active one; their direction is set later.
#[derive(Debug, Default)]
pub(crate) struct Shaper {
    open: Option<(i64, i64)>,
    bridged: u32,
    /// The first run of the wire has no known leading edge; a pulse that starts with it is cut.
    first: i64,
    pub(crate) pulses: PulseList,
    pub(crate) cut: Vec<Pulse>,
    pub(crate) bounces: u64,
    pub(crate) dropped_short: u64,
}

impl Shaper {
    /// Takes in a run of the active level from `start` to `end`.
    #[inline(always)]
    fn run(&mut self, start: i64, end: i64, limits: Limits) {
        match &mut self.open {
            Some((_, open_end)) if start - *open_end < limits.bridge => {
                *open_end = end;
                self.bridged = self.bridged.saturating_add(1);
                self.bounces += 1;
            }
            _ => {
                self.close(limits);
                self.open = Some((start, end));
            }
        }
    }

    /// Takes the open pulse as whole.
    #[inline(always)]
    fn close(&mut self, limits: Limits) {
        let Some((start, end)) = self.open.take() else {
            return;
        };
        let pulse = Pulse {
            direction: None,
            start,
            end,
            bridged: std::mem::take(&mut self.bridged),
        };
        if start == self.first {
            self.cut.push(pulse);
        } else if end - start < limits.min_pulse {
            self.dropped_short += 1;
        } else {
            self.pulses.push(pulse);
        }
    }

    /// The active level lasts beyond the end of the capture: its pulse is cut.
    fn cut_at(&mut self, start: i64, end: i64, limits: Limits) {
        self.run(start, end, limits);
        if let Some((start, end)) = self.open.take() {
            self.cut.push(Pulse {
                direction: None,
                start,
                end,
                bridged: std::mem::take(&mut self.bridged),
            });
        }
    }
}

/// One wire.
#[derive(Debug)]
pub(crate) struct Track {
    limits: Limits,
    /// The level now, `true` for high, since when, and whether it is known at all.
    level: bool,
    since: i64,
    known: bool,
    /// The run before this one, from `before` to `since`, where `pending`: it is taken in when the
    /// next change comes later than `since`. A change at the same instant undoes it.
    before: i64,
    pending: bool,
    pub(crate) edges: u64,
    first_edge: i64,
    pub(crate) resolution: Resolution,
    /// How long each level was held, in ticks: low, high.
    held: [u64; 2],
    /// Pulses with the low level active, and with the high one.
    shapers: [Option<Shaper>; 2],
    /// The idle level was given.
    given: Option<Level>,
}

/// What a wire gave.
pub(crate) struct Outcome {
    pub(crate) idle: Level,
    /// Share of the time for which the idle level was held.
    pub(crate) held: f64,
    pub(crate) shaper: Shaper,
}

impl Track {
    pub(crate) fn new(limits: Limits, idle: Option<Level>) -> Track {
        let shaper =
            |idle_level| (idle.is_none() || idle == Some(idle_level)).then(Shaper::default);
        Track {
            limits,
            level: false,
            since: 0,
            known: false,
            before: 0,
            pending: false,
            edges: 0,
            first_edge: 0,
            resolution: Resolution::default(),
            held: [0; 2],
            shapers: [shaper(Level::High), shaper(Level::Low)],
            given: idle,
        }
    }

    /// The level now, where known.
    pub(crate) fn level(&self) -> Option<bool> {
        self.known.then_some(self.level)
    }

    /// When the level now began.
    #[inline(always)]
    pub(crate) fn since(&self) -> i64 {
        self.since
    }

    /// The wire is at `level` from `time` on; times never run backwards. Of several levels at one
    /// instant the last one counts.
    #[inline]
    pub(crate) fn set(&mut self, time: i64, level: bool) {
        if !self.known {
            self.known = true;
            self.level = level;
            self.since = time;
            for shaper in self.shapers.iter_mut().flatten() {
                shaper.first = time;
            }
        } else if level != self.level {
            if time > self.since {
                self.toggle(time);
            } else if self.pending {
                self.level = level;
                self.since = self.before;
                self.pending = false;
                self.edges -= 1;
            } else {
                self.level = level;
            }
        }
    }

    /// The level changes at `time`, which is later than the change before.
    #[inline(always)]
    pub(crate) fn toggle(&mut self, time: i64) {
        self.take_in_pending();
        if self.edges == 0 {
            self.first_edge = time;
        }
        self.edges += 1;
        self.resolution.add((time - self.first_edge) as u64);
        self.before = self.since;
        self.since = time;
        self.pending = true;
        self.level = !self.level;
    }

    /// Takes in changes two by two: `times` gives the times of the next two, each later than the one
    /// before it, until it has no more. Comes to the same as [`Track::toggle`] with each, quicker
    /// where one pulse follows the other without bounce and the idle level is settled.
    #[inline(always)]
    pub(crate) fn toggle_pairs(&mut self, times: &mut impl Iterator<Item = (i64, i64)>) {
        loop {
            let left = match self.steady() {
                Some(active) if self.resolution.divisor() == 1 => {
                    self.pairs_of_pulses::<true>(active, times)
                }
                Some(active) => self.pairs_of_pulses::<false>(active, times),
                None => times.next(),
            };
            let Some((first, second)) = left else {
                return;
            };
            self.toggle(first);
            self.toggle(second);
        }
    }

    /// Whether [`Track::toggle_pairs`] had better begin with the next change but one: the idle level
    /// is settled and the level now is the other one.
    #[inline]
    pub(crate) fn in_pulse(&self) -> bool {
        let [low_active, high_active] = &self.shapers;
        match (low_active, high_active) {
            (Some(_), None) => !self.level,
            (None, Some(_)) => self.level,
            _ => false,
        }
    }

    /// The active level, where the level now is the idle one and known for good, the pulse before
    /// is pending and the one before that is open, whole and without bounce.
    fn steady(&self) -> Option<usize> {
        let active = usize::from(!self.level);
        let (Some(shaper), None) = (&self.shapers[active], &self.shapers[1 - active]) else {
            return None;
        };
        let (start, _) = shaper.open?;
        (self.pending && shaper.bridged == 0 && start != shaper.first).then_some(active)
    }

    /// The loop of [`Track::toggle_pairs`] for whole pulses of the level `active`; `ALL_TICKS`: the
    /// resolution can't get finer. Gives back the two times that it can't take in.
    #[inline(always)]
    fn pairs_of_pulses<const ALL_TICKS: bool>(
        &mut self,
        active: usize,
        times: &mut impl Iterator<Item = (i64, i64)>,
    ) -> Option<(i64, i64)> {
        let Limits { bridge, min_pulse } = self.limits;
        let shaper = self.shapers[active].as_mut()?;
        let (mut open_start, mut open_end) = shaper.open?;
        let (mut before, mut since) = (self.before, self.since);
        let from = before;
        let mut held_active = 0;
        let resolution = self.resolution;
        let first_edge = self.first_edge;
        let mut cursor = shaper.pulses.take_out();
        let left = loop {
            let Some((leading, trailing)) = times.next() else {
                break None;
            };
            let regular = (before - open_end >= bridge)
                & (open_end - open_start >= min_pulse)
                & (ALL_TICKS
                    || resolution.divides((leading - first_edge) as u64)
                        & resolution.divides((trailing - first_edge) as u64));
            if !regular || !cursor.push(open_start, open_end) {
                break Some((leading, trailing));
            }
            (open_start, open_end) = (before, since);
            held_active += (since - before) as u64;
            (before, since) = (leading, trailing);
        };
        let (used, last_start, added) = (cursor.used, cursor.last_start, cursor.added);
        shaper.pulses.put_back(used, last_start, added);
        shaper.open = Some((open_start, open_end));
        self.before = before;
        self.since = since;
        self.edges += 2 * added as u64;
        self.held[active] += held_active;
        self.held[1 - active] += (before - from) as u64 - held_active;
        left
    }

    #[inline(always)]
    fn take_in_pending(&mut self) {
        if self.pending {
            let level = usize::from(!self.level);
            self.held[level] += (self.since - self.before) as u64;
            if let Some(shaper) = &mut self.shapers[level] {
                shaper.run(self.before, self.since, self.limits);
            }
        }
    }

    /// Whether the low level was held longest so far. A draw goes to low.
    fn likely_idle(&self) -> Level {
        if self.held[1] > self.held[0] {
            Level::High
        } else {
            Level::Low
        }
    }

    /// To be called every now and then: gives up the unlikely idle level in a long capture. Gives
    /// how many pulses are held.
    pub(crate) fn review(&mut self) -> u64 {
        let longest = self.shapers.iter().flatten().map(|s| s.pulses.len()).max();
        if self.given.is_none() && longest.is_some_and(|longest| longest > DECIDE) {
            // The shaper of an idle level is that of the other level being active.
            let unlikely = match self.likely_idle() {
                Level::Low => 0,
                Level::High => 1,
            };
            if self.shapers[1 - unlikely].is_some() {
                self.shapers[unlikely] = None;
            }
        }
        longest.unwrap_or(0) as u64
    }

    /// The distance of the first edge from `time`, where there was an edge.
    pub(crate) fn first_edge(&self) -> Option<i64> {
        (self.edges > 0).then_some(self.first_edge)
    }

    /// The capture ends at `end`.
    pub(crate) fn finish(mut self, end: i64) -> Result<Outcome, WireError> {
        self.take_in_pending();
        let level = usize::from(self.level);
        let end = end.max(self.since);
        if self.known && end > self.since {
            self.held[level] += (end - self.since) as u64;
            if let Some(shaper) = &mut self.shapers[level] {
                shaper.cut_at(self.since, end, self.limits);
            }
        }
        let idle = self.given.unwrap_or(self.likely_idle());
        let [low_active, high_active] = self.shapers;
        let shaper = match idle {
            Level::Low => high_active,
            Level::High => low_active,
        };
        let Some(mut shaper) = shaper else {
            return Err(WireError::IdleUnclear {
                first: idle.other(),
                last: idle,
            });
        };
        shaper.close(self.limits);
        let [low, high] = self.held.map(|ticks| ticks as f64);
        Ok(Outcome {
            idle,
            held: match idle {
                Level::Low => low / (low + high).max(1.0),
                Level::High => high / (low + high).max(1.0),
            },
            shaper,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Start, end and count of bridged gaps.
    type Span = (i64, i64, u32);

    /// The pulses of changes `(time, level)`, whole and cut, and all there is to know.
    fn pulses(
        changes: &[(i64, u8)],
        end: i64,
        bridge: i64,
        min_pulse: i64,
    ) -> (Vec<Span>, Vec<(i64, i64)>, Outcome) {
        let mut track = Track::new(Limits { bridge, min_pulse }, None);
        for &(time, level) in changes {
            track.set(time, level == 1);
        }
        let outcome = track.finish(end).unwrap();
        let whole = outcome.shaper.pulses.iter();
        let whole = whole.map(|p| (p.start, p.end, p.bridged)).collect();
        let cut = outcome
            .shaper
            .cut
            .iter()
            .map(|p| (p.start, p.end))
            .collect();
        (whole, cut, outcome)
    }

    #[test]
    fn the_level_held_longest_is_idle() {
        let changes = [(0, 0), (100, 1), (120, 0), (200, 1), (230, 0)];
        let (whole, cut, outcome) = pulses(&changes, 300, 0, 0);
        assert_eq!(whole, [(100, 120, 0), (200, 230, 0)]);
        assert!(cut.is_empty());
        assert_eq!(outcome.idle, Level::Low);
        let inverted = changes.map(|(time, level)| (time, 1 - level));
        let (whole, _, outcome) = pulses(&inverted, 300, 0, 0);
        assert_eq!(whole, [(100, 120, 0), (200, 230, 0)]);
        assert_eq!(outcome.idle, Level::High);
    }

    #[test]
    fn short_gaps_are_bridged_before_short_pulses_are_dropped() {
        // Three runs of 3 with gaps of 1: with a bridge of 2 one pulse of 11, which a least width of
        // 5 keeps; a lone run of 3 is dropped.
        let changes = [
            (0, 0),
            (100, 1),
            (103, 0),
            (104, 1),
            (107, 0),
            (108, 1),
            (111, 0),
            (200, 1),
            (203, 0),
        ];
        let (whole, _, outcome) = pulses(&changes, 300, 2, 5);
        assert_eq!(whole, [(100, 111, 2)]);
        assert_eq!(outcome.shaper.bounces, 2);
        assert_eq!(outcome.shaper.dropped_short, 1);
        let (whole, ..) = pulses(&changes, 300, 0, 0);
        assert_eq!(whole.len(), 4);
        // A gap as long as the bridge is a gap.
        let (whole, ..) = pulses(&changes, 300, 1, 0);
        assert_eq!(whole.len(), 4);
    }

    #[test]
    fn pulses_at_the_ends_are_cut_and_not_measured() {
        let changes = [(0, 1), (10, 0), (100, 1), (120, 0), (195, 1)];
        let (whole, cut, _) = pulses(&changes, 200, 0, 0);
        assert_eq!(whole, [(100, 120, 0)]);
        assert_eq!(cut, [(0, 10), (195, 200)]);
    }

    #[test]
    fn a_pulse_whose_trailing_edge_is_the_last_instant_is_whole() {
        let (whole, cut, _) = pulses(&[(0, 0), (100, 1), (120, 0)], 120, 0, 0);
        assert_eq!(whole, [(100, 120, 0)]);
        assert!(cut.is_empty());
    }

    #[test]
    fn bounce_joins_a_pulse_to_the_cut_one_that_it_belongs_to() {
        let changes = [(0, 1), (10, 0), (12, 1), (20, 0), (90, 1), (96, 0), (98, 1)];
        let (whole, cut, _) = pulses(&changes, 100, 5, 0);
        assert!(whole.is_empty());
        assert_eq!(cut, [(0, 20), (90, 100)]);
    }

    #[test]
    fn of_equal_times_the_last_level_counts() {
        // A zero-width glitch at 50 and one inside the pulse.
        let changes = [
            (0, 0),
            (50, 1),
            (50, 0),
            (100, 1),
            (110, 0),
            (110, 1),
            (120, 0),
        ];
        let (whole, _, _) = pulses(&changes, 200, 0, 0);
        assert_eq!(whole, [(100, 120, 0)]);
        // Four changes at one instant: back where it was, twice.
        let changes = [(0, 0), (50, 1), (50, 0), (50, 1), (50, 0), (60, 1), (70, 0)];
        let (whole, _, _) = pulses(&changes, 200, 0, 0);
        assert_eq!(whole, [(60, 70, 0)]);
        // At the first instant there is no edge to undo.
        let (whole, cut, _) = pulses(&[(0, 1), (0, 0), (60, 1), (70, 0)], 200, 0, 0);
        assert_eq!(whole, [(60, 70, 0)]);
        assert!(cut.is_empty());
    }

    #[test]
    fn a_long_capture_gives_up_the_unlikely_idle_level_and_says_so_if_that_was_wrong() {
        let mut track = Track::new(
            Limits {
                bridge: 0,
                min_pulse: 0,
            },
            None,
        );
        track.set(0, false);
        let mut time = 0;
        for _ in 0..DECIDE + 4 {
            time += 10;
            track.set(time, true);
            time += 1;
            track.set(time, false);
        }
        track.set(time + 1, true);
        track.review();
        assert!(track.shapers[0].is_none());
        let error = track.finish(time * 3).map(|outcome| outcome.idle);
        assert!(matches!(
            error,
            Err(WireError::IdleUnclear {
                first: Level::Low,
                last: Level::High
            })
        ));
    }
}
