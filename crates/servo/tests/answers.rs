//! What the loop's answers say: effective gain, cycles, oscillations, budget, tuning, bad input.

mod common;

use common::bare;
use servo::ServoError;
use servo::budget::{Cause, cause_budget};
use servo::chain_model::{Chain, ChainModel};
use servo::law::{Law, PreparedLaw};
use servo::loop_sim::{LoopCase, Scratch};
use servo::outcome::{Star, outcome};
use servo::run::{PreparedLoop, Trials};
use servo::stability::{
    LinearLoop, cycle_amplitude, cycle_by_describing_function, effective_gain,
    effective_gain_normal,
};
use servo::tune::{Goal, TuneOptions, tune};
use sky::Setup;

fn constant(error_ms: f64, delay_ms: f64) -> Chain {
    Chain::of(ChainModel::Constant { error_ms, delay_ms })
}

#[test]
fn effective_gains_are_the_least_squares_lines_of_their_inputs() {
    // By definition (Gelb & Vander Velde 1968) the describing function is <x f(x)> / <x^2>, here
    // with f(x) = g x + e sign(x), by midpoint sums: over a cycle, and over a normal density.
    let f = |x: f64| 0.6 * x + 0.1 * x.signum();
    let n = 100_000;
    let (mut top, mut bottom) = (0.0, 0.0);
    for i in 0..n {
        let x = 0.25 * (std::f64::consts::TAU * (f64::from(i) + 0.5) / f64::from(n)).sin();
        top += x * f(x);
        bottom += x * x;
    }
    assert!((effective_gain(0.6, 0.1, 0.25) - top / bottom).abs() < 1e-8);
    (top, bottom) = (0.0, 0.0);
    for i in 0..n {
        let z = 20.0 * (f64::from(i) + 0.5) / f64::from(n) - 10.0;
        let (x, weight) = (0.25 * z, (-0.5 * z * z).exp());
        top += weight * x * f(x);
        bottom += weight * x * x;
    }
    assert!((effective_gain_normal(0.6, 0.1, 0.25) - top / bottom).abs() < 1e-7);
}

/// Largest frame mean of a loop with a constant width error worth 0.1 arcsec, started by a drift
/// too small to matter; and what the describing function predicts.
fn cycle(gain: f64, delay_ms: f64) -> (f64, f64) {
    let mut case = bare(gain);
    case.chain = constant(1.0, delay_ms);
    case.axes[0].disturbances.drift_arcsec_per_s = 1e-9;
    let prepared = PreparedLoop::new(&case).unwrap();
    let mut scratch = Scratch::default();
    prepared.axes[0].run(1, 0, &mut scratch);
    let found = scratch.frame_errors[0]
        .iter()
        .fold(0.0f64, |m, e| m.max(e.abs()));
    let law = PreparedLaw::new(Law::Proportional { gain }, case.timing.cadence_s).unwrap();
    let margins = LinearLoop::new(&law, &case.timing, 1e-3 * delay_ms)
        .unwrap()
        .margins();
    (
        found,
        cycle_by_describing_function(gain, &margins, 0.1).unwrap(),
    )
}

#[test]
fn the_describing_function_predicts_the_cycle_with_and_without_delay() {
    let (found, predicted) = cycle(0.6, 0.0);
    let exact = cycle_amplitude(0.6, 0.1).unwrap();
    assert!((found - exact).abs() < 1e-7, "{found} {exact}");
    assert!((predicted * std::f64::consts::FRAC_PI_4 - exact).abs() < 1e-9);
    // One frame of delay: the limit is a gain of 1 and the cycle is no sinusoid either; a
    // describing function is good to some tenths there.
    let (found, predicted) = cycle(0.5, 3000.0);
    assert!((found / predicted - 1.0).abs() < 0.3, "{found} {predicted}");
    // A pulse that is too short starts no cycle, an unstable loop has no steady one.
    assert_eq!(cycle_amplitude(0.6, -0.1), None);
    assert_eq!(cycle_amplitude(2.0, 0.1), None);
}

#[test]
fn oscillations_are_found_with_their_period_and_cause() {
    let trials = Trials::new(2, 8);
    let mut case = bare(0.6);
    case.span_s = 600.0;
    for axis in &mut case.axes {
        axis.disturbances.centroid_noise_arcsec = 0.01;
    }
    assert_eq!(outcome(&case, &trials).unwrap().axes[0].oscillation, None);
    case.chain = constant(2.0, 0.0);
    let swing = outcome(&case, &trials).unwrap().axes[0]
        .oscillation
        .clone()
        .unwrap();
    assert_eq!(swing.period_s, 6.0);
    assert_eq!(swing.cause, "the width error of the chain");
    // A gain of 0.9 under one frame of delay: the limit is 1, at six frames.
    case.chain = constant(0.0, 3000.0);
    for axis in &mut case.axes {
        axis.control.law = Law::Proportional { gain: 0.9 };
    }
    let result = outcome(&case, &trials).unwrap();
    let swing = result.axes[0].oscillation.clone().unwrap();
    assert!((swing.period_s / 18.0 - 1.0).abs() < 0.1, "{swing:?}");
    assert!(swing.cause.contains("gain"));
    let critical = result.axes[0].margins.critical_period_s.unwrap();
    assert!((critical / 18.0 - 1.0).abs() < 0.01, "{critical}");
}

#[test]
fn shares_of_a_linear_loop_add_up() {
    let mut case = bare(0.4);
    case.span_s = 600.0;
    for axis in &mut case.axes {
        axis.disturbances.centroid_noise_arcsec = 0.3;
        axis.disturbances.gear.sd_arcsec = 0.4;
        axis.disturbances.gear.time_s = 10.0;
    }
    let budget = cause_budget(&case, &Trials::new(5, 400), &|_| {}).unwrap();
    let causes: Vec<Cause> = budget.causes.iter().map(|c| c.cause).collect();
    assert_eq!(causes, [Cause::GearNoise, Cause::CentroidNoise]);
    for axis in 0..2 {
        // Independent causes of a linear loop add their variances; their chance correlation in
        // 400 exposures of 200 frames is below a percent, times 4.
        assert!(budget.interaction[axis].abs() < 0.03, "{budget:?}");
        // Without gear noise the closed form g/(2-g) s^2 is left.
        let total: f64 = 0.4 / 1.6 * 0.09 / (1.0 - budget.causes[0].variance_share[axis].value);
        let all = outcome(&case, &Trials::new(5, 400)).unwrap();
        let rms = all.axes[axis].rms_arcsec.value;
        // The form holds for the continuous error too, which stands still between corrections.
        // About its own mean over 200 frames an autoregression of coefficient 1-g loses
        // (2-g)/(200 g) = 2 % of its variance; the share itself is good to a percent or so.
        let expected = 0.98 * total;
        assert!(
            (rms * rms / expected - 1.0).abs() < 0.02,
            "{} {expected}",
            rms * rms
        );
    }
}

/// A setup with a short long exposure, so that searches stay quick without optimisation.
fn quick() -> Setup {
    let mut setup = Setup::default();
    setup.imaging.exposure_s = 120.0;
    setup
}

#[test]
fn tuning_comes_within_two_percent_of_a_fine_grid() {
    let setup = quick();
    let chain = constant(12.0, 20.0);
    let options = TuneOptions {
        goal: Goal::Rms,
        seed: 3,
        skies: 1,
        trials_per_sky: 24,
        timing_and_law: false,
        ..TuneOptions::default()
    };
    let tuned = tune(&setup, &chain, &options, &|_| {}).unwrap();
    let mut least = f64::INFINITY;
    for dead_band in [0.0, 0.05, 0.1, 0.2, 0.3] {
        for shortest in [0.0, 10.0, 20.0, 30.0] {
            // Each axis has its own gain: the least of each is independent of the other.
            let mut variances = [Vec::new(), Vec::new()];
            for gain in (1..=12).map(|i| 0.08 * f64::from(i)) {
                let mut setup = setup.clone();
                setup.control.ra_gain = gain;
                setup.control.dec_gain = gain;
                setup.control.dead_band_arcsec = dead_band;
                setup.control.shortest_ms = shortest;
                let case = LoopCase::from_setup(&setup, &chain).unwrap();
                let results = PreparedLoop::new(&case)
                    .unwrap()
                    .run_all(&Trials::new(3, 24));
                for (axis, list) in variances.iter_mut().enumerate() {
                    list.push(
                        results
                            .iter()
                            .map(|t| t.axes[axis].variance())
                            .collect::<Vec<_>>(),
                    );
                }
            }
            for ra in &variances[0] {
                for dec in &variances[1] {
                    let rms = ra.iter().zip(dec).map(|(a, b)| (a + b).sqrt()).sum::<f64>() / 24.0;
                    least = least.min(rms);
                }
            }
        }
    }
    assert!(
        tuned.best_value.value < 1.02 * least,
        "{} {least}",
        tuned.best_value.value
    );
    // The present settings are among those compared, and the map says nothing else.
    assert!(tuned.improvement.unwrap().value > 0.0);
    for range in &tuned.ranges {
        assert!(
            range.low <= range.best && range.best <= range.high,
            "{range:?}"
        );
    }
    assert_eq!(tuned.map.values.len(), tuned.map.cadences_s.len());
    let same = tune(
        &setup,
        &chain,
        &TuneOptions {
            threads: 1,
            ..options
        },
        &|_| {},
    )
    .unwrap();
    assert_eq!(tuned, same);
}

#[test]
fn bad_input_is_an_error_that_says_what_to_do() {
    let chain = Chain::perfect();
    let mut setup = quick();
    setup.camera.exposure_s = 4.0;
    let error = LoopCase::from_setup(&setup, &chain).unwrap_err();
    assert!(matches!(error, ServoError::CadenceTooShort { .. }));
    assert!(error.to_string().contains("lengthen the cadence"));
    setup = quick();
    setup.mount.ra_rate = 0.0;
    let case = LoopCase::from_setup(&setup, &chain).unwrap();
    let error = PreparedLoop::new(&case).unwrap_err();
    assert!(error.to_string().contains("guide rate"), "{error}");
    setup = quick();
    setup.target.declination_deg = 90.0;
    let case = LoopCase::from_setup(&setup, &chain).unwrap();
    assert!(PreparedLoop::new(&case).is_err());
    setup = quick();
    setup.control.dec_gain = 2.2;
    let case = LoopCase::from_setup(&setup, &chain).unwrap();
    let error = outcome(&case, &Trials::new(1, 10)).unwrap_err();
    assert!(
        error.to_string().contains("unstable in declination"),
        "{error}"
    );
    let mut runaway = bare(0.5);
    runaway.axes[0].disturbances.drift_arcsec_per_s = 2.0;
    runaway.axes[0].control.longest_ms = 1.0;
    assert_eq!(
        outcome(&runaway, &Trials::new(1, 4)),
        Err(ServoError::StarLost)
    );
    assert!(outcome(&bare(0.5), &Trials::new(1, 1)).is_err());
}

#[test]
fn no_gain_is_an_unguided_mount_and_not_an_error() {
    // A drift of r over a span of T leaves a variance of (r T)^2 / 12 about its mean.
    let mut case = bare(0.0);
    case.axes[0].disturbances.drift_arcsec_per_s = 0.01;
    case.span_s = 300.0;
    let result = outcome(&case, &Trials::new(1, 2)).unwrap();
    let expected: f64 = 3.0 / 12f64.sqrt();
    assert!((result.axes[0].rms_arcsec.value - expected).abs() < 1e-9);
    let star = Star::new(2.0, expected * expected, 0.0, 0.0);
    assert!((result.elongation.value - star.elongation()).abs() < 1e-6);
    assert_eq!(result.axes[0].pulses.per_min, 0.0);
}

#[test]
fn carrying_short_corrections_loses_nothing_of_their_sum() {
    // With carry the requests of a drift too slow for the shortest width still add up to it: in
    // balance the mount moves what the star drifts, 0.004 arcsec/s = 40 us of pulse per second.
    use servo::chain_model::{Below, Trim};
    let mut case = bare(0.3);
    case.axes[0].disturbances.drift_arcsec_per_s = 0.004;
    case.chain.trim = Trim::Linear {
        offset_ms: 0.0,
        scale: 0.0,
        shortest_ms: 0.5,
        below: Below::Carry,
    };
    let prepared = PreparedLoop::new(&case).unwrap();
    let [trial, ..] = prepared.axes[0].run(1, 0, &mut Scratch::default());
    // A cut at both ends of the 3000 s leaves up to one carried width of 0.5 ms and one request.
    assert!((trial.width_ms - 120.0).abs() < 1.5, "{}", trial.width_ms);
    assert!(trial.requests < 250, "{}", trial.requests);
}
