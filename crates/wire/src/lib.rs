//! Edges, pulses, requests, outcomes: from the bytes of a capture to what became of each request.
//!
//! [`read_capture`] turns a capture of any known format into pulses, [`read_requests`] a request
//! log into requests, and [`match_pulses`] brings both together. Nothing here opens a file, prints
//! or reads a clock: inputs are [`std::io::Read`].

mod align;
mod alignment;
mod analogue;
mod capture;
mod clock;
mod conclude;
mod csv;
mod csv_edges;
mod csv_pulses;
mod csv_samples;
mod decimal;
mod direction;
mod error;
mod format;
mod input;
mod list_match;
mod log_match;
mod outcome;
mod pulse_list;
mod read;
mod requests;
mod resolution;
mod settings;
mod table;
mod time;
mod track;
mod vcd;
mod wav;

pub use align::{MatchOptions, RequestSource, match_pulses};
pub use capture::{Capture, Channel, Measured, Pulse, StateLevels, Warning};
pub use direction::Direction;
pub use error::WireError;
pub use format::Format;
pub use outcome::{Matching, Observation, Outcomes, RequestOutcome, Stray};
pub use pulse_list::{Iter as PulseIter, MAX_PULSES, PulseList};
pub use read::read_capture;
pub use requests::{Request, read_requests};
pub use settings::{ChannelMap, Coupling, CsvColumns, Level, Settings, TimeUnit};
pub use time::{MAX_TICKS, TickLength};
