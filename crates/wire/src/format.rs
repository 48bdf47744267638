//! The formats a capture may have, and how they are told apart by content.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::csv::{ColumnName, Dialect, is_blank};
use crate::error::{WireError, quoted};
use crate::table::usual;

/// The format of a capture.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// Value change dump (IEEE 1364): `vcd`.
    Vcd,
    /// CSV, a row for each edge: `edges-csv`.
    EdgesCsv,
    /// CSV, a row for each analogue sample: `samples-csv`.
    SamplesCsv,
    /// WAV, as recorded by a sound card: `wav`.
    Wav,
    /// CSV of pulses that were measured already: `pulses-csv`.
    PulsesCsv,
}

impl Format {
    /// All formats.
    pub const ALL: [Format; 5] = [
        Format::Vcd,
        Format::EdgesCsv,
        Format::SamplesCsv,
        Format::Wav,
        Format::PulsesCsv,
    ];

    /// The names of all formats, for messages.
    pub(crate) const LIST: &'static str = "vcd, edges-csv, samples-csv, wav, pulses-csv";

    /// The name, as written on a command line.
    pub const fn name(self) -> &'static str {
        match self {
            Format::Vcd => "vcd",
            Format::EdgesCsv => "edges-csv",
            Format::SamplesCsv => "samples-csv",
            Format::Wav => "wav",
            Format::PulsesCsv => "pulses-csv",
        }
    }
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Format {
    type Err = WireError;

    fn from_str(text: &str) -> Result<Self, WireError> {
        Format::ALL
            .into_iter()
            .find(|format| format.name().eq_ignore_ascii_case(text.trim()))
            .ok_or_else(|| {
                WireError::setting(
                    "format",
                    text,
                    "one of vcd, edges-csv, samples-csv, wav, pulses-csv",
                )
            })
    }
}

/// So many bytes are looked at to tell the format.
pub(crate) const SNIFFED: usize = 16 * 1024;

/// Tells the format of `head`, the first bytes of an input.
pub(crate) fn sniff(head: &[u8]) -> Result<Format, WireError> {
    if head.starts_with(b"RIFF") || head.starts_with(b"RF64") {
        return Ok(Format::Wav);
    }
    if let Some((found, advice)) = foreign(head) {
        return Err(WireError::UnknownFormat {
            found: found.to_owned(),
            advice: advice.to_owned(),
        });
    }
    let text = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    if text.trim_ascii_start().starts_with(b"$") {
        return Ok(Format::Vcd);
    }
    csv(text)
}

/// What `head` looks like, where it is nothing that could be read, and the way out.
fn foreign(head: &[u8]) -> Option<(&'static str, &'static str)> {
    const KNOWN: [(&[u8], &str, &str); 7] = [
        (b"\x1f\x8b", "gzip data", "decompress it first"),
        (
            b"PK\x03\x04",
            "a ZIP archive or a spreadsheet",
            "unpack it, or save the sheet as CSV",
        ),
        (b"\x28\xb5\x2f\xfd", "zstd data", "decompress it first"),
        (b"\xfd7zXZ", "xz data", "decompress it first"),
        (b"\xff\xfe", "UTF-16 text", "save it as UTF-8"),
        (b"\xfe\xff", "UTF-16 text", "save it as UTF-8"),
        (b"%PDF", "a PDF document", "save the capture itself"),
    ];
    if let Some((_, found, advice)) = KNOWN.iter().find(|(magic, ..)| head.starts_with(magic)) {
        return Some((found, advice));
    }
    // Text has no control characters but white space.
    let controls = head
        .iter()
        .filter(|byte| **byte < b' ' && !byte.is_ascii_whitespace());
    (controls.count() > 0).then_some(("binary data", "export the capture in one of these formats"))
}

/// Tells which CSV `text` is by its names of columns, or else by its values.
fn csv(text: &[u8]) -> Result<Format, WireError> {
    let mut rows = text
        .split(|byte| *byte == b'\n')
        .map(|line| line.strip_suffix(b"\r").unwrap_or(line))
        .filter(|line| !is_blank(line))
        // The last line of the head may be cut off; so many tell enough.
        .take(100);
    let unknown = |found: &str| WireError::UnknownFormat {
        found: found.to_owned(),
        advice: "name the format if it is one of these, and the columns if it is a CSV".to_owned(),
    };
    let mut binary_columns = false;
    let mut named = false;
    while let Some(row) = rows.next() {
        let dialect = Dialect::of(row);
        let mut fields = Vec::new();
        if dialect.split(row, 1, &mut fields).is_err() {
            return Err(unknown(&format!("a line {}", quoted(row))));
        }
        let filled = || fields.iter().filter(|field| !field.text.is_empty());
        let numbers = filled()
            .filter(|field| dialect.number(field.text).is_some())
            .count();
        if numbers > 0 && numbers == filled().count() {
            // The first row of numbers. Levels are 0 or 1 in every column but that of the time.
            let levels = |row: &[u8]| {
                let mut fields = Vec::new();
                let split = dialect.split(row, 1, &mut fields);
                split.is_ok()
                    && fields.len() > 1
                    && fields.iter().skip(1).all(|f| matches!(f.text, b"0" | b"1"))
            };
            binary_columns = levels(row)
                && rows.clone().take(98).filter(|r| levels(r)).count()
                    >= rows.clone().count().saturating_sub(1);
            if !named && numbers < 2 && !binary_columns {
                return Err(unknown("a column of numbers without names"));
            }
            return Ok(if binary_columns && named {
                Format::EdgesCsv
            } else {
                Format::SamplesCsv
            });
        }
        let names: Vec<ColumnName> = fields.iter().map(|f| ColumnName::of(&f.string())).collect();
        let any = |usual: &[&str]| names.iter().any(|name| name.is_one_of(usual));
        if any(usual::REQUESTED) {
            return if any(usual::WIDTH) {
                Ok(Format::PulsesCsv)
            } else {
                Err(WireError::UnknownFormat {
                    found: "a request log (a column of requested widths, none of measured ones)"
                        .to_owned(),
                    advice: "give it as the request log, beside a capture".to_owned(),
                })
            };
        }
        if any(usual::TIME) && any(usual::LEVEL) {
            return Ok(Format::EdgesCsv);
        }
        named |= any(usual::TIME) || fields.len() > 1;
    }
    if binary_columns {
        return Ok(Format::EdgesCsv);
    }
    let first = text
        .split(|byte| *byte == b'\n')
        .find(|line| !is_blank(line));
    Err(match first {
        None => unknown("blank lines only"),
        Some(line) => unknown(&format!("text that begins {}", quoted(line.trim_ascii()))),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_are_told_by_their_content() {
        for (content, format) in [
            ("$date today $end", Format::Vcd),
            ("\u{feff}\n $timescale 1 us $end", Format::Vcd),
            ("RIFF\0\0\0\0WAVE", Format::Wav),
            ("t_s,channel,level\n0,D0,0\n", Format::EdgesCsv),
            (
                "# a comment\nTime [us];Channel;State\n0,5;D0;0\n",
                Format::EdgesCsv,
            ),
            ("t_s,D0,D1\n0.0,0,1\n0.5,1,1\n", Format::EdgesCsv),
            ("time,CH1\ns,V\n0.0,0.01\n1e-3,3.3\n", Format::SamplesCsv),
            (
                "Model,any\nTrigger,1.5\nTIME,CH1\n-1.0e-3,0.1\n",
                Format::SamplesCsv,
            ),
            ("-0.001,0.02\n0.0,3.1\n", Format::SamplesCsv),
            (
                "direction,requested_ms,width_ms\nra+,250,262\n",
                Format::PulsesCsv,
            ),
        ] {
            assert_eq!(sniff(content.as_bytes()).unwrap(), format, "{content}");
        }
    }

    #[test]
    fn what_is_no_capture_is_named() {
        for (content, name) in [
            (&b"\x1f\x8b\x08"[..], "gzip"),
            (b"\x00\x01\x02", "binary"),
            (b"\xff\xfeT\0", "UTF-16"),
            (b"direction,requested_ms\nra+,250\n", "request log"),
            (b"Dear diary\n", "Dear diary"),
            (b"\n\n", "blank lines"),
        ] {
            let error = sniff(content).unwrap_err().to_string();
            assert!(
                error.contains(name) && error.contains("samples-csv"),
                "{error}"
            );
        }
    }

    #[test]
    fn names_are_read_as_they_are_written() {
        for format in Format::ALL {
            assert_eq!(format.to_string().parse::<Format>().unwrap(), format);
        }
        assert!("tape".parse::<Format>().is_err());
    }
}
