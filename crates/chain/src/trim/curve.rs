//! The curve from the wanted to the requested width, in whole microseconds.

use serde::{Deserialize, Serialize};

/// A point of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Knot {
    /// Width wanted, us.
    pub wanted_us: i32,
    /// Width to request, us.
    pub request_us: i32,
}

/// Straight lines between knots, going on beyond the first and the last. Both coordinates of the knots
/// ascend, so the curve does.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Curve {
    knots: Vec<Knot>,
}

impl Curve {
    /// A curve through at least two knots, of which those that don't ascend in both coordinates are left
    /// out. `None` where fewer than two remain.
    pub fn new(knots: impl IntoIterator<Item = Knot>) -> Option<Curve> {
        let mut kept: Vec<Knot> = Vec::new();
        for knot in knots {
            let ascends = kept.last().is_none_or(|last| {
                knot.wanted_us > last.wanted_us && knot.request_us > last.request_us
            });
            if ascends {
                kept.push(knot);
            }
        }
        (kept.len() >= 2).then_some(Curve { knots: kept })
    }

    /// Its knots.
    pub fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// The steepest of its pieces: microseconds of request for each of wanted width.
    pub fn steepest(&self) -> f64 {
        let slope = |pair: &[Knot]| {
            f64::from(pair[1].request_us - pair[0].request_us)
                / f64::from(pair[1].wanted_us - pair[0].wanted_us)
        };
        self.knots.windows(2).map(slope).fold(0.0, f64::max)
    }

    /// The shortest wanted width whose request is not 0, us.
    pub fn shortest_us(&self) -> u32 {
        // The curve never falls, so halving finds it.
        let (mut nothing, mut something) = (0, u32::MAX);
        while something - nothing > 1 {
            let middle = nothing + (something - nothing) / 2;
            if self.request_us(middle) == 0 {
                nothing = middle;
            } else {
                something = middle;
            }
        }
        something
    }

    /// The width to request, us, to the nearest; never below 0 nor above `u32::MAX`. This is the
    /// reference that the exports are held to, step by step.
    pub fn request_us(&self, wanted_us: u32) -> u32 {
        let wanted = i64::from(wanted_us);
        let last = self.knots.len() - 2;
        let piece = (0..last)
            .find(|&i| wanted < i64::from(self.knots[i + 1].wanted_us))
            .unwrap_or(last);
        let (a, b) = (self.knots[piece], self.knots[piece + 1]);
        let run = i64::from(b.wanted_us) - i64::from(a.wanted_us);
        let rise = i64::from(b.request_us) - i64::from(a.request_us);
        // To the nearest, by a division that rounds down: half a step is added before it.
        let above = (2 * (wanted - i64::from(a.wanted_us)) * rise + run).div_euclid(2 * run);
        (i64::from(a.request_us) + above).clamp(0, i64::from(u32::MAX)) as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn curve(points: &[(i32, i32)]) -> Curve {
        let knots = points.iter().map(|&(wanted_us, request_us)| Knot {
            wanted_us,
            request_us,
        });
        Curve::new(knots).unwrap()
    }

    #[test]
    fn it_goes_through_its_knots_and_on_beyond_them() {
        let c = curve(&[(62_000, 50_000), (262_000, 250_000), (513_000, 500_000)]);
        assert_eq!(c.request_us(62_000), 50_000);
        assert_eq!(c.request_us(262_000), 250_000);
        assert_eq!(c.request_us(513_000), 500_000);
        assert_eq!(c.request_us(162_000), 150_000);
        // Beyond the last: 250/251 of a microsecond for each.
        assert_eq!(c.request_us(764_000), 750_000);
        assert_eq!(c.request_us(12_000), 0);
        assert_eq!(c.request_us(5_000), 0);
    }

    #[test]
    fn a_curve_that_would_fall_is_not_made() {
        let knot = |wanted_us, request_us| Knot {
            wanted_us,
            request_us,
        };
        assert_eq!(Curve::new([knot(5, 5), knot(5, 6), knot(4, 9)]), None);
        let c = Curve::new([knot(1, 1), knot(3, 2), knot(2, 3), knot(9, 9)]).unwrap();
        assert_eq!(c.knots().len(), 3);
    }

    proptest! {
        #[test]
        fn it_never_falls_and_is_off_by_half_a_microsecond_at_most(
            steps in prop::collection::vec((1i32..400_000, 1i32..400_000), 2..8),
            wanted in 0u32..6_000_000,
        ) {
            let mut at = (0, 0);
            let points: Vec<(i32, i32)> = steps
                .iter()
                .map(|(run, rise)| {
                    at = (at.0 + run, at.1 + rise);
                    at
                })
                .collect();
            let c = curve(&points);
            prop_assert!(c.request_us(wanted) <= c.request_us(wanted + 1));
            let x = f64::from(wanted);
            let piece = points
                .windows(2)
                .position(|w| x < f64::from(w[1].0))
                .unwrap_or(points.len() - 2);
            let (a, b) = (points[piece], points[piece + 1]);
            let exact = f64::from(a.1)
                + (x - f64::from(a.0)) * f64::from(b.1 - a.1) / f64::from(b.0 - a.0);
            // What 32 bits hold is all that can be asked for.
            let exact = exact.clamp(0.0, f64::from(u32::MAX));
            prop_assert!((f64::from(c.request_us(wanted)) - exact).abs() <= 0.5 + 1e-6);
        }
    }
}
