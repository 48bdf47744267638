//! Order-preserving minimum-cost alignment of two sequences with gaps, by dynamic programming
//! (Needleman & Wunsch 1970), where one element of the first may also stand for two or three of the
//! second. Of the table of costs only two rows are held; of the way through it a byte a cell, within
//! a band.

use std::ops::Range;

/// The most elements of the second sequence that one of the first may stand for.
pub(crate) const MOST_JOINED: usize = 3;
/// Up to so many cells the whole table is computed.
const WHOLE_TABLE: usize = 50_000_000;
/// Half the width of a band that follows the cheapest way.
const HALF_BAND: usize = 512;
/// The most cells of all bands; each takes a byte.
const MOST_CELLS: usize = 400_000_000;

/// What it costs to bring two sequences together. Costs are finite and not negative.
pub(crate) trait Costs {
    /// Of joining element `first` with the elements `second` (one to [`MOST_JOINED`]); `None` where
    /// they can't belong together.
    fn join(&self, first: usize, second: Range<usize>) -> Option<f64>;
    /// Of leaving element `first` of the first sequence alone.
    fn skip_first(&self, first: usize) -> f64;
    /// Of leaving element `second` of the second sequence alone.
    fn skip_second(&self, second: usize) -> f64;
    /// Which elements of the second sequence element `first` may belong to at all, where that is
    /// known. Neither end runs backwards with `first`.
    fn reach(&self, first: usize) -> Option<Range<usize>>;
}

/// One step of an alignment.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum Step {
    /// Element `first` belongs to the elements `second`.
    Join { first: usize, second: Range<usize> },
    /// Element `first` is alone.
    SkipFirst(usize),
    /// Element `second` is alone.
    SkipSecond(usize),
}

/// A row of the table: the columns from `from` on.
struct Row {
    from: usize,
    costs: Vec<f64>,
}

impl Row {
    fn cost(&self, column: usize) -> f64 {
        column
            .checked_sub(self.from)
            .and_then(|at| self.costs.get(at))
            .copied()
            .unwrap_or(f64::INFINITY)
    }
}

/// Moves, as a byte: 1 to [`MOST_JOINED`] elements joined, or one of these.
const SKIP_FIRST: u8 = 0;
const SKIP_SECOND: u8 = u8::MAX;

/// The cheapest alignment of `first` elements with `second` elements, in order; of equal ones that
/// which joins, then the one that skips an element of the first. `None` where the bands take more
/// than [`MOST_CELLS`].
///
/// Up to [`WHOLE_TABLE`] cells it is the cheapest of all. Beyond, the cheapest within a band, which
/// follows [`Costs::reach`], or else the cheapest way so far.
pub(crate) fn align(first: usize, second: usize, costs: &impl Costs) -> Option<Vec<Step>> {
    let whole = first
        .checked_add(1)
        .and_then(|rows| rows.checked_mul(second.checked_add(1)?))
        .is_some_and(|cells| cells <= WHOLE_TABLE);
    // Column `j` of row `i`: `i` elements of the first and `j` of the second are done.
    let mut rows: Vec<(usize, Vec<u8>)> = Vec::with_capacity(first + 1);
    let mut cells = 0usize;
    let mut above = Row {
        from: 0,
        costs: Vec::new(),
    };
    let mut centre = 0;
    for row in 0..=first {
        let columns = if whole {
            0..second + 1
        } else {
            band(row, first, second, centre, above.from, costs)
        };
        cells += columns.len();
        if cells > MOST_CELLS {
            return None;
        }
        let mut current = Row {
            from: columns.start,
            costs: Vec::with_capacity(columns.len()),
        };
        let mut moves = Vec::with_capacity(columns.len());
        let mut best = (f64::INFINITY, columns.start);
        let skipped = row.checked_sub(1).map_or(0.0, |i| costs.skip_first(i));
        for column in columns {
            let (mut cost, mut step) = if row == 0 && column == 0 {
                (0.0, SKIP_FIRST)
            } else {
                (f64::INFINITY, SKIP_FIRST)
            };
            if let Some(i) = row.checked_sub(1) {
                for joined in 1..=MOST_JOINED.min(column) {
                    let before = above.cost(column - joined);
                    if before < cost
                        && let Some(join) = costs.join(i, column - joined..column)
                        && before + join < cost
                    {
                        cost = before + join;
                        step = joined as u8;
                    }
                }
                if above.cost(column) + skipped < cost {
                    cost = above.cost(column) + skipped;
                    step = SKIP_FIRST;
                }
            }
            if let Some(j) = column.checked_sub(1) {
                let skip = current.cost(j) + costs.skip_second(j);
                if skip < cost {
                    cost = skip;
                    step = SKIP_SECOND;
                }
            }
            if cost < best.0 {
                best = (cost, column);
            }
            current.costs.push(cost);
            moves.push(step);
        }
        centre = best.1;
        rows.push((current.from, moves));
        above = current;
    }
    Some(way_back(&rows, first, second))
}

/// The columns of `row`. It begins no earlier than the row above, meets it, and the last row reaches
/// the last column.
fn band(
    row: usize,
    rows: usize,
    columns: usize,
    centre: usize,
    above_from: usize,
    costs: &impl Costs,
) -> Range<usize> {
    let reach = |row: usize| costs.reach(row.checked_sub(1)?);
    let (from, to) = if row == 0 {
        (0, reach(1).map_or(HALF_BAND, |next| next.end))
    } else {
        match reach(row) {
            Some(reach) => {
                // Whatever the next row may join is joined to a cell of this one.
                let next = costs.reach(row).filter(|_| row < rows);
                (reach.start, next.map_or(0, |next| next.end).max(reach.end))
            }
            None => (centre.saturating_sub(HALF_BAND), centre + HALF_BAND),
        }
    };
    let to = if row == rows {
        columns
    } else {
        to.min(columns)
    };
    let from = from.clamp(above_from, columns);
    from..to.max(from) + 1
}

/// Follows the moves from the last cell to the first.
fn way_back(rows: &[(usize, Vec<u8>)], first: usize, second: usize) -> Vec<Step> {
    let mut steps = Vec::with_capacity(first.max(second));
    let (mut row, mut column) = (first, second);
    while row > 0 || column > 0 {
        let step = rows
            .get(row)
            .and_then(|(from, moves)| moves.get(column.checked_sub(*from)?).copied());
        match step {
            Some(SKIP_SECOND) if column > 0 => {
                column -= 1;
                steps.push(Step::SkipSecond(column));
            }
            Some(joined @ 1..SKIP_SECOND) if row > 0 && usize::from(joined) <= column => {
                row -= 1;
                let end = column;
                column -= usize::from(joined);
                steps.push(Step::Join {
                    first: row,
                    second: column..end,
                });
            }
            // Row 0 holds skips of the second sequence alone.
            _ if row == 0 => {
                column -= 1;
                steps.push(Step::SkipSecond(column));
            }
            _ => {
                row -= 1;
                steps.push(Step::SkipFirst(row));
            }
        }
    }
    steps.reverse();
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Costs by a table.
    #[derive(Debug)]
    struct Table {
        join: Vec<Vec<[Option<f64>; MOST_JOINED]>>,
        first: Vec<f64>,
        second: Vec<f64>,
    }

    impl Costs for Table {
        fn join(&self, first: usize, second: Range<usize>) -> Option<f64> {
            self.join[first][second.start][second.len() - 1]
        }
        fn skip_first(&self, first: usize) -> f64 {
            self.first[first]
        }
        fn skip_second(&self, second: usize) -> f64 {
            self.second[second]
        }
        fn reach(&self, _: usize) -> Option<Range<usize>> {
            None
        }
    }

    /// The least cost of all alignments of the elements from `i` and from `j` on, each one tried.
    fn try_all(costs: &Table, i: usize, j: usize) -> f64 {
        let (n, m) = (costs.first.len(), costs.second.len());
        if i == n && j == m {
            return 0.0;
        }
        let mut best = f64::INFINITY;
        if i < n {
            best = best.min(costs.first[i] + try_all(costs, i + 1, j));
            for joined in 1..=MOST_JOINED.min(m - j) {
                if let Some(join) = costs.join(i, j..j + joined) {
                    best = best.min(join + try_all(costs, i + 1, j + joined));
                }
            }
        }
        if j < m {
            best = best.min(costs.second[j] + try_all(costs, i, j + 1));
        }
        best
    }

    fn cost_of(steps: &[Step], costs: &Table) -> f64 {
        let (mut i, mut j) = (0, 0);
        let mut total = 0.0;
        for step in steps {
            match step {
                Step::Join { first, second } => {
                    assert_eq!((*first, second.start), (i, j));
                    total += costs.join(*first, second.clone()).unwrap();
                    i += 1;
                    j = second.end;
                }
                Step::SkipFirst(first) => {
                    assert_eq!(*first, i);
                    total += costs.first[i];
                    i += 1;
                }
                Step::SkipSecond(second) => {
                    assert_eq!(*second, j);
                    total += costs.second[j];
                    j += 1;
                }
            }
        }
        assert_eq!((i, j), (costs.first.len(), costs.second.len()));
        total
    }

    /// Costs as multiples of 1/8, whose sums are exact.
    fn eighths() -> impl Strategy<Value = f64> {
        (0u32..40).prop_map(|eighths| f64::from(eighths) / 8.0)
    }

    fn tables() -> impl Strategy<Value = Table> {
        (0usize..6, 0usize..7).prop_flat_map(|(n, m)| {
            let cell = proptest::array::uniform3(proptest::option::of(eighths()));
            (
                proptest::collection::vec(proptest::collection::vec(cell, m), n),
                proptest::collection::vec(eighths(), n),
                proptest::collection::vec(eighths(), m),
            )
                .prop_map(|(join, first, second)| Table {
                    join,
                    first,
                    second,
                })
        })
    }

    proptest! {
        #[test]
        fn no_alignment_is_cheaper(costs in tables()) {
            let steps = align(costs.first.len(), costs.second.len(), &costs).unwrap();
            prop_assert_eq!(cost_of(&steps, &costs), try_all(&costs, 0, 0));
        }
    }

    /// Numbers that should be equal, with a reach around their place or none.
    struct Numbers {
        first: Vec<u32>,
        second: Vec<u32>,
        places: Vec<usize>,
    }

    impl Costs for Numbers {
        fn join(&self, first: usize, second: Range<usize>) -> Option<f64> {
            (second.len() == 1 && self.first[first] == self.second[second.start]).then_some(0.0)
        }
        fn skip_first(&self, _: usize) -> f64 {
            1.0
        }
        fn skip_second(&self, _: usize) -> f64 {
            1.0
        }
        fn reach(&self, first: usize) -> Option<Range<usize>> {
            let place = self.places.get(first)?;
            Some(place.saturating_sub(5)..place + 5)
        }
    }

    #[test]
    fn a_long_alignment_stays_in_its_band_and_finds_the_way() {
        let first: Vec<u32> = (0..100_000).collect();
        // One in a thousand is left out, five more stand in front.
        let mut second: Vec<u32> = [u32::MAX; 5].to_vec();
        second.extend(first.iter().filter(|i| *i % 1000 != 3));
        let mut costs = Numbers {
            first,
            second,
            places: Vec::new(),
        };
        let joined = |costs: &Numbers| {
            let steps = align(costs.first.len(), costs.second.len(), costs).unwrap();
            steps
                .iter()
                .filter(|s| matches!(s, Step::Join { .. }))
                .count()
        };
        assert_eq!(joined(&costs), 99_900);
        // Where the reach is known, a stretch of strangers longer than the band is crossed too.
        costs.second.splice(50_000..50_000, [u32::MAX; 3_000]);
        costs.places = {
            let mut places = vec![0; 100_000];
            for (place, number) in costs.second.iter().enumerate() {
                if let Some(entry) = places.get_mut(*number as usize) {
                    *entry = place;
                }
            }
            // The place of one that is left out is that of the one before.
            for i in 1..places.len() {
                places[i] = places[i].max(places[i - 1]);
            }
            places
        };
        assert_eq!(joined(&costs), 99_900);
    }
}
