//! The loop meets the closed forms to which its model reduces. The forms are derived beside each
//! test; tolerances of random cases are four standard errors over the trials.

mod common;

use common::bare;
use servo::chain_model::{Chain, ChainModel};
use servo::disturbance::{Periodic, Wave};
use servo::loop_sim::LoopCase;
use servo::run::{PreparedLoop, Trials};

/// Mean over trials of `value`, and its standard error.
fn over_trials(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
}

fn frame_variance(case: &LoopCase, count: usize) -> (f64, f64) {
    let prepared = PreparedLoop::new(case).unwrap();
    let values = servo::run::parallel(count, 0, servo::loop_sim::Scratch::default, |scratch, i| {
        prepared.axes[0].run(11, i as u64, scratch);
        scratch.frame_errors.iter().map(|e| e * e).sum::<f64>() / scratch.frame_errors.len() as f64
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
    let mut scratch = servo::loop_sim::Scratch::default();
    prepared.axes[1].run(1, 0, &mut scratch);
    for e in &scratch.frame_errors {
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
    let mut scratch = servo::loop_sim::Scratch::default();
    let trial = prepared.axes[0].run(1, 0, &mut scratch);
    for pair in scratch.frame_errors.windows(2) {
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
