//! Which cause takes which share of the tracking error: each is switched off in turn, with common
//! random numbers, so that a small share is not drowned in the spread of the trials.

use crate::chain_model::{Chain, ChainModel};
use crate::disturbance::Periodic;
use crate::error::ServoError;
use crate::loop_sim::LoopCase;
use crate::outcome::{Estimate, Star, check_stable};
use crate::run::{PreparedLoop, TrialResult, Trials};
use serde::Serialize;

/// What can be switched off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Drift.
    Drift,
    /// Periodic error.
    PeriodicError,
    /// Slow gear noise.
    GearNoise,
    /// Gusts.
    Gusts,
    /// The guide star's motion by the seeing, which the loop chases.
    Seeing,
    /// Noise of the centroid.
    CentroidNoise,
    /// Backlash in declination.
    Backlash,
    /// Width error, start delay and lost pulses of the chain, with the trim against them.
    Chain,
    /// Dead band and shortest width.
    DeadBand,
}

impl Cause {
    /// All causes, in the order in which they are shown.
    pub const ALL: [Cause; 9] = [
        Cause::Drift,
        Cause::PeriodicError,
        Cause::GearNoise,
        Cause::Gusts,
        Cause::Seeing,
        Cause::CentroidNoise,
        Cause::Backlash,
        Cause::Chain,
        Cause::DeadBand,
    ];

    /// The cause in plain words.
    pub fn name(self) -> &'static str {
        match self {
            Cause::Drift => "drift",
            Cause::PeriodicError => "periodic error",
            Cause::GearNoise => "gear noise",
            Cause::Gusts => "gusts",
            Cause::Seeing => "seeing in the guide camera",
            Cause::CentroidNoise => "centroid noise",
            Cause::Backlash => "backlash",
            Cause::Chain => "the chain",
            Cause::DeadBand => "dead band and shortest width",
        }
    }

    /// The case without this cause.
    pub fn switched_off(self, case: &LoopCase) -> LoopCase {
        let mut case = case.clone();
        for axis in &mut case.axes {
            let d = &mut axis.disturbances;
            match self {
                Cause::Drift => d.drift_arcsec_per_s = 0.0,
                Cause::PeriodicError => {
                    d.periodic = Periodic {
                        waves: Vec::new(),
                        ..d.periodic.clone()
                    }
                }
                Cause::GearNoise => d.gear.sd_arcsec = 0.0,
                Cause::Gusts => d.gusts.per_s = 0.0,
                Cause::Seeing => d.seeing.clear(),
                Cause::CentroidNoise => d.centroid_noise_arcsec = 0.0,
                Cause::Backlash => axis.backlash_arcsec = 0.0,
                Cause::Chain => {}
                Cause::DeadBand => {
                    axis.control.dead_band_arcsec = 0.0;
                    axis.control.shortest_ms = 0.0;
                }
            }
        }
        if self == Cause::Chain {
            case.chain = Chain::perfect();
        }
        case
    }

    /// Whether the case has this cause at all.
    fn is_present(self, case: &LoopCase) -> bool {
        if self == Cause::Chain {
            return case.chain.model != ChainModel::Perfect || !case.chain.missing.is_empty();
        }
        self.switched_off(case) != *case
    }
}

/// The share of one cause.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CauseShare {
    /// The cause.
    pub cause: Cause,
    /// For right ascension and declination: the drop of the tracking variance when the cause is
    /// switched off, as a share of the variance with all on. Negative where the cause helps.
    pub variance_share: [Estimate; 2],
    /// Drop of the star's width in arcsec when the cause is switched off.
    pub fwhm_arcsec: Estimate,
}

/// The shares of all causes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CauseBudget {
    /// One row a cause that is present.
    pub causes: Vec<CauseShare>,
    /// For each axis: 1 minus the sum of the shares. Positive: causes that only hurt together or
    /// stay when any one is gone; negative: causes that each take the same error away.
    pub interaction: [f64; 2],
}

/// Switches off each cause in turn. `progress` is called with the share done, from 0 to 1.
///
/// # Errors
/// [`ServoError::Unstable`] for an unstable loop, [`ServoError::StarLost`] if fewer than two
/// trials keep the star in every case, [`ServoError::TooFewTrials`], or a value's error.
pub fn cause_budget(
    case: &LoopCase,
    trials: &Trials,
    progress: &dyn Fn(f64),
) -> Result<CauseBudget, ServoError> {
    let prepared = PreparedLoop::new(case)?;
    check_stable(case, &prepared)?;
    let all = prepared.run_all(trials);
    let mut causes = Vec::new();
    let present = Cause::ALL.into_iter().filter(|c| c.is_present(case));
    for (done, cause) in present.enumerate() {
        progress((done + 1) as f64 / (Cause::ALL.len() + 1) as f64);
        let without = PreparedLoop::new(&cause.switched_off(case))?.run_all(trials);
        let pairs: Vec<(&TrialResult, &TrialResult)> = all
            .iter()
            .zip(&without)
            .filter(|(a, b)| !a.axes.iter().chain(&b.axes).any(|t| t.star_lost))
            .collect();
        if pairs.len() < 2 {
            return Err(ServoError::StarLost);
        }
        let share = |axis: usize| -> Result<Estimate, ServoError> {
            let mean = pairs
                .iter()
                .map(|(a, _)| a.axes[axis].variance())
                .sum::<f64>()
                / pairs.len() as f64;
            let drops: Vec<f64> = pairs
                .iter()
                .map(|(a, b)| {
                    let drop = a.axes[axis].variance() - b.axes[axis].variance();
                    if mean > 0.0 { drop / mean } else { 0.0 }
                })
                .collect();
            Estimate::of(&drops)
        };
        let widths: Vec<f64> = pairs
            .iter()
            .map(|(a, b)| {
                Star::of(case.star_fwhm_arcsec, a).fwhm_arcsec()
                    - Star::of(case.star_fwhm_arcsec, b).fwhm_arcsec()
            })
            .collect();
        causes.push(CauseShare {
            cause,
            variance_share: [share(0)?, share(1)?],
            fwhm_arcsec: Estimate::of(&widths)?,
        });
    }
    let interaction = [0, 1].map(|axis| {
        1.0 - causes
            .iter()
            .map(|c| c.variance_share[axis].value)
            .sum::<f64>()
    });
    Ok(CauseBudget {
        causes,
        interaction,
    })
}
