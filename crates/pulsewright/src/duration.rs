//! Durations on the command line: a number with its unit.

/// Units, with their length in milliseconds.
const UNITS: &[(&str, f64)] = &[
    ("ns", 1e-6),
    ("us", 1e-3),
    ("µs", 1e-3),
    ("μs", 1e-3),
    ("ms", 1.0),
    ("s", 1e3),
    ("min", 60e3),
    ("h", 3600e3),
];

/// A duration in milliseconds. Only zero may stand without a unit.
///
/// # Errors
/// A message for the person who typed it: no unit, an unknown unit, no number, a negative or endless
/// one.
pub fn parse_ms(text: &str) -> Result<f64, String> {
    let text = text.trim();
    let unit_at = text
        .char_indices()
        .rev()
        .take_while(|(_, c)| c.is_alphabetic())
        .last()
        .map_or(text.len(), |(at, _)| at);
    let (number, unit) = text.split_at(unit_at);
    let value: f64 = number
        .trim()
        .parse()
        .map_err(|_| format!("found `{text}`, expected a duration such as 250ms, 0.25s or 15us"))?;
    if !value.is_finite() || value < 0.0 {
        return Err(format!("found `{text}`, expected a duration of 0 or more"));
    }
    if unit.is_empty() {
        return if value == 0.0 {
            Ok(0.0)
        } else {
            Err(format!(
                "`{text}` has no unit; write {text}ms, {text}s or {text}us"
            ))
        };
    }
    let (_, ms) = UNITS
        .iter()
        .find(|(name, _)| *name == unit)
        .ok_or_else(|| format!("found the unit `{unit}`, expected ns, us, ms, s, min or h"))?;
    Ok(value * ms)
}

/// A duration above zero, in milliseconds.
///
/// # Errors
/// As [`parse_ms`], and for zero.
pub fn parse_width_ms(text: &str) -> Result<f64, String> {
    let ms = parse_ms(text)?;
    if ms > 0.0 {
        Ok(ms)
    } else {
        Err(format!("found `{text}`, expected a width above zero"))
    }
}

/// A duration of either sign, in milliseconds.
///
/// # Errors
/// As [`parse_ms`].
pub fn parse_signed_ms(text: &str) -> Result<f64, String> {
    match text.trim().strip_prefix('-') {
        Some(size) => Ok(-parse_ms(size)?),
        None => parse_ms(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_carry_their_unit() {
        assert_eq!(parse_ms("250ms"), Ok(250.0));
        assert_eq!(parse_ms("0.25s"), Ok(250.0));
        assert_eq!(parse_ms("15us"), Ok(0.015));
        assert_eq!(parse_ms("15 µs"), Ok(0.015));
        assert_eq!(parse_ms("2min"), Ok(120_000.0));
        assert_eq!(parse_ms("1e3ns"), Ok(0.001));
        assert_eq!(parse_ms("0"), Ok(0.0));
    }

    #[test]
    fn anything_else_is_said() {
        for bad in [
            "",
            "ms",
            "250",
            "250 parsec",
            "-1ms",
            "nanms",
            "infs",
            "1..0ms",
            "1,5ms",
        ] {
            assert!(parse_ms(bad).is_err(), "{bad}");
        }
        assert!(parse_width_ms("0").is_err());
        assert_eq!(parse_width_ms("1ms"), Ok(1.0));
        assert_eq!(parse_signed_ms("-12ms"), Ok(-12.0));
        assert_eq!(parse_signed_ms("12ms"), Ok(12.0));
        assert!(parse_signed_ms("--12ms").is_err());
    }
}
