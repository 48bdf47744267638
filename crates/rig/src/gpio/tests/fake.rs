//! Made-up events in place of the kernel, on a clock that moves only when it is waited on.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use crate::Clock;
use crate::gpio::board::{Board, EdgeSource, LineEvent};
use crate::simulated::VirtualClock;

/// From an edge to when the kernel has handed it on, in ns, where a test says nothing else.
pub(super) const SERVED_NS: u64 = 30_000;
/// The computer was on for so long when the rig was opened.
pub(super) const UPTIME_NS: u64 = 86_400_123_456_789;

#[derive(Default)]
pub(super) struct State {
    /// By the time at which they are handed on.
    pub(super) events: VecDeque<(u64, LineEvent)>,
    next: u32,
    pub(super) broken: bool,
}

#[derive(Clone)]
pub(super) struct Fake {
    pub(super) clock: Arc<VirtualClock>,
    state: Arc<Mutex<State>>,
    pub(super) levels: Arc<Mutex<u8>>,
}

impl Fake {
    pub(super) fn new() -> Fake {
        Fake {
            clock: Arc::new(VirtualClock::new()),
            state: Arc::default(),
            levels: Arc::default(),
        }
    }

    pub(super) fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap()
    }

    /// An edge `at_ns` after the opening, handed on `served_ns` later.
    pub(super) fn event(&self, at_ns: u64, input: u8, closed: bool, served_ns: u64) {
        let mut state = self.state();
        state.next = state.next.wrapping_add(1);
        let event = LineEvent {
            sequence: state.next,
            at_ns: UPTIME_NS + at_ns,
            input,
            closed,
        };
        let handed = UPTIME_NS + at_ns + served_ns;
        let place = state.events.partition_point(|(at, _)| *at <= handed);
        state.events.insert(place, (handed, event));
    }

    pub(super) fn edge(&self, at_us: u64, input: u8, closed: bool) {
        self.event(at_us * 1000, input, closed, SERVED_NS);
    }

    /// The kernel drops the next `count` events.
    pub(super) fn drop_events(&self, count: u32) {
        let mut state = self.state();
        state.next = state.next.wrapping_add(count);
    }

    pub(super) fn board(&self) -> Board<Fake> {
        Board::new(self.clone(), 4, "0:17,27,22,23".into())
    }
}

impl EdgeSource for Fake {
    fn now_ns(&mut self) -> u64 {
        UPTIME_NS + (self.clock.now_s() * 1e9).round() as u64
    }

    fn levels(&mut self) -> io::Result<u8> {
        Ok(*self.levels.lock().unwrap())
    }

    fn read(&mut self, events: &mut Vec<LineEvent>) -> io::Result<()> {
        let now = self.now_ns();
        let mut state = self.state();
        if state.broken {
            return Err(io::ErrorKind::NotFound.into());
        }
        while state.events.front().is_some_and(|(at, _)| *at <= now) {
            events.extend(state.events.pop_front().map(|(_, event)| event));
        }
        Ok(())
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<bool> {
        let now = self.now_ns();
        let next = self.state().events.front().map(|(at, _)| *at);
        let wait = next
            .map_or(u64::MAX, |at| at.saturating_sub(now))
            .min(timeout.as_nanos() as u64);
        // A ns at least, or the clock would stand still.
        self.clock.wait(wait.max(1) as f64 / 1e9);
        Ok(next.is_some_and(|at| at <= now + wait))
    }
}
