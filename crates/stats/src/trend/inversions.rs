//! Sorting that tells of every inversion it removes.

/// Lists this short are sorted by insertion: the fastest of 8, 16 and 32.
const SHORT: usize = 16;

/// What is to be done with the inversions.
trait Watch<T> {
    /// `item` moves in front of the greater ones `passed`.
    fn passes(&mut self, passed: &[T], item: T);

    /// Merges the sorted `left` with the sorted items from `right` on, into the items from `to`
    /// on; what is left of `left` at the end goes last.
    fn merge(&mut self, left: &[T], items: &mut [T], right: usize, to: usize);
}

/// Tells a function of every inversion.
struct Visit<F>(F);

impl<T: Copy + Ord, F: FnMut(&[T], T)> Watch<T> for Visit<F> {
    fn passes(&mut self, passed: &[T], item: T) {
        (self.0)(passed, item);
    }

    fn merge(&mut self, left: &[T], items: &mut [T], mut right: usize, mut to: usize) {
        let mut from = 0;
        while from < left.len() && right < items.len() {
            let item = items[right];
            if item < left[from] {
                self.passes(&left[from..], item);
                items[to] = item;
                right += 1;
            } else {
                items[to] = left[from];
                from += 1;
            }
            to += 1;
        }
        items[to..to + left.len() - from].copy_from_slice(&left[from..]);
    }
}

/// Counts the inversions, without a branch that can't be predicted: twice as fast as to visit
/// them.
struct Count(u64);

impl<T: Copy + Ord> Watch<T> for Count {
    fn passes(&mut self, passed: &[T], _: T) {
        self.0 += passed.len() as u64;
    }

    fn merge(&mut self, left: &[T], items: &mut [T], mut right: usize, mut to: usize) {
        let mut from = 0;
        while from < left.len() && right < items.len() {
            let (a, b) = (left[from], items[right]);
            let passes = b < a;
            items[to] = if passes { b } else { a };
            self.0 += if passes {
                (left.len() - from) as u64
            } else {
                0
            };
            right += usize::from(passes);
            from += usize::from(!passes);
            to += 1;
        }
        items[to..to + left.len() - from].copy_from_slice(&left[from..]);
    }
}

/// Sorts `items` (stably, by merging). Whenever an item moves in front of greater ones, `visit`
/// is told of them and of it: over all calls, each pair with items\[i\] > items\[j\], i < j, is
/// seen once.
pub(super) fn sort<T: Copy + Ord>(items: &mut [T], visit: impl FnMut(&[T], T)) {
    let mut scratch = Vec::with_capacity(items.len() / 2 + 1);
    merge_sort(items, &mut scratch, &mut Visit(visit));
}

/// Sorts `items` and counts its inversions: pairs with items\[i\] > items\[j\], i < j.
pub(super) fn count<T: Copy + Ord>(items: &mut [T]) -> u64 {
    let mut count = Count(0);
    let mut scratch = Vec::with_capacity(items.len() / 2 + 1);
    merge_sort(items, &mut scratch, &mut count);
    count.0
}

fn merge_sort<T: Copy + Ord>(items: &mut [T], scratch: &mut Vec<T>, watch: &mut impl Watch<T>) {
    let n = items.len();
    if n <= SHORT {
        for i in 1..n {
            let item = items[i];
            let mut to = i;
            while to > 0 && items[to - 1] > item {
                to -= 1;
            }
            if to < i {
                watch.passes(&items[to..i], item);
                items.copy_within(to..i, to + 1);
                items[to] = item;
            }
        }
        return;
    }
    let half = n / 2;
    merge_sort(&mut items[..half], scratch, watch);
    merge_sort(&mut items[half..], scratch, watch);
    if items[half - 1] <= items[half] {
        return;
    }
    // What is already in place at the front stays there.
    let start = items[..half].partition_point(|item| *item <= items[half]);
    scratch.clear();
    scratch.extend_from_slice(&items[start..half]);
    watch.merge(scratch, items, half, start);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_inversion_is_seen_once(items in prop::collection::vec(0u64..40, 0..300)) {
            let mut oracle = Vec::new();
            for (i, &a) in items.iter().enumerate() {
                oracle.extend(items[i + 1..].iter().filter(|&&b| a > b).map(|&b| (a, b)));
            }
            let mut seen = Vec::new();
            let mut sorted = items.clone();
            sort(&mut sorted, |passed, item| {
                seen.extend(passed.iter().map(|&a| (a, item)));
            });
            prop_assert!(sorted.is_sorted());
            let total = oracle.len() as u64;
            oracle.sort_unstable();
            seen.sort_unstable();
            prop_assert_eq!(oracle, seen);
            prop_assert_eq!(count(&mut items.clone()), total);
        }
    }
}
