//! The loop meets the closed forms to which its model reduces. The forms are derived beside each
//! test; tolerances of random cases are four standard errors over the trials.

mod common;

use common::bare;
use servo::chain_model::{Chain, ChainModel, MissingAt};
use servo::disturbance::{Gusts, Periodic, Wave};
use servo::loop_sim::{LoopCase, Scratch};
use servo::run::{PreparedLoop, TrialResult, Trials, in_lanes};

/// Mean over trials of `value`, and its standard error.
fn over_trials(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
}

fn frame_variance(case: &LoopCase, count: usize) -> (f64, f64) {
    let prepared = PreparedLoop::new(case).unwrap();
    let values = in_lanes(count, 0, Scratch::default, |scratch, first| {
        prepared.axes[0].run(11, first, scratch);
        let square = |errors: &Vec<f64>| errors.iter().map(|e| e * e).sum::<f64>();
        let mean_square = |errors: &Vec<f64>| square(errors) / errors.len() as f64;
        scratch.frame_errors.each_ref().map(mean_square)
    });
    over_trials(&values)
}

#[test]
fn white_measurement_noise_gives_g_over_2_minus_g() {
    // e' = (1-g) e - g n: an autoregression of order 1.
    for g in [0.1, 0.5, 1.0, 1.6] {
        let mut case = bare(g);
        case.axes[0].disturbances.centroid_noise_arcsec = 0.4;
        let (found, error) = frame_variance(&case, 200);
        let expected = g / (2.0 - g) * 0.16;
        assert!(
            (found - expected).abs() < 4.0 * error,
            "g {g}: {found} {expected} +- {error}"
        );
        assert!(error < 0.01 * expected);
    }
}

#[test]
fn one_more_frame_of_delay_gives_its_own_form() {
    // e'' = e' - g (e + n): an autoregression of order 2.
    for g in [0.1, 0.5, 0.8] {
        let mut case = bare(g);
        case.axes[0].disturbances.centroid_noise_arcsec = 0.4;
        case.chain = Chain::of(ChainModel::Constant {
            error_ms: 0.0,
            delay_ms: 3000.0,
        });
        let (found, error) = frame_variance(&case, 200);
        let expected = g * (1.0 + g) / ((1.0 - g) * (2.0 + g)) * 0.16;
        assert!(
            (found - expected).abs() < 4.0 * error,
            "g {g}: {found} {expected} +- {error}"
        );
        assert!(error < 0.02 * expected);
    }
}

#[test]
fn a_drift_lags_by_its_rate_over_the_gain() {
    // In balance each frame corrects what it drifts: g e = r T, e at the middle of the exposure.
    let mut case = bare(0.4);
    case.axes[1].disturbances.drift_arcsec_per_s = -0.02;
    let prepared = PreparedLoop::new(&case).unwrap();
    let mut scratch = Scratch::default();
    prepared.axes[1].run(1, 0, &mut scratch);
    for e in &scratch.frame_errors[0] {
        // The warm-up of 100 frames leaves 0.6^100 of the start.
        assert!((e + 0.02 * 3.0 / 0.4).abs() < 1e-9, "{e}");
    }
}

#[test]
fn a_constant_width_error_cycles_with_e_over_2_minus_g() {
    // x -> (1-g) x - e sign(x) has the two-frame cycle |x| = e / (2-g). A pulse of e = 0.1 arcsec
    // is 1 ms at 100 arcsec/s. A drift that starts the cycle is small against it.
    let mut case = bare(0.6);
    case.chain = Chain::of(ChainModel::Constant {
        error_ms: 1.0,
        delay_ms: 0.0,
    });
    case.axes[0].disturbances.drift_arcsec_per_s = 1e-9;
    let prepared = PreparedLoop::new(&case).unwrap();
    let mut scratch = Scratch::default();
    let [trial, ..] = prepared.axes[0].run(1, 0, &mut scratch);
    for pair in scratch.frame_errors[0].windows(2) {
        // The drift of 3e-9 a frame, divided by the gain, moves the cycle's centre.
        assert!((pair[0].abs() - 0.1 / 1.4).abs() < 2e-8, "{pair:?}");
        assert!(pair[0] * pair[1] < 0.0);
    }
    // The first request of the long exposure reverses the last of the warm-up.
    assert_eq!(trial.reversals, trial.requests);
}

#[test]
fn a_sinusoid_is_left_with_the_sensitivity_of_the_loop() {
    // |S| = |(1 - z^-1) / (1 - (1-g) z^-1)| at z = exp(i w T), for the frame means, which are
    // themselves sin(wE/2) / (wE/2) of the sinusoid.
    let (g, period, amplitude) = (0.5, 60.0, 5.0);
    let mut case = bare(g);
    case.axes[0].disturbances.periodic = Periodic {
        period_s: period,
        waves: vec![Wave {
            order: 1,
            amplitude_arcsec: amplitude,
            phase_rad: 0.3,
        }],
        random_start: true,
    };
    let (found, _) = frame_variance(&case, 3);
    let w = std::f64::consts::TAU / period;
    let (c, s) = ((w * 3.0f64).cos(), (w * 3.0f64).sin());
    let top = ((1.0 - c).powi(2) + s * s).sqrt();
    let bottom = ((1.0 - (1.0 - g) * c).powi(2) + ((1.0 - g) * s).powi(2)).sqrt();
    let averaged = (0.5 * w).sin() / (0.5 * w);
    let expected = (amplitude * averaged * top / bottom).powi(2) / 2.0;
    // 3000 s hold 50 whole periods of 20 frames, so that the mean square is exact but for the
    // warm-up's remainder and pulses of up to 27 ms, which end before the exposure.
    assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
}

#[test]
fn trials_have_the_same_bits_on_any_number_of_threads() {
    let mut case = bare(0.7);
    for axis in &mut case.axes {
        axis.disturbances.centroid_noise_arcsec = 0.3;
        axis.disturbances.gear.sd_arcsec = 0.2;
    }
    let prepared = PreparedLoop::new(&case).unwrap();
    let run = |threads| {
        prepared.run_all(&Trials {
            seed: 4,
            count: 37,
            threads,
        })
    };
    let one = run(1);
    assert_eq!(one.len(), 37);
    assert_eq!(one, run(2));
    assert_eq!(one, run(7));
    assert_ne!(one[0].axes[0].mean_square, one[1].axes[0].mean_square);
    assert_ne!(one[0].axes[0].mean_square, one[0].axes[1].mean_square);
}

/// Everything at once: pulses later than a frame, gusts, losses, and stars that leave the camera.
fn rough() -> LoopCase {
    let mut case = bare(0.7);
    case.span_s = 300.0;
    for axis in &mut case.axes {
        let what = &mut axis.disturbances;
        what.drift_arcsec_per_s = 0.01;
        what.centroid_noise_arcsec = 0.3;
        what.gear.sd_arcsec = 0.2;
        what.seeing = vec![what.gear];
        what.gusts = Gusts {
            per_s: 0.02,
            size_arcsec: 150.0,
            decay_s: 2.0,
        };
        axis.backlash_arcsec = 0.1;
    }
    case.chain = Chain::of(ChainModel::Constant {
        error_ms: 1.0,
        delay_ms: 3500.0,
    });
    case.chain.missing = vec![MissingAt {
        requested_ms: 10.0,
        probability: 0.1,
    }];
    case
}

#[test]
fn a_trial_has_the_same_bits_in_any_lane_beside_any_others() {
    let prepared = PreparedLoop::new(&rough()).unwrap();
    let all = prepared.run_all(&Trials::new(4, 40));
    let lost = |t: &TrialResult| t.axes.iter().any(|a| a.star_lost);
    assert!(all.iter().any(lost) && !all.iter().all(lost));
    for first in 0..37 {
        let beside = prepared.run(4, first as u64, &mut Default::default());
        assert_eq!(beside, all[first..first + 4]);
    }
}

#[test]
fn the_bits_are_those_of_trials_run_one_by_one() {
    // Kept from the version that ran each trial alone and scalar.
    let prepared = PreparedLoop::new(&rough()).unwrap();
    let all = prepared.run_all(&Trials::new(4, 3));
    let found = [0, 1, 2].map(|i: usize| {
        let [ra, dec] = &all[i].axes;
        [ra.mean_square, dec.mean, all[i].covariance].map(f64::to_bits)
    });
    let kept = [
        [
            0x4090_ba95_11c7_9277,
            0x3fe4_3004_de4f_7862,
            0x4074_1b5e_290d_852b,
        ],
        [
            0x4072_e51f_6fde_5ace,
            0x3ffa_1cbd_8e4d_c612,
            0x4032_5250_b2e2_c73b,
        ],
        [
            0x407d_8373_e05d_9267,
            0xbffe_8635_035a_37cb,
            0x4055_672e_e9a3_152b,
        ],
    ];
    assert_eq!(found, kept);
}
