//! Pairs of points so close in x that rounding might put them on the wrong side of a bound.

/// The pairs that are closer in x than `dx`, apart from those of equal x, which have no slope.
pub(super) struct Near {
    /// Half the mean distance of neighbors, or less where that would make more than two pairs a
    /// point.
    pub(super) dx: f64,
    /// The numbers of the two points, that of the lesser x first.
    pub(super) pairs: Vec<(u32, u32)>,
    /// The slopes of the pairs, ascending.
    pub(super) slopes: Vec<f64>,
    /// How many pairs are neither near nor of equal x.
    pub(super) far_pairs: u64,
}

impl Near {
    /// The near pairs of points that ascend in x.
    pub(super) fn new(points: &[(f64, f64)]) -> Self {
        let n = points.len() as u64;
        let range = points[points.len() - 1].0 - points[0].0;
        let mut dx = 0.5 * range.min(f64::MAX) / n as f64;
        let (mut near, mut equal) = near_and_equal(points, dx);
        while near > 2 * n {
            dx *= 0.25;
            (near, equal) = near_and_equal(points, dx);
        }
        let mut pairs = Vec::with_capacity(near as usize);
        let mut slopes = Vec::with_capacity(near as usize);
        for (i, a) in points.iter().enumerate() {
            let later = points[i + 1..].iter().take_while(|b| b.0 - a.0 < dx);
            for (k, b) in later.enumerate() {
                if b.0 > a.0 {
                    pairs.push((i as u32, (i + 1 + k) as u32));
                    slopes.push(super::slope(a, b));
                }
            }
        }
        Self {
            dx,
            pairs,
            slopes: crate::order::sort(slopes),
            far_pairs: n * (n - 1) / 2 - equal - near,
        }
    }

    /// The same pairs with the points numbered anew: `place` gives each its new number.
    pub(super) fn renumbered(&self, place: &[u32]) -> Self {
        let number = |i: u32| place[i as usize];
        Self {
            pairs: self
                .pairs
                .iter()
                .map(|&(i, j)| (number(i), number(j)))
                .collect(),
            slopes: self.slopes.clone(),
            ..*self
        }
    }
}

/// How many pairs are closer than `dx` without having the same x, and how many have the same.
fn near_and_equal(points: &[(f64, f64)], dx: f64) -> (u64, u64) {
    let (mut near, mut equal) = (0, 0);
    let (mut first, mut first_equal) = (0, 0);
    for (j, p) in points.iter().enumerate() {
        while p.0 - points[first].0 >= dx && first < j {
            first += 1;
        }
        while p.0 > points[first_equal].0 {
            first_equal += 1;
        }
        equal += (j - first_equal) as u64;
        near += first_equal.saturating_sub(first) as u64;
    }
    (near, equal)
}
