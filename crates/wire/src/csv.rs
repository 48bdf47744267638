//! Comma-separated values (RFC 4180), as they are met in practice: separators of three kinds,
//! decimal commas, units in the names of columns, comments, a byte order mark.

use crate::decimal::Decimal;
use crate::error::{WireError, quoted};
use crate::settings::TimeUnit;

/// The most fields of a row that are accepted.
pub(crate) const MAX_FIELDS: usize = 1_024;

/// How rows are split and numbers written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Dialect {
    pub(crate) separator: u8,
    /// A comma is, or may be, the decimal mark.
    pub(crate) decimal_comma: bool,
}

impl Dialect {
    /// The dialect of `line`: separated by tabs or semicolons where there are any outside of quotes,
    /// else by commas. Only where the separator is not the comma may that be the decimal mark.
    pub(crate) fn of(line: &[u8]) -> Dialect {
        let mut quoted = false;
        let mut counts = [0; 2];
        for byte in line {
            match byte {
                b'"' => quoted = !quoted,
                b'\t' if !quoted => counts[0] += 1,
                b';' if !quoted => counts[1] += 1,
                _ => {}
            }
        }
        let separator = match counts {
            [0, 0] => b',',
            [tabs, semicolons] if tabs >= semicolons => b'\t',
            _ => b';',
        };
        Dialect {
            separator,
            decimal_comma: separator != b',',
        }
    }

    /// The fields of `line` into `fields`. A field in quotes comes without them.
    pub(crate) fn split<'l>(
        &self,
        line: &'l [u8],
        number: u64,
        fields: &mut Vec<Field<'l>>,
    ) -> Result<(), WireError> {
        fields.clear();
        let mut rest = line;
        loop {
            if fields.len() >= MAX_FIELDS {
                return Err(WireError::line(
                    number,
                    format!("more than {MAX_FIELDS} fields"),
                    "a row of a table",
                    "check that the file is what it is meant to be",
                ));
            }
            let opened = rest.trim_ascii_start();
            let end = match opened.first() {
                Some(b'"') => {
                    let text = opened.get(1..).unwrap_or(&[]);
                    let length = closing_quote(text).ok_or_else(|| {
                        WireError::line(
                            number,
                            format!("{} without a closing quote", quoted(opened)),
                            "a quote at both ends of a field, on one line",
                            "check the line",
                        )
                    })?;
                    fields.push(Field {
                        text: text.get(..length).unwrap_or(&[]),
                        in_quotes: true,
                    });
                    let after = text.get(length + 1..).unwrap_or(&[]);
                    let end = memchr::memchr(self.separator, after);
                    let stray = after.get(..end.unwrap_or(after.len())).unwrap_or(&[]);
                    if !stray.trim_ascii().is_empty() {
                        return Err(WireError::line(
                            number,
                            format!("{} after a closing quote", quoted(stray)),
                            "a separator",
                            "double the quotes inside a field",
                        ));
                    }
                    rest = after;
                    end
                }
                _ => {
                    let end = memchr::memchr(self.separator, rest);
                    fields.push(Field {
                        text: rest
                            .get(..end.unwrap_or(rest.len()))
                            .unwrap_or(&[])
                            .trim_ascii(),
                        in_quotes: false,
                    });
                    end
                }
            };
            match end.and_then(|end| rest.get(end + 1..)) {
                Some(next) => rest = next,
                None => return Ok(()),
            }
        }
    }

    /// The number in `text`.
    pub(crate) fn number(&self, text: &[u8]) -> Option<Decimal> {
        Decimal::parse(text, self.decimal_comma)
    }
}

/// The place of the quote that closes a field which begins with `text`; doubled ones stay inside.
fn closing_quote(text: &[u8]) -> Option<usize> {
    let mut from = 0;
    loop {
        let at = from + memchr::memchr(b'"', text.get(from..)?)?;
        if text.get(at + 1) != Some(&b'"') {
            return Some(at);
        }
        from = at + 2;
    }
}

/// A field of a row.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Field<'l> {
    /// Its bytes, doubled quotes still doubled.
    pub(crate) text: &'l [u8],
    pub(crate) in_quotes: bool,
}

impl Field<'_> {
    /// Its text, doubled quotes made single.
    pub(crate) fn string(&self) -> String {
        let text = String::from_utf8_lossy(self.text);
        if self.in_quotes {
            text.replace("\"\"", "\"")
        } else {
            text.into_owned()
        }
    }
}

/// Whether a line holds nothing to read: blank, or a comment after `#`.
pub(crate) fn is_blank(line: &[u8]) -> bool {
    let line = line.trim_ascii();
    line.is_empty() || line.starts_with(b"#")
}

/// The name of a column, taken apart: `Time [us]`, `time (us)` and `t_us` all have the name `t` or
/// `time` and the unit `us`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct ColumnName {
    /// The whole of it, lower case.
    pub(crate) whole: String,
    /// Without the unit, lower case.
    pub(crate) name: String,
    /// The unit as written, lower case; empty where there is none.
    pub(crate) unit: String,
}

impl ColumnName {
    pub(crate) fn of(text: &str) -> ColumnName {
        let whole = text.trim().to_lowercase();
        let opened = whole
            .rfind(['[', '('])
            .filter(|_| whole.ends_with([']', ')']));
        let (name, unit) = match opened {
            Some(at) => {
                let (name, unit) = whole.split_at(at);
                (name, unit.trim_matches(['[', ']', '(', ')', ' ']))
            }
            None => match whole.rsplit_once(['_', ' ']) {
                Some((name, unit)) if is_unit(unit) => (name, unit),
                _ => (whole.as_str(), ""),
            },
        };
        ColumnName {
            name: name.trim_end_matches(['_', ' ']).to_owned(),
            unit: unit.to_owned(),
            whole,
        }
    }

    /// Whether it has one of `names`, with or without a unit.
    pub(crate) fn is_one_of(&self, names: &[&str]) -> bool {
        names
            .iter()
            .any(|name| self.name == *name || self.whole == *name)
    }

    /// Whether a user who wrote `name` means this column.
    pub(crate) fn is_meant_by(&self, name: &str) -> bool {
        let name = name.trim().to_lowercase();
        self.whole == name || self.name == name
    }
}

/// Whether `text` is a unit that a column may have.
pub(crate) fn is_unit(text: &str) -> bool {
    time_unit(text).is_some() || is_volts(text)
}

/// The unit of time that `text` names.
pub(crate) fn time_unit(text: &str) -> Option<TimeUnit> {
    match text.trim().to_lowercase().as_str() {
        "s" | "sec" | "second" | "seconds" => Some(TimeUnit::S),
        "ms" | "msec" | "millisecond" | "milliseconds" => Some(TimeUnit::Ms),
        // A micro sign of another encoding comes as a replacement character.
        "us" | "µs" | "μs" | "\u{fffd}s" | "usec" | "microsecond" | "microseconds" => {
            Some(TimeUnit::Us)
        }
        "ns" | "nsec" | "nanosecond" | "nanoseconds" => Some(TimeUnit::Ns),
        "ps" | "picosecond" | "picoseconds" => Some(TimeUnit::Ps),
        _ => None,
    }
}

/// Whether `text` names a unit of voltage.
pub(crate) fn is_volts(text: &str) -> bool {
    volts_power(text).is_some()
}

/// The power of ten of a unit of voltage in volts.
pub(crate) fn volts_power(text: &str) -> Option<i32> {
    match text.trim().to_lowercase().as_str() {
        "v" | "volt" | "volts" => Some(0),
        "mv" | "millivolt" | "millivolts" => Some(-3),
        _ => None,
    }
}

/// An error at a field that should hold something else.
pub(crate) fn bad_field(line: u64, column: &str, found: &[u8], expected: &str) -> WireError {
    WireError::line(
        line,
        format!("{} in column {column}", quoted(found)),
        expected,
        "correct or remove the line",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn split(line: &str) -> Vec<String> {
        let mut fields = Vec::new();
        Dialect::of(line.as_bytes())
            .split(line.as_bytes(), 1, &mut fields)
            .unwrap();
        fields.iter().map(Field::string).collect()
    }

    #[test]
    fn rows_are_split_as_rfc_4180_says() {
        // RFC 4180, section 2, rules 5 to 7 (all but line breaks inside fields).
        assert_eq!(split("aaa,bbb,ccc"), ["aaa", "bbb", "ccc"]);
        assert_eq!(
            split("\"aaa\",\"b\"\"bb\",\"c,c\""),
            ["aaa", "b\"bb", "c,c"]
        );
        assert_eq!(split("a,,"), ["a", "", ""]);
        assert_eq!(split("0,5;1,5"), ["0,5", "1,5"]);
        assert_eq!(split("0,5\t\"x;y\""), ["0,5", "x;y"]);
        let mut fields = Vec::new();
        for line in ["\"a", "\"a\"b,c"] {
            let dialect = Dialect::of(line.as_bytes());
            assert!(dialect.split(line.as_bytes(), 7, &mut fields).is_err());
        }
    }

    #[test]
    fn units_are_found_in_names_of_columns() {
        for (text, name, unit) in [
            ("t_ms", "t", "ms"),
            ("Time [us]", "time", "us"),
            ("time (s)", "time", "s"),
            ("Time(s)", "time", "s"),
            ("CH1 V", "ch1", "v"),
            ("start_s", "start", "s"),
            ("D0", "d0", ""),
            ("level", "level", ""),
        ] {
            let column = ColumnName::of(text);
            assert_eq!((column.name.as_str(), column.unit.as_str()), (name, unit));
        }
    }
}
