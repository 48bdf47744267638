//! The temporal spectrum of one-axis image motion, and what an exposure leaves of it.
//!
//! The one-sided power spectral density, in arcsec^2/Hz, is
//!
//! `P(f) = A (f^2 + f0^2)^(-1/3) (1 + (f/fc)^2)^(-3/2)`.
//!
//! Frozen turbulence of the von Karman spectrum that drifts past at speed `V` gives, across the
//! wind, `(f^2 + (V/L)^2)^(-1/3)`: flat below `f0 = V/L`, then `f^(-2/3)`. The aperture takes over
//! near `V/D` and the slope becomes `-11/3` (Conan, Rousset & Madec 1995, JOSA A 12, 1559).
//!
//! - `A` follows from the Kolmogorov spectrum `0.0229 r0^(-5/3) k^(-11/3)` of the phase where the
//!   aperture does not count. The motion is `l/(2 pi)` times the gradient of the phase, so that the
//!   mean of both axes is `A = 0.0229 (B(1/2,4/3) + B(3/2,1/3)) l^2 r0^(-5/3) V^(-1/3)`, with B the
//!   beta function.
//! - `fc` follows from the variance: with an infinite outer scale the integral is
//!   `A fc^(1/3) B(1/6,4/3) / 2`, and it must be `0.182 (l/D)^2 (D/r0)^(5/3)`. This gives
//!   `fc = 0.304 V/D`.
//!
//! Against the exact integral over frozen turbulence (in the tests) the spectrum is within 3 % up
//! to `fc/100`, which holds what an exposure of a second leaves, and within 25 % up to `2 fc`, where
//! the knee's exact shape is not this simple one.
//!
//! A finite outer scale keeps `A` and `fc`; it takes away slow motion and so lowers the variance.

use serde::Serialize;

use super::{Atmosphere, VISUAL_NM, motion_variance_rad2};
use crate::rate::ARCSEC_PER_RAD;

/// Nodes and weights of Gauss and Legendre's rule of eight points, one half of each (Abramowitz &
/// Stegun 1964, table 25.4).
const GAUSS: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
    (0.960_289_856_497_536_2, 0.101_228_536_290_376_3),
];

/// Zeros of the exposure's sinc that are integrated one by one; beyond, its square is 1/2 of its
/// envelope, and what the wiggles add is a few 1e-6 of the tail.
const LOBES: u32 = 64;

/// One-axis image motion through an aperture: its spectrum.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct ImageMotion {
    /// `A` in arcsec^2 Hz^(-1/3).
    amplitude: f64,
    /// `f0` in Hz; 0 for an infinite outer scale.
    outer_hz: f64,
    /// `fc` in Hz.
    knee_hz: f64,
}

impl ImageMotion {
    /// The motion that an atmosphere makes through an aperture in mm. Values that are no
    /// atmosphere (a Fried's length or an aperture of 0) make a motion whose numbers are not finite.
    pub fn new(atmosphere: &Atmosphere, aperture_mm: f64) -> ImageMotion {
        let aperture_m = aperture_mm * 1e-3;
        let wavelength_m = VISUAL_NM * 1e-9;
        let kolmogorov = motion_variance_rad2(wavelength_m, aperture_m, atmosphere.fried_m)
            * ARCSEC_PER_RAD
            * ARCSEC_PER_RAD;
        let gradient = phase_constant() * (beta(0.5, 4.0 / 3.0) + beta(1.5, 1.0 / 3.0));
        let angle = wavelength_m * ARCSEC_PER_RAD;
        let amplitude = gradient * angle * angle * libm::pow(atmosphere.fried_m, -5.0 / 3.0)
            / libm::cbrt(atmosphere.wind_m_s);
        let knee = 2.0 * kolmogorov / (amplitude * beta(1.0 / 6.0, 4.0 / 3.0));
        ImageMotion {
            amplitude,
            outer_hz: atmosphere.wind_m_s / atmosphere.outer_scale_m,
            knee_hz: knee * knee * knee,
        }
    }

    /// The frequency in Hz below which the outer scale flattens the spectrum, wind over outer
    /// scale; 0 when that is infinite.
    pub fn outer_hz(&self) -> f64 {
        self.outer_hz
    }

    /// The frequency in Hz above which the aperture averages, 0.304 times wind over diameter.
    pub fn knee_hz(&self) -> f64 {
        self.knee_hz
    }

    /// One-sided power spectral density in arcsec^2/Hz at a frequency in Hz above 0.
    pub fn psd(&self, frequency_hz: f64) -> f64 {
        let slow = frequency_hz * frequency_hz + self.outer_hz * self.outer_hz;
        let fast = frequency_hz / self.knee_hz;
        let fast = 1.0 + fast * fast;
        self.amplitude / (libm::cbrt(slow) * fast * fast.sqrt())
    }

    /// One-axis variance of the instantaneous position in arcsec^2: the integral of the spectrum.
    pub fn variance(&self) -> f64 {
        self.integrate(|_| 1.0, self.knee_hz) + self.tail(self.knee_hz, |_| 1.0)
    }

    /// One-axis variance in arcsec^2 of the mean position over an exposure in s: the integral of
    /// the spectrum times `sinc^2(f T)`. It tends to [`ImageMotion::variance`] for a short exposure,
    /// to `P(0) / 2T` for one far longer than `1/f0`, and goes as `T^(-1/3)` between.
    pub fn variance_after_exposure(&self, exposure_s: f64) -> f64 {
        // A NaN goes this way too.
        if !(exposure_s > 0.0 && exposure_s.is_finite()) {
            return self.variance();
        }
        let sinc2 = |frequency: f64| {
            let x = std::f64::consts::PI * frequency * exposure_s;
            let sinc = if x == 0.0 { 1.0 } else { libm::sin(x) / x };
            sinc * sinc
        };
        let lobe_hz = 1.0 / exposure_s;
        let mut sum = self.integrate(sinc2, lobe_hz);
        for lobe in 1..LOBES {
            let from = f64::from(lobe) * lobe_hz;
            sum += gauss(from, from + lobe_hz, |f| self.psd(f) * sinc2(f));
        }
        sum + self.tail(f64::from(LOBES) * lobe_hz, |frequency| {
            let x = std::f64::consts::PI * frequency * exposure_s;
            0.5 / (x * x)
        })
    }

    /// Integral of the spectrum times a weight from 0 to a frequency, octave by octave.
    fn integrate(&self, weight: impl Fn(f64) -> f64, to_hz: f64) -> f64 {
        if !to_hz.is_finite() {
            return f64::NAN;
        }
        let mut corner = to_hz.min(self.knee_hz);
        if self.outer_hz > 0.0 {
            corner = corner.min(self.outer_hz);
        }
        let least = 1e-4 * corner;
        let mut top = to_hz;
        let mut sum = 0.0;
        while top > least && top > 0.0 {
            sum += gauss(0.5 * top, top, |f| self.psd(f) * weight(f));
            top *= 0.5;
        }
        // Below, the spectrum is flat or a power -2/3, and the weight is 1 to 1e-7.
        sum + top * self.psd(top) * if self.outer_hz > 0.0 { 1.0 } else { 3.0 }
    }

    /// Integral of the spectrum times a falling weight from a frequency to infinity.
    fn tail(&self, from_hz: f64, weight: impl Fn(f64) -> f64) -> f64 {
        // Past 2^20 knees the spectrum has fallen by 22 decades.
        let most = 1e6 * self.knee_hz.max(from_hz);
        let mut from = from_hz;
        let mut sum = 0.0;
        while from < most && from > 0.0 {
            sum += gauss(from, 2.0 * from, |f| self.psd(f) * weight(f));
            from *= 2.0;
        }
        sum
    }
}

/// Integral by the rule of eight points.
fn gauss(from: f64, to: f64, value: impl Fn(f64) -> f64) -> f64 {
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    GAUSS
        .iter()
        .map(|&(node, weight)| {
            weight * half * (value(middle - half * node) + value(middle + half * node))
        })
        .sum()
}

/// Euler's beta function.
fn beta(a: f64, b: f64) -> f64 {
    libm::tgamma(a) * libm::tgamma(b) / libm::tgamma(a + b)
}

/// The constant of the Kolmogorov phase spectrum, 0.0229 (Noll 1976 rounds to 0.023):
/// `Gamma(11/6)^2 / (2 pi^(11/3)) (24/5 Gamma(6/5))^(5/6)`.
fn phase_constant() -> f64 {
    let gamma = libm::tgamma(11.0 / 6.0);
    gamma * gamma / (2.0 * libm::pow(std::f64::consts::PI, 11.0 / 3.0))
        * libm::pow(4.8 * libm::tgamma(1.2), 5.0 / 6.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn motion(outer_scale_m: f64, aperture_mm: f64) -> ImageMotion {
        let atmosphere = Atmosphere {
            fried_m: 0.04,
            wind_m_s: 10.0,
            outer_scale_m,
            airmass: 1.0,
        };
        atmosphere.motion(aperture_mm)
    }

    fn slope(motion: &ImageMotion, frequency: f64) -> f64 {
        (motion.psd(frequency * 1.01) / motion.psd(frequency / 1.01)).ln() / (1.01_f64.powi(2)).ln()
    }

    /// Noll's variance is what the spectrum integrates to; the quadrature is good to 1e-9.
    #[test]
    fn without_an_outer_scale_the_variance_is_nolls() {
        for aperture_mm in [30.0, 60.0, 200.0] {
            let noll = motion_variance_rad2(500e-9, aperture_mm * 1e-3, 0.04)
                * ARCSEC_PER_RAD
                * ARCSEC_PER_RAD;
            let variance = motion(f64::INFINITY, aperture_mm).variance();
            assert!((variance / noll - 1.0).abs() < 1e-8, "{variance} {noll}");
        }
    }

    /// Conan, Rousset & Madec (1995): -2/3 below the knee, -11/3 above, the knee near 0.3 V/D.
    #[test]
    fn the_slopes_are_minus_two_and_minus_eleven_thirds() {
        let motion = motion(f64::INFINITY, 60.0);
        let knee = motion.knee_hz();
        assert!((knee / (10.0 / 0.06) - 0.304).abs() < 1e-3, "{knee}");
        assert!((slope(&motion, knee * 1e-3) + 2.0 / 3.0).abs() < 1e-4);
        assert!((slope(&motion, knee * 1e3) + 11.0 / 3.0).abs() < 1e-4);
    }

    /// Second derivation of the spectrum: the von Karman phase spectrum, the gradient averaged
    /// over the aperture (2 J1(x)/x)^2, integrated across the wind. Mean of both axes, infinite
    /// outer scale. Well below the knee they are equal; the exact one averages the gradient over
    /// the aperture, whose variance is 0.170 instead of 0.182 (from memory), and rounds the knee
    /// differently. The tolerances are the accuracy that the head of this file states.
    #[test]
    fn the_spectrum_is_that_of_frozen_turbulence_averaged_by_the_aperture() {
        let (wind, diameter, fried) = (10.0_f64, 0.06_f64, 0.04_f64);
        let exact = |frequency: f64| {
            let kx = frequency / wind;
            // ky = kx tan(t): a smooth integrand with a known end.
            let panels = 200_000;
            let most = (2_000.0 / diameter / kx).atan();
            let step = most / f64::from(panels);
            let sum: f64 = (0..panels)
                .map(|i| {
                    let t = (f64::from(i) + 0.5) * step;
                    let k = kx / t.cos();
                    let x = PI * k * diameter;
                    let filter = 2.0 * libm::j1(x) / x;
                    k.powi(2) * k.powf(-11.0 / 3.0) * filter * filter * kx / t.cos().powi(2) * step
                })
                .sum();
            // Both signs of ky and of f; mean of two axes; (l/2pi)^2 (2pi)^2 = l^2.
            let angle = 500e-9 * ARCSEC_PER_RAD;
            2.0 * 2.0 * 0.5 * phase_constant() * fried.powf(-5.0 / 3.0) * angle * angle * sum / wind
        };
        let model = motion(f64::INFINITY, 60.0);
        for (share, tolerance) in [
            (1e-4, 0.002),
            (0.01, 0.03),
            (0.1, 0.25),
            (0.3, 0.25),
            (1.0, 0.25),
            (2.0, 0.25),
        ] {
            let frequency = share * model.knee_hz();
            let ratio = model.psd(frequency) / exact(frequency);
            assert!((ratio - 1.0).abs() < tolerance, "{share} {ratio}");
        }
    }

    /// Against another quadrature, of fixed step: the midpoint rule on
    /// f = u^3 with a million points, good to 1e-5 where the sinc is resolved.
    #[test]
    fn exposure_averaging_agrees_with_plain_numerical_integration() {
        for outer_scale in [25.0, f64::INFINITY] {
            let motion = motion(outer_scale, 60.0);
            for exposure in [0.002, 0.05, 1.0, 4.0] {
                let most = (motion.knee_hz() * 200.0_f64).cbrt();
                let panels = 1_000_000;
                let step = most / f64::from(panels);
                let plain: f64 = (0..panels)
                    .map(|i| {
                        let u = (f64::from(i) + 0.5) * step;
                        let f = u.powi(3);
                        let x = PI * f * exposure;
                        motion.psd(f) * (x.sin() / x).powi(2) * 3.0 * u * u * step
                    })
                    .sum();
                let variance = motion.variance_after_exposure(exposure);
                assert!(
                    (variance / plain - 1.0).abs() < 1e-4,
                    "{exposure} {variance} {plain}"
                );
            }
        }
    }

    /// Closed form: for an infinite outer scale and an exposure far longer than D/V,
    /// `A T^(-1/3) pi^(-1/3) int sin^2(y) y^(-8/3) dy`, and that integral is
    /// `2^(2/3) |Gamma(-5/3) cos(5 pi/6)|` (Gradshteyn & Ryzhik 3.823, from memory).
    #[test]
    fn a_long_exposure_leaves_the_minus_third_power() {
        let motion = motion(f64::INFINITY, 60.0);
        let integral =
            2.0_f64.powf(2.0 / 3.0) * (libm::tgamma(-5.0 / 3.0) * (5.0 * PI / 6.0).cos()).abs();
        let exposure = 1e5_f64;
        let limit = motion.amplitude * (exposure * PI).powf(-1.0 / 3.0) * integral;
        let variance = motion.variance_after_exposure(exposure);
        // The knee takes away a part of the order of (1 / (fc T))^(4/3), under 1e-7; the rest is
        // the quadrature.
        assert!((variance / limit - 1.0).abs() < 1e-5, "{variance} {limit}");
    }

    #[test]
    fn the_limits_of_short_and_long_exposures_hold() {
        let motion = motion(25.0, 60.0);
        let short = motion.variance_after_exposure(1e-6) / motion.variance();
        assert!((short - 1.0).abs() < 1e-4, "{short}");
        assert_eq!(motion.variance_after_exposure(0.0), motion.variance());
        let long = motion.variance_after_exposure(1e4) / (motion.psd(1e-9) / 2e4);
        // P falls by a third of (f/f0)^2 near 0, which sinc^2 weighs out to about 1 / (f0 T).
        assert!((long - 1.0).abs() < 1e-3, "{long}");
    }

    #[test]
    fn a_finite_outer_scale_takes_away_slow_motion_only() {
        let (finite, infinite) = (motion(25.0, 60.0), motion(f64::INFINITY, 60.0));
        assert!(finite.variance() < infinite.variance());
        assert!(finite.variance() > 0.5 * infinite.variance());
        let ratio = finite.psd(100.0) / infinite.psd(100.0);
        assert!((ratio - 1.0).abs() < 1e-5);
    }
}
