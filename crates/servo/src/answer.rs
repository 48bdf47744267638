//! What an outcome and a tuning say, each in one plain sentence or two.

use crate::outcome::{Estimate, Outcome};
use crate::search::{Goal, Settings};
use crate::tune::{GoodRange, Tuned};
use chain::Rounded;
use sky::Law;

/// The digits that an interval allows, to a thousandth at most: finer than that nobody sees.
pub(crate) fn rounding(e: &Estimate) -> Rounded {
    Rounded::to_uncertainty(e.half_width().max(1e-3))
}

/// `2.95 (95 % interval 2.93 to 2.97)`, with the digits that the interval allows.
pub(crate) fn with_interval(e: &Estimate) -> String {
    let round = rounding(e);
    format!(
        "{} (95 % interval {})",
        round.ms(e.value),
        round.interval([e.low, e.high])
    )
}

/// A share as `3.2 % (95 % interval 3.0 to 3.4 %)`.
pub(crate) fn percent_with_interval(e: &Estimate) -> String {
    let percent = e.scaled(100.0);
    let round = Rounded::to_uncertainty(percent.half_width().max(0.01));
    format!(
        "{} % (95 % interval {} %)",
        round.ms(percent.value),
        round.interval([percent.low, percent.high])
    )
}

/// The settings that a tuning or a verdict changes, in words.
pub(crate) fn settings(s: &Settings) -> String {
    let c = &s.control;
    format!(
        "gain {:.2} in right ascension and {:.2} in declination, dead band {:.2} arcsec, shortest pulse {:.0} ms",
        c.ra_gain, c.dec_gain, c.dead_band_arcsec, c.shortest_ms
    )
}

const AXES: [&str; 2] = ["right ascension", "declination"];

impl Outcome {
    /// The star, the tracking, and a swing where there is one.
    pub fn answer(&self) -> String {
        let rms = |axis: usize| {
            let e = &self.axes[axis].rms_arcsec;
            rounding(e).ms(e.value)
        };
        let elongation = rounding(&self.elongation);
        let mut text = format!(
            "The star comes out {} arcsec wide, where perfect tracking would give {}, and {} times as long as wide; tracking RMS {} arcsec in right ascension and {} in declination.",
            with_interval(&self.fwhm_arcsec),
            Rounded::to_uncertainty(self.fwhm_arcsec.half_width()).ms(self.undisturbed_fwhm_arcsec),
            elongation.ms(self.elongation.value),
            rms(0),
            rms(1)
        );
        for (axis, name) in self.axes.iter().zip(AXES) {
            if let Some(swing) = &axis.oscillation {
                text += &format!(
                    " The loop swings in {name} with a period of {} s: {}.",
                    chain::significant(swing.period_s),
                    swing.cause
                );
            }
        }
        text
    }
}

impl Goal {
    /// The goal with its unit, in words.
    pub fn words(self) -> &'static str {
        match self {
            Goal::Fwhm => "the star's width in arcsec",
            Goal::Rms => "the tracking RMS of both axes in arcsec",
            Goal::Elongation => "the star's elongation",
        }
    }
}

/// `8 skies and mounts about this one`.
fn skies(n: usize) -> String {
    match n {
        1 => "this sky and mount".to_owned(),
        n => format!("{n} skies and mounts, this one and others about it"),
    }
}

impl Tuned {
    /// What to set, what it gains and how flat the optimum is.
    pub fn answer(&self) -> String {
        let best = &self.best;
        let law = match best.control.law {
            Law::Proportional => "proportional law".to_owned(),
            Law::Memory => format!("law with a memory of {:.2}", best.control.memory),
            Law::Integral => {
                format!(
                    "law with an integral gain of {:.3}",
                    best.control.integral_gain
                )
            }
            Law::Predictor => format!(
                "predictor of {}",
                chain::plural(u64::from(best.control.predictor_harmonics), "harmonic")
            ),
        };
        let round = rounding(&self.best_value);
        let effect = match (&self.present_value, &self.improvement) {
            (Some(present), Some(gain)) if gain.low > 0.0 => format!(
                "{} falls from {} to {}, by {}, on average over {}",
                self.goal.words(),
                round.ms(present.value),
                round.ms(self.best_value.value),
                with_interval(gain),
                skies(self.skies)
            ),
            (Some(present), Some(_)) => format!(
                "but the present settings are as good: {} is {} with them and {} with these",
                self.goal.words(),
                round.ms(present.value),
                round.ms(self.best_value.value)
            ),
            _ => format!(
                "{} is then {}; the present settings are unstable or lose the star",
                self.goal.words(),
                round.ms(self.best_value.value)
            ),
        };
        format!(
            "Set {}, exposure {} s, cadence {} s, {law}: {effect}. {}",
            settings(best),
            chain::significant(best.exposure_s),
            chain::significant(best.control.cadence_s),
            self.flat()
        )
    }

    /// How flat the optimum is.
    fn flat(&self) -> String {
        let range = |setting: &str| {
            let find = |r: &&GoodRange| r.setting == setting;
            self.ranges
                .iter()
                .find(find)
                .map_or_else(String::new, |r| format!("{:.2} to {:.2}", r.low, r.high))
        };
        format!(
            "Gains of {} in right ascension and {} in declination are as good within the noise.",
            range("ra_gain"),
            range("dec_gain")
        )
    }
}
