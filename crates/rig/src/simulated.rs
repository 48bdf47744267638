//! A rig and a chain without hardware: they speak link protocol 1 like the firmware, in real time or,
//! with a [`VirtualClock`], as fast as the computer goes; and faults can be put in.

use std::io::{self, ErrorKind};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use stats::family::Family;
use wire::Direction;

use crate::port::{Clock, Opener, Port};
use crate::sender::{Ask, Issued, SendError, Sender};

mod board;

use board::Board;

/// What a simulated chain does to a request. Draws are independent.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ChainLaw {
    /// Start delay in ms; below 0 counts as 0.
    pub delay_ms: Family,
    /// Width error in ms; a width of 0 or less is no pulse.
    pub error_ms: Family,
    /// Probability that a request gives no pulse.
    pub missing: f64,
    /// Probability that the contact opens for 0.2 ms just after it closed.
    pub bounce: f64,
    /// Seed of the draws.
    pub seed: u64,
}

impl Default for ChainLaw {
    /// A pulse that is typically 10 to 15 ms too long, with stragglers (common practice, no source).
    fn default() -> ChainLaw {
        ChainLaw {
            delay_ms: Family::ShiftedGamma {
                shift: 3.0,
                shape: 2.0,
                scale: 2.0,
            },
            error_ms: Family::ShiftedGamma {
                shift: 8.0,
                shape: 2.0,
                scale: 2.5,
            },
            missing: 0.0,
            bounce: 0.0,
            seed: 1,
        }
    }
}

/// What a simulated rig is like.
#[derive(Clone, PartialEq, Debug)]
pub struct RigOptions {
    /// What it calls itself.
    pub serial: String,
    /// Nominal rate of its counter.
    pub tick_hz: u32,
    /// How fast its counter really is, in ppm above nominal.
    pub rate_error_ppm: f64,
    /// Counter at the start.
    pub first_tick: u32,
    /// Edges that it can hold before it loses some.
    pub buffer: usize,
    /// The mean of what a line needs beside its bytes at 115,200 baud, each way, in s; drawn from an
    /// exponential distribution.
    pub latency_s: f64,
    /// Seed of latencies and faults.
    pub seed: u64,
}

impl Default for RigOptions {
    fn default() -> RigOptions {
        RigOptions {
            serial: "simulated".into(),
            tick_hz: 2_000_000,
            rate_error_ppm: 35.0,
            first_tick: 0,
            // As the firmware's.
            buffer: 255,
            latency_s: 0.001,
            seed: 1,
        }
    }
}

/// Faults of the line from the rig to the host.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LineFaults {
    /// Probability that a bit of a byte flips.
    pub flip: f64,
    /// Probability that a byte is dropped.
    pub drop: f64,
    /// Probability that a line comes late.
    pub late: f64,
    /// By how much, in s, at most.
    pub late_s: f64,
}

/// A pulse that the simulated chain really gave, on the host's clock.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TruePulse {
    /// Direction.
    pub direction: Direction,
    /// Requested width in ms.
    pub requested_ms: f64,
    /// When it was asked for, in s.
    pub asked_s: f64,
    /// Leading edge, in s.
    pub start_s: f64,
    /// Trailing edge, in s.
    pub end_s: f64,
}

/// A simulated rig with a simulated chain at its inputs. Clones share both.
///
/// ```
/// use std::sync::Arc;
/// use rig::simulated::{ChainLaw, RigOptions, SimulatedRig, VirtualClock};
/// let clock = Arc::new(VirtualClock::new());
/// let rig = SimulatedRig::new(RigOptions::default(), ChainLaw::default(), clock);
/// let mut opener = rig.opener();
/// assert!(rig::port::Opener::open(&mut opener).is_ok());
/// ```
#[derive(Clone)]
pub struct SimulatedRig {
    clock: Arc<dyn Clock>,
    board: Arc<Mutex<Board>>,
}

impl SimulatedRig {
    /// A rig that is switched on now, by `clock`.
    pub fn new(options: RigOptions, law: ChainLaw, clock: Arc<dyn Clock>) -> SimulatedRig {
        let board = Board::new(options, law, clock.now_s());
        SimulatedRig {
            clock,
            board: Arc::new(Mutex::new(board)),
        }
    }

    /// Opens its port.
    pub fn opener(&self) -> SimulatedOpener {
        SimulatedOpener(self.clone())
    }

    /// Asks its chain for pulses.
    pub fn sender(&self) -> SimulatedSender {
        SimulatedSender {
            rig: self.clone(),
            issued: None,
        }
    }

    /// From now on the line has these faults.
    pub fn set_faults(&self, faults: LineFaults) {
        self.board().set_faults(faults);
    }

    /// Sets the level of an input by hand at `at_s` on the host's clock: `true` for a closed switch.
    pub fn set_input(&self, at_s: f64, input: u8, closed: bool) {
        self.board().set_input(at_s, input, closed);
    }

    /// Resets the rig, now.
    pub fn reset(&self) {
        let now = self.clock.now_s();
        let mut board = self.board();
        board.advance(now);
        board.reset(now);
    }

    /// Pulls the cable: every open port fails, and none can be opened.
    pub fn unplug(&self) {
        let now = self.clock.now_s();
        let mut board = self.board();
        board.advance(now);
        board.unplug();
    }

    /// Puts the cable back. `powered` says whether the rig ran on meanwhile; if not, it starts anew.
    pub fn plug(&self, powered: bool) {
        let now = self.clock.now_s();
        let mut board = self.board();
        board.advance(now);
        board.plug(now, powered);
    }

    /// Puts another rig in its place: its serial changes.
    pub fn set_serial(&self, serial: &str) {
        self.board().set_serial(serial);
    }

    /// The pulses that the chain gave so far, and those that are under way.
    pub fn true_pulses(&self) -> Vec<TruePulse> {
        self.board().true_pulses().to_vec()
    }

    fn board(&self) -> MutexGuard<'_, Board> {
        // The board's state is whole between calls.
        self.board.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Opens the port of a [`SimulatedRig`].
#[derive(Clone)]
pub struct SimulatedOpener(SimulatedRig);

impl Opener for SimulatedOpener {
    fn open(&mut self) -> io::Result<Box<dyn Port>> {
        let plugged = self.0.board().connect();
        match plugged {
            Some(connection) => Ok(Box::new(SimulatedPort {
                rig: self.0.clone(),
                connection,
            })),
            None => Err(io::Error::new(ErrorKind::NotFound, "the cable is out")),
        }
    }

    fn name(&self) -> String {
        "simulated rig".into()
    }
}

struct SimulatedPort {
    rig: SimulatedRig,
    connection: u64,
}

impl Port for SimulatedPort {
    fn read(&mut self, buffer: &mut [u8], timeout: Duration) -> io::Result<usize> {
        let clock = &self.rig.clock;
        let deadline = clock.now_s() + timeout.as_secs_f64();
        loop {
            let now = clock.now_s();
            let next = {
                let mut board = self.rig.board();
                board.advance(now);
                if !board.is_connected(self.connection) {
                    return Err(ErrorKind::BrokenPipe.into());
                }
                let count = board.read(now, buffer);
                if count > 0 {
                    return Ok(count);
                }
                board.next_s()
            };
            if now >= deadline {
                return Ok(0);
            }
            // A little more than nothing, or a virtual clock would stand still for rounding.
            clock.wait((next.min(deadline) - now).max(1e-6));
        }
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let now = self.rig.clock.now_s();
        let mut board = self.rig.board();
        board.advance(now);
        if !board.is_connected(self.connection) {
            return Err(ErrorKind::BrokenPipe.into());
        }
        board.write(now, bytes);
        Ok(())
    }
}

/// Asks the chain of a [`SimulatedRig`] for pulses; the time of issue is exact.
pub struct SimulatedSender {
    rig: SimulatedRig,
    issued: Option<f64>,
}

impl Sender for SimulatedSender {
    fn begin(&mut self, ask: &Ask) -> Result<(), SendError> {
        let now = self.rig.clock.now_s();
        let mut board = self.rig.board();
        board.advance(now);
        board.ask(now, ask.direction, ask.width_ms);
        self.issued = Some(now);
        Ok(())
    }

    fn poll(&mut self) -> Option<Result<Issued, SendError>> {
        let issued_s = self.issued.take()?;
        Some(Ok(Issued {
            issued_s: Some(issued_s),
            uncertainty_s: 0.0,
        }))
    }

    fn stop(&mut self) {
        let now = self.rig.clock.now_s();
        let mut board = self.rig.board();
        board.advance(now);
        board.release(now);
    }
}

/// A clock that moves only when it is waited on.
#[derive(Debug, Default)]
pub struct VirtualClock {
    /// Now, and how far the time of day is off.
    state: Mutex<(f64, f64)>,
}

impl VirtualClock {
    /// A clock at 0.
    pub fn new() -> VirtualClock {
        VirtualClock::default()
    }

    /// Sets the time of day by `seconds`, as a person or a time server may; the clock itself runs on.
    pub fn set_label_by(&self, seconds: f64) {
        self.state().1 += seconds;
    }

    fn state(&self) -> MutexGuard<'_, (f64, f64)> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Clock for VirtualClock {
    fn now_s(&self) -> f64 {
        self.state().0
    }

    fn label_s(&self) -> f64 {
        let (now, off) = *self.state();
        // The year 2026, so that the label looks like one.
        1.767e9 + now + off
    }

    fn wait(&self, seconds: f64) {
        if seconds > 0.0 {
            self.state().0 += seconds.min(1e9);
        }
    }
}
