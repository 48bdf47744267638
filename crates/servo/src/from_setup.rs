//! The loop that a setup describes.

use crate::chain_model::Chain;
use crate::disturbance::{Correlated, Disturbances, Gusts, Periodic, SeeingStep, Wave};
use crate::error::ServoError;
use crate::law::{Law, Predictor};
use crate::loop_sim::{AxisLoop, Control, LoopCase, Timing};
use sky::{Atmosphere, Axis, PeriodicError, SeeingFilter, Setup};

/// The loop runs at least this many frames and seconds before the long exposure starts; with the
/// predictor also one turn of the worm. A loop of gain 0.1 has then forgotten all but 0.9^30 = 4 %
/// of its start.
const WARM_FRAMES: f64 = 30.0;
const WARM_S: f64 = 60.0;

/// What the predictor expects of drift and worm beyond the setup's numbers; common practice, no
/// source. Random walk of the drift in arcsec/s per sqrt(s):
const RATE_WALK: f64 = 2e-4;
/// Random walk of each harmonic as a share of the worm's amplitude per sqrt(s).
const HARMONIC_WALK: f64 = 1e-3;
/// Unknown drift at the start in arcsec/s.
const RATE_PRIOR: f64 = 0.05;
/// Random walk of the position in arcsec per sqrt(s) that is left when the gear is perfect.
const LEAST_WALK: f64 = 0.02;

impl LoopCase {
    /// The loop of a setup, with a chain. Quantities of the right ascension axis are taken to the
    /// sky by cos(declination). Seeing is the ladder of processes of [`SeeingFilter`]; the periodic
    /// error starts anywhere in the worm's turn. The star's undisturbed width is that of the
    /// imaging telescope.
    ///
    /// # Errors
    /// [`ServoError`] for a guide rate that moves no star (also right ascension at the pole), an
    /// exposure that does not fit the cadence, or other values without sense.
    pub fn from_setup(setup: &Setup, chain: &Chain) -> Result<LoopCase, ServoError> {
        let control = &setup.control;
        let timing = Timing {
            exposure_s: setup.camera.exposure_s,
            readout_s: setup.camera.readout_s,
            cadence_s: control.cadence_s,
        };
        timing.check()?;
        let axis = |axis: Axis| {
            let per_ms = 1e-3 * rate_arcsec_per_s(setup, axis);
            AxisLoop {
                rate_arcsec_per_s: 1e3 * per_ms,
                backlash_arcsec: match axis {
                    Axis::Ra => 0.0,
                    Axis::Dec => per_ms * setup.mount.dec_backlash_ms,
                },
                control: Control {
                    law: Law::Proportional { gain: 0.0 },
                    dead_band_arcsec: 0.0,
                    shortest_ms: 0.0,
                    longest_ms: control.longest_ms,
                },
                disturbances: disturbances(setup, axis),
            }
        };
        let mut case = LoopCase {
            axes: [axis(Axis::Ra), axis(Axis::Dec)],
            timing,
            chain: chain.clone(),
            warm_up_s: 0.0,
            span_s: setup.imaging.exposure_s,
            star_fwhm_arcsec: setup.imaging_star_fwhm_arcsec(),
        };
        case.apply(setup)?;
        Ok(case)
    }

    /// Takes over cadence, law, gains and limits of a setup, and the warm-up that they need; the
    /// disturbances stay, so that the exposure must be the same.
    ///
    /// # Errors
    /// [`ServoError`] for an exposure that does not fit the cadence.
    pub(crate) fn apply(&mut self, setup: &Setup) -> Result<(), ServoError> {
        let control = &setup.control;
        self.timing.cadence_s = control.cadence_s;
        self.timing.check()?;
        for (axis, gain) in self
            .axes
            .iter_mut()
            .zip([control.ra_gain, control.dec_gain])
        {
            axis.control = Control {
                law: law(setup, &axis.disturbances, &self.timing, gain)?,
                dead_band_arcsec: control.dead_band_arcsec,
                shortest_ms: control.shortest_ms,
                longest_ms: control.longest_ms,
            };
        }
        self.warm_up_s = WARM_S.max(WARM_FRAMES * control.cadence_s);
        if control.law == sky::Law::Predictor {
            self.warm_up_s = self.warm_up_s.max(setup.mount.worm_period_s);
        }
        Ok(())
    }
}

/// Speed of the star during a pulse, on the sky; 0 in right ascension at the pole.
fn rate_arcsec_per_s(setup: &Setup, axis: Axis) -> f64 {
    let rate = match axis {
        Axis::Ra => setup.mount.ra_rate,
        Axis::Dec => setup.mount.dec_rate,
    };
    let declination = setup.target.declination_deg;
    // cos(90 degrees) is 6e-17 in binary floating point, not 0.
    if axis.projection(declination) > 1e-9 {
        1e3 * sky::rate::arcsec_per_ms(rate, declination, axis)
    } else {
        0.0
    }
}

/// What disturbs one axis, on the sky.
fn disturbances(setup: &Setup, axis: Axis) -> Disturbances {
    let mount = &setup.mount;
    let projection = axis.projection(setup.target.declination_deg);
    let drift = setup.drift();
    let motion = Atmosphere::new(&setup.sky).motion(setup.guide_scope.aperture_mm);
    let seeing = SeeingFilter::for_means(&motion, setup.camera.exposure_s);
    let turn = std::f64::consts::TAU / mount.worm_period_s;
    let (drift_arcsec_per_min, waves, gear_noise) = match axis {
        Axis::Ra => (
            drift.ra_arcsec_per_min,
            PeriodicError::new(mount)
                .terms()
                .iter()
                .map(|term| Wave {
                    order: (term.rad_per_s / turn).round() as u32,
                    amplitude_arcsec: projection * term.amplitude_arcsec,
                    phase_rad: term.phase_rad,
                })
                .collect(),
            projection * mount.ra_gear_noise_arcsec,
        ),
        Axis::Dec => (
            drift.dec_arcsec_per_min,
            Vec::new(),
            mount.dec_gear_noise_arcsec,
        ),
    };
    Disturbances {
        drift_arcsec_per_s: drift_arcsec_per_min / 60.0,
        periodic: Periodic {
            period_s: mount.worm_period_s,
            waves,
            random_start: true,
        },
        gear: Correlated {
            sd_arcsec: gear_noise,
            time_s: mount.gear_noise_time_s,
        },
        gusts: Gusts {
            per_s: mount.gusts_per_hour / 3600.0,
            size_arcsec: mount.gust_size_arcsec,
            decay_s: mount.gust_decay_s,
        },
        seeing: seeing
            .rungs()
            .map(|rung| Correlated {
                sd_arcsec: libm::sqrt(rung.variance),
                time_s: rung.time_s,
            })
            .collect(),
        centroid_noise_arcsec: setup.centroid_noise_arcsec(),
    }
}

fn law(
    setup: &Setup,
    disturbances: &Disturbances,
    timing: &Timing,
    gain: f64,
) -> Result<Law, ServoError> {
    let control = &setup.control;
    Ok(match control.law {
        sky::Law::Proportional => Law::Proportional { gain },
        sky::Law::Memory => Law::Memory {
            gain,
            memory: control.memory,
        },
        sky::Law::Integral => Law::Integral {
            gain,
            integral_gain: control.integral_gain,
        },
        sky::Law::Predictor => Law::Predictor(predictor(
            disturbances,
            timing,
            gain,
            control.predictor_harmonics,
        )?),
    })
}

/// A predictor whose noises are those of the disturbances: measurement noise from seeing and
/// centroid, random walk of the position from the gear noise's short-time growth
/// `2 sd^2 / correlation time`.
///
/// # Errors
/// [`ServoError`] for a timing or disturbances without sense.
pub fn predictor(
    disturbances: &Disturbances,
    timing: &Timing,
    gain: f64,
    harmonics: u32,
) -> Result<Predictor, ServoError> {
    let seeing = SeeingStep::new(&disturbances.seeing, timing.exposure_s, timing.cadence_s)?;
    let noise = seeing.frame_variance()
        + disturbances.centroid_noise_arcsec * disturbances.centroid_noise_arcsec;
    let gear = &disturbances.gear;
    let walk = 2.0 * gear.sd_arcsec * gear.sd_arcsec / gear.time_s;
    let worm: f64 = disturbances
        .periodic
        .waves
        .iter()
        .map(|w| w.amplitude_arcsec.abs())
        .sum();
    Ok(Predictor {
        gain,
        period_s: disturbances.periodic.period_s,
        // Without a worm there is nothing to learn.
        harmonics: if worm > 0.0 { harmonics } else { 0 },
        measurement_noise_arcsec: libm::sqrt(noise).max(1e-3),
        position_walk: libm::sqrt(walk + LEAST_WALK * LEAST_WALK),
        rate_walk: RATE_WALK,
        harmonic_walk: HARMONIC_WALK * worm,
        rate_prior: RATE_PRIOR,
        harmonic_prior: worm,
    })
}
