//! The drift that a polar-alignment error makes.
//!
//! The stars turn about the pole `p` at the sidereal rate `w`, the mount about its own axis
//! `p + e a`: displaced by the angle `e` along the unit vector `a`, towards some hour angle. In the
//! frame of the mount a star at `s` moves with `w e (a x s)`. Along north and east this is, with
//! `h` the star's hour angle minus that of the displacement and `d` the declination,
//!
//! - in declination: `-w e sin(h)`, whatever the declination;
//! - in right ascension, on the sky and east positive: `-w e sin(d) cos(h)`.
//!
//! The largest declination drift is therefore `w e`: 0.2625 arcsec/min for one arcmin. An axis too
//! far east (h = 90 degrees for a star on the meridian) makes the star drift south. First order in
//! `e`; derived here, and checked in the tests by rotating vectors. Refraction is left out.

use serde::Serialize;

use crate::rate::{ARCSEC_PER_RAD, EARTH_RAD_PER_S};
use crate::setup::Setup;

/// A steady drift of the star on the sky.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Drift {
    /// In right ascension, on the sky (times cos(declination)), east positive, in arcsec/min.
    pub ra_arcsec_per_min: f64,
    /// In declination, north positive, in arcsec/min.
    pub dec_arcsec_per_min: f64,
}

/// The drift from a polar error in arcmin, at an hour angle (star minus axis) and a declination in
/// degrees. The equations stand at the head of this module.
///
/// ```
/// let drift = sky::drift::polar_drift(1.0, 90.0, 30.0);
/// assert!((drift.dec_arcsec_per_min + 0.262_516).abs() < 1e-6);
/// ```
pub fn polar_drift(polar_error_arcmin: f64, angle_deg: f64, declination_deg: f64) -> Drift {
    let error_rad = polar_error_arcmin * 60.0 / ARCSEC_PER_RAD;
    let per_min = EARTH_RAD_PER_S * 60.0 * error_rad * ARCSEC_PER_RAD;
    let angle = angle_deg.to_radians();
    Drift {
        ra_arcsec_per_min: -per_min * libm::sin(declination_deg.to_radians()) * libm::cos(angle),
        dec_arcsec_per_min: -per_min * libm::sin(angle),
    }
}

impl Setup {
    /// The drift of this setup: as measured where the setup gives it, else from the polar error.
    pub fn drift(&self) -> Drift {
        let mount = &self.mount;
        let polar = polar_drift(
            mount.polar_error_arcmin,
            mount.polar_error_angle_deg,
            self.target.declination_deg,
        );
        Drift {
            ra_arcsec_per_min: mount
                .ra_drift_arcsec_per_min
                .unwrap_or(polar.ra_arcsec_per_min),
            dec_arcsec_per_min: mount
                .dec_drift_arcsec_per_min
                .unwrap_or(polar.dec_arcsec_per_min),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Vector = [f64; 3];

    fn dot(a: Vector, b: Vector) -> f64 {
        a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    }

    fn cross(a: Vector, b: Vector) -> Vector {
        [
            a[1] * b[2] - a[2] * b[1],
            a[2] * b[0] - a[0] * b[2],
            a[0] * b[1] - a[1] * b[0],
        ]
    }

    /// Rotation by `angle` about the unit vector `axis` (Rodrigues' formula).
    fn turn(v: Vector, axis: Vector, angle: f64) -> Vector {
        let (sin, cos) = angle.sin_cos();
        let side = cross(axis, v);
        let along = dot(axis, v) * (1.0 - cos);
        [0, 1, 2].map(|i| v[i] * cos + side[i] * sin + axis[i] * along)
    }

    /// A worked example: 1 arcmin = 60 arcsec, turned at 7.292115e-5 rad/s for 60 s, is
    /// 60 * 7.292115e-5 * 60 = 0.26251614 arcsec.
    #[test]
    fn one_arcminute_drifts_a_quarter_of_an_arcsecond_a_minute() {
        let drift = polar_drift(1.0, -90.0, 0.0);
        assert!((drift.dec_arcsec_per_min - 0.262_516_14).abs() < 1e-12);
        assert!(drift.ra_arcsec_per_min.abs() < 1e-15);
    }

    /// Second derivation: star and telescope are turned about their own axes for ten seconds with
    /// full rotation matrices, and their separation is resolved along east and north. The formula
    /// is first order: terms of order e and of order w t are dropped, both under 1e-3 here.
    #[test]
    fn drift_agrees_with_rotating_star_and_telescope_about_their_axes() {
        let error_arcmin = 2.0;
        let error = (error_arcmin / 60.0_f64).to_radians();
        let pole = [0.0, 0.0, 1.0];
        // Displacement towards hour angle 0, the direction of x; hour angle runs westward, which
        // is clockwise about the pole.
        let axis = [error.sin(), 0.0, error.cos()];
        let seconds = 10.0;
        let angle = -EARTH_RAD_PER_S * seconds;
        for hour_angle in [-150.0_f64, -90.0, -40.0, 0.0, 25.0, 90.0, 170.0] {
            for declination in [-50.0_f64, 0.0, 30.0, 75.0] {
                let (h, d) = (hour_angle.to_radians(), declination.to_radians());
                let star = [d.cos() * h.cos(), -d.cos() * h.sin(), d.sin()];
                let moved = turn(star, pole, angle);
                let pointed = turn(star, axis, angle);
                let apart = [0, 1, 2].map(|i| moved[i] - pointed[i]);
                let east = [h.sin(), h.cos(), 0.0];
                let north = cross(star, east);
                let per_min = ARCSEC_PER_RAD * 60.0 / seconds;
                let drift = polar_drift(error_arcmin, hour_angle, declination);
                let ra = dot(apart, east) * per_min;
                let dec = dot(apart, north) * per_min;
                assert!(
                    (drift.ra_arcsec_per_min - ra).abs() < 1e-3,
                    "{drift:?} {ra}"
                );
                assert!(
                    (drift.dec_arcsec_per_min - dec).abs() < 1e-3,
                    "{drift:?} {dec}"
                );
            }
        }
    }

    #[test]
    fn a_measured_drift_takes_the_place_of_the_polar_error() {
        let mut setup = Setup::default();
        let polar = setup.drift();
        assert!((polar.dec_arcsec_per_min.abs() - 2.0 * 0.262_516_14).abs() < 1e-9);
        setup.mount.dec_drift_arcsec_per_min = Some(3.0);
        assert_eq!(setup.drift().dec_arcsec_per_min, 3.0);
        assert_eq!(setup.drift().ra_arcsec_per_min, polar.ra_arcsec_per_min);
    }
}
