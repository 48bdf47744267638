//! Order statistics of the slopes of all pairs of points, for many points.
//!
//! Two points of ascending x have a slope below t just where y - t x puts them in the reverse
//! order. So the slopes below t are counted as the inversions that sorting by y - t x removes,
//! and the slopes within t1..t2 are the inversions between two such orders. A random sample of
//! the slopes gives bounds that most likely hold the wanted one, interpolation narrows them, and
//! sorting from bound to bound counts, samples or lists what lies between (Matousek 1991,
//! Information Processing Letters 39:183-187; Dillencourt, Mount & Netanyahu 1992, International
//! Journal of Computational Geometry & Applications 2:1-27). The guesses decide the speed, not
//! the result.
//!
//! Rounding: y - t x is rounded, so a pair may be taken for one on the other side of t when its
//! slope is within err(t)/dx of t. Pairs with a tiny dx are therefore kept on a list of their
//! own and never counted by inversions. For all others that distance is at most `blur(t)`. The
//! wanted slope is selected from a list of directly computed slopes; if it is not within the blur
//! of a bound, its rank is right. If it is, or if more pairs than can be listed lie between bounds
//! that are only a few blurs apart, other bounds are tried, at last with y - t x in twice the
//! digits.

mod keys;
mod near;

use std::marker::PhantomData;

use super::inversions;
use crate::random::Random;
use crate::robust::pairs::{guesses_for, select_ascending};
use keys::{Keys, Plain, Twofold};
use near::Near;

/// The slopes sampled are half as many as the points, within these limits; in tests few, so that
/// few points go through all rounds.
const SAMPLE_LIMITS: (usize, usize) = (if cfg!(test) { 1 << 10 } else { 1 << 16 }, 1 << 19);
/// Bounds lie this many times the root of the sample's size from the wanted rank: three standard
/// deviations of the rank of a simple random sample at its middle.
const MARGIN: f64 = 1.5;
/// As many slopes as are listed without more ado; few in tests, too.
const LISTED_AT_LEAST: u64 = if cfg!(test) { 1 << 10 } else { 1 << 20 };
/// Narrowings after which the sample has to do. Three or four are usual.
const MOST_ROUNDS: u8 = 40;
/// Searches with other bounds, for each kind of keys, when rounding leaves a doubt.
const TRIES: usize = 2;
/// The sample decides the speed and not the result, so any seed will do.
const SEED: u64 = 0x5EED_7E11_5E40;

/// Slope of two points with different x.
pub(super) fn slope(a: &(f64, f64), b: &(f64, f64)) -> f64 {
    (b.1 - a.1) / (b.0 - a.0)
}

/// Slopes of the given ascending places (from 0) among all pairs of points with different x.
/// The points ascend in x, then y.
///
/// Exact, except where more slopes than a million and four times the points differ by less than
/// some 30 units in the last place: one of them is given then.
pub(super) fn select(points: &[(f64, f64)], places: &[u64]) -> Vec<f64> {
    let orders: Vec<u64> = places.iter().map(|p| p + 1).collect();
    let mut random = Random::new(SEED);
    let (plain, sure) = Search::<Plain>::new(points).run(&orders, &mut random);
    if sure {
        return plain;
    }
    Search::<Twofold>::new(points).run(&orders, &mut random).0
}

/// Two bounds and how many slopes of far pairs lie below the first and between them.
#[derive(Debug, Clone, Copy)]
struct Bracket {
    low: f64,
    high: f64,
    below: u64,
    inside: u64,
    /// How many narrowings led here.
    round: u8,
    /// How many interpolations to try before the next sample.
    guesses: u8,
}

/// A bound, and whether so few slopes are expected between the one before and it that they are
/// listed on the way.
#[derive(Debug, Clone, Copy)]
struct Bound {
    at: f64,
    listed: bool,
}

/// The points in some order, with keys for some t.
type Order<K> = Vec<<K as Keys>::Entry>;

struct Search<K: Keys> {
    /// As given, or in the order at some bound.
    points: Vec<(f64, f64)>,
    /// The points as the keys want them.
    placed: Vec<(f64, f64)>,
    /// The greatest |x| and |y| among them.
    reach: (f64, f64),
    /// Pairs that are never counted by inversions.
    near: Near,
    most_listed: u64,
    sample_size: usize,
    /// Orders and their slopes.
    found: Vec<(u64, f64)>,
    /// Whether rounding may have misplaced a slope that was found.
    doubtful: bool,
    keys: PhantomData<K>,
}

impl<K: Keys> Search<K> {
    fn new(points: &[(f64, f64)]) -> Self {
        let n = points.len();
        let placed = K::place(points);
        let reach = placed.iter().fold((0f64, 0f64), |reach, p| {
            (reach.0.max(p.0.abs()), reach.1.max(p.1.abs()))
        });
        Self {
            points: points.to_vec(),
            placed,
            reach,
            near: Near::new(points),
            most_listed: LISTED_AT_LEAST.max(4 * n as u64),
            sample_size: (n / 2).clamp(SAMPLE_LIMITS.0, SAMPLE_LIMITS.1),
            found: Vec::new(),
            doubtful: false,
            keys: PhantomData,
        }
    }

    /// The slopes of the given ascending orders, and whether they are beyond doubt.
    fn run(mut self, orders: &[u64], random: &mut Random) -> (Vec<f64>, bool) {
        let whole = Bracket {
            low: f64::NEG_INFINITY,
            high: f64::INFINITY,
            below: 0,
            inside: self.near.far_pairs,
            round: 0,
            guesses: 0,
        };
        for _ in 0..TRIES {
            self.found.clear();
            self.doubtful = false;
            self.solve(self.own_order(whole.low), whole, orders, random);
            if !self.doubtful {
                break;
            }
        }
        self.found.sort_unstable_by_key(|found| found.0);
        let value_of = |order: &u64| {
            let at = self.found.partition_point(|found| found.0 < *order);
            self.found[at].1
        };
        (orders.iter().map(value_of).collect(), !self.doubtful)
    }

    /// The same search with the points numbered as they stand in `order`: they lie side by side
    /// in memory, then, when they are close in order.
    fn renumbered(&self, order: &Order<K>) -> Self {
        let numbers: Vec<usize> = order.iter().map(|e| K::number(*e) as usize).collect();
        let mut place = vec![0u32; numbers.len()];
        for (new, &old) in numbers.iter().enumerate() {
            place[old] = new as u32;
        }
        Self {
            points: numbers.iter().map(|&i| self.points[i]).collect(),
            placed: numbers.iter().map(|&i| self.placed[i]).collect(),
            near: self.near.renumbered(&place),
            found: Vec::new(),
            doubtful: false,
            ..*self
        }
    }

    fn slope(&self, i: u32, j: u32) -> f64 {
        slope(&self.points[i as usize], &self.points[j as usize])
    }

    fn is_far(&self, i: u32, j: u32) -> bool {
        (self.points[i as usize].0 - self.points[j as usize].0).abs() >= self.near.dx
    }

    /// Bound on how far from `t` the slope of a far pair can be that rounding puts on the wrong
    /// side of `t`: that of the key, over the least dx, and that of the slope itself.
    fn blur(&self, t: f64) -> f64 {
        if t.is_infinite() {
            return 0.0;
        }
        let terms = self.reach.1 + t.abs() * self.reach.0;
        terms * K::ROUNDING / self.near.dx + 2.0 * f64::EPSILON * t.abs()
    }

    fn entry(&self, t: f64, i: u32) -> K::Entry {
        K::entry(self.placed[i as usize], t, i)
    }

    /// The points' own order, with keys for `t`.
    fn own_order(&self, t: f64) -> Order<K> {
        (0..self.points.len() as u32)
            .map(|i| self.entry(t, i))
            .collect()
    }

    /// Gives the order new keys, and leaves it unsorted.
    fn rekey(&self, order: &mut Order<K>, t: f64) {
        for entry in order.iter_mut() {
            *entry = self.entry(t, K::number(*entry));
        }
    }

    /// Sorts the order at one bound into that at the next; how many far slopes lie between.
    fn advance(&self, order: &mut Order<K>, from: f64, to: f64) -> u64 {
        self.rekey(order, to);
        inversions::count(order) - self.near_between(from, to)
    }

    /// How many near pairs the orders at two bounds put differently.
    fn near_between(&self, from: f64, to: f64) -> u64 {
        let turned = |t: f64, i: u32, j: u32| self.entry(t, j) < self.entry(t, i);
        self.near
            .pairs
            .iter()
            .filter(|&&(i, j)| turned(from, i, j) != turned(to, i, j))
            .count() as u64
    }

    /// As [`Self::advance`], and lists the slopes unless there are more than `most`.
    fn advance_and_list(
        &self,
        order: &mut Order<K>,
        from: f64,
        to: f64,
        most: u64,
    ) -> (u64, Vec<f64>) {
        self.rekey(order, to);
        let mut slopes = Vec::new();
        let mut count = 0;
        inversions::sort(order, |passed, item| {
            count += passed.len() as u64;
            if count > most {
                return;
            }
            let j = K::number(item);
            for &other in passed {
                let i = K::number(other);
                if self.is_far(i, j) {
                    slopes.push(self.slope(i, j));
                }
            }
        });
        if count > most {
            (count - self.near_between(from, to), Vec::new())
        } else {
            (slopes.len() as u64, slopes)
        }
    }

    /// A random sample of the far slopes in the bracket, ascending. `order` is that at its lower
    /// bound. One is drawn of each `inside`/`sample_size` of them as they turn up.
    fn sample(&self, mut order: Order<K>, bracket: &Bracket, random: &mut Random) -> Vec<f64> {
        let mut slopes = Vec::with_capacity(self.sample_size + 1);
        if bracket.round == 0 {
            // All pairs: no need to sort.
            let n = self.points.len() as u64;
            while slopes.len() < self.sample_size {
                let (i, j) = (random.below(n) as u32, random.below(n) as u32);
                if i != j && self.is_far(i, j) {
                    slopes.push(self.slope(i, j));
                }
            }
            return crate::order::sort(slopes);
        }
        let stride = (bracket.inside / self.sample_size as u64).max(1);
        let mut until_next = random.below(stride);
        let mut rest_of_stride = stride - until_next;
        self.rekey(&mut order, bracket.high);
        inversions::sort(&mut order, |passed, item| {
            let mut left = passed.len() as u64;
            let mut at = 0;
            while until_next < left {
                at += until_next;
                left -= until_next;
                let (i, j) = (K::number(passed[at as usize]), K::number(item));
                if self.is_far(i, j) {
                    slopes.push(self.slope(i, j));
                }
                let next = random.below(stride);
                until_next = rest_of_stride + next;
                rest_of_stride = stride - next;
            }
            until_next -= left;
        });
        crate::order::sort(slopes)
    }

    /// How many slopes, near ones included, lie below a bound with `far_below` far ones below.
    fn all_below(&self, far_below: u64, bound: f64) -> u64 {
        far_below + self.near.slopes.partition_point(|&s| s < bound) as u64
    }

    /// Finds the slopes of the given orders (among all slopes), of which all lie in the bracket.
    /// `order` is that at its lower bound.
    fn solve(&mut self, order: Order<K>, bracket: Bracket, orders: &[u64], random: &mut Random) {
        if bracket.inside <= self.most_listed {
            self.list_and_select(order, &bracket, orders);
            return;
        }
        let below = self.all_below(bracket.below, bracket.low);
        let above = self.all_below(bracket.below + bracket.inside, bracket.high);
        let share = |k: u64| k.saturating_sub(below) as f64 / (above - below).max(1) as f64;
        let tied =
            bracket.high - bracket.low <= 8.0 * self.blur(bracket.low).max(self.blur(bracket.high));
        let finite = (bracket.high - bracket.low).is_finite();
        if bracket.guesses > 0 && finite && !tied {
            let bounds = self.interpolated(&bracket, orders, share);
            self.walk(order, bracket, &bounds, bracket.guesses - 1, orders, random);
            return;
        }
        let sample = self.sample(order.clone(), &bracket, random);
        if tied || bracket.round >= MOST_ROUNDS || sample.is_empty() {
            // A sample of one value only leaves no doubt: most often it is 0, of values that are
            // coarse.
            self.doubtful |= sample.first() != sample.last();
            let last = sample.len().saturating_sub(1);
            for &k in orders {
                let at = ((share(k) * sample.len() as f64) as usize).min(last);
                let value = sample.get(at).copied().unwrap_or(bracket.low);
                self.found.push((k, value));
            }
            return;
        }
        let bounds = self.sampled(&bracket, orders, &sample, share);
        let size = sample.len() as f64;
        let (first, last) = (share(orders[0]), share(orders[orders.len() - 1]));
        let margin = MARGIN * size.sqrt();
        let guesses = guesses_for(&sample, first * size - margin, last * size + margin);
        self.walk(order, bracket, &bounds, guesses, orders, random);
    }

    /// Bounds about each order's place in the sample.
    fn sampled(
        &self,
        bracket: &Bracket,
        orders: &[u64],
        sample: &[f64],
        share: impl Fn(u64) -> f64,
    ) -> Vec<Bound> {
        let size = sample.len() as f64;
        let margin = MARGIN * size.sqrt();
        let rank = |k: u64| share(k) * size;
        let mut bounds = Vec::new();
        for near in orders.chunk_by(|a, b| rank(*b) - rank(*a) < 2.0 * margin) {
            let low = rank(near[0]) - margin;
            let high = rank(near[near.len() - 1]) + margin;
            if low >= 0.0 {
                bounds.push(self.under(sample[low as usize]));
            }
            if high < size {
                bounds.push(self.over(sample[high as usize]));
            }
        }
        // A slope that many pairs share gets bounds of its own, or the bracket would never
        // shrink below what shares it.
        if let Some(value) = most_common(sample) {
            bounds.push(self.under(value));
            bounds.push(self.over(value));
        }
        let bounds = bounds.into_iter().map(|at| Bound { at, listed: false });
        tidy(bounds.collect(), bracket)
    }

    /// Bounds about where each order would be if the slopes lay evenly.
    fn interpolated(
        &self,
        bracket: &Bracket,
        orders: &[u64],
        share: impl Fn(u64) -> f64,
    ) -> Vec<Bound> {
        let window = self.points.len() as f64 / bracket.inside as f64;
        let value = |share: f64| bracket.low + share * (bracket.high - bracket.low);
        let mut bounds = Vec::new();
        for near in orders.chunk_by(|a, b| share(*b) - share(*a) < window) {
            let low = share(near[0]) - window;
            let high = share(near[near.len() - 1]) + window;
            bounds.push(Bound {
                at: self.under(value(low)),
                listed: false,
            });
            bounds.push(Bound {
                at: self.over(value(high)),
                listed: true,
            });
        }
        tidy(bounds, bracket)
    }

    fn under(&self, value: f64) -> f64 {
        value - 2.0 * self.blur(value)
    }

    fn over(&self, value: f64) -> f64 {
        value + 2.0 * self.blur(value)
    }

    /// Goes from bound to bound and solves each stretch that holds an order.
    fn walk(
        &mut self,
        mut order: Order<K>,
        bracket: Bracket,
        bounds: &[Bound],
        guesses: u8,
        mut orders: &[u64],
        random: &mut Random,
    ) {
        let mut low = bracket.low;
        let mut below = bracket.below;
        for bound in bounds {
            if orders.is_empty() {
                return;
            }
            let high = bound.at;
            let most = if bound.listed {
                2 * self.most_listed
            } else {
                0
            };
            // Copies cost time: they are kept where a stretch is likely to be narrowed.
            let kept = (bracket.guesses == 0 && low.is_finite()).then(|| order.clone());
            let mut listed = Vec::new();
            let inside = if bound.listed {
                let (count, slopes) = self.advance_and_list(&mut order, low, high, most);
                listed = slopes;
                count
            } else if high == bracket.high {
                bracket.below + bracket.inside - below
            } else {
                self.advance(&mut order, low, high)
            };
            let upto = self.all_below(below + inside, high);
            let (here, rest) = orders.split_at(orders.partition_point(|&k| k <= upto));
            orders = rest;
            let stretch = Bracket {
                low,
                high,
                below,
                inside,
                round: bracket.round + 1,
                guesses,
            };
            if here.is_empty() {
                // Nothing is wanted of this stretch.
            } else if bound.listed && inside <= most {
                self.select(listed, &stretch, here);
            } else {
                let start = kept.unwrap_or_else(|| {
                    let mut start = order.clone();
                    self.rekey(&mut start, low);
                    start.sort_unstable();
                    start
                });
                if bracket.round == 0 && low.is_finite() {
                    let mut inner = self.renumbered(&start);
                    inner.solve(inner.own_order(low), stretch, here, random);
                    self.found.append(&mut inner.found);
                    self.doubtful |= inner.doubtful;
                } else {
                    self.solve(start, stretch, here, random);
                }
            }
            low = high;
            below += inside;
        }
    }

    fn list_and_select(&mut self, mut order: Order<K>, bracket: &Bracket, orders: &[u64]) {
        let (_, slopes) = self.advance_and_list(&mut order, bracket.low, bracket.high, u64::MAX);
        self.select(slopes, bracket, orders);
    }

    /// Selects from the listed far slopes of a bracket.
    fn select(&mut self, mut slopes: Vec<f64>, bracket: &Bracket, orders: &[u64]) {
        // Near slopes below the bracket fill the lowest places of the list.
        slopes.extend_from_slice(&self.near.slopes);
        let last = slopes.len().saturating_sub(1);
        let places = orders
            .iter()
            .map(|&k| ((k - 1).saturating_sub(bracket.below) as usize).min(last));
        let mut values = Vec::with_capacity(orders.len());
        select_ascending(&mut slopes, places, &mut values);
        for &value in &values {
            for bound in [bracket.low, bracket.high] {
                self.doubtful |= (value - bound).abs() <= self.blur(bound);
            }
        }
        self.found.extend(orders.iter().copied().zip(values));
    }
}

/// The bounds that lie within the bracket, ascending, and its upper end.
fn tidy(mut bounds: Vec<Bound>, bracket: &Bracket) -> Vec<Bound> {
    bounds.retain(|b| b.at > bracket.low && b.at < bracket.high);
    bounds.push(Bound {
        at: bracket.high,
        listed: false,
    });
    bounds.sort_by(|a, b| a.at.total_cmp(&b.at));
    bounds.dedup_by_key(|b| b.at);
    bounds
}

/// The value that more than a tenth of an ascending sample shares, if any does.
fn most_common(sample: &[f64]) -> Option<f64> {
    let step = sample.len() / 20;
    if step == 0 {
        return None;
    }
    sample
        .iter()
        .zip(&sample[step..])
        .step_by(step)
        .find(|(a, b)| a == b)
        .map(|(a, _)| *a)
}
