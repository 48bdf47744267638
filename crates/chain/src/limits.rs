//! A run held against limits, or against an earlier run.

use serde::{Deserialize, Serialize};
use stats::{Sorted, order};
use wire::Observation;

use crate::error::ChainError;
use crate::group::CONFIDENCE;
use crate::proof::prove;
use crate::relation::error_ms;
use crate::share::Share;
use crate::summary::RunSummary;

/// What a limit is set on. All but the last are of the width errors of all pulses, in ms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limited {
    /// Median, on either side of none.
    Median,
    /// Mean, on either side of none.
    Mean,
    /// Standard deviation.
    Sd,
    /// 95 % quantile.
    P95,
    /// 97.5 % quantile.
    P975,
    /// The longest excursion from none that was seen.
    Max,
    /// Share of the requests that came to nothing, 0 to 1.
    Missing,
}

impl Limited {
    /// All of them.
    pub const ALL: [Limited; 7] = [
        Limited::Median,
        Limited::Mean,
        Limited::Sd,
        Limited::P95,
        Limited::P975,
        Limited::Max,
        Limited::Missing,
    ];

    /// Its short name.
    pub fn name(self) -> &'static str {
        match self {
            Limited::Median => "median",
            Limited::Mean => "mean",
            Limited::Sd => "sd",
            Limited::P95 => "p95",
            Limited::P975 => "p975",
            Limited::Max => "max",
            Limited::Missing => "missing",
        }
    }
}

/// A limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// What is limited.
    pub what: Limited,
    /// The most that is allowed: ms, or a share.
    pub most: f64,
}

/// How a value stands to its limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stand {
    /// Its interval lies within.
    Within,
    /// The limit lies in its interval, or it has none: too few pulses.
    Unsure,
    /// Its interval lies beyond.
    Beyond,
}

impl Stand {
    /// Of a value between `-most` and `most`.
    fn of(interval: Option<[f64; 2]>, most: f64) -> Stand {
        match interval {
            Some([low, high]) if low >= -most && high <= most => Stand::Within,
            Some([low, high]) if low > most || high < -most => Stand::Beyond,
            _ => Stand::Unsure,
        }
    }
}

/// A limit with the value that it was held against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeldLimit {
    /// The limit.
    #[serde(flatten)]
    pub limit: Limit,
    /// The value: ms, or a share.
    pub value: f64,
    /// Its 95 % interval; `None` with too few pulses, and for the longest excursion, which is what it
    /// is.
    pub ci95: Option<[f64; 2]>,
    /// How it stands.
    pub stand: Stand,
}

/// Holds a run against limits: the interval of each value decides, and not the value alone, so that a
/// short run does not fail by chance.
///
/// # Errors
/// [`ChainError::MissingUnknown`] for a limit on missing requests where no log told of them;
/// [`ChainError::Stats`] where a width is not finite.
pub fn hold(
    summary: &RunSummary,
    observations: &[Observation],
    limits: &[Limit],
) -> Result<Vec<HeldLimit>, ChainError> {
    let errors = Sorted::new(observations.iter().map(error_ms).collect())?;
    let pooled = &summary.pooled.width_error_ms;
    let quantile = |p: f64| {
        let interval = order::quantile_interval(&errors, p, CONFIDENCE);
        (
            order::quantile(&errors, p),
            interval.map(|i| [i.interval.low, i.interval.high]),
        )
    };
    let held = |limit: &Limit| {
        let most = limit.most;
        let (value, ci95) = match limit.what {
            Limited::Median => (pooled.median, pooled.median_ci95),
            Limited::Mean => (pooled.mean, pooled.mean_ci95),
            Limited::Sd => (pooled.sd.unwrap_or(0.0), pooled.sd_ci95),
            Limited::P95 => quantile(0.95),
            Limited::P975 => quantile(0.975),
            Limited::Max => (errors.max().abs().max(errors.min().abs()), None),
            Limited::Missing => {
                let share = summary.missing_share.ok_or(ChainError::MissingUnknown)?;
                (share.share, Some(share.ci95))
            }
        };
        let stand = match limit.what {
            // What was seen was seen; and where all pulses are alike there is no doubt.
            _ if errors.min() == errors.max() && limit.what != Limited::Missing => {
                Stand::of(Some([value, value]), most)
            }
            Limited::Max => Stand::of(Some([value, value]), most),
            _ => Stand::of(ci95, most),
        };
        Ok(HeldLimit {
            limit: *limit,
            value,
            ci95,
            stand,
        })
    };
    limits.iter().map(held).collect()
}

/// A run beside an earlier one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeldBaseline {
    /// Mean distance from what was wanted in the earlier run, at the widths that both were asked for,
    /// ms.
    pub before_ms: f64,
    /// The same now.
    pub now_ms: f64,
    /// Now minus before; positive is worse.
    pub worse_ms: f64,
    /// Its 95 % interval (Welch 1947).
    pub worse_ci95: [f64; 2],
    /// How much worse is still no worse, ms.
    pub slack_ms: f64,
    /// Missing requests, before and now, where both are known.
    pub missing: Option<[Share; 2]>,
    /// How it stands.
    pub stand: Stand,
}

/// Holds a run against an earlier one: worse is a greater mean distance from what was wanted, by more
/// than the slack, or a share of missing requests whose interval lies above that of the earlier run.
///
/// # Errors
/// As [`prove`].
pub fn hold_to_baseline(
    before: (&str, &RunSummary, &[Observation]),
    now: (&str, &RunSummary, &[Observation]),
    slack_ms: f64,
) -> Result<HeldBaseline, ChainError> {
    // The margin of the proof is of no matter here; it must only be one.
    let margin_ms = slack_ms.max(1.0);
    let proof = prove((before.0, before.2), (now.0, now.2), margin_ms)?;
    let i = &proof.improvement;
    let worse_ci95 = [-i.gain_ci95[1], -i.gain_ci95[0]];
    let missing = before
        .1
        .missing_share
        .zip(now.1.missing_share)
        .map(|(before, now)| [before, now]);
    let loses_more = missing.is_some_and(|[before, now]| now.ci95[0] > before.ci95[1]);
    let stand = if loses_more || worse_ci95[0] > slack_ms {
        Stand::Beyond
    } else if worse_ci95[1] <= slack_ms {
        Stand::Within
    } else {
        Stand::Unsure
    };
    Ok(HeldBaseline {
        before_ms: i.before_ms,
        now_ms: i.after_ms,
        worse_ms: -i.gain_ms,
        worse_ci95,
        slack_ms,
        missing,
        stand,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interval_decides_on_either_side_of_none() {
        for (interval, stand) in [
            (Some([8.0, 9.9]), Stand::Within),
            (Some([-9.0, 9.0]), Stand::Within),
            (Some([9.0, 11.0]), Stand::Unsure),
            (Some([-11.0, -9.0]), Stand::Unsure),
            (Some([10.1, 11.0]), Stand::Beyond),
            (Some([-12.0, -10.5]), Stand::Beyond),
            (None, Stand::Unsure),
        ] {
            assert_eq!(Stand::of(interval, 10.0), stand, "{interval:?}");
        }
    }
}
