//! What ends a run, or keeps it from starting.

use std::io;

use crate::link::PROTOCOL;
use crate::sender::SendError;

/// An error of this crate. Each message says what was found, what was expected and the way out. What
/// was kept before stays, and the run can go on from there.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RigError {
    /// The port can't be opened, or went away and did not come back.
    #[error("{name}: {source}; check the cable and that no other program uses the port")]
    Port {
        /// The port.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// The port is there, but no rig answers.
    #[error(
        "{name}: found {heard}, expected a rig that answers within {waited_s} s; check that the board holds the rig's firmware and that this is its port"
    )]
    NoRig {
        /// The port.
        name: String,
        /// What came instead.
        heard: String,
        /// How long was waited, in s.
        waited_s: f64,
    },
    /// The rig speaks another protocol.
    #[error(
        "{name}: found a rig of link protocol {found}, expected {PROTOCOL}; update its firmware or this program, whichever is older"
    )]
    OtherProtocol {
        /// The port.
        name: String,
        /// Its protocol.
        found: u32,
    },
    /// Another rig than the run began with.
    #[error(
        "{name}: found the rig {found}, expected {expected}, with which the run began; connect that one, or start a new run"
    )]
    OtherRig {
        /// The port.
        name: String,
        /// Serial of the rig that answers.
        found: String,
        /// Serial of the rig of the run.
        expected: String,
    },
    /// The rig's counter is not of the rate that it names.
    #[error(
        "{name}: found a counter that runs {found} ppm off the {tick_hz} Hz that the rig names, expected at most {most} ppm; check that its firmware was built for the board's clock"
    )]
    Rate {
        /// The port.
        name: String,
        /// How far off at least, in ppm.
        found: i64,
        /// The rate that it names.
        tick_hz: u32,
        /// The most that is taken, in ppm.
        most: i64,
    },
    /// The clocks can't be aligned.
    #[error(
        "{name}: found no answer to the questions for the rig's counter that makes sense within {waited_s} s, expected one each second; check the cable's wires, and the rig with a self-test"
    )]
    NotAligned {
        /// The port.
        name: String,
        /// How long was waited, in s.
        waited_s: f64,
    },
    /// No pulse comes.
    #[error(
        "found no pulse for {requests} requests in a row, expected one each; the run was stopped: check that the chain sends, and the wires from the port to the inputs"
    )]
    NothingComes {
        /// Requests.
        requests: u32,
    },
    /// The rig has too few inputs for the plan.
    #[error(
        "{name}: found a rig of {found} inputs, expected one for each direction of the plan, which needs {needed}; plan fewer directions, or connect another rig"
    )]
    TooFewInputs {
        /// The port.
        name: String,
        /// Inputs of the rig.
        found: u8,
        /// Inputs that the plan needs.
        needed: usize,
    },
    /// An entry can't be kept.
    #[error(
        "what was measured can't be kept: {0}; the run was stopped, and all that was shown is kept: make room on the disk and resume"
    )]
    Journal(io::Error),
    /// The chain could not be asked several times in a row.
    #[error("{failures} requests in a row could not be made: {last}")]
    Sender {
        /// How many.
        failures: u32,
        /// Why the last.
        last: SendError,
    },
    /// The run to resume can't go on.
    #[error("{0}")]
    Resume(String),
}
