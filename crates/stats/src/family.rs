//! Families of skewed distributions: densities, quantiles, random numbers, maximum-likelihood
//! fits, the choice among them, and a goodness-of-fit test that may refuse them all.
//!
//! Sources: Burnham & Anderson 2002 and Hurvich & Tsai 1989 (AICc); Johnson, Kotz &
//! Balakrishnan 1994 (the shifted families); Grushka 1972, Analytical Chemistry 44:1733-1738
//! (the exponentially modified normal); Chernoff & Lehmann 1954 (the bracketed p-value).
//! How each family is fitted, and within which bounds, is told at [`fit`].

use crate::random::Random;
use crate::special::{
    gamma_lower_regularized, gamma_upper_regularized, ln_gamma, normal_cdf, normal_sf,
};
use std::f64::consts::FRAC_1_SQRT_2;

mod choice;
mod data;
pub(crate) mod erfcx;
mod fitting;
mod likelihood;
mod mixture;
mod modified;
mod newton;
mod quantile;
mod shifted;
pub(crate) mod sums;
#[cfg(test)]
mod tests;

pub use choice::{Choice, GoodnessOfFit, choose, goodness_of_fit};
pub use fitting::{Fit, fit};

use erfcx::{LN_SQRT_2PI, erfcx};

/// Which family of distributions, without its parameters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FamilyKind {
    /// Normal.
    Normal,
    /// Lognormal with a shift.
    ShiftedLognormal,
    /// Gamma with a shift.
    ShiftedGamma,
    /// Weibull with a shift.
    ShiftedWeibull,
    /// Sum of a normal and an exponential variable.
    ExponentiallyModifiedNormal,
    /// Mixture of two normals.
    TwoNormalMixture,
}

impl FamilyKind {
    /// All families, those with fewer parameters first.
    pub const ALL: [Self; 6] = [
        Self::Normal,
        Self::ShiftedLognormal,
        Self::ShiftedGamma,
        Self::ShiftedWeibull,
        Self::ExponentiallyModifiedNormal,
        Self::TwoNormalMixture,
    ];

    /// The family's name in snake case.
    pub fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::ShiftedLognormal => "shifted_lognormal",
            Self::ShiftedGamma => "shifted_gamma",
            Self::ShiftedWeibull => "shifted_weibull",
            Self::ExponentiallyModifiedNormal => "exponentially_modified_normal",
            Self::TwoNormalMixture => "two_normal_mixture",
        }
    }

    /// How many parameters are fitted.
    pub fn parameter_count(self) -> usize {
        match self {
            Self::Normal => 2,
            Self::TwoNormalMixture => 5,
            _ => 3,
        }
    }
}

/// A distribution: a family and its parameters. Locations and scales are in the unit of the
/// data. Every scale and shape must be above 0, and `weight` in 0..=1; elsewhere the functions
/// give NaN.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Family {
    /// Normal.
    Normal {
        /// Mean.
        mean: f64,
        /// Standard deviation.
        sd: f64,
    },
    /// `shift` plus the exponential of a normal variable.
    ShiftedLognormal {
        /// Lower end of the support.
        shift: f64,
        /// Mean of ln(x - shift).
        mu: f64,
        /// Standard deviation of ln(x - shift).
        sigma: f64,
    },
    /// `shift` plus a gamma variable, of density y^(shape-1) exp(-y/scale) up to a factor.
    ShiftedGamma {
        /// Lower end of the support.
        shift: f64,
        /// Shape.
        shape: f64,
        /// Scale.
        scale: f64,
    },
    /// `shift` plus a Weibull variable, of survival exp(-(y/scale)^shape).
    ShiftedWeibull {
        /// Lower end of the support.
        shift: f64,
        /// Shape.
        shape: f64,
        /// Scale.
        scale: f64,
    },
    /// A normal variable plus an independent exponential one.
    ExponentiallyModifiedNormal {
        /// Mean of the normal part. That of the whole is `mean + tau`.
        mean: f64,
        /// Standard deviation of the normal part.
        sd: f64,
        /// Mean of the exponential part.
        tau: f64,
    },
    /// With chance `weight` the first normal, else the second.
    TwoNormalMixture {
        /// Share of the first.
        weight: f64,
        /// Mean of the first; fits put the smaller mean first.
        mean1: f64,
        /// Standard deviation of the first.
        sd1: f64,
        /// Mean of the second.
        mean2: f64,
        /// Standard deviation of the second.
        sd2: f64,
    },
}

impl Family {
    /// Which family it is.
    pub fn kind(&self) -> FamilyKind {
        match self {
            Self::Normal { .. } => FamilyKind::Normal,
            Self::ShiftedLognormal { .. } => FamilyKind::ShiftedLognormal,
            Self::ShiftedGamma { .. } => FamilyKind::ShiftedGamma,
            Self::ShiftedWeibull { .. } => FamilyKind::ShiftedWeibull,
            Self::ExponentiallyModifiedNormal { .. } => FamilyKind::ExponentiallyModifiedNormal,
            Self::TwoNormalMixture { .. } => FamilyKind::TwoNormalMixture,
        }
    }

    /// The family's name in snake case.
    pub fn name(&self) -> &'static str {
        self.kind().name()
    }

    /// How many parameters the family has.
    pub fn parameter_count(&self) -> usize {
        self.kind().parameter_count()
    }

    /// The parameters' names and values, in the order of the definition.
    ///
    /// ```
    /// use stats::family::Family;
    /// let normal = Family::Normal { mean: 12.0, sd: 3.0 };
    /// assert_eq!(normal.parameters(), [("mean", 12.0), ("sd", 3.0)]);
    /// ```
    pub fn parameters(&self) -> Vec<(&'static str, f64)> {
        match *self {
            Self::Normal { mean, sd } => vec![("mean", mean), ("sd", sd)],
            Self::ShiftedLognormal { shift, mu, sigma } => {
                vec![("shift", shift), ("mu", mu), ("sigma", sigma)]
            }
            Self::ShiftedGamma {
                shift,
                shape,
                scale,
            }
            | Self::ShiftedWeibull {
                shift,
                shape,
                scale,
            } => vec![("shift", shift), ("shape", shape), ("scale", scale)],
            Self::ExponentiallyModifiedNormal { mean, sd, tau } => {
                vec![("mean", mean), ("sd", sd), ("tau", tau)]
            }
            Self::TwoNormalMixture {
                weight,
                mean1,
                sd1,
                mean2,
                sd2,
            } => vec![
                ("weight", weight),
                ("mean1", mean1),
                ("sd1", sd1),
                ("mean2", mean2),
                ("sd2", sd2),
            ],
        }
    }

    /// The family of this name with these parameters, as [`Family::name`] and
    /// [`Family::parameters`] give them; `None` for an unknown name, or where a parameter is
    /// missing or out of its range.
    ///
    /// ```
    /// use stats::family::Family;
    /// let slow = Family::ExponentiallyModifiedNormal { mean: 10.0, sd: 1.0, tau: 4.0 };
    /// assert_eq!(Family::from_parameters(slow.name(), &slow.parameters()), Some(slow));
    /// assert_eq!(Family::from_parameters("normal", &[("mean", 12.0)]), None);
    /// ```
    pub fn from_parameters(name: &str, parameters: &[(&str, f64)]) -> Option<Self> {
        let of = |wanted: &str| {
            let mut all = parameters.iter();
            all.find(|(name, _)| *name == wanted).map(|(_, v)| *v)
        };
        let kind = FamilyKind::ALL.into_iter().find(|k| k.name() == name)?;
        let family = match kind {
            FamilyKind::Normal => Self::Normal {
                mean: of("mean")?,
                sd: of("sd")?,
            },
            FamilyKind::ShiftedLognormal => Self::ShiftedLognormal {
                shift: of("shift")?,
                mu: of("mu")?,
                sigma: of("sigma")?,
            },
            FamilyKind::ShiftedGamma => Self::ShiftedGamma {
                shift: of("shift")?,
                shape: of("shape")?,
                scale: of("scale")?,
            },
            FamilyKind::ShiftedWeibull => Self::ShiftedWeibull {
                shift: of("shift")?,
                shape: of("shape")?,
                scale: of("scale")?,
            },
            FamilyKind::ExponentiallyModifiedNormal => Self::ExponentiallyModifiedNormal {
                mean: of("mean")?,
                sd: of("sd")?,
                tau: of("tau")?,
            },
            FamilyKind::TwoNormalMixture => Self::TwoNormalMixture {
                weight: of("weight")?,
                mean1: of("mean1")?,
                sd1: of("sd1")?,
                mean2: of("mean2")?,
                sd2: of("sd2")?,
            },
        };
        family.is_valid().then_some(family)
    }

    /// Whether every parameter is finite and within its range.
    fn is_valid(&self) -> bool {
        self.parameters().iter().all(|&(name, value)| {
            value.is_finite()
                && match name {
                    "mean" | "mean1" | "mean2" | "mu" | "shift" => true,
                    "weight" => (0.0..=1.0).contains(&value),
                    _ => value > 0.0,
                }
        })
    }

    /// Probability density at `x`, per unit of `x`.
    ///
    /// ```
    /// use stats::family::Family;
    /// let normal = Family::Normal { mean: 0.0, sd: 2.0 };
    /// assert!((normal.pdf(0.0) - 0.19947114020071635).abs() < 1e-15);
    /// ```
    pub fn pdf(&self, x: f64) -> f64 {
        libm::exp(self.ln_pdf(x))
    }

    /// Natural logarithm of the density at `x`: minus infinity outside the support.
    pub fn ln_pdf(&self, x: f64) -> f64 {
        if !self.is_valid() || x.is_nan() {
            return f64::NAN;
        }
        if x.is_infinite() {
            return f64::NEG_INFINITY;
        }
        match *self {
            Self::Normal { mean, sd } => ln_normal((x - mean) / sd) - libm::log(sd),
            Self::ShiftedLognormal { shift, mu, sigma } => {
                let y = x - shift;
                if y <= 0.0 {
                    return f64::NEG_INFINITY;
                }
                let ln_y = libm::log(y);
                ln_normal((ln_y - mu) / sigma) - libm::log(sigma) - ln_y
            }
            Self::ShiftedGamma {
                shift,
                shape,
                scale,
            } => {
                let y = (x - shift) / scale;
                ln_power_at(y, shape - 1.0) - y - ln_gamma(shape) - libm::log(scale)
            }
            Self::ShiftedWeibull {
                shift,
                shape,
                scale,
            } => {
                let y = (x - shift) / scale;
                ln_power_at(y, shape - 1.0) - libm::pow(y.max(0.0), shape) + libm::log(shape)
                    - libm::log(scale)
            }
            Self::ExponentiallyModifiedNormal { mean, sd, tau } => {
                let z = (x - mean) / sd;
                let k = sd / tau;
                if z <= k {
                    let scaled = erfcx((k - z) * FRAC_1_SQRT_2);
                    libm::log(0.5 * scaled) - 0.5 * z * z - libm::log(tau)
                } else {
                    k * (0.5 * k - z) + libm::log(normal_cdf(z - k)) - libm::log(tau)
                }
            }
            Self::TwoNormalMixture {
                weight,
                mean1,
                sd1,
                mean2,
                sd2,
            } => {
                let a = libm::log(weight) + ln_normal((x - mean1) / sd1) - libm::log(sd1);
                let b = libm::log1p(-weight) + ln_normal((x - mean2) / sd2) - libm::log(sd2);
                let (low, high) = if a < b { (a, b) } else { (b, a) };
                high + libm::log1p(libm::exp(low - high))
            }
        }
    }

    /// Probability of a value at or below `x`.
    pub fn cdf(&self, x: f64) -> f64 {
        self.tails(x).0
    }

    /// Probability of a value above `x`; keeps its digits where it is small, as 1 - `cdf`
    /// would not.
    pub fn sf(&self, x: f64) -> f64 {
        self.tails(x).1
    }

    /// The value below which a share `p` of the distribution lies. NaN for a `p` outside
    /// 0..=1; an end of the support, which may be infinite, for 0 and 1.
    ///
    /// ```
    /// use stats::family::Family;
    /// let slow = Family::ExponentiallyModifiedNormal { mean: 10.0, sd: 1.0, tau: 4.0 };
    /// let x = slow.quantile(0.99);
    /// assert!((slow.cdf(x) - 0.99).abs() < 1e-14);
    /// ```
    pub fn quantile(&self, p: f64) -> f64 {
        if !self.is_valid() || !(0.0..=1.0).contains(&p) {
            return f64::NAN;
        }
        quantile::quantile(self, p)
    }

    /// A random number of this distribution, with the same bits on every machine.
    pub fn sample(&self, random: &mut Random) -> f64 {
        match *self {
            Self::Normal { mean, sd } => mean + sd * random.normal(),
            Self::ShiftedLognormal { shift, mu, sigma } => {
                shift + libm::exp(mu + sigma * random.normal())
            }
            Self::ShiftedGamma {
                shift,
                shape,
                scale,
            } => shift + scale * standard_gamma(shape, random),
            Self::ShiftedWeibull {
                shift,
                shape,
                scale,
            } => shift + scale * libm::pow(random.exponential(), 1.0 / shape),
            Self::ExponentiallyModifiedNormal { mean, sd, tau } => {
                mean + sd * random.normal() + tau * random.exponential()
            }
            Self::TwoNormalMixture {
                weight,
                mean1,
                sd1,
                mean2,
                sd2,
            } => {
                if random.uniform() < weight {
                    mean1 + sd1 * random.normal()
                } else {
                    mean2 + sd2 * random.normal()
                }
            }
        }
    }

    /// Lower and upper tail at `x`, each with its own digits.
    fn tails(&self, x: f64) -> (f64, f64) {
        if !self.is_valid() || x.is_nan() {
            return (f64::NAN, f64::NAN);
        }
        if x.is_infinite() {
            return if x < 0.0 { (0.0, 1.0) } else { (1.0, 0.0) };
        }
        match *self {
            Self::Normal { mean, sd } => normal_tails((x - mean) / sd),
            Self::ShiftedLognormal { shift, mu, sigma } => {
                let y = x - shift;
                if y <= 0.0 {
                    return (0.0, 1.0);
                }
                normal_tails((libm::log(y) - mu) / sigma)
            }
            Self::ShiftedGamma {
                shift,
                shape,
                scale,
            } => {
                let y = (x - shift) / scale;
                if y <= 0.0 {
                    return (0.0, 1.0);
                }
                (
                    gamma_lower_regularized(shape, y),
                    gamma_upper_regularized(shape, y),
                )
            }
            Self::ShiftedWeibull {
                shift,
                shape,
                scale,
            } => {
                let y = (x - shift) / scale;
                if y <= 0.0 {
                    return (0.0, 1.0);
                }
                let power = libm::pow(y, shape);
                (-libm::expm1(-power), libm::exp(-power))
            }
            Self::ExponentiallyModifiedNormal { mean, sd, tau } => {
                let z = (x - mean) / sd;
                let k = sd / tau;
                let bell = 0.5 * libm::exp(-0.5 * z * z);
                // The exponential part's share of both tails. A difference of two scaled
                // functions keeps the lower tail's digits where the two tails of the normal
                // distribution would cancel.
                let scaled = if z <= k {
                    bell * erfcx((k - z) * FRAC_1_SQRT_2)
                } else {
                    libm::exp(k * (0.5 * k - z)) * normal_cdf(z - k)
                };
                let lower = if z < 0.0 {
                    bell * (erfcx(-z * FRAC_1_SQRT_2) - erfcx((k - z) * FRAC_1_SQRT_2))
                } else {
                    normal_cdf(z) - scaled
                };
                (lower.max(0.0), (normal_sf(z) + scaled).min(1.0))
            }
            Self::TwoNormalMixture {
                weight,
                mean1,
                sd1,
                mean2,
                sd2,
            } => {
                let (a, b) = normal_tails((x - mean1) / sd1);
                let (c, d) = normal_tails((x - mean2) / sd2);
                let other = 1.0 - weight;
                (weight * a + other * c, weight * b + other * d)
            }
        }
    }
}

/// Logarithm of the standard normal density.
fn ln_normal(z: f64) -> f64 {
    -0.5 * z * z - LN_SQRT_2PI
}

/// Both tails of the standard normal distribution.
fn normal_tails(z: f64) -> (f64, f64) {
    (normal_cdf(z), normal_sf(z))
}

/// ln(y^power) for y >= 0, where 0^0 is 1; minus infinity below 0.
fn ln_power_at(y: f64, power: f64) -> f64 {
    if y < 0.0 {
        f64::NEG_INFINITY
    } else if power == 0.0 {
        0.0
    } else {
        power * libm::log(y)
    }
}

/// A gamma number of scale 1: Marsaglia & Tsang 2000, ACM Transactions on Mathematical Software
/// 26:363-372, with their power of a uniform number for shapes below 1.
fn standard_gamma(shape: f64, random: &mut Random) -> f64 {
    if shape.is_nan() || shape <= 0.0 {
        return f64::NAN;
    }
    if shape < 1.0 {
        let boost = libm::exp(-random.exponential() / shape);
        return standard_gamma(shape + 1.0, random) * boost;
    }
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / libm::sqrt(9.0 * d);
    loop {
        let z = random.normal();
        let root = 1.0 + c * z;
        if root <= 0.0 {
            continue;
        }
        let v = root * root * root;
        // -ln(1 - u) of a uniform u is -ln of a uniform number too.
        if -random.exponential() < 0.5 * z * z + d - d * v + d * libm::log(v) {
            return d * v;
        }
    }
}
