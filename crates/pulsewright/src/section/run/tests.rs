use chain::{Instrument, RunData, Sampling, summarise};
use stats::random::Random;
use wire::{Direction, Outcomes};

use super::*;
use crate::figure::{Along, Mark, Series};

struct Case {
    run: StoredRun,
    summary: RunSummary,
    settings: ReadSettings,
    pulses: Vec<Observation>,
}

impl Case {
    /// Skewed errors with a tick of 4 ms in the widths, in two directions at three widths.
    fn new(n: usize) -> Case {
        let mut random = Random::new(7);
        let pulses = (0..n).map(|order| {
            let requested_ms = [75.0, 130.0, 311.0][order % 3];
            let error = 12.0 + 2.0 * random.normal() + 3.0 * random.exponential();
            let width_ms = 4.0 * ((requested_ms + error) / 4.0).round() + 0.1 * random.normal();
            let issued_s = 1.5 * order as f64;
            let start_delay_ms = 20.0 + random.exponential();
            Observation {
                direction: Some([Direction::RaPlus, Direction::DecMinus][order % 2]),
                requested_ms,
                width_ms,
                start_s: Some(issued_s + start_delay_ms / 1000.0),
                issued_s: Some(issued_s),
                start_delay_ms: Some(start_delay_ms),
                order,
                bridged: 0,
                request: Some(order),
            }
        });
        Case::of(pulses.collect())
    }

    fn of(pulses: Vec<Observation>) -> Case {
        let summary = summarise(&RunData {
            observations: &pulses,
            outcomes: Outcomes {
                delivered: pulses.len() as u64,
                ..Outcomes::default()
            },
            instrument: Instrument {
                resolution_ms: 0.001,
                sampling: Sampling::Edges,
                timebase_ppm: 100.0,
                edge_ms: None,
            },
            warnings: &[],
            seed: 1,
        })
        .unwrap();
        let settings = ReadSettings::of_record(1);
        let run = StoredRun {
            number: 3,
            chain: "attic <b>".into(),
            notes: vec![("cable".into(), "5 m & more".into())],
            stored_at: "2026-01-01T00:00:00Z".into(),
            program: "0.1.0".into(),
            settings: String::new(),
            reading: String::new(),
            summary_version: 1,
            summary: String::new(),
            sources: Vec::new(),
        };
        Case {
            run,
            summary,
            settings,
            pulses,
        }
    }

    fn view(&self) -> View<'_> {
        View {
            run: &self.run,
            summary: &self.summary,
            captures: &[],
            settings: &self.settings,
            observations: &self.pulses,
        }
    }
}

fn find<'f>(figures: &'f [Figure], id: &str) -> &'f Figure {
    figures.iter().find(|f| f.id == id).unwrap()
}

fn named<'f>(figure: &'f Figure, name: &str) -> &'f Series {
    let mut series = figure.panels.iter().flat_map(|p| &p.series);
    series.find(|s| s.name == name).unwrap()
}

#[test]
fn the_figures_hold_the_numbers_of_the_summary() {
    let case = Case::new(900);
    let figures = all_figures(&case.view());
    let ids: Vec<&str> = figures.iter().map(|f| f.id.as_str()).collect();
    assert_eq!(
        ids,
        [
            "width-error",
            "distribution",
            "quantiles",
            "course",
            "tick",
            "start-delay",
            "uncertainty"
        ]
    );
    let Mark::Intervals { items, .. } = &named(find(&figures, "width-error"), "median").mark else {
        panic!("no intervals");
    };
    assert_eq!(items.len(), case.summary.groups.len());
    for (drawn, group) in items.iter().zip(&case.summary.groups) {
        let error = &group.width_error_ms;
        assert_eq!(drawn.value, error.median);
        assert_eq!(Some([drawn.low, drawn.high]), error.median_ci95);
    }
    let Mark::Steps(steps) = &named(find(&figures, "distribution"), "measured").mark else {
        panic!("no steps");
    };
    let half = steps.iter().find(|[_, share]| *share >= 0.5).unwrap();
    let error = &case.summary.pooled.width_error_ms;
    assert!((half[0] - error.median).abs() < 0.1, "{half:?}");
    let tick = case.summary.tick.as_ref().unwrap();
    assert!(tick.found);
    let series = &find(&figures, "tick").panels[0].series;
    assert!(series.iter().any(|s| s.mark
        == Mark::Rule {
            at: tick.period_ms,
            along: Along::X
        }));
    let delay = case.summary.start_delay.as_ref().unwrap();
    let rule = &named(find(&figures, "start-delay"), "median").mark;
    assert_eq!(
        *rule,
        Mark::Rule {
            at: delay.median_ms.unwrap(),
            along: Along::X
        }
    );
    let Mark::Bars { items, .. } = &named(find(&figures, "uncertainty"), "component").mark else {
        panic!("no bars");
    };
    let bars: Vec<f64> = items.iter().map(|bar| bar.to).collect();
    let rows = &case.summary.uncertainty[0].rows;
    assert_eq!(bars, rows.iter().map(|r| r.standard_ms).collect::<Vec<_>>());
}

#[test]
fn the_trend_line_has_the_slope_of_the_summary() {
    let mut case = Case::new(600);
    for (i, pulse) in case.pulses.iter_mut().enumerate() {
        pulse.width_ms += 0.01 * i as f64;
    }
    let case = Case::of(case.pulses);
    let trend = case.summary.trend.as_ref().unwrap();
    let figure = course::figure(&case.view()).unwrap();
    assert_eq!(figure.panels[0].x.unit, "min");
    let Mark::Line { points, .. } = &named(&figure, "trend").mark else {
        panic!("no line");
    };
    let per_hour = (points[1][1] - points[0][1]) / (points[1][0] - points[0][0]) * 60.0;
    assert!((per_hour / trend.slope_ms - 1.0).abs() < 1e-9);
}

#[test]
fn a_long_run_is_thinned_and_says_so() {
    let case = Case::new(30_000);
    let figures = all_figures(&case.view());
    for figure in &figures {
        let points: usize = figure
            .panels
            .iter()
            .flat_map(|p| &p.series)
            .map(|s| match &s.mark {
                Mark::Points(points) | Mark::Steps(points) | Mark::Line { points, .. } => {
                    points.len()
                }
                _ => 0,
            })
            .sum();
        assert!(points <= 4500, "{}: {points}", figure.id);
    }
    assert!(
        find(&figures, "width-error")
            .caption
            .contains("evenly by rank")
    );
    assert!(
        find(&figures, "course")
            .caption
            .contains("One in 15 is drawn")
    );
}

#[test]
fn one_pulse_makes_a_page() {
    let mut case = Case::new(6);
    case.pulses.truncate(1);
    let case = Case::of(case.pulses);
    let at = Place {
        prefix: "run-3",
        level: 2,
        unfolded: false,
    };
    let page = section(&case.view(), &at).into_string();
    assert!(page.contains(&case.summary.answer));
    assert!(page.contains("5 m &amp; more") && !page.contains("<b>"));
}

#[test]
fn without_a_clock_in_common_only_the_spread_of_the_delay_is_drawn() {
    let mut case = Case::new(60);
    for pulse in &mut case.pulses {
        pulse.start_delay_ms = None;
        pulse.issued_s = pulse.issued_s.map(|s| s + 1000.0);
    }
    let case = Case::of(case.pulses);
    let figure = delay::figure(&case.view()).unwrap();
    assert_eq!(figure.panels[0].x.label, "start delay over its median");
    assert!(figure.caption.contains("can't be known"));
    assert!(!figure.panels[0].series.iter().any(|s| s.name == "median"));
}

#[test]
fn the_cells_of_the_table_are_those_of_the_text() {
    let case = Case::new(300);
    let page = numbers(&case.view()).into_string();
    let table = text::run::number_table(&case.summary);
    let (_, rows) = table.parts();
    assert_eq!(rows.len(), case.summary.groups.len() + 1);
    for cell in rows.iter().flatten() {
        assert!(
            page.contains(&maud::html! { (cell) }.into_string()),
            "{cell}"
        );
    }
}
