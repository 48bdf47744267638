//! What a live run has given so far, as the page draws it anew several times a second.

use chain::{Bins, Histogram};
use maud::{Markup, html};
use stats::Sorted;
use wire::Warning;

use super::Phase;
use crate::figure::{Along, Axis, Figure, Hue, Interval, Mark, Panel, Series};
use crate::gathered::{Gathered, Tally, median_told, told};
use crate::section::{self, Place};
use crate::text::plan::duration;

/// Most requested widths that are drawn.
const MOST_ROWS: usize = 12;
/// How far the bins of a row reach to either side of it, in rows.
const HALF_ROW: f64 = 0.4;

/// What a run has given so far: the part of the page that is drawn anew.
pub fn fragment(phase: &Phase, seen: &Gathered) -> Markup {
    let name = match phase {
        Phase::Ready => "ready",
        Phase::Running => "running",
        Phase::Ended(_) => "ended",
    };
    let remarks: Vec<Warning> = seen
        .remarks
        .iter()
        .map(|remark| Warning::new(remark.text.trim_end_matches('.'), remark.advice.clone()))
        .collect();
    let all = seen.all.sorted();
    html! {
        div #live-view data-phase=(name) {
            @if *phase == Phase::Running {
                @if let Some(prompt) = &seen.prompt { p.answer { "Do now: " (prompt) } }
                @if let Some(state) = &seen.state { p.problem { (state) } }
                p {
                    progress max=(seen.of.max(1)) value=(seen.done) aria-label="Requests made" {}
                    " "
                    @if seen.of == 0 { "Waiting for the rig, and aligning the clocks." }
                    @else { (chain::count(seen.done)) " of " (chain::count(seen.of)) ", " (duration(seen.left_s)) " left" }
                }
            }
            dl {
                dt { "Last pulse" }
                dd { (seen.last.as_ref().map_or_else(|| "none yet".to_owned(), told)) }
                dt { "So far" }
                dd { (median_told(&seen.all).unwrap_or_else(|| "no pulse with a request yet".to_owned())) }
                dt { "Losses" }
                dd { (seen.losses()) }
                @if let Some(clock) = &seen.clock { dt { "Clock" } dd { (clock) } }
            }
            @if let Some(all) = &all { (figure(seen, all)) }
            (section::warnings(&remarks))
        }
    }
}

/// The width errors of each requested width: how often, with the median and its interval.
fn figure(seen: &Gathered, all: &Sorted) -> Markup {
    let bins = Bins::over(all);
    let rows: Vec<(f64, &Tally)> = seen.widths().take(MOST_ROWS).collect();
    let mut series = Vec::new();
    let mut medians = Vec::new();
    let mut beyond = 0;
    for (row, (_, tally)) in rows.iter().enumerate() {
        let Some((value, interval)) = tally.median() else {
            continue;
        };
        let histogram = tally.histogram(&bins);
        beyond += histogram.below + histogram.above;
        series.push(Series::silent(
            "how often",
            Hue::Measured,
            Mark::Area(outline(&histogram, row as f64)),
        ));
        let [low, high] = interval.unwrap_or([value, value]);
        medians.push(Interval {
            at: row as f64,
            low,
            value,
            high,
        });
    }
    series.push(Series::silent(
        "as requested",
        Hue::Requested,
        Mark::Rule {
            at: 0.0,
            along: Along::X,
        },
    ));
    series.push(Series::new(
        "median with its 95 % interval",
        Hue::Measured,
        Mark::Intervals {
            items: medians,
            along: Along::X,
        },
    ));
    let names = rows
        .iter()
        .map(|(width, tally)| {
            format!(
                "{} ms, n {}",
                chain::significant(*width),
                chain::count(tally.n())
            )
        })
        .collect();
    let mut caption = format!(
        "{} so far, in steps of {} ms; each row is scaled to its own highest.",
        chain::plural(seen.all.n(), "pulse"),
        chain::significant(Histogram::new(&[], &bins).bin_ms)
    );
    if beyond > 0 {
        caption += &format!(" {} beyond the ends.", chain::plural(beyond, "pulse"));
    }
    let left_out = seen.widths().count() - rows.len();
    if left_out > 0 {
        caption += &format!(
            " {} more are counted, not drawn.",
            chain::plural(left_out as u64, "width")
        );
    }
    let figure = Figure {
        id: "live-errors".into(),
        title: "Width error by requested width".into(),
        caption,
        panels: vec![Panel {
            x: Axis::linear("width error", "ms"),
            y: Axis::names("requested", names),
            series,
            aspect: (0.12 + 0.08 * rows.len() as f64).min(0.8),
        }],
    };
    let place = Place {
        prefix: "live",
        level: 2,
        unfolded: false,
    };
    place.figure(&figure)
}

/// The bins of a row as a closed outline around its middle.
fn outline(histogram: &Histogram, row: f64) -> Vec<[f64; 2]> {
    let highest = histogram.counts.iter().copied().max().unwrap_or(0).max(1) as f64;
    let mut upper = Vec::new();
    for (bin, n) in histogram.counts.iter().enumerate() {
        let half = HALF_ROW * *n as f64 / highest;
        let low = histogram.low_ms + bin as f64 * histogram.bin_ms;
        upper.extend([[low, row - half], [low + histogram.bin_ms, row - half]]);
    }
    let lower: Vec<[f64; 2]> = upper
        .iter()
        .rev()
        .map(|[x, y]| [*x, 2.0 * row - y])
        .collect();
    upper.extend(lower);
    upper
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use rig::session::{Event, LivePulse};
    use std::sync::Mutex;
    use wire::Direction;

    use super::*;

    /// An hour of 50 pulses a second.
    const PULSES: u64 = 180_000;

    /// What a chain gives that is ragged, and now and then late.
    fn told_of(index: u64, random: &mut stats::random::Random) -> [Event; 3] {
        let width_ms = [20.0, 50.0, 100.0, 250.0, 500.0][index as usize % 5];
        let straggler = if index.is_multiple_of(50) { 40.0 } else { 0.0 };
        let error_ms = 12.0 + 3.0 * random.uniform() + straggler * random.uniform();
        [
            Event::Asking {
                index,
                direction: Direction::ALL[index as usize % 4],
                width_ms,
                prompt: None,
            },
            Event::Pulse(LivePulse {
                index: Some(index),
                direction: Direction::ALL[index as usize % 4],
                requested_ms: Some(width_ms),
                width_ms: width_ms + error_ms,
                start_s: index as f64 / 50.0,
                start_delay_ms: Some(30.0 + random.uniform()),
                bridged: 0,
            }),
            Event::Progress {
                done: index + 1,
                of: PULSES,
                left_s: (PULSES - index) as f64 / 50.0,
            },
        ]
    }

    #[test]
    fn an_hour_of_pulses_is_drawn_from_bounded_memory() {
        let mut gathered = Gathered::default();
        let mut random = stats::random::Random::new(1);
        let mut most = 0;
        for index in 0..PULSES {
            for event in told_of(index, &mut random) {
                gathered.event(&event);
            }
            if index == PULSES / 10 {
                most = gathered.held();
            }
        }
        // Ten times the pulses hold no more.
        assert!(most < 20_000, "{most}");
        assert!(
            gathered.held() <= most + most / 2,
            "{} {most}",
            gathered.held()
        );
        let text = fragment(&Phase::Running, &gathered).into_string();
        assert!(text.contains("180,000"), "{text}");
        assert!(text.len() < 200_000, "{}", text.len());
    }

    /// The view is asked for four times a second while pulses come twelve times as fast as at 50 a
    /// second, for 5 minutes; `cargo test --release -p pulsewright soak -- --ignored --nocapture`.
    #[test]
    #[ignore = "takes 5 minutes; PULSEWRIGHT_SOAK=60 takes one"]
    fn soak() {
        let times = std::env::var("PULSEWRIGHT_SOAK").ok();
        let times: f64 = times.map_or(12.0, |text| text.parse().expect("a number"));
        let table = Mutex::new(Gathered::default());
        let mut random = stats::random::Random::new(1);
        let begun = Instant::now();
        let mut looks = Vec::new();
        let mut resident = Vec::new();
        for index in 0..PULSES {
            for event in told_of(index, &mut random) {
                table.lock().unwrap().event(&event);
            }
            let due = Duration::from_secs_f64(index as f64 / (50.0 * times));
            std::thread::sleep(due.saturating_sub(begun.elapsed()));
            if index.is_multiple_of(150) {
                let before = Instant::now();
                let seen = table.lock().unwrap().clone();
                let text = fragment(&Phase::Running, &seen).into_string();
                looks.push(before.elapsed().as_secs_f64() * 1000.0);
                assert!(!text.is_empty());
            }
            if index % (PULSES / 10) == PULSES / 10 - 1 {
                resident.push(resident_kb());
            }
        }
        let held = table.lock().unwrap().held();
        let looks = Sorted::new(looks).unwrap();
        let slow = stats::order::quantile(&looks, 0.99);
        println!(
            "{PULSES} pulses in {:.0} s, {} looks: median {:.1} ms, 99 % within {slow:.1} ms, the slowest {:.1} ms; {held} counts held; resident kB at each tenth: {resident:?}",
            begun.elapsed().as_secs_f64(),
            looks.len(),
            stats::order::median(&looks),
            looks.max()
        );
        assert!(held < 20_000, "{held}");
    }

    /// Memory that the process holds, kB; `None` where the system does not say.
    fn resident_kb() -> Option<u64> {
        let status = std::fs::read_to_string("/proc/self/status").ok()?;
        let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
        line.split_whitespace().nth(1)?.parse().ok()
    }
}
