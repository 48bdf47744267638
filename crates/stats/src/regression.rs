//! Straight lines and linear models: least squares with many good digits, and Huber's robust
//! regression.

mod double_double;
mod householder;
mod huber;

use crate::{StatsError, check};
use double_double::Double;
use householder::Factored;

pub use huber::{HuberFit, huber};

/// A straight line y = intercept + slope x by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimpleFit {
    /// y at x = 0, in the unit of y.
    pub intercept: f64,
    /// Slope, in the unit of y over that of x.
    pub slope: f64,
    /// Standard error of the intercept.
    pub intercept_se: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Residual standard deviation, with divisor n - 2; in the unit of y.
    pub residual_sd: f64,
    /// Share of the variance of y that the line explains; NaN where y doesn't vary.
    pub r_squared: f64,
}

/// A linear model by least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    /// One coefficient a column.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Residual standard deviation, with divisor rows - columns.
    pub residual_sd: f64,
    /// Share of the sum of squares of y that the model explains: about the mean of y where a
    /// column is constant, about 0 where none is. NaN where that sum is 0.
    pub r_squared: f64,
    /// Rows less columns.
    pub degrees_of_freedom: usize,
}

/// Straight line by least squares: all rows count alike.
///
/// # Errors
/// [`StatsError::TooFew`] below 3 points, [`StatsError::NotFinite`],
/// [`StatsError::BadArgument`] of lists of different lengths, [`StatsError::Degenerate`] where
/// all x are equal.
///
/// ```
/// let fit = stats::regression::simple(&[0.0, 1.0, 2.0, 3.0], &[1.0, 3.1, 4.9, 7.0])?;
/// assert!((fit.slope - 1.98).abs() < 1e-14);
/// assert!((fit.intercept - 1.03).abs() < 1e-14);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn simple(x: &[f64], y: &[f64]) -> Result<SimpleFit, StatsError> {
    check_points(x, y, 3)?;
    let nf = x.len() as f64;
    let mean = |values: &[f64]| {
        values
            .iter()
            .fold(Double::ZERO, |sum, &v| sum.plus(v))
            .times(Double::from(1.0).over(Double::from(nf)))
    };
    let (mean_x, mean_y) = (mean(x), mean(y));
    let (mut xx, mut xy, mut yy) = (Double::ZERO, Double::ZERO, Double::ZERO);
    for (&x, &y) in x.iter().zip(y) {
        let dx = Double::from(x).minus(mean_x);
        let dy = Double::from(y).minus(mean_y);
        xx = xx.add(dx.times(dx));
        xy = xy.add(dx.times(dy));
        yy = yy.add(dy.times(dy));
    }
    if x.iter().all(|v| *v == x[0]) || xx.value() == 0.0 {
        return Err(StatsError::Degenerate("points of one x only have no slope"));
    }
    let slope = xy.over(xx);
    let intercept = mean_y.minus(slope.times(mean_x));
    let rest = yy.minus(slope.times(xy)).value().max(0.0);
    let residual_variance = rest / (nf - 2.0);
    let spread_of_intercept = Double::from(1.0)
        .over(Double::from(nf))
        .add(mean_x.times(mean_x).over(xx));
    Ok(SimpleFit {
        intercept: intercept.value(),
        slope: slope.value(),
        intercept_se: (residual_variance * spread_of_intercept.value()).sqrt(),
        slope_se: (residual_variance / xx.value()).sqrt(),
        residual_sd: residual_variance.sqrt(),
        r_squared: 1.0 - rest / yy.value(),
    })
}

/// Least squares of `y` on any number of columns, each as long as `y`; an intercept is a column
/// of ones. Householder reflections in double-double arithmetic (about 32 digits), so that even
/// nearly dependent columns leave the coefficients as good as the data.
///
/// # Errors
/// [`StatsError::TooFew`] unless there are more rows than columns, and a column;
/// [`StatsError::NotFinite`]; [`StatsError::BadArgument`] of columns of different lengths;
/// [`StatsError::Degenerate`] where a column depends on the others.
///
/// ```
/// let ones = vec![1.0; 4];
/// let x = vec![0.0, 1.0, 2.0, 3.0];
/// let fit = stats::regression::least_squares(&[ones, x], &[1.0, 3.0, 5.0, 7.0])?;
/// assert_eq!(fit.coefficients, [1.0, 2.0]);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn least_squares(columns: &[Vec<f64>], y: &[f64]) -> Result<LeastSquares, StatsError> {
    check(y, columns.len() + 1)?;
    for column in columns {
        if column.len() != y.len() {
            return Err(StatsError::BadArgument("every column must be as long as y"));
        }
        check(column, 1)?;
    }
    let centred = columns
        .iter()
        .any(|c| c[0] != 0.0 && c.iter().all(|v| *v == c[0]));
    let columns = columns
        .iter()
        .map(|column| column.iter().map(|&v| Double::from(v)).collect())
        .collect();
    fit(columns, y, centred)
}

/// Polynomial of `degree` in `x` by least squares: coefficients from that of x^0 up. The powers
/// are kept in double-double, for those of a high degree lose digits when stored as doubles.
///
/// # Errors
/// As [`least_squares`].
///
/// ```
/// let x = [0.0, 1.0, 2.0, 3.0];
/// let fit = stats::regression::polynomial(&x, &[1.0, 3.0, 7.0, 13.0], 2)?;
/// assert_eq!(fit.coefficients, [1.0, 1.0, 1.0]);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn polynomial(x: &[f64], y: &[f64], degree: usize) -> Result<LeastSquares, StatsError> {
    check_points(x, y, degree.saturating_add(2))?;
    let mut columns = vec![vec![Double::from(1.0); x.len()]];
    for power in 0..degree {
        let next = columns[power]
            .iter()
            .zip(x)
            .map(|(p, &x)| p.times(Double::from(x)))
            .collect();
        columns.push(next);
    }
    fit(columns, y, true)
}

fn fit(columns: Vec<Vec<Double>>, y: &[f64], centred: bool) -> Result<LeastSquares, StatsError> {
    let (rows, width) = (y.len(), columns.len());
    if width == 0 {
        return Err(StatsError::BadArgument("a model needs a column"));
    }
    let mut y_sum = Double::ZERO;
    let mut total = Double::ZERO;
    let mut right = Vec::with_capacity(rows);
    for &y in y {
        right.push(Double::from(y));
        y_sum = y_sum.plus(y);
    }
    let centre = if centred {
        y_sum.over(Double::from(rows as f64))
    } else {
        Double::ZERO
    };
    for y in &right {
        let deviation = y.minus(centre);
        total = total.add(deviation.times(deviation));
    }
    let factored = Factored::new(columns, right)
        .ok_or(StatsError::Degenerate("a column depends on the others"))?;
    let rest = factored.residual_sum_of_squares.value();
    let degrees_of_freedom = rows - width;
    let variance = rest / degrees_of_freedom as f64;
    Ok(LeastSquares {
        standard_errors: factored
            .inverse_diagonal
            .iter()
            .map(|d| (variance * d.value()).sqrt())
            .collect(),
        coefficients: factored.coefficients.iter().map(|c| c.value()).collect(),
        residual_sd: variance.sqrt(),
        r_squared: 1.0 - rest / total.value(),
        degrees_of_freedom,
    })
}

/// Checks two lists of finite values of one length, of at least `needed`.
fn check_points(x: &[f64], y: &[f64], needed: usize) -> Result<(), StatsError> {
    check(x, needed)?;
    check(y, needed)?;
    if x.len() != y.len() {
        return Err(StatsError::BadArgument(
            "there must be as many values of x as of y",
        ));
    }
    Ok(())
}
