//! A run: its answer, figures, numbers, relations, uncertainty, files.

mod budget;
mod course;
mod delay;
mod distribution;
mod files;
mod stored;
mod strip;
#[cfg(test)]
mod tests;
mod tick;

use book::StoredRun;
use chain::{Budget, RunSummary, error_ms};
use maud::{Markup, html};
use stats::Sorted;
use wire::Observation;

pub use files::files;
pub use stored::Stored;

use super::{Column, Place, cell, shown, table};
use crate::figure::{Figure, Hue};
use crate::reading::{CaptureReport, ReadSettings};
use crate::text;

/// What a section of a run is made of.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The run as it is stored.
    pub run: &'a StoredRun,
    /// What was computed of it.
    pub summary: &'a RunSummary,
    /// What was found in its captures.
    pub captures: &'a [CaptureReport],
    /// How they were read.
    pub settings: &'a ReadSettings,
    /// Its pulses, in time.
    pub observations: &'a [Observation],
}

/// The whole section: answer, warnings, figures, numbers, and what is folded.
pub fn section(view: &View<'_>, at: &Place<'_>) -> Markup {
    html! {
        (answer(view))
        (super::warnings(&view.summary.warnings))
        (figures(view, at))
        (at.heading("The numbers"))
        (numbers(view))
        (relations(view, at))
        (uncertainty(view, at))
        (at.fold("How this was computed", &method()))
        (at.fold("Files, settings and versions", &files(view)))
    }
}

/// The answer, and what became of requests and pulses.
pub fn answer(view: &View<'_>) -> Markup {
    html! {
        (super::answer(&view.summary.answer))
        p { (text::run::outcomes(view.summary)) }
    }
}

/// Every figure of the run.
pub fn figures(view: &View<'_>, at: &Place<'_>) -> Markup {
    html! {
        @for figure in all_figures(view) { (at.figure(&figure)) }
    }
}

/// The figures, in their order: what has too few pulses for one is left out.
fn all_figures(view: &View<'_>) -> Vec<Figure> {
    let drawn = Drawn::new(view);
    let always = [strip::figure(view, &drawn)];
    let others = [
        distribution::cumulative(view, &drawn),
        distribution::against_normal(&drawn),
        course::figure(view),
        tick::figure(view),
        delay::figure(view),
        view.summary.uncertainty.first().map(budget::figure),
    ];
    always
        .into_iter()
        .chain(others.into_iter().flatten())
        .collect()
}

/// The width errors that figures draw, sorted once.
struct Drawn {
    /// Of all pulses; `None` of a run without any.
    all: Option<Sorted>,
    /// Of each group of the summary, in its order.
    groups: Vec<Option<Sorted>>,
}

impl Drawn {
    fn new(view: &View<'_>) -> Drawn {
        let mut lists = vec![Vec::new(); view.summary.groups.len()];
        for pulse in view.observations {
            if let Some(list) = view.summary.group_of(pulse).and_then(|g| lists.get_mut(g)) {
                list.push(error_ms(pulse));
            }
        }
        let all = view.observations.iter().map(error_ms).collect();
        Drawn {
            all: Sorted::new(all).ok(),
            groups: lists.into_iter().map(|l| Sorted::new(l).ok()).collect(),
        }
    }
}

/// The colour of a direction's axis.
fn hue_of(direction: Option<wire::Direction>) -> Hue {
    match direction {
        Some(wire::Direction::RaPlus | wire::Direction::RaMinus) => Hue::Ra,
        Some(wire::Direction::DecPlus | wire::Direction::DecMinus) => Hue::Dec,
        None => Hue::Measured,
    }
}

/// The numbers, a row for each group.
pub fn numbers(view: &View<'_>) -> Markup {
    html! {
        (shown(
            "Width error by direction and requested width, in ms",
            &text::run::number_table(view.summary),
        ))
        p.hint { (text::run::NUMBERS_NOTE) }
    }
}

/// What the width error depends on; nothing where nothing can be said.
pub fn relations(view: &View<'_>, at: &Place<'_>) -> Markup {
    let sentences = text::run::relation_sentences(view.summary);
    html! {
        @if !sentences.is_empty() {
            (at.heading("What it depends on"))
            ul { @for sentence in sentences { li { (sentence) } } }
        }
    }
}

/// The uncertainty budgets: of the median of all pulses, and of the start delay where there is one.
pub fn uncertainty(view: &View<'_>, at: &Place<'_>) -> Markup {
    let of_delay = view.summary.start_delay.as_ref();
    let of_delay = of_delay.and_then(|delay| delay.budget.as_ref());
    let budgets = view.summary.uncertainty.first().into_iter().chain(of_delay);
    html! {
        (at.heading("How sure it is"))
        @for budget in budgets { (budget_table(budget)) }
    }
}

fn budget_table(budget: &Budget) -> Markup {
    let columns = [
        Column::Words("component"),
        Column::Words("type"),
        Column::Words("distribution"),
        Column::Numbers("standard, ms"),
        Column::Words("how"),
    ];
    let mut rows: Vec<Vec<Markup>> = budget
        .rows
        .iter()
        .map(|row| {
            vec![
                cell(&row.component),
                cell(format!("{:?}", row.kind)),
                cell(&row.distribution),
                cell(format!("{:.4}", row.standard_ms)),
                cell(&row.how),
            ]
        })
        .collect();
    let last = |name: &str, ms: String, how: String| {
        vec![cell(name), cell(""), cell(""), cell(ms), cell(how)]
    };
    rows.push(last(
        "combined",
        format!("{:.4}", budget.combined_ms),
        "root of the sum of squares".into(),
    ));
    rows.push(last(
        "expanded",
        format!("{:.3}", budget.expanded_ms),
        format!("k = {}", budget.coverage_factor),
    ));
    table(
        &format!("Uncertainty of the {}", budget.quantity),
        &columns,
        &rows,
    )
}

/// Formulas and sources of what a run's page shows.
fn method() -> Markup {
    html! {
        dl {
            dt { "Width error" }
            dd {
                "Measured minus requested width. The width is the pulse duration at the 50 % reference level (IEEE Std 181-2011)."
            }
            dt { "Median and its interval" }
            dd {
                "The interval lies between two of the sorted pulses, chosen by the binomial distribution so that it holds the median with a chance of at least 95 %, whatever the distribution (David & Nagaraja 2003, 7.1). Quantiles are of type 8 (Hyndman & Fan 1996)."
            }
            dt { "Spread" }
            dd {
                "SD with its interval by the BCa bootstrap (Efron 1987); Qn, which stragglers hardly move, scaled to the SD of a normal distribution (Rousseeuw & Croux 1993)."
            }
            dt { "Shape" }
            dd {
                "The best of six families by maximum likelihood and AICc (Hurvich & Tsai 1989); \"none\" where a chi-squared test refuses even the best (Moore 1986; Chernoff & Lehmann 1954). Normality by Anderson-Darling and Shapiro-Wilk (Royston 1995)."
            }
            dt { "Offset and scale" }
            dd {
                "width = offset + (1 + scale) x requested: scale by Theil-Sen with Sen's interval (Sen 1968), offset as the median of what it leaves, its interval after Zou & Donner 2008."
            }
            dt { "Hidden tick" }
            dd {
                "C(period) is the mean of exp(2 pi i x / period) over the pulses. Only what rises above a smooth distribution of the same spread counts, corrected for having looked at every period (Scargle 1982; Baluev 2008)."
            }
            dt { "Over the run" }
            dd {
                "The median of each group is taken off; then the Mann-Kendall test and Theil-Sen's slope."
            }
            dt { "Uncertainty" }
            dd {
                "u = sqrt(sum of the squares of the components), U = 2 u (JCGM 100:2008). A width from two time stamps of one step is uncertain by step / sqrt(6)."
            }
            dt { "Density" }
            dd {
                "Gaussian kernel with the usual bandwidth (Silverman 1986, eq. 3.31), narrowed for clusters. It is drawn only; nothing is computed from it."
            }
        }
    }
}
