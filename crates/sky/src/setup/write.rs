//! The setup as text, with a comment on every line.

use std::fmt::Write as _;

use super::fields::{Place, SECTIONS};
use super::{Field, FieldKind, Law, SETUP_VERSION, Setup, fields};

const VERSION_COMMENT: &str = "version of this file; leave it as it is";

impl Setup {
    /// A setup file with every default, a comment on every line, and values that may be left out
    /// shown as comments. It reads back as [`Setup::default`].
    pub fn template() -> String {
        Setup::default().to_toml().replacen(
            VERSION_COMMENT,
            "version of this file; the values below are a common amateur case (common practice, \
             no source): put in your own",
            1,
        )
    }

    /// This setup as a file of the same form. It reads back as the same setup.
    pub fn to_toml(&self) -> String {
        // A place hands out a mutable reference, so that reading and writing share it.
        let mut values = self.clone();
        let mut text = String::new();
        line(
            &mut text,
            &format!("version = {SETUP_VERSION}"),
            VERSION_COMMENT,
        );
        for (section, meaning) in SECTIONS {
            text.push('\n');
            line(&mut text, &format!("[{section}]"), meaning);
            for field in fields().iter().filter(|field| field.section == section) {
                field.write(&mut values, &mut text);
            }
        }
        text
    }
}

impl Field {
    /// Section and key, as `mount.ra_rate`.
    pub fn name(&self) -> String {
        format!("{}.{}", self.section, self.key)
    }

    /// What may stand here, in words: `a number from 0.01 to 4 times sidereal`.
    pub fn expected(&self) -> String {
        let unit = if self.unit.is_empty() {
            String::new()
        } else {
            format!(" {}", self.unit)
        };
        match self.kind {
            FieldKind::Number { least, most, .. } | FieldKind::Optional { least, most, .. } => {
                format!("a number from {least} to {most}{unit}")
            }
            FieldKind::Whole { least, most, .. } => {
                format!("a whole number from {least} to {most}{unit}")
            }
            FieldKind::Law => format!("one of {}", law_names()),
            FieldKind::Harmonics { .. } => {
                "a list of { order = 1, share = 1.0, phase_deg = 0.0 }".to_string()
            }
        }
    }

    fn comment(&self) -> String {
        match self.kind {
            FieldKind::Number { .. } | FieldKind::Whole { .. } => {
                let range = self.expected();
                let range = range.rsplit_once("from ").map_or("", |(_, range)| range);
                format!("{}; {range}", self.explanation)
            }
            FieldKind::Optional { .. } => {
                let range = self.expected();
                let range = range.rsplit_once("from ").map_or("", |(_, range)| range);
                format!("optional: {}; {range}", self.explanation)
            }
            FieldKind::Law => format!("{}; {}", self.explanation, self.expected()),
            FieldKind::Harmonics { .. } => self.explanation.to_string(),
        }
    }

    fn write(&self, values: &mut Setup, text: &mut String) {
        let key = self.key;
        let comment = self.comment();
        match self.place {
            Place::Number(at) => line(text, &format!("{key} = {:?}", at(values)), &comment),
            Place::Whole(at) => line(text, &format!("{key} = {}", at(values)), &comment),
            Place::Law(at) => line(
                text,
                &format!("{key} = \"{}\"", at(values).name()),
                &comment,
            ),
            Place::Optional(at) => match (*at(values), self.kind) {
                (Some(value), _) => line(text, &format!("{key} = {value:?}"), &comment),
                (None, FieldKind::Optional { example, .. }) => {
                    line(text, &format!("# {key} = {example:?}"), &comment);
                }
                (None, _) => {}
            },
            Place::Harmonics(at) => {
                line(text, &format!("{key} = ["), &comment);
                for harmonic in at(values).iter() {
                    line(
                        text,
                        &format!(
                            "  {{ order = {}, share = {:?}, phase_deg = {:?} }},",
                            harmonic.order, harmonic.share, harmonic.phase_deg
                        ),
                        &format!("{}", Cycles(harmonic.order)),
                    );
                }
                line(text, "]", "end of the list");
            }
        }
    }
}

struct Cycles(u32);

impl std::fmt::Display for Cycles {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.0 {
            1 => f.write_str("once per turn of the worm"),
            count => write!(f, "{count} times per turn of the worm"),
        }
    }
}

/// The names of all laws, as they stand in an error.
pub(super) fn law_names() -> String {
    let names: Vec<String> = Law::ALL
        .iter()
        .map(|law| format!("\"{}\"", law.name()))
        .collect();
    names.join(", ")
}

/// Writes a line with its comment in one column.
fn line(text: &mut String, code: &str, comment: &str) {
    // Writing to a String can't fail.
    let _ = writeln!(text, "{code:<34} # {comment}");
}
