//! A live run: asks for pulses by a plan, times them, keeps every edge, and tells what happens.
//!
//! Nothing is told before the journal has kept it. The rig may be reset and the cable pulled: the run
//! goes on when it is back, and what lies between is left out. When the run is told to stop, the
//! request under way is given up at once and what was measured stays.

use std::sync::atomic::{AtomicBool, Ordering};

use wire::{Direction, Warning};

use crate::error::RigError;
use crate::journal::{Entry, Journal};
use crate::link::Identity;
use crate::plan::{Plan, Schedule};
use crate::port::{Clock, Opener};
use crate::record::{EdgeSettings, Record, Recorded};
use crate::sender::Sender;

mod engine;
mod live;

use engine::Engine;

/// Times of a session, in s.
#[derive(Clone, PartialEq, Debug)]
pub struct SessionOptions {
    /// How edges are taken.
    pub edges: EdgeSettings,
    /// From one sync exchange to the next.
    pub sync_every_s: f64,
    /// Exchanges before the first request.
    pub first_exchanges: usize,
    /// A rig that is silent for so long is taken to be gone; it says something each second.
    pub silence_s: f64,
    /// How long to wait for a rig at first.
    pub first_wait_s: f64,
    /// How long to wait for it when it was gone.
    pub return_wait_s: f64,
    /// From the end of the last request to the end of the run.
    pub settle_s: f64,
    /// So many requests in a row that can't be made end the run.
    pub most_failures: u32,
    /// So many requests in a row without a pulse end the run.
    pub most_silent: u32,
    /// How long the clocks may take to be aligned.
    pub align_wait_s: f64,
}

impl Default for SessionOptions {
    fn default() -> SessionOptions {
        SessionOptions {
            edges: EdgeSettings::default(),
            sync_every_s: 1.0,
            first_exchanges: 8,
            silence_s: 3.5,
            first_wait_s: 6.0,
            return_wait_s: 600.0,
            settle_s: 1.0,
            most_failures: 3,
            most_silent: 12,
            align_wait_s: 15.0,
        }
    }
}

/// All that a session works with.
pub struct Session<'a> {
    /// What to ask for.
    pub plan: &'a Plan,
    /// Asks the chain.
    pub sender: &'a mut dyn Sender,
    /// Opens the rig's port.
    pub opener: &'a mut dyn Opener,
    /// Keeps what happens.
    pub journal: &'a mut dyn Journal,
    /// The host's monotonic clock.
    pub clock: &'a dyn Clock,
    /// Set to end the run at once.
    pub stop: &'a AtomicBool,
    /// Times.
    pub options: &'a SessionOptions,
}

/// A pulse that was timed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LivePulse {
    /// Place of its request in the schedule; `None` of an extra pulse.
    pub index: Option<u64>,
    /// Direction.
    pub direction: Direction,
    /// Requested width in ms.
    pub requested_ms: Option<f64>,
    /// Measured width in ms.
    pub width_ms: f64,
    /// Leading edge in host seconds.
    pub start_s: f64,
    /// Leading edge minus time of issue in ms, where both are known.
    pub start_delay_ms: Option<f64>,
    /// Gaps taken for bounce.
    pub bridged: u32,
}

impl LivePulse {
    /// Width error in ms, of a pulse with a request.
    pub fn error_ms(&self) -> Option<f64> {
        self.requested_ms.map(|requested| self.width_ms - requested)
    }
}

/// What happens during a run; told when the journal has kept it.
#[derive(Clone, PartialEq, Debug)]
pub enum Event {
    /// A rig answered, at first or again.
    Connected {
        /// Who it is.
        identity: Identity,
        /// Its port.
        port: String,
    },
    /// The rig is gone; requests wait for it.
    Disconnected {
        /// What was seen.
        why: String,
    },
    /// The rig was reset; it is asked for edges again.
    Reset,
    /// How well the clocks are aligned.
    Aligned {
        /// How far a leading edge may be off on the host's clock, in s.
        offset_uncertainty_s: f64,
        /// Host seconds per nominal second of the rig, less one, in ppm.
        skew_ppm: f64,
        /// How far that may be off, in ppm.
        skew_uncertainty_ppm: f64,
        /// Exchanges that took part.
        exchanges: usize,
    },
    /// A request is made now.
    Asking {
        /// Its place in the schedule, from 0.
        index: u64,
        /// Direction.
        direction: Direction,
        /// Requested width in ms.
        width_ms: f64,
        /// What the user must do, if it is theirs to do.
        prompt: Option<String>,
    },
    /// A request was made.
    Issued {
        /// Its place in the schedule.
        index: u64,
        /// Time of issue in host seconds, where known.
        issued_s: Option<f64>,
        /// How far that may be off, in s.
        uncertainty_s: f64,
    },
    /// A request was not made, or it isn't known whether it was.
    NotIssued {
        /// Its place in the schedule.
        index: u64,
        /// Why, and the way out.
        why: String,
    },
    /// A pulse was timed.
    Pulse(LivePulse),
    /// A pulse that was told is not to be relied on after all: an edge next to it was lost.
    Withdrawn(LivePulse),
    /// A request gave no pulse.
    Missing {
        /// Its place in the schedule.
        index: u64,
    },
    /// Edges were lost.
    Lost {
        /// How many, as far as is known.
        edges: u32,
    },
    /// Something that may spoil the result.
    Warning(Warning),
    /// How far the run is.
    Progress {
        /// Requests made.
        done: u64,
        /// Requests of the plan.
        of: u64,
        /// About how long the rest takes, in s.
        left_s: f64,
    },
}

/// How a run ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ending {
    /// All requests of the plan were made.
    Complete,
    /// The medians are known as well as was asked.
    Precise,
    /// It was told to stop; it can go on.
    Stopped,
}

/// A run that ended.
#[derive(Clone, PartialEq, Debug)]
pub struct SessionEnd {
    /// How it ended.
    pub ending: Ending,
    /// Requests made.
    pub done: u64,
    /// Requests of the plan.
    pub of: u64,
    /// What was measured, of all its legs.
    pub recorded: Recorded,
}

impl Session<'_> {
    /// Runs the plan from its beginning, or from where the entries `before` of the same run end, and
    /// tells `events` what happens.
    ///
    /// # Errors
    /// No rig, another rig or protocol, a rig that went away and did not come back, a chain that can't
    /// be asked, a journal that can't keep an entry; entries of another plan. The chain has been
    /// told to stop then, and the entries so far can be resumed.
    pub fn run(
        self,
        before: &[Entry],
        events: &mut dyn FnMut(Event),
    ) -> Result<SessionEnd, RigError> {
        let record = Record::replay(self.options.edges.clone(), before);
        if let Some(plan) = &record.plan
            && plan != self.plan
        {
            return Err(RigError::Resume(
                "the run to resume has another plan; give the plan that it began with".into(),
            ));
        }
        let schedule = Schedule::new(self.plan);
        let mut engine = Engine::new(self, record, schedule, events);
        let result = engine.run();
        if result.is_err() {
            engine.give_up();
        }
        result
    }

    /// Whether the run is to end now.
    fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
    }
}
