//! What the points are sorted by: y - t x, in one double or in two.

use super::super::ordered_bits;

/// A way to order points by y - t x.
pub(super) trait Keys {
    /// A key and the number of its point, which breaks ties.
    type Entry: Copy + Ord;
    /// Bound on the error of the difference of two keys, as a share of the largest
    /// |y| + |t x|.
    const ROUNDING: f64;
    /// The points as [`Keys::entry`] wants them.
    fn place(points: &[(f64, f64)]) -> Vec<(f64, f64)>;
    /// The entry of a placed point. An infinite `t` orders by x, upward for minus infinity and
    /// downward for plus.
    fn entry(point: (f64, f64), t: f64, number: u32) -> Self::Entry;
    /// The number of the point.
    fn number(entry: Self::Entry) -> u32;
}

/// y - t x in one double.
pub(super) struct Plain;

impl Keys for Plain {
    type Entry = u128;
    /// Each key has four roundings (two of placing, a product, a difference), of 2^-53 each.
    const ROUNDING: f64 = 8.0 * f64::EPSILON / 2.0;

    /// Less the middle point, for smaller numbers and so smaller errors.
    fn place(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
        let middle = points[points.len() / 2];
        points
            .iter()
            .map(|p| (p.0 - middle.0, p.1 - middle.1))
            .collect()
    }

    fn entry((x, y): (f64, f64), t: f64, number: u32) -> u128 {
        let key = if t.is_finite() {
            y - t * x
        } else {
            x.copysign(-t * x)
        };
        u128::from(ordered_bits(key)) << 64 | u128::from(number)
    }

    fn number(entry: u128) -> u32 {
        entry as u32
    }
}

/// y - t x in two doubles: about 32 digits.
pub(super) struct Twofold;

impl Keys for Twofold {
    type Entry = (u128, u32);
    /// The product is exact, the rest of the difference is rounded to 2^-106 twice: with plenty
    /// of room.
    const ROUNDING: f64 = f64::EPSILON * f64::EPSILON * 16.0;

    fn place(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
        points.to_vec()
    }

    fn entry((x, y): (f64, f64), t: f64, number: u32) -> (u128, u32) {
        let (high, rest) = if t.is_finite() {
            let product = t * x;
            let product_rest = t.mul_add(x, -product);
            let difference = y - product;
            let product_part = difference - y;
            let lost = (y - (difference - product_part)) - (product + product_part);
            let rest = lost - product_rest;
            let high = difference + rest;
            (high, rest - (high - difference))
        } else {
            (x.copysign(-t * x), 0.0)
        };
        let key = u128::from(ordered_bits(high)) << 64 | u128::from(ordered_bits(rest));
        (key, number)
    }

    fn number(entry: (u128, u32)) -> u32 {
        entry.1
    }
}
