//! What the chain makes of a requested width: start delay, width error, loss, and the trim before
//! it. A [`ChainModel`] is stated, [`PreparedChain`] draws from it.

use crate::error::{ServoError, above_zero, at_least};
pub use chain::Below;
use stats::family::Family;
use wire::{Direction, Warning};

/// Equal-probability places at which a fitted family is tabulated: the tail beyond 1/8192 is
/// replaced by its median, which moves the mean of an exponential tail by 1e-4 of its scale.
const FAMILY_PLACES: usize = 4096;

/// Below this many pulses of one width the empirical distribution is a poor one: the standard
/// error of its 90 % quantile's level is above 0.05 (binomial: sqrt(0.9 * 0.1 / 30) = 0.055).
const FEW_PULSES: usize = 30;

/// One delivered pulse of a measured run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredPulse {
    /// Measured width minus requested width in ms.
    pub error_ms: f64,
    /// Leading edge minus time of issue in ms, where both share a clock; else the start delay is
    /// taken as 0.
    pub delay_ms: Option<f64>,
}

/// All pulses of one direction and one requested width.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredWidth {
    /// Direction of the requests.
    pub direction: Direction,
    /// Requested width in ms.
    pub requested_ms: f64,
    /// The delivered pulses.
    pub pulses: Vec<MeasuredPulse>,
}

/// What happens to a request on its way to the motor.
#[derive(Debug, Clone, PartialEq)]
pub enum ChainModel {
    /// No start delay, no width error.
    Perfect,
    /// The same start delay and width error for every pulse.
    Constant {
        /// Width error in ms; positive is too long.
        error_ms: f64,
        /// Start delay in ms.
        delay_ms: f64,
    },
    /// Width error and start delay from a distribution, each for one direction; the width does not
    /// matter. A direction that is not listed takes the opposite one's, else the first.
    Fitted(Vec<FittedDirection>),
    /// Drawn from a measured run. Between two measured widths the quantiles of the two are
    /// interpolated linearly at the same rank; outside, the nearest width serves. Width error and
    /// start delay of one pulse stay together. A direction without pulses takes the opposite one's,
    /// else the first direction measured.
    Measured(Vec<MeasuredWidth>),
}

/// The fitted distributions of one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedDirection {
    /// Direction of the requests.
    pub direction: Direction,
    /// Width error in ms.
    pub error_ms: Family,
    /// Start delay in ms, 0 if absent; draws below 0 count as 0.
    pub delay_ms: Option<Family>,
}

/// The chance that a request of a certain width is lost; linear between the widths given, and the
/// nearest outside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MissingAt {
    /// Requested width in ms.
    pub requested_ms: f64,
    /// Probability in 0..=1.
    pub probability: f64,
}

/// The function from the width one wants to the width one must request.
#[derive(Debug, Clone, PartialEq)]
pub enum Trim {
    /// The wanted width is requested.
    None,
    /// `request = (wanted - offset_ms) / (1 + scale)`.
    Linear {
        /// Width error at a request of 0, in ms.
        offset_ms: f64,
        /// Width error per requested width.
        scale: f64,
        /// Shortest wanted width that is sent, in ms.
        shortest_ms: f64,
        /// What happens below it.
        below: Below,
    },
    /// Straight between points `(wanted_ms, request_ms)`, both ascending; the first and the last
    /// piece go on beyond the ends.
    Curve {
        /// The points in ms; at least two.
        points: Vec<(f64, f64)>,
        /// Shortest wanted width that is sent, in ms.
        shortest_ms: f64,
        /// What happens below it.
        below: Below,
    },
}

impl Trim {
    /// The width to request, in ms and at least 0, for a wanted width in ms; the shortest width is
    /// not looked at.
    pub fn request_ms(&self, wanted_ms: f64) -> f64 {
        let request = match self {
            Trim::None => wanted_ms,
            Trim::Linear {
                offset_ms, scale, ..
            } => (wanted_ms - offset_ms) / (1.0 + scale),
            Trim::Curve { points, .. } => {
                let last = points.len().saturating_sub(2);
                let inner = points.iter().skip(1).take(last);
                let piece = inner.take_while(|p| p.0 <= wanted_ms).count();
                match points.get(piece..piece + 2) {
                    Some(&[a, b]) => a.1 + (b.1 - a.1) * (wanted_ms - a.0) / (b.0 - a.0),
                    _ => wanted_ms,
                }
            }
        };
        request.max(0.0)
    }

    /// The shortest wanted width in ms that is sent, and the rule below it.
    pub fn below(&self) -> (f64, Below) {
        match self {
            Trim::None => (0.0, Below::Skip),
            Trim::Linear {
                shortest_ms, below, ..
            }
            | Trim::Curve {
                shortest_ms, below, ..
            } => (*shortest_ms, *below),
        }
    }

    fn check(&self) -> Result<(), ServoError> {
        at_least(
            "trim: shortest_ms",
            self.below().0,
            0.0,
            "a width in ms of at least 0 is expected",
        )?;
        match self {
            Trim::None => Ok(()),
            Trim::Linear {
                offset_ms, scale, ..
            } => {
                at_least(
                    "trim: offset_ms",
                    *offset_ms,
                    f64::MIN,
                    "a width in ms is expected",
                )?;
                above_zero(
                    "trim: 1 + scale",
                    1.0 + scale,
                    "a positive number is expected: a longer request must give a longer pulse",
                )
            }
            Trim::Curve { points, .. } => {
                at_least(
                    "trim: number of points",
                    points.len() as f64,
                    2.0,
                    "at least two points are expected",
                )?;
                for pair in points.windows(2) {
                    above_zero(
                        "trim: step between points in ms",
                        (pair[1].0 - pair[0].0).min(pair[1].1 - pair[0].1),
                        "wanted and requested widths must both ascend",
                    )?;
                }
                Ok(())
            }
        }
    }
}

/// A chain with its losses and its trim.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// Width errors and start delays.
    pub model: ChainModel,
    /// Chance of a loss by requested width; none if empty.
    pub missing: Vec<MissingAt>,
    /// What stands before the chain.
    pub trim: Trim,
}

impl Chain {
    /// A chain that does as it is told.
    pub fn perfect() -> Self {
        Self::of(ChainModel::Perfect)
    }

    /// A chain without losses and without trim.
    pub fn of(model: ChainModel) -> Self {
        Self {
            model,
            missing: Vec::new(),
            trim: Trim::None,
        }
    }

    /// Brings the model into the form from which pulses are drawn.
    ///
    /// # Errors
    /// [`ServoError::NoPulses`] of a measured or fitted chain without content;
    /// [`ServoError::BadValue`] of a value that is not finite, a probability outside 0..=1 or a
    /// trim that does not ascend.
    pub fn prepare(&self) -> Result<PreparedChain, ServoError> {
        self.trim.check()?;
        for at in &self.missing {
            at_least(
                "missing: requested_ms",
                at.requested_ms,
                0.0,
                "a width in ms of at least 0 is expected",
            )?;
            if !(0.0..=1.0).contains(&at.probability) {
                return Err(ServoError::BadValue {
                    name: "missing: probability",
                    found: at.probability,
                    expected: "a probability from 0 to 1 is expected",
                });
            }
        }
        let mut missing = self.missing.clone();
        missing.sort_by(|a, b| a.requested_ms.total_cmp(&b.requested_ms));
        let tables = match &self.model {
            ChainModel::Perfect => Tables::Constant(Draw::default()),
            ChainModel::Constant { error_ms, delay_ms } => {
                at_least(
                    "error_ms",
                    *error_ms,
                    f64::MIN,
                    "a width error in ms is expected",
                )?;
                at_least(
                    "delay_ms",
                    *delay_ms,
                    0.0,
                    "a delay in ms of at least 0 is expected",
                )?;
                Tables::Constant(Draw {
                    error_ms: *error_ms,
                    delay_ms: *delay_ms,
                })
            }
            ChainModel::Fitted(directions) => Tables::ByWidth(fitted_tables(directions)?),
            ChainModel::Measured(widths) => Tables::ByWidth(measured_tables(widths)?),
        };
        Ok(PreparedChain {
            tables,
            missing,
            trim: self.trim.clone(),
        })
    }

    /// How many pulses it draws from; `None` for one that was not measured. Pulses that stand for
    /// several directions count once.
    pub fn pulses(&self) -> Option<usize> {
        match &self.model {
            ChainModel::Measured(widths) => Some(own(widths).map(|w| w.pulses.len()).sum()),
            _ => None,
        }
    }

    /// What a reader must know of the measured run: directions that were never asked for, and
    /// widths with few pulses.
    pub fn warnings(&self) -> Vec<Warning> {
        let ChainModel::Measured(widths) = &self.model else {
            return Vec::new();
        };
        let mut warnings = Vec::new();
        let measured = |d: Direction| {
            widths
                .iter()
                .any(|w| w.direction == d && !w.pulses.is_empty())
        };
        let absent: Vec<&str> = Direction::ALL
            .into_iter()
            .filter(|d| !measured(*d))
            .map(Direction::name)
            .collect();
        if !absent.is_empty() && absent.len() < Direction::ALL.len() {
            warnings.push(Warning::new(
                format!("the run holds no pulse of {}", absent.join(", ")),
                "the pulses of another direction stand in; measure all four, for they may differ",
            ));
        }
        let few: Vec<String> = own(widths)
            .filter(|w| (1..FEW_PULSES).contains(&w.pulses.len()))
            .map(|w| {
                format!(
                    "{} of {} at {} ms",
                    chain::plural(w.pulses.len() as u64, "pulse"),
                    w.direction.name(),
                    chain::significant(w.requested_ms)
                )
            })
            .collect();
        if let Some(first) = few.first() {
            let rest = match few.len() {
                1 => String::new(),
                n => format!(" (and {} more)", chain::plural(n as u64 - 1, "such width")),
            };
            warnings.push(Warning::new(
                format!("only {first}{rest}: rare long ones may be absent"),
                "measure 30 or more of each width and direction",
            ));
        }
        warnings
    }
}

/// The widths whose pulses are not those of a direction before.
fn own(widths: &[MeasuredWidth]) -> impl Iterator<Item = &MeasuredWidth> {
    let same = |a: &MeasuredWidth, b: &MeasuredWidth| {
        a.requested_ms == b.requested_ms && a.pulses == b.pulses
    };
    widths
        .iter()
        .enumerate()
        .filter(move |(i, w)| !widths[..*i].iter().any(|before| same(before, w)))
        .map(|(_, w)| w)
}

/// Width error and start delay of one pulse.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Draw {
    /// Width error in ms.
    pub error_ms: f64,
    /// Start delay in ms.
    pub delay_ms: f64,
}

/// The uniform numbers in [0, 1) that decide a pulse's fate; they are drawn for every frame,
/// whether a pulse is sent or not, so that settings share them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fate {
    /// Rank of the pulse among those measured.
    pub rank: f64,
    /// The pulse is lost if this is below the probability of a loss.
    pub loss: f64,
    /// Rank of the start delay; used by fitted families alone.
    pub delay_rank: f64,
}

/// A chain from which pulses can be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct PreparedChain {
    tables: Tables,
    missing: Vec<MissingAt>,
    trim: Trim,
}

#[derive(Debug, Clone, PartialEq)]
enum Tables {
    Constant(Draw),
    /// One list of widths for each direction of `Direction::ALL`, ascending by width.
    ByWidth([Vec<WidthTable>; 4]),
}

#[derive(Debug, Clone, PartialEq)]
struct WidthTable {
    requested_ms: f64,
    /// 1 over the distance to the next width; 0 for the last.
    per_ms: f64,
    /// Ascending by width error.
    draws: Vec<Draw>,
    /// Start delays drawn apart from the error; empty where each draw carries its own.
    delays: Vec<f64>,
}

impl WidthTable {
    #[inline]
    fn at(&self, fate: &Fate) -> Draw {
        let mut draw = self.draws[place(fate.rank, self.draws.len())];
        if !self.delays.is_empty() {
            draw.delay_ms = self.delays[place(fate.delay_rank, self.delays.len())];
        }
        draw
    }
}

/// The index of rank `u` in a table of `n` equally likely places. A table has less than 2^32 of them,
/// and 32 bits convert in half the instructions.
fn place(u: f64, n: usize) -> usize {
    ((u * n as f64) as u32 as usize).min(n - 1)
}

impl PreparedChain {
    /// The trim that stands before the chain.
    pub fn trim(&self) -> &Trim {
        &self.trim
    }

    /// Start delay and resulting width, both in ms, of a request of `requested_ms`; `None` if it
    /// is lost. The width is at least 0.
    #[inline]
    pub fn draw(&self, direction: usize, requested_ms: f64, fate: &Fate) -> Option<(f64, f64)> {
        if !self.missing.is_empty() && fate.loss < self.missing_probability(requested_ms) {
            return None;
        }
        let draw = match &self.tables {
            Tables::Constant(draw) => *draw,
            Tables::ByWidth(tables) => {
                let widths = &tables[direction.min(3)];
                // The lists are short: counting is quicker than halving. Outside, both ends are the
                // same width, so that no branch is needed, which could not be foretold.
                let below = |w: &&WidthTable| w.requested_ms < requested_ms;
                let above = widths.iter().filter(below).count();
                let low = &widths[above.saturating_sub(1)];
                let high = &widths[above.min(widths.len() - 1)];
                let part = (requested_ms - low.requested_ms) * low.per_ms;
                let (a, b) = (low.at(fate), high.at(fate));
                Draw {
                    error_ms: a.error_ms + part * (b.error_ms - a.error_ms),
                    delay_ms: a.delay_ms + part * (b.delay_ms - a.delay_ms),
                }
            }
        };
        Some((draw.delay_ms, (requested_ms + draw.error_ms).max(0.0)))
    }

    /// The chance that a request of this width is lost.
    pub fn missing_probability(&self, requested_ms: f64) -> f64 {
        let above = self
            .missing
            .partition_point(|m| m.requested_ms < requested_ms);
        match (
            above.checked_sub(1).map(|i| self.missing[i]),
            self.missing.get(above),
        ) {
            (Some(a), Some(b)) => {
                let part = (requested_ms - a.requested_ms) / (b.requested_ms - a.requested_ms);
                a.probability + part * (b.probability - a.probability)
            }
            (Some(end), None) => end.probability,
            (None, Some(end)) => end.probability,
            (None, None) => 0.0,
        }
    }

    /// By how many ms a pulse grows for each ms asked, from the shortest to the longest width of the
    /// first direction; `None` where only one width is known.
    pub fn follows(&self) -> Option<f64> {
        let Tables::ByWidth(tables) = &self.tables else {
            return None;
        };
        let [first, .., last] = tables[0].as_slice() else {
            return None;
        };
        let made = |ms: f64| ms + self.mean(0, ms).error_ms;
        let (low, high) = (first.requested_ms, last.requested_ms);
        Some((made(high) - made(low)) / (high - low))
    }

    /// By how much the made width grows with the wanted one, behind the trim, about the widths of
    /// usual corrections; 1 of a perfect chain, and of one whose pulses don't grow: no gain makes that
    /// one unstable.
    pub fn slope(&self, direction: usize) -> f64 {
        const USUAL_MS: [f64; 2] = [100.0, 300.0];
        let [short, long] = USUAL_MS.map(|wanted_ms| {
            let request_ms = self.trim.request_ms(wanted_ms);
            request_ms + self.mean(direction, request_ms).error_ms
        });
        let slope = (long - short) / (USUAL_MS[1] - USUAL_MS[0]);
        if slope > 0.0 { slope } else { 1.0 }
    }

    /// Mean width error and mean start delay in ms of a request of `requested_ms` in one direction
    /// (its place in `Direction::ALL`), by averaging 256 equally spaced ranks.
    pub fn mean(&self, direction: usize, requested_ms: f64) -> Draw {
        const RANKS: usize = 256;
        let mut sum = Draw::default();
        for i in 0..RANKS {
            let rank = (i as f64 + 0.5) / RANKS as f64;
            let fate = Fate {
                rank,
                loss: 1.0,
                delay_rank: rank,
            };
            if let Some((delay_ms, width_ms)) = self.draw(direction, requested_ms, &fate) {
                sum.error_ms += (width_ms - requested_ms) / RANKS as f64;
                sum.delay_ms += delay_ms / RANKS as f64;
            }
        }
        sum
    }
}

fn fitted_tables(directions: &[FittedDirection]) -> Result<[Vec<WidthTable>; 4], ServoError> {
    let tabulate = |family: &Family, name: &'static str| -> Result<Vec<f64>, ServoError> {
        (0..FAMILY_PLACES)
            .map(|i| {
                let value = family.quantile((i as f64 + 0.5) / FAMILY_PLACES as f64);
                at_least(
                    name,
                    value,
                    f64::MIN,
                    "the family's parameters are out of range",
                )?;
                Ok(value)
            })
            .collect()
    };
    let mut made: Vec<(Direction, WidthTable)> = Vec::new();
    for fitted in directions {
        let draws = tabulate(&fitted.error_ms, "quantile of the fitted width error in ms")?
            .into_iter()
            .map(|error_ms| Draw {
                error_ms,
                delay_ms: 0.0,
            })
            .collect();
        let delays = match &fitted.delay_ms {
            None => Vec::new(),
            Some(family) => tabulate(family, "quantile of the fitted start delay in ms")?
                .into_iter()
                .map(|d| d.max(0.0))
                .collect(),
        };
        made.push((
            fitted.direction,
            WidthTable {
                requested_ms: 0.0,
                per_ms: 0.0,
                draws,
                delays,
            },
        ));
    }
    by_direction(made)
}

fn measured_tables(widths: &[MeasuredWidth]) -> Result<[Vec<WidthTable>; 4], ServoError> {
    let mut made: Vec<(Direction, WidthTable)> = Vec::new();
    for width in widths {
        at_least(
            "requested_ms",
            width.requested_ms,
            0.0,
            "a width in ms of at least 0 is expected",
        )?;
        let mut draws = Vec::with_capacity(width.pulses.len());
        for pulse in &width.pulses {
            let delay_ms = pulse.delay_ms.unwrap_or(0.0);
            at_least(
                "error_ms",
                pulse.error_ms,
                f64::MIN,
                "a width error in ms is expected",
            )?;
            at_least(
                "delay_ms",
                delay_ms,
                f64::MIN,
                "a start delay in ms is expected",
            )?;
            draws.push(Draw {
                error_ms: pulse.error_ms,
                delay_ms: delay_ms.max(0.0),
            });
        }
        if draws.is_empty() {
            continue;
        }
        match made
            .iter_mut()
            .find(|(d, t)| *d == width.direction && t.requested_ms == width.requested_ms)
        {
            Some((_, table)) => table.draws.extend(draws),
            None => made.push((
                width.direction,
                WidthTable {
                    requested_ms: width.requested_ms,
                    per_ms: 0.0,
                    draws,
                    delays: Vec::new(),
                },
            )),
        }
    }
    for (_, table) in &mut made {
        table.draws.sort_by(|a, b| {
            (a.error_ms, a.delay_ms)
                .partial_cmp(&(b.error_ms, b.delay_ms))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
    }
    by_direction(made)
}

/// Sorts tables into the four directions; an empty one takes the opposite's, else all.
fn by_direction(made: Vec<(Direction, WidthTable)>) -> Result<[Vec<WidthTable>; 4], ServoError> {
    let Some((first, _)) = made.first() else {
        return Err(ServoError::NoPulses);
    };
    let has = |wanted: Direction| made.iter().any(|(d, _)| *d == wanted);
    let pick = |direction: Direction| {
        let from = [direction, direction.opposite()]
            .into_iter()
            .find(|d| has(*d))
            .unwrap_or(*first);
        let mut tables: Vec<WidthTable> = made
            .iter()
            .filter(|(d, _)| *d == from)
            .map(|(_, t)| t.clone())
            .collect();
        tables.sort_by(|a, b| a.requested_ms.total_cmp(&b.requested_ms));
        for i in 1..tables.len() {
            tables[i - 1].per_ms = 1.0 / (tables[i].requested_ms - tables[i - 1].requested_ms);
        }
        tables
    };
    Ok(Direction::ALL.map(pick))
}

#[cfg(test)]
#[path = "chain_model_tests.rs"]
mod tests;
