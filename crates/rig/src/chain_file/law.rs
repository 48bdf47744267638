//! The section of a simulated chain.

use stats::family::Family;

use super::{ChainLaw, Reader, Section, family};

/// How a law is written.
const EXAMPLE: &str = "a family with its parameters, such as { family = \"shifted_gamma\", shift = 8, shape = 2, scale = 2.5 }";

/// Reads the section; what is missing takes its default.
pub(super) fn read(reader: &mut Reader, section: &mut Section<'_>) -> ChainLaw {
    let mut law = ChainLaw::default();
    for (key, place) in [
        ("start_delay_ms", &mut law.delay_ms),
        ("width_error_ms", &mut law.error_ms),
    ] {
        if let Some(family) = reader.table(section, key, EXAMPLE, from_table) {
            *place = family;
        }
    }
    if let Some(missing) = reader.number(section, "missing", 0.0..=1.0) {
        law.missing = missing;
    }
    if let Some(bounce) = reader.number(section, "bounce", 0.0..=1.0) {
        law.bounce = bounce;
    }
    if let Some(seed) = reader.whole(section, "seed", 0..=i64::MAX) {
        law.seed = seed as u64;
    }
    law
}

fn from_table(name: &str, numbers: &[(&str, f64)]) -> Option<Family> {
    let value = |key: &str| {
        let found = numbers.iter().find(|(name, _)| *name == key);
        found.map(|(_, number)| *number)
    };
    let family = family(name, value)?;
    (family.parameters().len() == numbers.len()).then_some(family)
}
