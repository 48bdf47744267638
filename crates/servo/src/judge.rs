//! Does the chain matter, and what should change: the verdict and its rule.
//!
//! The chain as measured, trimmed and perfect is simulated at the present settings and at each
//! one's own best settings, for a width error is also gain: the same added width raises the
//! effective gain most near zero, and can help a timid loop. All share their random numbers. The
//! trials are split into groups, and each group draws from its own resampling of the measured
//! pulses (bootstrap; Efron 1979), so that the intervals hold the spread of the trials and that of
//! a short run alike.

use crate::answer::{percent_with_interval, rounding, settings};
use crate::chain_model::{Chain, ChainModel, MeasuredPulse};
use crate::error::ServoError;
use crate::loop_sim::{LoopCase, Scratch};
use crate::outcome::{Estimate, Star, check_stable};
use crate::run::{PreparedLoop, TrialResult, parallel};
use crate::search::{Goal, Search, Settings};
use crate::stream::{LANES, Source, stream};
use crate::tune::{Tuner, least};
use serde::Serialize;
use sky::Setup;

/// A gain below this share of the star's width does not matter.
pub const WIDTH_THRESHOLD: f64 = 0.01;
/// A gain of elongation below this does not matter.
pub const ELONGATION_THRESHOLD: f64 = 0.01;
/// A remedy recovers *most* of what could be gained from this share on.
pub const MOST: f64 = 0.5;
/// A trim recovers *clearly more* than new settings if it adds this share of what could be gained.
pub const CLEARLY_MORE: f64 = 0.2;
/// A run of fewer pulses says too little of its rare ones for a verdict: of 30, the longest is the
/// 97 % quantile, give or take 3 % (mean and spread of the largest of 30 uniform numbers).
pub const ENOUGH_PULSES: usize = 30;
/// Groups of trials; Student's t with 9 degrees of freedom then makes the intervals 15 % wider than
/// many groups would.
const GROUPS: usize = 10;

/// An interval narrower than this, in units of the threshold, counts as its value: what straddles the
/// threshold by so little is as well left as changed.
const NARROW: f64 = 0.2;
/// A chain whose pulses grow by less than this for each millisecond asked, or by more than its inverse,
/// does not follow what it is asked.
const FOLLOWS: f64 = 0.5;

/// The rule in plain words, a verdict a line.
pub const RULE: [&str; 5] = [
    "Measure more, if the run holds under 30 pulses, or the interval of what a perfect chain would gain holds the threshold.",
    "Leave it, if a perfect chain at its own best settings would gain under 1 % of the star's width and 0.01 of elongation.",
    "Retune, if new settings recover at least half of that gain with the chain as it is, and a trim would not add a further fifth.",
    "Trim, if the trim recovers at least half, and a fifth more than new settings.",
    "Mend the chain, if neither does, for most is then spread or lost pulses; or if its pulses don't follow the requests.",
];

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The chain does not matter.
    LeaveIt,
    /// New settings of the loop recover most.
    Retune,
    /// The trim recovers most, and clearly more than new settings.
    Trim,
    /// Most is spread or lost pulses.
    MendTheChain,
    /// The interval straddles the threshold.
    MeasureMore,
}

impl Verdict {
    /// `leave it`, `retune`, `trim`, `mend the chain` or `measure more`.
    pub fn name(self) -> &'static str {
        match self {
            Verdict::LeaveIt => "leave it",
            Verdict::Retune => "retune",
            Verdict::Trim => "trim",
            Verdict::MendTheChain => "mend the chain",
            Verdict::MeasureMore => "measure more",
        }
    }
}

/// How a judgement is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JudgeOptions {
    /// Seed of all random numbers.
    pub seed: u64,
    /// Long exposures of each case; rounded up to a multiple of 10.
    pub trials: usize,
    /// Threads; 0 takes all.
    pub threads: usize,
}

impl Default for JudgeOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            trials: 200,
            threads: 0,
        }
    }
}

/// The star under one chain and one choice of settings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CaseResult {
    /// The settings.
    pub settings: Settings,
    /// Width of the star in arcsec.
    pub fwhm_arcsec: Estimate,
    /// Major over minor width.
    pub elongation: Estimate,
    /// Share of the width that is gained against the chain as measured at the present settings.
    pub width_gain: Estimate,
    /// Elongation that is gained against the same.
    pub elongation_gain: Estimate,
}

/// One chain at both choices of settings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ChainResult {
    /// At the present settings.
    pub present: CaseResult,
    /// At its own best settings.
    pub best: CaseResult,
}

/// The verdict with all that led to it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Judgement {
    /// What to do.
    pub verdict: Verdict,
    /// The verdict in one plain sentence.
    pub sentence: String,
    /// When the width error happens to help at the present settings: a sentence that says so.
    pub helps: Option<String>,
    /// The rule, [`RULE`].
    pub rule: [&'static str; 5],
    /// The chain as measured.
    pub measured: ChainResult,
    /// The chain with the trim, if one was given.
    pub trimmed: Option<ChainResult>,
    /// A perfect chain.
    pub perfect: ChainResult,
    /// What a reader must know about the chain.
    pub warnings: Vec<wire::Warning>,
}

/// Judges a chain under a setup: `measured` as it is, `trimmed` the same chain behind its trim.
/// `progress` is called with the share done, from 0 to 1.
///
/// # Errors
/// As [`weigh`].
pub fn judge(
    setup: &Setup,
    measured: &Chain,
    trimmed: Option<&Chain>,
    options: &JudgeOptions,
    progress: &dyn Fn(f64),
) -> Result<Judgement, ServoError> {
    let perfect = Chain::perfect();
    let follows = measured.prepare()?.follows();
    let chains: Vec<&Chain> = [measured, &perfect].into_iter().chain(trimmed).collect();
    let weighed = weigh(setup, &chains, options, progress)?;
    let (measured_result, perfect, trimmed) = (weighed[0], weighed[1], weighed.get(2).copied());
    let few = measured.pulses().filter(|n| *n < ENOUGH_PULSES);
    let (verdict, sentence) = match (few, follows) {
        (Some(n), _) => (
            Verdict::MeasureMore,
            format!(
                "Measure more: {} is too little for the rare long ones; take {ENOUGH_PULSES} pulses or more.",
                chain::plural(n as u64, "pulse")
            ),
        ),
        (None, Some(slope)) if !(FOLLOWS..=1.0 / FOLLOWS).contains(&slope) => (
            Verdict::MendTheChain,
            format!(
                "Mend the chain: its pulses don't follow what it is asked, for they grow by {} ms for each millisecond; check that requests and pulses belong together, and the units.",
                chain::significant(slope)
            ),
        ),
        _ => {
            let verdict = decide(&measured_result, trimmed.as_ref(), &perfect);
            let sentence = sentence(verdict, &measured_result, trimmed.as_ref(), &perfect);
            (verdict, sentence)
        }
    };
    Ok(Judgement {
        verdict,
        sentence,
        helps: helps(&perfect),
        rule: RULE,
        measured: measured_result,
        trimmed,
        perfect,
        warnings: measured.warnings(),
    })
}

/// The star under each of `chains`, at the present settings of the setup and at the best gains,
/// dead band and shortest width for that chain. Gains are counted from the first chain at the
/// present settings. `progress` is called with the share done, from 0 to 1.
///
/// # Errors
/// [`ServoError::Unstable`] if the present settings are unstable with the first chain,
/// [`ServoError::StarLost`] if they lose the star, [`ServoError::TooFewTrials`] for less than 20
/// trials, [`ServoError::NoPulses`] of no chain, or a value's error.
pub fn weigh(
    setup: &Setup,
    chains: &[&Chain],
    options: &JudgeOptions,
    progress: &dyn Fn(f64),
) -> Result<Vec<ChainResult>, ServoError> {
    if options.trials < 2 * GROUPS {
        return Err(ServoError::TooFewTrials {
            found: options.trials,
            needed: 2 * GROUPS,
        });
    }
    let first = chains.first().ok_or(ServoError::NoPulses)?;
    let case = LoopCase::from_setup(setup, first)?;
    check_stable(&case, &PreparedLoop::new(&case)?)?;
    let present = Settings::of(setup);
    let base = stars(setup, first, &present, options)?;
    let count = chains.len() as f64;
    let weigh = |(i, chain): (usize, &&Chain)| -> Result<ChainResult, ServoError> {
        let now = compare(&base, &stars(setup, chain, &present, options)?, present)?;
        let part = |share: f64| progress((i as f64 + share) / count);
        let settings = best_settings(setup, chain, options, &part)?;
        let best = compare(&base, &stars(setup, chain, &settings, options)?, settings)?;
        // The search may end on settings that its own trials flatter: the present ones then stay.
        let best = if best.fwhm_arcsec.value > now.fwhm_arcsec.value {
            now
        } else {
            best
        };
        Ok(ChainResult { present: now, best })
    };
    chains.iter().enumerate().map(weigh).collect()
}

/// Width and elongation of each group's mean star.
struct Stars {
    fwhm: Vec<f64>,
    elongation: Vec<f64>,
}

fn stars(
    setup: &Setup,
    chain: &Chain,
    settings: &Settings,
    options: &JudgeOptions,
) -> Result<Stars, ServoError> {
    let setup = settings.applied_to(setup);
    let mut case = LoopCase::from_setup(&setup, chain)?;
    let loops: Vec<PreparedLoop> = (0..GROUPS)
        .map(|g| {
            case.chain = resampled(chain, options.seed, g as u64);
            PreparedLoop::new(&case)
        })
        .collect::<Result<_, _>>()?;
    let each = options.trials.div_ceil(GROUPS);
    let parts = each.div_ceil(LANES);
    let results = parallel(
        GROUPS * parts,
        options.threads,
        <[Scratch; 2]>::default,
        |s, i| {
            let (group, begun) = (i / parts, i % parts * LANES);
            let trials = loops[group].run(options.seed, (group * each + begun) as u64, s);
            let star = |trial: &TrialResult| {
                (!trial.axes.iter().any(|a| a.star_lost))
                    .then(|| Star::of(case.star_fwhm_arcsec, trial))
            };
            let own = trials.iter().take(each - begun);
            own.map(star).collect::<Vec<Option<Star>>>()
        },
    );
    let mut stars = Stars {
        fwhm: Vec::new(),
        elongation: Vec::new(),
    };
    for group in results.chunks_exact(parts) {
        let kept: Vec<&Star> = group.iter().flatten().flatten().collect();
        if kept.is_empty() {
            return Err(ServoError::StarLost);
        }
        let mean = |f: fn(&Star) -> f64| kept.iter().map(|s| f(s)).sum::<f64>() / kept.len() as f64;
        stars.fwhm.push(mean(Star::fwhm_arcsec));
        stars.elongation.push(mean(Star::elongation));
    }
    Ok(stars)
}

/// The chain with each width's pulses drawn anew from themselves. The draws depend on the place of
/// the pulse alone, so that the same run behind different trims is resampled alike.
fn resampled(chain: &Chain, seed: u64, group: u64) -> Chain {
    let mut chain = chain.clone();
    if let ChainModel::Measured(widths) = &mut chain.model {
        let mut random = stream(seed, group, 2, Source::Spread);
        for width in widths {
            let n = width.pulses.len() as u64;
            let drawn: Vec<MeasuredPulse> = (0..n)
                .map(|_| width.pulses[random.below(n) as usize])
                .collect();
            width.pulses = drawn;
        }
    }
    chain
}

/// The best gains, dead band and shortest width for a chain, at the present timing and law.
fn best_settings(
    setup: &Setup,
    chain: &Chain,
    options: &JudgeOptions,
    progress: &dyn Fn(f64),
) -> Result<Settings, ServoError> {
    let skies = [setup.clone()];
    let mut search = Search::new(&skies, chain, options.seed, options.threads)?;
    let mut tuner = Tuner {
        search: &mut search,
        goal: Goal::Fwhm,
        trials: options.trials.min(100),
        tried: 0,
    };
    let start = tuner.best(setup, false, progress)?;
    Ok(least(&tuner.around(&start, setup, false)?)?.settings)
}

fn compare(base: &Stars, stars: &Stars, settings: Settings) -> Result<CaseResult, ServoError> {
    let width: Vec<f64> = base
        .fwhm
        .iter()
        .zip(&stars.fwhm)
        .map(|(a, b)| (a - b) / a)
        .collect();
    let elongation: Vec<f64> = base
        .elongation
        .iter()
        .zip(&stars.elongation)
        .map(|(a, b)| a - b)
        .collect();
    Ok(CaseResult {
        settings,
        fwhm_arcsec: Estimate::of(&stars.fwhm)?,
        elongation: Estimate::of(&stars.elongation)?,
        width_gain: Estimate::of(&width)?,
        elongation_gain: Estimate::of(&elongation)?,
    })
}

/// A gain in units of its threshold.
#[derive(Debug, Clone, Copy)]
struct Score {
    value: f64,
    low: f64,
    high: f64,
}

fn scores(case: &CaseResult) -> [Score; 2] {
    let score = |e: &Estimate, threshold: f64| Score {
        value: e.value / threshold,
        low: e.low / threshold,
        high: e.high / threshold,
    };
    [
        score(&case.width_gain, WIDTH_THRESHOLD),
        score(&case.elongation_gain, ELONGATION_THRESHOLD),
    ]
}

/// The better of present and best settings, by one of the two scores.
fn reached(chain: &ChainResult, measure: usize) -> Score {
    let (now, best) = (
        scores(&chain.present)[measure],
        scores(&chain.best)[measure],
    );
    if now.value > best.value { now } else { best }
}

impl Score {
    /// Its ends, or its value twice where they lie close together.
    fn ends(self) -> (f64, f64) {
        if self.high - self.low < NARROW {
            (self.value, self.value)
        } else {
            (self.low, self.high)
        }
    }
}

/// The rule. Shares are of the width that a perfect chain would gain, or of the elongation where the
/// width would not gain enough to matter.
fn decide(measured: &ChainResult, trimmed: Option<&ChainResult>, perfect: &ChainResult) -> Verdict {
    let possible = [reached(perfect, 0), reached(perfect, 1)];
    let measure = usize::from(possible[0].value < 1.0 && possible[1].value > possible[0].value);
    if possible.iter().all(|s| s.ends().1 < 1.0) {
        return Verdict::LeaveIt;
    }
    if possible.iter().all(|s| s.ends().0 < 1.0) {
        // Well below the threshold with an end above it, or the other way round.
        return Verdict::MeasureMore;
    }
    let total = possible[measure].value;
    let retuned = reached(measured, measure).value / total;
    let trim = trimmed.map(|t| reached(t, measure).value / total);
    match trim {
        Some(trim) if trim >= MOST && trim - retuned >= CLEARLY_MORE => Verdict::Trim,
        _ if retuned >= MOST => Verdict::Retune,
        _ => Verdict::MendTheChain,
    }
}

fn sentence(
    verdict: Verdict,
    measured: &ChainResult,
    trimmed: Option<&ChainResult>,
    perfect: &ChainResult,
) -> String {
    let gain = percent_with_interval;
    let now = &measured.present;
    let digits = rounding;
    let (width, round) = (digits(&now.fwhm_arcsec), digits(&now.elongation));
    let from_to = |case: &CaseResult| {
        format!(
            "{} instead of {} arcsec, elongation {} instead of {}",
            width.ms(case.fwhm_arcsec.value),
            width.ms(now.fwhm_arcsec.value),
            round.ms(case.elongation.value),
            round.ms(now.elongation.value)
        )
    };
    let ideal = &perfect.best;
    match verdict {
        Verdict::LeaveIt => format!(
            "Leave it: even a perfect chain at its best settings would make the star only {} narrower ({}).",
            gain(&ideal.width_gain),
            from_to(ideal)
        ),
        Verdict::MeasureMore => format!(
            "Measure more: a perfect chain would make the star {} narrower, which may or may not matter; a longer run tells.",
            gain(&ideal.width_gain)
        ),
        Verdict::Retune => format!(
            "Retune: with {} the star gets {} narrower with the chain as it is ({}).",
            settings(&measured.best.settings),
            gain(&measured.best.width_gain),
            from_to(&measured.best)
        ),
        Verdict::Trim => {
            let case = trimmed.map_or(&measured.best, |t| {
                if t.present.width_gain.value > t.best.width_gain.value {
                    &t.present
                } else {
                    &t.best
                }
            });
            format!(
                "Trim: with the trim and {} the star gets {} narrower ({}).",
                settings(&case.settings),
                gain(&case.width_gain),
                from_to(case)
            )
        }
        Verdict::MendTheChain => format!(
            "Mend the chain: a perfect one would make the star {} narrower ({}), and neither new settings nor a trim recovers half of that.",
            gain(&ideal.width_gain),
            from_to(ideal)
        ),
    }
}

/// A sentence when a perfect chain at the present settings would surely be worse.
fn helps(perfect: &ChainResult) -> Option<String> {
    let loss = &perfect.present.width_gain;
    (loss.high < 0.0).then(|| {
        format!(
            "At the present settings the width error happens to help: as extra gain on short corrections does with a timid loop or a dead band, and a perfect chain at these settings would make the star {} wider.",
            percent_with_interval(&loss.scaled(-1.0))
        )
    })
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
