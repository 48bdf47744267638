//! From the edges of one epoch of a rig to pulses, and to the gaps in which nothing is sure.
//!
//! What must hold: a pulse comes out only where every edge from before its leading edge to after its
//! trailing edge was received in sequence, with nothing damaged or lost between.

use wire::Direction;

use crate::link::SequenceCheck;

/// Inputs that a rig can have at most.
const INPUTS: usize = 8;

/// A pulse in ticks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct TickPulse {
    pub(crate) direction: Direction,
    pub(crate) start: i64,
    pub(crate) end: i64,
    pub(crate) bridged: u32,
}

/// A span in ticks in which edges may have been lost; both ends belong to it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Gap {
    pub(crate) from: i64,
    pub(crate) to: i64,
}

impl Gap {
    /// Whether `pulse` touches it.
    pub(crate) fn spoils(&self, pulse: &TickPulse) -> bool {
        pulse.start <= self.to && pulse.end >= self.from
    }
}

/// What a line meant for the pulses.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(crate) struct Effect {
    /// Pulses that are whole now.
    pub(crate) closed: Vec<TickPulse>,
    /// Pulses that were told as whole and are not.
    pub(crate) withdrawn: Vec<TickPulse>,
    /// Edges that were lost before this line, where it shows that.
    pub(crate) lost: Option<u32>,
}

#[derive(Clone, Copy, Debug)]
struct Open {
    start: i64,
    end: Option<i64>,
    bridged: u32,
}

/// Follows the edges of one epoch.
#[derive(Clone, Debug)]
pub(crate) struct Tracker {
    inputs: Vec<Direction>,
    bridge: i64,
    least: i64,
    levels: Option<u8>,
    open: [Option<Open>; INPUTS],
    /// Until when the contact may have been closed in a pulse whose leading edge is not known: what
    /// follows within the bridge belongs to that.
    unknown_until: [Option<i64>; INPUTS],
    sequence: SequenceCheck,
    /// A line was damaged since the last edge: it may have been one.
    suspected: bool,
    /// The rig said that it lost so many edges since the last one.
    told_lost: u32,
    last_edge: Option<i64>,
    /// The latest tick of any line.
    latest: i64,
    pub(crate) gaps: Vec<Gap>,
    pub(crate) pulses: Vec<TickPulse>,
    pub(crate) edges: u64,
    /// Edges of each input.
    pub(crate) input_edges: [u64; INPUTS],
    pub(crate) lost: u64,
    pub(crate) bounces: u64,
    pub(crate) dropped_short: u64,
}

impl Tracker {
    /// Begins at `tick`; `inputs` gives the direction of each input, `bridge` and `least` the longest
    /// gap that is bounce and the shortest pulse, in ticks.
    pub(crate) fn new(inputs: &[Direction], tick: i64, bridge: i64, least: i64) -> Tracker {
        Tracker {
            inputs: inputs.iter().copied().take(INPUTS).collect(),
            bridge,
            least,
            levels: None,
            open: [None; INPUTS],
            unknown_until: [None; INPUTS],
            sequence: SequenceCheck::default(),
            suspected: false,
            told_lost: 0,
            last_edge: None,
            latest: tick,
            gaps: Vec::new(),
            pulses: Vec::new(),
            edges: 0,
            input_edges: [0; INPUTS],
            lost: 0,
            bounces: 0,
            dropped_short: 0,
        }
    }

    /// Takes an edge.
    pub(crate) fn edge(&mut self, sequence: u16, tick: i64, levels: u8) -> Effect {
        let mut effect = Effect::default();
        let missing = self.sequence.take(sequence);
        let before = self.last_edge;
        // An edge that changes nothing, or lies before the one before it, was not sent like this.
        let odd = self.levels == Some(levels) || before.is_some_and(|before| tick < before);
        let first = self.levels.is_none();
        self.edges += 1;
        if missing > 0 || self.told_lost > 0 || odd {
            let lost = u32::from(missing).max(std::mem::take(&mut self.told_lost));
            self.break_off(tick, lost, &mut effect);
            self.levels = Some(levels);
        } else {
            let changed = match self.levels {
                Some(before) => before ^ levels,
                // Before the first edge every switch was open, unless several are closed now.
                None if levels.count_ones() == 1 => levels,
                None => 0,
            };
            self.levels = Some(levels);
            self.latest = self.latest.max(tick);
            self.close(tick, true, &mut effect);
            for input in (0..INPUTS).filter(|input| changed & (1 << input) != 0) {
                self.input_edges[input] += 1;
                self.change(input, tick, levels & (1 << input) != 0, &mut effect);
            }
            if first && (self.suspected || levels.count_ones() != 1) {
                // What came before the first edge is not known at all then.
                self.open = [None; INPUTS];
                self.unknown_until = [Some(tick); INPUTS];
                self.gaps.push(Gap {
                    from: i64::MIN,
                    to: tick,
                });
            }
        }
        self.suspected = false;
        self.last_edge = Some(tick.max(before.unwrap_or(tick)));
        effect
    }

    /// Takes the tick of a line that is no edge.
    pub(crate) fn time(&mut self, tick: i64) -> Effect {
        let mut effect = Effect::default();
        self.latest = self.latest.max(tick);
        if !self.suspected && self.told_lost == 0 {
            self.close(tick, false, &mut effect);
        }
        effect
    }

    /// A line was damaged. If it was an edge, the next edge will be out of sequence.
    pub(crate) fn damaged(&mut self) {
        self.suspected = true;
    }

    /// The rig lost `count` edges.
    pub(crate) fn told_lost(&mut self, count: u32) {
        self.told_lost = self.told_lost.saturating_add(count);
    }

    /// Ends the epoch. After a clean end nothing more can come. Else what followed the last line is
    /// unknown, and if a line was damaged since the last edge, what followed that edge.
    pub(crate) fn end(&mut self, clean: bool) -> Effect {
        let mut effect = Effect::default();
        let to = self.latest.saturating_add(self.bridge);
        let sure = !self.suspected && self.told_lost == 0;
        if clean && sure {
            self.close(to, true, &mut effect);
        } else {
            if sure {
                self.last_edge = Some(self.latest);
            }
            let lost = std::mem::take(&mut self.told_lost);
            self.break_off(to, lost, &mut effect);
        }
        self.open = [None; INPUTS];
        effect
    }

    /// The latest tick of any line.
    pub(crate) fn latest(&self) -> i64 {
        self.latest
    }

    /// Edges were lost between the last one and `tick`.
    fn break_off(&mut self, tick: i64, lost: u32, effect: &mut Effect) {
        let from = self.last_edge.unwrap_or(i64::MIN).min(tick);
        let gap = Gap { from, to: tick };
        self.gaps.push(gap);
        self.lost += u64::from(lost);
        effect.lost = Some(lost);
        self.open = [None; INPUTS];
        self.unknown_until = [Some(tick); INPUTS];
        self.latest = self.latest.max(tick);
        while self.pulses.last().is_some_and(|pulse| gap.spoils(pulse)) {
            effect.withdrawn.extend(self.pulses.pop());
        }
    }

    fn change(&mut self, input: usize, tick: i64, closed: bool, effect: &mut Effect) {
        let Some(&direction) = self.inputs.get(input) else {
            return;
        };
        let bridge = self.bridge;
        match (&mut self.open[input], closed) {
            (Some(open), true) => {
                // Not closed yet: the contact opened for less than the bridge.
                open.end = None;
                open.bridged = open.bridged.saturating_add(1);
                self.bounces += 1;
            }
            (Some(open), false) => open.end = Some(tick),
            (None, true) if self.unknown_until[input].is_some_and(|end| tick - end < bridge) => {}
            (None, true) => {
                // A heartbeat may overtake the edge of a bounce: then the pulse was told too early.
                let recent = self
                    .pulses
                    .iter()
                    .rposition(|pulse| pulse.direction == direction);
                let recent = recent.filter(|i| tick - self.pulses[*i].end < bridge);
                self.open[input] = Some(match recent {
                    Some(index) => {
                        let pulse = self.pulses.remove(index);
                        effect.withdrawn.push(pulse);
                        self.bounces += 1;
                        Open {
                            start: pulse.start,
                            end: None,
                            bridged: pulse.bridged.saturating_add(1),
                        }
                    }
                    None => Open {
                        start: tick,
                        end: None,
                        bridged: 0,
                    },
                });
            }
            (None, false) => self.unknown_until[input] = Some(tick),
        }
    }

    /// Closes the pulses whose contact has been open for the bridge at `tick`. The tick of an edge
    /// shows that nothing came between; that of another line may have overtaken the edge that goes
    /// on with a pulse, so that a short one is not dropped by it.
    fn close(&mut self, tick: i64, in_order: bool, effect: &mut Effect) {
        for input in 0..INPUTS {
            let Some(Open {
                start,
                end: Some(end),
                bridged,
            }) = self.open[input]
            else {
                continue;
            };
            let short = end - start < self.least;
            if tick.saturating_sub(end) < self.bridge || short && !in_order {
                continue;
            }
            self.open[input] = None;
            if short {
                self.dropped_short += 1;
                continue;
            }
            let pulse = TickPulse {
                direction: self.inputs[input],
                start,
                end,
                bridged,
            };
            self.pulses.push(pulse);
            effect.closed.push(pulse);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Bridge of 10 ticks, shortest pulse of 5.
    fn tracker() -> Tracker {
        Tracker::new(&Direction::ALL, 0, 10, 5)
    }

    fn spans(pulses: &[TickPulse]) -> Vec<(i64, i64)> {
        pulses.iter().map(|p| (p.start, p.end)).collect()
    }

    #[test]
    fn a_pulse_is_told_when_the_bridge_has_passed() {
        let mut tracker = tracker();
        tracker.edge(7, 100, 1);
        assert!(tracker.edge(8, 200, 0).closed.is_empty());
        assert!(tracker.time(209).closed.is_empty());
        assert_eq!(spans(&tracker.time(210).closed), [(100, 200)]);
    }

    #[test]
    fn bounce_is_bridged_even_when_a_heartbeat_overtook_it() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.edge(1, 103, 0);
        tracker.edge(2, 105, 1);
        tracker.edge(3, 200, 0);
        assert_eq!(spans(&tracker.time(300).closed), [(100, 200)]);
        let effect = tracker.edge(4, 205, 1);
        assert_eq!(spans(&effect.withdrawn), [(100, 200)]);
        tracker.edge(5, 240, 0);
        assert_eq!(spans(&tracker.end(true).closed), [(100, 240)]);
        assert_eq!(tracker.bounces, 2);
    }

    #[test]
    fn bounce_at_the_leading_edge_is_bridged_though_a_heartbeat_overtook_it() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.edge(1, 103, 0);
        tracker.time(150);
        tracker.edge(2, 105, 1);
        tracker.edge(3, 200, 0);
        assert_eq!(spans(&tracker.end(true).closed), [(100, 200)]);
        assert_eq!((tracker.bounces, tracker.dropped_short), (1, 0));
    }

    #[test]
    fn a_gap_in_the_sequence_spoils_the_pulses_on_both_sides() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.edge(1, 200, 0);
        tracker.edge(2, 300, 1);
        assert_eq!(spans(&tracker.edge(3, 400, 0).closed), []);
        tracker.time(450);
        assert_eq!(tracker.pulses.len(), 2);
        let effect = tracker.edge(6, 700, 1);
        assert_eq!(
            (effect.lost, spans(&effect.withdrawn)),
            (Some(2), vec![(300, 400)])
        );
        tracker.edge(7, 800, 0);
        tracker.edge(8, 900, 2);
        tracker.edge(9, 1000, 0);
        tracker.end(true);
        assert_eq!(spans(&tracker.pulses), [(100, 200), (900, 1000)]);
        assert_eq!(tracker.gaps, [Gap { from: 400, to: 700 }]);
    }

    #[test]
    fn bounce_after_a_lost_leading_edge_is_no_leading_edge() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.edge(1, 200, 0);
        // The edge 2 at 300 is lost; the contact bounces twice.
        tracker.edge(3, 304, 0);
        tracker.edge(4, 307, 1);
        tracker.edge(5, 309, 0);
        tracker.edge(6, 315, 1);
        tracker.edge(7, 400, 0);
        tracker.edge(8, 500, 1);
        tracker.edge(9, 600, 0);
        tracker.end(true);
        assert_eq!(spans(&tracker.pulses), [(500, 600)]);
    }

    #[test]
    fn a_damaged_line_that_was_no_edge_spoils_nothing() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.damaged();
        tracker.edge(1, 200, 0);
        tracker.damaged();
        // Told only when the next edge is in sequence.
        assert!(tracker.time(300).closed.is_empty());
        assert_eq!(spans(&tracker.edge(2, 400, 1).closed), [(100, 200)]);
    }

    #[test]
    fn the_end_after_a_damaged_line_or_a_broken_line_spoils_the_last_pulse() {
        for clean in [false, true] {
            let mut tracker = tracker();
            tracker.edge(0, 100, 1);
            tracker.edge(1, 200, 0);
            if clean {
                tracker.damaged();
            }
            tracker.end(clean);
            assert!(tracker.pulses.is_empty());
            assert_eq!(tracker.gaps.len(), 1);
        }
    }

    #[test]
    fn a_pulse_that_was_told_outlasts_a_broken_line() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.edge(1, 200, 0);
        tracker.edge(2, 290, 1);
        assert!(tracker.end(false).withdrawn.is_empty());
        assert_eq!(spans(&tracker.pulses), [(100, 200)]);
    }

    #[test]
    fn an_edge_that_changes_nothing_or_runs_backwards_is_a_gap() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 1);
        tracker.edge(1, 150, 1);
        tracker.edge(2, 200, 0);
        tracker.edge(3, 180, 2);
        tracker.edge(4, 300, 0);
        tracker.end(true);
        assert!(tracker.pulses.is_empty());
        assert_eq!(tracker.gaps.len(), 2);
    }

    #[test]
    fn of_several_switches_closed_at_the_first_edge_none_has_a_leading_edge() {
        let mut tracker = tracker();
        tracker.edge(0, 100, 3);
        tracker.edge(1, 200, 1);
        tracker.edge(2, 300, 0);
        tracker.end(true);
        assert!(tracker.pulses.is_empty());
        assert_eq!(tracker.gaps[0].to, 100);
    }

    proptest! {
        /// Pulses of one input with pauses of more than the bridge, some with bounce; any lines left out:
        /// what comes out was put in.
        #[test]
        fn whatever_is_lost_no_wrong_pulse_comes_out(
            parts in proptest::collection::vec(
                (11..500i64, 5..500i64, any::<[bool; 4]>(), any::<bool>()),
                1..60,
            ),
            damaged in any::<bool>(),
        ) {
            let mut tracker = tracker();
            let (mut tick, mut sequence) = (0, 65_500u16);
            let mut put_in = Vec::new();
            // What comes before the first edge can't be told from an open switch: it is seen here.
            tracker.edge(sequence.wrapping_sub(1), 0, 0);
            for (pause, width, lose, bounces) in parts {
                let start = tick + pause;
                tick = start + width;
                put_in.push((start, tick));
                let edges = [(start, 1), (start + 2, 0), (start + 4, 1), (tick, 0)];
                for (place, (at, levels)) in edges.into_iter().enumerate() {
                    if !bounces && (place == 1 || place == 2) {
                        continue;
                    }
                    if !lose[place] {
                        tracker.edge(sequence, at, levels);
                    } else if damaged {
                        tracker.damaged();
                    }
                    sequence = sequence.wrapping_add(1);
                }
            }
            // A gap at the very end leaves no trace but where the line was seen damaged: then the
            // last edge that came is of no use.
            tracker.end(damaged);
            for span in spans(&tracker.pulses) {
                prop_assert!(put_in.contains(&span), "{span:?}");
            }
        }
    }
}
