//! From the entries of a journal to the run: requests and pulses on one clock.
//!
//! Live and afterwards the same entries go through the same code, so that a run that was killed and
//! one that went on give the same pulses.

use std::collections::BTreeMap;

use wire::{
    Capture, Channel, Direction, Format, Level, MatchOptions, Pulse, PulseList, Request,
    TickLength, Warning,
};

use crate::clock::{Alignment, Exchange, Timeline};
use crate::journal::Entry;
use crate::link::Identity;
use crate::plan::{Plan, Planned};
use crate::tracker::{Effect, Gap, TickPulse, Tracker};

mod recorded;

pub use recorded::{GPIO_LATENCY_MS, GPIO_VERSION, HOST_PPM, LATENCY_MS, RecordCounts, Recorded};

/// A pulse may begin so long after its request ended and still be missed in a gap, in s: stragglers
/// are 30 to 50 ms late (common practice, no source).
const LATE_S: f64 = 0.25;
/// A pulse may seem to start so much before its request, in s, by the uncertainty of the clocks.
const EARLY_S: f64 = 0.05;
/// One damaged line in so many is too much for the lines' sum, which is blind to two flips of the same
/// bit. At that rate about one line in 20,000 is wrong with a right sum: two flips in a line, 0.05^2 / 2;
/// of the same bit, an eighth; that leave digits, about a third.
const NOISY: u64 = 20;
/// Parts of a run that was resumed are at least so far apart, in s, whatever the time of day says.
const BETWEEN_LEGS_S: f64 = 60.0;

/// How the edges of the rig are taken.
#[derive(Clone, PartialEq, Debug)]
pub struct EdgeSettings {
    /// Direction of each input, the first for input 0.
    pub inputs: Vec<Direction>,
    /// A gap shorter than this is bounce, in s.
    pub bridge_s: f64,
    /// A pulse shorter than this is dropped, in s.
    pub min_pulse_s: f64,
    /// The longest start delay that is looked for, in s.
    pub max_delay_s: f64,
}

impl Default for EdgeSettings {
    fn default() -> EdgeSettings {
        let wire = wire::Settings::default();
        EdgeSettings {
            inputs: Direction::ALL.to_vec(),
            bridge_s: wire.bridge_s,
            min_pulse_s: wire.min_pulse_s,
            max_delay_s: MatchOptions::default().max_delay_s,
        }
    }
}

/// One request, as far as is known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RequestState {
    /// What was asked for.
    pub planned: Planned,
    /// The leg in which it was made.
    leg: usize,
    /// When it was about to be made, in host seconds of its leg.
    pub asked_s: f64,
    /// Time of issue, where known, in host seconds of its leg.
    pub issued_s: Option<f64>,
    /// How far that may be off, in s.
    pub uncertainty_s: f64,
    /// What became of asking.
    pub sent: Sent,
}

/// What became of asking.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Sent {
    /// Nothing is known yet.
    Unknown,
    /// It was made.
    Made,
    /// It was not, or it isn't known whether; known at that host second.
    Failed(f64),
}

/// One epoch of the rig.
#[derive(Clone, Debug)]
pub(crate) struct Epoch {
    pub(crate) identity: Identity,
    leg: usize,
    began_s: f64,
    ended_s: Option<f64>,
    clean: bool,
    pub(crate) exchanges: Vec<Exchange>,
    pub(crate) tracker: Tracker,
}

/// A run as its entries tell it.
#[derive(Clone, Debug)]
pub struct Record {
    settings: EdgeSettings,
    /// Its plan, once it began.
    pub plan: Option<Plan>,
    /// Time of day and host seconds at the start of each leg.
    legs: Vec<(f64, f64)>,
    /// The latest host second of each leg.
    leg_ends: Vec<f64>,
    pub(crate) epochs: Vec<Epoch>,
    pub(crate) requests: BTreeMap<u64, RequestState>,
    /// Lines that were damaged.
    pub damaged: u64,
    /// Whether it ended, and whether by its plan.
    pub ended: Option<bool>,
}

impl Record {
    /// A run without entries.
    pub fn new(settings: EdgeSettings) -> Record {
        Record {
            settings,
            plan: None,
            legs: Vec::new(),
            leg_ends: Vec::new(),
            epochs: Vec::new(),
            requests: BTreeMap::new(),
            damaged: 0,
            ended: None,
        }
    }

    /// A run from all its entries, in order.
    pub fn replay(settings: EdgeSettings, entries: &[Entry]) -> Record {
        let mut record = Record::new(settings);
        for entry in entries {
            record.apply(entry);
        }
        record
    }

    /// Takes one more entry.
    pub fn take(&mut self, entry: &Entry) {
        self.apply(entry);
    }

    /// Edges received so far.
    pub fn edges(&self) -> u64 {
        self.epochs.iter().map(|epoch| epoch.tracker.edges).sum()
    }

    /// The first request that was not begun.
    pub fn next_index(&self) -> u64 {
        self.requests.keys().next_back().map_or(0, |last| last + 1)
    }

    /// The rig of the run, once one answered.
    pub fn identity(&self) -> Option<&Identity> {
        self.epochs.first().map(|epoch| &epoch.identity)
    }

    /// Takes an entry, and says what it means for the pulses of the present epoch.
    pub(crate) fn apply(&mut self, entry: &Entry) -> Effect {
        let leg = self.legs.len().saturating_sub(1);
        let mut effect = Effect::default();
        match entry {
            Entry::Begin { plan } => self.plan = Some(plan.clone()),
            Entry::Leg { label_s, host_s } => {
                // An epoch that was under way when the program was killed ended there.
                effect = self.end_epoch(None, false);
                self.legs.push((*label_s, *host_s));
                self.leg_ends.push(*host_s);
                self.ended = None;
            }
            Entry::Epoch { identity, host_s } => {
                effect = self.end_epoch(Some(*host_s), false);
                let hz = f64::from(identity.tick_hz.max(1));
                let ticks = |seconds: f64| (seconds * hz).round() as i64;
                self.epochs.push(Epoch {
                    identity: identity.clone(),
                    leg,
                    began_s: *host_s,
                    ended_s: None,
                    clean: false,
                    exchanges: Vec::new(),
                    tracker: Tracker::new(
                        &self.settings.inputs,
                        0,
                        ticks(self.settings.bridge_s),
                        ticks(self.settings.min_pulse_s),
                    ),
                });
                self.at(*host_s);
            }
            Entry::EpochEnd { host_s, clean } => {
                effect = self.end_epoch(Some(*host_s), *clean);
                self.at(*host_s);
            }
            Entry::Request {
                index,
                planned,
                host_s,
            } => {
                let state = RequestState {
                    planned: *planned,
                    leg,
                    asked_s: *host_s,
                    issued_s: None,
                    uncertainty_s: 0.0,
                    sent: Sent::Unknown,
                };
                self.requests.insert(*index, state);
                self.at(*host_s);
            }
            Entry::Issued {
                index,
                issued_s,
                uncertainty_s,
            } => {
                if let Some(request) = self.requests.get_mut(index) {
                    request.issued_s = *issued_s;
                    request.uncertainty_s = *uncertainty_s;
                    request.sent = Sent::Made;
                }
            }
            Entry::NotIssued { index, host_s, .. } => {
                if let Some(request) = self.requests.get_mut(index) {
                    request.sent = Sent::Failed(*host_s);
                }
                self.at(*host_s);
            }
            Entry::Edge {
                sequence,
                tick,
                levels,
            } => {
                if let Some(epoch) = self.open_epoch() {
                    effect = epoch.tracker.edge(*sequence, *tick, *levels);
                }
            }
            Entry::Tick { tick } => {
                if let Some(epoch) = self.open_epoch() {
                    effect = epoch.tracker.time(*tick);
                }
            }
            Entry::Exchange(exchange) => {
                if let Some(epoch) = self.open_epoch() {
                    epoch.exchanges.push(*exchange);
                    effect = epoch.tracker.time(exchange.tick);
                }
                self.at(exchange.received_s);
            }
            Entry::Damaged => {
                self.damaged += 1;
                if let Some(epoch) = self.open_epoch() {
                    epoch.tracker.damaged();
                }
            }
            Entry::Lost { count } => {
                if let Some(epoch) = self.open_epoch() {
                    epoch.tracker.told_lost(*count);
                }
            }
            Entry::End { host_s, complete } => {
                self.ended = Some(*complete);
                self.at(*host_s);
            }
        }
        effect
    }

    /// The epoch that goes on.
    pub(crate) fn open_epoch(&mut self) -> Option<&mut Epoch> {
        self.epochs
            .last_mut()
            .filter(|epoch| epoch.ended_s.is_none())
    }

    fn end_epoch(&mut self, host_s: Option<f64>, clean: bool) -> Effect {
        let leg_end = self.leg_ends.last().copied().unwrap_or(0.0);
        match self.open_epoch() {
            Some(epoch) => {
                epoch.ended_s = Some(host_s.unwrap_or(leg_end));
                epoch.clean = clean;
                epoch.tracker.end(clean)
            }
            None => Effect::default(),
        }
    }

    /// Notes that the leg lasted until `host_s`.
    fn at(&mut self, host_s: f64) {
        if let Some(end) = self.leg_ends.last_mut() {
            *end = end.max(host_s);
        }
    }

    /// What is added to the host seconds of each leg so that all are on one clock: the first leg's.
    /// Between legs only the time of day tells how much passed; it may have been set, so that at least
    /// the order is kept. No start delay is taken across legs.
    fn leg_shifts(&self) -> Vec<f64> {
        let mut shifts: Vec<f64> = Vec::with_capacity(self.legs.len());
        let mut end = f64::NEG_INFINITY;
        for (&(label_s, host_s), &leg_end) in self.legs.iter().zip(&self.leg_ends) {
            let (first_label, first_host) = self.legs.first().copied().unwrap_or((0.0, 0.0));
            let by_label = first_host + (label_s - first_label) - host_s;
            let least = end + BETWEEN_LEGS_S - host_s;
            // A date that is off by years would leave no digits for the microseconds.
            let shift = if by_label >= least && by_label < 1e7 {
                by_label
            } else {
                least.max(0.0)
            };
            let shift = if shifts.is_empty() { 0.0 } else { shift };
            shifts.push(shift);
            end = leg_end + shift;
        }
        shifts
    }

    /// The run so far: what is sure of it.
    pub fn conclude(&self) -> Recorded {
        let shifts = self.leg_shifts();
        let shift = |leg: usize| shifts.get(leg).copied().unwrap_or(0.0);
        let mut counts = RecordCounts {
            damaged: self.damaged,
            epochs: self.epochs.len() as u64,
            ..RecordCounts::default()
        };
        let mut channels = self.channels();
        let mut unsure: Vec<(f64, f64)> = Vec::new();
        let mut pulses: Vec<Pulse> = Vec::new();
        let (mut bounces, mut dropped_short) = (0, 0);
        let mut skew = None;
        let mut longest = 0;
        let mut alignment_s: Option<f64> = None;
        let mut spans: Vec<(f64, f64)> = Vec::new();
        for epoch in &self.epochs {
            let mut tracker = epoch.tracker.clone();
            if epoch.ended_s.is_none() {
                tracker.end(false);
            }
            let shift_s = shift(epoch.leg);
            counts.edges += tracker.edges;
            counts.edges_lost += tracker.lost;
            counts.gaps += tracker.gaps.len() as u64;
            bounces += tracker.bounces;
            dropped_short += tracker.dropped_short;
            for (channel, edges) in channels.iter_mut().zip(tracker.input_edges) {
                channel.edges += edges;
            }
            let began_s = epoch.began_s + shift_s;
            let ended_s = epoch.ended_s.map_or(f64::INFINITY, |s| s + shift_s);
            let Some(timeline) = Timeline::fit(&epoch.exchanges, epoch.identity.tick_hz) else {
                // Without an exchange nothing of it has a time.
                unsure.push((began_s, ended_s));
                counts.pulses_dropped += tracker.pulses.len() as u64;
                spans.push((began_s, began_s));
                continue;
            };
            let host = |tick: i64| timeline.at(tick).host_s(tick).value + shift_s;
            for &Gap { from, to } in &tracker.gaps {
                let from_s = if from == i64::MIN {
                    began_s
                } else {
                    host(from)
                };
                unsure.push((from_s, host(to)));
            }
            let hz = f64::from(epoch.identity.tick_hz.max(1));
            for pulse in &tracker.pulses {
                if tracker.gaps.iter().any(|gap| gap.spoils(pulse)) {
                    counts.pulses_dropped += 1;
                    continue;
                }
                let alignment = timeline.at(pulse.start);
                let start = alignment.host_s(pulse.start);
                alignment_s = Some(alignment_s.unwrap_or(0.0).max(start.uncertainty()));
                let rate = 1.0 + alignment.skew().value;
                let width_s = (pulse.end - pulse.start) as f64 / hz * rate;
                pulses.push(in_ns(pulse, start.value + shift_s, width_s));
            }
            if epoch.exchanges.len() > longest {
                longest = epoch.exchanges.len();
                let widest = |a: &&Alignment, b: &&Alignment| {
                    let width = |x: &Alignment| x.skew().uncertainty();
                    width(a).total_cmp(&width(b))
                };
                skew = timeline.alignments().max_by(widest).map(Alignment::skew);
            }
            spans.push((began_s, ended_s.min(host(tracker.latest()).max(began_s))));
        }
        self.breaks(&spans, &mut unsure);
        pulses.sort_by_key(|pulse| pulse.start);
        let (requests, issue_s) = self.known_requests(&pulses, &mut unsure, &mut counts, &shifts);
        let before = pulses.len();
        pulses.retain(|pulse| {
            let (start, end) = (seconds(pulse.start), seconds(pulse.end));
            !unsure.iter().any(|(from, to)| start <= *to && end >= *from)
        });
        counts.pulses_dropped += (before - pulses.len()) as u64;
        let tick_hz = self
            .identity()
            .map_or(1, |identity| identity.tick_hz.max(1));
        let shared_clock = requests.iter().all(|request| request.issued_s.is_some());
        let capture = self.capture(pulses, channels, tick_hz, (bounces, dropped_short), &counts);
        Recorded {
            requests,
            capture,
            options: MatchOptions {
                shared_clock,
                max_delay_s: self.settings.max_delay_s,
            },
            counts,
            skew,
            alignment_s,
            issue_s,
            tick_hz,
            latency_ms: self.identity().map_or(LATENCY_MS, recorded::latency_ms),
        }
    }

    /// Between two epochs nothing was timed; nor was what followed the last edge of one that broke off.
    fn breaks(&self, spans: &[(f64, f64)], unsure: &mut Vec<(f64, f64)>) {
        for (index, (epoch, span)) in self.epochs.iter().zip(spans).enumerate() {
            if index == 0 {
                unsure.push((f64::NEG_INFINITY, span.0));
            }
            let next = spans.get(index + 1).map_or(f64::INFINITY, |next| next.0);
            if !epoch.clean || next.is_finite() {
                unsure.push((span.1, next));
            }
        }
    }

    /// The requests that no unsure span touches, by time. Requests that may or may not have been made
    /// make their own time unsure.
    fn known_requests(
        &self,
        pulses: &[Pulse],
        unsure: &mut Vec<(f64, f64)>,
        counts: &mut RecordCounts,
        shifts: &[f64],
    ) -> (Vec<Request>, f64) {
        let late_s = self
            .plan
            .as_ref()
            .map_or(LATE_S, |plan| LATE_S.min(0.5 * plan.spacing_s));
        let shift = |request: &RequestState| shifts.get(request.leg).copied().unwrap_or(0.0);
        let span = |request: &RequestState| {
            let from = request.issued_s.unwrap_or(request.asked_s) + shift(request);
            let to = from + request.planned.width_ms / 1000.0 + late_s;
            // What came after the request's own pulse does not matter to it.
            let begin = pulses.partition_point(|p| seconds(p.start) < from - EARLY_S);
            let own = pulses
                .iter()
                .skip(begin)
                .take_while(|p| seconds(p.start) < to);
            let own = own
                .filter(|p| p.direction == Some(request.planned.direction))
                .map(|p| seconds(p.end))
                .next();
            (from, own.unwrap_or(to))
        };
        for request in self.requests.values() {
            let end = match request.sent {
                Sent::Made => continue,
                Sent::Failed(host_s) => host_s + shift(request),
                Sent::Unknown => f64::NEG_INFINITY,
            };
            let (from, to) = span(request);
            unsure.push((from, to.max(end + late_s)));
        }
        let mut requests = Vec::new();
        let mut issue_s: f64 = 0.0;
        for (index, request) in &self.requests {
            let (from, to) = span(request);
            let touched = unsure.iter().any(|(a, b)| from <= *b && to >= *a);
            if request.sent != Sent::Made || touched {
                counts.requests_dropped += 1;
                continue;
            }
            issue_s = issue_s.max(request.uncertainty_s);
            requests.push(Request {
                direction: Some(request.planned.direction),
                width_ms: request.planned.width_ms,
                issued_s: request.issued_s.map(|s| s + shift(request)),
                line: index.saturating_add(1),
            });
        }
        (requests, issue_s)
    }

    fn channels(&self) -> Vec<Channel> {
        let inputs = self.identity().map_or(4, |identity| identity.inputs);
        let named = self.settings.inputs.iter().take(usize::from(inputs));
        named
            .enumerate()
            .map(|(input, direction)| Channel {
                name: format!("input {input}"),
                direction: Some(*direction),
                idle: Level::Low,
                edges: 0,
                pulses: 0,
                levels: None,
            })
            .collect()
    }

    fn capture(
        &self,
        pulses: Vec<Pulse>,
        mut channels: Vec<Channel>,
        tick_hz: u32,
        (bounces, dropped_short): (u64, u64),
        counts: &RecordCounts,
    ) -> Capture {
        let mut list = PulseList::new();
        for pulse in &pulses {
            list.push(*pulse);
            for channel in &mut channels {
                channel.pulses += u64::from(channel.direction == pulse.direction);
            }
        }
        let shifts = self.leg_shifts();
        let end_s = shifts
            .last()
            .zip(self.leg_ends.last())
            .map_or(0.0, |(a, b)| a + b);
        let begin_s = self.legs.first().map_or(0.0, |(_, host_s)| *host_s);
        let mut warnings = Vec::new();
        if counts.gaps > 0 {
            warnings.push(Warning::new(
                format!(
                    "edges may have been lost {} times: {} pulses and {} requests are left out",
                    counts.gaps, counts.pulses_dropped, counts.requests_dropped
                ),
                "a reset, a pulled cable, a run that was cut off or noise on the line: pulses of that time are left out; where none of it is known of, look at the cable",
            ));
        }
        let exchanges: usize = self.epochs.iter().map(|e| e.exchanges.len()).sum();
        let lines = counts.edges + exchanges as u64 + counts.damaged;
        if counts.damaged * NOISY > lines {
            warnings.push(Warning::new(
                format!(
                    "{} of {lines} lines from the rig were damaged: so many that others may be wrong unnoticed",
                    counts.damaged
                ),
                "do not rely on this run: mend the cable between rig and computer, and run it again",
            ));
        }
        Capture {
            format: Format::EdgesCsv,
            tick: TickLength::NANOSECOND,
            resolution_s: 1.0 / f64::from(tick_hz),
            begin: nanoseconds(begin_s),
            end: nanoseconds(end_s),
            channels,
            pulses: list,
            cut: Vec::new(),
            bounces,
            dropped_short,
            coupling: None,
            notes: vec!["Timed live by a rig.".into()],
            warnings,
            measured: None,
            bytes: 0,
        }
    }
}

fn seconds(nanoseconds: i64) -> f64 {
    TickLength::NANOSECOND.seconds(nanoseconds)
}

/// The nearest nanosecond; a cast saturates.
fn nanoseconds(seconds: f64) -> i64 {
    ((seconds * 1e9).round() as i64).clamp(-wire::MAX_TICKS, wire::MAX_TICKS)
}

fn in_ns(pulse: &TickPulse, start_s: f64, width_s: f64) -> Pulse {
    let start = nanoseconds(start_s);
    Pulse {
        direction: Some(pulse.direction),
        start,
        end: start.saturating_add(nanoseconds(width_s).max(1)),
        bridged: pulse.bridged,
    }
}
