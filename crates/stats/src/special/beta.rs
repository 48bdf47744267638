//! The incomplete beta function and the distributions that follow from it: Student's t, F and
//! the binomial.

use super::gamma::{LEAST_STEP, MOST_STEPS, away_from_zero, deviance, stirling_error};
use super::normal_quantile;

/// Regularised incomplete beta function I_x(a, b), for a, b > 0 and 0 <= x <= 1; NaN where both
/// are so large (far above 1e8) that it would take too long.
///
/// Continued fraction DLMF 8.17.22 by the modified Lentz method, on the side where it converges
/// fast; the power in front by Loader's saddle-point form, so that large parameters cost no
/// digits. Its time grows as the square root of the larger parameter.
///
/// ```
/// let i = stats::special::beta_regularized(2.0, 3.0, 0.5);
/// assert!((i - 11.0 / 16.0).abs() < 1e-15);
/// ```
pub fn beta_regularized(a: f64, b: f64, x: f64) -> f64 {
    beta_both_tails(a, b, x, 1.0 - x).0
}

/// I_x(a, b) and its complement, from x and y = 1 - x: the caller knows the smaller of the two
/// better than a subtraction can tell.
fn beta_both_tails(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    if !(a > 0.0 && b > 0.0 && a.is_finite() && b.is_finite() && x >= 0.0 && y >= 0.0) {
        return (f64::NAN, f64::NAN);
    }
    if x == 0.0 {
        return (0.0, 1.0);
    }
    if y == 0.0 {
        return (1.0, 0.0);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        let (upper, lower) = beta_both_tails_fast_side(b, a, y, x);
        return (lower, upper);
    }
    beta_both_tails_fast_side(a, b, x, y)
}

fn beta_both_tails_fast_side(a: f64, b: f64, x: f64, y: f64) -> (f64, f64) {
    // x^a y^b / (a B(a, b))
    let front = b / (a + b) * binomial_term(a, b, x, y);
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    for m in 1..MOST_STEPS {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away_from_zero(1.0 + even * d);
        c = away_from_zero(1.0 + even / c);
        fraction *= c * d;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away_from_zero(1.0 + odd * d);
        c = away_from_zero(1.0 + odd / c);
        let step = c * d;
        fraction *= step;
        if (step - 1.0).abs() < LEAST_STEP {
            let value = (front * fraction).min(1.0);
            return (value, 1.0 - value);
        }
    }
    (f64::NAN, f64::NAN)
}

/// Gamma(a+b+1) / (Gamma(a+1) Gamma(b+1)) x^a y^b, the binomial probability for real a, b > 0,
/// by the saddle-point form of Loader (2000).
fn binomial_term(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    let exponent = stirling_error(n)
        - stirling_error(a)
        - stirling_error(b)
        - deviance(a, n * x)
        - deviance(b, n * y);
    libm::exp(exponent) * (n / a / b / (2.0 * std::f64::consts::PI)).sqrt()
}

/// Probability that Student's t with `df` degrees of freedom exceeds `t`. An infinite `df`
/// stands for the normal distribution.
///
/// ```
/// let p = stats::special::student_t_sf(1.0, 1.0);
/// assert!((p - 0.25).abs() < 1e-15);
/// ```
pub fn student_t_sf(t: f64, df: f64) -> f64 {
    if df == f64::INFINITY {
        return super::normal_sf(t);
    }
    if df.is_nan() || df <= 0.0 || t.is_nan() {
        return f64::NAN;
    }
    if t.is_infinite() {
        return if t > 0.0 { 0.0 } else { 1.0 };
    }
    // x = df/(df + t^2) and its complement, from t/sqrt(df): no overflow of t^2.
    let u = t.abs() / df.sqrt();
    let (x, y) = if u > 1.0 {
        let inverse = 1.0 / u;
        let square = inverse * inverse;
        (square / (1.0 + square), 1.0 / (1.0 + square))
    } else {
        (1.0 / (1.0 + u * u), u * u / (1.0 + u * u))
    };
    let tail = 0.5 * beta_both_tails(0.5 * df, 0.5, x, y).0;
    if t >= 0.0 { tail } else { 1.0 - tail }
}

/// Quantile of Student's t with `df` degrees of freedom: the t that is exceeded with
/// probability 1 - `p`. 0 and 1 give the infinities; outside 0..=1 NaN.
///
/// Safeguarded Newton steps on the logarithm of the tail probability.
///
/// ```
/// let t = stats::special::student_t_quantile(0.975, 10.0);
/// assert!((t - 2.2281388519862744).abs() < 1e-14);
/// ```
pub fn student_t_quantile(p: f64, df: f64) -> f64 {
    if df.is_nan() || df <= 0.0 || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if df == f64::INFINITY {
        return normal_quantile(p);
    }
    if p == 0.5 {
        return 0.0;
    }
    let tail = p.min(1.0 - p);
    if tail == 0.0 {
        return if p < 0.5 {
            f64::NEG_INFINITY
        } else {
            f64::INFINITY
        };
    }
    let size = t_of_tail(tail, df);
    if p < 0.5 { -size } else { size }
}

/// The t > 0 that is exceeded with probability `tail` < 1/2.
fn t_of_tail(tail: f64, df: f64) -> f64 {
    let (mut low, mut high) = (0.0, -normal_quantile(tail));
    if high <= 0.0 {
        high = f64::MIN_POSITIVE.sqrt();
    }
    while student_t_sf(high, df) > tail {
        low = high;
        high *= 2.0;
        if high.is_infinite() {
            return high;
        }
    }
    // ln of the density's constant
    let constant = libm::lgamma(0.5 * (df + 1.0))
        - libm::lgamma(0.5 * df)
        - 0.5 * libm::log(df * std::f64::consts::PI);
    let mut t = 0.5 * (low + high);
    for _ in 0..200 {
        let at = student_t_sf(t, df);
        if at > tail {
            low = t;
        } else {
            high = t;
        }
        let density = libm::exp(constant - 0.5 * (df + 1.0) * libm::log1p(t * t / df));
        let newton = t + libm::log(at / tail) * at / density;
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - t).abs() <= 2e-16 * t {
            return next;
        }
        t = next;
    }
    t
}

/// Probability that F with `df1` and `df2` degrees of freedom exceeds `f`.
///
/// ```
/// let p = stats::special::f_sf(4.964602743730711, 1.0, 10.0);
/// assert!((p - 0.05).abs() < 1e-14);
/// ```
pub fn f_sf(f: f64, df1: f64, df2: f64) -> f64 {
    if f <= 0.0 {
        return 1.0;
    }
    let ratio = df1 * f / df2;
    if ratio == f64::INFINITY {
        return 0.0;
    }
    beta_both_tails(
        0.5 * df2,
        0.5 * df1,
        1.0 / (1.0 + ratio),
        ratio / (1.0 + ratio),
    )
    .0
}

/// Probability of exactly `k` successes in `n` trials of probability `p` (Loader 2000).
///
/// ```
/// assert!((stats::special::binomial_pmf(2, 4, 0.5) - 0.375).abs() < 1e-15);
/// ```
pub fn binomial_pmf(k: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if k > n {
        return 0.0;
    }
    let (kf, nf) = (k as f64, n as f64);
    if k == 0 {
        return libm::exp(nf * libm::log1p(-p)).min(1.0);
    }
    if k == n {
        return libm::exp(nf * libm::log(p));
    }
    if p == 0.0 || p == 1.0 {
        return 0.0;
    }
    binomial_term(kf, nf - kf, p, 1.0 - p)
}

/// Probability of at most `k` successes in `n` trials of probability `p`.
///
/// ```
/// assert!((stats::special::binomial_cdf(1, 4, 0.5) - 5.0 / 16.0).abs() < 1e-15);
/// ```
pub fn binomial_cdf(k: u64, n: u64, p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if k >= n {
        return 1.0;
    }
    beta_both_tails((n - k) as f64, k as f64 + 1.0, 1.0 - p, p).0
}

/// Quantile of the binomial distribution: the least k with [`binomial_cdf`] of at least `q`.
/// None when `q` or `p` is outside 0..=1.
///
/// The normal approximation gives the start, bisection the rest.
///
/// ```
/// assert_eq!(stats::special::binomial_quantile(0.5, 10, 0.5), Some(5));
/// ```
pub fn binomial_quantile(q: f64, n: u64, p: f64) -> Option<u64> {
    if !(0.0..=1.0).contains(&q) || !(0.0..=1.0).contains(&p) {
        return None;
    }
    if q == 0.0 || p == 0.0 || n == 0 {
        return Some(0);
    }
    if q == 1.0 || p == 1.0 {
        return Some(n);
    }
    // Bisection between bounds that start at the normal approximation and widen.
    let nf = n as f64;
    let sd = (nf * p * (1.0 - p)).sqrt();
    let start = (nf * p + sd * normal_quantile(q)).round().clamp(0.0, nf) as u64;
    // A sum of probabilities that is q but for its rounding counts as q.
    let q = q * (1.0 - 64.0 * f64::EPSILON);
    let reached = |k: u64| binomial_cdf(k, n, p) >= q;
    let (mut low, mut high); // reached(high) and not reached(low - 1)
    let mut step = 1;
    if reached(start) {
        high = start;
        low = start;
        while low > 0 && reached(low - 1) {
            high = low - 1;
            low = low.saturating_sub(step);
            step *= 2;
        }
    } else {
        low = start + 1;
        high = low;
        while !reached(high) {
            low = high + 1;
            high = high.saturating_add(step).min(n);
            step *= 2;
        }
    }
    while low < high {
        let middle = low + (high - low) / 2;
        if reached(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Some(high)
}
