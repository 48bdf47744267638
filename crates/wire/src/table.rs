//! A CSV with one row of column names.

use crate::capture::Warning;
use crate::conclude::list;
use crate::csv::{ColumnName, Dialect, Field, bad_field, is_blank, time_unit};
use crate::error::{WireError, quoted, shown};
use crate::input::Input;
use crate::settings::TimeUnit;

/// The names of the columns, and how the rows are split.
pub(crate) struct Table {
    pub(crate) dialect: Dialect,
    pub(crate) columns: Vec<ColumnName>,
    /// The names as they are written.
    pub(crate) names: Vec<String>,
    line: u64,
}

/// A column and its place.
#[derive(Clone, Debug)]
pub(crate) struct Column {
    pub(crate) index: usize,
    pub(crate) name: String,
    pub(crate) unit: Option<TimeUnit>,
}

impl Table {
    /// Reads up to the row of names.
    pub(crate) fn open(input: &mut Input<'_>) -> Result<Table, WireError> {
        loop {
            let Some(line) = input.line()? else {
                return Err(WireError::line(
                    1,
                    "no row",
                    "a row with the names of the columns",
                    "write the names of the columns into the first line",
                ));
            };
            if is_blank(line.text) {
                continue;
            }
            let dialect = Dialect::of(line.text);
            let mut fields = Vec::new();
            dialect.split(line.text, line.number, &mut fields)?;
            let names: Vec<String> = fields.iter().map(Field::string).collect();
            return Ok(Table {
                dialect,
                columns: names.iter().map(|name| ColumnName::of(name)).collect(),
                names,
                line: line.number,
            });
        }
    }

    /// The column that the user `named`, or else the first with one of the `usual` names.
    pub(crate) fn find(
        &self,
        named: Option<&str>,
        usual: &[&str],
    ) -> Result<Option<Column>, WireError> {
        let index = match named {
            Some(name) => {
                let index = self.columns.iter().position(|c| c.is_meant_by(name));
                Some(index.ok_or_else(|| self.missing(name))?)
            }
            None => self.columns.iter().position(|c| c.is_one_of(usual)),
        };
        Ok(index.and_then(|index| {
            Some(Column {
                index,
                name: self.names.get(index)?.trim().to_owned(),
                unit: time_unit(&self.columns.get(index)?.unit),
            })
        }))
    }

    /// The same, where the column must be there.
    pub(crate) fn need(&self, named: Option<&str>, usual: &[&str]) -> Result<Column, WireError> {
        self.find(named, usual)?
            .ok_or_else(|| self.missing(usual.first().unwrap_or(&"")))
    }

    fn missing(&self, name: &str) -> WireError {
        WireError::line(
            self.line,
            format!(
                "columns {}",
                list(self.names.iter().map(|name| shown(name.trim())))
            ),
            format!("a column `{}`", shown(name)),
            "name the column that holds it, or write the names of the columns into the first line",
        )
    }

    /// Gives each row to `row`, with its line. A last line that is cut off and can't be read is
    /// passed over; gives a warning then.
    pub(crate) fn rows(
        &self,
        input: &mut Input<'_>,
        mut row: impl FnMut(&[Field<'_>], u64) -> Result<(), WireError>,
    ) -> Result<Option<Warning>, WireError> {
        while let Some(line) = input.line()? {
            if is_blank(line.text) {
                continue;
            }
            let mut fields = Vec::with_capacity(self.columns.len());
            let result = self
                .dialect
                .split(line.text, line.number, &mut fields)
                .and_then(|()| row(&fields, line.number));
            match result {
                Err(_) if !line.whole => {
                    return Ok(Some(Warning::new(
                        format!(
                            "the file ends in the middle of line {}: {}",
                            line.number,
                            quoted(line.text)
                        ),
                        "what came before was read; check that the file was saved whole",
                    )));
                }
                other => other?,
            }
        }
        Ok(None)
    }

    /// The field of `column`.
    pub(crate) fn field<'l>(
        &self,
        fields: &[Field<'l>],
        column: &Column,
        line: u64,
    ) -> Result<&'l [u8], WireError> {
        fields
            .get(column.index)
            .map(|field| field.text.trim_ascii())
            .ok_or_else(|| {
                WireError::line(
                    line,
                    format!("{} fields", fields.len()),
                    format!("{} fields, as many as columns", self.columns.len()),
                    "correct or remove the line",
                )
            })
    }

    /// The number in `column` in units of `unit`, from the column's own unit or else `default`.
    pub(crate) fn quantity(
        &self,
        fields: &[Field<'_>],
        column: &Column,
        default: TimeUnit,
        unit: TimeUnit,
        line: u64,
    ) -> Result<f64, WireError> {
        let text = self.field(fields, column, line)?;
        let power = column.unit.unwrap_or(default).power() - unit.power();
        self.dialect
            .number(text)
            .map(|decimal| decimal.float(power))
            .filter(|value| value.is_finite())
            .ok_or_else(|| bad_field(line, &column.name, text, "a number"))
    }

    /// The same where the field may be left empty, or the column out.
    pub(crate) fn optional_quantity(
        &self,
        fields: &[Field<'_>],
        column: Option<&Column>,
        default: TimeUnit,
        unit: TimeUnit,
        line: u64,
    ) -> Result<Option<f64>, WireError> {
        match column {
            Some(column) if !self.field(fields, column, line)?.is_empty() => {
                Ok(Some(self.quantity(fields, column, default, unit, line)?))
            }
            _ => Ok(None),
        }
    }

    /// The direction in `column`, where there is one.
    pub(crate) fn direction(
        &self,
        fields: &[Field<'_>],
        column: Option<&Column>,
        line: u64,
    ) -> Result<Option<crate::Direction>, WireError> {
        let Some(column) = column else {
            return Ok(None);
        };
        let text = self.field(fields, column, line)?;
        if text.is_empty() {
            return Ok(None);
        }
        std::str::from_utf8(text)
            .ok()
            .and_then(|text| text.parse().ok())
            .map(Some)
            .ok_or_else(|| bad_field(line, &column.name, text, "one of ra+, ra-, dec+, dec-"))
    }
}

/// Usual names of the columns of pulses and requests.
pub(crate) mod usual {
    pub(crate) const TIME: &[&str] = &["t", "time", "timestamp", "seconds"];
    pub(crate) const CHANNEL: &[&str] = &["channel", "signal", "line", "wire", "name"];
    pub(crate) const LEVEL: &[&str] = &["level", "state", "value", "edge"];
    pub(crate) const DIRECTION: &[&str] = &["direction"];
    pub(crate) const REQUESTED: &[&str] = &["requested"];
    pub(crate) const WIDTH: &[&str] = &["width"];
    pub(crate) const ISSUED: &[&str] = &["issued"];
    pub(crate) const START: &[&str] = &["start"];
}
