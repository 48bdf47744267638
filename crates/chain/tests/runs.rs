//! Runs of known law through the summary and the comparison, and what of a summary goes on into a trim and
//! a proof.

use chain::{
    Below, ChainError, Instrument, Loss, RunData, RunPulses, RunSummary, RunToCompare, Sampling,
    compare, fit_trim, prove, summarise,
};
use stats::random::Random;
use wire::{Direction, Observation, Outcomes};

const INSTRUMENT: Instrument = Instrument {
    resolution_ms: 0.001,
    sampling: Sampling::Edges,
    timebase_ppm: 0.0,
    edge_ms: Some(0.0),
};

/// Observations of the given requested widths and errors, a second apart.
fn observations(pulses: impl IntoIterator<Item = (f64, f64)>) -> Vec<Observation> {
    pulses
        .into_iter()
        .enumerate()
        .map(|(order, (requested_ms, error_ms))| Observation {
            direction: Some(Direction::RaPlus),
            requested_ms,
            width_ms: requested_ms + error_ms,
            start_s: Some(order as f64),
            issued_s: None,
            start_delay_ms: None,
            order,
            bridged: 0,
            request: None,
        })
        .collect()
}

fn summary(observations: &[Observation]) -> RunSummary {
    summarise(&RunData {
        observations,
        outcomes: Outcomes {
            delivered: observations.len() as u64,
            ..Outcomes::default()
        },
        instrument: INSTRUMENT,
        warnings: &[],
        seed: 1,
    })
    .unwrap()
}

#[test]
fn nothing_delivered_is_an_error() {
    let data = RunData {
        observations: &[],
        outcomes: Outcomes {
            extra: 3,
            ..Outcomes::default()
        },
        instrument: INSTRUMENT,
        warnings: &[],
        seed: 1,
    };
    assert!(matches!(
        summarise(&data),
        Err(ChainError::NothingDelivered { extra: 3, .. })
    ));
}

#[test]
fn few_pulses_give_what_can_be_known_and_nothing_else() {
    let one = summary(&observations([(250.0, 12.0)]));
    assert_eq!(one.pooled.width_error_ms.median, 12.0);
    assert_eq!(one.pooled.width_error_ms.median_ci95, None);
    assert_eq!(one.pooled.width_error_ms.sd, None);
    assert!(one.pooled.family.is_none() && one.offset_scale.is_none() && one.tick.is_none());
    assert!(
        one.answer.starts_with("The one pulse came out 12.0"),
        "{}",
        one.answer
    );
    // The interval of a median needs six pulses: 1 - 2/2^6 is the first above 95 %.
    let five = summary(&observations((0..5).map(|i| (250.0, f64::from(i)))));
    assert_eq!(five.pooled.width_error_ms.median_ci95, None);
    let six = summary(&observations((0..6).map(|i| (250.0, f64::from(i)))));
    assert_eq!(six.pooled.width_error_ms.median_ci95, Some([0.0, 5.0]));
}

#[test]
fn equal_errors_are_no_fault() {
    let run = summary(&observations(
        (0..40).map(|i| (f64::from(50 + 200 * (i % 2)), 3.0)),
    ));
    assert_eq!(run.pooled.width_error_ms.median, 3.0);
    assert_eq!(run.pooled.width_error_ms.mad_sd, 0.0);
    assert!(
        run.answer.starts_with("Pulses come out 3.0"),
        "{}",
        run.answer
    );
    assert!(run.pooled.family.is_none());
}

#[test]
fn the_answer_speaks_of_short_pulses_in_positive_numbers() {
    let mut random = Random::new(3);
    let run =
        summary(&observations((0..300).map(|i| {
            (f64::from(50 + 200 * (i % 3)), -8.0 - random.exponential())
        })));
    assert!(
        run.answer.starts_with("Pulses come out 8."),
        "{}",
        run.answer
    );
    assert!(
        run.answer.contains("ms too short (median; 95 % 8."),
        "{}",
        run.answer
    );
    assert!(run.answer.contains("1 in 40 is over 1"), "{}", run.answer);
    assert!(!run.answer.contains('-'), "{}", run.answer);
}

#[test]
fn an_error_within_its_uncertainty_is_told_as_none() {
    let mut random = Random::new(4);
    let run = summary(&observations(
        (0..100).map(|i| (f64::from(50 + 200 * (i % 3)), random.normal())),
    ));
    assert!(
        run.answer.starts_with("Pulses come out as asked"),
        "{}",
        run.answer
    );
}

#[test]
fn many_widths_are_gathered_into_bands() {
    let mut random = Random::new(5);
    let run =
        summary(&observations((0..400).map(|_| {
            (20.0 + 980.0 * random.uniform(), 5.0 + random.normal())
        })));
    assert_eq!(run.groups.len(), 8);
    assert!(run.groups.iter().all(|g| g.n == 50));
    for pair in run.groups.windows(2) {
        assert!(pair[0].requested_range_ms[1] < pair[1].requested_range_ms[0]);
    }
}

#[test]
fn the_result_does_not_depend_on_the_number_of_threads_or_the_run() {
    let mut random = Random::new(6);
    let pulses =
        observations((0..500).map(|i| (f64::from(50 + 200 * (i % 3)), 5.0 + random.exponential())));
    assert!(summary(&pulses) == summary(&pulses));
}

#[test]
fn intervals_cover_the_truth_as_often_as_they_say() {
    // 400 runs of a known law: offset 9 ms, scale 0.4 %, lognormal errors of median 3 ms. With a true
    // coverage of 95 % a count below 364 of 400 has a chance of 1 in 2,000 (binomial); the offset's
    // interval may be wider than it need be.
    let mut random = Random::new(7);
    let (mut offset, mut scale, mut median) = (0, 0, 0);
    let runs = 400;
    for _ in 0..runs {
        let run = summary(&observations((0..60).map(|i| {
            let requested = [50.0, 250.0, 500.0][i % 3];
            (
                requested,
                9.0 + 0.004 * requested + 3.0 * (0.5 * random.normal()).exp(),
            )
        })));
        let line = run.offset_scale.unwrap();
        let inside = |ci: [f64; 2], truth: f64| u32::from(ci[0] <= truth && truth <= ci[1]);
        offset += inside(line.offset_ci95, 12.0);
        scale += inside(line.scale_ci95, 0.004);
        let at_250 = run.groups[1].width_error_ms.median_ci95.unwrap();
        median += inside(at_250, 13.0);
    }
    for (name, covered) in [("offset", offset), ("scale", scale), ("median", median)] {
        assert!(covered >= 364, "{name} covered {covered} of {runs}");
    }
}

#[test]
fn a_comparison_finds_a_shift_and_a_spread_and_nothing_where_there_is_none() {
    let mut random = Random::new(8);
    let mut run = |offset: f64, spread: f64| {
        observations((0..200).map(|i| {
            (
                f64::from(50 + 200 * (i % 3)),
                offset + spread * random.normal(),
            )
        }))
    };
    let (a, b, c) = (run(10.0, 1.0), run(4.0, 1.0), run(10.0, 3.0));
    let to = |name: &str, observations| RunToCompare {
        name: name.to_owned(),
        observations,
        missing: None,
    };
    let found = compare(&[to("a", &a), to("b", &b), to("c", &c)]).unwrap();
    let pair = |i: usize| &found.pairs[i];
    assert!((pair(0).shift_ms + 6.0).abs() < 0.4 && pair(0).mann_whitney_p_holm < 1e-10);
    assert!(pair(0).shift_ci95[0] < -6.0 && -6.0 < pair(0).shift_ci95[1]);
    assert!((pair(1).spread_ratio.unwrap() - 3.0).abs() < 0.6);
    assert!(pair(1).brown_forsythe_p_holm < 1e-10);
    assert!(found.answer.contains("b comes closest"), "{}", found.answer);
    assert!(found.overall.unwrap().kruskal_wallis.p_value < 1e-10);
    // Two halves of one chain.
    let same = compare(&[to("x", &a[..100]), to("y", &a[100..])]).unwrap();
    assert!(
        same.answer.starts_with("No difference in width"),
        "{}",
        same.answer
    );
}

#[test]
fn only_common_widths_are_compared() {
    let a = observations((0..60).map(|i| (f64::from(50 + 200 * (i % 3)), 1.0 + f64::from(i % 7))));
    let b = observations((0..40).map(|i| (f64::from(50 + 200 * (i % 2)), 2.0 + f64::from(i % 5))));
    let c = observations((0..40).map(|i| (777.0, f64::from(i))));
    let to = |name: &str, observations| RunToCompare {
        name: name.to_owned(),
        observations,
        missing: None,
    };
    let found = compare(&[to("a", &a), to("b", &b)]).unwrap();
    assert_eq!(found.widths_ms, [50.0, 250.0]);
    assert_eq!((found.runs[0].n, found.runs[1].n), (40, 40));
    assert!(found.warnings.iter().any(|w| w.text.contains("left out")));
    let error = compare(&[to("a", &a), to("c", &c)]).unwrap_err();
    assert!(error.to_string().contains("777 ms"), "{error}");
    assert!(matches!(
        compare(&[to("a", &a)]),
        Err(ChainError::OneRun(1))
    ));
}

#[test]
fn groups_that_cancel_are_not_told_as_asked() {
    let mut random = Random::new(9);
    let run = summary(&observations((0..150).map(|i| {
        let offset = [12.0, -12.0, 1.0][i % 3];
        ([50.0, 250.0, 500.0][i % 3], offset + random.normal())
    })));
    assert!(!run.answer.contains("as asked"), "{}", run.answer);
    assert!(
        run.answer.contains("unlike by width or direction"),
        "{}",
        run.answer
    );
    let mut pulses = observations((0..160).map(|i| {
        let offset = if i % 2 == 0 { 20.0 } else { -5.0 };
        ([50.0, 250.0][i / 2 % 2], offset + random.normal())
    }));
    for (i, o) in pulses.iter_mut().enumerate() {
        o.direction = Some([Direction::RaPlus, Direction::RaMinus][i % 2]);
    }
    let run = summary(&pulses);
    assert!(run.answer.starts_with("Pulses come out"), "{}", run.answer);
    assert!(!run.answer.contains("as asked"), "{}", run.answer);
    assert!(
        run.answer.contains("unlike by width or direction: -5"),
        "{}",
        run.answer
    );
}

/// The summary of a run of which so many requests came to nothing.
fn summary_with_missing(observations: &[Observation], missing: u64) -> RunSummary {
    let delivered = observations.len() as u64;
    summarise(&RunData {
        observations,
        outcomes: Outcomes {
            requests: Some(delivered + missing),
            missing: Some(missing),
            delivered,
            ..Outcomes::default()
        },
        instrument: INSTRUMENT,
        warnings: &[],
        seed: 1,
    })
    .unwrap()
}

#[test]
fn what_the_summary_doubts_is_in_the_answers_of_trim_and_proof() {
    let mut random = Random::new(12);
    let pulses = observations((0..400).map(|i| {
        let requested = [50.0, 150.0, 300.0, 500.0][i % 4];
        (requested, 9.0 + random.normal())
    }));
    let alone = fit_trim(&pulses, Loss::Median, Below::Skip, None, 1).unwrap();
    let plain = prove(("old", &pulses), ("new", &pulses), 1.0)
        .unwrap()
        .answer;
    // None missing, a few, and as many as were delivered: then log and capture may not belong together.
    let summaries = [0, 3, 400].map(|missing| summary_with_missing(&pulses, missing));
    let [whole, few, doubtful] = summaries.each_ref().map(|summary| RunPulses {
        observations: &pulses,
        summary: Some(summary),
    });
    let fit = |run| fit_trim(run, Loss::Median, Below::Skip, None, 1).unwrap();
    assert_eq!(fit(whole), alone);
    let trim = fit(few);
    assert_eq!(trim.answer, alone.answer);
    let missing = "3 of 403 requests came to nothing";
    assert_eq!(trim.warnings.last().unwrap().text, missing);
    let doubt = summaries[2].doubt().unwrap();
    let trim = fit(doubtful);
    assert_eq!(trim.answer, format!("{} But {doubt}.", alone.answer));

    let proof = |before, after| prove(("old", before), ("new", after), 1.0).unwrap().answer;
    assert_eq!(proof(whole, whole), plain);
    // What was missing before the change is of no matter now.
    assert_eq!(proof(few, whole), plain);
    let all = format!("{plain} But {doubt}. But after the change {missing}.");
    assert_eq!(proof(doubtful, few), all);
}

#[test]
fn a_hidden_tick_is_told_with_the_trim() {
    // Widths are whole steps of 10 ms.
    let mut random = Random::new(13);
    let pulses = observations((0..400).map(|_| {
        let requested = 50.0 + 450.0 * random.uniform();
        (requested, (requested / 10.0).ceil() * 10.0 - requested)
    }));
    let summary = summary(&pulses);
    let run = RunPulses {
        observations: &pulses,
        summary: Some(&summary),
    };
    let trim = fit_trim(run, Loss::Median, Below::Skip, None, 1).unwrap();
    let told = |w: &wire::Warning| w.text.contains("hidden tick of 10 ms");
    assert!(trim.warnings.iter().any(told), "{:?}", trim.warnings);
}

#[test]
fn every_pulse_belongs_to_the_group_that_counts_it() {
    // Eight widths are groups of their own; forty are gathered into bands.
    for widths in [8, 40] {
        let mut pulses = observations((0..400).map(|i| {
            let requested = 20.0 * f64::from(1 + i % widths);
            (requested, f64::from(i % 7))
        }));
        for (i, pulse) in pulses.iter_mut().enumerate() {
            pulse.direction = [None, Some(Direction::DecMinus), Some(Direction::RaPlus)][i % 3];
        }
        let summary = summary(&pulses);
        let mut counted = vec![0; summary.groups.len()];
        for pulse in &pulses {
            counted[summary.group_of(pulse).unwrap()] += 1;
        }
        let expected: Vec<u64> = summary.groups.iter().map(|g| g.n).collect();
        assert_eq!(counted, expected);
        let mut other = pulses[0];
        other.requested_ms = 9_999.0;
        assert_eq!(summary.group_of(&other), None);
    }
}

#[test]
fn the_periodogram_peaks_at_the_tick() {
    let mut random = Random::new(4);
    let pulses = observations((0..600).map(|i| {
        let requested = [75.0, 130.0, 311.0][i % 3];
        let width = 4.0 * ((requested + 12.0 + 5.0 * random.normal()) / 4.0).round();
        (requested, width - requested)
    }));
    let tick = summary(&pulses).tick.unwrap();
    assert!(tick.found);
    let line = tick.periodogram(&pulses, 500).unwrap();
    assert_eq!(line.len(), 500);
    let near = |p: f64| (p / tick.period_ms - 1.0).abs() < 0.02;
    let at_tick = line.iter().filter(|[period, _]| near(*period));
    let strongest = at_tick.map(|[_, c]| *c).fold(0.0, f64::max);
    assert!((strongest - tick.strength).abs() < 0.02, "{strongest}");
}
