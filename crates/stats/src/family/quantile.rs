//! Quantiles: closed forms where there are some, else a bracketed Newton search on the
//! logarithm of the nearer tail.

use super::Family;
use crate::special::normal_quantile;

/// The `p`-quantile of a valid family, `p` in 0..=1.
pub(super) fn quantile(family: &Family, p: f64) -> f64 {
    match *family {
        Family::Normal { mean, sd } => mean + sd * normal_quantile(p),
        Family::ShiftedLognormal { shift, mu, sigma } => {
            shift + libm::exp(mu + sigma * normal_quantile(p))
        }
        Family::ShiftedWeibull {
            shift,
            shape,
            scale,
        } => shift + scale * libm::pow(-libm::log1p(-p), 1.0 / shape),
        Family::ShiftedGamma {
            shift,
            shape,
            scale,
        } => {
            if p == 0.0 {
                return shift;
            }
            if p == 1.0 {
                return f64::INFINITY;
            }
            let unit = Family::ShiftedGamma {
                shift: 0.0,
                shape,
                scale: 1.0,
            };
            shift + scale * gamma_quantile(&unit, shape, p)
        }
        Family::ExponentiallyModifiedNormal { mean, sd, tau } => {
            if p == 0.0 || p == 1.0 {
                return if p == 0.0 {
                    f64::NEG_INFINITY
                } else {
                    f64::INFINITY
                };
            }
            // The sum is at least its normal part; and both parts lie below their own
            // sqrt(p)-quantiles with chance p.
            let root = libm::sqrt(p);
            let low = mean + sd * normal_quantile(p);
            let high =
                mean + sd * normal_quantile(root) - tau * libm::log((1.0 - p) / (1.0 + root));
            solve(family, p, low, high)
        }
        Family::TwoNormalMixture {
            mean1,
            sd1,
            mean2,
            sd2,
            ..
        } => {
            let z = normal_quantile(p);
            let (a, b) = (mean1 + sd1 * z, mean2 + sd2 * z);
            if p == 0.0 || p == 1.0 {
                return a;
            }
            solve(family, p, a.min(b), a.max(b))
        }
    }
}

/// The quantile of a gamma distribution of scale 1, bracketed from Wilson & Hilferty's cube
/// (1931) or from the power law near 0.
fn gamma_quantile(unit: &Family, shape: f64, p: f64) -> f64 {
    let ninth = 1.0 / (9.0 * shape);
    let root = 1.0 - ninth + normal_quantile(p) * libm::sqrt(ninth);
    let cube = shape * root * root * root;
    // P(shape, y) is at most y^shape / Gamma(shape + 1), so that this is a lower bound.
    let power = libm::exp((libm::log(p) + crate::special::ln_gamma(shape + 1.0)) / shape);
    let start = if root > 0.0 { cube.max(power) } else { power };
    let below = |y: f64| {
        let (lower, upper) = unit.tails(y);
        if p <= 0.5 { lower < p } else { upper > 1.0 - p }
    };
    let (mut low, mut high) = (start, start);
    for _ in 0..1100 {
        if low <= f64::MIN_POSITIVE || !below(low) {
            if low <= f64::MIN_POSITIVE || below(low * 0.5) {
                low *= 0.5;
                break;
            }
            low *= 0.5;
        } else {
            break;
        }
    }
    for _ in 0..1100 {
        if below(high) && high.is_finite() {
            high = 2.0 * high + f64::MIN_POSITIVE;
        } else {
            break;
        }
    }
    solve(unit, p, low, high)
}

/// The place between `low` and `high` where the distribution function is `p`: Newton's steps
/// on the logarithm of the smaller tail, halving the bracket where a step would leave it.
fn solve(family: &Family, p: f64, low: f64, high: f64) -> f64 {
    let (mut low, mut high) = (low, high);
    let mut x = 0.5 * (low + high);
    for _ in 0..200 {
        let (lower, upper) = family.tails(x);
        // Positive where x is too high.
        let (excess, slope) = if p <= 0.5 {
            (libm::log(lower / p), family.pdf(x) / lower)
        } else {
            (libm::log((1.0 - p) / upper), family.pdf(x) / upper)
        };
        if excess == 0.0 {
            return x;
        }
        if excess > 0.0 {
            high = high.min(x);
        } else {
            low = low.max(x);
        }
        let newton = x - excess / slope;
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        let still = (next - x).abs() <= 2e-16 * x.abs() || next == low && next == high;
        x = next;
        if still || high - low <= 2e-16 * (low.abs() + high.abs()) {
            break;
        }
    }
    x
}
