//! The step that all values are multiples of.

/// A value may miss its multiple by this share of the step.
const MISS: f64 = 1e-6;

/// So many values give the first guess of the step.
const SAMPLE: usize = 2_048;

/// The largest step of which all `values` are whole multiples, each within a millionth of the
/// step (and the rounding of the values themselves); in the unit of the values.
///
/// `None` when there is no such step that stands clear of the rounding of doubles (above 1e-11
/// of the greatest value: values that fill the continuum have none), when fewer than two
/// distinct values leave it undefined, or when a value is not finite.
///
/// Method: Euclid's algorithm with a tolerance on the differences of the sorted values, refined
/// on ever larger multiples; then every value is verified.
///
/// ```
/// use stats::tick::resolution;
/// let step = resolution(&[250.5, 249.75, 251.25, 250.0]).unwrap();
/// assert!((step - 0.25).abs() < 1e-12);
/// assert_eq!(resolution(&[1.0, 2f64.sqrt(), 3f64.sqrt()]), None);
/// ```
pub fn resolution(values: &[f64]) -> Option<f64> {
    if values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let greatest = values.iter().fold(0.0f64, |a, v| a.max(v.abs()));
    // Differences of doubles are off by this much at most.
    let rounding = 4.0 * f64::EPSILON * greatest;
    let stride = values.len().div_ceil(SAMPLE).max(1);
    let mut sample: Vec<f64> = values.iter().step_by(stride).copied().collect();
    sample.sort_by(f64::total_cmp);
    sample.dedup_by(|a, b| (*a - *b).abs() <= rounding);
    // The sample may be constant where the rest is not: take the first value that differs.
    if sample.len() < 2 {
        let first = *sample.first()?;
        sample.push(*values.iter().find(|v| (**v - first).abs() > rounding)?);
        sample.sort_by(f64::total_cmp);
    }
    // The smallest differences first: their multiples of the step are the smallest, and so are
    // the errors that these multiply.
    let mut differences: Vec<f64> = sample.windows(2).map(|pair| pair[1] - pair[0]).collect();
    differences.sort_by(f64::total_cmp);
    let mut step = 0.0;
    for difference in differences {
        step = common(step, difference, rounding)?;
    }
    let low = sample[0];
    for x in &sample[1..] {
        step = refined(step, x - low);
    }
    step = refined(
        common(step, low.abs(), rounding)?,
        sample[sample.len() - 1] - low,
    );
    // A value that does not fit makes the step smaller: each time by half at least.
    let mut round = 0;
    while let Some(misfit) = values.iter().find(|v| misses(step, **v, rounding)) {
        step = common(step, misfit.abs(), rounding)?;
        round += 1;
        if round > 64 {
            return None;
        }
    }
    Some(step)
}

fn misses(step: f64, value: f64, rounding: f64) -> bool {
    let multiple = (value / step).round();
    (value - multiple * step).abs() > MISS * step + rounding
}

/// The step with its relative error brought down to that of a multiple of it.
fn refined(step: f64, multiple: f64) -> f64 {
    let count = (multiple / step).round();
    if count >= 1.0 { multiple / count } else { step }
}

/// The greatest common step of `a` and `b`, whose errors are at most `rounding`; `None` where it
/// would drown in them. A zero leaves the other.
fn common(a: f64, b: f64, rounding: f64) -> Option<f64> {
    // A step this small can't be told from an error.
    let least = 1e4 * rounding;
    let (large, small) = if a > b { (a, b) } else { (b, a) };
    let (mut a, mut b) = (large, small);
    if b <= rounding {
        return (a > least).then_some(a);
    }
    loop {
        if b <= least {
            return None;
        }
        let multiple = (a / b).round();
        let remainder = (a - multiple * b).abs();
        // Errors grow with each division; the verification of all values is stricter.
        if remainder <= (1e-5 * b).max(8.0 * rounding * (1.0 + multiple)) {
            return Some(refined(refined(b, small), large));
        }
        (a, b) = (b, remainder);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;
    use proptest::prelude::*;

    #[test]
    fn continuous_values_have_no_step() {
        let mut random = Random::new(5);
        for n in [2, 3, 8, 100, 10_000] {
            let values: Vec<f64> = (0..n).map(|_| 250.0 + 5.0 * random.normal()).collect();
            assert_eq!(resolution(&values), None, "{n} values");
        }
    }

    #[test]
    fn a_step_of_a_microsecond_is_found_in_minutes_given_as_milliseconds() {
        let mut random = Random::new(6);
        let values: Vec<f64> = (0..5_000)
            .map(|_| {
                (1e5 + 2e4 * random.uniform()).round() + f64::from(random.below(1000) as u32) * 1e-3
            })
            .collect();
        let step = resolution(&values).unwrap();
        assert!((step / 1e-3 - 1.0).abs() < 1e-9, "{step}");
    }

    #[test]
    fn undefined_cases_are_none() {
        assert_eq!(resolution(&[]), None);
        assert_eq!(resolution(&[3.0, 3.0, 3.0]), None);
        assert_eq!(resolution(&[1.0, f64::NAN]), None);
        assert_eq!(resolution(&[0.0, 0.0, 7.0]), Some(7.0));
        assert_eq!(resolution(&[-6.0, 4.0]), Some(2.0));
    }

    proptest! {
        #[test]
        fn multiples_of_a_step_give_a_multiple_of_it_that_all_values_share(
            step in 1e-4..20.0f64,
            counts in proptest::collection::vec(-40_000i32..40_000, 2..60),
        ) {
            let values: Vec<f64> = counts.iter().map(|c| f64::from(*c) * step).collect();
            let gcd = |mut a: i32, mut b: i32| {
                while b != 0 {
                    (a, b) = (b, a % b);
                }
                a.abs()
            };
            let common = counts.iter().fold(0, |a, b| gcd(a, *b));
            let distinct = counts.iter().any(|c| *c != counts[0]);
            match resolution(&values) {
                Some(found) => {
                    let expected = f64::from(common) * step;
                    prop_assert!((found / expected - 1.0).abs() < 1e-9);
                }
                None => prop_assert!(!distinct),
            }
        }

        #[test]
        fn any_values_are_survived(values in proptest::collection::vec(any::<f64>(), 0..20)) {
            if let Some(step) = resolution(&values) {
                prop_assert!(step > 0.0 && step.is_finite());
            }
        }
    }
}
