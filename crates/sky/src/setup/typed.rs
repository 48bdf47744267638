//! The setup as a form holds it: each value as a text under the name of its field.

use std::collections::BTreeMap;

use super::fields::{Place, SECTIONS};
use super::write::law_names;
use super::{Field, Harmonic, Law, Setup, SetupReading, fields};
use crate::error::{Fault, SetupError};

/// The parts of a harmonic, as the last part of a name.
const PARTS: [&str; 3] = ["order", "share", "phase_deg"];
/// What keys end with for their unit; a longer one stands before one that ends it.
const UNITS: [&str; 13] = [
    "_arcsec_per_min",
    "_e_per_s_px",
    "_e_per_s",
    "_per_hour",
    "_m_s",
    "_arcsec",
    "_arcmin",
    "_deg",
    "_mm",
    "_um",
    "_ms",
    "_m",
    "_s",
];
/// Words of keys that are short for others.
const SHORT: [(&str, &str); 8] = [
    ("ra", "right ascension"),
    ("dec", "declination"),
    ("rate", "guide rate"),
    ("fwhm", "FWHM"),
    ("readout", "read-out"),
    ("shortest", "shortest pulse"),
    ("longest", "longest pulse"),
    ("law", "control law"),
];

/// Name and meaning of each section, in the order of the file.
pub fn sections() -> &'static [(&'static str, &'static str)] {
    &SECTIONS
}

impl Field {
    /// What the value is called: `right ascension gain`. The unit is not in it.
    pub fn label(&self) -> String {
        let key = UNITS
            .iter()
            .find_map(|unit| self.key.strip_suffix(unit))
            .unwrap_or(self.key);
        // Electrons are a unit only at the end of this one.
        let key = key.strip_suffix("_e").unwrap_or(key);
        let words: Vec<&str> = key
            .split('_')
            .map(|word| {
                let long = SHORT.iter().find(|(short, _)| *short == word);
                long.map_or(word, |(_, long)| long)
            })
            .collect();
        words.join(" ")
    }
}

impl Setup {
    /// Every value as one would type it, under the name of its field: `("mount.ra_rate", "0.5")`. What
    /// is left out is an empty text. The parts of the first harmonic are `mount.harmonics.0.order`,
    /// `mount.harmonics.0.share` and `mount.harmonics.0.phase_deg`.
    pub fn typed(&self) -> Vec<(String, String)> {
        // A place hands out a mutable reference, so that reading and writing share it.
        let mut values = self.clone();
        let mut pairs = Vec::new();
        for field in fields() {
            let text = match field.place {
                Place::Number(at) => at(&mut values).to_string(),
                Place::Optional(at) => at(&mut values).map_or(String::new(), |v| v.to_string()),
                Place::Whole(at) => at(&mut values).to_string(),
                Place::Law(at) => at(&mut values).name().to_string(),
                Place::Harmonics(at) => {
                    for (row, harmonic) in at(&mut values).iter().enumerate() {
                        let parts = [
                            harmonic.order.to_string(),
                            harmonic.share.to_string(),
                            harmonic.phase_deg.to_string(),
                        ];
                        for (part, text) in PARTS.iter().zip(parts) {
                            pairs.push((format!("{}.{row}.{part}", field.name()), text));
                        }
                    }
                    continue;
                }
            };
            pairs.push((field.name(), text));
        }
        pairs
    }

    /// A setup from what was typed, as [`Setup::typed`] names it. A field that is not named takes its
    /// default; names of no field are passed over; a harmonic of which nothing was typed is left out.
    ///
    /// # Errors
    /// All faults at once, those of [`Setup::check`] among them, each under the name of its field.
    pub fn from_typed(pairs: &[(String, String)]) -> Result<SetupReading, SetupError> {
        let mut setup = Setup::default();
        let mut faults = Vec::new();
        let mut defaulted = Vec::new();
        for field in fields() {
            let name = field.name();
            if let Place::Harmonics(at) = field.place {
                match harmonics(field, pairs, &mut faults) {
                    Some(typed) => *at(&mut setup) = typed,
                    None => defaulted.push(name),
                }
                continue;
            }
            match pairs.iter().find(|(given, _)| *given == name) {
                Some((_, text)) => field.take(text.trim(), &mut setup, &mut faults),
                None if matches!(field.place, Place::Optional(_)) => {}
                None => defaulted.push(name),
            }
        }
        let warnings = match setup.check() {
            Ok(warnings) => warnings,
            Err(error) => {
                faults.extend(error.faults);
                Vec::new()
            }
        };
        if faults.is_empty() {
            Ok(SetupReading {
                setup,
                warnings,
                defaulted,
            })
        } else {
            Err(SetupError { faults })
        }
    }
}

impl Field {
    /// Puts a typed text in its place, or says what is wrong with it.
    fn take(&self, text: &str, setup: &mut Setup, faults: &mut Vec<Fault>) {
        let understood = match self.place {
            Place::Number(at) => text.parse().map(|number| *at(setup) = number).is_ok(),
            Place::Optional(at) => {
                let number = match text {
                    "" => Ok(None),
                    text => text.parse().map(Some),
                };
                number.map(|number| *at(setup) = number).is_ok()
            }
            Place::Whole(at) => text.parse().map(|whole| *at(setup) = whole).is_ok(),
            Place::Law(at) => Law::ALL
                .into_iter()
                .find(|law| law.name() == text)
                .map(|law| *at(setup) = law)
                .is_some(),
            // These have a text for each part.
            Place::Harmonics(_) => true,
        };
        if !understood {
            let advice = match self.place {
                Place::Law(_) => format!("choose one of {}", law_names()),
                _ if is_with_comma(text) => {
                    "write a point before the decimals, and nothing between thousands".to_string()
                }
                _ => self.advice(),
            };
            faults.push(self.fault(found(text), self.expected(), advice));
        }
    }
}

/// The harmonics that were typed; `None` where none of their names is there.
fn harmonics(
    field: &Field,
    pairs: &[(String, String)],
    faults: &mut Vec<Fault>,
) -> Option<Vec<Harmonic>> {
    let start = format!("{}.", field.name());
    let mut rows: BTreeMap<usize, [&str; 3]> = BTreeMap::new();
    for (name, text) in pairs {
        let place = name.strip_prefix(&start).and_then(|rest| {
            let (row, part) = rest.split_once('.')?;
            let part = PARTS.iter().position(|known| *known == part)?;
            Some((row.parse().ok()?, part))
        });
        if let Some((row, part)) = place {
            rows.entry(row).or_default()[part] = text.trim();
        }
    }
    if rows.is_empty() {
        return None;
    }
    let mut list = Vec::new();
    for (row, [order, share, phase]) in rows {
        if [order, share, phase] == [""; 3] {
            continue;
        }
        let phase_deg = if phase.is_empty() { "0" } else { phase };
        match (order.parse(), share.parse(), phase_deg.parse()) {
            (Ok(order), Ok(share), Ok(phase_deg)) => list.push(Harmonic {
                order,
                share,
                phase_deg,
            }),
            _ => faults.push(field.fault(
                format!(
                    "in row {}: order {}, share {}, phase {}",
                    row.saturating_add(1),
                    found(order),
                    found(share),
                    found(phase)
                ),
                "a whole number of cycles per turn from 1, a share from 0 to 1, and a phase in degrees"
                    .to_string(),
                "fill in the row, or empty it to leave the harmonic out".to_string(),
            )),
        }
    }
    Some(list)
}

/// Whether it would be a number if its commas were points.
fn is_with_comma(text: &str) -> bool {
    text.contains(',') && text.replace(',', "").parse::<f64>().is_ok()
}

/// A typed text as it stands in an error.
fn found(text: &str) -> String {
    /// Beyond this a text was not meant for the field.
    const MOST: usize = 40;
    if text.is_empty() {
        return "nothing".to_string();
    }
    let shown: String = text.chars().take(MOST).collect();
    let more = if text.chars().nth(MOST).is_some() {
        "..."
    } else {
        ""
    };
    format!("{:?}{more}", shown)
}
