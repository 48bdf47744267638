//! The atmosphere: how wide it makes a star, and how it moves it.
//!
//! With `r0` Fried's length, `l` the wavelength, `D` the aperture, `L` the outer scale:
//!
//! - width of a star: `0.98 l / r0` (Kolmogorov), times `sqrt(1 - 2.183 (r0/L)^0.356)` for a finite
//!   outer scale (Tokovinin 2002, PASP 114, 1156);
//! - off the zenith `r0` shrinks as `airmass^(-3/5)`; with wavelength it grows as `l^(6/5)`;
//! - one-axis image motion: variance `0.182 (l/D)^2 (D/r0)^(5/3)` rad^2, from the tip coefficient
//!   0.448 of Noll (1976, JOSA 66, 207): a Zernike tip of `a` rad tilts the wave by
//!   `2 l a / (pi D)`.

mod filter;
mod motion;

use serde::Serialize;

use crate::rate::ARCSEC_PER_RAD;
use crate::setup::Sky;

pub use filter::{Rung, SeeingFilter, SeeingState, Stride};
pub use motion::ImageMotion;

/// The wavelength for which seeing is stated, in nm.
pub const VISUAL_NM: f64 = 500.0;

/// Variance of Noll's tip (or tilt) coefficient in units of `(D/r0)^(5/3)` rad^2 (Noll 1976: the
/// residuals 1.0299 and 0.582 before and after removing one tilt).
pub const NOLL_TIP: f64 = 0.448;

/// One-axis image motion variance in units of `(l/D)^2 (D/r0)^(5/3)` rad^2: [`NOLL_TIP`] times
/// `(2/pi)^2`, 0.182.
pub const MOTION_COEFFICIENT: f64 = NOLL_TIP * 4.0 / (std::f64::consts::PI * std::f64::consts::PI);

/// Least ratio of outer scale to Fried's length for which Tokovinin (2002) fitted the width; below
/// it the factor of this ratio is kept.
const LEAST_OUTER_RATIO: f64 = 20.0;

/// Width at half maximum, in rad, of a long exposure in Kolmogorov turbulence: `0.98 l / r0`, both
/// lengths in the same unit.
pub fn fwhm_rad(wavelength: f64, fried: f64) -> f64 {
    0.98 * wavelength / fried
}

/// Airmass at a zenith distance in degrees: its secant, the plane-parallel atmosphere (a percent
/// too much at 80 degrees).
pub fn airmass(zenith_distance_deg: f64) -> f64 {
    1.0 / libm::cos(zenith_distance_deg.to_radians())
}

/// The factor by which a finite outer scale narrows the star: `sqrt(1 - 2.183 (r0/L)^0.356)`
/// (Tokovinin 2002), for lengths in the same unit. An infinite outer scale gives 1. The fit holds
/// for `L/r0` above 20; below, its value at 20 is returned.
pub fn outer_scale_factor(fried: f64, outer_scale: f64) -> f64 {
    let ratio = (outer_scale / fried).max(LEAST_OUTER_RATIO);
    (1.0 - 2.183 * libm::pow(ratio, -0.356)).sqrt()
}

/// One-axis image motion variance, in rad^2, for a wavelength, an aperture and Fried's length in
/// the same unit: `0.182 (l/D)^2 (D/r0)^(5/3)`, Kolmogorov turbulence (Noll 1976).
pub fn motion_variance_rad2(wavelength: f64, aperture: f64, fried: f64) -> f64 {
    let tilt = wavelength / aperture;
    MOTION_COEFFICIENT * tilt * tilt * libm::pow(aperture / fried, 5.0 / 3.0)
}

/// The atmosphere along the line of sight.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Atmosphere {
    /// Fried's length at 500 nm along the line of sight in m.
    pub fried_m: f64,
    /// Wind speed of the turbulent layers in m/s.
    pub wind_m_s: f64,
    /// Outer scale in m; infinite for Kolmogorov turbulence.
    pub outer_scale_m: f64,
    /// Airmass of the target.
    pub airmass: f64,
}

impl Atmosphere {
    /// The atmosphere of a setup: `r0 = 0.98 l / FWHM` at the zenith, shrunk by the airmass.
    pub fn new(sky: &Sky) -> Atmosphere {
        let zenith_m = 0.98 * VISUAL_NM * 1e-9 * ARCSEC_PER_RAD / sky.seeing_fwhm_arcsec;
        let airmass = airmass(sky.zenith_distance_deg);
        Atmosphere {
            fried_m: zenith_m * libm::pow(airmass, -0.6),
            wind_m_s: sky.wind_m_s,
            outer_scale_m: sky.outer_scale_m,
            airmass,
        }
    }

    /// Fried's length in m at a wavelength in nm: it grows as the power 6/5 of the wavelength.
    pub fn fried_at_m(&self, wavelength_nm: f64) -> f64 {
        self.fried_m * libm::pow(wavelength_nm / VISUAL_NM, 1.2)
    }

    /// Width of a star at half maximum in arcsec in a long exposure at a wavelength in nm, with
    /// the outer scale, without the telescope's own diffraction.
    pub fn fwhm_arcsec(&self, wavelength_nm: f64) -> f64 {
        let fried_m = self.fried_at_m(wavelength_nm);
        fwhm_rad(wavelength_nm * 1e-9, fried_m)
            * outer_scale_factor(fried_m, self.outer_scale_m)
            * ARCSEC_PER_RAD
    }

    /// The image motion that this atmosphere makes through an aperture in mm. It does not depend
    /// on the wavelength.
    pub fn motion(&self, aperture_mm: f64) -> ImageMotion {
        ImageMotion::new(self, aperture_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noll's (1976) equation for the variance of a Zernike coefficient, integrated here over the
    /// Kolmogorov spectrum: `0.023 (R/r0)^(5/3) int k^(-11/3) |Q|^2 dk`, with `R = D/2`, lengths in
    /// units of R and for a tip `|Q|^2 = 2 (n+1) (J2(2 pi k) / (pi k))^2 cos^2`, n = 1, whose mean over
    /// the circle is `2 (J2/(pi k))^2`. The spectrum's constant 0.0229 is `Gamma(11/6)^2 / (2 pi^(11/3)) (24/5 Gamma(6/5))^(5/6)`.
    #[test]
    fn integrating_the_kolmogorov_spectrum_gives_nolls_tip() {
        use std::f64::consts::PI;
        let constant = libm::tgamma(11.0 / 6.0).powi(2) / (2.0 * PI.powf(11.0 / 3.0))
            * (4.8 * libm::tgamma(1.2)).powf(5.0 / 6.0);
        assert!((constant - 0.023).abs() < 2e-4, "{constant}");
        // k = u^3 takes the k^(-2/3) out of the origin; beyond k = 125 the rest is k^(-17/3).
        let panels = 60_000;
        let step = 5.0 / f64::from(panels);
        let integral: f64 = (0..panels)
            .map(|i| {
                let u = (f64::from(i) + 0.5) * step;
                let k = u.powi(3);
                let filter = libm::jn(2, 2.0 * PI * k) / (PI * k);
                let q2 = 2.0 * filter * filter;
                2.0 * PI * k * k.powf(-11.0 / 3.0) * q2 * 3.0 * u * u * step
            })
            .sum();
        // From (R/r0)^(5/3) to (D/r0)^(5/3).
        let tip = constant * integral * 0.5_f64.powf(5.0 / 3.0);
        assert!((tip - NOLL_TIP).abs() < 1.5e-3, "{tip}");
    }

    /// Noll (1976), table of residual variances: 1.0299 with piston removed, 0.582 with one tilt
    /// more, 0.134 with both.
    #[test]
    fn the_tip_is_the_difference_of_nolls_residuals() {
        assert!((NOLL_TIP - (1.0299 - 0.582)).abs() < 5e-4);
        assert!((NOLL_TIP - (0.582 - 0.134)).abs() < 5e-4);
        assert!((MOTION_COEFFICIENT - 0.182).abs() < 5e-4);
    }

    /// A tip `a 2 rho cos(theta)` of the phase climbs `4 a / D` rad/m across the aperture; times
    /// `l / 2 pi` it is the angle. 500 nm, 60 mm, r0 40.4 mm: worked out step by step.
    #[test]
    fn the_motion_of_a_sixty_millimeter_scope_is_the_worked_example() {
        let (wavelength, aperture, fried) = (500e-9_f64, 0.06_f64, 0.0404_f64);
        let tip = (0.448 * (aperture / fried).powf(5.0 / 3.0)).sqrt();
        let angle = wavelength / (2.0 * std::f64::consts::PI) * 4.0 * tip / aperture;
        let sd = motion_variance_rad2(wavelength, aperture, fried).sqrt();
        assert!((sd / angle - 1.0).abs() < 1e-12);
    }

    /// 0.98 x 500 nm over 2.5 arcsec is 40.43 mm; at 60 degrees the airmass is 2 and the star
    /// 2^(3/5) = 1.5157 times as wide.
    #[test]
    fn fried_length_shrinks_with_airmass() {
        let mut sky = Sky {
            seeing_fwhm_arcsec: 2.5,
            zenith_distance_deg: 0.0,
            wind_m_s: 10.0,
            outer_scale_m: f64::INFINITY,
        };
        let zenith = Atmosphere::new(&sky);
        assert!(
            (zenith.fried_m - 0.040_428).abs() < 1e-6,
            "{}",
            zenith.fried_m
        );
        assert!((zenith.fwhm_arcsec(VISUAL_NM) - 2.5).abs() < 1e-12);
        sky.zenith_distance_deg = 60.0;
        let low = Atmosphere::new(&sky);
        let wider = low.fwhm_arcsec(VISUAL_NM) / zenith.fwhm_arcsec(VISUAL_NM);
        assert!((wider - 1.515_716_6).abs() < 1e-6, "{wider}");
        // Kolmogorov: the width falls as the power -1/5 of the wavelength.
        let red = zenith.fwhm_arcsec(1_000.0) / 2.5;
        assert!((red - 2.0_f64.powf(-0.2)).abs() < 1e-12);
    }

    /// Tokovinin (2002), in words: with an outer scale near 20 m and r0 near 0.1 m the correction
    /// is of the order of 20 % (from memory).
    #[test]
    fn a_finite_outer_scale_narrows_the_star() {
        let factor = outer_scale_factor(0.1, 20.0);
        assert!(factor > 0.78 && factor < 0.86, "{factor}");
        assert_eq!(outer_scale_factor(0.1, f64::INFINITY), 1.0);
        assert_eq!(outer_scale_factor(0.1, 0.5), outer_scale_factor(0.1, 2.0));
    }
}
