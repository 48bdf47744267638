//! Normal numbers by the ziggurat: about four times faster than by inverting the distribution
//! function, and random numbers are most of a simulation's cost.
//!
//! Marsaglia & Tsang 2000, Journal of Statistical Software 5(8), in the form of Doornik 2005, "An
//! improved ziggurat method to generate normal random samples": the layer and the place within it
//! come from different bits. The layers are computed once; the rare exponentials and logarithms
//! are those of `libm`, so that every machine draws the same numbers.

use crate::stream::{LANES, Lanes};
use stats::random::Random;
use std::sync::LazyLock;

/// Layers of equal area.
const LAYERS: usize = 256;

/// The ziggurat, whose layers end at edges `x[0] > x[1] > ... > x[LAYERS] = 0`.
#[derive(Debug)]
struct Layers {
    rows: [Row; LAYERS],
    /// The density at each edge, up to a factor.
    height: [f64; LAYERS + 1],
    /// Where the tail begins.
    tail: f64,
}

/// A layer as the quick part of a draw needs it. Places in it are counted in steps of `2^-53` of
/// its width.
#[derive(Debug, Clone, Copy)]
struct Row {
    /// Places below this lie wholly under the density.
    inside: u64,
    /// Length of a step.
    step: f64,
}

/// Steps from the middle of a layer to its edge.
const STEPS: f64 = (1u64 << 53) as f64;

/// A drawer of standard normal numbers.
#[derive(Debug, Clone, Copy)]
pub struct Normal(&'static Layers);

static TABLE: LazyLock<Layers> = LazyLock::new(Layers::new);

fn density(x: f64) -> f64 {
    libm::exp(-0.5 * x * x)
}

/// The edges that follow from a tail beginning at `r`: each layer has the area of the base, which
/// is the rectangle under the density at `r` and the tail. `None` if the layers pass the top.
fn edges(r: f64) -> Option<[f64; LAYERS + 1]> {
    let tail =
        libm::sqrt(std::f64::consts::FRAC_PI_2) * libm::erfc(r * std::f64::consts::FRAC_1_SQRT_2);
    let area = r * density(r) + tail;
    let mut x = [0.0; LAYERS + 1];
    x[0] = area / density(r);
    x[1] = r;
    for i in 2..LAYERS {
        let height = density(x[i - 1]) + area / x[i - 1];
        if height >= 1.0 {
            return None;
        }
        x[i] = libm::sqrt(-2.0 * libm::log(height));
    }
    // The topmost layer must end at or above 1: then r is too small or just right.
    (density(x[LAYERS - 1]) + area / x[LAYERS - 1] <= 1.0).then_some(x)
}

impl Layers {
    fn new() -> Self {
        // The layers fit exactly for one r; too small an r gives them too much area.
        let (mut small, mut large) = (3.0, 5.0);
        for _ in 0..100 {
            let middle = 0.5 * (small + large);
            if edges(middle).is_some() {
                large = middle;
            } else {
                small = middle;
            }
        }
        let x = edges(large).unwrap_or([0.0; LAYERS + 1]);
        let row = |i: usize| Row {
            inside: (STEPS * x[i + 1] / x[i]) as u64,
            step: x[i] / STEPS,
        };
        Self {
            rows: std::array::from_fn(row),
            height: x.map(density),
            tail: large,
        }
    }
}

/// Layer and place that random bits stand for: the lowest 8 bits and the other 54, with sign.
fn layer_and_place(bits: u64) -> (usize, i64) {
    ((bits & 0xff) as usize, (bits as i64) >> 10)
}

impl Normal {
    /// Looks up the layers, which are made at the first call.
    pub fn new() -> Self {
        Self(&TABLE)
    }

    /// A standard normal number.
    #[inline]
    pub fn draw(self, random: &mut Random) -> f64 {
        let (layer, place) = layer_and_place(random.bits());
        let row = &self.0.rows[layer];
        if place.unsigned_abs() < row.inside {
            place as f64 * row.step
        } else {
            // By value, so that the generator can stay in the processor's registers.
            let (number, after) = self.edge(random.clone(), layer, place);
            *random = after;
            number
        }
    }

    /// Fills `numbers` with standard normal numbers.
    #[inline]
    pub fn fill<'a>(self, random: &mut Random, numbers: impl IntoIterator<Item = &'a mut f64>) {
        // A copy of the generator can stay in the processor's registers.
        let mut own = random.clone();
        for number in numbers {
            *number = self.draw(&mut own);
        }
        *random = own;
    }

    /// The 1.2 % of the draws that fall near an edge.
    #[cold]
    fn edge(self, mut random: Random, layer: usize, place: i64) -> (f64, Random) {
        let (mut layer, mut place) = (layer, place);
        loop {
            let row = &self.0.rows[layer];
            let x = place as f64 * row.step;
            if place.unsigned_abs() < row.inside {
                return (x, random);
            }
            if layer == 0 {
                // Marsaglia 1964: the tail by an exponential and a rejection.
                loop {
                    let beyond = random.exponential() / self.0.tail;
                    if 2.0 * random.exponential() > beyond * beyond {
                        return ((self.0.tail + beyond).copysign(x), random);
                    }
                }
            }
            let low = self.0.height[layer];
            let high = self.0.height[layer + 1];
            if low + random.uniform() * (high - low) < density(x) {
                return (x, random);
            }
            (layer, place) = layer_and_place(random.bits());
        }
    }
}

/// Numbers of a stream that are drawn in one go.
const AHEAD: usize = 32;

/// Standard normal numbers of the trials side by side. They are drawn ahead, one stream after the
/// other, for a generator whose state stays in the processor's registers takes half the time.
#[derive(Debug, Clone)]
pub(crate) struct Normals {
    randoms: [Random; LANES],
    ahead: [[f64; LANES]; AHEAD],
    next: usize,
}

impl Normals {
    /// Draws from these streams, which serve nothing else.
    pub fn new(randoms: [Random; LANES]) -> Self {
        Self {
            randoms,
            ahead: [[0.0; LANES]; AHEAD],
            next: AHEAD,
        }
    }

    /// The next number of each stream.
    #[inline]
    pub fn draw(&mut self) -> Lanes {
        if self.next >= AHEAD {
            self.refill();
        }
        self.next += 1;
        Lanes::new(self.ahead[self.next - 1])
    }

    #[inline(never)]
    fn refill(&mut self) {
        let normal = Normal::new();
        for (lane, random) in self.randoms.iter_mut().enumerate() {
            normal.fill(
                random,
                self.ahead.iter_mut().map(|numbers| &mut numbers[lane]),
            );
        }
        self.next = 0;
    }
}

impl Default for Normal {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stats::special::normal_cdf;

    #[test]
    fn the_tail_begins_where_marsaglia_and_tsang_print_it() {
        // 3.6541528853610088 for 256 layers, in the code of the paper of 2000 (from memory; the
        // next test does not rest on it).
        assert!((Normal::new().0.tail - 3.654_152_885_361_009).abs() < 1e-9);
    }

    #[test]
    fn draws_have_the_normal_distribution_in_body_and_tails() {
        let normal = Normal::new();
        let mut random = Random::new(1);
        let n = 4_000_000;
        let bounds = [
            -4.5, -3.8, -3.0, -2.0, -1.0, -0.3, 0.0, 0.3, 1.0, 2.0, 3.0, 3.8, 4.5,
        ];
        let mut below = [0u32; 13];
        let (mut square, mut fourth) = (0.0, 0.0);
        for _ in 0..n {
            let z = normal.draw(&mut random);
            square += z * z;
            fourth += z * z * z * z;
            for (count, bound) in below.iter_mut().zip(bounds) {
                *count += u32::from(z <= bound);
            }
        }
        for (count, bound) in below.iter().zip(bounds) {
            let p = normal_cdf(bound);
            let error = (p * (1.0 - p) / f64::from(n)).sqrt();
            // Four and a half standard errors, for 13 bounds.
            let miss = (f64::from(*count) / f64::from(n) - p).abs();
            assert!(miss < 4.5 * error, "{bound}: {miss} of {error}");
        }
        // Variances of z^2 and z^4 are 2 and 96.
        assert!((square / f64::from(n) - 1.0).abs() < 4.0 * (2.0 / f64::from(n)).sqrt());
        assert!((fourth / f64::from(n) - 3.0).abs() < 4.0 * (96.0 / f64::from(n)).sqrt());
    }
}
