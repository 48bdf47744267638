//! Accuracy and exactness of the ladder.

use super::*;
use crate::seeing::Atmosphere;

fn motion(outer_scale_m: f64, aperture_mm: f64) -> ImageMotion {
    let atmosphere = Atmosphere {
        fried_m: 0.04,
        wind_m_s: 10.0,
        outer_scale_m,
        airmass: 1.0,
    };
    atmosphere.motion(aperture_mm)
}

/// The accuracy that the head of this file states.
#[test]
fn the_ladder_follows_the_spectrum_to_eight_percent_up_to_a_quarter_of_the_knee() {
    for aperture_mm in [30.0, 60.0, 120.0, 300.0] {
        for outer_scale_m in [10.0, 25.0, 100.0, 1_000.0] {
            let motion = motion(outer_scale_m, aperture_mm);
            let filter = SeeingFilter::new(&motion);
            let (low, high) = (motion.outer_hz() / 20.0, motion.knee_hz() / 4.0);
            for index in 0..=200 {
                let f = low * (high / low).powf(f64::from(index) / 200.0);
                let ratio = filter.psd(f) / motion.psd(f);
                assert!(
                    (ratio - 1.0).abs() < 0.08,
                    "{aperture_mm} mm, {outer_scale_m} m, {f} Hz: {ratio}"
                );
            }
            let total = filter.variance() / motion.variance();
            assert!((total - 1.0).abs() < 0.01, "{total}");
        }
    }
}

/// What the simulation uses, the variance of a mean, against the integral over the spectrum:
/// within the ladder's accuracy.
#[test]
fn the_variance_of_a_mean_agrees_with_the_spectrum() {
    for outer_scale_m in [25.0, 1_000.0] {
        let motion = motion(outer_scale_m, 60.0);
        let filter = SeeingFilter::new(&motion);
        for exposure in [0.02, 0.1, 0.5, 2.0, 5.0, 20.0] {
            let ratio =
                filter.variance_of_mean(exposure) / motion.variance_after_exposure(exposure);
            assert!(
                (ratio - 1.0).abs() < 0.04,
                "{outer_scale_m} {exposure} {ratio}"
            );
        }
    }
}

/// Two strides in a row must do what one of their joint length does: the moments of value and
/// mean are composed and compared, to rounding.
#[test]
fn two_strides_compose_to_one() {
    let rung = Rung {
        variance: 0.7,
        time_s: 0.8,
    };
    for (first_s, second_s) in [(0.3, 1.1), (0.001, 0.02), (5.0, 0.01), (0.039, 0.041)] {
        let (a, b) = (rung.step(first_s), rung.step(second_s));
        let both = rung.step(first_s + second_s);
        let (wa, wb) = (
            first_s / (first_s + second_s),
            second_s / (first_s + second_s),
        );
        assert!((a.keep * b.keep - both.keep).abs() < 1e-14);
        let share = wa * a.mean_share + wb * b.mean_share * a.keep;
        assert!((share - both.mean_share).abs() < 1e-14);
        // New part of the mean: of the first's own, and of the second's through its start.
        let along = wa * a.mean_sd + wb * b.mean_share * a.along;
        let across = wb * b.mean_share * a.across;
        let variance = along.powi(2) + across.powi(2) + (wb * b.mean_sd).powi(2);
        let relative = variance / both.mean_sd.powi(2) - 1.0;
        // The series of mean_innovation is good to 2e-9.
        assert!(relative.abs() < 1e-8, "{relative}");
        let covariance =
            along * b.keep * a.along + across * b.keep * a.across + wb * b.mean_sd * b.along;
        let relative = covariance / (both.mean_sd * both.along) - 1.0;
        assert!(relative.abs() < 1e-8, "{relative}");
        let value = (b.keep * a.value_sd).powi(2) + b.value_sd.powi(2);
        assert!((value / both.value_sd.powi(2) - 1.0).abs() < 1e-12);
    }
}

/// The stationary law: the mean's conditional and inherited parts add up to the variance of a
/// mean, a second closed form.
#[test]
fn a_stride_keeps_the_stationary_variances() {
    let rung = Rung {
        variance: 2.0,
        time_s: 0.5,
    };
    for interval in [1e-6, 1e-3, 0.02, 0.03, 0.5, 4.0, 1e4] {
        let step = rung.step(interval);
        let value = step.keep.powi(2) * 2.0 + step.along.powi(2) + step.across.powi(2);
        assert!((value - 2.0).abs() < 1e-8, "{interval} {value}");
        let mean = step.mean_share.powi(2) * 2.0 + step.mean_sd.powi(2);
        let expected = rung.variance_of_mean(interval);
        assert!(
            (mean / expected - 1.0).abs() < 1e-8,
            "{interval} {mean} {expected}"
        );
    }
}

/// Monte Carlo: 40,000 independent starts of two means with a gap between them; the standard
/// error of a variance is sqrt(2/n) = 0.7 %, and five of them are allowed.
#[test]
fn drawn_means_have_the_variance_of_the_filter() {
    let motion = motion(25.0, 60.0);
    let count = 40_000;
    for filter in [
        SeeingFilter::new(&motion),
        SeeingFilter::for_means(&motion, 1.0),
    ] {
        let (exposure, gap) = (filter.stride(1.0), filter.stride(0.4));
        let mut random = Random::new(11);
        let (mut first, mut second) = (0.0, 0.0);
        for _ in 0..count {
            let mut state = filter.start(&mut random);
            first += state.advance(&exposure, &mut random).powi(2);
            state.skip(&gap, &mut random);
            second += state.advance(&exposure, &mut random).powi(2);
        }
        for sum in [first, second] {
            let ratio = sum / f64::from(count) / filter.variance_of_mean(1.0);
            assert!((ratio - 1.0).abs() < 0.035, "{ratio}");
        }
    }
}

#[test]
fn fast_processes_are_white_only_when_the_interval_is_long() {
    let motion = motion(25.0, 60.0);
    let all = SeeingFilter::new(&motion);
    let means = SeeingFilter::for_means(&motion, 2.0);
    let mut random = Random::new(3);
    assert!(means.start(&mut random).values.len() < all.start(&mut random).values.len());
    assert_eq!(SeeingFilter::for_means(&motion, 0.0).rungs, all.rungs);
    for interval in [2.0, 10.0] {
        let ratio = means.variance_of_mean(interval) / all.variance_of_mean(interval);
        assert!((ratio - 1.0).abs() < 1e-12);
    }
}

#[test]
fn what_is_no_atmosphere_gives_no_process() {
    for (fried_m, aperture_mm, wind_m_s) in [
        (0.04, 0.0, 10.0),
        (0.0, 60.0, 10.0),
        (0.04, 60.0, 0.0),
        (0.04, 60.0, f64::NAN),
        (0.04, f64::INFINITY, 10.0),
    ] {
        let atmosphere = Atmosphere {
            fried_m,
            wind_m_s,
            outer_scale_m: 25.0,
            airmass: 1.0,
        };
        let motion = atmosphere.motion(aperture_mm);
        let filter = SeeingFilter::new(&motion);
        assert_eq!(filter.rungs().count(), 0);
        let left = motion.variance_after_exposure(1.0);
        assert!(left == 0.0 || !left.is_finite(), "{left}");
    }
}

#[test]
fn unusual_apertures_and_outer_scales_give_a_finite_ladder() {
    for aperture_mm in [5.0, 5_000.0] {
        for outer_scale_m in [1.0, 10_000.0, f64::INFINITY] {
            let motion = motion(outer_scale_m, aperture_mm);
            let filter = SeeingFilter::new(&motion);
            let total = filter.variance() / motion.variance();
            assert!(
                total > 0.9 && total < 1.1,
                "{aperture_mm} {outer_scale_m} {total}"
            );
        }
    }
}
