//! The figures of a simulated loop.

use chain::{count, significant};
use servo::budget::{CauseBudget, CauseShare};
use servo::outcome::Outcome;
use servo::trace::{AxisTrace, Trace};

use crate::figure::{Along, Axis, Bar, Figure, Hue, Interval, Mark, Panel, Series};

/// So many frames of an exposure are drawn, from its beginning.
pub const MOST_FRAMES: usize = 600;
/// The same where the figure follows as one moves the controls.
pub const PLAYED_FRAMES: usize = 200;

const AXES: [(&str, Hue); 2] = [("right ascension", Hue::Ra), ("declination", Hue::Dec)];

/// The tracking error of both axes in one long exposure, with the pulses under it; of so many frames
/// at most.
pub fn tracking(trace: &Trace, seed: u64, most_frames: usize) -> Figure {
    let frames = trace.axes[0].errors.len();
    let shown = frames.min(most_frames);
    let cadence_s = match trace.axes[0].errors.as_slice() {
        [first, second, ..] => second[0] - first[0],
        _ => 1.0,
    };
    let until_s = shown as f64 * cadence_s;
    let errors = |axis: &AxisTrace| Mark::Line {
        points: axis.errors.iter().take(shown).copied().collect(),
        broken: false,
    };
    // Beside each other within a frame.
    let thickness = 0.3 * cadence_s;
    let pulses = |axis: usize| Mark::Bars {
        items: trace.axes[axis]
            .pulses
            .iter()
            .filter_map(|pulse| {
                let (start_s, width_ms) = pulse.made?;
                Some(Bar {
                    at: start_s + thickness * axis as f64,
                    from: 0.0,
                    to: if pulse.positive { width_ms } else { -width_ms },
                })
            })
            .filter(|bar| bar.at <= until_s)
            .collect(),
        thickness,
        along: Along::Y,
    };
    let lost: Vec<[f64; 2]> = trace
        .axes
        .iter()
        .flat_map(|axis| &axis.pulses)
        .filter(|pulse| pulse.made.is_none() && pulse.asked_s <= until_s)
        .map(|pulse| [pulse.asked_s, 0.0])
        .collect();
    let lines = (0..2)
        .map(|a| Series::new(AXES[a].0, AXES[a].1, errors(&trace.axes[a])))
        .collect();
    let mut bars: Vec<Series> = (0..2)
        .map(|a| Series::silent(format!("pulses in {}", AXES[a].0), AXES[a].1, pulses(a)))
        .collect();
    if !lost.is_empty() {
        bars.push(Series::new(
            "lost requests",
            Hue::Warning,
            Mark::Points(lost),
        ));
    }
    let part = if shown < frames {
        format!(
            "the first {} of {} frames",
            count(shown as u64),
            count(frames as u64)
        )
    } else {
        format!("{} frames", count(frames as u64))
    };
    let off = if trace.result.axes.iter().any(|axis| axis.star_lost) {
        " The star then left the guide camera."
    } else {
        ""
    };
    let time = || Axis::linear("time", "s").within(0.0, until_s.max(cadence_s));
    Figure {
        id: "tracking".to_owned(),
        title: "Tracking error in one long exposure, and the pulses against it".to_owned(),
        caption: format!(
            "One simulated exposure out of many (seed {seed}, the first), {part} every {} s. Above: the mean true error over each frame. Below: the widths that came out, upwards for ra+ and dec+, downwards for ra- and dec-.{off}",
            significant(cadence_s)
        ),
        panels: vec![
            Panel {
                x: time(),
                y: Axis::linear("tracking error", "arcsec"),
                series: lines,
                aspect: 0.36,
            },
            Panel {
                x: time(),
                y: Axis::linear("pulse", "ms"),
                series: bars,
                aspect: 0.3,
            },
        ],
    }
}

/// The spectra of both axes; of each further outcome broken.
pub fn spectra(outcomes: &[(&str, &Outcome)], computed: &str) -> Figure {
    let series = outcomes
        .iter()
        .enumerate()
        .flat_map(|(nth, (name, outcome))| {
            outcome.axes.iter().zip(AXES).map(move |(axis, (of, hue))| {
                let spectrum = &axis.spectrum;
                let points = spectrum
                    .frequency_hz
                    .iter()
                    .zip(&spectrum.density)
                    .map(|(f, d)| [*f, *d])
                    .collect();
                let line = Mark::Line {
                    points,
                    broken: nth > 0,
                };
                Series::new(format!("{of}{name}"), hue, line)
            })
        })
        .collect();
    Figure {
        id: "spectrum".to_owned(),
        title: "Spectrum of the tracking error".to_owned(),
        caption: format!(
            "One-sided density of the frame means about their mean, averaged over the exposures (pieces of at most 256 frames, Bartlett 1948). {computed}"
        ),
        panels: vec![Panel {
            x: Axis::log("frequency", "Hz"),
            y: Axis::log("density", "arcsec²/Hz"),
            series,
            aspect: 0.55,
        }],
    }
}

/// What each cause takes of the square of the tracking error.
pub fn budget(budget: &CauseBudget, computed: &str) -> Figure {
    let causes = &budget.causes;
    let percent = |share: &CauseShare, axis: usize| share.variance_share[axis].scaled(100.0);
    let shift = |axis: usize| if axis == 0 { -0.2 } else { 0.2 };
    let bars = |axis: usize| Mark::Bars {
        items: causes
            .iter()
            .enumerate()
            .map(|(i, share)| Bar {
                at: i as f64 + shift(axis),
                from: 0.0,
                to: percent(share, axis).value,
            })
            .collect(),
        thickness: 0.32,
        along: Along::X,
    };
    let intervals = |axis: usize| Mark::Intervals {
        items: causes
            .iter()
            .enumerate()
            .map(|(i, share)| {
                let e = percent(share, axis);
                Interval {
                    at: i as f64 + shift(axis),
                    low: e.low,
                    value: e.value,
                    high: e.high,
                }
            })
            .collect(),
        along: Along::X,
    };
    let none = Mark::Rule {
        at: 0.0,
        along: Along::X,
    };
    let mut series = vec![Series::silent("none", Hue::Neutral, none)];
    for (axis, (name, hue)) in AXES.into_iter().enumerate() {
        series.push(Series::new(name, hue, bars(axis)));
        series.push(Series::silent(
            format!("{name}, 95 % interval"),
            hue,
            intervals(axis),
        ));
    }
    let names = causes.iter().map(|c| c.cause.name().to_owned()).collect();
    Figure {
        id: "causes".to_owned(),
        title: "What takes how much of the tracking error".to_owned(),
        caption: format!(
            "By how much the square of the tracking error falls without a cause, with 95 % intervals; below 0 the cause helps. Shares need not add up to 100 %. {computed}"
        ),
        panels: vec![Panel {
            x: Axis::linear("share of the square of the tracking error", "%"),
            y: Axis::names("", names),
            series,
            aspect: 0.12 + 0.06 * causes.len() as f64,
        }],
    }
}
