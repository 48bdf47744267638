use super::*;

fn pulse(error_ms: f64, delay_ms: f64) -> MeasuredPulse {
    MeasuredPulse {
        error_ms,
        delay_ms: Some(delay_ms),
    }
}

fn two_widths() -> Chain {
    Chain::of(ChainModel::Measured(vec![
        MeasuredWidth {
            direction: Direction::RaPlus,
            requested_ms: 100.0,
            pulses: vec![pulse(14.0, 3.0), pulse(10.0, 1.0)],
        },
        MeasuredWidth {
            direction: Direction::RaPlus,
            requested_ms: 200.0,
            pulses: vec![pulse(20.0, 5.0), pulse(24.0, 7.0)],
        },
    ]))
}

fn fate(rank: f64) -> Fate {
    Fate {
        rank,
        loss: 0.5,
        delay_rank: 0.5,
    }
}

#[test]
fn a_width_between_two_measured_ones_interpolates_their_quantiles() {
    let chain = two_widths().prepare().unwrap();
    // Worked by hand: ranks 0 give errors 10 and 20, delays 1 and 5; halfway 15 and 3.
    assert_eq!(chain.draw(0, 150.0, &fate(0.2)), Some((3.0, 165.0)));
    assert_eq!(chain.draw(0, 150.0, &fate(0.7)), Some((5.0, 169.0)));
    // At and beyond the ends the nearest width serves, and a pulse keeps its own delay.
    assert_eq!(chain.draw(0, 100.0, &fate(0.0)), Some((1.0, 110.0)));
    assert_eq!(chain.draw(0, 50.0, &fate(0.99)), Some((3.0, 64.0)));
    assert_eq!(chain.draw(0, 900.0, &fate(0.99)), Some((7.0, 924.0)));
}

#[test]
fn a_direction_without_pulses_takes_the_opposite_and_says_so() {
    let chain = two_widths();
    let prepared = chain.prepare().unwrap();
    for direction in 1..4 {
        assert_eq!(
            prepared.draw(direction, 100.0, &fate(0.0)),
            Some((1.0, 110.0))
        );
    }
    let warnings = chain.warnings();
    assert!(
        warnings
            .iter()
            .any(|w| w.text.contains("no pulse of ra-, dec+, dec-"))
    );
    assert!(
        warnings
            .iter()
            .any(|w| w.text.contains("only 2 pulses of ra+ at 100 ms"))
    );
}

#[test]
fn losses_follow_the_probability_between_the_widths_given() {
    let mut chain = two_widths();
    chain.missing = vec![
        MissingAt {
            requested_ms: 20.0,
            probability: 0.8,
        },
        MissingAt {
            requested_ms: 120.0,
            probability: 0.0,
        },
    ];
    let prepared = chain.prepare().unwrap();
    assert!((prepared.missing_probability(70.0) - 0.4).abs() < 1e-15);
    assert_eq!(prepared.missing_probability(5.0), 0.8);
    assert_eq!(prepared.missing_probability(500.0), 0.0);
    assert_eq!(prepared.draw(0, 20.0, &fate(0.1)), None);
    assert!(prepared.draw(0, 120.0, &fate(0.1)).is_some());
}

#[test]
fn a_fitted_family_is_drawn_with_its_mean() {
    let family = Family::ExponentiallyModifiedNormal {
        mean: 10.0,
        sd: 2.0,
        tau: 5.0,
    };
    let chain = Chain::of(ChainModel::Fitted(vec![FittedDirection {
        direction: Direction::DecMinus,
        error_ms: family,
        delay_ms: Some(Family::Normal { mean: 4.0, sd: 1.0 }),
    }]))
    .prepare()
    .unwrap();
    let mean = chain.mean(3, 500.0);
    // Mean of the family is mean + tau = 15. The error of a mean over 256 mid-ranks of a tail
    // exp(-x/5) is about 5 * 0.15 / 256 * 2; 0.02 leaves a margin.
    assert!((mean.error_ms - 15.0).abs() < 0.02, "{mean:?}");
    assert!((mean.delay_ms - 4.0).abs() < 0.01, "{mean:?}");
}

#[test]
fn trims_invert_the_width_model_they_state() {
    let linear = Trim::Linear {
        offset_ms: 12.0,
        scale: 0.02,
        shortest_ms: 20.0,
        below: Below::Skip,
    };
    let request = linear.request_ms(318.0);
    assert!((request * 1.02 + 12.0 - 318.0).abs() < 1e-12);
    assert_eq!(linear.request_ms(5.0), 0.0);
    let curve = Trim::Curve {
        points: vec![(30.0, 10.0), (130.0, 100.0)],
        shortest_ms: 0.0,
        below: Below::Skip,
    };
    assert_eq!(curve.request_ms(80.0), 55.0);
    // Beyond the ends the pieces go on at 0.9 ms/ms.
    assert!((curve.request_ms(25.0) - 5.5).abs() < 1e-12);
    assert!((curve.request_ms(230.0) - 190.0).abs() < 1e-12);
}

#[test]
fn senseless_chains_are_refused() {
    let constant = |error_ms, delay_ms| Chain::of(ChainModel::Constant { error_ms, delay_ms });
    assert!(constant(f64::NAN, 0.0).prepare().is_err());
    assert!(constant(1.0, -1.0).prepare().is_err());
    assert_eq!(
        Chain::of(ChainModel::Measured(Vec::new())).prepare(),
        Err(ServoError::NoPulses)
    );
    let mut bad = Chain::perfect();
    bad.missing = vec![MissingAt {
        requested_ms: 10.0,
        probability: 1.5,
    }];
    assert!(bad.prepare().is_err());
    bad = Chain::perfect();
    bad.trim = Trim::Linear {
        offset_ms: 1.0,
        scale: -1.5,
        shortest_ms: 0.0,
        below: Below::Skip,
    };
    assert!(bad.prepare().is_err());
    bad.trim = Trim::Curve {
        points: vec![(10.0, 5.0), (20.0, 4.0)],
        shortest_ms: 0.0,
        below: Below::Skip,
    };
    assert!(bad.prepare().is_err());
}
