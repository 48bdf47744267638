//! The summary of a run: every number, and the answer.

use serde::{Deserialize, Serialize};
use stats::{Sorted, StatsError};
use wire::{Direction, Observation, Outcomes, Warning};

use crate::answer;
use crate::error::ChainError;
use crate::group::{self, FamilySummary, GroupKey, GroupSummary, Normality, WidthError};
use crate::histogram::{Bins, Histogram};
use crate::parallel::run_all;
use crate::quantity::{count, plural};
use crate::relation::{self, OffsetScale, TickSummary, error_ms};
use crate::share::Share;
use crate::timing::{self, DelaySummary, Trend};
use crate::uncertainty::{Budget, Instrument, Sampling};
use crate::warnings;

/// Version of the layout of [`RunSummary`]; it grows when a field changes its meaning or goes.
pub const SUMMARY_VERSION: u32 = 1;

/// More requested widths than this are gathered into bands.
const MOST_WIDTHS: usize = 24;
/// Bands of equal count that they are gathered into.
const BANDS: usize = 8;

/// What is summarised.
#[derive(Debug, Clone)]
pub struct RunData<'a> {
    /// The delivered requests, in time.
    pub observations: &'a [Observation],
    /// The counts of each outcome.
    pub outcomes: Outcomes,
    /// What timed the wire.
    pub instrument: Instrument,
    /// Warnings of the readers, to be passed on.
    pub warnings: &'a [Warning],
    /// Seed of the bootstrap.
    pub seed: u64,
}

/// Everything that a run says of its chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunSummary {
    /// The answer, in one sentence.
    pub answer: String,
    /// Counts of each outcome.
    pub outcomes: Outcomes,
    /// Requests that no pulse came of, where a request log lets it be known.
    pub missing_share: Option<Share>,
    /// All pulses together.
    pub pooled: GroupSummary,
    /// By direction and requested width, in that order.
    pub groups: Vec<GroupSummary>,
    /// The line through all widths; `None` where only one was requested.
    pub offset_scale: Option<OffsetScale>,
    /// The most striking period in the widths; `None` with too few pulses.
    pub tick: Option<TickSummary>,
    /// Change over the run; `None` with too few pulses.
    pub trend: Option<Trend>,
    /// Start delay; `None` without times of issue.
    pub start_delay: Option<DelaySummary>,
    /// Budgets of the pooled median and of the median of each group, in that order.
    pub uncertainty: Vec<Budget>,
    /// What may spoil the result, and what to do about it.
    pub warnings: Vec<Warning>,
    /// Seed of the bootstrap.
    pub seed: u64,
}

impl RunSummary {
    /// Why the numbers may be those of nothing, where they may: too many pulses without a request, or
    /// requests without a pulse.
    pub fn doubt(&self) -> Option<String> {
        answer::doubt(self)
    }

    /// Which of the groups a pulse of the run belongs to; `None` for a pulse of another run.
    pub fn group_of(&self, pulse: &Observation) -> Option<usize> {
        let wanted = (pulse.direction, pulse.requested_ms);
        // Groups ascend by direction and width, and their ranges do not overlap.
        let index = self
            .groups
            .partition_point(|g| (g.direction, g.requested_range_ms[1]) < wanted);
        let group = self.groups.get(index)?;
        let [low, high] = group.requested_range_ms;
        let inside = (low..=high).contains(&pulse.requested_ms);
        (group.direction == pulse.direction && inside).then_some(index)
    }

    /// `3 of 120 requests came to nothing`, where some are known to have.
    pub fn came_to_nothing(&self) -> Option<String> {
        let missing = self.missing_share.filter(|share| share.count > 0)?;
        Some(format!(
            "{} of {} came to nothing",
            count(missing.count),
            plural(missing.of, "request")
        ))
    }
}

/// A run as a trim is fitted on it, or a proof made of it: its pulses, and its summary where there is one,
/// for the doubts that it raises about them. Pulses alone convert into it.
#[derive(Debug, Clone, Copy)]
pub struct RunPulses<'a> {
    /// The delivered requests, or those of one direction.
    pub observations: &'a [Observation],
    /// The summary of the whole run.
    pub summary: Option<&'a RunSummary>,
}

impl<'a> From<&'a [Observation]> for RunPulses<'a> {
    fn from(observations: &'a [Observation]) -> Self {
        RunPulses {
            observations,
            summary: None,
        }
    }
}

impl<'a> From<&'a Vec<Observation>> for RunPulses<'a> {
    fn from(observations: &'a Vec<Observation>) -> Self {
        observations.as_slice().into()
    }
}

/// The pulses of one group, on the way to its summary.
struct Members {
    key: GroupKey,
    errors_ms: Vec<f64>,
    sorted: Sorted,
}

impl Members {
    fn new(key: GroupKey, errors_ms: Vec<f64>) -> Result<Members, StatsError> {
        let sorted = Sorted::new(errors_ms.clone())?;
        Ok(Members {
            key,
            errors_ms,
            sorted,
        })
    }
}

/// What the tasks that run side by side give back.
enum Part {
    Spread(Box<WidthError>),
    Shape(Normality, Option<FamilySummary>),
    Line(Option<OffsetScale>),
    Tick(Option<TickSummary>),
    Trend(Option<Trend>),
}

/// Summarises a run. Runs on as many threads as the machine has; the result doesn't depend on it.
///
/// # Errors
/// [`ChainError::NothingDelivered`] where there is no observation; [`ChainError::Stats`] where a
/// value is not finite.
pub fn summarise(data: &RunData<'_>) -> Result<RunSummary, ChainError> {
    let observations = data.observations;
    if observations.is_empty() {
        return Err(ChainError::NothingDelivered {
            extra: data.outcomes.extra,
            cut: data.outcomes.cut,
            dropped_short: data.outcomes.dropped_short,
        });
    }
    let bands = Bands::new(observations);
    let (members, group_of) = gather(observations, &bands)?;
    let medians: Vec<f64> = members[1..]
        .iter()
        .map(|m| stats::order::median(&m.sorted))
        .collect();
    let median_of_each: Vec<f64> = group_of.iter().map(|&g| medians[g]).collect();
    let by_width = relation::widths_by_request(observations);
    let parts = compute(data, &members, &median_of_each, &by_width)?;

    let mut spreads = Vec::with_capacity(members.len());
    let mut shapes = Vec::with_capacity(members.len());
    let (mut offset_scale, mut tick, mut trend) = (None, None, None);
    for part in parts {
        match part {
            Part::Spread(spread) => spreads.push(*spread),
            Part::Shape(normality, family) => shapes.push((normality, family)),
            Part::Line(line) => offset_scale = line,
            Part::Tick(found) => tick = found,
            Part::Trend(found) => trend = found,
        }
    }
    let bins = Bins::over(&members[0].sorted);
    let mut groups: Vec<GroupSummary> = members
        .iter()
        .zip(spreads)
        .zip(shapes)
        .map(|((m, spread), (normality, family))| GroupSummary {
            direction: m.key.direction,
            requested_ms: m.key.requested_ms,
            requested_range_ms: m.key.requested_range_ms,
            n: m.sorted.len() as u64,
            width_error_ms: spread,
            normality,
            family,
            histogram: Histogram::new(m.sorted.as_slice(), &bins),
        })
        .collect();
    let uncertainty = groups.iter().map(|g| budget(g, &data.instrument)).collect();
    let pooled = groups.remove(0);
    let mut summary = RunSummary {
        answer: String::new(),
        outcomes: data.outcomes,
        missing_share: data
            .outcomes
            .missing
            .zip(data.outcomes.requests)
            .and_then(|(missing, requests)| Share::new(missing, requests)),
        pooled,
        groups,
        offset_scale,
        tick,
        trend,
        start_delay: timing::delay(observations)?,
        uncertainty,
        warnings: data.warnings.to_vec(),
        seed: data.seed,
    };
    summary.answer = answer::of_run(&summary);
    warnings::add(&mut summary, &data.instrument);
    Ok(summary)
}

/// Runs the independent parts side by side; spreads and shapes come in the order of `members`.
fn compute(
    data: &RunData<'_>,
    members: &[Members],
    median_of_each: &[f64],
    by_width: &[(f64, Vec<f64>)],
) -> Result<Vec<Part>, StatsError> {
    type Task<'t> = Box<dyn FnOnce() -> Result<Part, StatsError> + Send + 't>;
    let step_ms = match data.instrument.sampling {
        Sampling::Edges | Sampling::Widths => data.instrument.resolution_ms,
        Sampling::Interpolated { .. } => 0.0,
    };
    // The longest first: the pooled ones and those that see all pulses.
    let mut tasks: Vec<Task<'_>> = vec![
        Box::new(|| timing::trend(data.observations, median_of_each).map(Part::Trend)),
        Box::new(|| relation::offset_scale(data.observations).map(Part::Line)),
        Box::new(|| relation::hidden_tick(by_width, step_ms).map(Part::Tick)),
    ];
    for (index, member) in members.iter().enumerate() {
        let seed = data.seed.wrapping_add(index as u64);
        tasks.push(Box::new(move || {
            let (normality, family) = group::shape(&member.sorted)?;
            Ok(Part::Shape(normality, family))
        }));
        tasks.push(Box::new(move || {
            group::width_error(&member.errors_ms, &member.sorted, seed)
                .map(|spread| Part::Spread(Box::new(spread)))
        }));
    }
    run_all(tasks).into_iter().collect()
}

/// How requested widths are gathered into groups: each for itself, or in bands where there are many.
struct Bands {
    /// Upper ends of the bands, ascending; empty where each width is a group.
    upper: Vec<f64>,
}

impl Bands {
    fn new(observations: &[Observation]) -> Bands {
        let mut widths: Vec<f64> = observations.iter().map(|o| o.requested_ms).collect();
        widths.sort_by(f64::total_cmp);
        let n = widths.len();
        let distinct = 1 + widths.windows(2).filter(|w| w[0] != w[1]).count();
        let mut upper = Vec::new();
        if distinct > MOST_WIDTHS {
            upper = (1..=BANDS)
                .map(|b| widths[(b * n / BANDS).max(1) - 1])
                .collect();
            upper.dedup();
        }
        Bands { upper }
    }

    /// What the widths of one group share.
    fn key(&self, requested_ms: f64) -> u64 {
        if self.upper.is_empty() {
            // Widths are positive, and positive floats are ordered as their bits.
            requested_ms.to_bits()
        } else {
            self.upper.partition_point(|&upper| upper < requested_ms) as u64
        }
    }
}

/// The pooled members first, then each group by direction and width; and the group of each
/// observation.
fn gather(
    observations: &[Observation],
    bands: &Bands,
) -> Result<(Vec<Members>, Vec<usize>), StatsError> {
    type Key = (Option<Direction>, u64);
    let mut lists: std::collections::BTreeMap<Key, Vec<usize>> = Default::default();
    for (index, o) in observations.iter().enumerate() {
        let key = (o.direction, bands.key(o.requested_ms));
        lists.entry(key).or_default().push(index);
    }
    let all = observations.iter();
    let pooled = GroupKey {
        direction: None,
        requested_ms: None,
        requested_range_ms: range(all.clone().map(|o| o.requested_ms)),
    };
    let mut members = vec![Members::new(pooled, all.map(error_ms).collect())?];
    let mut group_of = vec![0; observations.len()];
    for ((direction, _), indices) in lists {
        let requested: Vec<f64> = indices
            .iter()
            .map(|&i| observations[i].requested_ms)
            .collect();
        for &i in &indices {
            group_of[i] = members.len() - 1;
        }
        let errors = indices
            .iter()
            .map(|&i| error_ms(&observations[i]))
            .collect();
        let key = GroupKey {
            direction,
            requested_range_ms: range(requested.iter().copied()),
            requested_ms: Some(stats::order::median(&Sorted::new(requested)?)),
        };
        members.push(Members::new(key, errors)?);
    }
    Ok((members, group_of))
}

fn range(values: impl Iterator<Item = f64>) -> [f64; 2] {
    values.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], v| {
        [low.min(v), high.max(v)]
    })
}

fn budget(group: &GroupSummary, instrument: &Instrument) -> Budget {
    let quantity = match (group.direction, group.requested_ms) {
        (_, None) => "median width error, all pulses".to_owned(),
        (None, Some(ms)) => format!("median width error at {ms} ms"),
        (Some(direction), Some(ms)) => format!("median width error, {direction} at {ms} ms"),
    };
    Budget::of_median(
        quantity,
        instrument,
        group.requested_range_ms[1],
        group.width_error_ms.median_se,
        group.n,
    )
}
