//! The gamma function, its relatives and the chi-squared distribution.

use std::f64::consts::PI;

/// ln sqrt(2 pi).
const LN_SQRT_2_PI: f64 = 0.918_938_533_204_672_8;
/// Terms or steps after which a series or a continued fraction is given up, with NaN. They need a
/// few times the square root of the parameter: enough for parameters of 1e8 and more.
pub(super) const MOST_STEPS: u32 = 100_000;
/// A continued fraction has settled when a step changes it by no more than a unit in the last
/// place.
pub(super) const LEAST_STEP: f64 = 2.5e-16;

/// Natural logarithm of the gamma function (of its absolute value, for negative `x`).
///
/// ```
/// assert!((stats::special::ln_gamma(5.0) - 24f64.ln()).abs() < 1e-15);
/// ```
pub fn ln_gamma(x: f64) -> f64 {
    libm::lgamma(x)
}

/// Logarithmic derivative of the gamma function; NaN at its poles 0, -1, -2...
///
/// Recurrence to 10 and the asymptotic series of Abramowitz & Stegun 6.3.18, absolute accuracy
/// about 1e-15; reflection 6.3.7 below 0.
///
/// ```
/// assert!((stats::special::digamma(1.0) + 0.5772156649015329).abs() < 1e-15);
/// ```
pub fn digamma(x: f64) -> f64 {
    if x <= 0.0 {
        if x == x.floor() {
            return f64::NAN;
        }
        return digamma(1.0 - x) - PI / libm::tan(PI * x);
    }
    let (mut x, mut below) = (x, 0.0);
    while x < 10.0 {
        below += 1.0 / x;
        x += 1.0;
    }
    // B_2k / 2k, k from 8 down to 1.
    const TERMS: [f64; 8] = [
        -3617.0 / 8160.0,
        1.0 / 12.0,
        -691.0 / 32760.0,
        1.0 / 132.0,
        -1.0 / 240.0,
        1.0 / 252.0,
        -1.0 / 120.0,
        1.0 / 12.0,
    ];
    let inverse_square = 1.0 / (x * x);
    let series = TERMS.iter().fold(0.0, |s, t| (s + t) * inverse_square);
    libm::log(x) - 0.5 / x - series - below
}

/// Derivative of [`digamma`]; NaN at its poles 0, -1, -2...
///
/// Recurrence to 10 and the asymptotic series of Abramowitz & Stegun 6.4.12; reflection 6.4.7
/// below 0.
///
/// ```
/// let exact = std::f64::consts::PI.powi(2) / 6.0;
/// assert!((stats::special::trigamma(1.0) - exact).abs() < 1e-15);
/// ```
pub fn trigamma(x: f64) -> f64 {
    if x <= 0.0 {
        if x == x.floor() {
            return f64::NAN;
        }
        let sine = libm::sin(PI * x);
        return PI * PI / (sine * sine) - trigamma(1.0 - x);
    }
    let (mut x, mut below) = (x, 0.0);
    while x < 10.0 {
        below += 1.0 / (x * x);
        x += 1.0;
    }
    // B_2k, k from 8 down to 1.
    const TERMS: [f64; 8] = [
        -3617.0 / 510.0,
        7.0 / 6.0,
        -691.0 / 2730.0,
        5.0 / 66.0,
        -1.0 / 30.0,
        1.0 / 42.0,
        -1.0 / 30.0,
        1.0 / 6.0,
    ];
    let inverse_square = 1.0 / (x * x);
    let series = TERMS.iter().fold(0.0, |s, t| (s + t) * inverse_square);
    1.0 / x + 0.5 * inverse_square + series / x + below
}

/// Regularised lower incomplete gamma function P(a, x), for a > 0 and x >= 0; NaN where a is so
/// large (far above 1e8) that it would take too long.
///
/// Series (DLMF 8.7.1) below a + 1, else the complement of the continued fraction of
/// [`gamma_upper_regularized`].
///
/// ```
/// let p = stats::special::gamma_lower_regularized(1.0, 2.0);
/// assert!((p - (1.0 - (-2f64).exp())).abs() < 1e-15);
/// ```
pub fn gamma_lower_regularized(a: f64, x: f64) -> f64 {
    gamma_both(a, x).0
}

/// Regularised upper incomplete gamma function Q(a, x), for a > 0 and x >= 0; NaN where a is so
/// large (far above 1e8) that it would take too long.
///
/// Continued fraction (DLMF 8.9.2) by the modified Lentz method above a + 1; the power in
/// front by Loader's saddle-point form, so that large `a` costs no digits.
///
/// ```
/// let q = stats::special::gamma_upper_regularized(1.0, 200.0);
/// assert!((q / (-200f64).exp() - 1.0).abs() < 1e-13);
/// ```
pub fn gamma_upper_regularized(a: f64, x: f64) -> f64 {
    gamma_both(a, x).1
}

/// Probability that a chi-squared number with `df` degrees of freedom exceeds `x`.
///
/// ```
/// let p = stats::special::chi2_sf(3.841458820694124, 1.0);
/// assert!((p - 0.05).abs() < 1e-15);
/// ```
pub fn chi2_sf(x: f64, df: f64) -> f64 {
    if x <= 0.0 && df > 0.0 {
        return 1.0;
    }
    gamma_both(0.5 * df, 0.5 * x).1
}

/// P(a, x) and Q(a, x).
fn gamma_both(a: f64, x: f64) -> (f64, f64) {
    if !(a > 0.0 && x >= 0.0 && a.is_finite()) {
        return (f64::NAN, f64::NAN);
    }
    if x == 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    // x^a e^-x / Gamma(a + 1)
    let power = poisson_term(a, x);
    if x < a + 1.0 {
        let (mut term, mut sum, mut k) = (1.0, 1.0, a);
        for _ in 0..MOST_STEPS {
            k += 1.0;
            term *= x / k;
            sum += term;
            if term < sum * 1e-17 {
                let lower = (power * sum).min(1.0);
                return (lower, 1.0 - lower);
            }
        }
        return (f64::NAN, f64::NAN);
    }
    // 1/(x+1-a - 1(1-a)/(x+3-a - 2(2-a)/(x+5-a - ...)))
    let mut b = x + 1.0 - a;
    let mut c = f64::INFINITY;
    let mut d = 1.0 / b;
    let mut fraction = d;
    for i in 1..MOST_STEPS {
        let i = f64::from(i);
        let numerator = -i * (i - a);
        b += 2.0;
        d = 1.0 / away_from_zero(b + numerator * d);
        c = away_from_zero(b + numerator / c);
        let step = c * d;
        fraction *= step;
        if (step - 1.0).abs() < LEAST_STEP {
            let upper = (power * a * fraction).min(1.0);
            return (1.0 - upper, upper);
        }
    }
    (f64::NAN, f64::NAN)
}

/// Keeps a denominator of Lentz's method off zero.
pub(super) fn away_from_zero(x: f64) -> f64 {
    if x.abs() < 1e-300 { 1e-300 } else { x }
}

/// x^a e^-x / Gamma(a + 1), the Poisson probability of `a` at mean `x`, for any real a >= 0.
///
/// Saddle-point form of Loader (2000), "Fast and accurate computation of binomial
/// probabilities": the large terms cancel on paper, not in the machine.
fn poisson_term(a: f64, x: f64) -> f64 {
    libm::exp(-stirling_error(a) - deviance(a, x)) / (2.0 * PI * a).sqrt()
}

/// ln Gamma(x + 1) - [(x + 1/2) ln x - x + ln sqrt(2 pi)], for x > 0 (Loader 2000).
pub(super) fn stirling_error(x: f64) -> f64 {
    if x < 15.0 {
        return libm::lgamma(x + 1.0) - (x + 0.5) * libm::log(x) + x - LN_SQRT_2_PI;
    }
    // B_2k / (2k (2k-1)), k from 6 down to 1: at 15 the next term is below 1e-17.
    const TERMS: [f64; 6] = [
        -691.0 / 360_360.0,
        1.0 / 1188.0,
        -1.0 / 1680.0,
        1.0 / 1260.0,
        -1.0 / 360.0,
        1.0 / 12.0,
    ];
    let inverse_square = 1.0 / (x * x);
    TERMS.iter().fold(0.0, |s, t| s * inverse_square + t) / x
}

/// x ln(x/mean) + mean - x, for positive arguments, without cancellation (Loader 2000).
pub(super) fn deviance(x: f64, mean: f64) -> f64 {
    let difference = x - mean;
    let v = difference / (x + mean);
    if v.abs() >= 0.1 {
        return x * libm::log(x / mean) - difference;
    }
    // x ln((1+v)/(1-v)) = 2 x (v + v^3/3 + v^5/5 + ...)
    let square = v * v;
    let mut sum = difference * v;
    let mut power = 2.0 * x * v;
    let mut odd = 1.0;
    for _ in 0..60 {
        power *= square;
        odd += 2.0;
        let next = sum + power / odd;
        if next == sum {
            break;
        }
        sum = next;
    }
    sum
}
