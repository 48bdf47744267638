//! CSV of samples, as oscilloscopes write them: lines of keys and values, names of columns, units,
//! then times and voltages; or voltages alone, with the sample interval in the header.

mod head;

use crate::analogue::{Analogue, Sample};
use crate::capture::{Capture, Warning};
use crate::conclude::{Draft, Source, limits, review};
use crate::csv::{Dialect, Field, bad_field, is_blank};
use crate::csv_edges::Clock;
use crate::error::WireError;
use crate::format::Format;
use crate::input::Input;
use crate::settings::{Settings, TimeUnit};
use crate::time::{MAX_TICKS, TickLength};
use crate::track::Track;

use head::{Columns, Head, Time};

/// Rows between two looks at the memory that is used.
const REVIEW_ROWS: u64 = 65_536;
/// Reads a CSV of samples.
pub(crate) fn read(input: &mut Input<'_>, settings: &Settings) -> Result<Capture, WireError> {
    let head = Head::read(input)?;
    let columns = head.columns(settings)?;
    let mut samples = Samples::new(settings, columns, head.dialect)?;
    let mut fields = Vec::new();
    head.dialect
        .split(&head.first, head.first_line, &mut fields)?;
    samples.row(&fields, head.first_line)?;
    let mut rows = 1u64;
    while let Some(line) = input.line()? {
        if is_blank(line.text) {
            continue;
        }
        // The last number of a file that was cut off may lack digits: its row is passed over.
        if !line.whole && line.number > head.first_line + 1 {
            let mut fields = Vec::new();
            let result = head.dialect.split(line.text, line.number, &mut fields);
            if result.is_err() || samples.row(&fields, line.number).is_err() {
                samples.warnings.push(Warning::new(
                    format!("the file ends in the middle of line {}", line.number),
                    "what came before was read; check that the file was saved whole",
                ));
            }
            continue;
        }
        let mut fields = Vec::with_capacity(8);
        head.dialect.split(line.text, line.number, &mut fields)?;
        samples.row(&fields, line.number)?;
        rows += 1;
        if rows.is_multiple_of(REVIEW_ROWS) {
            let number = line.number;
            review(samples.wires.iter_mut().map(|wire| &mut wire.track), || {
                format!("line {number}")
            })?;
        }
    }
    samples.conclude(input.total(), &head)
}

struct Wire {
    name: String,
    direction: Option<crate::Direction>,
    index: usize,
    power: i32,
    analogue: Analogue,
    track: Track,
}

struct Samples<'a> {
    settings: &'a Settings,
    columns: Columns,
    dialect: Dialect,
    clock: Clock,
    wires: Vec<Wire>,
    rows: u64,
    warnings: Vec<Warning>,
}

impl<'a> Samples<'a> {
    fn new(
        settings: &'a Settings,
        mut columns: Columns,
        dialect: Dialect,
    ) -> Result<Samples<'a>, WireError> {
        let unit = match columns.time {
            Time::Column { unit, .. } => unit,
            Time::Interval { .. } => TimeUnit::S,
        };
        let clock = Clock::new(unit);
        let wires = std::mem::take(&mut columns.channels)
            .into_iter()
            .map(|(index, name, direction, power)| Wire {
                name,
                direction,
                index,
                power,
                analogue: Analogue::new(settings, clock.tick),
                track: Track::new(limits(settings, clock.tick), settings.idle),
            })
            .collect();
        Ok(Samples {
            settings,
            columns,
            dialect,
            clock,
            wires,
            rows: 0,
            warnings: Vec::new(),
        })
    }

    fn row(&mut self, fields: &[Field<'_>], line: u64) -> Result<(), WireError> {
        let time = self.time(fields, line)?;
        let mut volts = Vec::with_capacity(self.wires.len());
        for wire in &self.wires {
            let text = field(fields, wire.index, self.columns.width, line)?;
            let value = self
                .dialect
                .number(text)
                .map(|number| number.float(wire.power));
            let value = value.filter(|value| value.is_finite());
            volts.push(
                value.ok_or_else(|| bad_field(line, &wire.name, text, "a voltage, as a number"))?,
            );
        }
        if self.rows == 0 {
            // The length of a tick is known with the first time.
            let tick = self.clock.tick;
            for wire in &mut self.wires {
                wire.analogue = Analogue::new(self.settings, tick);
                wire.track = Track::new(limits(self.settings, tick), self.settings.idle);
            }
        }
        for (wire, volts) in self.wires.iter_mut().zip(volts) {
            wire.analogue
                .sample(Sample { time, volts }, &mut wire.track);
        }
        self.clock.now = Some(time);
        self.rows += 1;
        Ok(())
    }

    fn time(&mut self, fields: &[Field<'_>], line: u64) -> Result<i64, WireError> {
        match &self.columns.time {
            Time::Column { index, name, .. } => {
                let text = field(fields, *index, self.columns.width, line)?;
                self.clock.read(self.dialect, text, name, line)
            }
            Time::Interval { seconds } => {
                let ticks = (self.rows as f64 * seconds / self.clock.tick.seconds(1)).round();
                // A cast of a float saturates.
                let time = ticks as i64;
                if time > MAX_TICKS {
                    let most = self.clock.tick.seconds(MAX_TICKS);
                    return Err(WireError::line(
                        line,
                        format!("sample {} at {} s", self.rows, self.rows as f64 * seconds),
                        format!("a time within {most:.0} s of the first"),
                        "check the sample interval, or cut the capture in parts",
                    ));
                }
                self.clock.begin = Some(self.clock.begin.unwrap_or(time));
                Ok(time)
            }
        }
    }

    fn conclude(mut self, bytes: u64, head: &Head) -> Result<Capture, WireError> {
        let (Some(begin), Some(end)) = (self.clock.begin, self.clock.now) else {
            return Err(WireError::line(
                head.first_line,
                "no sample",
                "rows of times and voltages",
                "check that the capture was saved whole",
            ));
        };
        let mut notes = Vec::new();
        if let Time::Interval { seconds } = self.columns.time {
            notes.push(format!(
                "Times are counted in sample intervals of {seconds} s, from the header."
            ));
        }
        let mut sources = Vec::new();
        let mut coupling = None;
        let mut interval_s: f64 = 0.0;
        for mut wire in self.wires {
            interval_s = interval_s.max(wire.analogue.interval_s());
            let finished = wire.analogue.finish(&mut wire.track);
            if wire.track.edges > 0 {
                coupling = coupling.or(finished.coupling);
                notes.extend(finished.note(&wire.name, self.settings, "V"));
                self.warnings.extend(finished.warnings);
            }
            sources.push(Source {
                name: wire.name,
                direction: wire.direction,
                track: wire.track,
                levels: finished.levels,
            });
        }
        Draft {
            format: Format::SamplesCsv,
            tick: self.clock.tick,
            resolution_s: Some(interval_s.max(TickLength::PICOSECOND.seconds(1))),
            begin,
            end,
            sources,
            coupling,
            notes,
            warnings: self.warnings,
            bytes,
        }
        .conclude(self.settings)
    }
}

fn field<'l>(
    fields: &[Field<'l>],
    index: usize,
    width: usize,
    line: u64,
) -> Result<&'l [u8], WireError> {
    fields.get(index).map(|field| field.text).ok_or_else(|| {
        WireError::line(
            line,
            format!("{} numbers", fields.len()),
            format!("{width}, as in the first row"),
            "correct or remove the line",
        )
    })
}
