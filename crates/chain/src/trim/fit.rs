//! Fitting a trim, and estimating what it leaves on pulses that took no part in the fit.

use stats::random::Random;
use stats::{Sorted, StatsError, order, regression, trend};
use wire::{Direction, Observation, Warning};

use super::{Below, Curve, Knot, Loss, Residual, Trim};
use crate::answer::but;
use crate::error::ChainError;
use crate::group::CONFIDENCE;
use crate::quantity::{Rounded, significant};
use crate::relation::error_ms;
use crate::summary::{RunPulses, RunSummary};

/// Parts of the cross-validation.
const FOLDS: u64 = 5;
/// A trim needs at least this many pulses: with fewer, a part has none to learn from.
const FEWEST: usize = 20;
/// Fewer pulses than this at one width give it no place of its own on the curve.
const FEWEST_AT_A_WIDTH: usize = 20;
/// A width's own place must be farther from the line than this before a curve is made of it, ms: finer
/// than any controller or mount can use (common practice, no source).
const LEAST_BEND_MS: f64 = 0.5;

/// Microseconds of request for each of wanted width above which a longer request hardly makes a longer
/// pulse, and the trim would ask for minutes.
const STEEPEST: f64 = 5.0;

/// A line through the width errors, with the places of single widths where the line is not enough.
struct Model {
    offset_ms: f64,
    scale: f64,
    /// Requested width and the width error there, by ascending width; empty where the line stands.
    places: Vec<(f64, f64)>,
}

impl Model {
    /// The width error that the model expects at a requested width.
    fn error_ms(&self, requested_ms: f64) -> f64 {
        let line = self.offset_ms + self.scale * requested_ms;
        let after = self.places.partition_point(|(r, _)| *r < requested_ms);
        match (
            after.checked_sub(1).map(|i| self.places[i]),
            self.places.get(after),
        ) {
            (_, Some(&(r, e))) if r == requested_ms => e,
            (Some(a), Some(&b)) => a.1 + (b.1 - a.1) * (requested_ms - a.0) / (b.0 - a.0),
            // Beyond the widths tried the line goes on from the last place.
            (Some(a), None) => a.1 + self.scale * (requested_ms - a.0),
            (None, Some(&b)) => b.1 + self.scale * (requested_ms - b.0),
            (None, None) => line,
        }
    }
}

/// Fits a trim on a run's delivered requests. What the run's summary doubts goes into the answer, and what
/// it found that no trim mends (missing pulses, a hidden tick) into the warnings.
///
/// `shortest_us` is the shortest wanted width that the chain is asked for; `None` takes what the
/// shortest requested width comes out as. `seed` splits the pulses for the cross-validation.
///
/// # Errors
/// [`ChainError::TooFewToTrim`] below 20 pulses; [`ChainError::Untrimmable`] where longer requests don't
/// come out longer.
pub fn fit_trim<'a>(
    run: impl Into<RunPulses<'a>>,
    loss: Loss,
    below: Below,
    shortest_us: Option<u32>,
    seed: u64,
) -> Result<Trim, ChainError> {
    let RunPulses {
        observations,
        summary,
    } = run.into();
    if observations.len() < FEWEST {
        return Err(ChainError::TooFewToTrim {
            found: observations.len(),
            needed: FEWEST,
        });
    }
    let points: Vec<(f64, f64)> = observations
        .iter()
        .map(|o| (o.requested_ms, error_ms(o)))
        .collect();
    let model = fit(&points, loss)?;
    let tried_ms = points
        .iter()
        .fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], (r, _)| {
            [low.min(*r), high.max(*r)]
        });
    let curve = curve(&model, tried_ms).ok_or(ChainError::Untrimmable)?;
    if curve.steepest() > STEEPEST {
        return Err(ChainError::Untrimmable);
    }
    let residual = cross_validate(&points, loss, seed)?;
    let shortest_us = shortest_us.unwrap_or_else(|| {
        let delivered_ms = tried_ms[0] + model.error_ms(tried_ms[0]);
        to_us(delivered_ms).max(0) as u32
    });
    // A wanted width whose request would be nothing can't be sent: it is below the shortest.
    let shortest_us = shortest_us.max(curve.shortest_us());
    let mut trim = Trim {
        answer: String::new(),
        loss,
        curve,
        offset_ms: model.offset_ms,
        scale: model.scale,
        refined: !model.places.is_empty(),
        shortest_us,
        below,
        tried_ms,
        residual,
        warnings: Vec::new(),
    };
    trim.answer = answer(&trim);
    warn(&mut trim, observations);
    if let Some(summary) = summary {
        trim.answer += &but(summary);
        trim.warnings.extend(beyond_mending(summary));
    }
    Ok(trim)
}

/// Where a set of errors lies by the loss.
fn location(errors: &[f64], loss: Loss) -> Result<f64, StatsError> {
    Ok(match loss {
        Loss::Median => order::median(&Sorted::new(errors.to_vec())?),
        Loss::Mean => errors.iter().sum::<f64>() / errors.len() as f64,
        Loss::Quantile(p) => order::quantile(&Sorted::new(errors.to_vec())?, p),
    })
}

fn fit(points: &[(f64, f64)], loss: Loss) -> Result<Model, StatsError> {
    let (requested, errors): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let one_width = requested.windows(2).all(|pair| pair[0] == pair[1]);
    let scale = if one_width {
        0.0
    } else {
        match loss {
            Loss::Mean => regression::simple(&requested, &errors)?.slope,
            Loss::Median | Loss::Quantile(_) => {
                trend::theil_sen(&requested, &errors, CONFIDENCE)?.slope
            }
        }
    };
    let flat: Vec<f64> = points.iter().map(|(r, e)| e - scale * r).collect();
    let offset_ms = location(&flat, loss)?;
    let mut model = Model {
        offset_ms,
        scale,
        places: Vec::new(),
    };
    let places = own_places(points, loss)?;
    if places.len() > 2 {
        let bent = places.iter().any(|place| {
            let line = model.error_ms(place.requested_ms);
            (place.error_ms - line).abs() > LEAST_BEND_MS
                && !(place.interval[0] <= line && line <= place.interval[1])
        });
        if bent {
            model.places = monotone(&places);
        }
    }
    Ok(model)
}

/// One requested width by itself.
struct Place {
    requested_ms: f64,
    error_ms: f64,
    interval: [f64; 2],
    n: usize,
}

/// Where the errors of each requested width lie, with an interval that holds for all widths at once
/// (Bonferroni); of the widths with enough pulses.
fn own_places(points: &[(f64, f64)], loss: Loss) -> Result<Vec<Place>, StatsError> {
    let mut by_width: std::collections::BTreeMap<u64, Vec<f64>> = Default::default();
    for (requested, error) in points {
        // Widths are positive, and positive floats are ordered as their bits.
        by_width
            .entry(requested.to_bits())
            .or_default()
            .push(*error);
    }
    by_width.retain(|_, errors| errors.len() >= FEWEST_AT_A_WIDTH);
    let confidence = 1.0 - (1.0 - CONFIDENCE) / by_width.len().max(1) as f64;
    let mut places = Vec::new();
    for (bits, errors) in by_width {
        let sorted = Sorted::new(errors.clone())?;
        let error_ms = location(&errors, loss)?;
        let found = match loss {
            Loss::Median => order::median_interval(&sorted, confidence),
            Loss::Quantile(p) => order::quantile_interval(&sorted, p, confidence),
            Loss::Mean => None,
        };
        let interval = match (loss, found) {
            (_, Some(found)) => [found.interval.low, found.interval.high],
            (Loss::Mean, None) => {
                let m = stats::moments::moments(&errors)?;
                let t = stats::special::student_t_quantile(
                    0.5 + 0.5 * confidence,
                    (errors.len() - 1) as f64,
                );
                let half = t * m.sd / (errors.len() as f64).sqrt();
                [error_ms - half, error_ms + half]
            }
            // Too few for an interval: nothing speaks against the line.
            (_, None) => [f64::NEG_INFINITY, f64::INFINITY],
        };
        places.push(Place {
            requested_ms: f64::from_bits(bits),
            error_ms,
            interval,
            n: errors.len(),
        });
    }
    Ok(places)
}

/// The places with the delivered widths made to ascend: neighbors that don't are pooled, weighted by
/// their pulses (pool adjacent violators; Barlow, Bartholomew, Bremner & Brunk 1972).
fn monotone(places: &[Place]) -> Vec<(f64, f64)> {
    struct Pool {
        delivered: f64,
        weight: f64,
        members: Vec<f64>,
    }
    let mut pools: Vec<Pool> = Vec::new();
    for place in places {
        pools.push(Pool {
            delivered: place.requested_ms + place.error_ms,
            weight: place.n as f64,
            members: vec![place.requested_ms],
        });
        while let [.., a, b] = pools.as_slice() {
            if a.delivered < b.delivered {
                break;
            }
            let weight = a.weight + b.weight;
            let merged = Pool {
                delivered: (a.delivered * a.weight + b.delivered * b.weight) / weight,
                weight,
                members: [a.members.as_slice(), b.members.as_slice()].concat(),
            };
            pools.truncate(pools.len() - 2);
            pools.push(merged);
        }
    }
    pools
        .iter()
        .flat_map(|pool| pool.members.iter().map(|r| (*r, pool.delivered - r)))
        .collect()
}

fn to_us(ms: f64) -> i32 {
    // A cast of a float saturates.
    (ms * 1000.0).round() as i32
}

/// The curve of the model: its knots are what the requested widths come out as.
fn curve(model: &Model, tried_ms: [f64; 2]) -> Option<Curve> {
    let requested: Vec<f64> = if model.places.is_empty() {
        // Two points of a line: the widths tried, or for a single one a second as far again.
        let [low, high] = tried_ms;
        vec![low, if high > low { high } else { 2.0 * low }]
    } else {
        model.places.iter().map(|(r, _)| *r).collect()
    };
    Curve::new(requested.into_iter().map(|r| Knot {
        wanted_us: to_us(r + model.error_ms(r)),
        request_us: to_us(r),
    }))
}

/// What the trim leaves: each pulse is judged by a model that was fitted without its part.
fn cross_validate(points: &[(f64, f64)], loss: Loss, seed: u64) -> Result<Residual, StatsError> {
    let mut random = Random::new(seed);
    let mut order: Vec<usize> = (0..points.len()).collect();
    random.shuffle(&mut order);
    let mut left = vec![0.0; points.len()];
    for fold in 0..FOLDS {
        let held_out = |place: usize| place as u64 % FOLDS == fold;
        let learned: Vec<(f64, f64)> = order
            .iter()
            .enumerate()
            .filter(|(place, _)| !held_out(*place))
            .map(|(_, &i)| points[i])
            .collect();
        let model = fit(&learned, loss)?;
        for (place, &i) in order.iter().enumerate() {
            if held_out(place) {
                let (requested, error) = points[i];
                left[i] = error - model.error_ms(requested);
            }
        }
    }
    let n = points.len();
    let mean = |values: &mut dyn Iterator<Item = f64>| values.sum::<f64>() / n as f64;
    let sorted = Sorted::new(left.clone())?;
    Ok(Residual {
        n: n as u64,
        median_ms: order::median(&sorted),
        median_ci95: order::median_interval(&sorted, CONFIDENCE)
            .map(|found| [found.interval.low, found.interval.high]),
        mean_ms: mean(&mut left.iter().copied()),
        mean_distance_before_ms: mean(&mut points.iter().map(|(_, e)| e.abs())),
        mean_distance_after_ms: mean(&mut left.iter().map(|e| e.abs())),
    })
}

/// The trim in plain words.
fn answer(trim: &Trim) -> String {
    let uncertain = trim
        .residual
        .median_ci95
        .map_or(0.1, |ci| 0.5 * (ci[1] - ci[0]))
        .max(0.05);
    let round = Rounded::to_uncertainty(uncertain);
    let (before, after) = (
        trim.residual.mean_distance_before_ms,
        trim.residual.mean_distance_after_ms,
    );
    if !trim.helps() {
        return format!(
            "Leave the widths as they are: pulses miss what was wanted by {} ms on average, and with a trim it would be {} ms.",
            round.of_uncertainty(before),
            round.of_uncertainty(after)
        );
    }
    // What is shorter than the shortest is not sent as such, so nothing is said of it.
    let low = trim.tried_ms[0].max(f64::from(trim.shortest_us) / 1000.0);
    let high = trim.tried_ms[1].max(low);
    let shift_ms = |wanted_ms: f64| {
        let wanted = to_us(wanted_ms).max(0) as u32;
        f64::from(trim.curve.request_us(wanted)) / 1000.0 - wanted_ms
    };
    let shifts = [shift_ms(low), shift_ms(high)];
    let amount = |ms: f64| {
        let way = if ms < 0.0 { "shorter" } else { "longer" };
        format!("{} ms {way}", round.ms(ms.abs()))
    };
    let what = if trim.refined {
        format!(
            "Change the pulses by the table, from {} at {} ms to {} at {} ms",
            amount(shifts[0]),
            significant(low),
            amount(shifts[1]),
            significant(high)
        )
    } else if (shifts[0] - shifts[1]).abs() <= uncertain {
        format!("Make every pulse {}", amount(0.5 * (shifts[0] + shifts[1])))
    } else {
        format!(
            "Make a pulse of {} ms {} and one of {} ms {}",
            significant(low),
            amount(shifts[0]),
            significant(high),
            amount(shifts[1])
        )
    };
    let shortest = significant(f64::from(trim.shortest_us) / 1000.0);
    let below = match trim.below {
        _ if trim.shortest_us == 0 => String::new(),
        Below::Skip => format!("; send nothing for a wanted width under {shortest} ms"),
        Below::Floor => {
            format!("; for a wanted width under {shortest} ms send that of {shortest} ms")
        }
        Below::Carry => {
            format!(
                "; send nothing for a wanted width under {shortest} ms, but carry it to the next"
            )
        }
    };
    format!(
        "{what}{below}: pulses then miss what was wanted by {} ms on average, in place of {} ms.",
        round.of_uncertainty(after),
        round.of_uncertainty(before)
    )
}

fn warn(trim: &mut Trim, observations: &[Observation]) {
    let mut found = Vec::new();
    let [low, high] = trim.tried_ms;
    if low == high {
        found.push(Warning::new(
            format!("the trim was fitted on one width, {low} ms, and at any other it is a guess"),
            "measure a short and a long width too (50 ms and 500 ms, say)",
        ));
    }
    if !trim.helps() {
        found.push(Warning::new(
            "what is left with the trim is about as much as without",
            "no trim removes scatter: leave the widths as they are, or mend the chain",
        ));
    }
    if let Some(text) = unlike_directions(observations) {
        found.push(Warning::new(
            text,
            "one trim can't serve both: fit one for each with --direction",
        ));
    }
    let widths: std::collections::BTreeSet<u64> = observations
        .iter()
        .map(|o| o.requested_ms.to_bits())
        .collect();
    if widths.len() > 2 && observations.len() / widths.len() < FEWEST_AT_A_WIDTH {
        found.push(Warning::new(
            format!(
                "most widths were asked fewer than {FEWEST_AT_A_WIDTH} times, so a bend between them would not be seen"
            ),
            "ask for a few widths, thirty times or more each",
        ));
    }
    trim.warnings = found;
}

/// What the run itself shows and a trim can't mend.
fn beyond_mending(summary: &RunSummary) -> Vec<Warning> {
    let missing = summary.came_to_nothing().map(|missing| {
        Warning::new(
            missing,
            "no trim brings back a missing pulse: mend the chain",
        )
    });
    let tick = summary.tick.as_ref().filter(|tick| tick.found);
    let tick = tick.map(|tick| {
        Warning::new(
            format!(
                "the widths keep to a hidden tick of {} ms, so a shorter request does not make a pulse shorter by as much",
                significant(tick.period_ms)
            ),
            "what the trim leaves is a guess here: measure again with it, and prove it",
        )
    });
    missing.into_iter().chain(tick).collect()
}

/// Says so where the medians of two directions lie apart beyond chance and beyond 1 ms.
fn unlike_directions(observations: &[Observation]) -> Option<String> {
    let mut by_direction: std::collections::BTreeMap<Direction, Vec<f64>> = Default::default();
    for o in observations {
        if let Some(direction) = o.direction {
            by_direction.entry(direction).or_default().push(error_ms(o));
        }
    }
    let places: Vec<(Direction, f64, [f64; 2])> = by_direction
        .into_iter()
        .filter_map(|(direction, errors)| {
            let sorted = Sorted::new(errors).ok()?;
            let ci = order::median_interval(&sorted, 0.999)?.interval;
            Some((direction, order::median(&sorted), [ci.low, ci.high]))
        })
        .collect();
    let low = places.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let high = places.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    (high.2[0] > low.2[1] && high.1 - low.1 > 1.0).then(|| {
        format!(
            "the directions differ: the median error is {} ms for {} and {} ms for {}",
            significant(low.1),
            low.0,
            significant(high.1),
            high.0
        )
    })
}
