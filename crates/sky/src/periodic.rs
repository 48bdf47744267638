//! The periodic error of the right ascension axis: a worm that turns unevenly.
//!
//! `error(t) = scale * sum over harmonics of share * sin(2 pi order t / worm_period + phase)`, in
//! arcsec on the axis; the scale makes the greatest minus the least value over one turn the
//! peak-to-peak value of the setup. On the sky it is multiplied by cos(declination).

use serde::Serialize;

use crate::setup::Mount;

/// Samples per cycle of the fastest harmonic when the extremes are sought; a parabola through the
/// three around each extreme leaves a relative error under 1e-5.
const SAMPLES_PER_CYCLE: u32 = 64;

/// A periodic error as a sum of sinusoids, on the axis.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PeriodicError {
    terms: Vec<PeriodicTerm>,
}

/// One sinusoid: `amplitude_arcsec * sin(rad_per_s * t + phase_rad)`.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct PeriodicTerm {
    /// Amplitude (half of peak to peak) in arcsec on the axis.
    pub amplitude_arcsec: f64,
    /// Angular frequency in rad/s.
    pub rad_per_s: f64,
    /// Phase at time 0 in rad.
    pub phase_rad: f64,
}

impl PeriodicError {
    /// The periodic error of a mount, scaled to its peak-to-peak value. A mount without one, or
    /// whose harmonics all have a share of 0, gives no terms.
    pub fn new(mount: &Mount) -> PeriodicError {
        let turn = std::f64::consts::TAU / mount.worm_period_s;
        let mut terms: Vec<PeriodicTerm> = mount
            .harmonics
            .iter()
            .filter(|harmonic| harmonic.share > 0.0)
            .map(|harmonic| PeriodicTerm {
                amplitude_arcsec: harmonic.share,
                rad_per_s: turn * f64::from(harmonic.order),
                phase_rad: harmonic.phase_deg.to_radians(),
            })
            .collect();
        let highest = mount.harmonics.iter().map(|h| h.order).max().unwrap_or(1);
        let unscaled = peak_to_peak(&terms, mount.worm_period_s, highest.clamp(1, 1_000));
        if unscaled > 0.0 && mount.periodic_error_arcsec > 0.0 {
            for term in &mut terms {
                term.amplitude_arcsec *= mount.periodic_error_arcsec / unscaled;
            }
        } else {
            terms.clear();
        }
        PeriodicError { terms }
    }

    /// The sinusoids.
    pub fn terms(&self) -> &[PeriodicTerm] {
        &self.terms
    }

    /// The error at a time in s, in arcsec on the axis.
    pub fn at(&self, time_s: f64) -> f64 {
        value(&self.terms, time_s)
    }

    /// The mean error from `start_s` over `length_s`, in arcsec on the axis: each sinusoid at the
    /// middle, times `sin(x)/x` with `x = rad_per_s * length_s / 2`.
    pub fn mean(&self, start_s: f64, length_s: f64) -> f64 {
        let middle = start_s + 0.5 * length_s;
        self.terms
            .iter()
            .map(|term| {
                let half_turn = 0.5 * term.rad_per_s * length_s;
                let share = if half_turn == 0.0 {
                    1.0
                } else {
                    libm::sin(half_turn) / half_turn
                };
                share * term.amplitude_arcsec * libm::sin(term.rad_per_s * middle + term.phase_rad)
            })
            .sum()
    }
}

fn value(terms: &[PeriodicTerm], time_s: f64) -> f64 {
    terms
        .iter()
        .map(|term| term.amplitude_arcsec * libm::sin(term.rad_per_s * time_s + term.phase_rad))
        .sum()
}

/// Greatest minus least value over one turn.
fn peak_to_peak(terms: &[PeriodicTerm], period_s: f64, highest_order: u32) -> f64 {
    let count = SAMPLES_PER_CYCLE * highest_order;
    let at = |index: i64| value(terms, period_s * index as f64 / f64::from(count));
    let (mut least, mut most) = (0.0_f64, 0.0_f64);
    let (mut before, mut here) = (at(-1), at(0));
    for index in 0..i64::from(count) {
        let after = at(index + 1);
        let curvature = before - 2.0 * here + after;
        let slope = 0.5 * (after - before);
        // The vertex of the parabola, where it lies between the neighbors.
        let vertex = if curvature != 0.0 && slope.abs() <= curvature.abs() {
            here - 0.5 * slope * slope / curvature
        } else {
            here
        };
        least = least.min(vertex);
        most = most.max(vertex);
        (before, here) = (here, after);
    }
    most - least
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::{Harmonic, Setup};

    #[test]
    fn one_harmonic_has_half_the_peak_to_peak_as_amplitude() {
        let mut mount = Setup::default().mount;
        mount.harmonics = vec![Harmonic {
            order: 1,
            share: 0.3,
            phase_deg: 0.0,
        }];
        let error = PeriodicError::new(&mount);
        // The parabola's relative error, see SAMPLES_PER_CYCLE.
        assert!((error.terms()[0].amplitude_arcsec - 10.0).abs() < 1e-4);
        assert!((error.at(mount.worm_period_s / 4.0) - 10.0).abs() < 1e-4);
    }

    /// Against the extremes of a hundred thousand samples, which come within 1e-7 of the true
    /// ones for harmonics this low.
    #[test]
    fn the_sum_of_harmonics_spans_the_peak_to_peak_value() {
        let mount = Setup::default().mount;
        let error = PeriodicError::new(&mount);
        let samples = (0..100_000).map(|i| error.at(mount.worm_period_s * f64::from(i) / 1e5));
        let (least, most) = samples.fold((0.0_f64, 0.0_f64), |(a, b), v| (a.min(v), b.max(v)));
        assert!((most - least - mount.periodic_error_arcsec).abs() < 1e-3);
    }

    /// Against Simpson's rule on 2000 panels of an interval over a third of a turn, exact to
    /// 1e-10 for harmonics this low.
    #[test]
    fn the_mean_is_the_integral_over_the_interval() {
        let error = PeriodicError::new(&Setup::default().mount);
        let (start, length, panels) = (77.0, 160.0, 2_000);
        let step = length / f64::from(panels);
        let sum: f64 = (0..=panels)
            .map(|i| {
                let weight = match i {
                    0 => 1.0,
                    i if i == panels => 1.0,
                    i if i % 2 == 1 => 4.0,
                    _ => 2.0,
                };
                weight * error.at(start + step * f64::from(i))
            })
            .sum();
        assert!((error.mean(start, length) - sum * step / 3.0 / length).abs() < 1e-9);
        assert_eq!(error.mean(start, 0.0), error.at(start));
    }

    #[test]
    fn a_mount_without_periodic_error_has_no_terms() {
        let mut mount = Setup::default().mount;
        mount.periodic_error_arcsec = 0.0;
        assert!(PeriodicError::new(&mount).terms().is_empty());
        assert_eq!(PeriodicError::new(&mount).at(3.0), 0.0);
    }
}
