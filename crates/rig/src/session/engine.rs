//! The loop of a session.

use std::io;
use std::time::Duration;

use super::live::Live;
use super::{Ending, Event, Session, SessionEnd};
use crate::connection::Connection;
use crate::error::RigError;
use crate::journal::Entry;
use crate::link::{Message, ToRig};
use crate::plan::{Schedule, StopRule};
use crate::record::Record;
use crate::sender::{Ask, SendError};
use crate::ticks::MOST_SKEW;
use crate::tracker::Effect;

mod lines;

/// The longest wait for bytes, in s: a finger's press is answered in a tenth of that of an eye.
const SLICE_S: f64 = 0.01;
/// The shortest wait for bytes, in s, so that the loop never spins.
const LEAST_WAIT_S: f64 = 1e-4;
/// The rig takes a line each 2 ms (docs/rig-link.md), in s.
const LINE_EVERY_S: f64 = 0.002;
/// From one attempt to open the port to the next, in s.
const RETRY_S: f64 = 0.5;
/// A rate whose whole range is beyond this share of [`MOST_SKEW`] is none that is taken.
const NEARLY: f64 = 0.95;
/// How often the alignment is told, in s.
const TELL_EVERY_S: f64 = 5.0;
/// From one exchange to the next while the clocks are aligned at first, in s.
const FIRST_EVERY_S: f64 = 0.05;

/// Where the run is.
enum Phase {
    /// Aligning the clocks; then on to the next request.
    Aligning,
    /// The next request is due then.
    Pausing { due_s: f64 },
    /// The sender is at it.
    Asking { index: u64 },
    /// The user is asked, and the pulse awaited.
    Awaiting { index: u64, until_s: f64 },
    /// All requests were made; the end is due then.
    Settling { due_s: f64, ending: Ending },
}

pub(super) struct Engine<'a, 'e> {
    session: Session<'a>,
    record: Record,
    schedule: Schedule,
    live: Live,
    on_event: &'e mut dyn FnMut(Event),
    connection: Option<Connection>,
    entries: Vec<Entry>,
    events: Vec<Event>,
    phase: Phase,
    next: u64,
    failures: u32,
    next_sync_s: f64,
    sent_s: f64,
    next_tell_s: f64,
    /// When the request under way is over on the wire.
    busy_until_s: f64,
    /// The line was said to be noisy.
    noisy: bool,
    /// When the clocks began to be aligned.
    aligning_since_s: f64,
    /// Requests in a row that no pulse came of.
    silent: u32,
    ending: Option<Ending>,
}

impl<'a, 'e> Engine<'a, 'e> {
    pub(super) fn new(
        session: Session<'a>,
        record: Record,
        schedule: Schedule,
        on_event: &'e mut dyn FnMut(Event),
    ) -> Engine<'a, 'e> {
        let mut live = Live::default();
        // Without requests there is nothing to take over.
        if let Ok(matching) = record.conclude().matching() {
            live.take_over(&matching);
        }
        Engine {
            next: record.next_index(),
            session,
            record,
            schedule,
            live,
            on_event,
            connection: None,
            entries: Vec::new(),
            events: Vec::new(),
            phase: Phase::Aligning,
            failures: 0,
            next_sync_s: 0.0,
            sent_s: f64::NEG_INFINITY,
            next_tell_s: f64::NEG_INFINITY,
            busy_until_s: f64::NEG_INFINITY,
            noisy: false,
            aligning_since_s: f64::NEG_INFINITY,
            silent: 0,
            ending: None,
        }
    }

    /// Runs to the end.
    pub(super) fn run(&mut self) -> Result<SessionEnd, RigError> {
        let now = self.session.clock.now_s();
        if self.record.plan.is_none() {
            let plan = self.session.plan.clone();
            self.keep(Entry::Begin { plan });
        }
        self.keep(Entry::Leg {
            label_s: self.session.clock.label_s(),
            host_s: now,
        });
        self.flush()?;
        self.connect(self.session.options.first_wait_s)?;
        while self.ending.is_none() {
            self.turn()?;
        }
        let ending = self.ending.unwrap_or(Ending::Stopped);
        let now = self.session.clock.now_s();
        let complete = ending != Ending::Stopped;
        self.keep(Entry::EpochEnd {
            host_s: now,
            clean: true,
        });
        self.keep(Entry::End {
            host_s: now,
            complete,
        });
        self.flush()?;
        Ok(SessionEnd {
            ending,
            done: self.next,
            of: self.schedule.requests.len() as u64,
            recorded: self.record.conclude(),
        })
    }

    /// Ends a run that failed: the chain stops, and what can still be kept is.
    pub(super) fn give_up(&mut self) {
        self.session.sender.stop();
        if let Some(connection) = &mut self.connection {
            // The rig may be gone; it is not needed any more.
            let _ = connection.port.write(ToRig::Stop.line().as_bytes());
        }
        let host_s = self.session.clock.now_s();
        self.keep(Entry::EpochEnd {
            host_s,
            clean: false,
        });
        self.keep(Entry::End {
            host_s,
            complete: false,
        });
        // The error that ended the run is what is told.
        let _ = self.flush();
    }

    /// Once around.
    fn turn(&mut self) -> Result<(), RigError> {
        if self.session.is_stopped() {
            return self.stop();
        }
        self.sync();
        self.poll_sender()?;
        self.act()?;
        self.read()?;
        self.watch();
        self.flush()?;
        self.refuse_nonsense()?;
        if self.connection.is_none() {
            self.session.sender.stop();
            self.abandon("the rig went away while it was under way");
            self.flush()?;
            self.connect(self.session.options.return_wait_s)?;
        }
        Ok(())
    }

    /// Notes an entry, and what it means for the pulses.
    fn keep(&mut self, entry: Entry) {
        let reopened = matches!(entry, Entry::Edge { .. });
        let effect = self.record.apply(&entry);
        self.entries.push(entry);
        self.tell_effect(effect, reopened);
    }

    fn tell_effect(&mut self, effect: Effect, by_edge: bool) {
        let lost = effect.lost.is_some();
        for pulse in effect.withdrawn {
            if let Some(live) = self.live.withdrawn(pulse) {
                if by_edge && !lost {
                    self.live.wait_again(&live);
                }
                self.events.push(Event::Withdrawn(live));
            }
        }
        if let Some(edges) = effect.lost
            && self.connection.is_some()
        {
            self.events.push(Event::Lost { edges });
        }
        let max_delay_s = self.session.options.edges.max_delay_s;
        for pulse in effect.closed {
            let Some(connection) = &self.connection else {
                continue;
            };
            if let Some(alignment) = connection.alignment() {
                let hz = connection.identity.tick_hz;
                let live = self.live.closed(pulse, alignment, hz, max_delay_s);
                self.silent = 0;
                self.events.push(Event::Pulse(live));
            }
        }
    }

    /// Keeps what was noted, then tells it.
    fn flush(&mut self) -> Result<(), RigError> {
        if !self.entries.is_empty() {
            let kept = self.session.journal.append(&self.entries);
            self.entries.clear();
            if let Err(error) = kept {
                self.events.clear();
                return Err(RigError::Journal(error));
            }
        }
        for event in self.events.drain(..) {
            (self.on_event)(event);
        }
        Ok(())
    }

    /// Sends a line; a port that does not take it is gone.
    fn send_line(&mut self, line: ToRig) {
        let Some(connection) = &mut self.connection else {
            return;
        };
        let sent = match line {
            ToRig::Sync(_) => connection.ask_tick(self.session.clock),
            other => connection.port.write(other.line().as_bytes()),
        };
        self.sent_s = self.session.clock.now_s();
        if let Err(error) = sent {
            self.lose(&error);
        }
    }

    /// The port is gone.
    fn lose(&mut self, why: &io::Error) {
        self.disconnect(format!("the port is gone: {why}"));
    }

    fn disconnect(&mut self, why: String) {
        self.connection = None;
        let host_s = self.session.clock.now_s();
        self.keep(Entry::EpochEnd {
            host_s,
            clean: false,
        });
        self.events.push(Event::Disconnected { why });
    }

    /// Asks for the counter when that is due.
    fn sync(&mut self) {
        let now = self.session.clock.now_s();
        if now < self.next_sync_s || now < self.sent_s + LINE_EVERY_S {
            return;
        }
        let aligning = matches!(self.phase, Phase::Aligning);
        let every = if aligning {
            FIRST_EVERY_S
        } else {
            self.session.options.sync_every_s
        };
        self.next_sync_s = now + every;
        self.send_line(ToRig::Sync(0));
        // Once more, for the first may have been damaged on its way: it changes nothing while going.
        // After the question, so that it does not delay that.
        self.send_line(ToRig::Go);
    }

    /// Takes the sender's result.
    fn poll_sender(&mut self) -> Result<(), RigError> {
        let Phase::Asking { index } = self.phase else {
            return Ok(());
        };
        match self.session.sender.poll() {
            None => Ok(()),
            Some(Ok(issued)) => {
                self.failures = 0;
                self.keep(Entry::Issued {
                    index,
                    issued_s: issued.issued_s,
                    uncertainty_s: issued.uncertainty_s,
                });
                self.live.issued(index, issued.issued_s);
                self.events.push(Event::Issued {
                    index,
                    issued_s: issued.issued_s,
                    uncertainty_s: issued.uncertainty_s,
                });
                let now = self.session.clock.now_s();
                let width_s = self.width_s(index);
                self.busy_until_s = now.max(issued.issued_s.unwrap_or(now) + width_s);
                match self.session.sender.wait_for_pulse_s() {
                    Some(wait_s) => {
                        let until_s = now + wait_s;
                        self.phase = Phase::Awaiting { index, until_s };
                    }
                    None => self.pause(),
                }
                Ok(())
            }
            Some(Err(error)) => self.failed(index, error),
        }
    }

    fn width_s(&self, index: u64) -> f64 {
        let request = self.schedule.requests.get(index as usize);
        request.map_or(0.0, |request| request.width_ms / 1000.0)
    }

    fn failed(&mut self, index: u64, error: SendError) -> Result<(), RigError> {
        let now = self.session.clock.now_s();
        self.not_issued(index, error.to_string(), now);
        self.busy_until_s = now;
        self.failures += 1;
        if self.failures >= self.session.options.most_failures {
            self.flush()?;
            return Err(RigError::Sender {
                failures: self.failures,
                last: error,
            });
        }
        self.pause();
        Ok(())
    }

    fn not_issued(&mut self, index: u64, why: String, host_s: f64) {
        self.keep(Entry::NotIssued {
            index,
            host_s,
            why: why.clone(),
        });
        self.live.forget(index);
        self.events.push(Event::NotIssued { index, why });
    }

    /// The request under way, if there is one, is of no use.
    fn abandon(&mut self, why: &str) {
        let now = self.session.clock.now_s();
        // What is on the wire now ends within the rest of its width, and a little.
        let over = now.max(self.busy_until_s) + self.session.options.settle_s;
        let index = match self.phase {
            Phase::Asking { index } | Phase::Awaiting { index, .. } => Some(index),
            _ if now < self.busy_until_s => self.next.checked_sub(1),
            _ => None,
        };
        if let Some(index) = index {
            self.not_issued(index, why.to_owned(), over);
        }
        self.live.forget_all();
        if let Phase::Asking { .. } | Phase::Awaiting { .. } = self.phase {
            self.phase = Phase::Aligning;
        }
    }

    /// On to the pause before the next request, or to the end.
    fn pause(&mut self) {
        let now = self.session.clock.now_s();
        let of = self.schedule.requests.len() as u64;
        let ending = match self.schedule.requests.get(self.next as usize) {
            None => Some(Ending::Complete),
            Some(request) => {
                let begins_round = self.next > 0
                    && (self.next as usize).is_multiple_of(self.session.plan.round_len().max(1));
                match self.session.plan.stop {
                    StopRule::Precision { half_width_ms }
                        if begins_round
                            && self
                                .live
                                .is_precise(self.session.plan.round_len(), half_width_ms) =>
                    {
                        Some(Ending::Precise)
                    }
                    _ => {
                        let due_s = now.max(self.busy_until_s) + request.pause_s;
                        self.phase = Phase::Pausing { due_s };
                        None
                    }
                }
            }
        };
        if let Some(ending) = ending {
            let due_s = now.max(self.busy_until_s) + self.session.options.settle_s;
            self.phase = Phase::Settling { due_s, ending };
        }
        let rest = self.schedule.requests.iter().skip(self.next as usize);
        let left_s = rest.map(|r| r.pause_s + r.width_ms / 1000.0).sum::<f64>();
        self.events.push(Event::Progress {
            done: self.next,
            of,
            left_s: left_s + (self.busy_until_s - now).max(0.0),
        });
    }

    /// Makes the next request, or ends the run, when that is due.
    fn act(&mut self) -> Result<(), RigError> {
        let now = self.session.clock.now_s();
        match self.phase {
            Phase::Aligning => {
                let enough = self.session.options.first_exchanges;
                if self
                    .connection
                    .as_ref()
                    .is_some_and(|c| c.exchanges() >= enough)
                {
                    self.tell_alignment(now);
                    self.busy_until_s = self.busy_until_s.min(now);
                    self.pause();
                }
                Ok(())
            }
            Phase::Pausing { due_s } if now >= due_s && self.connection.is_some() => self.ask(),
            Phase::Awaiting { index, until_s } => {
                if !self.live.waits(index) {
                    self.busy_until_s = now;
                    self.pause();
                } else if now >= until_s {
                    self.live.forget(index);
                    self.silent += 1;
                    self.events.push(Event::Missing { index });
                    self.pause();
                }
                Ok(())
            }
            Phase::Settling { due_s, ending } if now >= due_s => {
                self.send_line(ToRig::Stop);
                // What is still in the rig's buffer comes within the time of a few lines.
                self.drain(0.2)?;
                if self.connection.is_some() {
                    self.ending = Some(ending);
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn ask(&mut self) -> Result<(), RigError> {
        let index = self.next;
        let Some(planned) = self.schedule.requests.get(index as usize).copied() else {
            return Ok(());
        };
        let ask = Ask {
            direction: planned.direction,
            width_ms: planned.width_ms,
        };
        let now = self.session.clock.now_s();
        self.keep(Entry::Request {
            index,
            planned,
            host_s: now,
        });
        self.next += 1;
        self.live.asked(index, ask.direction, ask.width_ms, now);
        self.events.push(Event::Asking {
            index,
            direction: ask.direction,
            width_ms: ask.width_ms,
            prompt: self.session.sender.prompt(&ask),
        });
        // Kept before it is made, so that no pulse is ever without its request.
        self.flush()?;
        match self.session.sender.begin(&ask) {
            Ok(()) => {
                self.phase = Phase::Asking { index };
                Ok(())
            }
            Err(error) => self.failed(index, error),
        }
    }

    /// Reads until the next thing is due.
    fn read(&mut self) -> Result<(), RigError> {
        let now = self.session.clock.now_s();
        let due_s = match self.phase {
            Phase::Pausing { due_s } | Phase::Settling { due_s, .. } => due_s,
            _ => f64::INFINITY,
        };
        // A sender at work is looked after each ms.
        let most = if matches!(self.phase, Phase::Asking { .. }) {
            0.001
        } else {
            SLICE_S
        };
        let sync_s = self.next_sync_s.max(self.sent_s + LINE_EVERY_S);
        let wait_s = (due_s.min(sync_s) - now).clamp(LEAST_WAIT_S, most);
        self.read_once(wait_s)
    }

    fn read_once(&mut self, wait_s: f64) -> Result<(), RigError> {
        let Some(connection) = &mut self.connection else {
            return Ok(());
        };
        let mut buffer = [0; 4096];
        let count = match connection
            .port
            .read(&mut buffer, Duration::from_secs_f64(wait_s))
        {
            Ok(count) => count,
            Err(error) => {
                self.lose(&error);
                return Ok(());
            }
        };
        let at_s = self.session.clock.now_s();
        let mut lines = Vec::new();
        connection
            .reader
            .push(buffer.get(..count).unwrap_or_default(), &mut |line| {
                lines.push(line)
            });
        for line in lines {
            self.line(line, at_s)?;
        }
        Ok(())
    }

    /// Reads on for `seconds`.
    fn drain(&mut self, seconds: f64) -> Result<(), RigError> {
        let until = self.session.clock.now_s() + seconds;
        loop {
            let left = until - self.session.clock.now_s();
            if left <= 0.0 || self.connection.is_none() {
                return Ok(());
            }
            self.read_once(left.clamp(LEAST_WAIT_S, SLICE_S))?;
            self.flush()?;
        }
    }

    /// Looks for silence and missing pulses.
    fn watch(&mut self) {
        let now = self.session.clock.now_s();
        let silence_s = self.session.options.silence_s;
        if self
            .connection
            .as_ref()
            .is_some_and(|c| now - c.heard_s > silence_s)
        {
            self.disconnect(format!("nothing was heard of the rig for {silence_s} s"));
        }
        if !matches!(self.phase, Phase::Asking { .. } | Phase::Awaiting { .. }) {
            let max_delay_s = self.session.options.edges.max_delay_s;
            for index in self.live.missing(now, max_delay_s) {
                self.silent += 1;
                self.events.push(Event::Missing { index });
            }
        }
        if now >= self.next_tell_s && !matches!(self.phase, Phase::Aligning) {
            self.tell_alignment(now);
        }
    }

    /// Ends a run that can't give a right number, and moves the mount for nothing.
    fn refuse_nonsense(&self) -> Result<(), RigError> {
        if self.silent >= self.session.options.most_silent {
            return Err(RigError::NothingComes {
                requests: self.silent,
            });
        }
        let Some(connection) = &self.connection else {
            return Ok(());
        };
        let name = || self.session.opener.name();
        let waited_s = self.session.clock.now_s() - self.aligning_since_s;
        if matches!(self.phase, Phase::Aligning) && waited_s > self.session.options.align_wait_s {
            return Err(RigError::NotAligned {
                name: name(),
                waited_s: waited_s.round(),
            });
        }
        let skew = connection.alignment().map(|alignment| alignment.skew());
        // The range lies at an end of what is taken: the truth lies beyond.
        let beyond = |skew: &crate::clock::Bounded| {
            let least = skew.low.abs().min(skew.high.abs());
            skew.low * skew.high > 0.0 && least > NEARLY * MOST_SKEW
        };
        match skew.filter(beyond) {
            Some(skew) => Err(RigError::Rate {
                name: name(),
                found: (skew.value * 1e6).round() as i64,
                tick_hz: connection.identity.tick_hz,
                most: (MOST_SKEW * 1e6) as i64,
            }),
            None => Ok(()),
        }
    }

    fn tell_alignment(&mut self, now: f64) {
        self.next_tell_s = now + TELL_EVERY_S;
        let Some(connection) = &self.connection else {
            return;
        };
        if let Some(alignment) = connection.alignment() {
            let skew = alignment.skew();
            self.events.push(Event::Aligned {
                offset_uncertainty_s: 0.5 * alignment.least_round_trip_s() + alignment.wander_s(),
                skew_ppm: skew.value * 1e6,
                skew_uncertainty_ppm: skew.uncertainty() * 1e6,
                exchanges: connection.exchanges(),
            });
        }
    }

    /// The run was told to stop.
    fn stop(&mut self) -> Result<(), RigError> {
        self.session.sender.stop();
        self.abandon("stopped while it was under way");
        self.flush()?;
        self.send_line(ToRig::Stop);
        self.drain(0.2)?;
        self.ending = Some(Ending::Stopped);
        Ok(())
    }
}
