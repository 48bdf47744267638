use super::*;

fn gear(sd_arcsec: f64, time_s: f64) -> Disturbances {
    Disturbances {
        gear: Correlated { sd_arcsec, time_s },
        ..Disturbances::none()
    }
}

/// Variance of the mean of a stationary process with correlation exp(-t/T) over `x = h/T`:
/// 2 (x - 1 + exp(-x)) / x^2 of its variance (integral of the triangle-weighted correlation).
fn mean_variance(x: f64) -> f64 {
    2.0 * (x - 1.0 + libm::exp(-x)) / (x * x)
}

#[test]
fn the_bridge_and_the_free_integral_give_the_known_variance_of_a_mean() {
    // On both sides of the change from series to closed form at 0.02.
    for x in [0.005, 0.0199, 0.0201, 0.3, 2.0, 40.0] {
        let step = Step::new(&gear(1.0, 1.0), x, true).unwrap();
        let ends = 2.0 * (1.0 + step.keep);
        let bridged = step.mean_gain * step.mean_gain * ends + step.mean_spread * step.mean_spread;
        let frame = SeeingStep::new(
            &[Correlated {
                sd_arcsec: 1.0,
                time_s: 1.0,
            }],
            x,
            x * 1.5,
        )
        .unwrap();
        let expected = mean_variance(x);
        // The expected form itself loses 2 eps / x^2 to cancellation: 2e-11 at x = 0.005.
        assert!((bridged - expected).abs() < 1e-10, "bridge at {x}");
        assert!(
            (frame.frame_variance() - expected).abs() < 1e-10,
            "frame at {x}"
        );
    }
}

#[test]
fn frames_of_seeing_have_the_covariance_of_the_process() {
    let process = Correlated {
        sd_arcsec: 0.7,
        time_s: 1.3,
    };
    let (exposure, cadence) = (1.0, 2.5);
    let step = SeeingStep::new(&[process], exposure, cadence).unwrap();
    let mut motion = SeeingMotion::new(&step, 5, 0, 0);
    let frames = 400_000;
    let means: Vec<f64> = (0..frames)
        .map(|_| motion.frame_mean(&step).as_array()[0])
        .collect();
    let lagged = means.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / (frames - 1) as f64;
    // Covariance of two means of length E, T apart: sd^2 (1-e^-x)(e^x-1)/x^2 e^(-T/time).
    let x = exposure / process.time_s;
    let expected = 0.49 * (1.0 - libm::exp(-x)) * (libm::exp(x) - 1.0) / (x * x)
        * libm::exp(-cadence / process.time_s);
    // Standard error about var / sqrt(n) = 0.37 / 632; four of them.
    assert!(
        (lagged - expected).abs() < 4.0 * 0.4 / 632.0,
        "{lagged} {expected}"
    );
}

#[test]
fn periodic_error_and_drift_have_the_mean_and_end_of_their_formula() {
    let what = Disturbances {
        drift_arcsec_per_s: 0.03,
        periodic: Periodic {
            period_s: 480.0,
            waves: vec![
                Wave {
                    order: 1,
                    amplitude_arcsec: 10.0,
                    phase_rad: 0.4,
                },
                Wave {
                    order: 4,
                    amplitude_arcsec: 1.5,
                    phase_rad: -2.0,
                },
            ],
            random_start: false,
        },
        ..Disturbances::none()
    };
    let formula = |t: f64| {
        let turn = TAU * t / 480.0;
        10.0 * (turn + 0.4).sin() + 1.5 * (4.0 * turn - 2.0).sin() + 0.03 * t
    };
    let step = Step::new(&what, 3.0, true).unwrap();
    let mut motion = MountMotion::new(&what, 1, 0, 0);
    let mut knots = <[Vec<Knot>; LANES]>::default();
    for k in 0..500 {
        let mean = motion.advance(&step, &mut knots).mean.as_array()[0];
        let from = 3.0 * f64::from(k);
        // Midpoint sum of 3000 pieces: its error is of the order of (1 ms)^2.
        let sum: f64 = (0..3000)
            .map(|i| formula(from + (f64::from(i) + 0.5) * 1e-3))
            .sum();
        assert!((mean - (sum / 3000.0 - formula(0.0))).abs() < 1e-7);
        assert!((motion.value().as_array()[0] - (formula(from + 3.0) - formula(0.0))).abs() < 1e-9);
    }
}

#[test]
fn gusts_obey_campbells_theorem_and_their_mean_is_that_of_their_knots() {
    let what = Disturbances {
        gusts: Gusts {
            per_s: 0.4,
            size_arcsec: 1.2,
            decay_s: 1.5,
        },
        ..Disturbances::none()
    };
    let step = Step::new(&what, 2.0, true).unwrap();
    let mut motion = MountMotion::new(&what, 3, 0, 0);
    let mut knots = <[Vec<Knot>; LANES]>::default();
    let (mut square, mut worst): (f64, f64) = (0.0, 0.0);
    let steps = 200_000;
    for _ in 0..steps {
        let passage = motion.advance(&step, &mut knots);
        let knots = &knots[0];
        if knots.len() == 2 && passage.start.as_array()[0] == 0.0 {
            // Without a gust nothing moves here.
            assert_eq!(
                (
                    passage.mean.as_array()[0],
                    passage.start.as_array()[0],
                    passage.end.as_array()[0]
                ),
                (0.0, 0.0, 0.0)
            );
            continue;
        }
        let mean = passage.mean.as_array()[0];
        let (first, last) = (knots[0], knots[knots.len() - 1]);
        assert_eq!(
            (first.at_s, first.after),
            (0.0, passage.start.as_array()[0])
        );
        assert_eq!(last.at_s, 2.0);
        // The last gust may have been put out as too small: a thousandth of its size.
        assert!((last.after - passage.end.as_array()[0]).abs() < 2e-3);
        let mut chords = 0.0;
        for pair in knots.windows(2) {
            let (h, a, b) = (pair[1].at_s - pair[0].at_s, pair[0].after, pair[1].before);
            chords += 0.5 * h * (a + b);
            square += h * (a * a + a * b + b * b) / 3.0;
        }
        let largest = knots
            .iter()
            .map(|k| k.after.abs().max(k.before.abs()))
            .fold(0.0, f64::max);
        worst = worst.max((chords / 2.0 - mean).abs() / (largest + 1e-9));
    }
    // Campbell 1909: variance = rate * size^2 * integral of exp(-2t/decay) = rate size^2 decay / 2.
    let expected = 0.4 * 1.44 * 1.5 / 2.0;
    let found = square / (2.0 * f64::from(steps));
    // Kurtosis and correlation make the standard error about 0.6 %; chords add up to 1 %.
    assert!((found / expected - 1.0).abs() < 0.03, "{found} {expected}");
    // A chord over a third of the decay time misses (1/3)^2 / 12 = 0.93 % of the height.
    assert!(worst < 0.012, "{worst}");
}

#[test]
fn senseless_disturbances_are_refused() {
    let mut what = gear(1.0, 0.0);
    assert!(Step::new(&what, 1.0, true).is_err());
    what = gear(f64::NAN, 1.0);
    assert!(Step::new(&what, 1.0, true).is_err());
    assert!(Step::new(&gear(1.0, 1.0), 0.0, true).is_err());
    assert!(SeeingStep::new(&[], 2.0, 1.0).is_err());
}
