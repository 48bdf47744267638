//! Time and ports, as the rest of the crate sees them; tests drive both by hand.

use std::io;
use std::time::Duration;

/// A clock that never runs backwards.
pub trait Clock: Send + Sync {
    /// Seconds since some fixed instant. A monotonic clock: setting the time of day doesn't touch it.
    fn now_s(&self) -> f64;

    /// The time of day in seconds since 1970, as a label only: nothing is computed from it but the
    /// order of the parts of a run that was resumed.
    fn label_s(&self) -> f64;

    /// Waits for `seconds`; not at all for 0, less or NaN.
    fn wait(&self, seconds: f64);
}

/// A line of bytes to a rig, or to a chain.
pub trait Port: Send {
    /// Reads what there is into `buffer`, waiting for at most `timeout` for the first byte; 0 when
    /// nothing came.
    ///
    /// # Errors
    /// The port is gone or broken; it isn't used again then.
    fn read(&mut self, buffer: &mut [u8], timeout: Duration) -> io::Result<usize>;

    /// Writes all of `bytes` and hands them to the line.
    ///
    /// # Errors
    /// The port is gone, broken, or takes nothing for long.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;
}

/// Opens a port, and opens it again when it was gone.
pub trait Opener: Send {
    /// Opens the port.
    ///
    /// # Errors
    /// There is no such port, or another program has it.
    fn open(&mut self) -> io::Result<Box<dyn Port>>;

    /// What messages call it.
    fn name(&self) -> String;
}
