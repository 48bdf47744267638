//! Image scale.

use crate::rate::ARCSEC_PER_RAD;
use crate::setup::Telescope;

impl Telescope {
    /// Image scale in arcsec per pixel: `206.265 * pixel[um] / focal length[mm]`, the small angle
    /// under which a pixel is seen from the focal length (206265 arcseconds in a radian).
    pub fn arcsec_per_px(&self) -> f64 {
        ARCSEC_PER_RAD * 1e-3 * self.pixel_um / self.focal_length_mm
    }
}

/// Pixels that an angle spans, at an image scale in arcsec per pixel.
pub fn pixels(arcsec: f64, arcsec_per_px: f64) -> f64 {
    arcsec / arcsec_per_px
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derived here: 4.848 um at 1 m is one arcsecond (pi / 648000 rad), so a 4.848 um pixel
    /// behind 1000 mm spans 1 arcsec, and 3.75 um behind 240 mm
    /// 3.75e-3 / 240 rad * 206264.806 = 3.22289 arcsec.
    #[test]
    fn image_scale_is_the_angle_of_a_pixel_from_the_focal_length() {
        let arcsec_rad = std::f64::consts::PI / 648_000.0;
        let telescope = |focal_length_mm: f64, pixel_um: f64| Telescope {
            focal_length_mm,
            pixel_um,
            aperture_mm: 60.0,
        };
        let one = telescope(1_000.0, arcsec_rad * 1e6);
        assert!((one.arcsec_per_px() - 1.0).abs() < 1e-12);
        let guide = telescope(240.0, 3.75);
        assert!((guide.arcsec_per_px() - 3.222_887_6).abs() < 1e-6);
        // The tangent of the small angle is the exact form; they differ by a third of its cube.
        let exact = libm::atan(3.75e-3 / 240.0) / arcsec_rad;
        assert!((guide.arcsec_per_px() / exact - 1.0).abs() < 1e-9);
        assert!((pixels(1.0, guide.arcsec_per_px()) - 0.310_280_7).abs() < 1e-6);
    }
}
