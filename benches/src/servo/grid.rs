//! What `tune` finds beside the best of a fine grid.

use std::sync::Arc;

use ::servo::chain_model::{Chain, PreparedChain};
use ::servo::law::PreparedLaw;
use ::servo::loop_sim::{LoopCase, PreparedAxis, Scratch};
use ::servo::run::{in_lanes, parallel};
use ::servo::stability::LinearLoop;
use ::servo::stream::LANES;
use ::servo::tune::{Goal, Settings, TuneOptions, tune};
use sky::{Law, Setup};

use crate::{median_s, time};

const ROUNDS: usize = 3;
/// Long exposures of each setting: on the grid, for its best again, and for the comparison.
const GRID_TRIALS: usize = 32;
const FINAL_TRIALS: usize = 500;
const JUDGED_TRIALS: usize = 4000;
/// Settings of the grid that are simulated again: the best of many is flattered by its own trials.
const FINALISTS: usize = 40;
const SEEDS: [u64; 3] = [1001, 1002, 1003];

/// Factors on the present exposure; on the shortest cadence of the exposure; dead bands in arcsec;
/// shortest widths in ms; factors on memory and integral gain.
const EXPOSURES: [f64; 6] = [0.35, 0.5, 0.7, 1.0, 1.4, 2.0];
const CADENCES: [f64; 4] = [1.0, 1.2, 1.5, 2.0];
const DEAD_BANDS: [f64; 5] = [0.0, 0.05, 0.1, 0.2, 0.4];
const SHORTEST_MS: [f64; 3] = [0.0, 20.0, 40.0];
const FACTORS: [f64; 3] = [0.4, 1.0, 1.6];
/// Gains of each axis, in equal ratios.
const GAINS: usize = 28;
const GAIN_ENDS: (f64, f64) = (0.05, 1.5);

/// Settings with the mean of the goal.
type Found = (Settings, f64);

pub fn run(setup: &Setup, chain: &Chain) {
    // One sky, that of the setup, so that the grid looks for the same.
    let options = TuneOptions {
        skies: 1,
        trials_per_sky: 64,
        ..TuneOptions::default()
    };
    let once = |options: &TuneOptions| tune(setup, chain, options, &|_| {}).expect("a stable loop");
    let wall =
        |options: &TuneOptions| median_s((0..ROUNDS).map(|_| time(|| once(options)).0).collect());
    let (one_sky, many_skies) = (wall(&options), wall(&TuneOptions::default()));
    let tuned = once(&options).best;
    let settings = grid(setup);
    let (took, mut found) = time(|| {
        parallel(settings.len(), 2, Scratch::default, |scratch, i| {
            best_gains(setup, chain, &settings[i], scratch)
        })
    });
    found.sort_by(|a, b| a.1.total_cmp(&b.1));
    let finalists: Vec<Settings> = found.iter().take(FINALISTS).map(|f| f.0).collect();
    let best = finalists
        .iter()
        .map(|s| (*s, goal(setup, chain, s, SEEDS[1], FINAL_TRIALS)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .expect("some finalists")
        .0;
    let judged = |s: &Settings| goal(setup, chain, s, SEEDS[2], JUDGED_TRIALS);
    let (present, own, grids) = (judged(&Settings::of(setup)), judged(&tuned), judged(&best));
    println!("### Tuning the default setup with a measured chain\n");
    println!("| what | time | star, arcsec |\n|---|---|---|");
    println!("| present settings | | {present:.4} |");
    println!("| `tune`, one sky, 64 long exposures | {one_sky:.2} s | {own:.4} |");
    println!("| `tune`, 8 skies of 8 long exposures | {many_skies:.2} s | |");
    println!(
        "| best of a grid of {} settings | {:.0} s | {grids:.4} |",
        settings.len() * GAINS * GAINS,
        took.as_secs_f64()
    );
    println!(
        "\n`tune` is {:.2} % above the grid.\n",
        100.0 * (own / grids - 1.0)
    );
    println!("- `tune`: {}\n- grid: {}\n", told(&tuned), told(&best));
}

fn told(s: &Settings) -> String {
    let c = &s.control;
    format!(
        "{:?}, gains {:.3} and {:.3}, dead band {:.3} arcsec, shortest {:.0} ms, exposure {:.2} s, cadence {:.2} s, memory {:.2}, integral gain {:.3}",
        c.law,
        c.ra_gain,
        c.dec_gain,
        c.dead_band_arcsec,
        c.shortest_ms,
        s.exposure_s,
        c.cadence_s,
        c.memory,
        c.integral_gain
    )
}

/// All settings but the gains.
fn grid(setup: &Setup) -> Vec<Settings> {
    let present = Settings::of(setup);
    let mut all = Vec::new();
    for law in Law::ALL {
        for factor in FACTORS {
            let mut control = present.control;
            control.law = law;
            match law {
                Law::Memory => control.memory = (control.memory * factor).min(0.95),
                Law::Integral => control.integral_gain *= factor,
                // These have no number of their own.
                Law::Proportional | Law::Predictor if factor != 1.0 => continue,
                Law::Proportional | Law::Predictor => {}
            }
            for exposure in EXPOSURES {
                for cadence in CADENCES {
                    for dead_band in DEAD_BANDS {
                        for shortest in SHORTEST_MS {
                            let exposure_s = present.exposure_s * exposure;
                            control.cadence_s = (exposure_s + setup.camera.readout_s) * cadence;
                            control.dead_band_arcsec = dead_band;
                            control.shortest_ms = shortest;
                            all.push(Settings {
                                exposure_s,
                                control,
                            });
                        }
                    }
                }
            }
        }
    }
    all
}

/// The best gains of settings: the axes are independent, so that each is simulated alone.
fn best_gains(setup: &Setup, chain: &Chain, settings: &Settings, scratch: &mut Scratch) -> Found {
    let case = LoopCase::from_setup(&settings.applied_to(setup), chain).expect("good settings");
    let prepared = Arc::new(chain.prepare().expect("a good chain"));
    let ratio = (GAIN_ENDS.1 / GAIN_ENDS.0).powf(1.0 / (GAINS - 1) as f64);
    let gains: Vec<f64> = (0..GAINS as i32)
        .map(|i| GAIN_ENDS.0 * ratio.powi(i))
        .collect();
    let axis = |axis: usize, scratch: &mut Scratch| -> Vec<Option<Vec<f64>>> {
        let law = PreparedLaw::new(case.axes[axis].control.law, case.timing.cadence_s)
            .expect("a good law");
        let mut one = |gain: f64| {
            let law = law.with_gain(gain);
            variances(&case, axis, &prepared, law, scratch)
        };
        gains.iter().map(|gain| one(*gain)).collect()
    };
    let (ra, dec) = (axis(0, scratch), axis(1, scratch));
    let mut best = (*settings, f64::INFINITY);
    for (i, ra) in ra.iter().enumerate() {
        for (j, dec) in dec.iter().enumerate() {
            let (Some(ra), Some(dec)) = (ra, dec) else {
                continue;
            };
            let value = mean_goal(case.star_fwhm_arcsec, ra, dec);
            if value < best.1 {
                best.1 = value;
                (best.0.control.ra_gain, best.0.control.dec_gain) = (gains[i], gains[j]);
            }
        }
    }
    best
}

/// Variance of each trial of one axis; `None` if the loop is unstable or loses the star.
fn variances(
    case: &LoopCase,
    axis: usize,
    chain: &Arc<PreparedChain>,
    law: PreparedLaw,
    scratch: &mut Scratch,
) -> Option<Vec<f64>> {
    let linear = LinearLoop::new(&law, &case.timing, 0.0).ok()?;
    if !linear.is_stable(1.0) {
        return None;
    }
    let prepared = PreparedAxis::with_law(case, axis, chain, law).ok()?;
    (0..GRID_TRIALS)
        .step_by(LANES)
        .flat_map(|first| prepared.run(SEEDS[0], first as u64, scratch))
        .map(|result| (!result.star_lost).then(|| result.variance()))
        .collect()
}

fn mean_goal(star_fwhm: f64, ra: &[f64], dec: &[f64]) -> f64 {
    let sum: f64 = ra
        .iter()
        .zip(dec)
        .map(|(r, d)| Goal::Fwhm.value(star_fwhm, *r, *d))
        .sum();
    sum / ra.len() as f64
}

/// The goal of settings with their gains; infinite if the star is lost.
fn goal(setup: &Setup, chain: &Chain, settings: &Settings, seed: u64, trials: usize) -> f64 {
    let case = LoopCase::from_setup(&settings.applied_to(setup), chain).expect("good settings");
    let prepared = Arc::new(chain.prepare().expect("a good chain"));
    let axes = [0, 1].map(|axis| PreparedAxis::new(&case, axis, &prepared).expect("a good axis"));
    let values = in_lanes(trials, 2, Scratch::default, |scratch, first| {
        let [ra, dec] = [0, 1].map(|axis| axes[axis].run(seed, first, scratch));
        std::array::from_fn(|lane| {
            let (ra, dec) = (&ra[lane], &dec[lane]);
            if ra.star_lost || dec.star_lost {
                return f64::INFINITY;
            }
            Goal::Fwhm.value(case.star_fwhm_arcsec, ra.variance(), dec.variance())
        })
    });
    values.iter().sum::<f64>() / trials as f64
}
