//! The density of values as a smooth curve, for figures.

use crate::order::quantile;
use crate::{Sorted, StatsError, moments};
use std::f64::consts::PI;

/// Kernels farther than this many bandwidths add less than 4e-6 of their height.
const REACH: f64 = 5.0;

/// The range of the middle half of a normal distribution per standard deviation, as Silverman
/// rounds it; and that of the middle third, twice the quantile of 2/3.
const HALF_PER_SD: f64 = 1.34;
const THIRD_PER_SD: f64 = 0.861_454_6;

/// The usual bandwidth of a Gaussian kernel, in the unit of the data: 0.9 n^(-1/5) times a spread
/// (Silverman 1986, Density Estimation, eq. 3.31). The spread is the smallest above 0 of the
/// standard deviation, a 1.34th of the range of the quartiles (as there), and the shortest range
/// that holds a third of the values, scaled alike (after the shortest half of Rousseeuw & Leroy
/// 1987, Robust Regression, section 4.1): of values in clusters that is a part of one, so that
/// they are not smeared into each other.
///
/// # Errors
/// [`StatsError::TooFew`] below 2 values; [`StatsError::Degenerate`] where all are equal.
///
/// ```
/// let sorted = stats::Sorted::new((0..1000).map(f64::from).collect())?;
/// let bandwidth = stats::density::bandwidth(&sorted)?;
/// assert!((60.0..70.0).contains(&bandwidth));
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn bandwidth(sorted: &Sorted) -> Result<f64, StatsError> {
    let sd = moments::moments(sorted.as_slice())?.sd;
    if sorted.min() == sorted.max() {
        return Err(StatsError::Degenerate("all values are equal"));
    }
    let values = sorted.as_slice();
    let third = (values.len() / 3).max(1);
    let shortest = values
        .iter()
        .zip(&values[third..])
        .map(|(low, high)| high - low)
        .fold(f64::INFINITY, f64::min);
    let quartiles = quantile(sorted, 0.75) - quantile(sorted, 0.25);
    let spread = [quartiles / HALF_PER_SD, shortest / THIRD_PER_SD]
        .into_iter()
        .filter(|spread| *spread > 0.0)
        .fold(sd, f64::min);
    Ok(0.9 * spread * libm::pow(sorted.len() as f64, -0.2))
}

/// Density at each of the points `at`, per unit of the data: the mean of Gaussians of standard
/// deviation `bandwidth` about the values (Rosenblatt 1956, Annals of Mathematical Statistics
/// 27:832-837). Takes points times values in reach: thin a large sample first.
///
/// # Errors
/// [`StatsError::BadArgument`] unless the bandwidth is finite and above 0.
///
/// ```
/// let one = stats::Sorted::new(vec![3.0])?;
/// let density = stats::density::kernel(&one, 2.0, &[3.0])?;
/// assert!((density[0] - 0.19947114020071635).abs() < 1e-15);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn kernel(sorted: &Sorted, bandwidth: f64, at: &[f64]) -> Result<Vec<f64>, StatsError> {
    if !(bandwidth > 0.0 && bandwidth.is_finite()) {
        return Err(StatsError::BadArgument(
            "a bandwidth must be finite and above 0",
        ));
    }
    let values = sorted.as_slice();
    let height = 1.0 / (values.len() as f64 * bandwidth * (2.0 * PI).sqrt());
    let density = at.iter().map(|x| {
        let from = values.partition_point(|v| *v < x - REACH * bandwidth);
        let near = values[from..]
            .iter()
            .take_while(|v| **v <= x + REACH * bandwidth);
        let kernels = near.map(|v| {
            let z = (v - x) / bandwidth;
            libm::exp(-0.5 * z * z)
        });
        height * kernels.sum::<f64>()
    });
    Ok(density.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Random;
    use crate::special::normal_cdf;

    fn normal(n: usize) -> Sorted {
        let mut random = Random::new(5);
        Sorted::new((0..n).map(|_| random.normal()).collect()).unwrap()
    }

    #[test]
    fn it_encloses_an_area_of_one() {
        let values = normal(500);
        let width = bandwidth(&values).unwrap();
        let at: Vec<f64> = (-800..=800).map(|i| f64::from(i) * 0.01).collect();
        let area: f64 = kernel(&values, width, &at).unwrap().iter().sum();
        assert!((area * 0.01 - 1.0).abs() < 1e-5, "{area}");
    }

    /// A kernel of the bandwidth on normal values gives a normal density of the variance 1 + h^2.
    #[test]
    fn it_nears_the_density_that_the_values_were_drawn_from() {
        let values = normal(20_000);
        let width = bandwidth(&values).unwrap();
        let sd = (1.0 + width * width).sqrt();
        for x in [-2.0, -0.5, 0.0, 1.0, 2.5] {
            let found = kernel(&values, width, &[x]).unwrap()[0];
            let step = 1e-4;
            let expected =
                (normal_cdf((x + step) / sd) - normal_cdf((x - step) / sd)) / (2.0 * step);
            assert!((found - expected).abs() < 0.02, "{x}: {found} {expected}");
        }
    }

    #[test]
    fn clusters_are_not_smeared_into_each_other() {
        let one = normal(200);
        let apart = one.as_slice().iter().map(|v| v + 40.0);
        let two = Sorted::new(apart.chain(one.as_slice().to_vec()).collect()).unwrap();
        let third = 2.0 * crate::special::normal_quantile(2.0 / 3.0);
        assert!((THIRD_PER_SD - third).abs() < 1e-6, "{third}");
        let (of_one, of_two) = (bandwidth(&one).unwrap(), bandwidth(&two).unwrap());
        assert!(of_two < 3.0 * of_one, "{of_one} {of_two}");
        let between = kernel(&two, of_two, &[20.0]).unwrap()[0];
        assert!(between < 1e-6, "{between}");
    }

    #[test]
    fn what_has_no_density_is_refused() {
        let equal = Sorted::new(vec![2.0; 9]).unwrap();
        assert!(matches!(bandwidth(&equal), Err(StatsError::Degenerate(_))));
        let one = Sorted::new(vec![2.0]).unwrap();
        assert!(matches!(bandwidth(&one), Err(StatsError::TooFew { .. })));
        assert!(matches!(
            kernel(&one, 0.0, &[1.0]),
            Err(StatsError::BadArgument(_))
        ));
        // Most values equal: the quartiles are, and the standard deviation is not.
        let mut values = vec![1.0; 20];
        values.push(5.0);
        assert!(bandwidth(&Sorted::new(values).unwrap()).unwrap() > 0.0);
    }
}
