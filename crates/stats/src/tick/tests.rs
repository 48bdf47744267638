use super::*;
use crate::random::Random;
use proptest::prelude::*;

/// A smooth distribution to draw from.
type Law = fn(&mut Random) -> f64;

fn groups<'a>(requested: &[f64], data: &'a [Vec<f64>]) -> Vec<Group<'a>> {
    let pairs = requested.iter().zip(data);
    pairs
        .map(|(&requested, widths)| Group { requested, widths })
        .collect()
}

/// Widths of a timer of this period that rounds the widths or the errors, under a normal
/// spread, seen through a normal measurement error.
fn ticking(
    of: Quantity,
    period: f64,
    spread: f64,
    blur: f64,
    requested: &[f64],
    each: usize,
    random: &mut Random,
) -> Vec<Vec<f64>> {
    let mut one = |r: f64| {
        let error = 12.0 + spread * random.normal();
        let width = if of == Quantity::Width {
            period * ((r + error) / period).round()
        } else {
            r + period * (error / period).round()
        };
        width + blur * random.normal()
    };
    requested
        .iter()
        .map(|&r| (0..each).map(|_| one(r)).collect())
        .collect()
}

/// Of `runs` samples of each law and size, no more than the level says are called ticks at 1 %.
fn assert_smooth_densities_are_no_ticks(shortest: f64, sizes: &[usize], runs: u64) {
    let laws: [(&str, Law); 8] = [
        ("normal", |r| 12.0 + 5.0 * r.normal()),
        ("lognormal", |r| 5.0 + (1.5 + 0.6 * r.normal()).exp()),
        ("exponential", |r| 5.0 + 6.0 * r.exponential()),
        ("gamma of shape 2", |r| {
            5.0 + 3.0 * (r.exponential() + r.exponential())
        }),
        ("Weibull of shape 1.2", |r| {
            5.0 + 6.0 * r.exponential().powf(1.0 / 1.2)
        }),
        ("uniform", |r| 7.0 * r.uniform()),
        ("two clusters", |r| {
            let (center, sd) = if r.uniform() < 0.55 {
                (10.0, 1.0)
            } else {
                (19.0, 1.5)
            };
            center + sd * r.normal()
        }),
        ("stragglers", |r| {
            if r.uniform() < 0.9 {
                10.0 + 0.4 * r.normal()
            } else {
                12.0 + 30.0 * r.uniform()
            }
        }),
    ];
    // Requested widths in even steps, and a scale error: the widths of all groups line up at
    // 50.5 and its fractions.
    let requested: Vec<f64> = (1..=4).map(|i| 50.0 * f64::from(i)).collect();
    for (i, (name, law)) in laws.iter().enumerate() {
        for &n in sizes {
            for many in [false, true] {
                let requested = if many {
                    &requested[..]
                } else {
                    &requested[..1]
                };
                let mut found = 0;
                for run in 0..runs {
                    let mut random = Random::new(1_000 * i as u64 + run);
                    let each = n / requested.len();
                    let data: Vec<Vec<f64>> = requested
                        .iter()
                        .map(|r| (0..each).map(|_| 1.01 * r + law(&mut random)).collect())
                        .collect();
                    let tick = hidden_tick(&groups(requested, &data), shortest, 20.0).unwrap();
                    found += u64::from(tick.p_value < 0.01);
                }
                // At most 1 % is expected: 2 of 200, and more than 6 with chance 0.005.
                let most = (runs as f64 * 0.01 + 2.6 * (runs as f64 * 0.01).sqrt()).round();
                assert!(
                    found as f64 <= most,
                    "{name}, {n} values: {found} of {runs}"
                );
            }
        }
    }
}

#[test]
fn smooth_densities_are_called_ticks_no_more_often_than_the_level_says() {
    assert_smooth_densities_are_no_ticks(1.0, &[52, 500], 200);
    assert_smooth_densities_are_no_ticks(1.0, &[5_000], 20);
}

#[test]
#[ignore = "needs minutes without optimization; run with: cargo test --release -- --ignored smooth"]
fn smooth_densities_are_called_ticks_no_more_often_than_the_level_says_down_to_short_periods() {
    assert_smooth_densities_are_no_ticks(0.1, &[52, 200, 1_000, 5_000], 400);
}

#[test]
fn a_tick_that_fills_two_teeth_is_found_with_its_period_and_its_quantity() {
    let requested = [53.0, 127.0, 212.0, 391.0];
    for (spread, periods) in [
        (3.0, &[1.0, 2.0, 4.0, 8.0][..]),
        (5.0, &[1.0, 2.0, 4.0, 8.0, 10.0]),
        (8.0, &[1.0, 2.0, 4.0, 8.0, 10.0, 15.6]),
    ] {
        for &period in periods {
            for of in [Quantity::Width, Quantity::Error] {
                for blur in [0.0, 0.1] {
                    let mut random = Random::new((spread * 100.0 + period) as u64);
                    let data = ticking(of, period, spread, blur, &requested, 60, &mut random);
                    let tick = hidden_tick(&groups(&requested, &data), 0.1, 20.0).unwrap();
                    let what = format!("{of:?} {period} in {spread}, {blur}: {tick:?}");
                    assert!(tick.p_value < 0.01, "{what}");
                    assert!((tick.period / period - 1.0).abs() < 0.01, "{what}");
                    // All requested widths are multiples of 1.
                    let expected = if period == 1.0 { Quantity::Either } else { of };
                    assert_eq!(tick.of, expected, "{what}");
                }
            }
        }
    }
}

#[test]
fn one_group_can_not_tell_widths_from_errors() {
    let mut random = Random::new(8);
    let data = ticking(Quantity::Error, 4.0, 6.0, 0.2, &[250.0], 250, &mut random);
    let tick = hidden_tick(&groups(&[250.0], &data), 0.1, 20.0).unwrap();
    assert_eq!(tick.of, Quantity::Either);
    assert!(tick.p_value < 1e-6 && (tick.period / 4.0 - 1.0).abs() < 0.01);
}

#[test]
fn requested_widths_that_are_multiples_of_the_period_leave_the_quantity_open() {
    let requested = [100.0, 150.0, 200.0, 350.0];
    let mut random = Random::new(8);
    let data = ticking(Quantity::Width, 5.0, 6.0, 0.1, &requested, 60, &mut random);
    let tick = hidden_tick(&groups(&requested, &data), 0.1, 20.0).unwrap();
    assert_eq!(tick.of, Quantity::Either);
    assert!(tick.p_value < 1e-6 && (tick.period / 5.0 - 1.0).abs() < 0.01);
}

#[test]
fn a_timer_that_rounds_widths_is_found_though_every_request_is_different() {
    let mut random = Random::new(12);
    let requested: Vec<f64> = (0..240).map(|_| 20.0 + 700.0 * random.uniform()).collect();
    let data = ticking(Quantity::Width, 10.0, 4.0, 0.3, &requested, 1, &mut random);
    let tick = hidden_tick(&groups(&requested, &data), 0.1, 20.0).unwrap();
    assert_eq!(tick.of, Quantity::Width);
    assert!(
        tick.p_value < 0.01 && (tick.period / 10.0 - 1.0).abs() < 0.001,
        "{tick:?}"
    );
}

#[test]
fn many_values_are_searched_in_cells_with_the_same_outcome() {
    let requested = [70.0, 133.0];
    let mut random = Random::new(2);
    let data = ticking(
        Quantity::Width,
        2.5,
        4.0,
        0.4,
        &requested,
        15_000,
        &mut random,
    );
    let tick = hidden_tick(&groups(&requested, &data), 0.1, 20.0).unwrap();
    assert_eq!(tick.of, Quantity::Width);
    assert!((tick.period / 2.5 - 1.0).abs() < 1e-3);
    // Blur lowers the mean phase vector to exp(-2 pi² (0.4/2.5)²).
    let expected = (-2.0 * (std::f64::consts::PI * 0.4 / 2.5).powi(2)).exp();
    assert!((tick.power - expected).abs() < 0.01, "{}", tick.power);
}

#[test]
fn the_power_is_the_mean_phase_vector_of_the_values() {
    let mut random = Random::new(4);
    let widths: Vec<f64> = (0..300)
        .map(|_| 3.0 * (2.0 * random.normal()).round() + 0.3 * random.normal())
        .collect();
    let groups = [Group {
        requested: 0.0,
        widths: &widths,
    }];
    let tick = hidden_tick(&groups, 0.5, 20.0).unwrap();
    let angle = |x: &f64| std::f64::consts::TAU * x / tick.period;
    let cos: f64 = widths.iter().map(|x| angle(x).cos()).sum();
    let sin: f64 = widths.iter().map(|x| angle(x).sin()).sum();
    assert!((tick.power - cos.hypot(sin) / 300.0).abs() < 1e-12);
}

#[test]
fn long_ranges_are_cheap_or_refused() {
    // Widths over ten minutes, in ms.
    let requested: Vec<f64> = (0..6).map(|i| 100.0 + 1e5 * f64::from(i)).collect();
    let mut random = Random::new(2);
    let data = ticking(Quantity::Error, 4.0, 6.0, 0.1, &requested, 40, &mut random);
    let tick = hidden_tick(&groups(&requested, &data), 1.0, 20.0).unwrap();
    assert!(tick.p_value < 1e-3 && (tick.period / 4.0 - 1.0).abs() < 0.01);
    let far: Vec<f64> = (0..6).map(|i| 1e12 * f64::from(i)).collect();
    let result = hidden_tick(&groups(&far, &data), 0.1, 20.0);
    assert!(matches!(result, Err(StatsError::BadArgument(_))));
    let one = [(0..30).map(|i| 1e9 * f64::from(i * i)).collect()];
    let result = hidden_tick(&groups(&[0.0], &one), 0.1, 20.0);
    assert!(matches!(result, Err(StatsError::BadArgument(_))));
}

#[test]
fn wrong_arguments_are_errors() {
    let widths: Vec<f64> = (0..30).map(|i| f64::from(i * i % 17)).collect();
    let good = [Group {
        requested: 1.0,
        widths: &widths,
    }];
    for (low, high) in [
        (0.0, 1.0),
        (2.0, 1.0),
        (-1.0, 1.0),
        (f64::NAN, 1.0),
        (1.0, f64::INFINITY),
    ] {
        assert!(matches!(
            hidden_tick(&good, low, high),
            Err(StatsError::BadArgument(_))
        ));
    }
    assert!(periodogram(&good, Quantity::Error, 1.0, 2.0, 1).is_err());
    assert!(matches!(
        hidden_tick(&[], 0.1, 20.0),
        Err(StatsError::TooFew { found: 0, .. })
    ));
    let bad = [Group {
        requested: f64::NAN,
        widths: &widths,
    }];
    assert_eq!(
        hidden_tick(&bad, 0.1, 20.0),
        Err(StatsError::NotFinite { index: 0 })
    );
    let equal = vec![4.0; 30];
    let equal = [Group {
        requested: 1.0,
        widths: &equal,
    }];
    assert!(matches!(
        hidden_tick(&equal, 0.1, 20.0),
        Err(StatsError::Degenerate(_))
    ));
}

proptest! {
    #[test]
    fn any_groups_are_survived(
        data in proptest::collection::vec(proptest::collection::vec(any::<f64>(), 0..30), 0..4),
        requested in proptest::collection::vec(any::<f64>(), 4),
        low in any::<f64>(), high in any::<f64>(),
    ) {
        for (low, high) in [(low, high), (1.0, 20.0)] {
            if let Ok(tick) = hidden_tick(&groups(&requested, &data), low, high) {
                prop_assert!((0.0..=1.0).contains(&tick.p_value));
                prop_assert!((0.0..=1.0).contains(&tick.power));
            }
        }
    }

    #[test]
    fn few_distinct_widths_are_survived(
        counts in proptest::collection::vec(0u8..5, 20..80), step in 0.01..30.0f64, split in 1usize..19,
    ) {
        let widths: Vec<f64> = counts.iter().map(|c| f64::from(*c) * step).collect();
        let data = [widths[..split].to_vec(), widths[split..].to_vec()];
        if let Ok(tick) = hidden_tick(&groups(&[step, 3.0 * step], &data), 1.0, 20.0) {
            prop_assert!((0.0..=1.0).contains(&tick.p_value));
            prop_assert!(tick.period >= 0.9 && tick.period <= 20.5, "{}", tick.period);
        }
    }
}
