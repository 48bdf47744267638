//! Order statistics of all pairwise differences or slopes, without listing the pairs.
//!
//! The pairs of two ascending lists form a matrix that ascends along its rows and descends down
//! its columns, so how many of its entries lie below a bound is counted by one sweep of two
//! pointers. A stratified random sample of the entries still in question gives two bounds that
//! most likely hold the wanted order between them; a sweep at each makes sure and narrows the
//! rows. Within bounds that hold a small share the distribution is nearly even, and the next
//! rounds take their bounds by interpolation instead. What is left after a few rounds is
//! listed and selected from. The answer is exact however the bounds were guessed: they decide the
//! speed alone. (Bracketing by a sample: Floyd & Rivest
//! 1975; on such a matrix: Johnson & Mizoguchi 1978 and Rousseeuw & Croux 1993.)

use crate::random::Random;

/// Entries sampled in each round; few in tests, so that small lists go through all rounds.
const SAMPLE: u64 = if cfg!(test) { 1 << 10 } else { 1 << 16 };
/// Half-width of the bracket in sample ranks: three standard deviations of a simple random
/// sample's rank at the middle; a stratified one spreads less.
const MARGIN: f64 = 1.5 * if cfg!(test) { 32.0 } else { 256.0 };
/// Interpolations between samples: the first is off by the curvature of the distribution, the
/// second, from where the first has led, hardly.
const GUESSES: u8 = 2;
/// The sample decides the speed and not the result, so any seed will do.
const SEED: u64 = 0x5EED_0F9A_1235;

/// One matrix of entries (columns\[j\] - rows\[i\]) / divisor, both lists ascending.
struct Block<'a> {
    rows: &'a [f64],
    columns: &'a [f64],
    divisor: f64,
    /// Only entries with j > i count.
    above_diagonal: bool,
}

impl Block<'_> {
    fn entry(&self, row: usize, column: usize) -> f64 {
        (self.columns[column] - self.rows[row]) / self.divisor
    }

    fn first_column(&self, row: usize) -> usize {
        if self.above_diagonal { row + 1 } else { 0 }
    }
}

/// All pairs of one or several pairs of lists.
pub(crate) struct Pairs<'a> {
    blocks: Vec<Block<'a>>,
    rows: usize,
    count: u64,
}

/// For each row of each block the columns still in question, and how many entries lie below
/// them and within them.
#[derive(Clone)]
struct Span {
    starts: Vec<u32>,
    ends: Vec<u32>,
    below: u64,
    inside: u64,
    /// The bounds, where there are any: all entries of the span lie strictly between.
    low: Option<f64>,
    high: Option<f64>,
    /// How many interpolations to try before the next sample.
    guesses: u8,
}

impl<'a> Pairs<'a> {
    fn new(blocks: Vec<Block<'a>>) -> Self {
        let rows = blocks.iter().map(|b| b.rows.len()).sum();
        let count = blocks
            .iter()
            .map(|b| {
                let n = b.rows.len() as u64;
                if b.above_diagonal {
                    n * (n - 1) / 2
                } else {
                    n * b.columns.len() as u64
                }
            })
            .sum();
        Self {
            blocks,
            rows,
            count,
        }
    }

    /// Differences x_j - x_i, j > i, of one ascending list.
    pub(crate) fn within(values: &'a [f64]) -> Self {
        Self::new(vec![Block {
            rows: values,
            columns: values,
            divisor: 1.0,
            above_diagonal: true,
        }])
    }

    /// Differences y_j - x_i of two ascending lists.
    pub(crate) fn between(x: &'a [f64], y: &'a [f64]) -> Self {
        Self::new(vec![Block {
            rows: x,
            columns: y,
            divisor: 1.0,
            above_diagonal: false,
        }])
    }

    /// Slopes between points that share few abscissas: for each abscissa, ascending, the
    /// ascending list of its ordinates.
    pub(crate) fn slopes(groups: &'a [(f64, Vec<f64>)]) -> Self {
        let mut blocks = Vec::new();
        for (i, (x, rows)) in groups.iter().enumerate() {
            for (later_x, columns) in &groups[i + 1..] {
                blocks.push(Block {
                    rows,
                    columns,
                    divisor: later_x - x,
                    above_diagonal: false,
                });
            }
        }
        Self::new(blocks)
    }

    /// How many pairs there are.
    pub(crate) fn count(&self) -> u64 {
        self.count
    }

    /// The values of the given orders, counted from 1; orders ascend and lie within the count.
    pub(crate) fn select(&self, orders: &[u64]) -> Vec<f64> {
        let mut starts = Vec::with_capacity(self.rows);
        let mut ends = Vec::with_capacity(self.rows);
        for block in &self.blocks {
            for row in 0..block.rows.len() {
                starts.push(block.first_column(row) as u32);
                ends.push(block.columns.len() as u32);
            }
        }
        let whole = Span {
            starts,
            ends,
            below: 0,
            inside: self.count,
            low: None,
            high: None,
            guesses: 0,
        };
        let mut found = Vec::with_capacity(orders.len());
        self.solve(whole, orders, &mut Random::new(SEED), &mut found);
        found
    }

    /// Appends the values of `orders`, which all lie inside the span, to `found`.
    fn solve(&self, span: Span, orders: &[u64], random: &mut Random, found: &mut Vec<f64>) {
        if orders.is_empty() {
            return;
        }
        if span.inside <= (2 * self.rows as u64).max(2 * SAMPLE) {
            self.list_and_select(&span, orders, found);
            return;
        }
        if let (Some(low), Some(high), 1..) = (span.low, span.high, span.guesses) {
            self.interpolate(&span, (low, high), orders, random, found);
            return;
        }
        let sample = self.sample(&span, random);
        let rank =
            |order: u64| (order - span.below) as f64 / span.inside as f64 * sample.len() as f64;
        for near in orders.chunk_by(|a, b| rank(*b) - rank(*a) < 2.0 * MARGIN) {
            let low = rank(near[0]) - MARGIN;
            let high = rank(near[near.len() - 1]) + MARGIN;
            let guesses = guesses_for(&sample, low, high);
            let low = (low >= 0.0).then(|| sample[low as usize]);
            let high = (high < sample.len() as f64).then(|| sample[high as usize]);
            self.narrow(&span, near, (low, high), guesses, random, found);
        }
    }

    /// Narrows between bounds by their ranks, as if the entries lay evenly.
    fn interpolate(
        &self,
        span: &Span,
        (low, high): (f64, f64),
        orders: &[u64],
        random: &mut Random,
        found: &mut Vec<f64>,
    ) {
        // Half of what can be listed on either side.
        let window = self.rows as f64;
        let value = |rank: f64| {
            let share = rank / span.inside as f64;
            (share > 0.0 && share < 1.0).then_some(low + share * (high - low))
        };
        let rank = |order: u64| (order - span.below) as f64;
        for near in orders.chunk_by(|a, b| rank(*b) - rank(*a) < 0.5 * window) {
            let low = value(rank(near[0]) - 0.75 * window);
            let high = value(rank(near[near.len() - 1]) + 0.75 * window);
            self.narrow(span, near, (low, high), span.guesses - 1, random, found);
        }
    }

    /// Sorts orders into those below, at, between, at and above the two bounds.
    fn narrow(
        &self,
        span: &Span,
        orders: &[u64],
        (low, high): (Option<f64>, Option<f64>),
        guesses: u8,
        random: &mut Random,
        found: &mut Vec<f64>,
    ) {
        let end = span.below + span.inside;
        let mut orders = orders;
        let mut middle_below = span.below;
        let mut middle_starts = None;
        if let Some(low) = low {
            let (starts, up_to) = self.sweep(|entry| entry <= low);
            let (at_or_below, rest) = orders.split_at(orders.partition_point(|&k| k <= up_to));
            if !at_or_below.is_empty() {
                let (ends, under) = self.sweep(|entry| entry < low);
                let (under_it, at) =
                    at_or_below.split_at(at_or_below.partition_point(|&k| k <= under));
                let below = Span {
                    starts: span.starts.clone(),
                    ends,
                    below: span.below,
                    inside: under - span.below,
                    low: span.low,
                    high: Some(low),
                    guesses,
                };
                self.solve(below, under_it, random, found);
                found.extend(at.iter().map(|_| low));
            }
            orders = rest;
            middle_below = up_to;
            middle_starts = Some(starts);
        }
        if orders.is_empty() {
            return;
        }
        let (ends, under) = match high {
            Some(high) => self.sweep(|entry| entry < high),
            None => (span.ends.clone(), end),
        };
        let (between, rest) = orders.split_at(orders.partition_point(|&k| k <= under));
        if !between.is_empty() {
            let middle = Span {
                starts: middle_starts.unwrap_or_else(|| span.starts.clone()),
                ends,
                below: middle_below,
                inside: under - middle_below,
                low: low.or(span.low),
                high: high.or(span.high),
                guesses,
            };
            self.solve(middle, between, random, found);
        }
        if let (Some(high), false) = (high, rest.is_empty()) {
            let (starts, up_to) = self.sweep(|entry| entry <= high);
            let (at, above_it) = rest.split_at(rest.partition_point(|&k| k <= up_to));
            found.extend(at.iter().map(|_| high));
            let above = Span {
                starts,
                ends: span.ends.clone(),
                below: up_to,
                inside: end - up_to,
                low: Some(high),
                high: span.high,
                guesses,
            };
            self.solve(above, above_it, random, found);
        }
    }

    /// For each row the first column whose entry isn't below a bound, and the count of all that
    /// are below it.
    fn sweep(&self, below: impl Fn(f64) -> bool) -> (Vec<u32>, u64) {
        let mut firsts = Vec::with_capacity(self.rows);
        let mut count = 0;
        for block in &self.blocks {
            // Differences, the usual case, are spared the division.
            count += if block.divisor == 1.0 {
                sweep_block(block, &mut firsts, &below)
            } else {
                sweep_block(block, &mut firsts, |entry| below(entry / block.divisor))
            };
        }
        (firsts, count)
    }

    /// One entry at random from each of [`SAMPLE`] equal parts of the span; ascending.
    fn sample(&self, span: &Span, random: &mut Random) -> Vec<f64> {
        let part = span.inside as f64 / SAMPLE as f64;
        let mut sample = Vec::with_capacity(SAMPLE as usize);
        let draw = |k: usize, random: &mut Random| ((k as f64 + random.uniform()) * part) as u64;
        let mut wanted = draw(0, random);
        let mut passed = 0;
        let mut at = 0;
        for block in &self.blocks {
            for row in 0..block.rows.len() {
                let start = span.starts[at];
                let length = u64::from(span.ends[at] - start);
                at += 1;
                while wanted < passed + length && sample.len() < SAMPLE as usize {
                    sample.push(block.entry(row, start as usize + (wanted - passed) as usize));
                    wanted = draw(sample.len(), random);
                }
                passed += length;
            }
        }
        crate::order::sort(sample)
    }

    fn list_and_select(&self, span: &Span, orders: &[u64], found: &mut Vec<f64>) {
        let mut entries = Vec::with_capacity(span.inside as usize);
        let mut at = 0;
        for block in &self.blocks {
            for row in 0..block.rows.len() {
                let columns = span.starts[at] as usize..span.ends[at] as usize;
                entries.extend(columns.map(|column| block.entry(row, column)));
                at += 1;
            }
        }
        select_ascending(
            &mut entries,
            orders.iter().map(|order| (order - span.below - 1) as usize),
            found,
        );
    }
}

/// Sweeps one block, whose entries `below` gets before their division.
fn sweep_block(block: &Block, firsts: &mut Vec<u32>, below: impl Fn(f64) -> bool) -> u64 {
    let mut count = 0;
    let mut column = 0;
    for (row, from) in block.rows.iter().enumerate() {
        let first = block.first_column(row);
        column = column.max(first);
        while column < block.columns.len() && below(block.columns[column] - from) {
            column += 1;
        }
        firsts.push(column as u32);
        count += (column - first) as u64;
    }
    count
}

/// How many interpolations to try between two ranks of an ascending sample: none where values
/// are coarse, for they come in lumps.
pub(crate) fn guesses_for(sample: &[f64], low: f64, high: f64) -> u8 {
    // A negative number becomes 0.
    let low = low as usize;
    let high = (high as usize).clamp(low, sample.len());
    let equal = sample[low..high]
        .windows(2)
        .filter(|w| w[0] == w[1])
        .count();
    if 20 * equal > high - low { 0 } else { GUESSES }
}

/// Appends the values of the given ascending places (from 0) to `found`; reorders `entries`.
pub(crate) fn select_ascending(
    entries: &mut [f64],
    places: impl Iterator<Item = usize>,
    found: &mut Vec<f64>,
) {
    let mut rest = entries;
    let mut passed = 0;
    let mut before = None;
    for place in places {
        if let Some((same, value)) = before
            && same == place
        {
            found.push(value);
            continue;
        }
        let (_, &mut value, above) = rest.select_nth_unstable_by(place - passed, f64::total_cmp);
        found.push(value);
        before = Some((place, value));
        passed = place + 1;
        rest = above;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The oracle: all entries, sorted.
    fn all(pairs: &Pairs) -> Vec<f64> {
        let mut entries = Vec::new();
        for block in &pairs.blocks {
            for row in 0..block.rows.len() {
                for column in block.first_column(row)..block.columns.len() {
                    entries.push(block.entry(row, column));
                }
            }
        }
        crate::order::sort(entries)
    }

    fn sorted(seed: u64, n: usize, step: f64) -> Vec<f64> {
        let mut random = Random::new(seed);
        let draw = |_| {
            let v = random.normal().exp();
            if step > 0.0 {
                (v / step).round() * step
            } else {
                v
            }
        };
        crate::order::sort((0..n).map(draw).collect())
    }

    fn agrees(pairs: &Pairs, shares: &[f64]) {
        let oracle = all(pairs);
        let n = pairs.count();
        assert_eq!(oracle.len() as u64, n);
        let mut orders: Vec<u64> = shares
            .iter()
            .map(|s| ((s * n as f64) as u64).clamp(1, n))
            .collect();
        orders.sort_unstable();
        let wanted: Vec<f64> = orders.iter().map(|&k| oracle[k as usize - 1]).collect();
        assert_eq!(pairs.select(&orders), wanted);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]
        #[test]
        fn selection_equals_that_from_the_full_list(
            seed in 0u64..1000,
            n in 2usize..250,
            m in 2usize..250,
            step in prop::sample::select(vec![0.0, 0.01, 0.5, 4.0]),
            shares in prop::collection::vec(0.0..1.0f64, 1..5),
        ) {
            let x = sorted(seed, n, step);
            let y = sorted(seed + 1, m, step);
            agrees(&Pairs::within(&x), &shares);
            agrees(&Pairs::between(&x, &y), &shares);
            let groups = [(1.0, x.clone()), (3.0, y.clone()), (3.5, x), (10.0, y)];
            agrees(&Pairs::slopes(&groups), &shares);
        }
    }

    #[test]
    fn equal_values_have_differences_of_zero() {
        let x = vec![0.1; 300];
        assert_eq!(Pairs::within(&x).select(&[1, 20_000]), [0.0, 0.0]);
    }
}
