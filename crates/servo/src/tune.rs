//! The best settings of the loop, over a spread of plausible skies and mounts.
//!
//! Three stages, each on the same trials for all settings (common random numbers): a coarse grid of
//! timing and gain; the laws, dead bands and shortest widths at the best timings; a fine grid
//! around the best. Then the present and the best settings are compared trial by trial.

use crate::chain_model::Chain;
use crate::error::ServoError;
use crate::outcome::Estimate;
use crate::search::{Candidate, Group, Search, distinct, paired};
pub use crate::search::{Goal, Settings};
use crate::stream::{Source, stream};
use serde::Serialize;
use sky::{Law, Setup};

/// Gains of the coarse grid.
const GAINS: [f64; 10] = [0.08, 0.15, 0.25, 0.35, 0.45, 0.55, 0.7, 0.85, 1.0, 1.2];
/// Factors on the best gains in the fine grid.
const FINE: [f64; 9] = [0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5];
/// Factors on the gains between which the flatness is told.
const FLAT: [f64; 2] = [0.7, 1.35];
/// Timings that go on to the second stage.
const KEPT_TIMINGS: usize = 3;
/// Settings are as good as the best if they are worse by less than this many standard errors of
/// the paired difference ...
const NOISE_ERRORS: f64 = 2.0;
/// ... or by less than this share of the goal, which nobody sees.
const NOISE_SHARE: f64 = 0.002;

/// How far plausible skies and mounts lie around the setup: standard deviations of the natural
/// logarithm of each value. Common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spread {
    /// Of the seeing.
    pub seeing: f64,
    /// Of the wind speed.
    pub wind: f64,
    /// Of periodic error, gear noise and gust size, each apart.
    pub mount: f64,
    /// Of the drift.
    pub drift: f64,
}

impl Default for Spread {
    fn default() -> Self {
        Self {
            seeing: 0.2,
            wind: 0.4,
            mount: 0.25,
            drift: 0.5,
        }
    }
}

/// How a search is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TuneOptions {
    /// What is made least.
    pub goal: Goal,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Number of skies and mounts; the first is the setup itself.
    pub skies: usize,
    /// Long exposures under each.
    pub trials_per_sky: usize,
    /// How far they spread.
    pub spread: Spread,
    /// Threads; 0 takes all.
    pub threads: usize,
    /// Whether exposure, cadence and law may change too, and not only gains, dead band and
    /// shortest width.
    pub timing_and_law: bool,
}

impl Default for TuneOptions {
    fn default() -> Self {
        Self {
            goal: Goal::Fwhm,
            seed: 1,
            skies: 8,
            trials_per_sky: 8,
            spread: Spread::default(),
            threads: 0,
            timing_and_law: true,
        }
    }
}

/// The values of one setting that are as good as the best within the noise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GoodRange {
    /// Key of the setting in the setup, with its unit.
    pub setting: &'static str,
    /// Least value as good.
    pub low: f64,
    /// The recommended value.
    pub best: f64,
    /// Greatest value as good.
    pub high: f64,
}

/// The goal by gain and cadence.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Map {
    /// Gains of both axes.
    pub gains: Vec<f64>,
    /// Cadences in s.
    pub cadences_s: Vec<f64>,
    /// Mean of the goal, one row a cadence; `None` where the loop is unstable or the star is lost.
    pub values: Vec<Vec<Option<f64>>>,
}

/// The best settings and how sure they are.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tuned {
    /// What was made least.
    pub goal: Goal,
    /// The best settings found.
    pub best: Settings,
    /// The goal with them: arcsec, or a ratio for the elongation.
    pub best_value: Estimate,
    /// The goal with the present settings; `None` if they are unstable or lose the star.
    pub present_value: Option<Estimate>,
    /// Present minus best, trial by trial: what the change gains.
    pub improvement: Option<Estimate>,
    /// For each setting the range of values that occur among settings as good as the best within
    /// the noise.
    pub ranges: Vec<GoodRange>,
    /// How much worse the goal gets, as a share, when both gains are lowered to 0.7 and raised to
    /// 1.35 of the best; `None` where that is unstable.
    pub flatness: [Option<f64>; 2],
    /// Gain by cadence with the best law, dead band and shortest width.
    pub map: Map,
    /// Settings that were simulated.
    pub settings_tried: usize,
    /// Skies and mounts over which the goal is averaged.
    pub skies: usize,
    /// What a reader must know about the chain.
    pub warnings: Vec<wire::Warning>,
}

/// Finds the best settings of the setup's loop with a chain (and the trim within it). `progress`
/// is called with the share done, from 0 to 1.
///
/// # Errors
/// [`ServoError`] for values without sense, [`ServoError::TooFewTrials`] for less than two long
/// exposures, [`ServoError::StarLost`] if no setting keeps the star.
pub fn tune(
    setup: &Setup,
    chain: &Chain,
    options: &TuneOptions,
    progress: &dyn Fn(f64),
) -> Result<Tuned, ServoError> {
    let count = options.skies.max(1) * options.trials_per_sky;
    if count < 2 {
        return Err(ServoError::TooFewTrials {
            found: count,
            needed: 2,
        });
    }
    let skies = skies(setup, options);
    let mut search = Search::new(&skies, chain, options.seed, options.threads)?;
    let present = Settings::of(setup);
    let goal = options.goal;
    let mut tuner = Tuner {
        search: &mut search,
        goal,
        trials: options.trials_per_sky,
        tried: 0,
    };
    let start = tuner.best(setup, options.timing_and_law, progress)?;
    let around = tuner.around(&start, setup, options.timing_and_law)?;
    progress(0.8);
    let best = least(&around)?.clone();
    let flatness = tuner.flatness(&best)?;
    let map = tuner.map(&best.settings, setup)?;
    progress(0.95);
    let now = tuner.one(&present)?.filter(|c| !c.lost);
    let tried = tuner.tried;
    progress(1.0);
    let present_value = now.as_ref().map(|c| Estimate::of(&c.values)).transpose()?;
    let improvement = now
        .as_ref()
        .map(|c| {
            let gains: Vec<f64> = c
                .values
                .iter()
                .zip(&best.values)
                .map(|(a, b)| a - b)
                .collect();
            Estimate::of(&gains)
        })
        .transpose()?;
    Ok(Tuned {
        goal,
        best_value: Estimate::of(&best.values)?,
        present_value,
        improvement,
        ranges: ranges(&best, &around, goal),
        flatness,
        map,
        settings_tried: tried,
        skies: options.skies.max(1),
        warnings: chain.warnings(),
        best: best.settings,
    })
}

/// The candidate with the least goal.
///
/// # Errors
/// [`ServoError::StarLost`] if even that loses the star, or there is none.
pub(crate) fn least(candidates: &[Candidate]) -> Result<&Candidate, ServoError> {
    candidates
        .iter()
        .min_by(|a, b| a.mean.total_cmp(&b.mean))
        .filter(|c| !c.lost)
        .ok_or(ServoError::StarLost)
}

/// The skies and mounts: the setup itself, then others around it.
fn skies(setup: &Setup, options: &TuneOptions) -> Vec<Setup> {
    let spread = &options.spread;
    (0..options.skies.max(1))
        .map(|i| {
            let mut setup = setup.clone();
            if i == 0 {
                return setup;
            }
            let mut random = stream(options.seed, i as u64, 0, Source::Spread);
            let mut factor = |sd: f64| libm::exp(sd * random.normal());
            setup.sky.seeing_fwhm_arcsec *= factor(spread.seeing);
            setup.sky.wind_m_s *= factor(spread.wind);
            setup.mount.periodic_error_arcsec *= factor(spread.mount);
            let gear = factor(spread.mount);
            setup.mount.ra_gear_noise_arcsec *= gear;
            setup.mount.dec_gear_noise_arcsec *= gear;
            setup.mount.gust_size_arcsec *= factor(spread.mount);
            let drift = factor(spread.drift);
            setup.mount.polar_error_arcmin *= drift;
            for measured in [
                &mut setup.mount.ra_drift_arcsec_per_min,
                &mut setup.mount.dec_drift_arcsec_per_min,
            ] {
                *measured = measured.map(|d| d * drift);
            }
            setup
        })
        .collect()
}

/// The stages of a search.
pub(crate) struct Tuner<'a, 'b> {
    pub search: &'b mut Search<'a>,
    pub goal: Goal,
    pub trials: usize,
    pub tried: usize,
}

impl Tuner<'_, '_> {
    /// The best pair of gains of each group, best first.
    fn ranked(&mut self, groups: Vec<Group>, trials: usize) -> Result<Vec<Candidate>, ServoError> {
        self.tried += groups
            .iter()
            .map(|g| g.gains[0].len() * g.gains[1].len())
            .sum::<usize>();
        let goal = self.goal;
        let mut best: Vec<Candidate> = self
            .search
            .evaluate(groups, trials)?
            .iter()
            .filter_map(|e| e.best(goal))
            .collect();
        best.sort_by(|a, b| a.mean.total_cmp(&b.mean));
        Ok(best)
    }

    /// One setting; `None` if it is unstable.
    pub fn one(&mut self, settings: &Settings) -> Result<Option<Candidate>, ServoError> {
        let group = Group {
            settings: *settings,
            gains: [
                vec![settings.control.ra_gain],
                vec![settings.control.dec_gain],
            ],
        };
        Ok(self.ranked(vec![group], self.trials)?.into_iter().next())
    }

    /// Coarse grid of timings, then laws, dead bands and shortest widths, on half the trials.
    pub fn best(
        &mut self,
        setup: &Setup,
        timing_and_law: bool,
        progress: &dyn Fn(f64),
    ) -> Result<Settings, ServoError> {
        let present = Settings::of(setup);
        let half = self.trials.div_ceil(2);
        let coarse = |settings: Settings| Group {
            settings,
            gains: [GAINS.to_vec(), GAINS.to_vec()],
        };
        let timings = if timing_and_law {
            let mut groups = Vec::new();
            for settings in timings(setup) {
                for dead_band in distinct(vec![0.0, present.control.dead_band_arcsec]) {
                    let mut settings = settings;
                    settings.control.dead_band_arcsec = dead_band;
                    settings.control.law = Law::Proportional;
                    groups.push(coarse(settings));
                }
            }
            let mut kept: Vec<Settings> = Vec::new();
            for candidate in self.ranked(groups, half)? {
                let mut settings = candidate.settings;
                settings.control.dead_band_arcsec = present.control.dead_band_arcsec;
                let known = |k: &Settings| {
                    k.exposure_s == settings.exposure_s
                        && k.control.cadence_s == settings.control.cadence_s
                };
                if !kept.iter().any(known) && kept.len() < KEPT_TIMINGS {
                    kept.push(settings);
                }
            }
            kept
        } else {
            vec![present]
        };
        progress(0.2);
        let laws = if timing_and_law {
            Law::ALL.to_vec()
        } else {
            vec![present.control.law]
        };
        let mut groups = Vec::new();
        for settings in &timings {
            for law in &laws {
                for dead_band in dead_bands(&present) {
                    for shortest in shortest_widths(&present) {
                        let mut settings = *settings;
                        settings.control.law = *law;
                        settings.control.dead_band_arcsec = dead_band;
                        settings.control.shortest_ms = shortest;
                        groups.push(coarse(settings));
                    }
                }
            }
        }
        let ranked = self.ranked(groups, half)?;
        progress(0.6);
        ranked
            .first()
            .map(|c| c.settings)
            .ok_or(ServoError::Unstable {
                axis: "both axes",
                limit: GAINS[0],
            })
    }

    /// A fine grid around settings, themselves included: all pairs of gains with each change of
    /// one other setting.
    pub fn around(
        &mut self,
        centre: &Settings,
        setup: &Setup,
        timing_and_law: bool,
    ) -> Result<Vec<Candidate>, ServoError> {
        let mut variants = vec![*centre];
        let mut vary = |change: &dyn Fn(&mut Settings, f64), factors: &[f64]| {
            for factor in factors {
                let mut settings = *centre;
                change(&mut settings, *factor);
                variants.push(settings);
            }
        };
        vary(&|s, f| s.control.dead_band_arcsec *= f, &[0.6, 1.5]);
        vary(&|s, f| s.control.shortest_ms *= f, &[0.6, 1.5]);
        if timing_and_law {
            let readout = setup.camera.readout_s;
            vary(
                &|s, f| s.control.cadence_s = (s.control.cadence_s * f).max(s.exposure_s + readout),
                &[0.8, 1.25],
            );
            vary(
                &|s, f| {
                    s.exposure_s *= f;
                    s.control.cadence_s = s.control.cadence_s.max(s.exposure_s + readout);
                },
                &[0.7, 1.4],
            );
            match centre.control.law {
                Law::Memory => vary(
                    &|s, f| s.control.memory = (s.control.memory * f).min(0.95),
                    &[0.5, 1.5],
                ),
                Law::Integral => vary(&|s, f| s.control.integral_gain *= f, &[0.4, 2.5]),
                Law::Proportional | Law::Predictor => {}
            }
        }
        let fine = |gain: f64| distinct(FINE.iter().map(|f| dial(gain * f, 0.01)).collect());
        let groups: Vec<Group> = variants
            .into_iter()
            .map(dialled)
            .filter(|s| s.control.shortest_ms < s.control.longest_ms)
            .filter(|s| s.exposure_s + setup.camera.readout_s <= s.control.cadence_s)
            .map(|settings| Group {
                settings,
                gains: [fine(centre.control.ra_gain), fine(centre.control.dec_gain)],
            })
            .collect();
        self.tried += groups
            .iter()
            .map(|g| g.gains[0].len() * g.gains[1].len())
            .sum::<usize>();
        let evaluated = self.search.evaluate(groups, self.trials)?;
        let goal = self.goal;
        Ok(evaluated
            .iter()
            .flat_map(|e| e.pairs().map(move |pair| e.candidate(goal, pair)))
            .collect())
    }

    /// How much worse lower and higher gains are, as a share of the goal above its floor.
    fn flatness(&mut self, best: &Candidate) -> Result<[Option<f64>; 2], ServoError> {
        let mut shares = [None, None];
        for (share, factor) in shares.iter_mut().zip(FLAT) {
            let mut settings = best.settings;
            settings.control.ra_gain *= factor;
            settings.control.dec_gain *= factor;
            *share = self
                .one(&settings)?
                .filter(|c| !c.lost)
                .map(|c| c.mean / best.mean - 1.0);
        }
        Ok(shares)
    }

    /// Gain by cadence.
    fn map(&mut self, best: &Settings, setup: &Setup) -> Result<Map, ServoError> {
        let shortest = best.exposure_s + setup.camera.readout_s;
        let cadences_s = distinct(
            [1.0, 1.25, 1.6, 2.0, 3.0]
                .iter()
                .map(|f| f * shortest)
                .chain([best.control.cadence_s])
                .collect(),
        );
        let groups: Vec<Group> = cadences_s
            .iter()
            .map(|cadence_s| {
                let mut settings = *best;
                settings.control.cadence_s = *cadence_s;
                Group {
                    settings,
                    gains: [GAINS.to_vec(), GAINS.to_vec()],
                }
            })
            .collect();
        self.tried += groups.len() * GAINS.len();
        let goal = self.goal;
        let values = self
            .search
            .evaluate(groups, self.trials)?
            .iter()
            .map(|e| {
                let mut row = vec![None; GAINS.len()];
                for (i, j) in e.pairs().filter(|(i, j)| i == j) {
                    let candidate = e.candidate(goal, (i, j));
                    if !candidate.lost {
                        row[i] = Some(candidate.mean);
                    }
                }
                row
            })
            .collect();
        Ok(Map {
            gains: GAINS.to_vec(),
            cadences_s,
            values,
        })
    }
}

/// `value` to a whole multiple of `step`, and above 0: what a person can set.
fn dial(value: f64, step: f64) -> f64 {
    (value / step).round().max(1.0) * step
}

/// Settings that a person can set: hundredths of arcsec, of a second and of a memory, whole ms.
fn dialled(mut settings: Settings) -> Settings {
    let c = &mut settings.control;
    let or_none = |value: f64, step: f64| (value / step).round() * step;
    c.dead_band_arcsec = or_none(c.dead_band_arcsec, 0.01);
    c.shortest_ms = or_none(c.shortest_ms, 1.0);
    c.memory = or_none(c.memory, 0.01);
    c.integral_gain = or_none(c.integral_gain, 0.001);
    // The cadence is rounded up, so that exposure and read-out still fit.
    if c.cadence_s > 0.1 {
        c.cadence_s = (c.cadence_s / 0.01 - 1e-6).ceil() * 0.01;
        settings.exposure_s = (settings.exposure_s / 0.01 + 1e-6).floor().max(1.0) * 0.01;
    }
    settings
}

/// Exposures from half to twice the present one, with cadences from the shortest possible.
fn timings(setup: &Setup) -> Vec<Settings> {
    let present = Settings::of(setup);
    let mut timings = Vec::new();
    for exposure_s in [0.5, 1.0, 2.0].map(|f| f * present.exposure_s) {
        let shortest = exposure_s + setup.camera.readout_s;
        let mut cadences: Vec<f64> = [1.0, 1.5, 2.2].iter().map(|f| f * shortest).collect();
        if present.control.cadence_s >= shortest {
            cadences.push(present.control.cadence_s);
        }
        for cadence_s in distinct(cadences) {
            let mut settings = present;
            settings.exposure_s = exposure_s;
            settings.control.cadence_s = cadence_s;
            timings.push(settings);
        }
    }
    timings
}

/// Dead bands to try: none, and from half to twice the present one (or 0.2 arcsec, common
/// practice, no source).
fn dead_bands(present: &Settings) -> Vec<f64> {
    let base = present.control.dead_band_arcsec;
    let base = if base > 0.0 { base } else { 0.2 };
    distinct([0.0, 0.5, 1.0, 2.0].map(|f| f * base).to_vec())
}

/// Shortest widths to try: none, the present one (or 20 ms, common practice, no source), twice it.
fn shortest_widths(present: &Settings) -> Vec<f64> {
    let base = present.control.shortest_ms;
    let base = if base > 0.0 { base } else { 20.0 };
    let mut widths = distinct([0.0, 1.0, 2.0].map(|f| f * base).to_vec());
    widths.retain(|w| *w < present.control.longest_ms);
    widths
}

/// Which values of each setting are as good as the best.
fn ranges(best: &Candidate, around: &[Candidate], goal: Goal) -> Vec<GoodRange> {
    let as_good: Vec<&Candidate> = around
        .iter()
        .filter(|c| {
            let (difference, error) = paired(&c.values, &best.values);
            !c.lost
                && difference
                    <= (NOISE_ERRORS * error).max(NOISE_SHARE * (best.mean - goal.floor()))
        })
        .collect();
    let range = |setting: &'static str, value: fn(&Settings) -> f64| {
        let at = value(&best.settings);
        let (mut low, mut high) = (at, at);
        for c in &as_good {
            low = low.min(value(&c.settings));
            high = high.max(value(&c.settings));
        }
        GoodRange {
            setting,
            low,
            best: at,
            high,
        }
    };
    vec![
        range("ra_gain", |s| s.control.ra_gain),
        range("dec_gain", |s| s.control.dec_gain),
        range("dead_band_arcsec", |s| s.control.dead_band_arcsec),
        range("shortest_ms", |s| s.control.shortest_ms),
        range("exposure_s", |s| s.exposure_s),
        range("cadence_s", |s| s.control.cadence_s),
    ]
}
