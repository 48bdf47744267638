//! The noise of a measured star position.
//!
//! Thompson, Larson & Webb (2002, Biophysical Journal 82, 2775), equation for a star of Gaussian
//! width `s`, pixels of side `a`, `N` electrons and a background variance `b^2` per pixel, one
//! axis:
//!
//! `var = (s^2 + a^2/12) / N + 8 pi s^4 b^2 / (a^2 N^2)`.
//!
//! The first term is the photon noise of a mean of N positions, the second the Cramer-Rao bound
//! of a fit to a star on a noisy background; the tests derive both again.

use crate::seeing::{Atmosphere, VISUAL_NM};
use crate::setup::Setup;

/// Full width at half maximum of a Gaussian per standard deviation: 2 sqrt(2 ln 2).
pub const FWHM_PER_SD: f64 = 2.354_820_045_030_949_3;

/// Full width at half maximum of the Airy pattern of a clear round aperture, in units of
/// wavelength over diameter: 2 x 1.616340 / pi, where (2 J1(x)/x)^2 = 1/2 at x = 1.616340.
const AIRY_FWHM: f64 = 1.028_993_97;

/// One-axis standard deviation of a centroid in the unit of `sd` and `pixel`.
///
/// `sd` is the star's Gaussian standard deviation, `pixel` the pixel's side in the same unit,
/// `electrons` the star's total, `background_variance` the variance per pixel in electrons squared.
/// Without electrons there is no position: the result is infinite.
pub fn centroid_sd(sd: f64, pixel: f64, electrons: f64, background_variance: f64) -> f64 {
    let variance = (sd * sd + pixel * pixel / 12.0) / electrons
        + 8.0 * std::f64::consts::PI * sd.powi(4) * background_variance
            / (pixel * pixel * electrons * electrons);
    if electrons > 0.0 {
        variance.sqrt()
    } else {
        f64::INFINITY
    }
}

impl Setup {
    /// One-axis noise of the guide star's position in one exposure, in arcsec: as measured where
    /// the setup gives it, else [`centroid_sd`] of a star as wide as seeing and diffraction make it
    /// (500 nm), without the image motion, which is counted apart.
    pub fn centroid_noise_arcsec(&self) -> f64 {
        let camera = &self.camera;
        if let Some(measured) = camera.centroid_noise_arcsec {
            return measured;
        }
        let exposure_s = camera.exposure_s;
        let background =
            camera.background_e_per_s_px * exposure_s + camera.read_noise_e * camera.read_noise_e;
        centroid_sd(
            self.guide_star_fwhm_arcsec() / FWHM_PER_SD,
            self.guide_scope.arcsec_per_px(),
            camera.star_flux_e_per_s * exposure_s,
            background,
        )
    }

    /// Width of the guide star at half maximum in arcsec: seeing and the guide scope's diffraction
    /// at 500 nm, added in squares.
    pub fn guide_star_fwhm_arcsec(&self) -> f64 {
        self.star_fwhm_arcsec(self.guide_scope.aperture_mm)
    }

    /// Width at half maximum in arcsec that a perfectly tracked star has in the long exposure:
    /// seeing and the imaging telescope's diffraction at 500 nm, added in squares.
    pub fn imaging_star_fwhm_arcsec(&self) -> f64 {
        self.star_fwhm_arcsec(self.imaging_scope.aperture_mm)
    }

    fn star_fwhm_arcsec(&self, aperture_mm: f64) -> f64 {
        let wavelength_m = VISUAL_NM * 1e-9;
        let airy = AIRY_FWHM * wavelength_m / (aperture_mm * 1e-3) * crate::rate::ARCSEC_PER_RAD;
        libm::hypot(Atmosphere::new(&self.sky).fwhm_arcsec(VISUAL_NM), airy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Photon noise alone: each electron's position has the variance of the star plus that of a
    /// uniform pixel, and the mean of N divides it by N.
    #[test]
    fn without_background_the_noise_is_that_of_a_mean() {
        let sd = centroid_sd(1.2, 1.0, 400.0, 0.0);
        assert!((sd - ((1.44 + 1.0 / 12.0) / 400.0_f64).sqrt()).abs() < 1e-15);
    }

    /// Second derivation of the background term: the Fisher information of a shift is the sum over
    /// pixels of (N dg/dx a^2)^2 / b^2, summed here over small pixels; its inverse is the least
    /// variance. Pixels of 1/10 of the width make the sum exact to far below 1e-6.
    #[test]
    fn with_much_background_the_noise_is_the_cramer_rao_bound() {
        let (s, a, n, b2) = (1.0_f64, 0.1_f64, 1_000.0_f64, 1e9_f64);
        let mut information = 0.0;
        for i in -100..=100 {
            for j in -100..=100 {
                let (x, y) = (f64::from(i) * a, f64::from(j) * a);
                let g =
                    (-(x * x + y * y) / (2.0 * s * s)).exp() / (2.0 * std::f64::consts::PI * s * s);
                let slope = n * g * x / (s * s) * a * a;
                information += slope * slope / b2;
            }
        }
        let sd = centroid_sd(s, a, n, b2);
        // The photon term adds 1e-7 of the variance.
        assert!(
            (sd * sd * information - 1.0).abs() < 1e-6,
            "{}",
            sd * sd * information
        );
    }

    #[test]
    fn no_star_has_no_position() {
        assert_eq!(centroid_sd(1.0, 1.0, 0.0, 1.0), f64::INFINITY);
    }

    /// The half-power point of the Airy pattern, with J1 from the libm crate.
    #[test]
    fn the_airy_width_is_where_the_pattern_falls_to_half() {
        let x = AIRY_FWHM * std::f64::consts::PI / 2.0;
        let amplitude = 2.0 * libm::j1(x) / x;
        assert!((amplitude * amplitude - 0.5).abs() < 1e-7);
        assert!((FWHM_PER_SD - 2.0 * (2.0 * 2.0_f64.ln()).sqrt()).abs() < 1e-15);
    }

    #[test]
    fn a_measured_noise_takes_the_place_of_the_predicted_one() {
        let mut setup = Setup::default();
        let predicted = setup.centroid_noise_arcsec();
        assert!(predicted > 0.0 && predicted < 0.2, "{predicted}");
        setup.camera.centroid_noise_arcsec = Some(0.4);
        assert_eq!(setup.centroid_noise_arcsec(), 0.4);
    }
}
