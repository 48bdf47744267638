//! Decimal numbers in text, read exactly.

use crate::time::MAX_TICKS;

/// A number `mantissa * 10^exponent`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Decimal {
    mantissa: i128,
    exponent: i32,
}

/// The mantissa takes so many digits; those after them are far below any unit of time and dropped.
const MAX_DIGITS: u32 = 36;

impl Decimal {
    /// Reads a number such as `-12.5`, `1.25E-03` or, with a `comma` as the mark, `12,5`. `None` for
    /// anything else, infinities and NaN included.
    pub(crate) fn parse(text: &[u8], comma: bool) -> Option<Decimal> {
        let text = text.trim_ascii();
        let (negative, text) = match text.split_first()? {
            (b'-', rest) => (true, rest),
            (b'+', rest) => (false, rest),
            _ => (false, text),
        };
        let at = text
            .iter()
            .position(|byte| byte.eq_ignore_ascii_case(&b'e'));
        let (number, power) = match at {
            Some(at) => (text.get(..at)?, Some(text.get(at + 1..)?)),
            None => (text, None),
        };
        let mut mantissa: i128 = 0;
        let mut exponent: i32 = 0;
        let (mut digits, mut kept, mut after_mark) = (0u32, 0u32, false);
        for &byte in number {
            match byte {
                b'0'..=b'9' => {
                    digits += 1;
                    if kept < MAX_DIGITS {
                        mantissa = mantissa * 10 + i128::from(byte - b'0');
                        kept += u32::from(mantissa != 0);
                        exponent -= i32::from(after_mark);
                    } else {
                        exponent += i32::from(!after_mark);
                    }
                }
                b'.' if !after_mark => after_mark = true,
                b',' if comma && !after_mark => after_mark = true,
                _ => return None,
            }
        }
        if digits == 0 {
            return None;
        }
        if let Some(power) = power {
            let power: i32 = std::str::from_utf8(power).ok()?.parse().ok()?;
            exponent = exponent.checked_add(power)?;
        }
        Some(Decimal {
            mantissa: if negative { -mantissa } else { mantissa },
            exponent,
        })
    }

    /// The number in units of `10^-power`, rounded half away from zero; `None` where that is more
    /// than [`MAX_TICKS`] either side of zero.
    pub(crate) fn ticks(&self, power: i32) -> Option<i64> {
        let shift = self.exponent.checked_add(power)?;
        let ticks = if self.mantissa == 0 {
            0
        } else if shift >= 0 {
            let factor = 10i128.checked_pow(u32::try_from(shift).ok()?)?;
            self.mantissa.checked_mul(factor)?
        } else {
            match 10i128.checked_pow(shift.unsigned_abs()) {
                Some(divisor) => {
                    let (whole, rest) = (self.mantissa / divisor, self.mantissa % divisor);
                    whole
                        + if rest.abs() >= divisor - rest.abs() {
                            rest.signum()
                        } else {
                            0
                        }
                }
                // Less than 10^36 / 10^38.
                None => 0,
            }
        };
        i64::try_from(ticks)
            .ok()
            .filter(|ticks| (-MAX_TICKS..=MAX_TICKS).contains(ticks))
    }

    /// The number times `10^power` as the nearest float.
    pub(crate) fn float(&self, power: i32) -> f64 {
        let exponent = i64::from(self.exponent) + i64::from(power);
        // The standard library's parser rounds correctly.
        format!("{}e{exponent}", self.mantissa)
            .parse()
            .unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn picoseconds(text: &str) -> Option<i64> {
        Decimal::parse(text.as_bytes(), true)?.ticks(12)
    }

    #[test]
    fn decimals_become_exact_picoseconds() {
        assert_eq!(picoseconds("0.133440"), Some(133_440_000_000));
        assert_eq!(picoseconds("-1,5e-3"), Some(-1_500_000_000));
        assert_eq!(picoseconds("1E2"), Some(100_000_000_000_000));
        assert_eq!(picoseconds(".5"), Some(500_000_000_000));
        assert_eq!(picoseconds("0.0000000000005"), Some(1));
        assert_eq!(picoseconds("-0.0000000000005"), Some(-1));
        assert_eq!(picoseconds("0.00000000000049999"), Some(0));
        assert_eq!(picoseconds("1e-300"), Some(0));
        assert_eq!(picoseconds("0e300"), Some(0));
        // More digits than any clock has.
        assert_eq!(
            picoseconds("0.10000000000000000555111512312578270211815834045410156250"),
            Some(100_000_000_000)
        );
    }

    #[test]
    fn what_is_no_number_or_too_large_is_refused() {
        for text in [
            "",
            "-",
            ".",
            "e5",
            "1e",
            "nan",
            "inf",
            "1.2.3",
            "1 2",
            "0x1",
            "1e99999999999",
        ] {
            assert_eq!(Decimal::parse(text.as_bytes(), false), None, "{text}");
        }
        assert_eq!(Decimal::parse(b"1,5", false), None);
        assert_eq!(picoseconds("4611687"), None);
        assert_eq!(picoseconds("1e300"), None);
    }

    proptest! {
        #[test]
        fn floats_agree_with_the_standard_library(value in -1e6..1e6f64) {
            let text = format!("{value:e}");
            let decimal = Decimal::parse(text.as_bytes(), false).unwrap();
            prop_assert_eq!(decimal.float(0), value);
        }
    }
}
