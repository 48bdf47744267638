//! The chain that a run measured, and the trim that was fitted on it.

use crate::chain_model::{
    Chain, ChainModel, FittedDirection, MeasuredPulse, MeasuredWidth, MissingAt, Trim,
};
use crate::error::ServoError;
use stats::Sorted;
use stats::family::{Family, choose};
use wire::{Direction, Observation};

/// Widths that were asked for rarely are put together with their neighbours until so many pulses
/// stand for one width ...
const ENOUGH: usize = 30;
/// ... as long as they are not longer than the first by more than this factor: a run of three
/// planned widths keeps them apart however few pulses each has.
const NEIGHBOUR: f64 = 1.25;

/// What of a run the pulses are drawn from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DrawnFrom {
    /// Its pulses themselves.
    #[default]
    Pulses,
    /// The family of distributions that describes them best (by AICc), for each direction; the
    /// width then does not matter.
    Family,
}

/// A run, as the loop needs it.
#[derive(Debug, Clone, Copy)]
pub struct RunChain<'a> {
    /// The delivered requests.
    pub observations: &'a [Observation],
    /// Share of the requests that came to nothing, 0 to 1, where it is known.
    pub missing: Option<f64>,
    /// What the pulses are drawn from.
    pub drawn_from: DrawnFrom,
}

impl RunChain<'_> {
    /// The chain without a trim. Pulses without a direction stand for all directions.
    ///
    /// # Errors
    /// [`ServoError::NoPulses`] of an empty run; [`ServoError::NoFamily`] where no family can be
    /// fitted: too few pulses, or all alike.
    pub fn chain(&self) -> Result<Chain, ServoError> {
        let directions: Vec<Direction> = Direction::ALL
            .into_iter()
            .filter(|d| self.of(*d).next().is_some())
            .collect();
        if directions.is_empty() {
            return Err(ServoError::NoPulses);
        }
        let model = match self.drawn_from {
            DrawnFrom::Pulses => ChainModel::Measured(
                directions
                    .iter()
                    .flat_map(|direction| self.widths(*direction))
                    .collect(),
            ),
            DrawnFrom::Family => ChainModel::Fitted(
                directions
                    .iter()
                    .map(|direction| self.fitted(*direction))
                    .collect::<Result<_, _>>()?,
            ),
        };
        let mut chain = Chain::of(model);
        if let Some(probability) = self.missing.filter(|p| *p > 0.0) {
            chain.missing.push(MissingAt {
                requested_ms: 0.0,
                probability,
            });
        }
        Ok(chain)
    }

    /// The pulses that stand for a direction: its own and those of no known one.
    fn of(&self, direction: Direction) -> impl Iterator<Item = &Observation> {
        self.observations
            .iter()
            .filter(move |o| o.direction.is_none_or(|d| d == direction))
    }

    fn widths(&self, direction: Direction) -> Vec<MeasuredWidth> {
        let mut pulses: Vec<&Observation> = self.of(direction).collect();
        pulses.sort_by(|a, b| a.requested_ms.total_cmp(&b.requested_ms));
        let mut widths = Vec::new();
        let mut rest = &pulses[..];
        while let Some(first) = rest.first() {
            let mut end = 0;
            while let Some(next) = rest.get(end) {
                let same = end > 0 && next.requested_ms == rest[end - 1].requested_ms;
                let near = end < ENOUGH && next.requested_ms <= NEIGHBOUR * first.requested_ms;
                if !(end == 0 || same || near) {
                    break;
                }
                end += 1;
            }
            let (band, after) = rest.split_at(end);
            rest = after;
            widths.push(MeasuredWidth {
                direction,
                requested_ms: band.iter().map(|o| o.requested_ms).sum::<f64>() / band.len() as f64,
                pulses: band
                    .iter()
                    .map(|o| MeasuredPulse {
                        error_ms: o.width_ms - o.requested_ms,
                        delay_ms: o.start_delay_ms,
                    })
                    .collect(),
            });
        }
        widths
    }

    fn fitted(&self, direction: Direction) -> Result<FittedDirection, ServoError> {
        let best = |values: Vec<f64>| -> Result<Family, ServoError> {
            let none = |error: stats::StatsError| ServoError::NoFamily {
                direction: direction.name(),
                why: error.to_string(),
            };
            let choice = choose(&Sorted::new(values).map_err(none)?).map_err(none)?;
            Ok(choice.fits[0].family)
        };
        let errors = self.of(direction).map(|o| o.width_ms - o.requested_ms);
        let delays: Vec<f64> = self
            .of(direction)
            .filter_map(|o| o.start_delay_ms)
            .collect();
        Ok(FittedDirection {
            direction,
            error_ms: best(errors.collect())?,
            delay_ms: if delays.is_empty() {
                None
            } else {
                Some(best(delays)?)
            },
        })
    }
}

impl From<&chain::Trim> for Trim {
    fn from(trim: &chain::Trim) -> Trim {
        let ms = |us: i32| f64::from(us) / 1000.0;
        Trim::Curve {
            points: trim
                .curve
                .knots()
                .iter()
                .map(|knot| (ms(knot.wanted_us), ms(knot.request_us)))
                .collect(),
            shortest_ms: f64::from(trim.shortest_us) / 1000.0,
            below: trim.below,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chain::Loss;
    use stats::random::Random;

    fn observation(direction: Option<Direction>, requested_ms: f64, error_ms: f64) -> Observation {
        Observation {
            direction,
            requested_ms,
            width_ms: requested_ms + error_ms,
            start_s: None,
            issued_s: None,
            start_delay_ms: Some(4.0 + 0.01 * error_ms),
            order: 0,
            bridged: 0,
            request: None,
        }
    }

    fn run(observations: &[Observation]) -> RunChain<'_> {
        RunChain {
            observations,
            missing: Some(0.02),
            drawn_from: DrawnFrom::Pulses,
        }
    }

    fn widths(chain: &Chain) -> Vec<(Direction, f64, usize)> {
        match &chain.model {
            ChainModel::Measured(widths) => widths
                .iter()
                .map(|w| (w.direction, w.requested_ms, w.pulses.len()))
                .collect(),
            _ => Vec::new(),
        }
    }

    #[test]
    fn planned_widths_stay_apart_and_rare_ones_are_put_together() {
        let plus = Some(Direction::RaPlus);
        let few: Vec<Observation> = [50.0, 250.0, 500.0, 50.0]
            .map(|w| observation(plus, w, 10.0))
            .to_vec();
        let chain = run(&few).chain().unwrap();
        let expected = [(50.0, 2), (250.0, 1), (500.0, 1)];
        assert_eq!(
            widths(&chain),
            expected.map(|(w, n)| (Direction::RaPlus, w, n))
        );
        assert_eq!(chain.missing[0].probability, 0.02);
        // A hundred widths from 100 ms, each asked once.
        let many: Vec<Observation> = (0..100)
            .map(|i| observation(plus, 100.0 + f64::from(i), 10.0))
            .collect();
        let found = widths(&run(&many).chain().unwrap());
        let counts: Vec<usize> = found.iter().map(|w| w.2).collect();
        assert_eq!(counts, [26, 30, 30, 14]);
        assert_eq!(found[0].1, 112.5);
    }

    #[test]
    fn pulses_without_a_direction_stand_for_all() {
        let unknown = [observation(None, 100.0, 10.0)];
        let chain = run(&unknown).chain().unwrap();
        assert_eq!(widths(&chain).len(), 4);
        assert_eq!(chain.pulses(), Some(1));
        assert_eq!(run(&[]).chain(), Err(ServoError::NoPulses));
    }

    #[test]
    fn a_family_gives_the_quantiles_of_the_pulses_it_was_fitted_on() {
        let mut random = Random::new(3);
        let pulses: Vec<Observation> = (0..2000)
            .map(|_| {
                let error = 9.0 + 2.0 * random.normal();
                observation(Some(Direction::RaPlus), 100.0, error)
            })
            .collect();
        let family = RunChain {
            drawn_from: DrawnFrom::Family,
            ..run(&pulses)
        };
        let [drawn, fitted] =
            [run(&pulses), family].map(|c| c.chain().unwrap().prepare().unwrap().mean(0, 100.0));
        // Standard error of the mean: 2/sqrt(2000) = 0.045 for both, on the same pulses.
        assert!((drawn.error_ms - fitted.error_ms).abs() < 0.05);
        assert!((drawn.delay_ms - fitted.delay_ms).abs() < 0.05);
        let few = &pulses[..3];
        let error = RunChain {
            observations: few,
            ..family
        };
        assert!(matches!(error.chain(), Err(ServoError::NoFamily { .. })));
    }

    #[test]
    fn a_trim_of_the_chain_room_requests_the_same_here() {
        let mut random = Random::new(5);
        let pulses: Vec<Observation> = (0..600)
            .map(|i| {
                let requested = [50.0, 120.0, 250.0, 500.0][i % 4];
                let error = 8.0 + 0.01 * requested + 0.00004 * requested * requested;
                observation(None, requested, error + 0.3 * random.normal())
            })
            .collect();
        let fitted =
            chain::fit_trim(&pulses, Loss::Median, chain::Below::Skip, Some(20_000), 1).unwrap();
        assert!(fitted.refined);
        let here = Trim::from(&fitted);
        for wanted_ms in (30..2000).step_by(7) {
            let there = f64::from(fitted.curve.request_us(wanted_ms * 1000)) / 1000.0;
            // The other rounds to a microsecond.
            assert!((here.request_ms(f64::from(wanted_ms)) - there).abs() <= 0.000_51);
        }
        assert_eq!(
            here.below(),
            (f64::from(fitted.shortest_us) / 1000.0, chain::Below::Skip)
        );
    }
}
