//! The board in memory: events of a source on one side, link protocol 1 on the other.

use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::time::Duration;

use crate::link::{Edge, FromRig, Identity, LineReader, Message, Received, ToRig};
use crate::port::Port;
use crate::record::{GPIO_LATENCY_MS, GPIO_VERSION};

/// Ticks a second: a step is far below what a stamp may be off.
pub(super) const TICK_HZ: u32 = 1_000_000;
const NS_PER_TICK: u64 = 1_000_000_000 / TICK_HZ as u64;
/// From one heartbeat to the next.
const HEARTBEAT_NS: u64 = 1_000_000_000;
/// How long the number of an event that is missing is waited for: the kernel hands on the events of each
/// line by a thread of its own, so that those of two lines may change places.
pub(super) const HOLD_NS: u64 = 5_000_000;
/// Stamps of two lines may be out of order by so much; more is no stamp to be relied on.
const DISORDER_NS: u64 = (GPIO_LATENCY_MS * 1e6) as u64;
/// A switch that was back where it had been when its interrupt was served was away for no longer than
/// until the event was read. Up to this it counts as bounce: half of the shortest gap and pulse that count
/// by default (`wire::Settings`).
pub(super) const BLIP_NS: u64 = 500_000;
/// With so many bytes waiting for the host no more events are read; the kernel counts what it drops.
const MOST_WAITING: usize = 1 << 16;

/// An edge of a line, as the kernel tells it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct LineEvent {
    /// Number among the events of all lines of the request, from 1 on; wraps.
    pub(super) sequence: u32,
    /// Stamp of the interrupt, monotonic clock.
    pub(super) at_ns: u64,
    /// Which input.
    pub(super) input: u8,
    /// Whether the switch was closed when the interrupt was served, some time after the stamp.
    pub(super) closed: bool,
}

/// Where edges come from.
pub(super) trait EdgeSource: Send {
    /// The clock of the stamps.
    fn now_ns(&mut self) -> u64;

    /// Which switches are closed now, bit 0 for input 0.
    fn levels(&mut self) -> io::Result<u8>;

    /// Adds the events that there are, in the order in which they were handed on.
    fn read(&mut self, events: &mut Vec<LineEvent>) -> io::Result<()>;

    /// Waits for an event, for at most `timeout`; whether there is one.
    fn wait(&mut self, timeout: Duration) -> io::Result<bool>;
}

/// An event that waits for the one before it.
struct Held {
    event: LineEvent,
    read_ns: u64,
}

/// An edge that another input's of the same tick may still join, if the kernel has handed it on as well.
struct Unsent {
    edge: Edge,
    ticks: u64,
    changed: u8,
}

/// A rig on top of an [`EdgeSource`]. It is reset by being made.
pub(super) struct Board<S> {
    source: S,
    identity: Identity,
    /// When the counter was 0.
    reset_ns: u64,
    heartbeat_ns: u64,
    reader: LineReader<ToRig>,
    out: VecDeque<u8>,
    going: bool,
    /// Edges count from here on while going.
    from_ns: u64,
    levels: u8,
    /// A bit for each input that a lost event may have changed, until its next one.
    doubtful: u8,
    /// The next event's number, with its wraps.
    next: u64,
    held: BTreeMap<u64, Held>,
    events: Vec<LineEvent>,
    /// The stamp of the last edge.
    last_ns: u64,
    sequence: u16,
    lost: u32,
    unsent: Option<Unsent>,
}

impl<S: EdgeSource> Board<S> {
    pub(super) fn new(mut source: S, inputs: usize, serial: String) -> Board<S> {
        let now = source.now_ns();
        let mut board = Board {
            source,
            identity: Identity {
                version: format!("{GPIO_VERSION}{}", env!("CARGO_PKG_VERSION")),
                tick_hz: TICK_HZ,
                inputs: inputs.min(8) as u8,
                serial,
            },
            reset_ns: now,
            heartbeat_ns: now.saturating_add(HEARTBEAT_NS),
            reader: LineReader::new(),
            out: VecDeque::new(),
            going: false,
            from_ns: now,
            levels: 0,
            doubtful: 0,
            next: 1,
            held: BTreeMap::new(),
            events: Vec::new(),
            last_ns: 0,
            sequence: 0,
            lost: 0,
            unsent: None,
        };
        board.say(&FromRig::Identity(board.identity.clone()));
        board
    }

    fn ticks(&self, at_ns: u64) -> u64 {
        at_ns.saturating_sub(self.reset_ns) / NS_PER_TICK
    }

    fn say(&mut self, message: &FromRig) {
        self.out.extend(message.line().bytes());
    }

    /// Takes in what the source has; with `all`, waits for nothing that is missing.
    fn take_events(&mut self, all: bool) -> io::Result<()> {
        let mut events = std::mem::take(&mut self.events);
        let result = self.source.read(&mut events);
        // After the reading, so that each event had been served by then.
        let now = self.source.now_ns();
        for event in events.drain(..) {
            let ahead = event.sequence.wrapping_sub(self.next as u32).cast_signed();
            match self.next.checked_add_signed(i64::from(ahead)) {
                Some(number) if ahead >= 0 => {
                    let held = Held {
                        event,
                        read_ns: now,
                    };
                    self.held.insert(number, held);
                }
                _ => self.late(event),
            }
        }
        self.events = events;
        while let Some(first) = self.held.first_entry() {
            let missing = first.key() - self.next;
            if missing > 0 && !all && now.saturating_sub(first.get().read_ns) < HOLD_NS {
                break;
            }
            self.next = first.key() + 1;
            let held = first.remove();
            self.edge(&held, missing);
        }
        self.send();
        if self.lost > 0 {
            self.tell_lost();
        }
        result
    }

    /// Whether an event counts; one that doesn't still tells where its switch is.
    fn counts(&self, event: &LineEvent) -> bool {
        self.going && event.at_ns > self.from_ns
    }

    /// The levels with `event`.
    fn with(&self, event: &LineEvent) -> u8 {
        let bit = 1 << (event.input & 7);
        if event.closed {
            self.levels | bit
        } else {
            self.levels & !bit
        }
    }

    /// An event whose number was given up. It was told as lost; that its switch is elsewhere now must not
    /// look like an edge at the time of the next one, so that it makes another hole.
    fn late(&mut self, event: LineEvent) {
        let levels = self.with(&event);
        if self.counts(&event) && levels != self.levels {
            self.send();
            self.lost = self.lost.saturating_add(1);
        }
        self.levels = levels;
    }

    /// The next event, and how many before it are missing.
    fn edge(&mut self, held: &Held, missing: u64) {
        let event = &held.event;
        let levels = self.with(event);
        if !self.counts(event) {
            self.levels = levels;
            return;
        }
        if missing > 0 {
            self.send();
            let missing = u32::try_from(missing).unwrap_or(u32::MAX);
            self.doubtful = u8::MAX;
            self.lost = self.lost.saturating_add(missing);
        }
        if self.last_ns.saturating_sub(event.at_ns) > DISORDER_NS {
            self.send();
            self.lost = self.lost.saturating_add(1);
            self.levels = levels;
            return;
        }
        let at_ns = event.at_ns.max(self.last_ns);
        self.last_ns = at_ns;
        let bit = 1 << (event.input & 7);
        // Of an input that a lost event may have changed, an edge that changes nothing is sent as it is: the
        // host takes it for one more gap.
        let known = self.doubtful & bit == 0;
        self.doubtful &= !bit;
        if levels == self.levels && self.lost == 0 && known {
            // It went and came back before it was looked at.
            if held.read_ns.saturating_sub(event.at_ns) <= BLIP_NS {
                self.stamp(at_ns, levels ^ bit);
            } else {
                self.send();
                self.lost = 1;
            }
        }
        self.stamp(at_ns, levels);
    }

    /// Makes an edge to `levels`.
    fn stamp(&mut self, at_ns: u64, levels: u8) {
        if self.lost > 0 {
            self.tell_lost();
        }
        let ticks = self.ticks(at_ns);
        let changed = levels ^ self.levels;
        self.levels = levels;
        if let Some(unsent) = &mut self.unsent
            && unsent.ticks == ticks
            && unsent.changed & changed == 0
        {
            unsent.edge.levels = levels;
            unsent.changed |= changed;
            return;
        }
        self.send();
        self.unsent = Some(Unsent {
            edge: Edge {
                sequence: self.sequence,
                // The counter wraps.
                tick: ticks as u32,
                levels,
            },
            ticks,
            changed,
        });
        self.sequence = self.sequence.wrapping_add(1);
    }

    /// Sends the edge that waits for another of its tick.
    fn send(&mut self) {
        if let Some(unsent) = self.unsent.take() {
            self.say(&FromRig::Edge(unsent.edge));
        }
    }

    fn tell_lost(&mut self) {
        let count = std::mem::take(&mut self.lost);
        self.say(&FromRig::Lost(count));
        // The sequence is known modulo 65,536.
        self.sequence = self.sequence.wrapping_add(count as u16);
    }

    fn answer(&mut self, line: ToRig) -> io::Result<()> {
        match line {
            ToRig::Identify => self.say(&FromRig::Identity(self.identity.clone())),
            ToRig::Sync(token) => {
                let now = self.source.now_ns();
                let tick = self.ticks(now) as u32;
                // Edges before it go before it.
                self.take_events(false)?;
                self.say(&FromRig::Sync { token, tick });
            }
            ToRig::Go if !self.going => {
                self.take_events(true)?;
                self.levels = self.source.levels()?;
                self.from_ns = self.source.now_ns();
                self.last_ns = self.from_ns;
                self.doubtful = 0;
                self.going = true;
            }
            ToRig::Stop if self.going => {
                self.take_events(true)?;
                self.going = false;
            }
            ToRig::Go | ToRig::Stop => {}
        }
        Ok(())
    }

    fn turn(&mut self) -> io::Result<()> {
        if self.out.len() < MOST_WAITING {
            self.take_events(false)?;
        }
        let now = self.source.now_ns();
        if now >= self.heartbeat_ns {
            // One is enough where the host was away for longer.
            let passed = now.saturating_sub(self.heartbeat_ns) / HEARTBEAT_NS + 1;
            self.heartbeat_ns = self.heartbeat_ns.saturating_add(passed * HEARTBEAT_NS);
            self.say(&FromRig::Heartbeat(self.ticks(now) as u32));
        }
        Ok(())
    }
}

impl<S: EdgeSource> Port for Board<S> {
    fn read(&mut self, buffer: &mut [u8], timeout: Duration) -> io::Result<usize> {
        let timeout = u64::try_from(timeout.as_nanos()).unwrap_or(u64::MAX);
        let deadline = self.source.now_ns().saturating_add(timeout);
        loop {
            self.turn()?;
            let count = self.out.len().min(buffer.len());
            if count > 0 {
                for (place, byte) in buffer.iter_mut().zip(self.out.drain(..count)) {
                    *place = byte;
                }
                return Ok(count);
            }
            let now = self.source.now_ns();
            if now >= deadline {
                return Ok(0);
            }
            let mut until = deadline.min(self.heartbeat_ns);
            if !self.held.is_empty() {
                until = until.min(now.saturating_add(HOLD_NS));
            }
            let wait = Duration::from_nanos(until.saturating_sub(now));
            self.source.wait(wait)?;
        }
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut lines = Vec::new();
        self.reader.push(bytes, &mut |line| lines.push(line));
        for line in lines {
            if let Received::Message(line) = line {
                self.answer(line)?;
            }
        }
        Ok(())
    }
}
