//! Numbers of about 32 digits as the unevaluated sum of two doubles (Dekker 1971, Numerische
//! Mathematik 18:224-242; Knuth's two-sum, The Art of Computer Programming 2, section 4.2.2).

/// high + rest, with |rest| at most half a unit in the last place of high.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Double {
    high: f64,
    rest: f64,
}

/// a + b and its rounding error.
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let b_part = sum - a;
    (sum, (a - (sum - b_part)) + (b - b_part))
}

/// a x b and its rounding error, by Dekker's splitting: no fused operation, which would be slow
/// where the processor is not known to have one. Right while |a| and |b| are below 2^996.
fn two_product(a: f64, b: f64) -> (f64, f64) {
    const SPLIT: f64 = 134_217_729.0; // 2^27 + 1
    let halves = |v: f64| {
        let t = SPLIT * v;
        let high = t - (t - v);
        (high, v - high)
    };
    let product = a * b;
    let ((a_high, a_low), (b_high, b_low)) = (halves(a), halves(b));
    let error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low;
    (product, error)
}

/// Sum of two numbers of which the first is the larger in size.
fn renormalized(high: f64, rest: f64) -> Double {
    let sum = high + rest;
    Double {
        high: sum,
        rest: rest - (sum - high),
    }
}

impl From<f64> for Double {
    fn from(value: f64) -> Self {
        Self {
            high: value,
            rest: 0.0,
        }
    }
}

impl Double {
    pub(super) const ZERO: Self = Self {
        high: 0.0,
        rest: 0.0,
    };

    /// The nearest double.
    pub(super) fn value(self) -> f64 {
        self.high
    }

    pub(super) fn plus(self, other: f64) -> Self {
        let (sum, error) = two_sum(self.high, other);
        renormalized(sum, error + self.rest)
    }

    pub(super) fn add(self, other: Self) -> Self {
        let (high, high_error) = two_sum(self.high, other.high);
        let (rest, rest_error) = two_sum(self.rest, other.rest);
        let first = renormalized(high, high_error + rest);
        renormalized(first.high, first.rest + rest_error)
    }

    pub(super) fn negated(self) -> Self {
        Self {
            high: -self.high,
            rest: -self.rest,
        }
    }

    pub(super) fn minus(self, other: Self) -> Self {
        self.add(other.negated())
    }

    pub(super) fn times(self, other: Self) -> Self {
        let (product, error) = two_product(self.high, other.high);
        renormalized(
            product,
            error + (self.high * other.rest + self.rest * other.high),
        )
    }

    /// Long division, three digits of base 2^53.
    pub(super) fn over(self, other: Self) -> Self {
        let first = self.high / other.high;
        let rest = self.minus(other.times(Self::from(first)));
        let second = rest.high / other.high;
        let rest = rest.minus(other.times(Self::from(second)));
        let third = rest.high / other.high;
        renormalized(first, second).plus(third)
    }

    /// Square root of a number of at least 0, by one Newton step from the double's.
    pub(super) fn root(self) -> Self {
        if self.high <= 0.0 {
            return Self::ZERO;
        }
        let about = self.high.sqrt();
        let (square, error) = two_product(about, about);
        let rest = self.minus(renormalized(square, error));
        renormalized(about, rest.high / (2.0 * about))
    }

    pub(super) fn is_negative(self) -> bool {
        self.high < 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// (1/3) x 3 and (sqrt 2)^2 come back to about 2^-104.
    #[test]
    fn division_and_root_invert_multiplication_to_32_digits() {
        let three = Double::from(3.0);
        let one = Double::from(1.0).over(three).times(three);
        assert!(one.minus(Double::from(1.0)).value().abs() < 1e-31);
        let root = Double::from(2.0).root();
        assert!(root.times(root).minus(Double::from(2.0)).value().abs() < 1e-31);
    }
}
