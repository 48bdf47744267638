//! What a run leaves behind, entry by entry, so that nothing that was shown is ever lost.

use std::io;

use crate::clock::Exchange;
use crate::link::Identity;
use crate::plan::{Plan, Planned};

/// One thing that happened. Times are host seconds of the leg in which the entry stands.
#[derive(Clone, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case", tag = "entry")]
pub enum Entry {
    /// The run began. The first entry.
    Begin {
        /// Its plan.
        plan: Plan,
    },
    /// The program was started, or went on with the run: from here on times are on another clock.
    Leg {
        /// Time of day in seconds since 1970, a label.
        label_s: f64,
        /// Host seconds at that moment.
        host_s: f64,
    },
    /// The rig answered: from here on ticks are on another count.
    Epoch {
        /// Who it is.
        identity: Identity,
        /// When edges were asked for.
        host_s: f64,
    },
    /// The epoch ended: the cable was pulled, the rig was reset, the run stopped.
    EpochEnd {
        /// When that was seen.
        host_s: f64,
        /// Whether every edge up to here was received: not where the line broke.
        clean: bool,
    },
    /// A request is about to be made.
    Request {
        /// Its place in the schedule, from 0.
        index: u64,
        /// What is asked for.
        planned: Planned,
        /// When.
        host_s: f64,
    },
    /// A request was made.
    Issued {
        /// Its place in the schedule.
        index: u64,
        /// Time of issue; `None` where it can't be known.
        issued_s: Option<f64>,
        /// How far that may be off, in s.
        uncertainty_s: f64,
    },
    /// A request was not made, or it isn't known whether it was.
    NotIssued {
        /// Its place in the schedule.
        index: u64,
        /// When that was known.
        host_s: f64,
        /// Why.
        why: String,
    },
    /// An edge.
    Edge {
        /// Its sequence.
        sequence: u16,
        /// Its tick, unwrapped.
        tick: i64,
        /// Levels after it.
        levels: u8,
    },
    /// The tick of a line that is no edge.
    Tick {
        /// The tick, unwrapped.
        tick: i64,
    },
    /// A sync exchange.
    Exchange(Exchange),
    /// A line was damaged, and may have been an edge.
    Damaged,
    /// The rig lost edges.
    Lost {
        /// How many.
        count: u32,
    },
    /// The run ended.
    End {
        /// When.
        host_s: f64,
        /// Whether by its plan: else it can go on.
        complete: bool,
    },
}

/// Keeps entries.
pub trait Journal {
    /// Keeps `entries`, in their order. When it returns they outlast a crash of program and computer;
    /// nothing is shown before.
    ///
    /// # Errors
    /// They can't be kept: the disk is full, say. The run stops.
    fn append(&mut self, entries: &[Entry]) -> io::Result<()>;
}

/// Entries in memory: for tests and demonstrations.
impl Journal for Vec<Entry> {
    fn append(&mut self, entries: &[Entry]) -> io::Result<()> {
        self.extend_from_slice(entries);
        Ok(())
    }
}
