//! The answer: what the chain does to a pulse, in one sentence.

use crate::group::GroupSummary;
use crate::quantity::{Rounded, count, plural};
use crate::summary::RunSummary;

/// With at least this many pulses the longest of 40 is told, for then at least five are longer.
const ENOUGH_FOR_TAIL: u64 = 200;

/// The sentence of a run.
pub(crate) fn of_run(summary: &RunSummary) -> String {
    let errors = &summary.pooled.width_error_ms;
    let expanded = summary.uncertainty[0].expanded_ms;
    let round = Rounded::to_uncertainty(expanded);
    let interval = errors.median_ci95.map_or_else(
        || format!("too few for an interval, n = {}", summary.pooled.n),
        |ci| {
            // Where the error is negative the sentence speaks of "too short": so do its limits.
            let ci = if errors.median < 0.0 {
                [-ci[1], -ci[0]]
            } else {
                ci
            };
            format!("95 % {}", round.interval(ci))
        },
    );
    let side = if errors.median < 0.0 { "short" } else { "long" };
    let size = round.ms(errors.median.abs());
    if summary.pooled.n == 1 {
        // One pulse says nothing of the spread, so nothing of what the next will do.
        return format!(
            "The one pulse came out {size} ms too {side} (measured to {} ms, k = 2); it takes at least six to say more.",
            round.of_uncertainty(expanded)
        );
    }
    let middle = match errors.median_ci95 {
        Some(ci) if errors.median.abs() <= expanded && all_as_asked(summary) => format!(
            // The error stands with its sign here, and its limits must agree with it.
            "Pulses come out as asked, as far as can be told: their error is {} ms (median; 95 % {}, expanded uncertainty {} ms)",
            round.ms(errors.median),
            round.interval(ci),
            round.of_uncertainty(expanded)
        ),
        _ => format!(
            "Pulses come out {size} ms too {side} (median; {interval}, expanded uncertainty {} ms)",
            round.of_uncertainty(expanded)
        ),
    };
    let mut answer = format!(
        "{middle}, {}; {}",
        by_width(summary, expanded),
        tail(summary)
    );
    if let Some(missing) = summary.came_to_nothing() {
        answer += &format!("; {missing}");
    }
    answer.push('.');
    if let Some(tick) = summary.tick.as_ref().filter(|tick| tick.found) {
        let period = Rounded::to_uncertainty(0.01 * tick.period_ms).ms(tick.period_ms);
        answer += &format!(
            " They keep to steps of {period} ms, which no trim takes away: something in the chain counts time so."
        );
    }
    answer + &but(summary)
}

/// The doubt about a run as the last sentence of an answer, with a space before it; empty where there is
/// none.
pub(crate) fn but(summary: &RunSummary) -> String {
    doubt(summary).map_or_else(String::new, |doubt| format!(" But {doubt}."))
}

/// Share of requests without a pulse, with as many pulses without a request, above which the log and the
/// capture may not belong together.
const MOST_UNMATCHED: f64 = 0.1;

/// Why the numbers may be those of nothing: a log that leaves many pulses and many requests alone, or a
/// list that leaves many pulses alone.
pub(crate) fn doubt(summary: &RunSummary) -> Option<String> {
    let o = &summary.outcomes;
    match (o.requests, o.missing) {
        (Some(requests), Some(missing)) => {
            let both = missing.min(o.extra) as f64;
            let unmatched = both > MOST_UNMATCHED * requests as f64
                || o.extra > o.delivered
                || 2 * missing >= requests;
            unmatched.then(|| {
                format!(
                    "{} of {} have no pulse, and {} no request: log and capture may not belong together, and then this says nothing",
                    count(missing),
                    plural(requests, "request"),
                    plural(o.extra, "pulse")
                )
            })
        }
        _ => (o.extra > o.delivered).then(|| {
            format!(
                "{} near none of the widths asked, more than are: this may say nothing",
                if o.extra == 1 {
                    "1 pulse is".to_owned()
                } else {
                    format!("{} pulses are", count(o.extra))
                }
            )
        }),
    }
}

/// Whether no group by itself shows an error: errors of unlike groups can cancel in the median of all.
fn all_as_asked(summary: &RunSummary) -> bool {
    let budgets = &summary.uncertainty[1..];
    summary
        .groups
        .iter()
        .zip(budgets)
        .all(|(group, budget)| group.width_error_ms.median.abs() <= budget.expanded_ms)
}

/// How many times the half-widths of two intervals together their medians must be apart to count as
/// unlike, beside the intervals having nothing in common: about four standard deviations, so that dozens of
/// pairs raise no false alarm.
const UNLIKE: f64 = 1.5;

/// The two groups that differ most, beyond what `scale` explains and beyond chance; the lower first.
fn unlike(summary: &RunSummary, scale: f64) -> Option<[&GroupSummary; 2]> {
    let place = |group: &GroupSummary| {
        let ci = group.width_error_ms.median_ci95?;
        let shift = scale * group.requested_ms?;
        let median = group.width_error_ms.median;
        Some((median - shift, ci.map(|end| end - shift)))
    };
    let mut found: Option<(f64, [&GroupSummary; 2])> = None;
    for a in &summary.groups {
        for b in &summary.groups {
            let (Some((x, of_x)), Some((y, of_y))) = (place(a), place(b)) else {
                continue;
            };
            let half = 0.5 * (of_x[1] - of_x[0] + of_y[1] - of_y[0]);
            let apart = y - x;
            let is_unlike = of_y[0] > of_x[1] && apart > (UNLIKE * half).max(LEAST_APART_MS);
            if is_unlike && found.as_ref().is_none_or(|(most, _)| apart > *most) {
                found = Some((apart, [a, b]));
            }
        }
    }
    found.map(|(_, pair)| pair)
}

/// Groups nearer than this are alike for any mount, ms (common practice, no source).
const LEAST_APART_MS: f64 = 1.0;

/// `ra+ at 250 ms`.
fn name_of(group: &GroupSummary) -> String {
    let width = group
        .requested_ms
        .map_or_else(String::new, |ms| format!("{ms} ms"));
    match group.direction {
        Some(direction) => format!("{direction} at {width}"),
        None => format!("at {width}"),
    }
}

/// How the error changes with the requested width and the direction.
fn by_width(summary: &RunSummary, expanded: f64) -> String {
    let [shortest, longest] = summary.pooled.requested_range_ms;
    let scale = summary.offset_scale.as_ref().map_or(0.0, |line| line.scale);
    if let Some([low, high]) = unlike(summary, scale) {
        let round = Rounded::to_uncertainty(
            low.width_error_ms
                .median_ci95
                .map_or(expanded, |ci| 0.5 * (ci[1] - ci[0])),
        );
        return format!(
            "but unlike by width or direction: {} ms {}, and {} ms {}",
            round.ms(low.width_error_ms.median),
            name_of(low),
            round.ms(high.width_error_ms.median),
            name_of(high)
        );
    }
    let Some(line) = &summary.offset_scale else {
        return if shortest == longest {
            format!("at {shortest} ms, the only width measured")
        } else {
            "with too few pulses to tell the widths apart".to_owned()
        };
    };
    let [low, high] = line.scale_ci95;
    let over_range = line.scale * (longest - shortest);
    let same = (low <= 0.0 && high >= 0.0) || over_range.abs() <= expanded;
    if same {
        return "about the same at every width".to_owned();
    }
    let half = 0.5 * (high - low) * 1000.0;
    let round = Rounded::to_uncertainty(half);
    let per_second = round.ms((line.scale * 1000.0).abs());
    let way = if line.scale > 0.0 { "more" } else { "less" };
    format!("and {per_second} ms {way} for each second asked")
}

/// How far the stragglers go, on the side where they go farther.
fn tail(summary: &RunSummary) -> String {
    let errors = &summary.pooled.width_error_ms;
    let n = summary.pooled.n;
    let round = Rounded::of_spread((0.3 * (errors.p95 - errors.p05)).max(0.05));
    if errors.max - errors.min < 1e-9 {
        return format!("all {} are alike", count(n));
    }
    let far = errors.max - errors.median >= errors.median - errors.min;
    let side = |value: f64, over: bool| match (value >= 0.0, over) {
        (true, true) => format!("over {} ms too long", round.ms(value)),
        (false, true) => format!("less than {} ms too short", round.ms(-value)),
        (true, false) => format!("less than {} ms too long", round.ms(value)),
        (false, false) => format!("over {} ms too short", round.ms(-value)),
    };
    if n >= ENOUGH_FOR_TAIL {
        let value = if far { errors.p975 } else { errors.p025 };
        format!("1 in 40 is {}", side(value, far))
    } else {
        let (name, value) = if far {
            ("longest", errors.max)
        } else {
            ("shortest", errors.min)
        };
        let long = if value >= 0.0 { "long" } else { "short" };
        format!(
            "the {name} of {n} is {} ms too {long}",
            round.ms(value.abs())
        )
    }
}
