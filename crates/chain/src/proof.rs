//! Did a change help? A run before and a run after it.

use serde::{Deserialize, Serialize};
use stats::{Sorted, bootstrap, compare as test, moments, order, special};
use wire::{Observation, Warning};

use crate::answer::but;
use crate::compare::{common_widths_of, directions_of, is_among};
use crate::error::ChainError;
use crate::group::CONFIDENCE;
use crate::quantity::{Rounded, count, plural};
use crate::relation::error_ms;
use crate::summary::{RunPulses, RunSummary};

/// Significance of each one-sided test; their pair has the same (Schuirmann 1987).
const ALPHA: f64 = 0.05;
/// Chance of a firm answer that the sample size is computed for.
const POWER: f64 = 0.9;
/// Fewer pulses than this can't show a median within any margin: (1/2)^5 is the first below 5 %.
const FEWEST: usize = 5;

/// Whether the median width error after the change is zero within the margin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Equivalence {
    /// The margin on either side of zero, ms.
    pub margin_ms: f64,
    /// Median width error after the change, ms.
    pub median_ms: f64,
    /// Its 90 % interval: equivalence at 5 % is this interval within the margin.
    pub median_ci90: Option<[f64; 2]>,
    /// The larger p-value of two one-sided tests (Schuirmann 1987), each a sign test of the median
    /// against one end of the margin, so that no distribution is supposed.
    pub p_value: f64,
    /// Whether it is below 5 %.
    pub within: bool,
    /// Pulses that a chance of 90 % of a firm answer takes, if the run goes on as it is; `None` where no
    /// number does, for the median lies outside the margin.
    pub pulses_needed: Option<u64>,
}

/// What changed between the runs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Improvement {
    /// Mean distance from what was wanted, before, ms.
    pub before_ms: f64,
    /// The same after.
    pub after_ms: f64,
    /// Before minus after: positive is better.
    pub gain_ms: f64,
    /// Its 95 % interval (Welch 1947).
    pub gain_ci95: [f64; 2],
    /// Change of the width error, after minus before, by Hodges-Lehmann.
    pub shift_ms: f64,
    /// Its 95 % interval.
    pub shift_ci95: [f64; 2],
}

/// A proof, or what is missing for one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// The answer, in one sentence.
    pub answer: String,
    /// Pulses before and after.
    pub n: [u64; 2],
    /// The requested widths that both runs have in common, ms.
    pub widths_ms: Vec<f64>,
    /// Zero within the margin?
    pub equivalence: Equivalence,
    /// Better than before?
    pub improvement: Improvement,
    /// What may spoil it, and what to do about it.
    pub warnings: Vec<Warning>,
}

impl Proof {
    /// Whether pulses of this requested width, in ms, took part.
    pub fn takes(&self, requested_ms: f64) -> bool {
        is_among(&self.widths_ms, requested_ms)
    }
}

/// Compares a run after a change with one before it, on the widths that were *wanted* in both.
///
/// With a trim in the controller the log of the run after holds what was wanted, not what the controller
/// made of it: the error is then that of the trimmed chain. `margin_ms` must be positive. What a run's
/// summary doubts, and the requests that came to nothing after the change, go into the answer.
///
/// # Errors
/// [`ChainError::TooFewToProve`] below 5 pulses, [`ChainError::NothingInCommon`], [`ChainError::Stats`].
pub fn prove<'a>(
    before: (&str, impl Into<RunPulses<'a>>),
    after: (&str, impl Into<RunPulses<'a>>),
    margin_ms: f64,
) -> Result<Proof, ChainError> {
    let (run_before, run_after) = (before.1.into(), after.1.into());
    let before = (before.0, run_before.observations);
    let after = (after.0, run_after.observations);
    let widths_ms = common_widths_of(&[before, after])?;
    let errors = |(name, observations): (&str, &[Observation])| -> Result<Vec<f64>, ChainError> {
        let errors: Vec<f64> = observations
            .iter()
            .filter(|o| is_among(&widths_ms, o.requested_ms))
            .map(error_ms)
            .collect();
        if errors.len() < FEWEST {
            return Err(ChainError::TooFewToProve {
                name: name.to_owned(),
                found: errors.len(),
                needed: FEWEST,
            });
        }
        Ok(errors)
    };
    let (x, y) = (errors(before)?, errors(after)?);
    let mut equivalence = equivalence(&y, margin_ms)?;
    let outside = outside(after.1, &widths_ms, margin_ms)?;
    equivalence.within &= outside.is_none();
    let improvement = improvement(&x, &y)?;
    let mut warnings = Vec::new();
    if self::equivalence(&x, margin_ms)?.within {
        warnings.push(Warning::new(
            "the run before the change lies within the margin too",
            "so wide a margin can't tell whether a change was needed; take a narrower one, or ask whether it matters at all: judge the run before",
        ));
    }
    if directions_of(before.1) != directions_of(after.1) {
        warnings.push(Warning::new(
            "the runs were taken in different directions",
            "where directions differ within the chain this shows as a change: take the same ones",
        ));
    }
    let left_out = before.1.len() + after.1.len() - x.len() - y.len();
    if left_out > 0 {
        warnings.push(Warning::new(
            format!(
                "{} of widths that only one run was asked for took no part",
                plural(left_out as u64, "pulse")
            ),
            "ask for the same widths before and after",
        ));
    }
    let mut answer = answer(after.0, &equivalence, &improvement, outside.as_deref());
    for summary in [run_before.summary, run_after.summary]
        .into_iter()
        .flatten()
    {
        answer += &but(summary);
    }
    if let Some(missing) = run_after.summary.and_then(RunSummary::came_to_nothing) {
        answer += &format!(" But after the change {missing}.");
    }
    Ok(Proof {
        answer,
        n: [x.len() as u64, y.len() as u64],
        widths_ms,
        equivalence,
        improvement,
        warnings,
    })
}

/// A width and direction that lies outside of the margin by itself, however the others make up for it in
/// the median of all: its 90 % interval has nothing in common with the margin.
fn outside(
    observations: &[Observation],
    widths_ms: &[f64],
    margin_ms: f64,
) -> Result<Option<String>, ChainError> {
    let mut groups: std::collections::BTreeMap<_, Vec<f64>> = Default::default();
    for o in observations
        .iter()
        .filter(|o| is_among(widths_ms, o.requested_ms))
    {
        let key = (o.direction, o.requested_ms.to_bits());
        groups.entry(key).or_default().push(error_ms(o));
    }
    for ((direction, bits), errors) in groups {
        let sorted = Sorted::new(errors)?;
        let Some(found) = order::median_interval(&sorted, 1.0 - 2.0 * ALPHA) else {
            continue;
        };
        let ci = found.interval;
        if ci.low > margin_ms || ci.high < -margin_ms {
            let of = direction.map_or_else(String::new, |d| format!("{d} "));
            return Ok(Some(format!(
                "{of}at {} ms it is {} ms",
                f64::from_bits(bits),
                Rounded::to_uncertainty(ci.half_width()).ms(order::median(&sorted))
            )));
        }
    }
    Ok(None)
}

fn equivalence(errors: &[f64], margin_ms: f64) -> Result<Equivalence, ChainError> {
    let sorted = Sorted::new(errors.to_vec())?;
    let median_ms = order::median(&sorted);
    // Under "the median is at the upper margin or above" at most half of the pulses lie below it; a
    // value on the margin speaks against equivalence.
    let share = |inside: usize| {
        let n = errors.len() as u64;
        // The chance of so many or more.
        1.0 - match inside.checked_sub(1) {
            Some(fewer) => special::binomial_cdf(fewer as u64, n, 0.5),
            None => 0.0,
        }
    };
    let below = errors.iter().filter(|e| **e < margin_ms).count();
    let above = errors.iter().filter(|e| **e > -margin_ms).count();
    let p_value = share(below).max(share(above));
    let se = bootstrap::exact_median(&sorted).standard_error;
    let room = margin_ms - median_ms.abs();
    let z = special::normal_quantile(1.0 - ALPHA) + special::normal_quantile(POWER);
    let pulses_needed = (room > 0.0).then(|| {
        let needed = errors.len() as f64 * (z * se / room).powi(2);
        (needed.ceil() as u64).max(FEWEST as u64)
    });
    Ok(Equivalence {
        margin_ms,
        median_ms,
        median_ci90: order::median_interval(&sorted, 1.0 - 2.0 * ALPHA)
            .map(|found| [found.interval.low, found.interval.high]),
        p_value,
        within: p_value < ALPHA,
        pulses_needed,
    })
}

fn improvement(x: &[f64], y: &[f64]) -> Result<Improvement, ChainError> {
    let distance = |errors: &[f64]| -> Result<(f64, f64, f64), ChainError> {
        let distances: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let m = moments::moments(&distances)?;
        Ok((m.mean, m.variance / m.n as f64, (m.n - 1) as f64))
    };
    let ((before_ms, vx, dx), (after_ms, vy, dy)) = (distance(x)?, distance(y)?);
    let variance = vx + vy;
    let half = if variance > 0.0 {
        // Welch's degrees of freedom, by Satterthwaite's approximation.
        let df = variance * variance / (vx * vx / dx + vy * vy / dy);
        special::student_t_quantile(0.5 + 0.5 * CONFIDENCE, df) * variance.sqrt()
    } else {
        0.0
    };
    let gain_ms = before_ms - after_ms;
    let shift = test::hodges_lehmann(x, y, CONFIDENCE)?;
    Ok(Improvement {
        before_ms,
        after_ms,
        gain_ms,
        gain_ci95: [gain_ms - half, gain_ms + half],
        shift_ms: shift.shift,
        shift_ci95: [shift.interval.low, shift.interval.high],
    })
}

fn answer(
    name: &str,
    equivalence: &Equivalence,
    improvement: &Improvement,
    outside: Option<&str>,
) -> String {
    let e = equivalence;
    let ci = e.median_ci90.unwrap_or([e.median_ms, e.median_ms]);
    let round = Rounded::of_interval(ci);
    let of_median = format!(
        "{name}'s median error is {} ms (90 % {})",
        round.ms(e.median_ms),
        round.interval(ci)
    );
    let margin = crate::quantity::significant(e.margin_ms);
    let apart = ci[0] > e.margin_ms || ci[1] < -e.margin_ms;
    let worse = improvement.gain_ci95[1] < 0.0;
    let proven = match (e.within, e.pulses_needed) {
        (true, _) if worse => {
            format!("Within the margin, but worse: {of_median}, within {margin} ms of none")
        }
        (true, _) if improvement.gain_ci95[0] <= 0.0 => {
            format!(
                "Within the margin, but not shown to be better: {of_median}, within {margin} ms of none"
            )
        }
        (true, _) => format!("Proven: {of_median}, within {margin} ms of none"),
        (false, Some(_)) if outside.is_some() => format!(
            "Not so: {of_median}, but {}, not within {margin} ms of none",
            outside.unwrap_or_default()
        ),
        (false, Some(needed)) => format!(
            "Not proven yet: {of_median}, and that it is within {margin} ms of none takes about {} pulses",
            count(needed)
        ),
        (false, None) if apart => {
            format!("Not so: {of_median}, and not within {margin} ms of none")
        }
        (false, None) => format!(
            "Not proven: {of_median}, and whether that is within {margin} ms of none can't be told"
        ),
    };
    let [low, high] = improvement.gain_ci95;
    let round = Rounded::to_uncertainty(0.5 * (high - low));
    let gain = if low > 0.0 {
        format!(
            "pulses miss by {} ms less than before (95 % {})",
            round.ms(improvement.gain_ms),
            round.interval([low, high])
        )
    } else if high < 0.0 {
        format!(
            "pulses miss by {} ms more than before (95 % {})",
            round.ms(-improvement.gain_ms),
            round.interval([-high, -low])
        )
    } else {
        format!(
            "whether pulses miss by less than before can't be told (change {} ms, 95 % {})",
            round.ms(improvement.gain_ms),
            round.interval([low, high])
        )
    };
    format!("{proven}; {gain}.")
}
