//! The clock alignment against SciPy (`references/clock.py`; the versions are in
//! `references/clock.json`), and whether its stated ranges hold the truth.

use rig::clock::{Alignment, Exchange, Timeline};
use serde_json::Value;
use stats::random::Random;

const HZ: u32 = 2_000_000;

fn references() -> Value {
    serde_json::from_str(include_str!("references/clock.json")).expect("the file is JSON")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn exchanges(case: &Value) -> Vec<Exchange> {
    let list = |key: &str| case[key].as_array().expect("a list").clone();
    let (sent, tick, received) = (list("sent_s"), list("tick"), list("received_s"));
    (0..tick.len())
        .map(|i| Exchange {
            sent_s: number(&sent[i]),
            tick: tick[i].as_i64().expect("an integer"),
            received_s: number(&received[i]),
        })
        .collect()
}

/// SciPy's linear programmes, solved to 1e-10 of their unit of 1e-3: 1e-12 in skew, with the
/// rounding of host times of some 1000 s (1e-13 s) beside it.
#[test]
fn skew_and_its_range_equal_scipys_linear_programmes() {
    for case in references()["cases"].as_array().expect("a list") {
        let alignment = Alignment::fit(&exchanges(case), HZ).expect("exchanges");
        let skew = alignment.skew();
        let mean = 0.5 * (number(&case["skew_upper"]) + number(&case["skew_lower"]));
        let (low, high) = (number(&case["skew_least"]), number(&case["skew_most"]));
        assert!((skew.low - low).abs() < 1e-10, "{} against {low}", skew.low);
        assert!(
            (skew.high - high).abs() < 1e-10,
            "{} against {high}",
            skew.high
        );
        assert!((skew.value - mean.clamp(low, high)).abs() < 1e-10);
        assert!(skew.low <= number(&case["true_skew"]) && number(&case["true_skew"]) <= skew.high);
    }
}

/// SciPy's linear programmes to 1e-10 of a millisecond, and host times of up to 1000 s.
#[test]
fn the_range_of_the_host_time_equals_scipys_linear_programmes() {
    for case in references()["cases"].as_array().expect("a list") {
        let alignment = Alignment::fit(&exchanges(case), HZ).expect("exchanges");
        let host = alignment.host_s(case["at_tick"].as_i64().expect("an integer"));
        assert!((host.low - number(&case["host_least_s"])).abs() < 1e-9);
        assert!((host.high - number(&case["host_most_s"])).abs() < 1e-9);
        assert!(host.low <= host.value && host.value <= host.high);
        let truth = number(&case["true_host_s"]);
        assert!(host.low <= truth && truth <= host.high);
    }
}

/// Over SciPy's cases, `scipy.stats.linregress` through the middles of the exchanges.
#[test]
fn skewed_delays_pull_less_at_the_hulls_than_at_least_squares() {
    let (mut hulls, mut squares) = (0.0, 0.0);
    for case in references()["cases"].as_array().expect("a list") {
        let truth = number(&case["true_skew"]);
        let alignment = Alignment::fit(&exchanges(case), HZ).expect("exchanges");
        hulls += (alignment.skew().value - truth).powi(2);
        squares += (number(&case["least_squares_skew"]) - truth).powi(2);
    }
    assert!(hulls < squares, "{hulls:e} against {squares:e}");
}

/// A rig whose clock runs by `host = offset + (1 + skew) x + wander`, with skewed delays.
struct Truth {
    offset: f64,
    skew: f64,
    /// Amplitude in s and period in s of a slow change of the rate.
    wander: (f64, f64),
}

impl Truth {
    fn host(&self, tick: i64) -> f64 {
        let x = tick as f64 / f64::from(HZ);
        let turn = x / self.wander.1 * std::f64::consts::TAU;
        self.offset + x * (1.0 + self.skew) + self.wander.0 * turn.sin()
    }

    fn exchanges(&self, random: &mut Random, count: usize, span_s: f64) -> Vec<Exchange> {
        let slow = [0.0003, 0.002, 0.016][random.below(3) as usize];
        (0..count)
            .map(|i| {
                let x = (i as f64 + random.uniform()) * span_s / count as f64;
                let tick = (x * f64::from(HZ)) as i64;
                let out = 0.0012 + slow * random.exponential();
                let back = 0.0012 + 0.002 * random.exponential();
                Exchange {
                    sent_s: self.host(tick) - out,
                    tick,
                    received_s: self.host(tick) + back,
                }
            })
            .collect()
    }
}

fn truth(random: &mut Random, wander: (f64, f64)) -> Truth {
    Truth {
        offset: 1000.0 * random.uniform(),
        skew: 4e-3 * (random.uniform() - 0.5),
        wander,
    }
}

/// 1,000 trials of 2 to 600 exchanges over up to ten minutes: with constant rates the ranges are
/// stated to hold always.
#[test]
fn with_constant_rates_the_ranges_hold_in_every_one_of_1000_trials() {
    let mut random = Random::new(41);
    for _ in 0..1000 {
        let truth = truth(&mut random, (0.0, 1.0));
        let count = 2 + random.below(599) as usize;
        let span = count as f64;
        let alignment = Alignment::fit(&truth.exchanges(&mut random, count, span), HZ).unwrap();
        assert_eq!(alignment.wander_s(), 0.0);
        // Rounding may cross an end by the last digit of the host's time.
        let skew = alignment.skew();
        assert!(skew.low - 1e-12 <= truth.skew && truth.skew <= skew.high + 1e-12);
        for _ in 0..5 {
            let tick = (random.uniform() * span * f64::from(HZ)) as i64;
            let host = alignment.host_s(tick);
            let true_host = truth.host(tick);
            assert!(host.low - 1e-9 <= true_host && true_host <= host.high + 1e-9);
        }
    }
}

/// A rate that changes by 1 ppm up and down within 20 minutes (wander / period * 2 pi): what the
/// windows leave of it is 0.1 ms or so, beside half a round trip of 1.2 ms and more.
#[test]
fn with_a_wandering_rate_the_ranges_hold_in_more_than_995_of_1000_trials() {
    let mut random = Random::new(42);
    let mut held = 0;
    for _ in 0..100 {
        let truth = truth(&mut random, (1e-6 * 1200.0 / std::f64::consts::TAU, 1200.0));
        let span = 1800.0;
        let exchanges = truth.exchanges(&mut random, 1800, span);
        let timeline = Timeline::fit(&exchanges, HZ).unwrap();
        for _ in 0..10 {
            let tick = (random.uniform() * span * f64::from(HZ)) as i64;
            let host = timeline.at(tick).host_s(tick);
            let true_host = truth.host(tick);
            held += u32::from(host.low <= true_host && true_host <= host.high);
        }
    }
    assert!(held > 995, "{held} of 1000");
}

/// The rate jumps by 100 ppm in mid-window: no line fits, and the range says so.
#[test]
fn a_rate_that_jumps_is_told_and_widens_the_range() {
    let mut random = Random::new(43);
    let exchanges: Vec<Exchange> = (0..600)
        .map(|i| {
            let x = f64::from(i);
            let host = 50.0 + x + 1e-4 * (x - 300.0).max(0.0);
            Exchange {
                sent_s: host - 0.0012 - 0.002 * random.exponential(),
                tick: i64::from(i) * i64::from(HZ),
                received_s: host + 0.0012 + 0.002 * random.exponential(),
            }
        })
        .collect();
    let alignment = Alignment::fit(&exchanges, HZ).unwrap();
    assert!(alignment.wander_s() > 0.001);
    for i in [0, 300, 599] {
        let host = alignment.host_s(i * i64::from(HZ));
        let truth = 50.0 + i as f64 + 1e-4 * (i as f64 - 300.0).max(0.0);
        assert!((host.value - truth).abs() <= 2.0 * host.uncertainty());
    }
}

#[test]
fn nothing_is_made_of_nothing_or_of_exchanges_that_end_before_they_begin() {
    assert!(Alignment::fit(&[], HZ).is_none());
    assert!(Timeline::fit(&[], HZ).is_none());
    let backwards = Exchange {
        sent_s: 2.0,
        tick: 5,
        received_s: 1.0,
    };
    assert!(Alignment::fit(&[backwards], HZ).is_none());
    let unordered = Exchange {
        sent_s: f64::NAN,
        tick: i64::MAX,
        received_s: 1.0,
    };
    assert!(Timeline::fit(&[backwards, unordered], HZ).is_none());
}

#[test]
fn one_exchange_gives_its_middle_and_half_its_round_trip() {
    let one = Exchange {
        sent_s: 10.0,
        tick: 77,
        received_s: 10.004,
    };
    let host = Timeline::fit(&[one], HZ).unwrap().at(77).host_s(77);
    assert!((host.value - 10.002).abs() < 1e-12);
    assert!((host.uncertainty() - 0.002).abs() < 1e-12);
}

#[test]
#[ignore = "needs Python with numpy and scipy; install: python3 -m venv v && v/bin/pip install scipy, then PULSEWRIGHT_PYTHON=v/bin/python"]
fn references_are_remade() {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/references");
    let output = std::env::temp_dir().join(format!("clock_{}.json", std::process::id()));
    let status = std::process::Command::new(python)
        .arg(format!("{folder}/clock.py"))
        .arg(&output)
        .status()
        .expect("Python starts");
    assert!(status.success());
    let text = std::fs::read_to_string(&output).expect("the script wrote its file");
    std::fs::remove_file(&output).expect("the file can be removed");
    let made: Value = serde_json::from_str(&text).expect("the file is JSON");
    let (made, kept) = (made["cases"].clone(), references()["cases"].clone());
    let (made, kept) = (made.as_array().unwrap(), kept.as_array().unwrap());
    assert_eq!(made.len(), kept.len());
    for (made, kept) in made.iter().zip(kept) {
        for (key, value) in kept.as_object().unwrap() {
            match value {
                Value::Number(_) => {
                    let (a, b) = (number(&made[key]), number(value));
                    assert!(
                        (a - b).abs() <= 1e-10 * b.abs().max(1.0),
                        "{key}: {a} against {b}"
                    );
                }
                _ => assert_eq!(made[key], *value, "{key}"),
            }
        }
    }
}
