//! Chains side by side: shift, spread and shape of their width errors, with intervals and tests.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use stats::{Sorted, compare as test, order, robust};
use wire::{Direction, Observation, Warning};

use crate::error::ChainError;
use crate::group::{CONFIDENCE, Test};
use crate::histogram::{Bins, Histogram};
use crate::quantity::{Rounded, plural};
use crate::relation::error_ms;
use crate::share::Share;

/// A p-value below this counts as a difference.
const SIGNIFICANT: f64 = 0.05;
/// Requested widths within this share of each other are the same width.
const SAME_WIDTH: f64 = 0.005;

/// One run that takes part.
#[derive(Debug, Clone)]
pub struct RunToCompare<'a> {
    /// What it is called in the result: its chain, with the run's number where a chain comes twice.
    pub name: String,
    /// Its delivered requests.
    pub observations: &'a [Observation],
    /// Its requests that came to nothing, where known.
    pub missing: Option<Share>,
}

/// One run in the result. All numbers are of the widths that every run was asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedRun {
    /// Its name.
    pub name: String,
    /// Pulses compared.
    pub n: u64,
    /// Median width error, ms.
    pub median_ms: f64,
    /// Its distribution-free 95 % interval.
    pub median_ci95: Option<[f64; 2]>,
    /// Spread: mean distance from the median, ms; what Brown-Forsythe compares.
    pub mean_distance_ms: f64,
    /// Spread: Qn scaled to the SD of a normal distribution (Rousseeuw & Croux 1993), ms; stragglers
    /// hardly count in it.
    pub qn_sd_ms: Option<f64>,
    /// 95 % quantile, ms.
    pub p95_ms: f64,
    /// Requests that came to nothing, where known.
    pub missing_share: Option<Share>,
    /// Counts for a figure, in bins that all runs share.
    pub histogram: Histogram,
}

/// Tests over all runs at once.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Overall {
    /// Kruskal-Wallis: do the errors differ in level?
    pub kruskal_wallis: Test,
    /// Brown-Forsythe: do they differ in spread?
    pub brown_forsythe: Test,
}

/// Two runs against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Name of the first.
    pub first: String,
    /// Name of the second.
    pub second: String,
    /// Second minus first, by Hodges-Lehmann, ms.
    pub shift_ms: f64,
    /// Its 95 % interval.
    pub shift_ci95: [f64; 2],
    /// p-value of the Mann-Whitney test, with ties.
    pub mann_whitney_p: f64,
    /// The same with Holm's correction for the number of pairs.
    pub mann_whitney_p_holm: f64,
    /// Cliff's delta: chance that a pulse of the second is longer, minus that it is shorter.
    pub cliffs_delta: f64,
    /// Its 95 % interval (Cliff 1993).
    pub cliffs_delta_ci95: [f64; 2],
    /// Mean distance from the median of the second over that of the first; `None` where the first
    /// doesn't spread.
    pub spread_ratio: Option<f64>,
    /// p-value of the Brown-Forsythe test for spread.
    pub brown_forsythe_p: f64,
    /// The same with Holm's correction.
    pub brown_forsythe_p_holm: f64,
    /// What it means.
    pub answer: String,
}

/// Runs beside each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The answer.
    pub answer: String,
    /// The requested widths that all runs have in common, ms: only these are compared.
    pub widths_ms: Vec<f64>,
    /// The runs, in the order given.
    pub runs: Vec<ComparedRun>,
    /// Tests over all, for three runs or more.
    pub overall: Option<Overall>,
    /// Every pair.
    pub pairs: Vec<Pair>,
    /// What may spoil the result.
    pub warnings: Vec<Warning>,
}

/// Compares the width errors of runs on the requested widths that all have in common.
///
/// # Errors
/// [`ChainError::OneRun`] for fewer than two; [`ChainError::NothingInCommon`] where two runs share no
/// requested width; [`ChainError::Stats`] where a run holds too few pulses.
pub fn compare(runs: &[RunToCompare<'_>]) -> Result<Comparison, ChainError> {
    if runs.len() < 2 {
        return Err(ChainError::OneRun(runs.len()));
    }
    let named: Vec<(&str, &[Observation])> = runs
        .iter()
        .map(|run| (run.name.as_str(), run.observations))
        .collect();
    let widths = common_widths_of(&named)?;
    let mut warnings = Vec::new();
    let errors: Vec<Vec<f64>> = runs
        .iter()
        .map(|run| errors_at(run.observations, &widths))
        .collect();
    for (run, errors) in runs.iter().zip(&errors) {
        if errors.len() < 2 {
            return Err(ChainError::TooFewPulses {
                name: run.name.clone(),
                found: errors.len(),
            });
        }
    }
    warn_of_mixture(runs, &widths, &errors, &mut warnings);
    let bins = Bins::over(&Sorted::new(errors.concat())?);
    let mut compared = Vec::new();
    for (run, errors) in runs.iter().zip(&errors) {
        compared.push(describe(run, errors, &bins)?);
    }
    let overall = if runs.len() > 2 {
        let groups: Vec<&[f64]> = errors.iter().map(Vec::as_slice).collect();
        Some(Overall {
            kruskal_wallis: test::kruskal_wallis(&groups)?.into(),
            brown_forsythe: test::brown_forsythe(&groups)?.into(),
        })
    } else {
        None
    };
    let pairs = all_pairs(&compared, &errors)?;
    let answer = answer(&compared, &pairs, overall.as_ref());
    Ok(Comparison {
        answer,
        widths_ms: widths,
        runs: compared,
        overall,
        pairs,
        warnings,
    })
}

/// The width errors, ms, of the pulses that were asked for one of the ascending `widths_ms`: what a
/// comparison at [`Comparison::widths_ms`] is made of.
pub fn errors_at(observations: &[Observation], widths_ms: &[f64]) -> Vec<f64> {
    observations
        .iter()
        .filter(|o| is_among(widths_ms, o.requested_ms))
        .map(error_ms)
        .collect()
}

/// The distinct requested widths of a run, ascending.
fn widths_of(observations: &[Observation]) -> Vec<f64> {
    let mut widths: Vec<f64> = observations.iter().map(|o| o.requested_ms).collect();
    widths.sort_by(f64::total_cmp);
    widths.dedup_by(|a, b| same_width(*a, *b));
    widths
}

fn same_width(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME_WIDTH * a.abs().max(b.abs())
}

/// The distinct directions of a run; `None` among them where a pulse has none.
pub(crate) fn directions_of(observations: &[Observation]) -> BTreeSet<Option<Direction>> {
    observations.iter().map(|o| o.direction).collect()
}

/// Whether `width` is one of the ascending `widths`.
pub(crate) fn is_among(widths: &[f64], width: f64) -> bool {
    let above = widths.partition_point(|w| *w < width);
    [above.checked_sub(1), Some(above)]
        .into_iter()
        .flatten()
        .filter_map(|i| widths.get(i))
        .any(|w| same_width(*w, width))
}

/// The requested widths that all runs have in common, each a name with its observations.
///
/// # Errors
/// [`ChainError::NothingInCommon`].
pub(crate) fn common_widths_of(runs: &[(&str, &[Observation])]) -> Result<Vec<f64>, ChainError> {
    let Some(((first, observations), others)) = runs.split_first() else {
        return Ok(Vec::new());
    };
    let mut common = widths_of(observations);
    for (name, observations) in others {
        let widths = widths_of(observations);
        let kept: Vec<f64> = common
            .iter()
            .copied()
            .filter(|w| is_among(&widths, *w))
            .collect();
        if kept.is_empty() {
            let list = |widths: &[f64]| {
                let shown: Vec<String> = widths.iter().take(6).map(|w| format!("{w} ms")).collect();
                let more = if widths.len() > 6 { ", ..." } else { "" };
                shown.join(", ") + more
            };
            return Err(ChainError::NothingInCommon {
                first: (*first).to_owned(),
                second: (*name).to_owned(),
                widths_first: list(&common),
                widths_second: list(&widths),
            });
        }
        common = kept;
    }
    Ok(common)
}

/// Warns where runs mix widths or directions in other proportions, for then a difference between
/// widths shows as one between chains.
fn warn_of_mixture(
    runs: &[RunToCompare<'_>],
    widths: &[f64],
    errors: &[Vec<f64>],
    warnings: &mut Vec<Warning>,
) {
    let left_out: Vec<&str> = runs
        .iter()
        .zip(errors)
        .filter(|(run, errors)| errors.len() < run.observations.len())
        .map(|(run, _)| run.name.as_str())
        .collect();
    if !left_out.is_empty() {
        warnings.push(Warning::new(
            format!(
                "pulses of {} were left out, for not every run was asked for their width",
                left_out.join(", ")
            ),
            "ask all chains for the same widths",
        ));
    }
    let shares = |run: &RunToCompare<'_>| -> Vec<f64> {
        let used: Vec<&Observation> = run
            .observations
            .iter()
            .filter(|o| is_among(widths, o.requested_ms))
            .collect();
        widths
            .iter()
            .map(|w| {
                let here = used
                    .iter()
                    .filter(|o| same_width(*w, o.requested_ms))
                    .count();
                here as f64 / used.len().max(1) as f64
            })
            .collect()
    };
    let first = shares(&runs[0]);
    let differ = runs[1..].iter().any(|run| {
        shares(run)
            .iter()
            .zip(&first)
            .any(|(a, b)| (a - b).abs() > 0.1)
    });
    if differ {
        warnings.push(Warning::new(
            "the runs hold the widths in different proportions",
            "where a chain's error depends on the width this shows as a difference: look at each width with show",
        ));
    }
    let first = directions_of(runs[0].observations);
    if runs[1..]
        .iter()
        .any(|run| directions_of(run.observations) != first)
    {
        warnings.push(Warning::new(
            "the runs were taken in different directions",
            "where directions differ within a chain this shows as a difference: look at each direction with show",
        ));
    }
}

fn describe(
    run: &RunToCompare<'_>,
    errors: &[f64],
    bins: &Bins,
) -> Result<ComparedRun, ChainError> {
    let sorted = Sorted::new(errors.to_vec())?;
    let median_ms = order::median(&sorted);
    Ok(ComparedRun {
        name: run.name.clone(),
        n: sorted.len() as u64,
        median_ms,
        median_ci95: order::median_interval(&sorted, CONFIDENCE)
            .map(|found| [found.interval.low, found.interval.high]),
        mean_distance_ms: mean_distance(errors, median_ms),
        qn_sd_ms: robust::qn(&sorted).ok(),
        p95_ms: order::quantile(&sorted, 0.95),
        missing_share: run.missing,
        histogram: Histogram::new(errors, bins),
    })
}

fn all_pairs(runs: &[ComparedRun], errors: &[Vec<f64>]) -> Result<Vec<Pair>, ChainError> {
    let mut pairs = Vec::new();
    for i in 0..runs.len() {
        for j in i + 1..runs.len() {
            let (x, y) = (&errors[i], &errors[j]);
            let shift = test::hodges_lehmann(x, y, CONFIDENCE)?;
            let delta = test::cliffs_delta(x, y, CONFIDENCE)?;
            pairs.push(Pair {
                first: runs[i].name.clone(),
                second: runs[j].name.clone(),
                shift_ms: shift.shift,
                shift_ci95: [shift.interval.low, shift.interval.high],
                mann_whitney_p: test::mann_whitney(x, y)?.p_value,
                mann_whitney_p_holm: 1.0,
                cliffs_delta: delta.delta,
                cliffs_delta_ci95: [delta.interval.low, delta.interval.high],
                spread_ratio: Some(runs[j].mean_distance_ms / runs[i].mean_distance_ms)
                    .filter(|ratio| ratio.is_finite()),
                brown_forsythe_p: test::brown_forsythe(&[x, y])?.p_value,
                brown_forsythe_p_holm: 1.0,
                answer: String::new(),
            });
        }
    }
    let level: Vec<f64> = pairs.iter().map(|p| p.mann_whitney_p).collect();
    let spread: Vec<f64> = pairs.iter().map(|p| p.brown_forsythe_p).collect();
    let adjusted = test::holm(&level).into_iter().zip(test::holm(&spread));
    for (pair, (level, spread)) in pairs.iter_mut().zip(adjusted) {
        pair.mann_whitney_p_holm = level;
        pair.brown_forsythe_p_holm = spread;
        pair.answer = answer_of_pair(pair);
    }
    Ok(pairs)
}

fn mean_distance(errors: &[f64], median: f64) -> f64 {
    errors.iter().map(|e| (e - median).abs()).sum::<f64>() / errors.len() as f64
}

fn answer_of_pair(pair: &Pair) -> String {
    let round = Rounded::of_interval(pair.shift_ci95);
    let level = if pair.mann_whitney_p_holm < SIGNIFICANT {
        let (side, ci) = if pair.shift_ms < 0.0 {
            ("shorter", [-pair.shift_ci95[1], -pair.shift_ci95[0]])
        } else {
            ("longer", pair.shift_ci95)
        };
        format!(
            "{}'s pulses are {} ms {side} than {}'s (95 % {})",
            pair.second,
            round.ms(pair.shift_ms.abs()),
            pair.first,
            round.interval(ci)
        )
    } else {
        format!(
            "no difference in width between {} and {} was found (shift {} ms, 95 % {})",
            pair.first,
            pair.second,
            round.ms(pair.shift_ms),
            round.interval(pair.shift_ci95)
        )
    };
    let spread = match pair.spread_ratio {
        Some(ratio) if pair.brown_forsythe_p_holm < SIGNIFICANT && ratio >= 1.0 => {
            format!(
                "; {}'s scatter {ratio:.1} times as wide about their median",
                pair.second
            )
        }
        Some(ratio) if pair.brown_forsythe_p_holm < SIGNIFICANT && ratio > 0.0 => {
            format!(
                "; {}'s scatter {:.1} times as wide about their median",
                pair.first,
                1.0 / ratio
            )
        }
        _ => String::new(),
    };
    level + &spread
}

fn answer(runs: &[ComparedRun], pairs: &[Pair], overall: Option<&Overall>) -> String {
    if let ([pair], None) = (pairs, overall) {
        return format!("{}.", capitalised(&pair.answer));
    }
    let by = |key: fn(&ComparedRun) -> f64| runs.iter().min_by(|a, b| key(a).total_cmp(&key(b)));
    let closest = by(|r| r.median_ms.abs());
    let steadiest = by(|r| r.mean_distance_ms);
    let (Some(closest), Some(steadiest)) = (closest, steadiest) else {
        return String::new();
    };
    let half = |r: &ComparedRun| r.median_ci95.map_or(f64::NAN, |ci| 0.5 * (ci[1] - ci[0]));
    let of_closest = Rounded::to_uncertainty(half(closest)).ms(closest.median_ms);
    let spread = format!(
        " ({} ms from its median on average)",
        Rounded::of_spread(steadiest.mean_distance_ms).ms(steadiest.mean_distance_ms)
    );
    let both = if closest.name == steadiest.name {
        format!(
            "{} comes closest to what was asked (median error {of_closest} ms) and is the steadiest{spread}",
            closest.name
        )
    } else {
        format!(
            "{} comes closest to what was asked (median error {of_closest} ms), and {} is the steadiest{spread}",
            closest.name, steadiest.name
        )
    };
    let same = pairs
        .iter()
        .filter(|p| p.mann_whitney_p_holm >= SIGNIFICANT)
        .count();
    let differ = match (overall, same) {
        (Some(o), _) if o.kruskal_wallis.p_value >= SIGNIFICANT => {
            "their medians can't be told apart".to_owned()
        }
        (_, 0) => "every pair differs".to_owned(),
        (_, same) => format!("{} can't be told apart", plural(same as u64, "pair")),
    };
    format!("Of {} runs, {both}; {differ}.", runs.len())
}

/// The text with its first letter raised, unless it opens with a name.
fn capitalised(text: &str) -> String {
    match text.strip_prefix("no ") {
        Some(rest) => format!("No {rest}"),
        None => text.to_owned(),
    }
}
