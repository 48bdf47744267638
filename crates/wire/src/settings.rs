//! How a capture is to be read.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::direction::Direction;
use crate::error::WireError;
use crate::format::Format;

/// One of the two levels of a wire.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// The lower of the two.
    Low,
    /// The higher of the two.
    High,
}

impl Level {
    /// The other level.
    pub const fn other(self) -> Level {
        match self {
            Level::Low => Level::High,
            Level::High => Level::Low,
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Level::Low => "low",
            Level::High => "high",
        })
    }
}

impl FromStr for Level {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        match text.trim().to_ascii_lowercase().as_str() {
            "low" => Ok(Level::Low),
            "high" => Ok(Level::High),
            _ => Err(WireError::setting("level", text, "low or high")),
        }
    }
}

/// How an analogue capture was coupled.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Coupling {
    /// Down to zero frequency: a pulse shows as a level.
    Dc,
    /// Through a capacitor: a pulse shows as two opposite spikes.
    Ac,
}

impl fmt::Display for Coupling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Coupling::Dc => "dc",
            Coupling::Ac => "ac",
        })
    }
}

impl FromStr for Coupling {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        match text.trim().to_ascii_lowercase().as_str() {
            "dc" => Ok(Coupling::Dc),
            "ac" => Ok(Coupling::Ac),
            _ => Err(WireError::setting("coupling", text, "dc or ac")),
        }
    }
}

/// The unit of a column of times.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeUnit {
    /// Seconds.
    S,
    /// Milliseconds.
    Ms,
    /// Microseconds.
    Us,
    /// Nanoseconds.
    Ns,
    /// Picoseconds.
    Ps,
}

impl TimeUnit {
    /// The power of ten of one unit in picoseconds: 12 for a second.
    pub(crate) const fn power(self) -> i32 {
        match self {
            TimeUnit::S => 12,
            TimeUnit::Ms => 9,
            TimeUnit::Us => 6,
            TimeUnit::Ns => 3,
            TimeUnit::Ps => 0,
        }
    }
}

impl fmt::Display for TimeUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            TimeUnit::S => "s",
            TimeUnit::Ms => "ms",
            TimeUnit::Us => "us",
            TimeUnit::Ns => "ns",
            TimeUnit::Ps => "ps",
        })
    }
}

impl FromStr for TimeUnit {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        match text.trim().to_ascii_lowercase().as_str() {
            "s" => Ok(TimeUnit::S),
            "ms" => Ok(TimeUnit::Ms),
            "us" | "µs" | "μs" => Ok(TimeUnit::Us),
            "ns" => Ok(TimeUnit::Ns),
            "ps" => Ok(TimeUnit::Ps),
            _ => Err(WireError::setting(
                "time unit",
                text,
                "one of s, ms, us, ns, ps",
            )),
        }
    }
}

/// Which channels of a capture are read.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ChannelMap {
    /// The only channel that toggles. Where several toggle and each is named as a direction
    /// (`ra+`, ...) those are taken; otherwise it is an error that lists them.
    #[default]
    Automatic,
    /// One channel by name, with no direction.
    Single(String),
    /// Several channels by name, each with its direction.
    Mapped(Vec<(Direction, String)>),
}

impl ChannelMap {
    /// The only channel that toggles.
    pub fn automatic() -> ChannelMap {
        ChannelMap::Automatic
    }

    /// The channel called `name`.
    pub fn single(name: impl Into<String>) -> ChannelMap {
        ChannelMap::Single(name.into())
    }

    /// Each direction with the name of its channel.
    pub fn mapped(map: Vec<(Direction, String)>) -> ChannelMap {
        ChannelMap::Mapped(map)
    }

    /// Reads a map such as `ra+=D0,ra-=D1`. A name may itself hold `=`, but no comma.
    ///
    /// # Errors
    /// A part without `=`, an unknown direction, a direction or a channel given twice.
    pub fn parse(text: &str) -> Result<ChannelMap, WireError> {
        let mut map: Vec<(Direction, String)> = Vec::new();
        for part in text.split(',') {
            let (direction, name) = part
                .split_once('=')
                .filter(|(_, name)| !name.trim().is_empty())
                .ok_or_else(|| {
                    WireError::setting("map", part, "parts such as ra+=NAME with commas between")
                })?;
            let direction: Direction = direction.parse()?;
            let name = name.trim();
            if map.iter().any(|(d, n)| *d == direction || n == name) {
                return Err(WireError::setting(
                    "map",
                    text,
                    "each direction and each channel once",
                ));
            }
            map.push((direction, name.to_owned()));
        }
        Ok(ChannelMap::Mapped(map))
    }
}

/// The names of the columns of a CSV, where they differ from the usual ones. Letter case and a
/// unit after the name do not matter.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct CsvColumns {
    /// Time of an edge or a sample.
    pub time: Option<String>,
    /// Channel of an edge.
    pub channel: Option<String>,
    /// Level after an edge.
    pub level: Option<String>,
    /// Voltage of a sample.
    pub volts: Option<String>,
    /// Direction of a pulse or a request.
    pub direction: Option<String>,
    /// Requested width.
    pub requested: Option<String>,
    /// Measured width.
    pub width: Option<String>,
    /// Time of issue of a request.
    pub issued: Option<String>,
    /// Time of the leading edge.
    pub start: Option<String>,
}

/// All that decides what a reader makes of the bytes of a capture. With the same bytes and the
/// same settings the same pulses come out.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(default)]
pub struct Settings {
    /// The format; `None` tells it by the content.
    pub format: Option<Format>,
    /// Which channels to read.
    pub channels: ChannelMap,
    /// The level between pulses; `None` takes the level held longest.
    pub idle: Option<Level>,
    /// A gap between pulses shorter than this is bounce, in seconds: the pulses are merged. 0
    /// merges none.
    pub bridge_s: f64,
    /// A pulse shorter than this is dropped, in seconds. 0 drops none.
    pub min_pulse_s: f64,
    /// Names of the columns of a CSV.
    pub columns: CsvColumns,
    /// Unit of the times in a CSV of edges or samples; `None` takes the unit in the header, or else seconds.
    /// Must be `None` for any other format.
    pub time_unit: Option<TimeUnit>,
    /// The level, in volts (WAV: in parts of full scale), above which a sample is high; `None`
    /// takes the 50 % reference level by the histogram method.
    pub threshold_v: Option<f64>,
    /// The coupling of an analogue capture; `None` tells it by the content.
    pub coupling: Option<Coupling>,
}

impl Default for Settings {
    fn default() -> Settings {
        Settings {
            format: None,
            channels: ChannelMap::Automatic,
            idle: None,
            // A relay settles within a millisecond, and no mount acts on a shorter pulse
            // (common practice, no source).
            bridge_s: 0.001,
            min_pulse_s: 0.001,
            columns: CsvColumns::default(),
            time_unit: None,
            threshold_v: None,
            coupling: None,
        }
    }
}

impl Settings {
    /// Says whether every duration and level can be used.
    pub(crate) fn check(&self) -> Result<(), WireError> {
        for (name, value) in [("bridge", self.bridge_s), ("min pulse", self.min_pulse_s)] {
            if !(value.is_finite() && value >= 0.0) {
                return Err(WireError::setting(name, value, "a duration of 0 or more"));
            }
        }
        match self.threshold_v {
            Some(volts) if !volts.is_finite() => {
                Err(WireError::setting("threshold", volts, "a finite voltage"))
            }
            _ => Ok(()),
        }
    }

    /// Says whether a unit of the times was given that a capture of this `format` has no use for: to pass it
    /// over would be to give other times than those that were asked for.
    pub(crate) fn check_for(&self, format: Format) -> Result<(), WireError> {
        match (self.time_unit, format) {
            (None, _) | (_, Format::EdgesCsv | Format::SamplesCsv) => Ok(()),
            (Some(unit), Format::Vcd | Format::Wav | Format::PulsesCsv) => Err(WireError::setting(
                "time unit",
                unit,
                &format!(
                    "none (a capture of format {format} states its own); leave it out: a CSV read beside it can name its unit in its heading (`t_ms`)"
                ),
            )),
        }
    }
}
