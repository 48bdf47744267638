//! From samples of a voltage to the edges of a wire, in one pass and in bounded memory.
//!
//! The first [`LEARNED`] samples are held until the two states of the wire show in them; then they,
//! and all that follow, go through a [`Crossing`] (DC-coupled) or [`Jumps`] (AC-coupled), which
//! need only a few samples at a time. While nothing shows, the older half of what is held is given
//! up but for its extremes; if these turn out to lie on both sides of the reference level, that part
//! can't be read, and a warning says so.

mod levels;
mod spikes;

use crate::capture::{StateLevels, Warning};
use crate::settings::{Coupling, Settings};
use crate::time::TickLength;
use crate::track::Track;

use levels::{Crossing, Levels};
use spikes::Jumps;

/// Samples that are held while the levels are learned: 16 bytes each.
const LEARNED: usize = 1 << 18;
/// Durations and levels that are kept for their medians.
const MOST_KEPT: usize = 10_000;

/// A sample: its time in ticks and its voltage.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) time: i64,
    pub(crate) volts: f64,
}

/// The samples of one channel.
pub(crate) struct Analogue {
    coupling: Option<Coupling>,
    threshold: Option<f64>,
    tick: TickLength,
    stage: Stage,
    begin: i64,
    count: u64,
    last: i64,
    /// The part that was given up held both states.
    lost_until: Option<i64>,
}

enum Stage {
    Learn(Learn),
    Dc(Box<Crossing>),
    Ac(Box<Jumps>),
}

/// Samples of which it isn't known yet what they mean.
#[derive(Default)]
struct Learn {
    held: Vec<Sample>,
    /// The extremes of what was given up.
    given_up: Option<(f64, f64)>,
}

/// What an analogue channel turned out to be.
pub(crate) struct Finished {
    pub(crate) levels: Option<StateLevels>,
    pub(crate) coupling: Option<Coupling>,
    pub(crate) warnings: Vec<Warning>,
}

impl Analogue {
    pub(crate) fn new(settings: &Settings, tick: TickLength) -> Analogue {
        Analogue {
            // A threshold is a level, and only a DC-coupled wire has one.
            coupling: settings
                .coupling
                .or(settings.threshold_v.map(|_| Coupling::Dc)),
            threshold: settings.threshold_v,
            tick,
            stage: Stage::Learn(Learn::default()),
            begin: 0,
            count: 0,
            last: 0,
            lost_until: None,
        }
    }

    /// Takes in the next sample; times never run backwards. Edges go to `track`.
    #[inline]
    pub(crate) fn sample(&mut self, sample: Sample, track: &mut Track) {
        if self.count == 0 {
            self.begin = sample.time;
        }
        self.count += 1;
        self.last = sample.time;
        match &mut self.stage {
            Stage::Dc(crossing) => crossing.sample(sample, track),
            Stage::Ac(jumps) => jumps.sample(sample, track),
            Stage::Learn(learn) => {
                learn.held.push(sample);
                if learn.held.len() >= LEARNED {
                    self.learn(track, false);
                }
            }
        }
    }

    /// The mean sample interval, in seconds; 0 of fewer than two samples.
    pub(crate) fn interval_s(&self) -> f64 {
        match self.count {
            0 | 1 => 0.0,
            count => self.tick.seconds(self.last - self.begin) / (count - 1) as f64,
        }
    }

    /// Tries to tell what the held samples mean, and takes them in if it can. `all`: there are no
    /// more.
    fn learn(&mut self, track: &mut Track, all: bool) {
        let interval_s = self.interval_s();
        let Stage::Learn(learn) = &mut self.stage else {
            return;
        };
        let volts: Vec<f64> = learn.held.iter().map(|sample| sample.volts).collect();
        let stage = match self.coupling.or_else(|| levels::coupling(&volts)) {
            Some(Coupling::Dc) => Levels::find(&volts)
                .or_else(|| self.threshold.map(Levels::at))
                .map(|levels| levels.with_reference(self.threshold))
                .map(|levels| Stage::Dc(Box::new(Crossing::new(levels)))),
            Some(Coupling::Ac) => {
                Jumps::find(&volts, interval_s, self.begin).map(|jumps| Stage::Ac(Box::new(jumps)))
            }
            None => None,
        };
        let Some(stage) = stage else {
            if !all {
                let half = learn.held.len() / 2;
                let (low, high) = learn.given_up.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
                learn.given_up = Some(
                    learn
                        .held
                        .drain(..half)
                        .fold((low, high), |(low, high), sample| {
                            (low.min(sample.volts), high.max(sample.volts))
                        }),
                );
            }
            return;
        };
        let Learn { held, given_up } = std::mem::take(learn);
        self.stage = stage;
        if let (Some((low, high)), Some(first)) = (given_up, held.first()) {
            let clear = match &self.stage {
                Stage::Dc(crossing) => match crossing.state_of(low, high) {
                    Some(level) => {
                        track.set(self.begin, level);
                        true
                    }
                    None => false,
                },
                Stage::Ac(jumps) => jumps.is_quiet(low, high),
                Stage::Learn(_) => true,
            };
            if !clear {
                self.lost_until = Some(first.time);
            }
        }
        for sample in held {
            match &mut self.stage {
                Stage::Dc(crossing) => crossing.sample(sample, track),
                Stage::Ac(jumps) => jumps.sample(sample, track),
                Stage::Learn(_) => {}
            }
        }
    }

    /// There are no more samples.
    pub(crate) fn finish(mut self, track: &mut Track) -> Finished {
        self.learn(track, true);
        let mut warnings = Vec::new();
        if let Some(until) = self.lost_until {
            warnings.push(Warning::new(
                format!(
                    "up to {:.3} s both states came up, but not clearly enough to tell their levels: that part was not read",
                    self.tick.seconds(until)
                ),
                "give the threshold in volts",
            ));
        }
        match self.stage {
            Stage::Learn(_) => Finished {
                levels: None,
                coupling: self.coupling,
                warnings,
            },
            Stage::Dc(crossing) => Finished {
                levels: Some(crossing.state_levels(self.tick)),
                coupling: Some(Coupling::Dc),
                warnings: {
                    warnings.extend(crossing.warning());
                    warnings
                },
            },
            Stage::Ac(mut jumps) => {
                jumps.finish(track);
                warnings.extend(jumps.warning());
                Finished {
                    levels: Some(jumps.state_levels(self.tick)),
                    coupling: Some(Coupling::Ac),
                    warnings,
                }
            }
        }
    }
}

impl Finished {
    /// A sentence on what was chosen for the channel `name`, whose voltage is in `unit`.
    pub(crate) fn note(&self, name: &str, settings: &Settings, unit: &str) -> Option<String> {
        let levels = self.levels?;
        let chosen = if settings.coupling.is_some() {
            "given"
        } else {
            "found by its content"
        };
        match self.coupling? {
            Coupling::Dc => Some(format!(
                "Channel {name} is DC-coupled ({chosen}): low {:.4} {unit}, high {:.4} {unit}, edges where it crosses {:.4} {unit}, interpolated between samples.",
                levels.low, levels.high, levels.reference
            )),
            Coupling::Ac => Some(format!(
                "Channel {name} is AC-coupled ({chosen}): a pulse is two opposite spikes, here up to {:.4} and down to {:.4} {unit}, each timed at half its own height, interpolated between samples.",
                levels.high, levels.low
            )),
        }
    }
}

/// The instant at which the straight line from `before` to `after` meets `level`.
fn meet(before: Sample, after: Sample, level: f64) -> i64 {
    let share = (level - before.volts) / (after.volts - before.volts);
    // A share that isn't a number (a step of nothing) casts to 0.
    let ticks = (share.clamp(0.0, 1.0) * (after.time - before.time) as f64).round() as i64;
    (before.time + ticks).clamp(before.time, after.time)
}

/// The median of `values`; `None` of none. Of an even count the upper of the middle two.
fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// 1.4826 times the median distance from `centre`, which for normal noise is its standard deviation
/// (the constant is 1 / Phi^-1(3/4)).
fn robust_sd(values: impl Iterator<Item = f64>, centre: f64) -> f64 {
    let mut distances: Vec<f64> = values.map(|value| (value - centre).abs()).collect();
    1.4826 * median(&mut distances).unwrap_or(0.0)
}
