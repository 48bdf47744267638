//! Time as integers: the length of a tick, and what it makes of a count of ticks.

/// The largest count of ticks, either side of zero, that a reader accepts. Half of what an `i64`
/// holds, so that the difference of any two instants of a capture is an `i64` as well.
pub const MAX_TICKS: i64 = (1 << 62) - 1;

/// The exact length of a tick in seconds, as a fraction in lowest terms.
///
/// Instants stay integers until the last step; only [`TickLength::seconds`] and
/// [`TickLength::ms`] round, once, to an `f64`.
///
/// ```
/// use wire::TickLength;
/// let microsecond = TickLength::new(1, 1_000_000);
/// assert_eq!(microsecond.ms(250_125), 250.125);
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct TickLength {
    numerator: u64,
    denominator: u64,
}

impl TickLength {
    /// A tick of one picosecond.
    pub const PICOSECOND: TickLength = TickLength {
        numerator: 1,
        denominator: 1_000_000_000_000,
    };
    /// A tick of one nanosecond.
    pub const NANOSECOND: TickLength = TickLength {
        numerator: 1,
        denominator: 1_000_000_000,
    };

    /// A tick of `numerator / denominator` seconds. A zero in either place counts as one, so that
    /// a tick always has a length.
    pub const fn new(numerator: u64, denominator: u64) -> TickLength {
        let numerator = if numerator == 0 { 1 } else { numerator };
        let denominator = if denominator == 0 { 1 } else { denominator };
        let divisor = gcd(numerator, denominator);
        TickLength {
            numerator: numerator / divisor,
            denominator: denominator / divisor,
        }
    }

    /// Seconds per tick, above the line of the fraction.
    pub const fn numerator(&self) -> u64 {
        self.numerator
    }

    /// Seconds per tick, below the line of the fraction.
    pub const fn denominator(&self) -> u64 {
        self.denominator
    }

    /// `ticks` in seconds.
    pub fn seconds(&self, ticks: i64) -> f64 {
        (i128::from(ticks) * i128::from(self.numerator)) as f64 / self.denominator as f64
    }

    /// `ticks` in milliseconds.
    pub fn ms(&self, ticks: i64) -> f64 {
        // 2^62 * 2^64 * 1000 passes what an i128 holds: only then is the product rounded early.
        match (i128::from(ticks) * i128::from(self.numerator)).checked_mul(1000) {
            Some(product) => product as f64 / self.denominator as f64,
            None => self.seconds(ticks) * 1000.0,
        }
    }

    /// The least count of ticks that lasts at least `seconds`; a duration of `d` ticks is shorter
    /// than `seconds` just when `d` is below it. Negative or unordered `seconds` give 0.
    pub fn at_least(&self, seconds: f64) -> i64 {
        if seconds.is_nan() || seconds <= 0.0 {
            return 0;
        }
        let ticks = seconds / self.seconds(1);
        // A decimal such as 0.001 is not exact in binary: within a part in 10^12 of an integer
        // that integer is what was meant.
        let nearest = ticks.round();
        let ticks = if (ticks - nearest).abs() <= 1e-12 * nearest {
            nearest
        } else {
            ticks.ceil()
        };
        // A cast of a float saturates.
        (ticks as i64).min(MAX_TICKS)
    }
}

/// The greatest common divisor; `gcd(0, b)` is `b`.
pub(crate) const fn gcd(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
