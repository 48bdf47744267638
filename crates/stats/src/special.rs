//! Special functions and the distributions that tests and intervals are built from.
//!
//! The transcendental functions underneath come from `libm`, so that every result has the same
//! bits on every machine. An argument outside a function's domain gives NaN, never a panic.

mod beta;
mod gamma;
mod normal;

pub use beta::{
    beta_regularized, binomial_cdf, binomial_pmf, binomial_quantile, f_sf, student_t_quantile,
    student_t_sf,
};
pub use gamma::{
    chi2_sf, digamma, gamma_lower_regularized, gamma_upper_regularized, ln_gamma, trigamma,
};
pub use normal::{normal_cdf, normal_ln_cdf, normal_pdf, normal_quantile, normal_sf};
