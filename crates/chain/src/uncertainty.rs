//! The uncertainty budget by the GUM (JCGM 100:2008): one row a component, combined by the root of
//! the sum of squares, expanded with k = 2.

use serde::{Deserialize, Serialize};

use crate::quantity::significant;

/// Coverage factor of the expanded uncertainty (JCGM 100:2008, 6.3).
const COVERAGE_FACTOR: f64 = 2.0;

/// How the instants of the edges were taken.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sampling {
    /// Time stamps of edges in steps: each instant is off by up to half a step.
    Edges,
    /// Samples of a voltage with instants interpolated between them; the step is the sample
    /// interval, and `transition_s` the median 10-90 % duration of a transition, in seconds.
    Interpolated {
        /// Seconds; `None` where it isn't known.
        transition_s: Option<f64>,
    },
    /// Widths measured elsewhere and written in steps: each width is off by up to half a step.
    Widths,
}

/// What is known of the instrument that timed the wire.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Instrument {
    /// Step of its time stamps, or its sample interval, ms.
    pub resolution_ms: f64,
    /// How the instants were taken.
    pub sampling: Sampling,
    /// Greatest error of its timebase, parts per million.
    pub timebase_ppm: f64,
    /// Greatest error of a width from the threshold and the shape of the edges, ms; `None` takes it
    /// from the transitions of an analogue capture, or else the usual one.
    pub edge_ms: Option<f64>,
}

/// Greatest width error from unequal delays of rising and falling edges in a digital input, ms: 5 us
/// (common practice, no source).
const USUAL_EDGE_MS: f64 = 0.005;
/// How far the reference level may lie from the true 50 % level, as a share of the amplitude
/// (common practice, no source).
const LEVEL_SHARE: f64 = 0.05;
/// Share of the amplitude between the 10 % and the 90 % level.
const TRANSITION_SHARE: f64 = 0.8;
/// Where a transition holds at least this many samples, linear interpolation is off by less than a
/// tenth of the sample interval; checked on synthetic captures in this crate's tests.
const SAMPLES_TO_INTERPOLATE: f64 = 2.0;

/// Type A: from the scatter of the pulses. Type B: from anything else (JCGM 100:2008, 2.3.2, 2.3.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// From statistics.
    A,
    /// From other knowledge.
    B,
}

/// One component.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetRow {
    /// What it is.
    pub component: String,
    /// Type A or B.
    pub kind: Kind,
    /// The distribution it is taken to have.
    pub distribution: String,
    /// Its standard uncertainty, ms.
    pub standard_ms: f64,
    /// How it was computed.
    pub how: String,
}

impl BudgetRow {
    /// A component of type B of which a bound alone is known: rectangular within `half_width_ms` either
    /// side (JCGM 100:2008, 4.3.7).
    pub fn rectangular(component: &str, half_width_ms: f64, how: String) -> BudgetRow {
        BudgetRow::of_bound(component, "rectangular", half_width_ms / 3f64.sqrt(), how)
    }

    /// The difference of two instants, each rectangular within half a step, is triangular within a
    /// step: its standard deviation is step / sqrt(6).
    fn of_two_stamps(component: &str, step_ms: f64, how: String) -> BudgetRow {
        BudgetRow::of_bound(component, "triangular", step_ms / 6f64.sqrt(), how)
    }

    fn of_bound(component: &str, distribution: &str, standard_ms: f64, how: String) -> BudgetRow {
        BudgetRow {
            component: component.into(),
            kind: Kind::B,
            distribution: distribution.into(),
            standard_ms,
            how,
        }
    }
}

/// The budget of one number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Which number.
    pub quantity: String,
    /// The components.
    pub rows: Vec<BudgetRow>,
    /// Combined standard uncertainty, ms.
    pub combined_ms: f64,
    /// k.
    pub coverage_factor: f64,
    /// Expanded uncertainty, ms.
    pub expanded_ms: f64,
}

impl Budget {
    /// The budget of a median width error. `requested_ms` is the longest requested width that takes
    /// part, `median_se_ms` the standard error of the median and `n` the pulses.
    pub fn of_median(
        quantity: String,
        instrument: &Instrument,
        requested_ms: f64,
        median_se_ms: Option<f64>,
        n: u64,
    ) -> Budget {
        Budget::of_rows(quantity, instrument.rows(requested_ms), median_se_ms, n)
    }

    /// The budget of a median of `n` values from the components of the instrument and the standard
    /// error of the median.
    pub fn of_rows(
        quantity: String,
        mut rows: Vec<BudgetRow>,
        median_se_ms: Option<f64>,
        n: u64,
    ) -> Budget {
        if let Some(standard_ms) = median_se_ms {
            rows.push(BudgetRow {
                component: "number of pulses".into(),
                kind: Kind::A,
                distribution: "sampling distribution of the median".into(),
                standard_ms,
                how: format!("exact bootstrap of the median of {n} (Hutson & Ernst 2000)"),
            });
        }
        let combined_ms = rows
            .iter()
            .map(|r| r.standard_ms.powi(2))
            .sum::<f64>()
            .sqrt();
        Budget {
            quantity,
            rows,
            combined_ms,
            coverage_factor: COVERAGE_FACTOR,
            expanded_ms: COVERAGE_FACTOR * combined_ms,
        }
    }
}

impl Instrument {
    /// The rows of type B for a width of about `width_ms`.
    fn rows(&self, width_ms: f64) -> Vec<BudgetRow> {
        let step = self.resolution_ms;
        let stamps = match self.sampling {
            Sampling::Edges => BudgetRow::of_two_stamps(
                "time stamps",
                step,
                format!("step {} ms / sqrt(6)", significant(step)),
            ),
            Sampling::Widths => BudgetRow::rectangular(
                "time stamps",
                step / 2.0,
                format!(
                    "widths written in steps of {} ms: half a step / sqrt(3)",
                    significant(step)
                ),
            ),
            Sampling::Interpolated { transition_s } => {
                let samples = transition_s.map_or(0.0, |s| s * 1000.0 / step);
                let (share, why) = if samples >= SAMPLES_TO_INTERPOLATE {
                    (0.1, "a tenth of it, for the transitions are interpolated")
                } else {
                    (
                        1.0,
                        "all of it, for the transitions fall between two samples",
                    )
                };
                BudgetRow::of_two_stamps(
                    "sampling",
                    share * step,
                    format!("sample interval {} ms, {why}, / sqrt(6)", significant(step)),
                )
            }
        };
        let timebase = BudgetRow::rectangular(
            "timebase",
            self.timebase_ppm * 1e-6 * width_ms,
            format!(
                "{} ppm of {width_ms} ms / sqrt(3)",
                significant(self.timebase_ppm)
            ),
        );
        let edge = match (self.edge_ms, self.sampling) {
            (Some(ms), _) => BudgetRow::rectangular(
                "threshold and edge",
                ms,
                format!("{} ms as given / sqrt(3)", significant(ms)),
            ),
            (
                None,
                Sampling::Interpolated {
                    transition_s: Some(s),
                },
            ) => {
                let half = 2.0 * LEVEL_SHARE / TRANSITION_SHARE * s * 1000.0;
                BudgetRow::rectangular(
                    "threshold and edge",
                    half,
                    format!(
                        "reference level within {} % on both transitions of {} ms (10-90 %) / sqrt(3)",
                        LEVEL_SHARE * 100.0,
                        significant(s * 1000.0)
                    ),
                )
            }
            (None, _) => BudgetRow::rectangular(
                "threshold and edge",
                USUAL_EDGE_MS,
                format!(
                    "{USUAL_EDGE_MS} ms between rising and falling edges (common practice, no source) / sqrt(3)"
                ),
            ),
        };
        vec![stamps, timebase, edge]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stats::random::Random;

    fn instrument(sampling: Sampling) -> Instrument {
        Instrument {
            resolution_ms: 0.5,
            sampling,
            timebase_ppm: 100.0,
            edge_ms: Some(0.0),
        }
    }

    #[test]
    fn a_budget_is_the_root_of_the_sum_of_squares_twice() {
        // JCGM 100:2008, equation (10) with unit sensitivities, and 6.2.1 with k = 2.
        let budget = Budget::of_median(
            "x".into(),
            &instrument(Sampling::Edges),
            500.0,
            Some(0.3),
            9,
        );
        let expected = (0.5f64.powi(2) / 6.0 + 0.05f64.powi(2) / 3.0 + 0.09).sqrt();
        assert!((budget.combined_ms - expected).abs() < 1e-15);
        assert_eq!(budget.expanded_ms, 2.0 * budget.combined_ms);
        assert_eq!(budget.rows.len(), 4);
    }

    #[test]
    fn the_time_stamp_row_is_what_rounding_both_edges_does() {
        // A second derivation: round both edges of random widths to the step and take the standard
        // deviation of the error. 200,000 draws know it to 0.2 %; four times that is allowed.
        let mut random = Random::new(7);
        let n = 200_000;
        let step = 0.5;
        let sum: f64 = (0..n)
            .map(|_| {
                let start = random.uniform() * 1000.0;
                let end = start + 100.0 + random.uniform() * 10.0;
                let stamp = |t: f64| (t / step).round() * step;
                ((stamp(end) - stamp(start)) - (end - start)).powi(2)
            })
            .sum();
        let row = &instrument(Sampling::Edges).rows(100.0)[0];
        assert!((row.standard_ms / (sum / n as f64).sqrt() - 1.0).abs() < 0.008);
    }

    #[test]
    fn interpolation_is_off_by_less_than_its_row_says() {
        // Raised-cosine transitions sampled at random phase, instants by linear interpolation at
        // 50 %: the root mean square of the width error must be below the row.
        let mut random = Random::new(11);
        for samples_in_transition in [2.0, 3.0, 10.0] {
            let step = 0.5;
            let ramp = samples_in_transition * step / 0.59; // 10-90 % of a raised cosine is 0.59 of it
            let edge = |random: &mut Random| {
                let phase = random.uniform() * step;
                let level = |t: f64| {
                    let u = (t / ramp + 0.5).clamp(0.0, 1.0);
                    0.5 - 0.5 * (std::f64::consts::PI * u).cos()
                };
                let mut t = phase - 100.0 * step;
                while level(t + step) < 0.5 {
                    t += step;
                }
                t + step * (0.5 - level(t)) / (level(t + step) - level(t))
            };
            let n = 20_000;
            let sum: f64 = (0..n)
                .map(|_| (edge(&mut random) - edge(&mut random)).powi(2))
                .sum();
            let sampling = Sampling::Interpolated {
                transition_s: Some(samples_in_transition * step / 1000.0),
            };
            let row = &instrument(sampling).rows(100.0)[0];
            assert!((sum / f64::from(n)).sqrt() <= row.standard_ms);
        }
    }
}
