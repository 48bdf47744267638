use super::*;
use crate::{Sorted, StatsError};
use proptest::prelude::*;

/// One of each family, and a gamma of shape below 1 that only sampling meets.
fn examples() -> [Family; 7] {
    [
        Family::Normal {
            mean: 12.0,
            sd: 3.0,
        },
        Family::ShiftedLognormal {
            shift: 5.0,
            mu: 1.5,
            sigma: 0.5,
        },
        Family::ShiftedGamma {
            shift: 8.0,
            shape: 2.5,
            scale: 3.0,
        },
        Family::ShiftedWeibull {
            shift: 4.0,
            shape: 1.7,
            scale: 6.0,
        },
        Family::ExponentiallyModifiedNormal {
            mean: 9.0,
            sd: 1.0,
            tau: 4.0,
        },
        Family::TwoNormalMixture {
            weight: 0.85,
            mean1: 12.0,
            sd1: 1.0,
            mean2: 25.0,
            sd2: 6.0,
        },
        Family::ShiftedGamma {
            shift: 0.0,
            shape: 0.4,
            scale: 2.0,
        },
    ]
}

fn draw(family: &Family, n: usize, seed: u64) -> Sorted {
    let mut random = Random::new(seed);
    Sorted::new((0..n).map(|_| family.sample(&mut random)).collect()).unwrap()
}

#[test]
fn a_family_comes_back_from_its_name_and_parameters() {
    for family in examples() {
        let parameters = family.parameters();
        let back = Family::from_parameters(family.name(), &parameters);
        assert_eq!(back, Some(family));
        let short = Family::from_parameters(family.name(), &parameters[1..]);
        assert_eq!(short, None, "{family:?}");
        assert_eq!(Family::from_parameters("bell", &parameters), None);
    }
    let negative = [("mean", 1.0), ("sd", -1.0)];
    assert_eq!(Family::from_parameters("normal", &negative), None);
}

#[test]
fn samples_follow_the_distribution_function() {
    for family in examples() {
        let n = 20_000;
        let data = draw(&family, n, 11);
        let mut worst = 0.0f64;
        for (i, x) in data.as_slice().iter().enumerate() {
            worst = worst.max((family.cdf(*x) - (i as f64 + 0.5) / n as f64).abs());
        }
        // Kolmogorov's distribution: sqrt(n) D exceeds 1.95 with chance 0.001.
        assert!(worst * (n as f64).sqrt() < 1.95, "{family:?}: {worst}");
    }
}

#[test]
fn the_true_family_is_chosen_from_many_values_and_fits() {
    for (i, family) in examples()[..6].iter().enumerate() {
        let choice = choose(&draw(family, 4_000, 21 + i as u64)).unwrap();
        assert_eq!(choice.fits[0].family.name(), family.name());
        assert!(choice.fits_data, "{:?}", choice.goodness);
        assert_eq!(choice.fits.len(), 6);
        assert!(choice.fits.is_sorted_by(|a, b| a.aicc <= b.aicc));
        let found = choice.fits[0].family.parameters();
        for ((name, a), (_, b)) in found.iter().zip(family.parameters()) {
            // Standard errors of 4,000 values are a few hundredths of these parameters.
            assert!((a - b).abs() < 0.12 * b.abs() + 0.15, "{name}: {a} for {b}");
        }
    }
}

#[test]
fn no_family_fits_three_narrow_clusters() {
    let mut random = Random::new(3);
    let values = (0..3_000).map(|i| 10.0 * f64::from(i % 3) + random.normal());
    let choice = choose(&Sorted::new(values.collect()).unwrap()).unwrap();
    assert!(!choice.fits_data);
    assert!(choice.goodness.unwrap().p_value_high < 1e-10);
}

#[test]
fn a_true_family_is_seldom_refused() {
    // At level 0.01 of the upper p-value, which is conservative: at most 1 % of 400 tests are
    // expected, and more than 11 happen with chance 0.002.
    let mut refused = 0;
    for seed in 0..400 {
        let family = examples()[seed % 6];
        let data = draw(&family, 150, 1_000 + seed as u64);
        let fitted = fit(family.kind(), &data).unwrap().family;
        let test = goodness_of_fit(&fitted, &data).unwrap().unwrap();
        assert!(test.p_value_low <= test.p_value_high);
        refused += usize::from(test.p_value_high < 0.01);
    }
    assert!(refused <= 11, "{refused} of 400");
}

#[test]
fn rounding_to_a_coarse_step_is_no_misfit_and_moves_no_parameter() {
    for step in [0.5, 1.0, 3.0] {
        let truth = Family::Normal {
            mean: 12.3,
            sd: 3.0,
        };
        let exact = draw(&truth, 6_000, 5);
        let rounded: Vec<f64> = exact
            .as_slice()
            .iter()
            .map(|x| (x / step).round() * step)
            .collect();
        let rounded = Sorted::new(rounded).unwrap();
        let Family::Normal { mean, sd } = fit(FamilyKind::Normal, &rounded).unwrap().family else {
            unreachable!()
        };
        // Rounding to a standard deviation adds 4 % to the standard deviation of the values; the
        // fit takes it out again, to within three standard errors, 3 (3/sqrt(12000)).
        assert!(
            (mean - 12.3).abs() < 0.12 && (sd - 3.0).abs() < 0.085,
            "{step}: {mean} {sd}"
        );
        let choice = choose(&rounded).unwrap();
        assert!(choice.fits_data, "{step}: {:?}", choice.goodness);
    }
}

#[test]
fn the_likelihood_of_coarse_data_is_that_of_their_counts() {
    let values = Sorted::new([0.0, 1.0, 1.0, 2.0, 2.0, 2.0, 3.0, 3.0, 4.0].to_vec()).unwrap();
    let found = fit(FamilyKind::Normal, &values).unwrap();
    let of = |family: Family| -> f64 {
        let terms = values.as_slice().iter();
        terms
            .map(|x| (family.cdf(x + 0.5) - family.cdf(x - 0.5)).ln())
            .sum()
    };
    assert!((found.log_likelihood - of(found.family)).abs() < 1e-9);
    let Family::Normal { mean, sd } = found.family else {
        unreachable!()
    };
    // No neighbor does better, but for the eight nodes that stand for an interval.
    for (dm, ds) in [(0.02, 0.0), (-0.02, 0.0), (0.0, 0.02), (0.0, -0.02)] {
        let near = Family::Normal {
            mean: mean + dm,
            sd: sd + ds,
        };
        assert!(of(near) < found.log_likelihood);
    }
}

#[test]
fn the_optimum_found_on_cells_is_that_of_all_values() {
    for truth in &examples()[1..6] {
        let data = draw(truth, 12_000, 31);
        let found = fit(truth.kind(), &data).unwrap();
        let likelihood = |family: &Family| -> f64 {
            let terms = data.as_slice().iter();
            terms.map(|x| family.ln_pdf(*x)).sum()
        };
        assert!(found.log_likelihood > likelihood(truth));
        let count = truth.parameter_count();
        for i in 0..2 * count {
            let mut moved = found.family;
            // A tenth of a percent: a few hundredths of these parameters' standard errors.
            let factor = if i < count { 1.001 } else { 0.999 };
            *parameter(&mut moved, i % count) *= factor;
            // Within a hundredth, which changes no choice.
            assert!(
                likelihood(&moved) < found.log_likelihood + 0.01,
                "{moved:?}"
            );
        }
    }
}

/// The i-th parameter, to be changed.
fn parameter(family: &mut Family, i: usize) -> &mut f64 {
    match family {
        Family::Normal { mean, sd } => [mean, sd].into_iter().nth(i),
        Family::ShiftedLognormal { shift, mu, sigma } => [shift, mu, sigma].into_iter().nth(i),
        Family::ShiftedGamma {
            shift,
            shape,
            scale,
        }
        | Family::ShiftedWeibull {
            shift,
            shape,
            scale,
        } => [shift, shape, scale].into_iter().nth(i),
        Family::ExponentiallyModifiedNormal { mean, sd, tau } => [mean, sd, tau].into_iter().nth(i),
        Family::TwoNormalMixture {
            weight,
            mean1,
            sd1,
            mean2,
            sd2,
        } => [weight, mean1, sd1, mean2, sd2].into_iter().nth(i),
    }
    .unwrap()
}

#[test]
fn a_mixture_does_not_collapse_on_a_tie() {
    let mut values: Vec<f64> = (0..50)
        .map(|i| f64::from(i * i % 53) + 0.37 * f64::from(i))
        .collect();
    values.extend([20.123; 4]);
    let found = fit(FamilyKind::TwoNormalMixture, &Sorted::new(values).unwrap()).unwrap();
    let Family::TwoNormalMixture { sd1, sd2, .. } = found.family else {
        unreachable!()
    };
    assert!(sd1.min(sd2) > 0.1);
}

#[test]
fn an_exponential_edge_keeps_the_shape_at_its_bound() {
    let mut random = Random::new(9);
    let values = (0..400).map(|_| 3.0 + random.exponential() * random.exponential());
    let data = Sorted::new(values.collect()).unwrap();
    for kind in [FamilyKind::ShiftedGamma, FamilyKind::ShiftedWeibull] {
        let found = fit(kind, &data).unwrap();
        let shape = found.family.parameters()[1].1;
        assert!((1.0..1.0 + 1e-9).contains(&shape));
        assert!(found.family.parameters()[0].1 < data.min());
    }
}

#[test]
fn few_values_are_fitted_without_a_test_and_fewer_are_an_error() {
    let choice = choose(&Sorted::new((0..8).map(|i| f64::from(i * i)).collect()).unwrap()).unwrap();
    assert!(choice.goodness.is_none() && choice.fits_data);
    let few = Sorted::new(vec![1.0; 7]).unwrap();
    assert_eq!(
        choose(&few),
        Err(StatsError::TooFew {
            found: 7,
            needed: 8
        })
    );
    let equal = Sorted::new(vec![1.0; 9]).unwrap();
    assert!(matches!(choose(&equal), Err(StatsError::Degenerate(_))));
}

#[test]
fn a_common_offset_and_scale_change_the_fit_accordingly() {
    let data = draw(&examples()[4], 500, 77);
    let moved = data.as_slice().iter().map(|x| 1e6 + 1024.0 * x).collect();
    let moved = Sorted::new(moved).unwrap();
    for kind in FamilyKind::ALL {
        let (a, b) = (fit(kind, &data).unwrap(), fit(kind, &moved).unwrap());
        // 1e6 rounds the values to 1e-10.
        let expected = a.log_likelihood - 500.0 * 1024f64.ln();
        assert!(
            (b.log_likelihood - expected).abs() < 1e-4,
            "{}",
            kind.name()
        );
    }
}

#[test]
fn parameters_out_of_range_give_nan() {
    let wrong = Family::Normal {
        mean: 0.0,
        sd: -1.0,
    };
    assert!(wrong.pdf(0.0).is_nan() && wrong.cdf(0.0).is_nan() && wrong.quantile(0.5).is_nan());
    assert!(examples()[0].quantile(1.5).is_nan());
    assert!(examples()[0].pdf(f64::NAN).is_nan());
    let mut random = Random::new(1);
    let wrong = Family::ShiftedGamma {
        shift: 0.0,
        shape: -1.0,
        scale: 1.0,
    };
    assert!(wrong.sample(&mut random).is_nan());
}

#[test]
fn the_ends_of_the_support_are_the_outermost_quantiles() {
    for family in examples() {
        assert_eq!(family.quantile(1.0), f64::INFINITY);
        let low = family.quantile(0.0);
        match family.parameters()[0] {
            ("shift", shift) => assert_eq!(low, shift),
            _ => assert_eq!(low, f64::NEG_INFINITY),
        }
        assert_eq!(family.tails(f64::INFINITY), (1.0, 0.0));
        assert_eq!(family.tails(f64::NEG_INFINITY), (0.0, 1.0));
    }
}

proptest! {
    #[test]
    fn the_distribution_function_takes_a_quantile_back(
        which in 0usize..7, p in 1e-9..(1.0 - 1e-9), stretch in 0.1..10.0f64,
    ) {
        let family = match examples()[which] {
            Family::ShiftedGamma { shift, shape, scale } =>
                Family::ShiftedGamma { shift, shape: shape * stretch, scale },
            Family::ExponentiallyModifiedNormal { mean, sd, tau } =>
                Family::ExponentiallyModifiedNormal { mean, sd: sd * stretch, tau },
            other => other,
        };
        let x = family.quantile(p);
        // The place's own rounding moves the distribution function by the density.
        let rounding = 8.0 * f64::EPSILON * x.abs() * family.pdf(x).min(1e3);
        prop_assert!((family.cdf(x) - p).abs() < 1e-11 * p + 1e-14 + rounding);
    }

    #[test]
    fn any_values_are_survived(values in proptest::collection::vec(any::<f64>(), 0..40)) {
        if let Ok(choice) = Sorted::new(values).and_then(|sorted| choose(&sorted)) {
            prop_assert!(choice.fits.iter().all(|f| f.log_likelihood.is_finite()));
        }
    }

    #[test]
    fn few_distinct_values_are_survived(counts in proptest::collection::vec(0u8..4, 8..60)) {
        let values = counts.iter().map(|c| f64::from(*c) * 0.1).collect();
        if let Ok(choice) = choose(&Sorted::new(values).unwrap()) {
            prop_assert!(choice.fits.iter().all(|f| f.log_likelihood.is_finite()));
        }
    }

    #[test]
    fn any_parameters_are_survived(
        a in any::<f64>(), b in any::<f64>(), c in any::<f64>(), x in any::<f64>(), p in 0.0..1.0f64,
    ) {
        for family in [
            Family::Normal { mean: a, sd: b },
            Family::ShiftedLognormal { shift: a, mu: b, sigma: c },
            Family::ShiftedGamma { shift: a, shape: b, scale: c },
            Family::ShiftedWeibull { shift: a, shape: b, scale: c },
            Family::ExponentiallyModifiedNormal { mean: a, sd: b, tau: c },
            Family::TwoNormalMixture { weight: p, mean1: a, sd1: b, mean2: c, sd2: b },
        ] {
            let (lower, upper) = family.tails(x);
            prop_assert!(lower.is_nan() || (0.0..=1.0).contains(&lower));
            prop_assert!(upper.is_nan() || (0.0..=1.0).contains(&upper));
            let _ = (family.ln_pdf(x), family.quantile(p));
        }
    }
}
