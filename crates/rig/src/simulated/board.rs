//! The inside of the simulated rig: its counter, its buffer, its line; and the chain at its inputs.

use std::collections::VecDeque;

use stats::random::Random;
use wire::Direction;

use super::{ChainLaw, LineFaults, RigOptions, TruePulse};
use crate::link::{Edge, FromRig, Identity, LineReader, Message, Received, ToRig};

/// A byte with its start and stop bit at 115,200 baud, in s.
const BYTE_S: f64 = 10.0 / 115_200.0;
/// Changes closer than this share a line, in s: the tick of the firmware.
const RESOLUTION_S: f64 = 5e-7;
/// The contact opens for so long where it bounces, in s, and so long after it closed.
const BOUNCE_S: (f64, f64) = (0.0003, 0.0002);

/// A change at an input that is still to come.
#[derive(Clone, Copy)]
struct Change {
    at_s: f64,
    input: u8,
    closed: bool,
}

impl Change {
    /// `levels` after it.
    fn applied(self, levels: u8) -> u8 {
        let bit = 1u8 << self.input;
        if self.closed {
            levels | bit
        } else {
            levels & !bit
        }
    }
}

/// Rig, chain and line; everything in host seconds.
pub(super) struct Board {
    options: RigOptions,
    law: ChainLaw,
    chain_random: Random,
    line_random: Random,
    faults: LineFaults,
    /// When the counter was at `first_tick`.
    started_s: f64,
    now_s: f64,
    going: bool,
    sequence: u16,
    levels: u8,
    heartbeat_s: f64,
    /// By time.
    changes: VecDeque<Change>,
    /// Edges that wait for the line.
    waiting: VecDeque<Edge>,
    lost: u32,
    /// Lines that wait for the line, before any edge.
    answers: VecDeque<FromRig>,
    /// When the line from the rig is free again.
    free_s: f64,
    /// Bytes on their way to the host, each with its time of arrival.
    out: VecDeque<(f64, u8)>,
    /// Lines on their way to the rig.
    incoming: VecDeque<(f64, Vec<u8>)>,
    reader: LineReader<ToRig>,
    /// The number of the connection, while the cable is in.
    connection: Option<u64>,
    connections: u64,
    plugged: bool,
    pulses: Vec<TruePulse>,
}

impl Board {
    pub(super) fn new(options: RigOptions, law: ChainLaw, now: f64) -> Board {
        let mut board = Board {
            chain_random: Random::new(law.seed),
            line_random: Random::new(options.seed),
            options,
            law,
            faults: LineFaults::default(),
            started_s: now,
            now_s: now,
            going: false,
            sequence: 0,
            levels: 0,
            heartbeat_s: now + 1.0,
            changes: VecDeque::new(),
            waiting: VecDeque::new(),
            lost: 0,
            answers: VecDeque::new(),
            free_s: now,
            out: VecDeque::new(),
            incoming: VecDeque::new(),
            reader: LineReader::new(),
            connection: None,
            connections: 0,
            plugged: true,
            pulses: Vec::new(),
        };
        let identity = board.identity();
        board.answers.push_back(identity);
        board
    }

    pub(super) fn set_faults(&mut self, faults: LineFaults) {
        self.faults = faults;
    }

    pub(super) fn set_serial(&mut self, serial: &str) {
        serial.clone_into(&mut self.options.serial);
    }

    pub(super) fn true_pulses(&self) -> &[TruePulse] {
        &self.pulses
    }

    /// A new connection, if the cable is in. The one before is at its end.
    pub(super) fn connect(&mut self) -> Option<u64> {
        if !self.plugged {
            return None;
        }
        self.connections += 1;
        self.connection = Some(self.connections);
        self.out.clear();
        self.connection
    }

    pub(super) fn is_connected(&self, connection: u64) -> bool {
        self.connection == Some(connection)
    }

    pub(super) fn unplug(&mut self) {
        self.plugged = false;
        self.connection = None;
        self.out.clear();
        self.incoming.clear();
    }

    pub(super) fn plug(&mut self, now: f64, powered: bool) {
        self.plugged = true;
        if !powered {
            self.reset(now);
        }
    }

    /// As after power comes on: counter and sequence begin again, no edges are sent until `G`.
    pub(super) fn reset(&mut self, now: f64) {
        self.started_s = now;
        self.options.first_tick = 0;
        self.going = false;
        self.sequence = 0;
        self.waiting.clear();
        self.answers.clear();
        self.lost = 0;
        self.heartbeat_s = now + 1.0;
        self.reader = LineReader::new();
        self.answers.push_back(self.identity());
    }

    pub(super) fn set_input(&mut self, at_s: f64, input: u8, closed: bool) {
        let change = Change {
            at_s,
            input: input.min(7),
            closed,
        };
        let place = self.changes.partition_point(|c| c.at_s <= at_s);
        self.changes.insert(place, change);
    }

    /// The chain takes a request.
    pub(super) fn ask(&mut self, now: f64, direction: Direction, width_ms: f64) {
        let random = &mut self.chain_random;
        let delay_ms = self.law.delay_ms.sample(random).max(0.0);
        let actual_ms = width_ms + self.law.error_ms.sample(random);
        let missing = random.uniform() < self.law.missing;
        let bounces = random.uniform() < self.law.bounce;
        // A NaN of a law without valid parameters is no pulse.
        if missing || !(actual_ms > 0.0 && delay_ms.is_finite()) {
            return;
        }
        let input = Direction::ALL.iter().position(|d| *d == direction);
        let input = input.unwrap_or_default() as u8;
        let start_s = now + delay_ms / 1000.0;
        let end_s = start_s + actual_ms / 1000.0;
        self.set_input(start_s, input, true);
        if bounces {
            self.set_input(start_s + BOUNCE_S.0, input, false);
            self.set_input(start_s + BOUNCE_S.0 + BOUNCE_S.1, input, true);
        }
        self.set_input(end_s, input, false);
        self.pulses.push(TruePulse {
            direction,
            requested_ms: width_ms,
            asked_s: now,
            start_s,
            end_s,
        });
    }

    /// Every switch opens now, and what was to come does not.
    pub(super) fn release(&mut self, now: f64) {
        self.changes.clear();
        for pulse in &mut self.pulses {
            pulse.end_s = pulse.end_s.min(now.max(pulse.start_s));
        }
        self.pulses.retain(|pulse| pulse.end_s > pulse.start_s);
        for input in 0..8 {
            if self.levels & (1 << input) != 0 {
                self.set_input(now, input, false);
            }
        }
    }

    /// When something happens next.
    pub(super) fn next_s(&self) -> f64 {
        let anything = !self.answers.is_empty() || !self.waiting.is_empty() || self.lost > 0;
        let times = [
            Some(self.heartbeat_s),
            anything.then_some(self.free_s),
            self.changes.front().map(|c| c.at_s),
            self.out.front().map(|(at, _)| *at),
            self.incoming.front().map(|(at, _)| *at),
        ];
        times.into_iter().flatten().fold(f64::INFINITY, f64::min)
    }

    /// Lets everything happen that is due until `now`, in order.
    pub(super) fn advance(&mut self, now: f64) {
        loop {
            let change = self.changes.front().map_or(f64::INFINITY, |c| c.at_s);
            let line = self.incoming.front().map_or(f64::INFINITY, |(at, _)| *at);
            let next = change.min(line).min(self.heartbeat_s);
            // Lines that are due go out before that.
            self.send(next.min(now));
            if next > now {
                break;
            }
            self.now_s = self.now_s.max(next);
            if change <= next {
                self.change();
            } else if line <= next {
                if let Some((at, bytes)) = self.incoming.pop_front() {
                    self.take(at, &bytes);
                }
            } else {
                self.heartbeat_s += 1.0;
                let heartbeat = FromRig::Heartbeat(self.tick(next));
                self.answers.push_back(heartbeat);
            }
        }
        self.now_s = self.now_s.max(now);
    }

    /// Bytes that have arrived.
    pub(super) fn read(&mut self, now: f64, buffer: &mut [u8]) -> usize {
        let mut count = 0;
        for place in buffer.iter_mut() {
            match self.out.front() {
                Some((at, byte)) if *at <= now => *place = *byte,
                _ => break,
            }
            self.out.pop_front();
            count += 1;
        }
        count
    }

    /// Bytes from the host set out.
    pub(super) fn write(&mut self, now: f64, bytes: &[u8]) {
        let latency = self.options.latency_s * self.line_random.exponential();
        let before = self.incoming.back().map_or(now, |(at, _)| *at);
        let at = before.max(now) + latency + bytes.len() as f64 * BYTE_S;
        self.incoming.push_back((at, bytes.to_vec()));
    }

    fn tick(&self, at_s: f64) -> u32 {
        let rate = f64::from(self.options.tick_hz) * (1.0 + 1e-6 * self.options.rate_error_ppm);
        let ticks = ((at_s - self.started_s) * rate).max(0.0) as u64;
        // The counter wraps.
        (ticks as u32).wrapping_add(self.options.first_tick)
    }

    fn identity(&self) -> FromRig {
        FromRig::Identity(Identity {
            version: env!("CARGO_PKG_VERSION").into(),
            tick_hz: self.options.tick_hz,
            inputs: 4,
            serial: self.options.serial.clone(),
        })
    }

    fn change(&mut self) {
        let Some(change) = self.changes.pop_front() else {
            return;
        };
        let mut levels = change.applied(self.levels);
        // Inputs that change within the rig's resolution share one line.
        let same = |next: &Change| next.at_s - change.at_s <= RESOLUTION_S;
        while self.changes.front().is_some_and(same) {
            if let Some(next) = self.changes.pop_front() {
                levels = next.applied(levels);
            }
        }
        if levels == self.levels {
            return;
        }
        self.levels = levels;
        if !self.going {
            return;
        }
        let sequence = self.sequence;
        self.sequence = self.sequence.wrapping_add(1);
        // After a loss none is timed until all that waits has been sent, so that the hole is one.
        if self.lost > 0 || self.waiting.len() >= self.options.buffer {
            self.lost = self.lost.saturating_add(1);
            return;
        }
        self.waiting.push_back(Edge {
            sequence,
            tick: self.tick(change.at_s),
            levels,
        });
    }

    fn take(&mut self, at: f64, bytes: &[u8]) {
        let mut lines = Vec::new();
        self.reader.push(bytes, &mut |line| lines.push(line));
        for line in lines {
            match line {
                Received::Message(ToRig::Identify) => {
                    let identity = self.identity();
                    self.answers.push_back(identity);
                }
                Received::Message(ToRig::Sync(token)) => {
                    let tick = self.tick(at);
                    self.answers.push_back(FromRig::Sync { token, tick });
                }
                Received::Message(ToRig::Go) => self.going = true,
                Received::Message(ToRig::Stop) => self.going = false,
                Received::Damaged | Received::Unknown => {}
            }
        }
    }

    /// Puts lines on the line while it is free before `until`.
    fn send(&mut self, until: f64) {
        loop {
            let begin = self.free_s.max(self.now_s);
            if begin > until {
                return;
            }
            let message = if let Some(answer) = self.answers.pop_front() {
                answer
            } else if let Some(edge) = self.waiting.pop_front() {
                FromRig::Edge(edge)
            } else if self.lost > 0 {
                FromRig::Lost(std::mem::take(&mut self.lost))
            } else {
                return;
            };
            self.put(begin, &message.line());
        }
    }

    /// Sends a line through the faults.
    fn put(&mut self, begin: f64, line: &str) {
        let random = &mut self.line_random;
        let mut latency = self.options.latency_s * random.exponential();
        if random.uniform() < self.faults.late {
            latency += self.faults.late_s * random.uniform();
        }
        // Bytes stay in their order.
        let mut at = self
            .out
            .back()
            .map_or(begin, |(at, _)| *at)
            .max(begin + latency);
        for byte in line.bytes() {
            self.free_s = self.free_s.max(begin) + BYTE_S;
            at = at.max(self.free_s + latency);
            let mut byte = byte;
            if random.uniform() < self.faults.flip {
                byte ^= 1 << random.below(8);
            }
            if random.uniform() < self.faults.drop || !self.plugged || self.connection.is_none() {
                continue;
            }
            self.out.push_back((at, byte));
        }
    }
}
