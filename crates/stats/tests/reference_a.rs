//! Checks against SciPy, statsmodels and mpmath: `references/stats_a.py` makes the values and
//! `references/stats_a.json` keeps them, with the versions that made them.

use serde_json::Value;
use stats::bootstrap::bca_moments;
use stats::compare::{
    brown_forsythe, cliffs_delta, hodges_lehmann, holm, kruskal_wallis, mann_whitney,
};
use stats::moments::{lag1_autocorrelation, moments};
use stats::order::{median, quantile, quantile_interval};
use stats::regression::{huber, least_squares, simple};
use stats::robust::{mad_sd, qn, trimmed_mean};
use stats::trend::{mann_kendall, theil_sen};
use stats::{Sorted, special};

fn kept() -> Value {
    serde_json::from_str(include_str!("references/stats_a.json")).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(number).collect()
}

fn rows(value: &Value) -> &[Value] {
    value.as_array().unwrap()
}

/// Asserts agreement within a share of the size of `wanted`, and an absolute rest.
#[track_caller]
fn close(found: f64, wanted: f64, relative: f64, absolute: f64, what: &str) {
    let allowed = relative * wanted.abs() + absolute;
    assert!(
        found == wanted || (found - wanted).abs() <= allowed,
        "{what}: {found:e}, not {wanted:e} (off by {:e})",
        (found - wanted).abs()
    );
}

fn sample(kept: &Value, name: &Value) -> Vec<f64> {
    let row = rows(&kept["samples"])
        .iter()
        .find(|r| r["name"] == *name)
        .unwrap();
    numbers(&row["values"])
}

fn sorted(values: &[f64]) -> Sorted {
    Sorted::new(values.to_vec()).unwrap()
}

/// mpmath. 1e-13 relative throughout: a few roundings, and as many more as a continued fraction
/// has steps. Near digamma's root, 1.4616, the same in absolute terms.
#[test]
fn special_functions_equal_mpmath() {
    for row in rows(&kept()["special"]) {
        let name = row["function"].as_str().unwrap();
        let a = numbers(&row["arguments"]);
        let found = match name {
            "normal_pdf" => special::normal_pdf(a[0]),
            "normal_cdf" => special::normal_cdf(a[0]),
            "normal_sf" => special::normal_sf(a[0]),
            "normal_ln_cdf" => special::normal_ln_cdf(a[0]),
            "normal_quantile" => special::normal_quantile(a[0]),
            "digamma" => special::digamma(a[0]),
            "trigamma" => special::trigamma(a[0]),
            "ln_gamma" => special::ln_gamma(a[0]),
            "gamma_lower_regularized" => special::gamma_lower_regularized(a[0], a[1]),
            "gamma_upper_regularized" => special::gamma_upper_regularized(a[0], a[1]),
            "chi2_sf" => special::chi2_sf(a[0], a[1]),
            "beta_regularized" => special::beta_regularized(a[0], a[1], a[2]),
            "student_t_sf" => special::student_t_sf(a[0], a[1]),
            "student_t_quantile" => special::student_t_quantile(a[0], a[1]),
            "f_sf" => special::f_sf(a[0], a[1], a[2]),
            _ => panic!("unknown function {name}"),
        };
        let absolute = if name == "digamma" { 1e-15 } else { 0.0 };
        close(
            found,
            number(&row["value"]),
            1e-13,
            absolute,
            &format!("{name}({a:?})"),
        );
    }
}

/// scipy.stats.binom, good to about 1e-13 itself at these sizes.
#[test]
fn the_binomial_distribution_equals_scipy() {
    for row in rows(&kept()["binomial"]) {
        let (n, k) = (row["n"].as_u64().unwrap(), row["k"].as_u64().unwrap());
        let p = number(&row["p"]);
        let what = row.to_string();
        close(
            special::binomial_pmf(k, n, p),
            number(&row["pmf"]),
            1e-12,
            0.0,
            &what,
        );
        close(
            special::binomial_cdf(k, n, p),
            number(&row["cdf"]),
            1e-12,
            0.0,
            &what,
        );
        let found = special::binomial_quantile(number(&row["order"]), n, p);
        assert_eq!(found, row["quantile"].as_u64(), "{what}");
    }
}

/// numpy.quantile(method="median_unbiased"), which is type 8. 1e-15 of the largest value for
/// the interpolation.
#[test]
fn quantiles_equal_numpy() {
    for row in rows(&kept()["samples"]) {
        let values = sorted(&numbers(&row["values"]));
        let size = values.max().abs().max(values.min().abs());
        for pair in rows(&row["quantiles"]) {
            let (p, wanted) = (number(&pair[0]), number(&pair[1]));
            let what = format!("{} {p}", row["name"]);
            close(quantile(&values, p), wanted, 0.0, 1e-15 * size, &what);
        }
        assert!((quantile(&values, 0.5) - median(&values)).abs() <= 1e-15 * size);
    }
}

/// scipy.stats.quantile_test, whose interval is that of Conover (1999): the same order
/// statistics, but for the ends where a probability equals alpha/2 to the last digit, which these
/// samples don't meet.
#[test]
fn quantile_intervals_equal_scipy() {
    for row in rows(&kept()["samples"]) {
        let values = sorted(&numbers(&row["values"]));
        for wanted in rows(&row["quantile_intervals"]) {
            let p = number(&wanted[0]);
            let what = format!("{} {p}: {wanted}", row["name"]);
            match quantile_interval(&values, p, 0.95) {
                Some(found) => {
                    assert_eq!(Some(found.interval.low), wanted[1].as_f64(), "{what}");
                    assert_eq!(Some(found.interval.high), wanted[2].as_f64(), "{what}");
                    assert!(found.coverage >= 0.95, "{what}");
                }
                None => assert!(wanted[1].is_null() || wanted[2].is_null(), "{what}"),
            }
        }
    }
}

/// By definition in 50 digits (mpmath), and scipy.stats.skew and kurtosis (bias=False) beside
/// it. On `offset`, 1e9 +- 0.01, the deviations themselves are exact, so that full accuracy is
/// expected there too; SciPy's own are off there, and NaN on the tiny sample.
#[test]
fn moments_equal_their_definitions_and_scipy() {
    for row in rows(&kept()["samples"]) {
        let values = numbers(&row["values"]);
        let name = row["name"].as_str().unwrap();
        let found = moments(&values).unwrap();
        let wanted = &row["moments"];
        close(
            found.mean,
            number(&wanted["mean"]),
            1e-15,
            1e-15 * found.sd,
            name,
        );
        close(
            found.variance,
            number(&wanted["variance"]),
            1e-13,
            0.0,
            name,
        );
        close(found.sd, number(&wanted["sd"]), 1e-13, 0.0, name);
        let ours = [found.skewness, found.kurtosis];
        for (k, key) in ["skewness", "kurtosis"].iter().enumerate() {
            let wanted_value = wanted[key].as_f64();
            assert_eq!(ours[k].is_some(), wanted_value.is_some(), "{name}");
            if let (Some(f), Some(w)) = (ours[k], wanted_value) {
                close(f, w, 1e-12, 1e-13, &format!("{name} {key}"));
            }
            let scipy = wanted[format!("scipy_{key}").as_str()].as_f64();
            if let (Some(f), Some(w), false) = (ours[k], scipy, name == "offset") {
                close(f, w, 1e-10, 1e-11, &format!("{name} {key} of scipy"));
            }
        }
        let r = lag1_autocorrelation(&values).unwrap();
        close(r, number(&row["lag1"]), 1e-12, 1e-13, name);
    }
}

/// statsmodels.robust.mad and qn_scale, scipy.stats.trim_mean. They are exact order statistics
/// but for the rounding of differences, which matters on `offset`: 1e-15 of the size of the data.
#[test]
fn robust_scale_and_trimmed_means_equal_statsmodels_and_scipy() {
    for row in rows(&kept()["samples"]) {
        let values = sorted(&numbers(&row["values"]));
        let name = row["name"].as_str().unwrap();
        let size = values.max().abs().max(values.min().abs());
        close(
            mad_sd(&values),
            number(&row["mad_sd"]),
            1e-14,
            1e-15 * size,
            name,
        );
        close(qn(&values).unwrap(), number(&row["qn"]), 1e-14, 0.0, name);
        for pair in rows(&row["trimmed"]) {
            let (share, wanted) = (number(&pair[0]), number(&pair[1]));
            let found = trimmed_mean(&values, share).unwrap();
            close(
                found,
                wanted,
                1e-14,
                1e-15 * size,
                &format!("{name} {share}"),
            );
        }
    }
}

/// S and z by definition, tau by scipy.stats.kendalltau; scipy.stats.theilslopes
/// (method="separate"), exact order statistics of slopes with the same roundings.
#[test]
fn trends_equal_scipy() {
    let kept = kept();
    for row in rows(&kept["trends"]) {
        let values = sample(&kept, &row["name"]);
        let what = row["name"].as_str().unwrap();
        let found = mann_kendall(&values).unwrap();
        let wanted = &row["mann_kendall"];
        assert_eq!(Some(found.s), wanted["s"].as_i64(), "{what}");
        close(found.tau, number(&wanted["tau"]), 1e-13, 0.0, what);
        close(found.z, number(&wanted["z"]), 1e-14, 0.0, what);
        close(found.p_value, number(&wanted["p"]), 1e-12, 0.0, what);
        let time: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
        line_equals(&time, &values, 0.95, &row["theil_sen"], what);
    }
    for row in rows(&kept["pairs"]) {
        let (x, y) = (numbers(&row["x"]), numbers(&row["y"]));
        let confidence = number(&row["confidence"]);
        line_equals(
            &x,
            &y,
            confidence,
            &row["theil_sen"],
            row["name"].as_str().unwrap(),
        );
    }
}

fn line_equals(x: &[f64], y: &[f64], confidence: f64, wanted: &Value, what: &str) {
    let found = theil_sen(x, y, confidence).unwrap();
    let wanted = numbers(wanted);
    let ours = [
        found.slope,
        found.slope_interval.low,
        found.slope_interval.high,
    ];
    for (f, w) in ours.iter().zip(&wanted) {
        close(*f, *w, 1e-15, 0.0, what);
    }
    let size = (found.slope * x[x.len() / 2]).abs() + y[0].abs();
    close(found.intercept, wanted[3], 1e-14, 1e-14 * size, what);
}

/// statsmodels.OLS on x less its mean, good to about 1e-12 itself. Of the points that lie 1e9
/// from 0 the intercept is compared at the mean of x.
#[test]
fn least_squares_equal_statsmodels() {
    for row in rows(&kept()["pairs"]) {
        let (x, y) = (numbers(&row["x"]), numbers(&row["y"]));
        let what = row["name"].as_str().unwrap();
        let wanted = &row["simple"];
        let centre = number(&wanted["centre"]);
        let centred: Vec<f64> = x.iter().map(|x| x - centre).collect();
        let at_centre = simple(&centred, &y).unwrap();
        close(
            at_centre.intercept,
            number(&wanted["at_centre"]),
            1e-12,
            0.0,
            what,
        );
        let fit = simple(&x, &y).unwrap();
        // R^2 near 0 is 1 - ratio: absolute.
        close(fit.slope, number(&wanted["slope"]), 1e-10, 0.0, what);
        close(fit.slope_se, number(&wanted["slope_se"]), 1e-11, 0.0, what);
        close(
            fit.residual_sd,
            number(&wanted["residual_sd"]),
            1e-11,
            0.0,
            what,
        );
        close(
            fit.r_squared,
            number(&wanted["r_squared"]),
            1e-11,
            1e-12,
            what,
        );
        let wanted = &row["three_columns"];
        if wanted.is_null() {
            continue;
        }
        let columns: Vec<Vec<f64>> = rows(&wanted["columns"]).iter().map(numbers).collect();
        let fit = least_squares(&columns, &y).unwrap();
        for (f, w) in fit.coefficients.iter().zip(numbers(&wanted["params"])) {
            close(*f, w, 1e-10, 1e-12, what);
        }
        for (f, w) in fit.standard_errors.iter().zip(numbers(&wanted["bse"])) {
            close(*f, w, 1e-11, 0.0, what);
        }
        close(
            fit.residual_sd,
            number(&wanted["residual_sd"]),
            1e-11,
            0.0,
            what,
        );
        close(
            fit.r_squared,
            number(&wanted["r_squared"]),
            1e-11,
            1e-12,
            what,
        );
    }
}

/// statsmodels.RLM with HuberT(1.345) and the MAD scale, iterated until coefficients move by
/// less than 1e-13; x less its mean. Both stop near the fixed point: 1e-9.
#[test]
fn huber_regression_equals_statsmodels() {
    for row in rows(&kept()["pairs"]) {
        let wanted = &row["huber"];
        if wanted.is_null() {
            continue;
        }
        let (x, y) = (numbers(&row["x"]), numbers(&row["y"]));
        let what = row["name"].as_str().unwrap();
        let centre = number(&row["simple"]["centre"]);
        let centred: Vec<f64> = x.iter().map(|x| x - centre).collect();
        let fit = huber(&centred, &y).unwrap();
        close(fit.intercept, number(&wanted["at_centre"]), 1e-9, 0.0, what);
        close(fit.slope, number(&wanted["slope"]), 1e-9, 1e-12, what);
        close(fit.scale, number(&wanted["scale"]), 1e-9, 0.0, what);
        close(
            fit.intercept_se,
            number(&wanted["at_centre_se"]),
            1e-9,
            0.0,
            what,
        );
        close(fit.slope_se, number(&wanted["slope_se"]), 1e-9, 0.0, what);
        let moved = huber(&x, &y).unwrap();
        close(moved.slope, fit.slope, 1e-9, 1e-12, what);
    }
}

/// scipy.stats.mannwhitneyu(method="auto"); Hodges-Lehmann and Cliff's delta by definition.
#[test]
fn two_sample_comparisons_equal_scipy_and_their_definitions() {
    let kept = kept();
    for row in rows(&kept["two_samples"]) {
        let (x, y) = (sample(&kept, &row["x"]), sample(&kept, &row["y"]));
        let what = format!("{} {}", row["x"], row["y"]);
        let test = mann_whitney(&x, &y).unwrap();
        assert_eq!(test.u, number(&row["u"]), "{what}");
        close(test.p_value, number(&row["p"]), 1e-12, 0.0, &what);
        let shift = hodges_lehmann(&x, &y, 0.95).unwrap();
        let found = [shift.shift, shift.interval.low, shift.interval.high];
        assert_eq!(found.to_vec(), numbers(&row["hodges_lehmann"]), "{what}");
        let delta = cliffs_delta(&x, &y, 0.95).unwrap();
        let wanted = numbers(&row["cliff"]);
        let found = [delta.delta, delta.interval.low, delta.interval.high];
        for (f, w) in found.iter().zip(&wanted) {
            close(*f, *w, 1e-12, 1e-13, &what);
        }
        if wanted.len() == 1 {
            assert!(delta.interval.contains(delta.delta) && delta.interval.half_width() > 0.0);
        }
    }
}

/// scipy.stats.levene(center="median") and kruskal.
#[test]
fn comparisons_of_groups_equal_scipy() {
    let kept = kept();
    for row in rows(&kept["groups"]) {
        let lists: Vec<Vec<f64>> = rows(&row["names"])
            .iter()
            .map(|n| sample(&kept, n))
            .collect();
        let groups: Vec<&[f64]> = lists.iter().map(Vec::as_slice).collect();
        let what = row["names"].to_string();
        for (found, wanted) in [
            (brown_forsythe(&groups).unwrap(), numbers(&row["levene"])),
            (kruskal_wallis(&groups).unwrap(), numbers(&row["kruskal"])),
        ] {
            close(found.statistic, wanted[0], 1e-12, 0.0, &what);
            close(found.p_value, wanted[1], 1e-11, 0.0, &what);
        }
    }
}

/// statsmodels multipletests(method="holm").
#[test]
fn holm_equals_statsmodels() {
    for row in rows(&kept()["holm"]) {
        let found = holm(&numbers(&row["p"]));
        for (f, w) in found.iter().zip(numbers(&row["adjusted"])) {
            close(*f, w, 1e-14, 0.0, &row.to_string());
        }
    }
}

/// scipy.stats.bootstrap(method="BCa") with 200,000 resamples; 50,000 here. The density at a
/// 2.5 % tail is 0.058 per standard error, so an end scatters by
/// sqrt(0.025 x 0.975 x (1/200,000 + 1/50,000)) / 0.058 = 0.013 standard errors, and the bias
/// correction by 1.25 sqrt(1/50,000) x 2 = 0.011; five times 0.017 is allowed. The coarse sample's
/// skewness is on no lattice, so that needs no more.
#[test]
fn bca_intervals_equal_scipy_within_monte_carlo_error() {
    let kept = kept();
    for row in rows(&kept["bca"]) {
        let values = sample(&kept, &row["name"]);
        let found = bca_moments(&values, 0.95, 50_000, 3).unwrap();
        let ours = [found.mean, found.sd, found.skewness.unwrap()];
        for (interval, key) in ours.iter().zip(["mean", "sd", "skewness"]) {
            let wanted = numbers(&row[key]);
            let what = format!("{} {key}", row["name"]);
            close(interval.low, wanted[0], 0.0, 0.085 * wanted[2], &what);
            close(interval.high, wanted[1], 0.0, 0.085 * wanted[2], &what);
        }
    }
}

/// The kept values are those that the script makes with the versions installed: same tree, and
/// numbers within 1e-9.
#[test]
#[ignore = "needs Python with numpy, scipy, statsmodels and mpmath; install: pip install numpy scipy statsmodels mpmath"]
fn references_are_remade() {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".to_string());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/references/stats_a.py");
    let out = std::env::temp_dir().join(format!("stats_a_{}.json", std::process::id()));
    let status = std::process::Command::new(python)
        .arg(script)
        .arg(&out)
        .status()
        .unwrap();
    assert!(status.success());
    let text = std::fs::read_to_string(&out).unwrap();
    std::fs::remove_file(&out).unwrap();
    let mut made: Value = serde_json::from_str(&text).unwrap();
    let mut kept = kept();
    made["versions"].take();
    kept["versions"].take();
    same(&kept, &made, "");
}

fn same(kept: &Value, made: &Value, path: &str) {
    match (kept, made) {
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{path}");
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                same(a, b, &format!("{path}/{i}"));
            }
        }
        (Value::Object(a), Value::Object(b)) => {
            assert!(a.keys().eq(b.keys()), "{path}");
            for (key, a) in a {
                same(a, &b[key], &format!("{path}/{key}"));
            }
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            close(b, a, 1e-9, 1e-300, path);
        }
        _ => assert_eq!(kept, made, "{path}"),
    }
}
