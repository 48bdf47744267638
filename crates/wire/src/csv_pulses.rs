//! CSV of pulses that were measured already.

use crate::capture::{Capture, Measured};
use crate::csv::bad_field;
use crate::error::WireError;
use crate::format::Format;
use crate::input::Input;
use crate::pulse_list::{MAX_PULSES, PulseList};
use crate::resolution::{self, Resolution};
use crate::settings::{Settings, TimeUnit};
use crate::table::{Table, usual};
use crate::time::TickLength;

/// Reads a CSV with columns `direction`, `requested_ms`, `width_ms` and, where known, `issued_s` and
/// `start_s`.
pub(crate) fn read(input: &mut Input<'_>, settings: &Settings) -> Result<Capture, WireError> {
    let table = Table::open(input)?;
    let columns = &settings.columns;
    let direction = table.find(columns.direction.as_deref(), usual::DIRECTION)?;
    let requested = table.need(columns.requested.as_deref(), usual::REQUESTED)?;
    let width = table.need(columns.width.as_deref(), usual::WIDTH)?;
    let issued = table.find(columns.issued.as_deref(), usual::ISSUED)?;
    let start = table.find(columns.start.as_deref(), usual::START)?;
    let tick = TickLength::PICOSECOND;
    let mut measured: Vec<Measured> = Vec::new();
    let mut resolution = Resolution::default();
    let mut widths: Vec<i64> = Vec::new();
    let cut = table.rows(input, |fields, line| {
        if measured.len() as u64 >= MAX_PULSES {
            return Err(WireError::TooManyPulses {
                place: format!("line {line}"),
                limit: MAX_PULSES,
            });
        }
        let text = table.field(fields, &width, line)?;
        let ticks = table
            .dialect
            .number(text)
            .and_then(|decimal| decimal.ticks(width.unit.unwrap_or(TimeUnit::Ms).power()))
            .filter(|ticks| *ticks > 0)
            .ok_or_else(|| {
                bad_field(
                    line,
                    &width.name,
                    text,
                    "a width above 0 and of at most some weeks",
                )
            })?;
        let requested_ms = table.quantity(fields, &requested, TimeUnit::Ms, TimeUnit::Ms, line)?;
        if requested_ms <= 0.0 {
            let text = table.field(fields, &requested, line)?;
            return Err(bad_field(line, &requested.name, text, "a width above 0"));
        }
        let second =
            |column| table.optional_quantity(fields, column, TimeUnit::S, TimeUnit::S, line);
        measured.push(Measured {
            direction: table.direction(fields, direction.as_ref(), line)?,
            requested_ms,
            width_ms: table.quantity(fields, &width, TimeUnit::Ms, TimeUnit::Ms, line)?,
            issued_s: second(issued.as_ref())?,
            start_s: second(start.as_ref())?,
        });
        resolution.add(ticks as u64);
        widths.push(ticks);
        Ok(())
    })?;
    if measured.is_empty() {
        return Err(WireError::line(
            1,
            "no pulse",
            "a row for each pulse",
            "check that the file was saved whole",
        ));
    }
    // A cast of a float saturates, and is kept within the ticks that a capture may have.
    let ticks = |seconds: f64| {
        ((seconds / tick.seconds(1)).round() as i64).clamp(-crate::MAX_TICKS, crate::MAX_TICKS)
    };
    let starts = || {
        measured
            .iter()
            .filter_map(|row| row.start_s.map(|start| (start, row)))
    };
    let begin = starts()
        .map(|(start, _)| start)
        .reduce(f64::min)
        .unwrap_or(0.0);
    let end = starts()
        .map(|(start, row)| start + row.width_ms / 1000.0)
        .reduce(f64::max)
        .unwrap_or(begin);
    let step = resolution::trusted(resolution.divisor(), widths.into_iter());
    Ok(Capture {
        format: Format::PulsesCsv,
        tick,
        resolution_s: tick.seconds(step),
        begin: ticks(begin),
        end: ticks(end),
        channels: Vec::new(),
        pulses: PulseList::new(),
        cut: Vec::new(),
        bounces: 0,
        dropped_short: 0,
        coupling: None,
        notes: Vec::new(),
        warnings: cut.into_iter().collect(),
        measured: Some(measured),
        bytes: input.total(),
    })
}
