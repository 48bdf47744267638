//! Requests brought together with pulses.

mod common;

use std::time::Instant;

use common::{Random, every_edge, read};
use wire::{
    Capture, Direction, MatchOptions, Matching, Request, RequestOutcome, RequestSource, Settings,
    match_pulses,
};

/// A capture of pulses `(start, width)` in ms on the channel of a direction each, or on one channel.
fn capture(end_ms: f64, pulses: &[(Option<Direction>, f64, f64)]) -> Capture {
    let mut text = String::from("t_ms,channel,level\n0,none,0\n");
    let name = |d: Option<Direction>| d.map_or("wire".to_owned(), |d| d.to_string());
    let mut channels: Vec<String> = pulses.iter().map(|p| name(p.0)).collect();
    channels.sort();
    channels.dedup();
    for channel in channels {
        text.push_str(&format!("0,{channel},0\n"));
    }
    let mut edges: Vec<(f64, String, u8)> = Vec::new();
    for (direction, start, width) in pulses {
        edges.push((*start, name(*direction), 1));
        edges.push((start + width, name(*direction), 0));
    }
    edges.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (time, channel, level) in edges.iter().filter(|edge| edge.0 < end_ms) {
        text.push_str(&format!("{time:.6},{channel},{level}\n"));
    }
    text.push_str(&format!("{end_ms},none,0\n"));
    read(text.as_bytes(), &every_edge()).unwrap()
}

fn request(
    direction: Option<Direction>,
    width_ms: f64,
    issued_s: Option<f64>,
    line: u64,
) -> Request {
    Request {
        direction,
        width_ms,
        issued_s,
        line,
    }
}

fn by_list(capture: &Capture, widths: &[f64]) -> Matching {
    match_pulses(
        capture,
        RequestSource::List(widths),
        &MatchOptions::default(),
    )
    .unwrap()
}

fn by_log(capture: &Capture, requests: &[Request], shared_clock: bool) -> Matching {
    let options = MatchOptions {
        shared_clock,
        ..MatchOptions::default()
    };
    let matching = match_pulses(capture, RequestSource::Log(requests), &options).unwrap();
    let outcomes = matching.outcomes;
    // What the documentation promises of a log.
    assert_eq!(outcomes.requests, Some(requests.len() as u64));
    assert_eq!(
        outcomes.missing.unwrap() + outcomes.delivered + outcomes.broken + outcomes.cut,
        requests.len() as u64
    );
    assert_eq!(matching.requests.len(), requests.len());
    assert_eq!(matching.observations.len() as u64, outcomes.delivered);
    assert!(
        matching
            .observations
            .iter()
            .enumerate()
            .all(|(i, o)| o.order == i)
    );
    matching
}

#[test]
fn each_pulse_goes_to_the_nearest_width_of_a_list() {
    let pulses: Vec<_> = [62.0, 260.0, 512.0, 24.0, 76.0, 750.0, 751.0, 150.0]
        .iter()
        .enumerate()
        .map(|(i, width)| (None, 1000.0 * (i + 1) as f64, *width))
        .collect();
    let matching = by_list(&capture(10_000.0, &pulses), &[500.0, 50.0, 250.0]);
    let requested: Vec<f64> = matching
        .observations
        .iter()
        .map(|o| o.requested_ms)
        .collect();
    // 24 differs from 50 by more than half of it, 76 too; 750 by just half of 500; 150 is as far
    // from 50 as from 250 and goes to the smaller, from which it differs by more than half.
    assert_eq!(requested, [50.0, 250.0, 500.0, 500.0]);
    let extra: Vec<f64> = matching.extras.iter().map(|stray| stray.width_ms).collect();
    assert_eq!(extra, [24.0, 76.0, 751.0, 150.0]);
    assert_eq!(matching.outcomes.missing, None);
    assert_eq!(matching.outcomes.requests, None);
    assert_eq!(matching.observations[1].start_s, Some(2.0));
    assert_eq!(matching.observations[1].start_delay_ms, None);
}

#[test]
fn two_halves_of_a_width_are_one_broken_request() {
    let ra = Some(Direction::RaPlus);
    let dec = Some(Direction::DecPlus);
    let all = capture(
        10_000.0,
        &[
            // A pulse of the other axis in between changes nothing.
            (ra, 1000.0, 240.0),
            (dec, 1100.0, 500.0),
            (ra, 1262.0, 240.0),
            // A gap as long as the pulses is none inside one.
            (ra, 3000.0, 120.0),
            (ra, 3360.0, 120.0),
        ],
    );
    let matching = by_list(&all, &[500.0]);
    assert_eq!(matching.outcomes.broken, 1);
    assert_eq!(matching.broken[0].width_ms, 502.0);
    assert_eq!(matching.broken[0].requested_ms, Some(500.0));
    assert_eq!(matching.outcomes.extra, 2);
    assert_eq!(matching.outcomes.delivered, 1);
}

#[test]
fn a_log_finds_what_is_missing_extra_broken_and_cut() {
    let pulses = [
        (None, 1_010.0, 262.0),
        // 2: missing. An extra one between.
        (None, 2_400.0, 30.0),
        (None, 3_010.0, 512.0),
        // 4: broken in three.
        (None, 4_010.0, 150.0),
        (None, 4_190.0, 150.0),
        (None, 4_360.0, 160.0),
        (None, 5_010.0, 60.0),
        // 6: cut by the end.
        (None, 6_010.0, 1_000.0),
    ];
    let widths = [250.0, 500.0, 500.0, 500.0, 50.0, 1_000.0];
    let all = capture(6_300.0, &pulses);
    assert_eq!(all.cut.len(), 1);
    for (shared_clock, issued) in [(true, true), (false, true), (false, false)] {
        let requests: Vec<Request> = widths
            .iter()
            .enumerate()
            .map(|(i, width)| {
                let time = (i + 1) as f64 + if shared_clock { 0.0 } else { 77.0 };
                request(None, *width, issued.then_some(time), i as u64 + 2)
            })
            .collect();
        let matching = by_log(&all, &requests, shared_clock);
        let outcomes = matching.outcomes;
        assert_eq!(
            matching.requests,
            [
                RequestOutcome::Delivered { pulse: 0 },
                RequestOutcome::Missing,
                RequestOutcome::Delivered { pulse: 2 },
                RequestOutcome::Broken {
                    first: 3,
                    pulses: 3
                },
                RequestOutcome::Delivered { pulse: 6 },
                RequestOutcome::Cut,
            ],
            "{shared_clock} {issued}"
        );
        assert_eq!((outcomes.extra, outcomes.broken, outcomes.cut), (1, 1, 1));
        let delays: Vec<_> = matching
            .observations
            .iter()
            .map(|o| o.start_delay_ms)
            .collect();
        if shared_clock {
            assert!(delays.iter().all(|d| (d.unwrap() - 10.0).abs() < 1e-6));
        } else {
            assert_eq!(delays, [None; 3]);
        }
        match matching.clock_offset_s {
            Some(offset) => assert!(!shared_clock && issued && (offset + 76.99).abs() < 1e-6),
            None => assert!(shared_clock || !issued),
        }
    }
}

#[test]
fn with_a_shared_clock_requests_outside_of_the_capture_are_cut_and_not_missing() {
    let all = capture(5_000.0, &[(None, 2_010.0, 262.0), (None, 3_010.0, 262.0)]);
    let requests: Vec<Request> = [-3.0, 2.0, 3.0, 4.0, 4.9, 9.0]
        .iter()
        .map(|issued| request(None, 250.0, Some(*issued), 2))
        .collect();
    let matching = by_log(&all, &requests, true);
    assert_eq!(
        matching.requests,
        [
            RequestOutcome::Cut,
            RequestOutcome::Delivered { pulse: 0 },
            RequestOutcome::Delivered { pulse: 1 },
            RequestOutcome::Missing,
            RequestOutcome::Cut,
            RequestOutcome::Cut,
        ]
    );
}

#[test]
fn directions_must_agree_and_are_aligned_for_themselves() {
    let (ra, dec) = (Some(Direction::RaPlus), Some(Direction::DecMinus));
    // The pulse of the later request comes first, and both are 250 ms.
    let all = capture(
        9_000.0,
        &[
            (dec, 1_005.0, 260.0),
            (ra, 1_050.0, 262.0),
            (ra, 3_000.0, 262.0),
        ],
    );
    let requests = [
        request(ra, 250.0, Some(1.0), 2),
        request(dec, 250.0, Some(1.0), 3),
        request(dec, 250.0, Some(2.99), 4),
    ];
    let matching = by_log(&all, &requests, true);
    assert_eq!(
        matching.requests,
        [
            RequestOutcome::Delivered { pulse: 1 },
            RequestOutcome::Delivered { pulse: 0 },
            RequestOutcome::Missing,
        ]
    );
    assert_eq!(matching.extras[0].direction, ra);
    assert_eq!(matching.observations[0].direction, dec);
    // A log of directions for a capture of one line.
    let one = capture(9_000.0, &[(None, 1_050.0, 262.0)]);
    let matching = by_log(&one, &requests, true);
    assert!(matching.warnings[0].text.contains("several directions"));
    assert!(matching.observations[0].direction.is_some());
}

#[test]
fn opposite_directions_at_once_are_a_clash() {
    let (plus, minus) = (Some(Direction::RaPlus), Some(Direction::RaMinus));
    let all = capture(
        9_000.0,
        &[
            (plus, 1_000.0, 250.0),
            (minus, 1_240.0, 250.0),
            (plus, 2_000.0, 250.0),
            (minus, 2_250.0, 250.0),
            (Some(Direction::DecPlus), 2_000.0, 250.0),
            (plus, 4_000.0, 900.0),
            (minus, 4_100.0, 100.0),
            (minus, 4_500.0, 100.0),
        ],
    );
    assert_eq!(by_list(&all, &[250.0]).outcomes.clash, 3);
}

#[test]
fn measured_pulses_are_observations_already() {
    let text = "direction,requested_ms,width_ms,issued_s,start_s\nra+,250,262,2,2.02\nra-,250,263,1,1.03\n";
    let capture = read(text.as_bytes(), &Settings::default()).unwrap();
    let options = MatchOptions {
        shared_clock: true,
        ..MatchOptions::default()
    };
    let matching = match_pulses(&capture, RequestSource::List(&[]), &options).unwrap();
    assert_eq!(matching.outcomes.delivered, 2);
    assert_eq!(matching.observations[0].direction, Some(Direction::RaMinus));
    assert!((matching.observations[0].start_delay_ms.unwrap() - 30.0).abs() < 1e-9);
}

#[test]
fn what_cannot_be_matched_is_named() {
    let all = capture(5_000.0, &[(None, 2_010.0, 262.0)]);
    for source in [
        RequestSource::List(&[]),
        RequestSource::List(&[f64::NAN]),
        RequestSource::List(&[250.0, 0.0]),
        RequestSource::Log(&[]),
        RequestSource::Log(&[request(None, -1.0, None, 2)]),
    ] {
        assert!(match_pulses(&all, source, &MatchOptions::default()).is_err());
    }
    let options = MatchOptions {
        max_delay_s: 0.0,
        ..MatchOptions::default()
    };
    assert!(match_pulses(&all, RequestSource::List(&[250.0]), &options).is_err());
}

#[test]
fn a_log_that_is_not_of_this_capture_is_doubted() {
    let all = capture(5_000.0, &[(None, 2_010.0, 262.0), (None, 3_010.0, 262.0)]);
    let requests: Vec<Request> = (0..9)
        .map(|i| request(None, 2_000.0, None, i + 2))
        .collect();
    let matching = by_log(&all, &requests, false);
    assert!(
        matching.warnings[0]
            .text
            .contains("9 of 9 requests have no pulse")
    );
}

/// A run of `count` requests, 1 in 40 missing, 1 in 60 broken, 1 in 50 pulses extra, on clocks that
/// drift apart.
fn long_run(count: usize, skew: f64) -> (Capture, Vec<Request>, Vec<bool>) {
    let mut random = Random(17);
    let mut pulses = Vec::new();
    let mut requests = Vec::new();
    let mut delivered = Vec::new();
    let mut issued = 5.0;
    for i in 0..count {
        let width = [50.0, 100.0, 250.0, 500.0][random.below(4) as usize];
        requests.push(request(
            None,
            width,
            Some(issued * (1.0 + skew) + 1_000.0),
            i as u64 + 2,
        ));
        let start = issued * 1000.0 + 8.0 + 12.0 * random.share();
        let error = 10.0 + 6.0 * random.share();
        let (missing, broken) = (random.below(40) == 0, random.below(60) == 0);
        delivered.push(!missing && !broken);
        if broken && !missing {
            pulses.push((None, start, width * 0.45));
            pulses.push((None, start + width * 0.55, width * 0.45));
        } else if !missing {
            pulses.push((None, start, width + error));
        }
        issued += 1.0 + random.share();
        if random.below(50) == 0 {
            pulses.push((None, issued * 1000.0 - 200.0, 20.0 + 50.0 * random.share()));
        }
    }
    (
        capture(issued * 1000.0 + 5_000.0, &pulses),
        requests,
        delivered,
    )
}

#[test]
fn a_long_run_on_clocks_that_drift_apart_is_matched_and_quickly() {
    let (all, requests, delivered) = long_run(100_000, 40e-6);
    let begin = Instant::now();
    let matching = by_log(&all, &requests, false);
    let took = begin.elapsed();
    let right = matching
        .requests
        .iter()
        .zip(&delivered)
        .filter(|(outcome, delivered)| {
            matches!(outcome, RequestOutcome::Delivered { .. }) == **delivered
        })
        .count();
    // An extra pulse that comes in the place of a missing short one can't be told from it.
    assert!(right >= 99_800, "{right}");
    assert!(
        matching.notes.iter().any(|note| note.contains("-40.0 ppm")),
        "{:?}",
        matching.notes
    );
    // 2 s in a release build; a debug build on a busy machine is given ten times that.
    assert!(took.as_secs_f64() < 20.0, "{took:?}");
    println!("100,000 requests in {took:?}, {right} right");
}

#[test]
fn a_long_run_without_times_is_matched_by_its_widths() {
    let (all, mut requests, delivered) = long_run(20_000, 0.0);
    for request in &mut requests {
        request.issued_s = None;
    }
    let matching = by_log(&all, &requests, false);
    let right = matching
        .requests
        .iter()
        .zip(&delivered)
        .filter(|(outcome, delivered)| {
            matches!(outcome, RequestOutcome::Delivered { .. }) == **delivered
        })
        .count();
    // Of several requests of one width in a row it can't be told which one is missing.
    assert!(right >= 19_000, "{right}");
}
