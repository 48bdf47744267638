//! The page of a run: answer, outcomes, figure, table, relations, uncertainty, warnings, reading.

use book::StoredRun;
use chain::{
    Budget, FamilySummary, GroupSummary, Rounded, RunSummary, TickSummary, count, plural,
    significant,
};
use wire::Format;

use super::figure::{self, Line};
use super::table::Table;
use super::{answer, faint, heading, p_value, warnings, wrap};
use crate::reading::CaptureReport;

/// The page of a run.
pub fn page(summary: &RunSummary, captures: &[CaptureReport]) -> String {
    let mut page = answer(&summary.answer);
    page += &format!("{}\n\n", wrap(&outcomes(summary), 0));
    page += &histograms(summary);
    page += &numbers(summary);
    page += &relations(summary);
    page += &uncertainty(&summary.uncertainty[0]);
    page += &warnings(&summary.warnings);
    page += &readings(captures);
    page
}

/// Where a stored run came from and what is known of its chain.
pub fn label(run: &StoredRun) -> String {
    let mut page = faint(&format!(
        "Run {} of {}, stored {} by pulsewright {}.",
        run.number, run.chain, run.stored_at, run.program
    ));
    for (key, value) in &run.notes {
        page += &faint(&format!("  {key}: {value}"));
    }
    for source in &run.sources {
        page += &faint(&format!(
            "  {} {}, {} bytes, SHA-256 {}",
            source.role.name(),
            source.path,
            count(source.bytes),
            source.sha256
        ));
    }
    page
}

/// What became of the requests and the pulses, in a sentence.
pub fn outcomes(summary: &RunSummary) -> String {
    let o = &summary.outcomes;
    let of_requests = match (o.requests, o.missing) {
        (Some(requests), Some(missing)) => format!(
            "{}: {} delivered, {} missing, {} broken, {} cut",
            plural(requests, "request"),
            count(o.delivered),
            count(missing),
            count(o.broken),
            count(o.cut)
        ),
        _ => format!(
            "{} delivered, {} broken, {} cut (missing ones can't be known without a log of requests)",
            plural(o.delivered, "pulse"),
            count(o.broken),
            count(o.cut)
        ),
    };
    format!(
        "{of_requests}; {} extra, {}; {} bridged, {} dropped.",
        count(o.extra),
        if o.clash == 1 {
            "1 clash".to_owned()
        } else {
            format!("{} clashes", count(o.clash))
        },
        plural(o.bounces, "bounce"),
        plural(o.dropped_short, "short pulse"),
    )
}

/// `ra+  250 ms`.
fn group_name(group: &GroupSummary) -> String {
    match (group.requested_ms, group.direction) {
        (Some(_), Some(direction)) => format!("{direction:<4} {} ms", requested(group)),
        (Some(_), None) => format!("{} ms", requested(group)),
        (None, _) => "all".to_owned(),
    }
}

/// The requested widths of a group, in ms: `250`, or `250 to 260`.
pub fn requested(group: &GroupSummary) -> String {
    let [low, high] = group.requested_range_ms;
    match group.requested_ms {
        Some(ms) if low == high => ms.to_string(),
        _ => format!("{low} to {high}"),
    }
}

fn histograms(summary: &RunSummary) -> String {
    let mut page = heading("Width error, by what was asked (measured minus requested)");
    let only = summary.groups.len() == 1;
    let all = (!only).then_some(&summary.pooled);
    let lines: Vec<Line<'_>> = summary
        .groups
        .iter()
        .chain(all)
        .map(|group| Line {
            label: group_name(group),
            histogram: &group.histogram,
            remark: format!("n {}", count(group.n)),
        })
        .collect();
    page += &figure::histograms(&lines);
    page.push('\n');
    page
}

/// What the columns of the numbers mean.
pub const NUMBERS_NOTE: &str = "SD, Qn: standard deviation, and a robust one. p97.5: 97.5 % of the errors lie below. shape: the family of distributions that fits best, or \"none\" where none of them does.";

/// The numbers in ms, a row for each group and one for all, in the digits that their uncertainties allow.
pub fn number_table(summary: &RunSummary) -> Table {
    let mut table = Table::new(&[
        "ms",
        "n",
        "median",
        "95 % interval",
        "mean",
        "SD",
        "Qn",
        "skew",
        "p2.5",
        "p97.5",
        "max",
        "<shape",
    ]);
    let only = summary.groups.len() == 1;
    let all = (!only).then_some(&summary.pooled);
    let budgets = summary.uncertainty.iter().skip(1);
    let budgets = budgets.chain(summary.uncertainty.first());
    for (group, budget) in summary.groups.iter().chain(all).zip(budgets) {
        table.row(row(group, budget));
    }
    table
}

fn numbers(summary: &RunSummary) -> String {
    let table = number_table(summary).text();
    format!("{table}{}\n", faint(NUMBERS_NOTE))
}

fn row(group: &GroupSummary, budget: &Budget) -> Vec<String> {
    let e = &group.width_error_ms;
    let round = Rounded::to_uncertainty(budget.expanded_ms);
    let spread = Rounded::of_spread(e.qn_sd.or(e.sd).unwrap_or(0.0));
    let ms =
        |value: Option<f64>, round: Rounded| value.map_or_else(|| "-".to_owned(), |v| round.ms(v));
    vec![
        group_name(group),
        count(group.n),
        round.ms(e.median),
        e.median_ci95
            .map_or_else(|| "-".to_owned(), |ci| round.interval(ci)),
        round.ms(e.mean),
        ms(e.sd, spread),
        ms(e.qn_sd, spread),
        ms(e.skewness, Rounded::decimals(1)),
        spread.ms(e.p025),
        spread.ms(e.p975),
        spread.ms(e.max),
        shape(group),
    ]
}

fn shape(group: &GroupSummary) -> String {
    match &group.family {
        None => "-".to_owned(),
        Some(family) if family.fits == Some(false) => "none".to_owned(),
        Some(family) => family_name(family),
    }
}

/// The name of a family in words.
pub fn family_name(family: &FamilySummary) -> String {
    match family.name.as_str() {
        "exponentially_modified_normal" => "normal + exp.".to_owned(),
        "two_normal_mixture" => "two normals".to_owned(),
        name => name.trim_start_matches("shifted_").replace('_', " "),
    }
}

fn relations(summary: &RunSummary) -> String {
    let lines = relation_sentences(summary);
    if lines.is_empty() {
        return String::new();
    }
    let body: String = lines
        .iter()
        .map(|l| format!("  {}\n", wrap(l, 2)))
        .collect();
    format!("{}{body}\n", heading("What it depends on"))
}

/// What the width error depends on, a sentence each: the requested width, a hidden tick, the time; and the
/// start delay.
pub fn relation_sentences(summary: &RunSummary) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(line) = &summary.offset_scale {
        let offset = Rounded::of_interval(line.offset_ci95);
        let per_second = line.scale_ci95.map(|s| s * 1000.0);
        let scale = Rounded::of_interval(per_second);
        lines.push(format!(
            "Over widths: an offset of {} ms (95 % {}), and {} ms on top for each second asked (95 % {}).",
            offset.ms(line.offset_ms),
            offset.interval(line.offset_ci95),
            scale.ms(line.scale * 1000.0),
            scale.interval(per_second),
        ));
    }
    lines.extend(summary.tick.as_ref().map(tick_sentence));
    if let Some(trend) = &summary.trend {
        let round = Rounded::of_interval(trend.slope_ci95);
        let per = trend.per.words();
        let what = if trend.p_value < 0.01 {
            "a drift of"
        } else {
            "no clear drift:"
        };
        lines.push(format!(
            "Over the run: {what} {} ms {per} (95 % {}; {}).",
            round.ms(trend.slope_ms),
            round.interval(trend.slope_ci95),
            p_value(trend.p_value)
        ));
    }
    lines.extend(delay(summary));
    lines
}

/// Whether there is a hidden tick, and which.
pub fn tick_sentence(tick: &TickSummary) -> String {
    let period = Rounded::to_uncertainty(0.01 * tick.period_ms).ms(tick.period_ms);
    let chance = p_value(tick.p_value);
    if tick.found {
        let of = match tick.of.as_str() {
            "width" => "the whole width",
            "error" => "what is added to the width",
            _ => "the width",
        };
        format!("Hidden tick: {of} keeps to steps of {period} ms ({chance}).")
    } else {
        let [shortest, longest] = tick.searched_ms;
        format!(
            "Hidden tick: none found between {shortest} and {longest} ms (strongest {period} ms, {chance})."
        )
    }
}

/// The start delay, or its spread alone.
pub fn delay(summary: &RunSummary) -> Option<String> {
    let delay = summary.start_delay.as_ref()?;
    let spread = Rounded::of_spread(delay.mad_sd_ms.max(1e-3));
    Some(match (delay.median_ms, delay.median_ci95) {
        (Some(median), Some(ci)) => {
            let round = Rounded::of_interval(ci);
            let expanded = delay.budget.as_ref().map_or_else(String::new, |budget| {
                format!(
                    ", expanded uncertainty {}",
                    round.of_uncertainty(budget.expanded_ms)
                )
            });
            format!(
                "Start delay: {} ms (median; 95 % {}{expanded}), and 9 of 10 lie within {} ms of each other.",
                round.ms(median),
                round.interval(ci),
                spread.ms(delay.p05_to_p95_ms)
            )
        }
        (Some(median), None) => format!("Start delay: {} ms (median).", spread.ms(median)),
        (None, _) => format!(
            "Start delay: it can't be known, for the log and the capture share no clock; 9 of 10 lie within {} ms of each other.",
            spread.ms(delay.p05_to_p95_ms)
        ),
    })
}

fn uncertainty(budget: &Budget) -> String {
    let mut table = Table::new(&["component", "type", "standard, ms", "<how"]);
    for row in &budget.rows {
        table.row(vec![
            row.component.clone(),
            format!("{:?}", row.kind),
            format!("{:.4}", row.standard_ms),
            row.how.clone(),
        ]);
    }
    format!(
        "{}{}  expanded, k = {}: {:.3} ms (JCGM 100:2008)\n\n",
        heading(&format!("Uncertainty of the {}", budget.quantity)),
        table.text(),
        budget.coverage_factor,
        budget.expanded_ms
    )
}

fn readings(captures: &[CaptureReport]) -> String {
    let mut page = String::new();
    for capture in captures {
        page += &faint(&format!("{}: {}", capture.path, capture_line(capture)));
        for line in capture_details(capture) {
            page += &faint(&format!("  {line}"));
        }
    }
    page
}

/// Format, coupling, length and resolution of a capture.
pub fn capture_line(capture: &CaptureReport) -> String {
    let sampled = [Format::SamplesCsv, Format::Wav].map(|format| format.to_string());
    let coupling = capture
        .coupling
        .map_or_else(String::new, |c| format!(", {c}-coupled"));
    let extent = if capture.format == Format::PulsesCsv.to_string() {
        String::new()
    } else {
        format!(
            ", {} s, {} {} ms",
            Rounded::decimals(1).ms(capture.duration_s),
            if sampled.contains(&capture.format) {
                "a sample every"
            } else {
                "time stamps in steps of"
            },
            significant(capture.resolution_ms),
        )
    };
    format!("{}{coupling}{extent}", capture.format)
}

/// The channels of a capture, and what was chosen by itself in reading it, a line each.
pub fn capture_details(capture: &CaptureReport) -> Vec<String> {
    let channels = capture.channels.iter().map(|channel| {
        let direction = channel
            .direction
            .map_or_else(String::new, |d| format!(" as {d}"));
        format!(
            "channel {}{direction}: idle {}, {}, {}",
            channel.name,
            channel.idle,
            plural(channel.edges, "edge"),
            plural(channel.pulses, "pulse")
        )
    });
    channels.chain(capture.notes.iter().cloned()).collect()
}
