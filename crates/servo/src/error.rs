//! The one error type of this crate.

/// Why a loop can't be simulated or judged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ServoError {
    /// A value is out of the range in which the loop has a meaning.
    #[error("{name} is {found}; {expected}")]
    BadValue {
        /// The value's name with its unit.
        name: &'static str,
        /// What was found.
        found: f64,
        /// What is expected instead, and the way out.
        expected: &'static str,
    },
    /// The exposure and the read-out do not fit between two frames.
    #[error(
        "exposure {exposure_s} s plus read-out {readout_s} s is longer than the cadence {cadence_s} s; lengthen the cadence or shorten the exposure"
    )]
    CadenceTooShort {
        /// Length of a guide exposure in s.
        exposure_s: f64,
        /// From the end of the exposure to the decision in s.
        readout_s: f64,
        /// From frame to frame in s.
        cadence_s: f64,
    },
    /// A measured chain without a single pulse.
    #[error(
        "the run holds no delivered pulse, so that nothing can be drawn from it; measure again"
    )]
    NoPulses,
    /// No family of distributions describes the pulses of a direction.
    #[error(
        "no family can be fitted to the pulses of {direction}: {why}; draw from the pulses themselves"
    )]
    NoFamily {
        /// The direction.
        direction: &'static str,
        /// What the fit says.
        why: String,
    },
    /// The star left the guide camera in all or all but one trial.
    #[error(
        "the star leaves the guide camera: the mount is disturbed faster than pulses of this rate and length can follow; check drift, periodic error, guide rate and longest width"
    )]
    StarLost,
    /// Fewer trials than a spread needs.
    #[error("{found} trials, and at least {needed} are needed for an interval")]
    TooFewTrials {
        /// How many were asked for.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
    /// The linear loop is unstable: its outcome has no meaning.
    #[error(
        "the loop is unstable in {axis}: {}", way_out(*.limit)
    )]
    Unstable {
        /// `right ascension` or `declination`.
        axis: &'static str,
        /// The largest stable gain of the same law.
        limit: f64,
    },
}

/// What to do about an unstable loop.
fn way_out(limit: f64) -> String {
    if limit > 0.0 {
        format!(
            "with this delay the gain must stay below {limit:.3}; lower the gain or shorten the delay"
        )
    } else {
        "no gain makes this law stable here; choose another law, or look at its other values (memory, integral_gain, worm_period_s, cadence_s)".to_owned()
    }
}

/// `Ok` when `value` is finite and at least `least`, else the error that says so.
pub(crate) fn at_least(
    name: &'static str,
    value: f64,
    least: f64,
    expected: &'static str,
) -> Result<(), ServoError> {
    valid(value >= least, name, value, expected)
}

/// `Ok` when `value` is finite and above 0, else the error that says so.
pub(crate) fn above_zero(
    name: &'static str,
    value: f64,
    expected: &'static str,
) -> Result<(), ServoError> {
    valid(value > 0.0, name, value, expected)
}

fn valid(
    in_range: bool,
    name: &'static str,
    found: f64,
    expected: &'static str,
) -> Result<(), ServoError> {
    if in_range && found.is_finite() {
        Ok(())
    } else {
        Err(ServoError::BadValue {
            name,
            found,
            expected,
        })
    }
}
