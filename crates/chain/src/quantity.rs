//! The one place that writes a number with the digits its uncertainty allows.

/// Rounds numbers to the digits that an uncertainty leaves meaningful (JCGM 100:2008, 7.2.6): to
/// the first significant digit of the uncertainty, or to the second where the first is a 1.
///
/// ```
/// let round = chain::Rounded::to_uncertainty(0.21);
/// assert_eq!(round.ms(12.134), "12.1");
/// assert_eq!(round.of_uncertainty(0.21), "0.2");
/// assert_eq!(chain::Rounded::to_uncertainty(0.0132).ms(12.1349), "12.135");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rounded {
    decimals: usize,
}

/// No more than a nanosecond, in ms: nothing here is known better.
const MOST_DECIMALS: usize = 6;

impl Rounded {
    /// The rounding for numbers known to within `uncertainty`, in the same unit. An uncertainty of
    /// zero, or none that is finite, leaves three decimals.
    pub fn to_uncertainty(uncertainty: f64) -> Rounded {
        if !uncertainty.is_finite() || uncertainty <= 0.0 {
            return Rounded { decimals: 3 };
        }
        let mut exponent = uncertainty.log10().floor();
        if uncertainty / 10f64.powf(exponent) < 1.95 {
            exponent -= 1.0;
        }
        let decimals = (-exponent).clamp(0.0, MOST_DECIMALS as f64) as usize;
        Rounded { decimals }
    }

    /// The rounding for numbers whose interval this is: to half of its width.
    pub fn of_interval(interval: [f64; 2]) -> Rounded {
        Rounded::to_uncertainty(0.5 * (interval[1] - interval[0]))
    }

    /// The rounding for a spread, or for quantiles in its tails: a fifth of the spread is about what a
    /// few dozen pulses know of it.
    pub fn of_spread(spread: f64) -> Rounded {
        Rounded::to_uncertainty(0.2 * spread)
    }

    /// A rounding to so many decimals.
    pub fn decimals(decimals: usize) -> Rounded {
        Rounded {
            decimals: decimals.min(MOST_DECIMALS),
        }
    }

    /// `value` as text, without its unit; never "-0.0".
    pub fn ms(&self, value: f64) -> String {
        let text = format!("{value:.*}", self.decimals);
        match text.strip_prefix('-') {
            Some(digits) if digits.bytes().all(|b| b == b'0' || b == b'.') => digits.to_owned(),
            _ => text,
        }
    }

    /// An uncertainty as text: never rounded to zero, but up to its last shown digit.
    pub fn of_uncertainty(&self, uncertainty: f64) -> String {
        let step = 10f64.powi(-(self.decimals as i32));
        self.ms(uncertainty.max(step))
    }

    /// `low to high`.
    pub fn interval(&self, interval: [f64; 2]) -> String {
        format!("{} to {}", self.ms(interval[0]), self.ms(interval[1]))
    }
}

/// `value` to three significant digits, without zeros at the end: `2.27`, `0.0625`, `500`.
pub fn significant(value: f64) -> String {
    if !(value.is_finite() && value != 0.0) {
        return value.to_string();
    }
    let exponent = value.abs().log10().floor();
    let decimals = (2.0 - exponent).clamp(0.0, 15.0) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A count with a thin group separator every three digits: `1,234,567`.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// `1 pulse`, `2 pulses`: a count with its noun, which takes an s.
pub fn plural(n: u64, noun: &str) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!("{} {noun}{s}", count(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_the_uncertainty() {
        // The rule of JCGM 100:2008, 7.2.6, and its kind of example: 10.057 62 with u = 27 mOhm is
        // written 10.058.
        assert_eq!(Rounded::to_uncertainty(0.027).ms(10.05762), "10.06");
        assert_eq!(Rounded::to_uncertainty(0.013).ms(10.05762), "10.058");
        assert_eq!(Rounded::to_uncertainty(3.0).ms(10.05762), "10");
        assert_eq!(Rounded::to_uncertainty(300.0).ms(10.05762), "10");
        assert_eq!(Rounded::to_uncertainty(0.0).ms(10.05762), "10.058");
        assert_eq!(Rounded::to_uncertainty(1e-12).ms(1.0), "1.000000");
    }

    #[test]
    fn zero_has_no_sign_and_an_uncertainty_is_never_zero() {
        assert_eq!(Rounded::decimals(1).ms(-0.04), "0.0");
        assert_eq!(Rounded::decimals(1).ms(-0.06), "-0.1");
        assert_eq!(Rounded::decimals(1).of_uncertainty(0.004), "0.1");
    }

    #[test]
    fn three_digits_are_enough() {
        assert_eq!(significant(2.2749), "2.27");
        assert_eq!(significant(0.0625), "0.0625");
        assert_eq!(significant(500.0), "500");
        assert_eq!(significant(0.001), "0.001");
        assert_eq!(significant(0.0), "0");
        assert_eq!(significant(1e-12), "0.000000000001");
    }

    #[test]
    fn counts_are_grouped() {
        assert_eq!(count(0), "0");
        assert_eq!(count(999), "999");
        assert_eq!(count(1_000), "1,000");
        assert_eq!(count(1_234_567), "1,234,567");
        assert_eq!(plural(1, "pulse"), "1 pulse");
        assert_eq!(plural(2, "pulse"), "2 pulses");
    }
}
