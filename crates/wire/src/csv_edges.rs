//! CSV of edges: a row for each edge with its channel, or a row for each instant with a column for
//! each channel.

use crate::capture::{Capture, Warning};
use crate::conclude::{Draft, choose, limits, list, means, review};
use crate::csv::{Dialect, Field, bad_field};
use crate::error::{WireError, shown};
use crate::format::Format;
use crate::input::Input;
use crate::settings::{ChannelMap, Settings, TimeUnit};
use crate::table::{Column, Table, usual};
use crate::time::{MAX_TICKS, TickLength};
use crate::track::Track;

/// The most channels that are followed.
const MAX_CHANNELS: usize = 256;
/// So many rows between two looks at the memory that is used.
const REVIEW_ROWS: u64 = 65_536;

/// Reads a CSV of edges. Times are read exactly, to a picosecond; where the first one is too large
/// for that (a count of seconds since an epoch), to a nanosecond.
pub(crate) fn read(input: &mut Input<'_>, settings: &Settings) -> Result<Capture, WireError> {
    let table = Table::open(input)?;
    let columns = &settings.columns;
    let time = table.need(columns.time.as_deref(), usual::TIME)?;
    let unit = settings.time_unit.or(time.unit).unwrap_or(TimeUnit::S);
    let level = table.find(columns.level.as_deref(), usual::LEVEL)?;
    let channel = table.find(columns.channel.as_deref(), usual::CHANNEL)?;
    let layout = match (level, channel) {
        (Some(level), channel) => Layout::Long { level, channel },
        (None, None) => Layout::Wide,
        (None, Some(_)) => {
            // Says which column is missing.
            let level = table.need(columns.level.as_deref(), usual::LEVEL)?;
            Layout::Long {
                level,
                channel: None,
            }
        }
    };
    let mut edges = Edges {
        settings,
        table: &table,
        clock: Clock::new(unit),
        wires: Vec::new(),
        seen: Vec::new(),
        unknown: 0,
    };
    if let Layout::Wide = layout {
        edges.choose_columns(&time)?;
    }
    let mut rows = 0u64;
    let cut = table.rows(input, |fields, line| {
        let text = table.field(fields, &time, line)?;
        let now = edges.clock.read(table.dialect, text, &time.name, line)?;
        match &layout {
            Layout::Wide => edges.wide_row(fields, now, line)?,
            Layout::Long { level, channel } => {
                edges.long_row(fields, now, level, channel.as_ref(), line)?;
            }
        }
        edges.clock.now = Some(now);
        rows += 1;
        if rows.is_multiple_of(REVIEW_ROWS) {
            review(edges.wires.iter_mut().map(|wire| &mut wire.track), || {
                format!("line {line}")
            })?;
        }
        Ok(())
    })?;
    edges.conclude(input.total(), cut)
}

/// How the rows are laid out.
enum Layout {
    /// A row for each edge.
    Long {
        level: Column,
        channel: Option<Column>,
    },
    /// A column for each channel.
    Wide,
}

/// A column of times, read to ticks that never run backwards.
pub(crate) struct Clock {
    unit: TimeUnit,
    pub(crate) tick: TickLength,
    /// The first and the last time so far.
    pub(crate) begin: Option<i64>,
    pub(crate) now: Option<i64>,
}

impl Clock {
    pub(crate) fn new(unit: TimeUnit) -> Clock {
        Clock {
            unit,
            tick: TickLength::PICOSECOND,
            begin: None,
            now: None,
        }
    }

    /// The time in `text`. The caller sets `now` once the row is taken.
    pub(crate) fn read(
        &mut self,
        dialect: Dialect,
        text: &[u8],
        column: &str,
        line: u64,
    ) -> Result<i64, WireError> {
        let decimal = dialect
            .number(text)
            .ok_or_else(|| bad_field(line, column, text, "a time, as a number"))?;
        let mut time = decimal.ticks(self.power());
        if self.begin.is_none() {
            // Half of what fits is left for the times to come.
            if time.is_none_or(|time| time.abs() > MAX_TICKS / 2) {
                self.tick = TickLength::NANOSECOND;
                time = decimal.ticks(self.power());
            }
            self.begin = time;
        }
        let time = time.ok_or_else(|| {
            let most = self.tick.seconds(MAX_TICKS);
            bad_field(
                line,
                column,
                text,
                &format!("a time within {most:.0} s of zero"),
            )
        })?;
        match self.now {
            Some(now) if time < now => Err(WireError::line(
                line,
                format!(
                    "time {} s after {} s",
                    self.tick.seconds(time),
                    self.tick.seconds(now)
                ),
                "times that never run backwards",
                "sort the rows by their time, or correct the line",
            )),
            _ => Ok(time),
        }
    }

    fn power(&self) -> i32 {
        match self.tick {
            TickLength::NANOSECOND => self.unit.power() - 3,
            _ => self.unit.power(),
        }
    }
}

struct Wire {
    name: String,
    direction: Option<crate::Direction>,
    /// Its column in the wide layout.
    column: usize,
    track: Track,
}

struct Edges<'a> {
    settings: &'a Settings,
    table: &'a Table,
    clock: Clock,
    wires: Vec<Wire>,
    /// Names of channels that are not wanted, for messages.
    seen: Vec<String>,
    unknown: u64,
}

impl Edges<'_> {
    fn track(&self) -> Track {
        Track::new(limits(self.settings, self.clock.tick), self.settings.idle)
    }

    /// Wide layout: each column but the time is a channel.
    fn choose_columns(&mut self, time: &Column) -> Result<(), WireError> {
        let names = self.table.names.iter().enumerate();
        let names = names.filter(|(index, name)| *index != time.index && !name.trim().is_empty());
        let names = names.map(|(index, name)| (index, name.trim()));
        for (column, direction) in choose(&self.settings.channels, names)? {
            let name = self.table.names.get(column).map_or("", |name| name.trim());
            self.wires.push(Wire {
                name: name.to_owned(),
                direction,
                column,
                track: self.track(),
            });
        }
        if self.wires.len() > MAX_CHANNELS {
            return Err(too_many_channels(1));
        }
        Ok(())
    }

    fn wide_row(&mut self, fields: &[Field<'_>], now: i64, line: u64) -> Result<(), WireError> {
        if self.clock.now.is_none() {
            // The length of a tick is known with the first time.
            for index in 0..self.wires.len() {
                let track = self.track();
                if let Some(wire) = self.wires.get_mut(index) {
                    wire.track = track;
                }
            }
        }
        // All levels are read before one is taken, so that a line that is cut off changes nothing.
        let mut levels = Vec::with_capacity(self.wires.len());
        for wire in &self.wires {
            let Some(field) = fields.get(wire.column) else {
                return Err(WireError::line(
                    line,
                    format!("{} fields", fields.len()),
                    format!("{} fields, as many as columns", self.table.columns.len()),
                    "correct or remove the line",
                ));
            };
            levels
                .push(level_of(field.text).ok_or_else(|| bad_level(line, &wire.name, field.text))?);
        }
        for (wire, level) in self.wires.iter_mut().zip(levels) {
            match level {
                Some(level) => wire.track.set(now, level),
                None => self.unknown += 1,
            }
        }
        Ok(())
    }

    fn long_row(
        &mut self,
        fields: &[Field<'_>],
        now: i64,
        level: &Column,
        channel: Option<&Column>,
        line: u64,
    ) -> Result<(), WireError> {
        let text = self.table.field(fields, level, line)?;
        let value = level_of(text).ok_or_else(|| bad_level(line, &level.name, text))?;
        let name = match channel {
            Some(column) => self.table.field(fields, column, line)?,
            None => level.name.as_bytes(),
        };
        let Some(index) = self.wire(name, line)? else {
            return Ok(());
        };
        let (Some(wire), begin) = (self.wires.get_mut(index), self.clock.begin.unwrap_or(now))
        else {
            return Ok(());
        };
        match value {
            Some(value) => {
                // Each row is an edge, so before the first one of a channel it had the other level;
                // only at the first instant of the file it may be what the channel began with.
                if wire.track.level().is_none() && now > begin {
                    wire.track.set(begin, !value);
                }
                wire.track.set(now, value);
            }
            None => self.unknown += 1,
        }
        Ok(())
    }

    /// The index of the channel called `name`, if it is wanted.
    fn wire(&mut self, name: &[u8], line: u64) -> Result<Option<usize>, WireError> {
        if let Some(index) = self.wires.iter().position(|w| w.name.as_bytes() == name) {
            return Ok(Some(index));
        }
        let name = String::from_utf8_lossy(name).into_owned();
        if let Some(index) = self.wires.iter().position(|wire| wire.name == name) {
            return Ok(Some(index));
        }
        let direction = match &self.settings.channels {
            ChannelMap::Automatic => Some(None),
            ChannelMap::Single(wanted) => (*wanted == name).then_some(None),
            ChannelMap::Mapped(map) => map
                .iter()
                .find(|(_, wanted)| *wanted == name)
                .map(|(direction, _)| Some(*direction)),
        };
        let Some(direction) = direction else {
            if self.seen.len() < MAX_CHANNELS && !self.seen.contains(&name) {
                self.seen.push(name);
            }
            return Ok(None);
        };
        if self.wires.len() >= MAX_CHANNELS {
            return Err(too_many_channels(line));
        }
        self.wires.push(Wire {
            name,
            direction,
            column: 0,
            track: self.track(),
        });
        Ok(Some(self.wires.len() - 1))
    }

    fn conclude(self, bytes: u64, cut: Option<Warning>) -> Result<Capture, WireError> {
        let (Some(begin), Some(end)) = (self.clock.begin, self.clock.now) else {
            return Err(WireError::line(
                2,
                "no edge",
                "a row for each edge",
                "check that the file was saved whole",
            ));
        };
        let wanted: Vec<&str> = match &self.settings.channels {
            ChannelMap::Automatic => Vec::new(),
            ChannelMap::Single(name) => vec![name],
            ChannelMap::Mapped(map) => map.iter().map(|(_, name)| name.as_str()).collect(),
        };
        for name in wanted {
            if !self.wires.iter().any(|wire| means(name, &wire.name)) {
                let known = self.wires.iter().map(|wire| shown(&wire.name));
                let known = known.chain(self.seen.iter().map(|name| shown(name)));
                return Err(WireError::NoSuchChannel {
                    name: shown(name),
                    known: list(known),
                });
            }
        }
        let mut warnings: Vec<Warning> = cut.into_iter().collect();
        if self.unknown > 0 {
            warnings.push(Warning::new(
                format!(
                    "a level was unknown {} times; an edge is taken to be where the other level is known again",
                    self.unknown
                ),
                "check the wiring and the capture device's input",
            ));
        }
        let wires = self.wires.into_iter();
        Draft::of_edges(
            Format::EdgesCsv,
            self.clock.tick,
            [begin, end],
            wires.map(|wire| (wire.name, wire.direction, wire.track)),
            warnings,
            bytes,
        )
        .conclude(self.settings)
    }
}

fn too_many_channels(line: u64) -> WireError {
    WireError::line(
        line,
        format!("more than {MAX_CHANNELS} channels"),
        "at most that many",
        "choose the channels that are wanted",
    )
}

fn bad_level(line: u64, column: &str, found: &[u8]) -> WireError {
    bad_field(
        line,
        column,
        found,
        "0 or 1, low or high, falling or rising",
    )
}

/// The level that a field names: `Some(None)` is an unknown one, `None` no level at all.
pub(crate) fn level_of(text: &[u8]) -> Option<Option<bool>> {
    match text.trim_ascii() {
        b"0" => Some(Some(false)),
        b"1" => Some(Some(true)),
        other => match other.to_ascii_lowercase().as_slice() {
            b"low" | b"l" | b"false" | b"off" | b"falling" | b"fall" => Some(Some(false)),
            b"high" | b"h" | b"true" | b"on" | b"rising" | b"rise" => Some(Some(true)),
            b"x" | b"z" | b"" => Some(None),
            _ => None,
        },
    }
}
