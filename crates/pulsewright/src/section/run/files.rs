//! What a run was read from and how: enough to remake every number.

use chain::count;
use maud::{Markup, html};

use super::View;
use crate::section::{Column, cell, table};
use crate::text;

/// Sources with their checksums, settings, seed, version, what was found in the captures, notes.
pub fn files(view: &View<'_>) -> Markup {
    let run = view.run;
    let notes: Vec<Vec<Markup>> = run
        .notes
        .iter()
        .map(|(key, value)| vec![cell(key), cell(value)])
        .collect();
    html! {
        p {
            "Run " (run.number) " of " strong { (run.chain) } ", stored " (run.stored_at)
            " by pulsewright " (run.program) ". Seed of the bootstrap: " (view.summary.seed) "."
        }
        @if !notes.is_empty() {
            (table(
                "What is known of the chain",
                &[Column::Words("note"), Column::Words("value")],
                &notes,
            ))
        }
        (sources(view))
        (table(
            "How the captures were read",
            &[Column::Words("setting"), Column::Words("value")],
            &settings(view),
        ))
        @for capture in view.captures {
            p { strong { (capture.path) } ": " (text::run::capture_line(capture)) "." }
            ul { @for line in text::run::capture_details(capture) { li { (line) } } }
        }
    }
}

fn sources(view: &View<'_>) -> Markup {
    let rows: Vec<Vec<Markup>> = view
        .run
        .sources
        .iter()
        .map(|source| {
            vec![
                cell(&source.path),
                cell(source.role.name()),
                cell(source.format.as_deref().unwrap_or("-")),
                cell(count(source.bytes)),
                html! { code { (source.sha256) } },
            ]
        })
        .collect();
    let columns = [
        Column::Words("file"),
        Column::Words("what"),
        Column::Words("format"),
        Column::Numbers("bytes"),
        Column::Words("SHA-256"),
    ];
    table("The files, with their checksums", &columns, &rows)
}

fn settings(view: &View<'_>) -> Vec<Vec<Markup>> {
    let s = view.settings;
    let capture = &s.capture;
    let or = |value: Option<String>, none: &str| value.unwrap_or_else(|| none.to_owned());
    let ms = |seconds: f64| format!("{} ms", seconds * 1000.0);
    let requested: Vec<String> = s.requested_ms.iter().map(|w| format!("{w} ms")).collect();
    let requested = if requested.is_empty() {
        "from the request log or the capture itself".to_owned()
    } else {
        requested.join(", ")
    };
    let rows = [
        ("requested widths", requested),
        (
            "format",
            or(capture.format.map(|f| f.to_string()), "told by the content"),
        ),
        (
            "direction",
            or(s.direction.map(|d| d.to_string()), "that of the channel"),
        ),
        (
            "idle level",
            or(capture.idle.map(|i| i.to_string()), "the one held longest"),
        ),
        ("gaps bridged below", ms(capture.bridge_s)),
        ("pulses dropped below", ms(capture.min_pulse_s)),
        (
            "threshold",
            or(
                capture.threshold_v.map(|v| format!("{v} V")),
                "half-way between the levels",
            ),
        ),
        (
            "coupling",
            or(
                capture.coupling.map(|c| c.to_string()),
                "told by the content",
            ),
        ),
        (
            "requests on the capture's clock",
            if s.shared_clock { "yes" } else { "no" }.to_owned(),
        ),
        (
            "longest start delay looked for",
            format!("{} s", s.max_delay_s),
        ),
        ("timebase", format!("within {} ppm", s.timebase_ppm)),
        (
            "threshold and edges",
            or(
                s.edge_uncertainty_ms.map(|ms| format!("within {ms} ms")),
                "from the transitions, or 5 us",
            ),
        ),
        ("seed", s.seed.to_string()),
    ];
    rows.map(|(name, value)| vec![cell(name), cell(value)])
        .to_vec()
}
