use super::*;
use crate::chain_model::{MeasuredWidth, MissingAt, Trim};
use stats::random::Random;

fn estimate(value: f64, half: f64) -> Estimate {
    Estimate {
        value,
        low: value - half,
        high: value + half,
    }
}

/// A chain whose width gain is `present` and `best`, with intervals of +- 0.001, no elongation.
fn result(present: f64, best: f64) -> ChainResult {
    let case = |gain: f64| CaseResult {
        settings: Settings::of(&Setup::default()),
        fwhm_arcsec: estimate(3.0 * (1.0 - gain), 0.01),
        elongation: estimate(1.05, 0.01),
        width_gain: estimate(gain, 0.001),
        elongation_gain: estimate(0.0, 0.001),
    };
    ChainResult {
        present: case(present),
        best: case(best),
    }
}

#[test]
fn the_rule_gives_each_verdict_where_its_numbers_say_so() {
    let decide_of = |measured, trimmed: Option<ChainResult>, perfect| {
        decide(&measured, trimmed.as_ref(), &perfect)
    };
    let nothing = result(0.0, 0.0);
    assert_eq!(
        decide_of(nothing, None, result(0.002, 0.005)),
        Verdict::LeaveIt
    );
    let mut straddles = result(0.002, 0.0095);
    straddles.best.width_gain = estimate(0.0095, 0.002);
    assert_eq!(decide_of(nothing, None, straddles), Verdict::MeasureMore);
    // An interval that narrow counts as its value.
    straddles.best.width_gain = estimate(0.0095, 0.0008);
    assert_eq!(decide_of(nothing, None, straddles), Verdict::LeaveIt);
    assert_eq!(
        decide_of(
            result(0.0, 0.08),
            Some(result(0.02, 0.09)),
            result(0.03, 0.1)
        ),
        Verdict::Retune
    );
    assert_eq!(
        decide_of(
            result(0.0, 0.06),
            Some(result(0.07, 0.09)),
            result(0.08, 0.1)
        ),
        Verdict::Trim
    );
    assert_eq!(
        decide_of(
            result(0.0, 0.02),
            Some(result(0.03, 0.04)),
            result(0.08, 0.1)
        ),
        Verdict::MendTheChain
    );
}

/// A run of 300 pulses at each of five widths: constant part, normal spread, exponential tail.
fn run(offset: f64, spread: f64, tail: f64) -> Chain {
    let mut random = Random::new(9);
    let widths = [20.0, 50.0, 100.0, 300.0, 1000.0]
        .map(|requested_ms| MeasuredWidth {
            direction: wire::Direction::RaPlus,
            requested_ms,
            pulses: (0..300)
                .map(|_| MeasuredPulse {
                    error_ms: offset + spread * random.normal() + tail * random.exponential(),
                    delay_ms: Some(5.0),
                })
                .collect(),
        })
        .to_vec();
    Chain::of(ChainModel::Measured(widths))
}

fn options() -> JudgeOptions {
    JudgeOptions {
        seed: 3,
        trials: 60,
        threads: 0,
    }
}

/// A good mount at a long focal length under a fine sky, with a loop already near its best.
fn fine() -> Setup {
    let mut setup = Setup::default();
    setup.mount.periodic_error_arcsec = 2.0;
    setup.mount.ra_gear_noise_arcsec = 0.02;
    setup.mount.dec_gear_noise_arcsec = 0.02;
    setup.mount.gusts_per_hour = 0.0;
    setup.mount.polar_error_arcmin = 0.5;
    setup.mount.dec_backlash_ms = 0.0;
    setup.sky.seeing_fwhm_arcsec = 1.2;
    setup.control.ra_gain = 0.2;
    setup.control.dec_gain = 0.1;
    setup.control.dead_band_arcsec = 0.0;
    setup.control.shortest_ms = 0.0;
    setup
}

#[test]
fn a_chain_that_does_as_told_is_left_alone_by_a_tuned_loop() {
    let setup = fine();
    let chain = run(0.0, 0.2, 0.0);
    let judgement = judge(&setup, &chain, None, &options(), &|_| {}).unwrap();
    assert_eq!(
        judgement.verdict,
        Verdict::LeaveIt,
        "{}",
        judgement.sentence
    );
    assert!(judgement.sentence.starts_with("Leave it"));
    // The same seed gives the same judgement on one thread.
    let alone = judge(
        &setup,
        &chain,
        None,
        &JudgeOptions {
            threads: 1,
            ..options()
        },
        &|_| {},
    )
    .unwrap();
    assert_eq!(judgement, alone);
}

#[test]
fn a_long_constant_error_with_a_fine_mount_calls_for_the_trim() {
    let setup = fine();
    let chain = run(120.0, 1.0, 0.0);
    let mut trimmed = chain.clone();
    trimmed.trim = Trim::Linear {
        offset_ms: 120.0,
        scale: 0.0,
        shortest_ms: 121.0,
        below: crate::chain_model::Below::Carry,
    };
    let mut lossless = chain.clone();
    lossless.missing = vec![MissingAt {
        requested_ms: 10.0,
        probability: 0.0,
    }];
    let judgement = judge(&setup, &chain, Some(&trimmed), &options(), &|_| {}).unwrap();
    let trimmed = judgement.trimmed.unwrap();
    assert!(
        trimmed.present.width_gain.low > 0.01,
        "{}",
        judgement.sentence
    );
    assert!(
        matches!(judgement.verdict, Verdict::Trim | Verdict::Retune),
        "{}",
        judgement.sentence
    );
    // A loss with probability 0 is no loss.
    let same = judge(&setup, &lossless, None, &options(), &|_| {}).unwrap();
    assert_eq!(same.measured, judgement.measured);
}

#[test]
fn a_width_error_that_helps_a_timid_loop_is_said_to_help() {
    let mut setup = Setup::default();
    setup.mount.periodic_error_arcsec = 60.0;
    setup.control.ra_gain = 0.15;
    setup.control.dec_gain = 0.15;
    setup.control.dead_band_arcsec = 0.0;
    setup.control.shortest_ms = 0.0;
    let judgement = judge(&setup, &run(12.0, 2.0, 3.0), None, &options(), &|_| {}).unwrap();
    assert!(
        judgement
            .helps
            .is_some_and(|s| s.contains("happens to help"))
    );
    assert_eq!(judgement.verdict, Verdict::Retune, "{}", judgement.sentence);
}

#[test]
fn an_unstable_loop_is_reported_as_such() {
    let mut setup = Setup::default();
    setup.control.ra_gain = 2.5;
    let error = judge(&setup, &run(12.0, 2.0, 3.0), None, &options(), &|_| {}).unwrap_err();
    // Without further delay the limit is a gain of 2 (closed form of the first-order loop).
    let ServoError::Unstable { axis, limit } = error else {
        panic!("{error}");
    };
    assert_eq!(axis, "right ascension");
    // What the measured pulses grow by, 1.00, is a part of the gain.
    assert!((limit - 2.0).abs() < 0.01);
}

#[test]
fn a_run_of_ten_pulses_asks_for_more_and_not_for_a_change() {
    let mut chain = run(120.0, 1.0, 0.0);
    if let ChainModel::Measured(widths) = &mut chain.model {
        widths.truncate(1);
        widths[0].pulses.truncate(10);
    }
    let judgement = judge(&fine(), &chain, None, &options(), &|_| {}).unwrap();
    assert_eq!(judgement.verdict, Verdict::MeasureMore);
    assert!(judgement.sentence.contains("10 pulses"));
    assert!(!judgement.warnings.is_empty());
}

#[test]
fn a_chain_that_does_not_follow_its_requests_is_to_be_mended() {
    let mut chain = run(0.0, 0.5, 0.0);
    if let ChainModel::Measured(widths) = &mut chain.model {
        for width in widths {
            for pulse in &mut width.pulses {
                // Whatever is asked, 1 ms comes out.
                pulse.error_ms = 1.0 - width.requested_ms;
            }
        }
    }
    let judgement = judge(&fine(), &chain, None, &options(), &|_| {}).unwrap();
    assert_eq!(judgement.verdict, Verdict::MendTheChain);
    assert!(judgement.sentence.contains("don't follow"));
}
