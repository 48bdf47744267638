//! No input makes a function panic or hang: the ends of the range of doubles, equal values, one
//! value, none, and what is not finite.

use stats::{Sorted, StatsError, bootstrap, compare, moments, order, regression, robust, trend};

fn awkward() -> Vec<Vec<f64>> {
    let step = |n: u32, f: fn(f64) -> f64| (0..n).map(|i| f(f64::from(i))).collect::<Vec<f64>>();
    vec![
        vec![],
        vec![1.0],
        vec![0.0, -0.0],
        vec![f64::MAX, f64::MIN],
        vec![f64::MAX, f64::MIN, 0.0, f64::MAX, 1e300],
        vec![f64::MIN_POSITIVE, 5e-324, -5e-324, 0.0, 1e-310],
        vec![7.0; 9],
        vec![7.0; 300],
        step(1600, |i| (i * 0.7).sin() * f64::MAX),
        step(300, |i| (i * 0.7).sin() * 1e-310),
        step(1600, |i| 1.0 + (i % 2.0) * f64::EPSILON),
        step(1600, |i| (i * 0.37).tan()),
        step(300, |i| (i * 0.01).exp2() * 1e-300),
    ]
}

#[test]
fn no_input_makes_a_function_panic() {
    let lists = awkward();
    for x in &lists {
        let _ = moments::moments(x);
        let _ = moments::lag1_autocorrelation(x);
        let _ = trend::mann_kendall(x);
        let _ = bootstrap::bca_moments(x, 0.95, 100, 1);
        let mean = |v: &mut [f64]| v.iter().sum::<f64>() / v.len() as f64;
        if x.len() < 100 {
            let _ = bootstrap::bca(x, mean, 0.95, 100, 1);
        }
        if let Ok(sorted) = Sorted::new(x.clone()) {
            assert!(sorted.as_slice().is_sorted());
            for p in [f64::NAN, -1.0, 0.0, 1e-300, 0.5, 1.0, 2.0] {
                let _ = order::quantile(&sorted, p);
                let _ = order::quantile_interval(&sorted, p, 0.95);
                let _ = order::median_interval(&sorted, p);
                let _ = robust::trimmed_mean(&sorted, p);
                let _ = bootstrap::exact_trimmed_mean(&sorted, p);
            }
            let _ = robust::mad_sd(&sorted);
            let _ = robust::qn(&sorted);
            let _ = bootstrap::exact_median(&sorted);
        }
        for y in &lists {
            let _ = compare::hodges_lehmann(x, y, 0.95);
            let _ = compare::mann_whitney(x, y);
            let _ = compare::cliffs_delta(x, y, 0.95);
            let _ = compare::brown_forsythe(&[x, y]);
            let _ = compare::kruskal_wallis(&[x, y]);
            let _ = trend::theil_sen(x, y, 0.95);
            let _ = regression::simple(x, y);
            let _ = regression::huber(x, y);
            let _ = regression::polynomial(x, y, 3);
            let _ = regression::least_squares(&[vec![1.0; x.len()], x.clone()], y);
        }
    }
}

#[test]
fn what_is_not_finite_is_named() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let list = vec![1.0, 2.0, bad, 4.0];
        let error = StatsError::NotFinite { index: 2 };
        let fine = [1.0, 2.0, 3.0, 4.0];
        assert_eq!(Sorted::new(list.clone()).unwrap_err(), error);
        assert_eq!(moments::moments(&list).unwrap_err(), error);
        assert_eq!(trend::mann_kendall(&list).unwrap_err(), error);
        assert_eq!(trend::theil_sen(&fine, &list, 0.9).unwrap_err(), error);
        assert_eq!(compare::mann_whitney(&list, &fine).unwrap_err(), error);
        assert_eq!(compare::kruskal_wallis(&[&fine, &list]).unwrap_err(), error);
        assert_eq!(regression::huber(&list, &fine).unwrap_err(), error);
        assert_eq!(regression::simple(&fine, &list).unwrap_err(), error);
        assert_eq!(
            bootstrap::bca_moments(&list, 0.9, 100, 1).unwrap_err(),
            error
        );
    }
}

/// The special functions give NaN outside their domains and end for every argument inside.
#[test]
fn special_functions_take_any_number() {
    use stats::special::*;
    let numbers = [
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::MAX,
        -1.0,
        -0.0,
        0.0,
        5e-324,
        1e-300,
        0.5,
        1.0,
        3.0,
        1e5,
        1e9,
    ];
    for a in numbers {
        let _ = (
            normal_pdf(a),
            normal_cdf(a),
            normal_sf(a),
            normal_ln_cdf(a),
            normal_quantile(a),
        );
        let _ = (digamma(a), trigamma(a), ln_gamma(a));
        for b in numbers {
            let _ = (
                gamma_lower_regularized(a, b),
                gamma_upper_regularized(a, b),
                chi2_sf(a, b),
            );
            let _ = (student_t_sf(a, b), student_t_quantile(a, b));
            let _ = (
                binomial_pmf(3, 10, a),
                binomial_cdf(3, 10, a),
                binomial_quantile(a, 10, b),
            );
            for c in numbers {
                let _ = (beta_regularized(a, b, c), f_sf(a, b, c));
            }
        }
    }
    assert!(normal_quantile(1.5).is_nan() && normal_cdf(f64::NAN).is_nan());
    assert!(gamma_lower_regularized(-1.0, 1.0).is_nan() && digamma(-2.0).is_nan());
    assert!(beta_regularized(1.0, 1.0, 2.0).is_nan() && student_t_sf(1.0, 0.0).is_nan());
    assert_eq!(
        (normal_quantile(0.0), normal_quantile(1.0)),
        (f64::NEG_INFINITY, f64::INFINITY)
    );
}

/// Both tails sum to 1, and neither is NaN, over the range of parameters that is promised.
#[test]
fn incomplete_functions_converge_for_parameters_up_to_1e8() {
    use stats::special::{beta_regularized, gamma_lower_regularized, gamma_upper_regularized};
    for i in 0..36 {
        let a = 0.07 * 1.8f64.powi(i);
        for share in [1e-3, 0.3, 0.9, 0.999, 1.0, 1.0001, 1.01, 1.5, 20.0] {
            let both =
                gamma_lower_regularized(a, a * share) + gamma_upper_regularized(a, a * share);
            assert!((both - 1.0).abs() < 1e-12, "gamma {a} {share}");
            let b = a * share;
            let x = a / (a + b) * if i % 2 == 0 { 1.0 } else { 0.999 };
            let both = beta_regularized(a, b, x) + beta_regularized(b, a, 1.0 - x);
            assert!((both - 1.0).abs() < 1e-9, "beta {a} {b} {x}: {both}");
        }
    }
}
