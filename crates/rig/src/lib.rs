//! The live side: what times the wire as it happens, and what asks the chain for pulses.
//!
//! A rig speaks link protocol 1 ([`link`]) over a serial port. Its wrapping counter is unwrapped
//! ([`ticks`]) and laid on the host's clock ([`clock`]). A [`plan`] says which pulses to ask for, a
//! [`sender`] asks the chain under test for each, and a [`session`] runs it all and keeps every edge.
//! A [`journal`] holds what happened, and a [`record`] makes requests and pulses of it. [`self_test`] finds
//! and tests a rig; [`simulated`] is a rig and a chain without hardware.
//!
//! Time and ports come in behind the traits [`Clock`] and [`Port`]; the real ones are in [`system`].

pub mod chain_file;
pub mod clock;
mod connection;
mod error;
#[cfg(all(target_os = "linux", feature = "gpio"))]
pub mod gpio;
pub mod journal;
pub mod link;
pub mod plan;
pub mod port;
pub mod record;
pub mod self_test;
pub mod sender;
pub mod session;
pub mod simulated;
pub mod system;
mod tables;
pub mod ticks;
mod tracker;

pub use error::RigError;
pub use port::Clock;
pub use port::Port;
pub use tables::FileError;
