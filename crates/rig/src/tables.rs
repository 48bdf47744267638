//! Reading the TOML files of this crate with the line of every value, all faults at once.

use std::ops::RangeInclusive;

use sky::Fault;
use sky::toml_values::{integer, number, shown};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Why a plan or chain file can't be used: every fault that was found, in the order of the file.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[error("{}", self.faults.iter().map(Fault::to_string).collect::<Vec<_>>().join("\n"))]
pub struct FileError {
    /// At least one fault, each with line, key, what was found, what was expected and the way out.
    pub faults: Vec<Fault>,
}

/// A file being read, with the faults found so far.
pub(crate) struct Reader {
    /// Byte of every line end.
    ends: Vec<usize>,
    faults: Vec<Fault>,
}

/// A section of the file, and the keys that were asked for.
pub(crate) struct Section<'t> {
    /// Its name; empty for the keys above all sections.
    name: String,
    table: Option<&'t DeTable<'t>>,
    /// Line of its first key; `None` where it is missing.
    line: Option<usize>,
    asked: Vec<&'static str>,
}

impl Reader {
    /// Begins with `text`; the table is `None` where it isn't TOML.
    pub(crate) fn new(text: &str) -> (Reader, Option<Spanned<DeTable<'_>>>) {
        let mut reader = Reader {
            ends: text.match_indices('\n').map(|(at, _)| at).collect(),
            faults: Vec::new(),
        };
        match DeTable::parse(text) {
            Ok(table) => (reader, Some(table)),
            Err(error) => {
                let at = error.span().map_or(text.len(), |span| span.start);
                reader.faults.push(Fault {
                    line: Some(reader.line(at)),
                    key: String::new(),
                    found: error.message().trim().replace('\n', ", "),
                    expected: "lines of the form key = value under a [section]".into(),
                    advice: "correct the line; a text value stands in quotes, a comment behind #"
                        .into(),
                });
                (reader, None)
            }
        }
    }

    /// The line of a byte, from 1.
    fn line(&self, at: usize) -> usize {
        1 + self.ends.partition_point(|&end| end < at)
    }

    /// Notes a fault at `section.key`; `line` where it has one.
    pub(crate) fn fault(
        &mut self,
        key: String,
        line: Option<usize>,
        found: impl Into<String>,
        expected: impl Into<String>,
        advice: impl Into<String>,
    ) {
        self.faults.push(Fault {
            line,
            key,
            found: found.into(),
            expected: expected.into(),
            advice: advice.into(),
        });
    }

    /// The section `name` of the file; may be missing.
    pub(crate) fn section<'t>(&mut self, top: &mut Section<'t>, name: &'static str) -> Section<'t> {
        let mut section = Section {
            name: name.to_owned(),
            table: None,
            line: None,
            asked: Vec::new(),
        };
        if let Some((line, value)) = self.find(top, name) {
            section.line = Some(line);
            match value {
                DeValue::Table(table) => section.table = Some(table),
                other => self.fault(
                    name.to_owned(),
                    Some(line),
                    shown(other),
                    "a section",
                    format!("write [{name}] on a line of its own and its keys under it"),
                ),
            }
        }
        section
    }

    /// The value of `key`, with its line.
    fn find<'t>(
        &self,
        section: &mut Section<'t>,
        key: &'static str,
    ) -> Option<(usize, &'t DeValue<'t>)> {
        section.asked.push(key);
        let (name, value) = section.table?.get_key_value(key)?;
        Some((self.line(name.span().start), value.get_ref()))
    }

    /// The value of `key` as `read` understands it, or a fault and `None`; `None` as well where it
    /// is missing.
    fn get<'t, T>(
        &mut self,
        section: &mut Section<'t>,
        key: &'static str,
        expected: impl FnOnce() -> String,
        read: impl FnOnce(&'t DeValue<'t>) -> Option<T>,
    ) -> Option<T> {
        let (line, value) = self.find(section, key)?;
        let understood = read(value);
        if understood.is_none() {
            let key = section.key(key);
            self.fault(
                key,
                Some(line),
                shown(value),
                expected(),
                "correct the value",
            );
        }
        understood
    }

    /// A number within `range`.
    pub(crate) fn number(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
        range: RangeInclusive<f64>,
    ) -> Option<f64> {
        let expected = || format!("a number from {} to {}", range.start(), range.end());
        self.get(section, key, expected, |value| {
            number(value).filter(|number| range.contains(number))
        })
    }

    /// Numbers within `range`, at least one.
    pub(crate) fn numbers(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
        range: RangeInclusive<f64>,
    ) -> Option<Vec<f64>> {
        let expected = || {
            format!(
                "a list of numbers from {} to {}",
                range.start(),
                range.end()
            )
        };
        self.get(section, key, expected, |value| {
            let one = |item: &Spanned<DeValue<'_>>| {
                number(item.get_ref()).filter(|number| range.contains(number))
            };
            let list: Option<Vec<f64>> = value.as_array()?.iter().map(one).collect();
            list.filter(|list| !list.is_empty())
        })
    }

    /// A whole number within `range`.
    pub(crate) fn whole(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
        range: RangeInclusive<i64>,
    ) -> Option<i64> {
        let expected = || format!("a whole number from {} to {}", range.start(), range.end());
        self.get(section, key, expected, |value| {
            integer(value).filter(|whole| range.contains(whole))
        })
    }

    /// True or false.
    pub(crate) fn truth(&mut self, section: &mut Section<'_>, key: &'static str) -> Option<bool> {
        self.get(
            section,
            key,
            || "true or false".into(),
            |value| value.as_bool(),
        )
    }

    /// A text that isn't empty.
    pub(crate) fn text(&mut self, section: &mut Section<'_>, key: &'static str) -> Option<String> {
        let expected = || "a text in quotes".into();
        self.get(section, key, expected, |value| {
            let text = value.as_str().filter(|text| !text.is_empty())?;
            Some(text.to_owned())
        })
    }

    /// A text that `read` understands.
    pub(crate) fn parsed<T>(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
        expected: &str,
        read: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let expected = || expected.to_owned();
        self.get(section, key, expected, |value| {
            value.as_str().and_then(&read)
        })
    }

    /// A list of texts that `read` understands.
    pub(crate) fn list<T>(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
        expected: &str,
        read: impl Fn(&str) -> Option<T>,
    ) -> Option<Vec<T>> {
        let expected = || expected.to_owned();
        self.get(section, key, expected, |value| {
            let one = |item: &Spanned<DeValue<'_>>| item.get_ref().as_str().and_then(&read);
            value.as_array()?.iter().map(one).collect()
        })
    }

    /// The pairs of a table of names and texts, such as headers.
    pub(crate) fn pairs(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
    ) -> Option<Vec<(String, String)>> {
        let expected = || "a table such as { name = \"text\" }".into();
        self.get(section, key, expected, |value| {
            let one =
                |(name, value): (&Spanned<std::borrow::Cow<'_, str>>, &Spanned<DeValue<'_>>)| {
                    let text = value.get_ref().as_str()?;
                    Some((name.get_ref().to_string(), text.to_owned()))
                };
            value.as_table()?.iter().map(one).collect()
        })
    }

    /// A table such as `{ family = "normal", mean = 1, sd = 2 }`: the name and the numbers, as `read`
    /// understands them.
    pub(crate) fn table<T>(
        &mut self,
        section: &mut Section<'_>,
        key: &'static str,
        expected: &str,
        read: impl Fn(&str, &[(&str, f64)]) -> Option<T>,
    ) -> Option<T> {
        let expected = || expected.to_owned();
        self.get(section, key, expected, |value| {
            let table = value.as_table()?;
            let family = table.get("family")?.get_ref().as_str()?;
            let numbers = table.iter().filter(|(name, _)| name.get_ref() != "family");
            let numbers: Option<Vec<(&str, f64)>> = numbers
                .map(|(name, value)| Some((name.get_ref().as_ref(), number(value.get_ref())?)))
                .collect();
            read(family, &numbers?)
        })
    }

    /// Says that `key` must stand in `section`.
    pub(crate) fn missing(&mut self, section: &Section<'_>, key: &str, example: &str) {
        self.fault(
            section.key(key),
            section.line,
            "nothing",
            example,
            "add the line",
        );
    }

    /// The line of `key`, if it is given.
    pub(crate) fn line_of(&self, section: &Section<'_>, key: &str) -> Option<usize> {
        let (name, _) = section.table?.get_key_value(key)?;
        Some(self.line(name.span().start))
    }

    /// Checks `version = 1` among the keys above all sections.
    pub(crate) fn version(&mut self, top: &mut Section<'_>, known: i64) {
        match self.find(top, "version") {
            Some((_, value)) if integer(value) == Some(known) => {}
            Some((line, value)) => self.fault(
                "version".into(),
                Some(line),
                shown(value),
                format!("{known}"),
                "write the file anew, or update the program that reads it",
            ),
            None => self.fault(
                "version".into(),
                Some(1),
                "no version",
                format!("version = {known} on the first line"),
                "add it above the first section",
            ),
        }
    }

    /// Notes every key of `section` that nothing asked for.
    pub(crate) fn close(&mut self, section: Section<'_>) {
        let known = section.asked.join(", ");
        for (key, _) in section.table.into_iter().flat_map(|table| table.iter()) {
            let name = key.get_ref().as_ref();
            if !section.asked.contains(&name) {
                let line = self.line(key.span().start);
                self.fault(
                    section.key(name),
                    Some(line),
                    "an unknown key",
                    format!("one of {known}"),
                    "correct or remove it",
                );
            }
        }
    }

    /// The result, or all faults in the order of the file.
    pub(crate) fn finish<T>(mut self, value: T) -> Result<T, FileError> {
        if self.faults.is_empty() {
            return Ok(value);
        }
        self.faults.sort_by_key(|fault| fault.line);
        Err(FileError {
            faults: self.faults,
        })
    }
}

impl<'t> Section<'t> {
    /// The keys above all sections.
    pub(crate) fn top(table: Option<&'t DeTable<'t>>) -> Section<'t> {
        Section {
            name: String::new(),
            table,
            line: Some(1),
            asked: Vec::new(),
        }
    }

    /// Whether the file has the section.
    pub(crate) fn is_given(&self) -> bool {
        self.table.is_some()
    }

    /// Its line, if it is given.
    pub(crate) fn line(&self) -> Option<usize> {
        self.line
    }

    /// `section.key`.
    pub(crate) fn key(&self, key: &str) -> String {
        if self.name.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.name)
        }
    }
}
