//! Least squares by Householder reflections (Golub & Van Loan, Matrix Computations, section
//! 5.2) in double-double arithmetic.

use super::double_double::Double;

/// A column whose part that is independent of the others is smaller than this share of it
/// counts as dependent: a little above the rounding of the data, which are doubles.
const DEPENDENT: f64 = 1e-17;

/// The solution of a least-squares problem.
pub(super) struct Factored {
    pub(super) coefficients: Vec<Double>,
    /// Diagonal of the inverse of the normal matrix.
    pub(super) inverse_diagonal: Vec<Double>,
    pub(super) residual_sum_of_squares: Double,
}

impl Factored {
    /// None where a column depends on the others. There are at least as many rows as columns.
    pub(super) fn new(mut columns: Vec<Vec<Double>>, mut right: Vec<Double>) -> Option<Self> {
        let width = columns.len();
        // Columns are scaled to about 1 by powers of two, which costs no digit.
        let scales: Vec<Double> = columns.iter_mut().map(|c| scale(c)).collect();
        let right_scale = scale(&mut right);
        let mut diagonal = Vec::with_capacity(width);
        for k in 0..width {
            let whole = sum_of_squares(&columns[k]).root();
            let below = sum_of_squares(&columns[k][k..]).root();
            let independent = below.value() > DEPENDENT * whole.value();
            if !independent {
                return None;
            }
            // The reflector v takes the column to -sign(first) |column| e_k.
            let first = columns[k][k];
            let image = if first.is_negative() {
                below
            } else {
                below.negated()
            };
            columns[k][k] = first.minus(image);
            diagonal.push(image);
            let half_square = image.times(image.minus(first));
            let (done, rest) = columns.split_at_mut(k + 1);
            let reflector = &done[k][k..];
            for target in rest.iter_mut().chain(std::iter::once(&mut right)) {
                reflect(reflector, half_square, &mut target[k..]);
            }
        }
        // Back substitution for the coefficients, and for the inverse of the triangle.
        let entry = |i: usize, j: usize| if i == j { diagonal[i] } else { columns[j][i] };
        let solve = |right: &[Double]| {
            let mut solution = right.to_vec();
            for i in (0..solution.len()).rev() {
                let known = solution.iter().enumerate().skip(i + 1);
                let sum = known.fold(solution[i], |sum, (j, &value)| {
                    sum.minus(entry(i, j).times(value))
                });
                solution[i] = sum.over(diagonal[i]);
            }
            solution
        };
        let coefficients = solve(&right[..width])
            .into_iter()
            .zip(&scales)
            .map(|(c, s)| c.times(right_scale).over(*s))
            .collect();
        let mut inverse_diagonal = vec![Double::ZERO; width];
        for j in 0..width {
            let mut unit = vec![Double::ZERO; j + 1];
            unit[j] = Double::from(1.0);
            for (sum, v) in inverse_diagonal.iter_mut().zip(solve(&unit)) {
                *sum = sum.add(v.times(v));
            }
        }
        for (d, s) in inverse_diagonal.iter_mut().zip(&scales) {
            *d = d.over(*s).over(*s);
        }
        Some(Self {
            coefficients,
            inverse_diagonal,
            residual_sum_of_squares: sum_of_squares(&right[width..])
                .times(right_scale)
                .times(right_scale),
        })
    }
}

/// target -= reflector (reflector . target) / half_square
fn reflect(reflector: &[Double], half_square: Double, target: &mut [Double]) {
    let mut product = Double::ZERO;
    for (v, t) in reflector.iter().zip(target.iter()) {
        product = product.add(v.times(*t));
    }
    let share = product.over(half_square);
    for (v, t) in reflector.iter().zip(target.iter_mut()) {
        *t = t.minus(v.times(share));
    }
}

fn sum_of_squares(values: &[Double]) -> Double {
    values
        .iter()
        .fold(Double::ZERO, |sum, v| sum.add(v.times(*v)))
}

/// Divides by the power of two next to the largest size, and gives it; 1 for a column of zeros.
fn scale(values: &mut [Double]) -> Double {
    let largest = values.iter().fold(0f64, |m, v| m.max(v.value().abs()));
    // Kept to powers of which the inverse is a normal number.
    let exponent = (largest.to_bits() >> 52).clamp(1, 2045);
    if largest == 0.0 {
        return Double::from(1.0);
    }
    let power = f64::from_bits(exponent << 52);
    let down = Double::from(1.0 / power);
    for v in values {
        *v = v.times(down);
    }
    Double::from(power)
}
