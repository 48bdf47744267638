//! What a measured width error is worth on the sky: arcseconds and pixels on each axis.
//!
//! Each width error is multiplied by the guide rate, the sidereal rate and the axis's projection
//! ([`crate::rate::arcsec_per_ms`]), and divided by the image scales ([`crate::Telescope`]).

use serde::Serialize;

use crate::optics::pixels;
use crate::rate::{Axis, arcsec_of_width_error, arcsec_per_ms, shortest_useful_ms};
use crate::setup::Setup;

/// Declinations of the table in degrees; the effect is the same north and south.
pub const TABLE_DECLINATIONS_DEG: [f64; 8] = [0.0, 15.0, 30.0, 45.0, 60.0, 70.0, 80.0, 85.0];

/// The normal distribution's interquartile range per standard deviation: twice the quantile of
/// 3/4, 2 x 0.674490.
const QUARTILES_PER_SD: f64 = 1.348_979_500_392_163_5;

/// What was measured of the width error on one axis.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct WidthErrors {
    /// The axis.
    pub axis: Axis,
    /// Median width error in ms, positive is too long.
    pub median_ms: f64,
    /// Quantiles as pairs of probability and width error in ms, in rising order. Those of 1/4 and
    /// 3/4 give the spread, where both are there.
    pub quantiles: Vec<(f64, f64)>,
}

/// The effect of a chain's width error on the sky of one setup.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SkyEffect {
    /// Declination of the setup's target in degrees.
    pub declination_deg: f64,
    /// Image scale of the guide camera in arcsec per pixel.
    pub guide_arcsec_per_px: f64,
    /// Image scale of the imaging camera in arcsec per pixel.
    pub imaging_arcsec_per_px: f64,
    /// The effect on each axis, in the order of the input.
    pub axes: Vec<AxisEffect>,
}

/// The effect on one axis.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct AxisEffect {
    /// The axis.
    pub axis: Axis,
    /// Guide rate as a fraction of sidereal.
    pub rate: f64,
    /// What a millisecond of pulse moves the star at the target's declination, in arcsec.
    pub arcsec_per_ms: f64,
    /// The median width error.
    pub median: Moved,
    /// The quantiles of the width error.
    pub quantiles: Vec<QuantileMoved>,
    /// Below this width a pulse harms more than it helps
    /// ([`crate::rate::shortest_useful_ms`]); None without the quantiles of 1/4 and 3/4.
    pub shortest_useful: Option<Moved>,
    /// The median width error at other declinations.
    pub table: Vec<DeclinationRow>,
}

/// A width error with what it moves the star.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Moved {
    /// The width in ms.
    pub ms: f64,
    /// The movement on the sky in arcsec.
    pub arcsec: f64,
    /// The movement in pixels of the guide camera.
    pub guide_px: f64,
    /// The movement in pixels of the imaging camera.
    pub imaging_px: f64,
}

/// A quantile of the width error with what it moves the star.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct QuantileMoved {
    /// Probability of the quantile, from 0 to 1.
    pub probability: f64,
    /// The movement.
    pub moved: Moved,
}

/// The median width error at one declination.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct DeclinationRow {
    /// Declination in degrees, north or south.
    pub declination_deg: f64,
    /// The movement.
    pub median: Moved,
}

impl SkyEffect {
    /// The effect of measured width errors under a setup. Numbers that are not finite pass
    /// through as they are.
    pub fn new(errors: &[WidthErrors], setup: &Setup) -> SkyEffect {
        let declination_deg = setup.target.declination_deg;
        let axes = errors
            .iter()
            .map(|errors| {
                let axis = errors.axis;
                let moved = |ms: f64| moved(ms, axis, declination_deg, setup);
                AxisEffect {
                    axis,
                    rate: setup.rate(axis),
                    arcsec_per_ms: arcsec_per_ms(setup.rate(axis), declination_deg, axis),
                    median: moved(errors.median_ms),
                    quantiles: errors
                        .quantiles
                        .iter()
                        .map(|&(probability, ms)| QuantileMoved {
                            probability,
                            moved: moved(ms),
                        })
                        .collect(),
                    shortest_useful: errors
                        .spread_ms()
                        .map(|spread| moved(shortest_useful_ms(errors.median_ms, spread))),
                    table: TABLE_DECLINATIONS_DEG
                        .iter()
                        .map(|&declination_deg| DeclinationRow {
                            declination_deg,
                            median: self::moved(errors.median_ms, axis, declination_deg, setup),
                        })
                        .collect(),
                }
            })
            .collect();
        SkyEffect {
            declination_deg,
            guide_arcsec_per_px: setup.guide_scope.arcsec_per_px(),
            imaging_arcsec_per_px: setup.imaging_scope.arcsec_per_px(),
            axes,
        }
    }
}

impl WidthErrors {
    /// The spread in ms: the range of the quartiles over that of a standard normal, so that a few
    /// stragglers do not count; None unless both quartiles are given.
    pub fn spread_ms(&self) -> Option<f64> {
        let quartile = |probability: f64| {
            self.quantiles
                .iter()
                .find(|(p, _)| *p == probability)
                .map(|&(_, ms)| ms)
        };
        Some((quartile(0.75)? - quartile(0.25)?) / QUARTILES_PER_SD)
    }
}

impl Setup {
    /// The guide rate of an axis as a fraction of sidereal.
    pub fn rate(&self, axis: Axis) -> f64 {
        match axis {
            Axis::Ra => self.mount.ra_rate,
            Axis::Dec => self.mount.dec_rate,
        }
    }

    /// Backlash in declination in arcsec: the pulse that takes it up, at the guide rate.
    pub fn dec_backlash_arcsec(&self) -> f64 {
        arcsec_of_width_error(
            self.mount.dec_backlash_ms,
            self.mount.dec_rate,
            self.target.declination_deg,
            Axis::Dec,
        )
    }
}

fn moved(ms: f64, axis: Axis, declination_deg: f64, setup: &Setup) -> Moved {
    let arcsec = arcsec_of_width_error(ms, setup.rate(axis), declination_deg, axis);
    Moved {
        ms,
        arcsec,
        guide_px: pixels(arcsec, setup.guide_scope.arcsec_per_px()),
        imaging_px: pixels(arcsec, setup.imaging_scope.arcsec_per_px()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn errors(axis: Axis) -> WidthErrors {
        WidthErrors {
            axis,
            median_ms: 12.0,
            quantiles: vec![(0.25, 10.0), (0.75, 16.0), (0.99, 45.0)],
        }
    }

    /// A worked example: 12 ms at half the sidereal rate are 12e-3 * 0.5 * 15.041067 = 0.0902464
    /// arcsec in declination, 0.0781557 (times cos 30) in right ascension; a pixel of 3.8 um
    /// behind 700 mm is 1.1197232 arcsec.
    #[test]
    fn the_effect_is_rate_times_projection_over_scale() {
        let effect = SkyEffect::new(&[errors(Axis::Ra), errors(Axis::Dec)], &Setup::default());
        let (ra, dec) = (&effect.axes[0], &effect.axes[1]);
        assert!((dec.median.arcsec - 0.090_246_4).abs() < 1e-7);
        assert!((ra.median.arcsec - 0.078_155_7).abs() < 1e-7);
        assert!((effect.imaging_arcsec_per_px - 1.119_723_2).abs() < 1e-6);
        assert!((ra.median.imaging_px - 0.078_155_7 / 1.119_723_2).abs() < 1e-6);
        assert_eq!(ra.quantiles.len(), 3);
        assert_eq!(ra.quantiles[2].probability, 0.99);
        assert!((ra.quantiles[2].moved.arcsec - 45.0 * ra.arcsec_per_ms).abs() < 1e-12);
    }

    #[test]
    fn the_table_falls_with_the_cosine_in_right_ascension_and_is_flat_in_declination() {
        let effect = SkyEffect::new(&[errors(Axis::Ra), errors(Axis::Dec)], &Setup::default());
        for (ra, dec) in effect.axes[0].table.iter().zip(&effect.axes[1].table) {
            let cosine = ra.declination_deg.to_radians().cos();
            assert!((ra.median.arcsec - dec.median.arcsec * cosine).abs() < 1e-12);
            assert!((dec.median.arcsec - effect.axes[1].median.arcsec).abs() < 1e-12);
        }
    }

    /// 6 ms between the quartiles are 6 / 1.348980 = 4.44781 ms; sqrt(12^2 + 4.44781^2) =
    /// 12.79777 ms. The ratio is checked against the quantile function of the statistics room.
    #[test]
    fn the_shortest_useful_pulse_joins_offset_and_spread() {
        let three_quarters = stats::special::normal_quantile(0.75);
        assert!((QUARTILES_PER_SD - 2.0 * three_quarters).abs() < 1e-14);
        let effect = SkyEffect::new(&[errors(Axis::Dec)], &Setup::default());
        let shortest = effect.axes[0].shortest_useful.map(|moved| moved.ms);
        assert!(shortest.is_some_and(|ms| (ms - 12.797_77).abs() < 1e-5));
        let mut bare = errors(Axis::Dec);
        bare.quantiles.clear();
        let effect = SkyEffect::new(&[bare], &Setup::default());
        assert_eq!(effect.axes[0].shortest_useful, None);
    }

    #[test]
    fn the_effect_serialises_with_units_in_its_names() {
        let effect = SkyEffect::new(&[errors(Axis::Ra)], &Setup::default());
        let json = serde_json::to_value(&effect).expect("numbers and names serialise");
        assert_eq!(json["axes"][0]["axis"], "ra");
        assert!(json["axes"][0]["median"]["imaging_px"].is_number());
    }

    /// 200 ms at half of 15.041067 arcsec/s.
    #[test]
    fn backlash_in_arcseconds_is_what_its_pulse_would_move() {
        assert!((Setup::default().dec_backlash_arcsec() - 1.504_106_7).abs() < 1e-6);
    }
}
