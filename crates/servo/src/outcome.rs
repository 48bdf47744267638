//! What the loop does to the star: tracking error, star width and elongation in the long exposure,
//! spectrum, pulses, oscillation.
//!
//! A star is taken as Gaussian in its second moments: the covariance of the tracking error about
//! its mean is added to that of the undisturbed star, whose standard deviation is its width at
//! half maximum over 2 sqrt(2 ln 2). Major and minor width follow from the eigenvalues.

use crate::error::ServoError;
use crate::loop_sim::{AxisTrial, LoopCase, Scratch};
use crate::run::{PreparedLoop, TrialResult, Trials, in_lanes};
use crate::spectrum::{Spectrum, find_peak, mean_spectrum, periodogram};
use crate::stability::{
    LinearChain, LinearLoop, Margins, TYPICAL_MS, cycle_amplitude, cycle_by_describing_function,
    effective_gain_normal,
};
use serde::Serialize;
use stats::special::student_t_quantile;

/// Width at half maximum of a Gaussian over its standard deviation: 2 sqrt(2 ln 2).
pub const FWHM_PER_SD: f64 = sky::centroid::FWHM_PER_SD;

/// A loop whose gain may not even grow by half is too near its limit (common practice: a gain
/// margin of 2 or more is asked of a servo; Astrom & Murray 2021, section 10.3).
const NARROW_MARGIN: f64 = 1.5;

/// A mean over trials with its 95 % interval by Student's t.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// The mean.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

impl Estimate {
    /// From one value a trial.
    ///
    /// # Errors
    /// [`ServoError::TooFewTrials`] of less than 2 values.
    pub fn of(values: &[f64]) -> Result<Self, ServoError> {
        let n = values.len();
        if n < 2 {
            return Err(ServoError::TooFewTrials {
                found: n,
                needed: 2,
            });
        }
        let count = n as f64;
        let value = values.iter().sum::<f64>() / count;
        let square: f64 = values.iter().map(|v| (v - value) * (v - value)).sum();
        let half =
            student_t_quantile(0.975, count - 1.0) * libm::sqrt(square / (count - 1.0) / count);
        Ok(Self {
            value,
            low: value - half,
            high: value + half,
        })
    }

    fn map(self, f: impl Fn(f64) -> f64) -> Self {
        Self {
            value: f(self.value),
            low: f(self.low),
            high: f(self.high),
        }
    }

    /// The same in another unit, or with the other sign.
    pub fn scaled(&self, factor: f64) -> Self {
        let scaled = self.map(|v| factor * v);
        Self {
            value: scaled.value,
            low: scaled.low.min(scaled.high),
            high: scaled.low.max(scaled.high),
        }
    }

    /// Half the width of the interval.
    pub fn half_width(&self) -> f64 {
        0.5 * (self.high - self.low)
    }
}

/// The star of one long exposure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Star {
    /// Width at half maximum along the major axis in arcsec.
    pub major_arcsec: f64,
    /// Width at half maximum along the minor axis in arcsec.
    pub minor_arcsec: f64,
}

impl Star {
    /// From the undisturbed width in arcsec, the variances of both axes and their covariance in
    /// arcsec^2.
    pub fn new(fwhm_arcsec: f64, ra_variance: f64, dec_variance: f64, covariance: f64) -> Self {
        let middle = 0.5 * (ra_variance + dec_variance);
        let half = libm::hypot(0.5 * (ra_variance - dec_variance), covariance);
        let width = |variance: f64| {
            libm::sqrt(fwhm_arcsec * fwhm_arcsec + FWHM_PER_SD * FWHM_PER_SD * variance.max(0.0))
        };
        Self {
            major_arcsec: width(middle + half),
            minor_arcsec: width(middle - half),
        }
    }

    /// The width of the round star of the same area: sqrt(major * minor), in arcsec.
    pub fn fwhm_arcsec(&self) -> f64 {
        libm::sqrt(self.major_arcsec * self.minor_arcsec)
    }

    /// Major over minor width; 1 is round.
    pub fn elongation(&self) -> f64 {
        self.major_arcsec / self.minor_arcsec
    }

    /// The star of one trial.
    pub fn of(fwhm_arcsec: f64, trial: &TrialResult) -> Self {
        Self::new(
            fwhm_arcsec,
            trial.axes[0].variance(),
            trial.axes[1].variance(),
            trial.covariance,
        )
    }
}

/// The pulses of one axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PulseStatistics {
    /// Requests per minute.
    pub per_min: f64,
    /// Mean wanted width in ms; 0 without requests.
    pub mean_wanted_ms: f64,
    /// Mean width that resulted, of the requests that were not lost, in ms; 0 without any.
    pub mean_width_ms: f64,
    /// Share of the requests that were lost.
    pub lost: f64,
    /// Share of the requests that were cut to the longest width.
    pub clipped: f64,
    /// Share of the requests against the direction of the one before: one half is chance, near 1
    /// is chatter.
    pub reversals: f64,
}

/// A steady swing of the loop.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Oscillation {
    /// Period in s.
    pub period_s: f64,
    /// Share of the variance in the peak.
    pub share: f64,
    /// What most likely drives it, in plain words.
    pub cause: &'static str,
}

/// What the chain's mean width error makes of small corrections.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SmallCorrections {
    /// Mean width error at the mean wanted width, behind the trim, in ms; positive is too long.
    pub width_error_ms: f64,
    /// The same on the sky, in arcsec.
    pub width_error_arcsec: f64,
    /// The gain that is set.
    pub gain: f64,
    /// The gain that measured errors of the usual size meet.
    pub effective_gain: f64,
    /// Amplitude in arcsec of the swing that the error keeps up in a loop without noise; `None`
    /// where it keeps up none.
    pub cycle_arcsec: Option<f64>,
}

/// One axis over all trials.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AxisOutcome {
    /// Tracking RMS about the mean of the long exposure in arcsec: what blurs the star.
    pub rms_arcsec: Estimate,
    /// Tracking RMS about the wanted place in arcsec, with the steady lag.
    pub rms_from_zero_arcsec: Estimate,
    /// Mean error in arcsec: the lag.
    pub lag_arcsec: Estimate,
    /// The pulses.
    pub pulses: PulseStatistics,
    /// Spectrum of the frame means.
    pub spectrum: Spectrum,
    /// An oscillation, if there is one.
    pub oscillation: Option<Oscillation>,
    /// Margins of the linear loop at the chain's mean start delay.
    pub margins: Margins,
    /// What the width error makes of small corrections.
    pub small_corrections: SmallCorrections,
}

/// What a loop does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// Right ascension and declination.
    pub axes: [AxisOutcome; 2],
    /// Width of the star in arcsec: mean of `sqrt(major * minor)`.
    pub fwhm_arcsec: Estimate,
    /// Mean of major over minor width.
    pub elongation: Estimate,
    /// Width with perfect tracking in arcsec.
    pub undisturbed_fwhm_arcsec: f64,
    /// Trials that were run.
    pub trials: usize,
    /// Trials in which the star left the guide camera; they are left out of all numbers.
    pub star_lost: usize,
    /// What a reader must know about the chain.
    pub warnings: Vec<wire::Warning>,
}

/// The linear loop of an axis (0 right ascension, 1 declination) of a case, at the chain's mean
/// start delay, with what a longer pulse adds to the gain.
///
/// # Errors
/// [`ServoError`] for values without sense.
pub fn linear_loop(
    case: &LoopCase,
    prepared: &PreparedLoop,
    axis: usize,
) -> Result<LinearLoop, ServoError> {
    let axis = axis.min(1);
    let own = &prepared.axes[axis];
    LinearLoop::behind(
        own.law(),
        &case.timing,
        &LinearChain::new(own.chain(), axis),
    )
}

/// Refuses a loop that is unstable by its gain, its delay and the slope of its chain.
///
/// # Errors
/// [`ServoError::Unstable`] with the gain that is the limit, or a value's error.
pub fn check_stable(case: &LoopCase, prepared: &PreparedLoop) -> Result<[Margins; 2], ServoError> {
    let margins = |axis: usize| -> Result<Margins, ServoError> {
        let linear = linear_loop(case, prepared, axis)?;
        // No feedback is not unstable: the star drifts, and that is a finite answer.
        let margins = linear.margins();
        if margins.stable || linear.gain() == 0.0 {
            Ok(margins)
        } else {
            Err(ServoError::Unstable {
                axis: ["right ascension", "declination"][axis.min(1)],
                limit: linear.gain() * margins.gain_margin.unwrap_or(0.0),
            })
        }
    };
    Ok([margins(0)?, margins(1)?])
}

/// Simulates a case over `trials` long exposures.
///
/// # Errors
/// [`ServoError::Unstable`] for an unstable loop, [`ServoError::StarLost`] if fewer than two
/// trials keep the star, [`ServoError::TooFewTrials`], or a value's error.
pub fn outcome(case: &LoopCase, trials: &Trials) -> Result<Outcome, ServoError> {
    if trials.count < 2 {
        return Err(ServoError::TooFewTrials {
            found: trials.count,
            needed: 2,
        });
    }
    let prepared = PreparedLoop::new(case)?;
    let margins = check_stable(case, &prepared)?;
    let cadence = case.timing.cadence_s;
    let all = in_lanes(
        trials.count,
        trials.threads,
        <[Scratch; 2]>::default,
        |s, first| {
            let results = prepared.run(trials.seed, first, s);
            std::array::from_fn(|lane| {
                let spectrum = |axis: usize| periodogram(&s[axis].frame_errors[lane], cadence);
                (results[lane], [0, 1].map(spectrum))
            })
        },
    );
    let kept: Vec<&(TrialResult, [Spectrum; 2])> = all
        .iter()
        .filter(|(t, _)| !t.axes.iter().any(|a| a.star_lost))
        .collect();
    if kept.len() < 2 {
        return Err(ServoError::StarLost);
    }
    let stars: Vec<Star> = kept
        .iter()
        .map(|(t, _)| Star::of(case.star_fwhm_arcsec, t))
        .collect();
    let axis = |a: usize| -> Result<AxisOutcome, ServoError> {
        let results: Vec<AxisTrial> = kept.iter().map(|(t, _)| t.axes[a]).collect();
        let each = |f: &dyn Fn(&AxisTrial) -> f64| -> Vec<f64> { results.iter().map(f).collect() };
        let root = |e: Estimate| e.map(|v| libm::sqrt(v.max(0.0)));
        let spectrum = mean_spectrum(kept.iter().map(|(_, s)| &s[a]));
        let oscillation = find_peak(&spectrum, cadence).map(|(period_s, share)| Oscillation {
            period_s,
            share,
            cause: cause(case, a, &margins[a], trials),
        });
        let rms_from_zero_arcsec = root(Estimate::of(&each(&|t| t.mean_square))?);
        let pulses = pulse_statistics(&results, cadence);
        let small_corrections = small_corrections(
            case,
            &prepared,
            a,
            rms_from_zero_arcsec.value,
            pulses.mean_wanted_ms,
            &margins[a],
        );
        Ok(AxisOutcome {
            rms_arcsec: root(Estimate::of(&each(&|t| t.variance()))?),
            rms_from_zero_arcsec,
            lag_arcsec: Estimate::of(&each(&|t| t.mean))?,
            pulses,
            small_corrections,
            spectrum,
            oscillation,
            margins: margins[a],
        })
    };
    Ok(Outcome {
        axes: [axis(0)?, axis(1)?],
        fwhm_arcsec: Estimate::of(&stars.iter().map(Star::fwhm_arcsec).collect::<Vec<_>>())?,
        elongation: Estimate::of(&stars.iter().map(Star::elongation).collect::<Vec<_>>())?,
        undisturbed_fwhm_arcsec: case.star_fwhm_arcsec,
        trials: trials.count,
        star_lost: trials.count - kept.len(),
        warnings: case.chain.warnings(),
    })
}

/// The describing function of the mean width error, for a measured error of the usual size.
fn small_corrections(
    case: &LoopCase,
    prepared: &PreparedLoop,
    axis: usize,
    rms_arcsec: f64,
    mean_wanted_ms: f64,
    margins: &Margins,
) -> SmallCorrections {
    let own = &prepared.axes[axis];
    let wanted_ms = if mean_wanted_ms > 0.0 {
        mean_wanted_ms
    } else {
        TYPICAL_MS
    };
    let request_ms = own.chain().trim().request_ms(wanted_ms);
    let made_ms = request_ms + own.chain().mean(2 * axis, request_ms).error_ms;
    let width_error_ms = made_ms - wanted_ms;
    let error = 1e-3 * width_error_ms * case.axes[axis].rate_arcsec_per_s;
    let centroid = case.axes[axis].disturbances.centroid_noise_arcsec;
    let measured_sd =
        libm::sqrt(rms_arcsec * rms_arcsec + own.seeing_variance() + centroid * centroid);
    let gain = own.law().law().gain();
    let limit = margins.gain_margin.map_or(0.0, |m| m * gain);
    // A first-order loop without further delay goes unstable at a gain of 2, and its cycle is known
    // exactly.
    let first_order = matches!(own.law().law(), crate::law::Law::Proportional { .. })
        && (limit - 2.0).abs() < 1e-6;
    SmallCorrections {
        width_error_ms,
        width_error_arcsec: error,
        gain,
        effective_gain: if measured_sd > 0.0 {
            effective_gain_normal(gain, error, measured_sd)
        } else {
            gain
        },
        // An error that stays within the dead band is answered by nothing.
        cycle_arcsec: if first_order {
            cycle_amplitude(gain, error)
        } else {
            cycle_by_describing_function(gain, margins, error)
        }
        .filter(|amplitude| *amplitude >= case.axes[axis].control.dead_band_arcsec),
    }
}

fn pulse_statistics(results: &[AxisTrial], cadence_s: f64) -> PulseStatistics {
    let sum = |f: fn(&AxisTrial) -> f64| results.iter().map(f).sum::<f64>();
    let ratio = |a: f64, b: f64| if b > 0.0 { a / b } else { 0.0 };
    let requests = sum(|t| f64::from(t.requests));
    let lost = sum(|t| f64::from(t.lost));
    PulseStatistics {
        per_min: ratio(60.0 * requests, sum(|t| f64::from(t.frames)) * cadence_s),
        mean_wanted_ms: ratio(sum(|t| t.wanted_ms), requests),
        mean_width_ms: ratio(sum(|t| t.width_ms), requests - lost),
        lost: ratio(lost, requests),
        clipped: ratio(sum(|t| f64::from(t.clipped)), requests),
        reversals: ratio(sum(|t| f64::from(t.reversals)), requests),
    }
}

/// What drives an oscillation: what makes it go when it is taken away.
fn cause(case: &LoopCase, axis: usize, margins: &Margins, trials: &Trials) -> &'static str {
    if margins.gain_margin.is_some_and(|m| m < NARROW_MARGIN) {
        return "the gain is near the limit that the delay allows";
    }
    let swings = |changed: LoopCase| -> bool {
        let Ok(prepared) = PreparedLoop::new(&changed) else {
            return true;
        };
        // A few trials suffice: a peak of 30 % of the variance does not hide.
        let spectra = in_lanes(
            trials.count.min(16),
            trials.threads,
            Scratch::default,
            |s, first| {
                prepared.axes[axis].run(trials.seed, first, s);
                let spectrum = |errors: &Vec<f64>| periodogram(errors, changed.timing.cadence_s);
                s.frame_errors.each_ref().map(spectrum)
            },
        );
        find_peak(&mean_spectrum(spectra.iter()), changed.timing.cadence_s).is_some()
    };
    let mut straight = case.clone();
    straight.chain = crate::chain_model::Chain::perfect();
    if !swings(straight) {
        return "the width error of the chain";
    }
    let mut tight = case.clone();
    tight.axes[axis].backlash_arcsec = 0.0;
    if !swings(tight) {
        return "the backlash";
    }
    "a disturbance of that period, or noise that the gain amplifies"
}

#[cfg(test)]
#[path = "outcome_tests.rs"]
mod tests;
