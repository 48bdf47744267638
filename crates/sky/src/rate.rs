//! From milliseconds of a pulse to arcseconds of the star.
//!
//! While a pulse lasts, the axis turns at the guide rate on top of (or against) its tracking, so a
//! width error `e` turns it by `e * rate * SIDEREAL_ARCSEC_PER_S`. In right ascension the star
//! moves along its parallel, whose radius is `cos(declination)`.

use serde::Serialize;
use wire::Direction;

/// Arcseconds in a radian: 180 * 3600 / pi.
pub const ARCSEC_PER_RAD: f64 = 180.0 * 3600.0 / std::f64::consts::PI;

/// Nominal mean rotation of the Earth in rad/s (IERS Conventions 2010, table 1.2: 7.292115e-5).
pub const EARTH_RAD_PER_S: f64 = 7.292_115e-5;

/// The sidereal rate in arcsec/s, 15.041067: [`EARTH_RAD_PER_S`] in arcseconds.
pub const SIDEREAL_ARCSEC_PER_S: f64 = EARTH_RAD_PER_S * ARCSEC_PER_RAD;

/// An axis of an equatorial mount.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    /// Right ascension.
    Ra,
    /// Declination.
    Dec,
}

impl Axis {
    /// Both axes, in the order in which they are shown.
    pub const ALL: [Axis; 2] = [Axis::Ra, Axis::Dec];

    /// `ra` or `dec`.
    pub const fn name(self) -> &'static str {
        match self {
            Axis::Ra => "ra",
            Axis::Dec => "dec",
        }
    }

    /// The star's movement on the sky per movement of the axis: cos(declination) in right
    /// ascension, 1 in declination.
    pub fn projection(self, declination_deg: f64) -> f64 {
        match self {
            Axis::Ra => libm::cos(declination_deg.to_radians()).abs(),
            Axis::Dec => 1.0,
        }
    }
}

impl From<Direction> for Axis {
    fn from(direction: Direction) -> Axis {
        match direction {
            Direction::RaPlus | Direction::RaMinus => Axis::Ra,
            Direction::DecPlus | Direction::DecMinus => Axis::Dec,
        }
    }
}

/// What a width error is worth on the sky, in arcsec:
/// `error_ms / 1000 * rate * 15.041067 * projection`, with the projection of [`Axis::projection`].
///
/// `rate` is the guide rate as a fraction of sidereal. The sign of the error is kept.
///
/// ```
/// // 15 ms too long, at half the sidereal rate, on the equator: 0.11 arcsec.
/// let moved = sky::rate::arcsec_of_width_error(15.0, 0.5, 0.0, sky::Axis::Ra);
/// assert!((moved - 0.112_808).abs() < 1e-6);
/// ```
pub fn arcsec_of_width_error(error_ms: f64, rate: f64, declination_deg: f64, axis: Axis) -> f64 {
    error_ms * arcsec_per_ms(rate, declination_deg, axis)
}

/// What a millisecond of pulse moves the star, in arcsec on the sky.
pub fn arcsec_per_ms(rate: f64, declination_deg: f64, axis: Axis) -> f64 {
    rate * SIDEREAL_ARCSEC_PER_S * 1e-3 * axis.projection(declination_deg)
}

/// The pulse in ms that moves the star by `arcsec` on the sky; None where no pulse does: a rate of
/// zero, or right ascension at the pole.
pub fn ms_for_arcsec(arcsec: f64, rate: f64, declination_deg: f64, axis: Axis) -> Option<f64> {
    let per_ms = arcsec_per_ms(rate, declination_deg, axis);
    // cos(90 degrees) is 6e-17 in binary floating point, not 0.
    let moves = axis.projection(declination_deg) > 1e-9 && per_ms != 0.0;
    (moves && per_ms.is_finite()).then(|| arcsec / per_ms)
}

/// The shortest pulse that is worth its own width error, in ms: `sqrt(offset^2 + spread^2)`.
///
/// A needed pulse `w` that is not sent leaves an error of `w`; one that is sent leaves its width
/// error, in the mean square `offset^2 + spread^2`. Below the root of that sum the pulse does more
/// harm than good, even when the star's position is known without noise. `offset_ms` is the median
/// or mean width error, `spread_ms` its standard deviation or a robust estimate of it.
pub fn shortest_useful_ms(offset_ms: f64, spread_ms: f64) -> f64 {
    libm::hypot(offset_ms, spread_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The IERS rotation over a sidereal day is a turn: IERS Conventions 2010 gives 86164.0989 s
    /// (from memory: 86164.09890369732 s of mean solar time); the seven digits of the rate bound
    /// the agreement to 1e-7.
    #[test]
    fn the_sidereal_rate_turns_once_in_a_sidereal_day() {
        let turn = SIDEREAL_ARCSEC_PER_S * 86_164.098_903_697;
        assert!((turn / (360.0 * 3600.0) - 1.0).abs() < 1e-7, "{turn}");
        // The eight digits of the rounded figure.
        assert!((SIDEREAL_ARCSEC_PER_S - 15.041_067).abs() < 5e-7);
    }

    /// Worked by hand: at half the sidereal rate the axis turns 7.5205 arcsec/s, at declination 60
    /// the star moves half of that: 100 ms move 0.3760 arcsec.
    #[test]
    fn at_declination_sixty_a_pulse_moves_the_star_half_as_far() {
        let moved = arcsec_of_width_error(100.0, 0.5, 60.0, Axis::Ra);
        assert!((moved - 0.376_026_7).abs() < 1e-6, "{moved}");
        let moved = arcsec_of_width_error(100.0, 0.5, 60.0, Axis::Dec);
        assert!((moved - 0.752_053_35).abs() < 1e-6, "{moved}");
        // South is like north, and a pulse too short moves the other way.
        let south = arcsec_of_width_error(-100.0, 0.5, -60.0, Axis::Ra);
        assert!((south + 0.376_026_7).abs() < 1e-6, "{south}");
    }

    #[test]
    fn milliseconds_and_arcseconds_are_inverse() {
        for axis in Axis::ALL {
            for declination in [-85.0, -20.0, 0.0, 45.0, 89.0] {
                let moved = arcsec_of_width_error(123.0, 0.75, declination, axis);
                let back = ms_for_arcsec(moved, 0.75, declination, axis);
                assert!(back.is_some_and(|ms| (ms - 123.0).abs() < 1e-9));
            }
        }
    }

    #[test]
    fn no_pulse_moves_the_star_at_the_pole_or_without_a_rate() {
        assert_eq!(ms_for_arcsec(1.0, 0.5, 90.0, Axis::Ra), None);
        assert_eq!(ms_for_arcsec(1.0, 0.0, 0.0, Axis::Dec), None);
        assert_eq!(ms_for_arcsec(1.0, f64::NAN, 0.0, Axis::Dec), None);
        assert!(ms_for_arcsec(1.0, 0.5, 90.0, Axis::Dec).is_some());
    }

    /// Of a needed pulse, sent and not sent, the mean squares are compared by summing over a
    /// small made-up set of width errors.
    #[test]
    fn below_the_shortest_useful_pulse_sending_harms() {
        let errors = [9.0, 12.0, 14.0, 25.0];
        let mean = errors.iter().sum::<f64>() / 4.0;
        let variance = errors.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>() / 4.0;
        let shortest = shortest_useful_ms(mean, variance.sqrt());
        let sent = errors.iter().map(|e| e * e).sum::<f64>() / 4.0;
        for (needed, worth) in [(shortest * 0.99, false), (shortest * 1.01, true)] {
            assert_eq!(sent < needed * needed, worth);
        }
    }
}
