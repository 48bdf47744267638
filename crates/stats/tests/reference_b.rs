//! Normality tests, families, fits and the Rayleigh power against SciPy, statsmodels and astropy
//! (`references/stats_b.py`; the versions are in `references/stats_b.json`).

use serde_json::Value;
use stats::family::{Family, FamilyKind, fit, goodness_of_fit};
use stats::normality::{anderson_darling, shapiro_wilk};
use stats::tick::{Group, Quantity, periodogram};
use stats::{Sorted, StatsError};

fn references() -> Value {
    serde_json::from_str(include_str!("references/stats_b.json")).expect("the file is JSON")
}

fn rows<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().expect("a list")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().expect("a list");
    list.iter().map(number).collect()
}

fn sorted(value: &Value) -> Sorted {
    Sorted::new(numbers(value)).expect("finite values")
}

/// |a - b| <= relative |b| + absolute.
fn assert_close(a: f64, b: f64, relative: f64, absolute: f64, what: &str) {
    assert!(
        (a - b).abs() <= relative * b.abs() + absolute,
        "{what}: {a} against {b}"
    );
}

fn family(name: &str, p: &[f64]) -> Family {
    match (name, p) {
        ("normal", &[mean, sd]) => Family::Normal { mean, sd },
        ("shifted_lognormal", &[shift, mu, sigma]) => Family::ShiftedLognormal { shift, mu, sigma },
        ("shifted_gamma", &[shift, shape, scale]) => Family::ShiftedGamma {
            shift,
            shape,
            scale,
        },
        ("shifted_weibull", &[shift, shape, scale]) => Family::ShiftedWeibull {
            shift,
            shape,
            scale,
        },
        ("exponentially_modified_normal", &[mean, sd, tau]) => {
            Family::ExponentiallyModifiedNormal { mean, sd, tau }
        }
        _ => panic!("no family {name}"),
    }
}

#[test]
fn anderson_darling_agrees_with_statsmodels() {
    for case in rows(&references(), "normality") {
        let data = sorted(&case["x"]);
        let result = anderson_darling(&data);
        let Some(statistic) = case["a2"].as_f64() else {
            // Too few values, or a straggler for which statsmodels gives infinity.
            match result {
                Err(error) => assert!(matches!(error, StatsError::TooFew { .. })),
                Ok(test) => assert!(test.statistic.is_finite() && test.p_value < 1e-9),
            }
            continue;
        };
        let result = result.expect("enough values");
        let name = case["name"].as_str().expect("a name");
        // statsmodels takes ln(1 - cdf) from a rounded cdf; and its mean of values about 1e7 (the
        // case "offset") is rounded to 2e-9.
        assert_close(result.statistic, statistic, 1e-8, 1e-10, name);
        assert_close(result.p_value, number(&case["a2_p"]), 1e-7, 1e-12, name);
    }
}

#[test]
fn shapiro_wilk_agrees_with_scipy() {
    for case in rows(&references(), "normality") {
        let result = shapiro_wilk(&sorted(&case["x"])).expect("a valid size");
        let name = case["name"].as_str().expect("a name");
        // SciPy follows the published Fortran, with its own normal quantiles of 1e-9 or so. The
        // p-value magnifies W's last digits through ln(1 - W).
        assert_close(result.statistic, number(&case["w"]), 1e-7, 0.0, name);
        assert_close(result.p_value, number(&case["w_p"]), 2e-5, 1e-12, name);
    }
}

#[test]
fn densities_distribution_functions_and_quantiles_agree_with_scipy_far_into_the_tails() {
    for case in rows(&references(), "functions") {
        let name = case["family"].as_str().expect("a name");
        let law = family(name, &numbers(&case["parameters"]));
        // SciPy's exponentially modified normal subtracts nearly equal terms in the tails: it is
        // held to an absolute tolerance here, and to 60-digit arithmetic below.
        let modified = name == "exponentially_modified_normal";
        for (i, x) in numbers(&case["x"]).into_iter().enumerate() {
            let what = format!("{name} at {x}");
            match case["ln_pdf"][i].as_f64() {
                Some(ln_pdf) => {
                    // A logarithm near 0 has its error from the terms it is the sum of.
                    assert_close(law.ln_pdf(x), ln_pdf, 1e-11, 1e-10, &what);
                    assert_close(law.pdf(x), ln_pdf.exp(), 1e-9, 0.0, &what);
                }
                None => assert!(law.ln_pdf(x) < -700.0, "{what}: {}", law.ln_pdf(x)),
            }
            let (relative, absolute) = if modified {
                (1e-9, 1e-14)
            } else {
                (1e-9, 1e-300)
            };
            assert_close(
                law.cdf(x),
                number(&case["cdf"][i]),
                relative,
                absolute,
                &what,
            );
            assert_close(law.sf(x), number(&case["sf"][i]), relative, absolute, &what);
        }
        for (i, p) in numbers(&case["p"]).into_iter().enumerate() {
            let x = law.quantile(p);
            let what = format!("{name} quantile {p}");
            // The place itself is rounded, which moves the distribution function by the density.
            let rounding = 4.0 * f64::EPSILON * x.abs() * law.pdf(x);
            assert_close(law.cdf(x), p, 1e-10, rounding, &what);
            if !modified {
                let expected = number(&case["quantile"][i]);
                assert_close(x, expected, 1e-9, 1e-12, &what);
            }
        }
    }
}

#[test]
fn the_exponentially_modified_normal_keeps_its_digits_in_both_tails() {
    for case in rows(&references(), "modified_normal_tails") {
        let law = family(
            "exponentially_modified_normal",
            &numbers(&case["parameters"]),
        );
        let x = number(&case["x"]);
        let what = format!("{law:?} at {x}");
        assert_close(law.ln_pdf(x), number(&case["ln_pdf"]), 1e-12, 1e-12, &what);
        // With tau = 90 sd the lower tail is a difference that loses about two digits, and a
        // place 30 deviations out multiplies the rounding of x by 900.
        assert_close(law.cdf(x), number(&case["cdf"]), 1e-11, 1e-320, &what);
        assert_close(law.sf(x), number(&case["sf"]), 1e-11, 1e-320, &what);
    }
}

#[test]
fn fits_reach_the_likelihood_that_scipy_reaches() {
    for case in rows(&references(), "fits") {
        let name = case["family"].as_str().expect("a name");
        let kind = FamilyKind::ALL
            .into_iter()
            .find(|k| k.name() == name)
            .expect("a known family");
        let data = sorted(&case["x"]);
        let found = fit(kind, &data).expect("a fit");
        let expected = number(&case["log_likelihood"]);
        assert!(
            found.log_likelihood >= expected - 1e-6,
            "{name} of {}: {} against {expected}",
            data.len(),
            found.log_likelihood
        );
        let sum: f64 = data
            .as_slice()
            .iter()
            .map(|x| found.family.ln_pdf(*x))
            .sum();
        // The fit's own sum runs in another order and with the platform's logarithm.
        assert_close(found.log_likelihood, sum, 1e-11, 0.0, name);
        let (n, p) = (data.len() as f64, kind.parameter_count() as f64);
        let aicc = -2.0 * sum + 2.0 * p * n / (n - p - 1.0);
        assert_close(found.aicc, aicc, 1e-11, 0.0, name);
    }
}

#[test]
fn the_goodness_of_fit_agrees_with_scipy_chisquare() {
    for case in rows(&references(), "goodness") {
        let data = sorted(&case["x"]);
        let normal = fit(FamilyKind::Normal, &data).expect("a fit").family;
        let test = goodness_of_fit(&normal, &data)
            .expect("valid data")
            .expect("enough values");
        assert_eq!(test.cells as f64, number(&case["cells"]));
        // Counts are whole; the expected counts are n/k to rounding.
        assert_close(
            test.statistic,
            number(&case["statistic"]),
            1e-9,
            1e-9,
            "chi-squared",
        );
        assert_close(test.p_value_low, number(&case["p_low"]), 1e-8, 1e-14, "low");
        assert_close(
            test.p_value_high,
            number(&case["p_high"]),
            1e-8,
            1e-14,
            "high",
        );
    }
}

#[test]
fn the_power_at_a_period_is_that_of_astropys_rayleigh_test() {
    for case in rows(&references(), "rayleigh") {
        let widths = numbers(&case["x"]);
        let period = number(&case["period"]);
        let groups = [Group {
            requested: 0.0,
            widths: &widths,
        }];
        let line = periodogram(&groups, Quantity::Error, period * 0.999, period * 1.001, 3)
            .expect("valid data");
        // The histogram's linear weights and the linear interpolation between frequencies of a
        // quarter of the resolution cost up to about 2 %.
        assert_close(line[1].1, number(&case["power"]), 0.02, 0.005, "power");
        // astropy's p-value is exp(-z) with Wilkie's (1983) next terms, of order 1/n.
        let z = widths.len() as f64 * number(&case["power"]).powi(2);
        assert_close((-z).exp(), number(&case["p"]), 1.0, 0.01, "p-value");
    }
}

#[test]
#[ignore = "needs Python with scipy, statsmodels, astropy and mpmath; install: python3 -m venv v && v/bin/pip install scipy statsmodels astropy mpmath, then PULSEWRIGHT_PYTHON=v/bin/python"]
fn references_are_remade_b() {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/references");
    let output = std::env::temp_dir().join(format!("stats_b_{}.json", std::process::id()));
    let status = std::process::Command::new(python)
        .arg(format!("{folder}/stats_b.py"))
        .arg(&output)
        .status()
        .expect("Python starts");
    assert!(status.success());
    let text = std::fs::read_to_string(&output).expect("the script wrote its file");
    std::fs::remove_file(&output).expect("the file can be removed");
    let made: Value = serde_json::from_str(&text).expect("the file is JSON");
    let kept = references();
    for (key, value) in kept.as_object().expect("an object") {
        match key.as_str() {
            "versions" => {}
            // A search's end depends on the library's version.
            "fits" => compare(value, &made[key], 1e-6, key),
            _ => compare(value, &made[key], 1e-9, key),
        }
    }
}

/// Compares two trees of numbers.
fn compare(kept: &Value, made: &Value, tolerance: f64, path: &str) {
    match (kept, made) {
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{path}");
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                compare(a, b, tolerance, &format!("{path}/{i}"));
            }
        }
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.len(), b.len(), "{path}");
            for (key, a) in a {
                // Parameters are where the likelihood is flat: its value is what is compared.
                if key != "scipy_parameters" && key != "scipy_fit" {
                    compare(a, &b[key], tolerance, &format!("{path}/{key}"));
                }
            }
        }
        (Value::Number(_), Value::Number(_)) => {
            assert_close(number(made), number(kept), tolerance, 1e-300, path);
        }
        _ => assert_eq!(kept, made, "{path}"),
    }
}
