//! Margins and transfer functions against python-control, the predictor's filter against SciPy's
//! `solve_discrete_are`: values in `tests/references/servo.json`, made by `servo.py` beside it,
//! which names the versions.

mod common;

use serde_json::Value;
use servo::law::{Law, Predictor, PreparedLaw};
use servo::loop_sim::Timing;
use servo::stability::{Complex, LinearLoop};

fn reference() -> Value {
    serde_json::from_str(include_str!("references/servo.json")).unwrap()
}

fn number(value: &Value, key: &str) -> f64 {
    value[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} in {value}"))
}

fn predictor(value: &Value) -> Predictor {
    Predictor {
        gain: number(value, "gain"),
        period_s: number(value, "period_s"),
        harmonics: number(value, "harmonics") as u32,
        measurement_noise_arcsec: number(value, "measurement_noise_arcsec"),
        position_walk: number(value, "position_walk"),
        rate_walk: number(value, "rate_walk"),
        harmonic_walk: number(value, "harmonic_walk"),
        rate_prior: 0.1,
        harmonic_prior: 10.0,
    }
}

fn law(value: &Value) -> Law {
    let gain = number(value, "gain");
    match value["law"].as_str().unwrap() {
        "proportional" => Law::Proportional { gain },
        "memory" => Law::Memory {
            gain,
            memory: number(value, "memory"),
        },
        "integral" => Law::Integral {
            gain,
            integral_gain: number(value, "integral_gain"),
        },
        _ => Law::Predictor(predictor(value)),
    }
}

fn loops() -> Vec<(Value, LinearLoop)> {
    reference()["loops"]
        .as_array()
        .unwrap()
        .iter()
        .map(|case| {
            let timing = Timing {
                exposure_s: number(case, "exposure_s"),
                readout_s: number(case, "readout_s"),
                cadence_s: number(case, "cadence_s"),
            };
            let law = PreparedLaw::new(law(&case["law"]), timing.cadence_s).unwrap();
            let linear = LinearLoop::new(&law, &timing, number(case, "delay_s")).unwrap();
            (case.clone(), linear)
        })
        .collect()
}

fn near(found: Complex, expected: &Value, tolerance: f64) -> bool {
    let (re, im) = (expected[0].as_f64().unwrap(), expected[1].as_f64().unwrap());
    let miss = (found.re - re).hypot(found.im - im);
    miss <= tolerance * re.hypot(im)
}

#[test]
fn responses_agree_with_python_control() {
    for (case, linear) in loops() {
        for point in case["responses"].as_array().unwrap() {
            let frequency = number(point, "cycles_per_frame") / number(&case, "cadence_s");
            // The settled filter differs from the Riccati solution by what the covariance
            // recursion still moves when it stops: 1e-12 a frame, gathered over some thousand.
            let tolerance = if case["law"]["law"] == "predictor" {
                1e-5
            } else {
                1e-9
            };
            assert!(
                near(linear.law_response(frequency), &point["law"], tolerance),
                "{case} {point}"
            );
            assert!(
                near(linear.open_response(frequency), &point["loop"], tolerance),
                "{case} {point}"
            );
        }
    }
}

#[test]
fn margins_agree_with_python_control() {
    for (case, linear) in loops() {
        let margins = linear.margins();
        assert_eq!(Some(margins.stable), case["stable"].as_bool(), "{case}");
        // python-control takes margins from roots of polynomials: good to about 1e-6.
        let agree = |found: Option<f64>, key: &str| match (found, case[key].as_f64()) {
            (Some(a), Some(b)) => assert!((a / b - 1.0).abs() < 1e-4, "{key}: {a} {b} of {case}"),
            (a, b) => assert_eq!(a, b, "{key} of {case}"),
        };
        agree(margins.gain_margin, "gain_margin");
        agree(margins.delay_margin_s, "delay_margin_s");
    }
}

#[test]
fn the_settled_filter_solves_the_riccati_equation() {
    for case in reference()["filters"].as_array().unwrap() {
        let law = Law::Predictor(predictor(&case["predictor"]));
        let prepared = PreparedLaw::new(law, number(case, "cadence_s")).unwrap();
        let gains = prepared.gains().unwrap();
        let expected = case["gains"].as_array().unwrap();
        assert_eq!(gains.size(), expected.len());
        for (found, expected) in gains.at(usize::MAX).iter().zip(expected) {
            // The recursion stops at a change of 1e-12 a frame; its memory is some thousand.
            assert!(
                (found - expected.as_f64().unwrap()).abs() < 1e-6,
                "{found} {expected}"
            );
        }
    }
}

#[test]
#[ignore = "needs python3 with numpy, scipy and control; install: pip install numpy scipy control, and name it in PULSEWRIGHT_PYTHON"]
fn the_reference_values_are_remade() {
    let made = common::made_by("servo.py");
    fn compare(a: &Value, b: &Value, path: &str) {
        match (a, b) {
            (Value::Object(x), Value::Object(y)) => {
                for (key, value) in x {
                    compare(value, &y[key], &format!("{path}/{key}"));
                }
            }
            (Value::Array(x), Value::Array(y)) => {
                assert_eq!(x.len(), y.len(), "{path}");
                for (i, (p, q)) in x.iter().zip(y).enumerate() {
                    compare(p, q, &format!("{path}/{i}"));
                }
            }
            _ => match (a.as_f64(), b.as_f64()) {
                // Another linear-algebra library may round otherwise.
                (Some(p), Some(q)) => assert!((p - q).abs() <= 1e-6 * p.abs().max(1e-3), "{path}"),
                _ => assert_eq!(a, b, "{path}"),
            },
        }
    }
    for key in ["loops", "filters"] {
        compare(&reference()[key], &made[key], key);
    }
}
