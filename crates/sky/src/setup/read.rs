//! Reading a setup file: TOML with the position of every value, so that an error can name its
//! line.

use std::borrow::Cow;

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use wire::Warning;

use super::check::version_fault;
use super::fields::{Place, SECTIONS};
use super::write::law_names;
use super::{Field, Harmonic, Law, SETUP_VERSION, Setup, fields};
use crate::error::{Fault, SetupError};
use crate::toml_values::{integer, number, shown};

/// A setup file as read: the setup, and what its writer may want to know.
#[derive(Clone, PartialEq, Debug)]
pub struct SetupReading {
    /// The setup, in range and without contradictions.
    pub setup: Setup,
    /// Usable values that deserve a second look.
    pub warnings: Vec<Warning>,
    /// Keys that the file does not give and that took their default, as `mount.ra_rate`. Values
    /// that may be left out are not among them.
    pub defaulted: Vec<String>,
}

impl Setup {
    /// Reads a setup file. A missing key takes its default.
    ///
    /// # Errors
    /// Text that is not TOML, a missing or newer version, an unknown key or section, a value of
    /// the wrong type or out of range, values that contradict each other: all faults at once,
    /// each with its line, key, what was found, what was expected and the way out.
    pub fn parse(text: &str) -> Result<Setup, SetupError> {
        Setup::read(text).map(|reading| reading.setup)
    }

    /// Reads a setup file like [`Setup::parse`], and says what was left to its default and what
    /// deserves a warning.
    ///
    /// # Errors
    /// Those of [`Setup::parse`].
    pub fn read(text: &str) -> Result<SetupReading, SetupError> {
        Reader::over(text).finish()
    }

    /// What can be read of a setup file with faults, and defaults for the rest: to go on from, for it
    /// is not checked.
    pub fn salvage(text: &str) -> Setup {
        Reader::over(text).setup
    }
}

/// State of a reading.
struct Reader<'a> {
    text: &'a str,
    /// Byte of every line end.
    ends: Vec<usize>,
    setup: Setup,
    /// Name and line of every key that the file gives.
    lines: Vec<(String, usize)>,
    faults: Vec<Fault>,
}

impl<'a> Reader<'a> {
    /// A file, read to its end.
    fn over(text: &'a str) -> Reader<'a> {
        let mut reader = Reader {
            text,
            ends: text.match_indices('\n').map(|(at, _)| at).collect(),
            setup: Setup::default(),
            lines: Vec::new(),
            faults: Vec::new(),
        };
        match DeTable::parse(text) {
            Ok(table) => reader.top(table.get_ref()),
            Err(error) => {
                let at = error.span().map_or(text.len(), |span| span.start);
                reader.fault(
                    at,
                    "",
                    error.message().trim().replace('\n', ", "),
                    "lines of the form key = value under a [section]",
                    "correct the line; a text value stands in quotes, a comment behind #"
                        .to_string(),
                );
            }
        }
        reader
    }

    fn finish(mut self) -> Result<SetupReading, SetupError> {
        let mut warnings = Vec::new();
        match self.setup.check() {
            Ok(found) => warnings = found,
            Err(error) => {
                for mut fault in error.faults {
                    let line = self.lines.iter().find(|(name, _)| *name == fault.key);
                    fault.line = line.map(|&(_, line)| line);
                    self.faults.push(fault);
                }
            }
        }
        if !self.faults.is_empty() {
            self.faults.sort_by_key(|fault| fault.line);
            return Err(SetupError {
                faults: self.faults,
            });
        }
        let defaulted = fields()
            .iter()
            .filter(|field| !matches!(field.place, Place::Optional(_)))
            .map(Field::name)
            .filter(|name| !self.lines.iter().any(|(given, _)| given == name))
            .collect();
        Ok(SetupReading {
            setup: self.setup,
            warnings,
            defaulted,
        })
    }

    fn top(&mut self, table: &DeTable<'_>) {
        let mut version_seen = false;
        for (key, value) in table {
            let name = key.get_ref().as_ref();
            if name == "version" {
                version_seen = true;
                self.version(value);
            } else if SECTIONS.iter().any(|(section, _)| *section == name) {
                match value.get_ref() {
                    DeValue::Table(section) => self.section(name, section),
                    other => self.fault(
                        key.span().start,
                        name,
                        found(other),
                        "a section",
                        format!("write [{name}] on a line of its own and its keys under it"),
                    ),
                }
            } else {
                self.unknown_at_top(key);
            }
        }
        if !version_seen {
            self.fault(
                0,
                "version",
                "no version".to_string(),
                "version = 1 on the first line",
                "add it above the first section".to_string(),
            );
        }
    }

    fn version(&mut self, value: &Spanned<DeValue<'_>>) {
        if integer(value.get_ref()) != Some(i64::from(SETUP_VERSION)) {
            let mut fault = version_fault(&found(value.get_ref()));
            fault.line = Some(self.line(value.span().start));
            self.faults.push(fault);
        }
    }

    fn unknown_at_top(&mut self, key: &Spanned<Cow<'_, str>>) {
        let name = key.get_ref().as_ref();
        let advice = match fields().iter().find(|field| field.key == name) {
            Some(field) => format!("move it under [{}]", field.section),
            None => match nearest(name, SECTIONS.iter().map(|(section, _)| *section)) {
                Some(known) => format!("did you mean [{known}]?"),
                None => "remove it".to_string(),
            },
        };
        let sections: Vec<String> = SECTIONS.iter().map(|(s, _)| format!("[{s}]")).collect();
        self.fault(
            key.span().start,
            name,
            "an unknown name".to_string(),
            &format!("version or one of {}", sections.join(", ")),
            advice,
        );
    }

    fn section(&mut self, section: &str, table: &DeTable<'_>) {
        for (key, value) in table {
            let name = key.get_ref().as_ref();
            let known = fields()
                .iter()
                .find(|field| field.section == section && field.key == name);
            match known {
                Some(field) => self.value(field, key, value),
                None => self.unknown(section, key),
            }
        }
    }

    fn unknown(&mut self, section: &str, key: &Spanned<Cow<'_, str>>) {
        let name = key.get_ref().as_ref();
        let here = || fields().iter().filter(|field| field.section == section);
        let elsewhere = fields().iter().find(|field| field.key == name);
        let advice = match (nearest(name, here().map(|field| field.key)), elsewhere) {
            (_, Some(field)) => format!("move it under [{}]", field.section),
            (Some(known), None) => format!("did you mean {known}?"),
            (None, None) => match nearest(name, fields().iter().map(|field| field.key)) {
                Some(known) => format!("did you mean {known}?"),
                None => "remove it".to_string(),
            },
        };
        let keys: Vec<&str> = here().map(|field| field.key).collect();
        self.fault(
            key.span().start,
            &format!("{section}.{name}"),
            "an unknown key".to_string(),
            &format!("one of {}", keys.join(", ")),
            advice,
        );
    }

    fn value(
        &mut self,
        field: &Field,
        key: &Spanned<Cow<'_, str>>,
        spanned: &Spanned<DeValue<'_>>,
    ) {
        let line = self.line(key.span().start);
        self.lines.push((field.name(), line));
        let value = spanned.get_ref();
        let understood = match field.place {
            Place::Number(at) => number(value).map(|number| *at(&mut self.setup) = number),
            Place::Optional(at) => number(value).map(|number| *at(&mut self.setup) = Some(number)),
            Place::Whole(at) => integer(value)
                .and_then(|whole| u32::try_from(whole).ok())
                .map(|whole| *at(&mut self.setup) = whole),
            Place::Law(at) => value
                .as_str()
                .and_then(|name| Law::ALL.into_iter().find(|law| law.name() == name))
                .map(|law| *at(&mut self.setup) = law),
            Place::Harmonics(at) => match value {
                DeValue::Array(list) => {
                    let mut harmonics = Vec::with_capacity(list.len());
                    for item in list.iter() {
                        harmonics.extend(self.harmonic(field, item));
                    }
                    *at(&mut self.setup) = harmonics;
                    Some(())
                }
                _ => None,
            },
        };
        if understood.is_none() {
            let advice = match (field.place, value) {
                (Place::Law(_), DeValue::String(name)) => {
                    match nearest(name, Law::ALL.iter().map(|law| law.name())) {
                        Some(known) => format!("did you mean \"{known}\"?"),
                        None => format!("choose one of {}", law_names()),
                    }
                }
                (Place::Number(_) | Place::Optional(_), DeValue::String(_)) => {
                    format!("write the number without quotes; {}", field.advice())
                }
                _ => field.advice(),
            };
            let mut fault = field.fault(found(value), field.expected(), advice);
            fault.line = Some(self.line(spanned.span().start));
            self.faults.push(fault);
        }
    }

    /// One entry of the list of harmonics, or a fault.
    fn harmonic(&mut self, field: &Field, item: &Spanned<DeValue<'_>>) -> Option<Harmonic> {
        let read = item.get_ref().as_table().and_then(|table| {
            let mut harmonic = Harmonic {
                order: 0,
                share: f64::NAN,
                phase_deg: 0.0,
            };
            for (key, value) in table {
                let value = value.get_ref();
                match key.get_ref().as_ref() {
                    "order" => harmonic.order = u32::try_from(integer(value)?).ok()?,
                    "share" => harmonic.share = number(value)?,
                    "phase_deg" => harmonic.phase_deg = number(value)?,
                    _ => return None,
                }
            }
            (harmonic.order > 0 && !harmonic.share.is_nan()).then_some(harmonic)
        });
        if read.is_none() {
            let span = item.span();
            let source = self.text.get(span.clone()).unwrap_or_default();
            let mut fault = field.fault(
                source.to_string(),
                "{ order = 1, share = 1.0, phase_deg = 0.0 }".to_string(),
                "give the whole number of cycles per turn, the relative amplitude and the phase"
                    .to_string(),
            );
            fault.line = Some(self.line(span.start));
            self.faults.push(fault);
        }
        read
    }

    fn fault(&mut self, at: usize, key: &str, found: String, expected: &str, advice: String) {
        let line = self.line(at);
        self.faults.push(Fault {
            line: Some(line),
            key: key.to_string(),
            found,
            expected: expected.to_string(),
            advice,
        });
    }

    /// The line of a byte, from 1.
    fn line(&self, at: usize) -> usize {
        1 + self.ends.partition_point(|&end| end < at)
    }
}

/// A value as it stands in an error.
fn found(value: &DeValue<'_>) -> String {
    match value {
        // A list of the setup is one of tables, and long.
        DeValue::Array(_) => "a list".to_string(),
        _ => shown(value),
    }
}

/// The known name that needs the fewest changed letters, if that is under half of them.
fn nearest<'n>(name: &str, known: impl Iterator<Item = &'n str>) -> Option<&'n str> {
    known
        .map(|candidate| (changes(name, candidate), candidate))
        .min()
        .filter(|&(count, candidate)| 2 * count < candidate.len().max(2))
        .map(|(_, candidate)| candidate)
}

/// Edit distance (Levenshtein 1966): letters to insert, delete or replace.
fn changes(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (i, a) in from.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in to.iter().enumerate() {
            let above = row[j + 1];
            row[j + 1] = (above + 1)
                .min(row[j] + 1)
                .min(diagonal + usize::from(a != *b));
            diagonal = above;
        }
    }
    row[to.len()]
}
