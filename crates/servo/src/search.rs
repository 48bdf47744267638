//! The search under [`tune`](crate::tune) and [`judge`](crate::judge): many settings over the same
//! trials.
//!
//! The axes are independent but for the timing, so that each gain is simulated for one axis alone,
//! and the star of every pair of gains follows from the two lists of variances.

use crate::chain_model::{Chain, PreparedChain};
use crate::error::ServoError;
use crate::law::PreparedLaw;
use crate::loop_sim::{LoopCase, PreparedAxis, Scratch};
use crate::outcome::Star;
use crate::run::parallel;
use crate::stability::{LinearChain, LinearLoop};
use crate::stream::LANES;
use serde::Serialize;
use sky::{Control, Setup};
use std::collections::HashMap;
use std::sync::Arc;

/// A variance in arcsec^2 that stands for a lost star: larger than any that keeps it.
const LOST: f64 = 1e8;

/// What is made least.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Goal {
    /// The star's width.
    #[default]
    Fwhm,
    /// The tracking RMS of both axes together.
    Rms,
    /// The star's elongation.
    Elongation,
}

impl Goal {
    /// The value of the goal for one long exposure: arcsec, or a ratio for the elongation.
    pub fn value(self, star_fwhm: f64, ra_variance: f64, dec_variance: f64) -> f64 {
        match self {
            Goal::Fwhm => Star::new(star_fwhm, ra_variance, dec_variance, 0.0).fwhm_arcsec(),
            Goal::Rms => libm::sqrt(ra_variance + dec_variance),
            Goal::Elongation => Star::new(star_fwhm, ra_variance, dec_variance, 0.0).elongation(),
        }
    }

    /// The smallest value there is, for a flatness or a share: 1 for the elongation.
    pub(crate) fn floor(self) -> f64 {
        match self {
            Goal::Elongation => 1.0,
            _ => 0.0,
        }
    }
}

/// The settings of a loop that can be chosen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Settings {
    /// Length of a guide exposure in s.
    pub exposure_s: f64,
    /// Everything of the setup's section `[loop]`.
    pub control: Control,
}

impl Settings {
    /// Those of a setup.
    pub fn of(setup: &Setup) -> Self {
        Self {
            exposure_s: setup.camera.exposure_s,
            control: setup.control,
        }
    }

    /// The setup with these settings. A measured centroid noise goes with the square root of the
    /// exposure, as photon noise does.
    pub fn applied_to(&self, setup: &Setup) -> Setup {
        let mut setup = setup.clone();
        if let Some(noise) = &mut setup.camera.centroid_noise_arcsec {
            *noise *= libm::sqrt(setup.camera.exposure_s / self.exposure_s);
        }
        setup.camera.exposure_s = self.exposure_s;
        setup.control = self.control;
        setup
    }

    /// The bits that tell settings apart but for the gains: the law with its numbers, the timing
    /// and the limits.
    fn law_key(&self) -> [u64; 6] {
        let c = &self.control;
        [
            c.law as u64,
            c.memory.to_bits(),
            c.integral_gain.to_bits(),
            u64::from(c.predictor_harmonics),
            self.exposure_s.to_bits(),
            c.cadence_s.to_bits(),
        ]
    }
}

/// The trials of a search: skies and mounts, each with its own trials.
pub(crate) struct Search<'a> {
    skies: &'a [Setup],
    chain: Arc<PreparedChain>,
    plain: Chain,
    seed: u64,
    threads: usize,
    /// Loops by sky and exposure, whose seeing is costly to prepare.
    bases: HashMap<(usize, u64), LoopCase>,
    laws: HashMap<[u64; 6], [PreparedLaw; 2]>,
}

/// One combination of all settings but the gains, and the gains to try with it.
pub(crate) struct Group {
    pub settings: Settings,
    /// For right ascension and declination.
    pub gains: [Vec<f64>; 2],
}

/// One pair of gains of a group.
#[derive(Debug, Clone)]
pub(crate) struct Candidate {
    pub settings: Settings,
    /// The goal in each trial.
    pub values: Vec<f64>,
    /// Mean over the trials.
    pub mean: f64,
    /// Whether the star was lost in a trial.
    pub lost: bool,
}

/// What a group gave: the variances of each gain in each trial.
pub(crate) struct Evaluated {
    settings: Settings,
    gains: [Vec<f64>; 2],
    /// By axis and gain; empty for an unstable one.
    variances: [Vec<Vec<f64>>; 2],
    star_fwhm: Vec<f64>,
}

impl Evaluated {
    /// All pairs of stable gains.
    pub fn pairs(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let stable = move |axis: usize| {
            (0..self.gains[axis].len()).filter(move |i| !self.variances[axis][*i].is_empty())
        };
        stable(0).flat_map(move |i| stable(1).map(move |j| (i, j)))
    }

    /// The pair of gains with the places `i` and `j`.
    pub fn candidate(&self, goal: Goal, (i, j): (usize, usize)) -> Candidate {
        let (ra, dec) = (&self.variances[0][i], &self.variances[1][j]);
        let values: Vec<f64> = self
            .star_fwhm
            .iter()
            .zip(ra.iter().zip(dec))
            .map(|(s, (r, d))| goal.value(*s, *r, *d))
            .collect();
        let mut settings = self.settings;
        settings.control.ra_gain = self.gains[0][i];
        settings.control.dec_gain = self.gains[1][j];
        Candidate {
            settings,
            mean: values.iter().sum::<f64>() / values.len() as f64,
            lost: ra.iter().chain(dec).any(|v| *v >= LOST),
            values,
        }
    }

    /// The best pair, if any is stable.
    pub fn best(&self, goal: Goal) -> Option<Candidate> {
        self.pairs()
            .map(|pair| self.candidate(goal, pair))
            .min_by(|a, b| a.mean.total_cmp(&b.mean))
    }
}

impl<'a> Search<'a> {
    /// # Errors
    /// [`ServoError`] of a chain without sense.
    pub fn new(
        skies: &'a [Setup],
        chain: &Chain,
        seed: u64,
        threads: usize,
    ) -> Result<Self, ServoError> {
        Ok(Self {
            skies,
            chain: Arc::new(chain.prepare()?),
            plain: chain.clone(),
            seed,
            threads,
            bases: HashMap::new(),
            laws: HashMap::new(),
        })
    }

    /// The loop of a sky under settings.
    fn case(&mut self, sky: usize, settings: &Settings) -> Result<LoopCase, ServoError> {
        let key = (sky, settings.exposure_s.to_bits());
        let setup = settings.applied_to(&self.skies[sky]);
        if !self.bases.contains_key(&key) {
            let case = LoopCase::from_setup(&setup, &self.plain)?;
            self.bases.insert(key, case);
        }
        let mut case = self.bases[&key].clone();
        case.apply(&setup)?;
        Ok(case)
    }

    /// The laws of both axes, from the first sky; prepared once for each timing.
    fn laws(&mut self, settings: &Settings) -> Result<[PreparedLaw; 2], ServoError> {
        let key = settings.law_key();
        if let Some(laws) = self.laws.get(&key) {
            return Ok(laws.clone());
        }
        let case = self.case(0, settings)?;
        let law =
            |axis: usize| PreparedLaw::new(case.axes[axis].control.law, settings.control.cadence_s);
        let laws = [law(0)?, law(1)?];
        self.laws.insert(key, laws.clone());
        Ok(laws)
    }

    /// Simulates all gains of all groups in `trials` trials of each sky.
    ///
    /// # Errors
    /// [`ServoError`] of settings without sense. An unstable gain is no error: it is left out.
    pub fn evaluate(
        &mut self,
        groups: Vec<Group>,
        trials: usize,
    ) -> Result<Vec<Evaluated>, ServoError> {
        let mut work: Vec<(usize, usize, usize, PreparedAxis)> = Vec::new();
        let mut evaluated: Vec<Evaluated> = Vec::new();
        for (g, group) in groups.into_iter().enumerate() {
            let laws = self.laws(&group.settings)?;
            let cases: Vec<LoopCase> = (0..self.skies.len())
                .map(|sky| self.case(sky, &group.settings))
                .collect::<Result<_, _>>()?;
            let mut variances = [
                vec![Vec::new(); group.gains[0].len()],
                vec![Vec::new(); group.gains[1].len()],
            ];
            for axis in 0..2 {
                let chain = LinearChain::new(&self.chain, axis);
                for (place, gain) in group.gains[axis].iter().enumerate() {
                    let law = laws[axis].with_gain(*gain);
                    let linear = LinearLoop::behind(&law, &cases[0].timing, &chain)?;
                    if *gain > 0.0 && !linear.is_stable(1.0) {
                        continue;
                    }
                    variances[axis][place].reserve(trials * cases.len());
                    for case in &cases {
                        let prepared =
                            PreparedAxis::with_law(case, axis, &self.chain, law.clone())?;
                        work.push((g, axis, place, prepared));
                    }
                }
            }
            let star_fwhm = cases
                .iter()
                .flat_map(|c| std::iter::repeat_n(c.star_fwhm_arcsec, trials))
                .collect();
            evaluated.push(Evaluated {
                settings: group.settings,
                gains: group.gains,
                variances,
                star_fwhm,
            });
        }
        let skies = self.skies.len();
        let seed = self.seed;
        let results = parallel(work.len(), self.threads, Scratch::default, |scratch, i| {
            // Items of one gain stand in the order of the skies.
            let sky = i % skies;
            (0..trials)
                .step_by(LANES)
                .flat_map(|t| work[i].3.run(seed, (sky * trials + t) as u64, scratch))
                .take(trials)
                .map(|trial| {
                    if trial.star_lost {
                        LOST
                    } else {
                        trial.variance()
                    }
                })
                .collect::<Vec<f64>>()
        });
        for ((g, axis, place, _), variances) in work.iter().zip(results) {
            evaluated[*g].variances[*axis][*place].extend(variances);
        }
        Ok(evaluated)
    }
}

/// `values` in ascending order without repeats.
pub(crate) fn distinct(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values.dedup_by(|a, b| (*a - *b).abs() <= 1e-9 * b.abs());
    values
}

/// Mean and standard error of the differences `a - b`, trial by trial.
pub(crate) fn paired(a: &[f64], b: &[f64]) -> (f64, f64) {
    let n = a.len().min(b.len()) as f64;
    let mean = a.iter().zip(b).map(|(x, y)| x - y).sum::<f64>() / n;
    let square: f64 = a
        .iter()
        .zip(b)
        .map(|(x, y)| (x - y - mean) * (x - y - mean))
        .sum();
    (mean, libm::sqrt(square / (n - 1.0).max(1.0) / n))
}
