//! What stands before the samples: where the columns are, in what units, and the sample interval.

use crate::conclude::{choose, list};
use crate::csv::{ColumnName, Dialect, is_blank, is_unit, time_unit, volts_power};
use crate::error::{WireError, quoted, shown};
use crate::input::Input;
use crate::settings::{Settings, TimeUnit};
use crate::table::usual;

/// The most lines before the first sample.
const MAX_HEAD_LINES: usize = 500;
/// The most channels.
const MAX_CHANNELS: usize = 32;
/// Names of a column that numbers the samples.
const INDEX: &[&str] = &["x", "n", "no", "no.", "index", "sample", "sequence", "#"];
/// What a header calls the sample interval, and the sample rate.
const INTERVAL: &[&str] = &[
    "increment",
    "xincrement",
    "x increment",
    "time increment",
    "sample interval",
    "sampling interval",
    "sample period",
    "sampling period",
    "dt",
    "delta t",
    "interval",
];
const RATE: &[&str] = &[
    "sample rate",
    "sampling rate",
    "samplerate",
    "sampling frequency",
];

/// All before the first sample, and the line of that.
pub(super) struct Head {
    lines: Vec<(u64, Vec<u8>)>,
    pub(super) dialect: Dialect,
    pub(super) first: Vec<u8>,
    pub(super) first_line: u64,
}

/// Where the columns are.
pub(super) struct Columns {
    pub(super) time: Time,
    /// Of each channel that is wanted: place, name, direction, power of ten of its unit in volts.
    pub(super) channels: Vec<(usize, String, Option<crate::Direction>, i32)>,
    /// How many fields a row must have.
    pub(super) width: usize,
}

/// Where the times come from.
pub(super) enum Time {
    Column {
        index: usize,
        name: String,
        unit: TimeUnit,
    },
    /// From the number of the row.
    Interval { seconds: f64 },
}

impl Head {
    pub(super) fn read(input: &mut Input<'_>) -> Result<Head, WireError> {
        let mut lines: Vec<(u64, Vec<u8>)> = Vec::new();
        loop {
            let Some(line) = input.line()? else {
                return Err(WireError::line(
                    lines.last().map_or(1, |(number, _)| *number),
                    "no row of numbers",
                    "rows of times and voltages",
                    "check that the capture was saved whole",
                ));
            };
            if is_blank(line.text) {
                continue;
            }
            let dialect = Dialect::of(line.text);
            let mut fields = Vec::new();
            dialect.split(line.text, line.number, &mut fields)?;
            let filled = || fields.iter().filter(|field| !field.text.is_empty());
            if filled().count() > 0 && filled().all(|f| dialect.number(f.text).is_some()) {
                return Ok(Head {
                    lines,
                    dialect,
                    first: line.text.to_vec(),
                    first_line: line.number,
                });
            }
            if lines.len() >= MAX_HEAD_LINES {
                return Err(WireError::line(
                    line.number,
                    format!(
                        "{MAX_HEAD_LINES} lines without a row of numbers, the last {}",
                        quoted(line.text)
                    ),
                    "rows of times and voltages",
                    "check that the file is a capture, or name its format",
                ));
            }
            lines.push((line.number, line.text.to_vec()));
        }
    }

    /// The fields of each line of the head, as text.
    fn fields(&self) -> Vec<Vec<String>> {
        self.lines
            .iter()
            .map(|(number, line)| {
                let mut fields = Vec::new();
                // Head lines were split before, so this can't fail.
                match Dialect::of(line).split(line, *number, &mut fields) {
                    Ok(()) => fields
                        .iter()
                        .map(|f| f.string().trim().to_owned())
                        .collect(),
                    Err(_) => Vec::new(),
                }
            })
            .collect()
    }

    /// The sample interval that the head states: as a line of key and value, or as a column whose
    /// value stands in the next line.
    fn interval(&self, lines: &[Vec<String>]) -> Option<f64> {
        let number = |text: &str| {
            [self.dialect.decimal_comma, false]
                .into_iter()
                .find_map(|comma| crate::decimal::Decimal::parse(text.as_bytes(), comma))
                .map(|decimal| decimal.float(0))
        };
        for (i, line) in lines.iter().enumerate() {
            for (j, key) in line.iter().enumerate() {
                let name = ColumnName::of(key.trim_end_matches(':'));
                let is_rate = name.is_one_of(RATE);
                if !is_rate && !name.is_one_of(INTERVAL) {
                    continue;
                }
                let beside = line.get(j + 1).and_then(|text| number(text));
                let below = lines.get(i + 1).and_then(|next| next.get(j));
                let below = below.and_then(|text| number(text));
                let Some(value) = beside.or(below).filter(|value| *value > 0.0) else {
                    continue;
                };
                if is_rate {
                    return Some(1.0 / value);
                }
                let beside_unit = beside
                    .and_then(|_| line.get(j + 2))
                    .and_then(|u| time_unit(u));
                let unit = time_unit(&name.unit).or(beside_unit).unwrap_or(TimeUnit::S);
                return Some(value * 10f64.powi(unit.power() - TimeUnit::S.power()));
            }
        }
        None
    }

    pub(super) fn columns(&self, settings: &Settings) -> Result<Columns, WireError> {
        let lines = self.fields();
        let mut first = Vec::new();
        self.dialect
            .split(&self.first, self.first_line, &mut first)?;
        // A separator at the end of each row makes a last field of nothing.
        let width = first
            .iter()
            .rposition(|f| !f.text.is_empty())
            .map_or(0, |last| last + 1);
        let is_units = |line: &Vec<String>| {
            let mut filled = line.iter().filter(|text| !text.is_empty()).peekable();
            filled.peek().is_some()
                && filled.all(|text| {
                    is_unit(text.trim_matches(['(', ')', '[', ']']))
                        || INDEX.contains(&text.to_lowercase().as_str())
                        || self.dialect.number(text.as_bytes()).is_some()
                })
        };
        let units = lines.iter().rev().take(2).find(|line| is_units(line));
        let names = lines.iter().rev().find(|line| {
            line.len() >= width && !is_units(line) && line.iter().any(|text| !text.is_empty())
        });
        let name = |index: usize| {
            names
                .and_then(|names| names.get(index))
                .filter(|name| !name.is_empty())
                .map(|name| name.as_str())
        };
        let unit = |index: usize| {
            let own = name(index).map(ColumnName::of).map(|name| name.unit);
            own.filter(|unit| !unit.is_empty())
                .or_else(|| units.and_then(|units| units.get(index)).cloned())
                .map(|unit| unit.trim_matches(['(', ')', '[', ']', ' ']).to_owned())
                .unwrap_or_default()
        };
        let meant = |wanted: &str| {
            (0..width)
                .find(|index| name(*index).is_some_and(|n| ColumnName::of(n).is_meant_by(wanted)))
                .ok_or_else(|| {
                    let known =
                        (0..width).map(|i| name(i).map_or(format!("(column {})", i + 1), shown));
                    WireError::line(
                        self.first_line,
                        format!("columns {}", list(known)),
                        format!("a column `{}`", shown(wanted)),
                        "name one of these",
                    )
                })
        };
        let usual_time = (0..width)
            .find(|i| name(*i).is_some_and(|name| ColumnName::of(name).is_one_of(usual::TIME)))
            .or_else(|| (0..width).find(|index| time_unit(&unit(*index)).is_some()));
        let is_index = |index: usize| {
            name(index).is_some_and(|name| ColumnName::of(name).is_one_of(INDEX))
                && time_unit(&unit(index)).is_none()
        };
        let interval = self.interval(&lines);
        let time = match &settings.columns.time {
            Some(wanted) => Some(meant(wanted)?),
            None => usual_time.or_else(|| {
                // Without names the first of several columns is the time.
                (interval.is_none() && width > 1 && !is_index(0)).then_some(0)
            }),
        };
        let (time, skipped) = match (time, interval) {
            (Some(index), _) => (
                Time::Column {
                    index,
                    name: name(index).unwrap_or("time").to_owned(),
                    unit: settings
                        .time_unit
                        .or_else(|| time_unit(&unit(index)))
                        .unwrap_or(TimeUnit::S),
                },
                Some(index),
            ),
            (None, Some(seconds)) => (
                Time::Interval { seconds },
                // Of several columns the one that numbers the samples is no channel.
                (width > 1 && (is_index(0) || name(0).is_none())).then_some(0),
            ),
            (None, None) => {
                return Err(WireError::line(
                    self.first_line,
                    format!("a row of {width} numbers, and no sample interval before it"),
                    "a column of times, or a line such as `Sample interval,0.0001`",
                    "name the column that holds the time, or add such a line",
                ));
            }
        };
        let channel_names: Vec<(usize, String)> = match &settings.columns.volts {
            Some(wanted) => vec![meant(wanted)?],
            None => (0..width).filter(|index| Some(*index) != skipped).collect(),
        }
        .into_iter()
        .enumerate()
        .map(|(count, index)| {
            (
                index,
                name(index).map_or(format!("ch{}", count + 1), str::to_owned),
            )
        })
        .collect();
        if channel_names.is_empty() || channel_names.len() > MAX_CHANNELS {
            return Err(WireError::line(
                self.first_line,
                format!("{} columns of voltages", channel_names.len()),
                format!("1 to {MAX_CHANNELS}"),
                "name the column that holds the voltage",
            ));
        }
        let borrowed = channel_names
            .iter()
            .map(|(index, name)| (*index, name.as_str()));
        let channels = choose(&settings.channels, borrowed)?
            .into_iter()
            .filter_map(|(index, direction)| {
                let (_, name) = channel_names.iter().find(|(i, _)| *i == index)?;
                let power = volts_power(&unit(index)).unwrap_or(0);
                Some((index, name.clone(), direction, power))
            })
            .collect();
        Ok(Columns {
            time,
            channels,
            width,
        })
    }
}
