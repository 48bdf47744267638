use super::*;
use std::f64::consts::TAU;

#[test]
fn a_star_adds_variances_along_its_own_axes() {
    // Worked by hand: variances 0.3 and 0.1 with covariance 0.1 have eigenvalues
    // 0.2 +- sqrt(0.01 + 0.01).
    let star = Star::new(2.0, 0.3, 0.1, 0.1);
    let k2 = 8.0 * std::f64::consts::LN_2;
    let root = 0.02f64.sqrt();
    assert!((star.major_arcsec.powi(2) - 4.0 - k2 * (0.2 + root)).abs() < 1e-12);
    assert!((star.minor_arcsec.powi(2) - 4.0 - k2 * (0.2 - root)).abs() < 1e-12);
    let round = Star::new(2.0, 0.0, 0.0, 0.0);
    assert_eq!((round.fwhm_arcsec(), round.elongation()), (2.0, 1.0));
}

#[test]
fn the_periodogram_holds_the_variance() {
    // Parseval: the sum of density times the width of a bin is the mean square about the mean.
    let values: Vec<f64> = (0..150)
        .map(|i| (f64::from(i * i % 37) / 7.0).sin())
        .collect();
    let spectrum = periodogram(&values, 3.0);
    let mean = values.iter().sum::<f64>() / 150.0;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 150.0;
    let power: f64 = spectrum.density.iter().sum::<f64>() / (150.0 * 3.0);
    assert!((power - variance).abs() < 1e-12, "{power} {variance}");
    assert_eq!(spectrum.frequency_hz[74], 1.0 / 6.0);
}

#[test]
fn a_sinusoid_is_found_as_a_peak_and_white_noise_is_not() {
    let swing: Vec<f64> = (0..150).map(|i| (TAU * f64::from(i) / 6.0).sin()).collect();
    let (period, share) = find_peak(&periodogram(&swing, 2.0), 2.0).unwrap();
    assert!((period - 12.0).abs() < 1e-9 && share > 0.99);
    let mut random = stats::random::Random::new(1);
    let noise: Vec<f64> = (0..150).map(|_| random.normal()).collect();
    assert_eq!(find_peak(&periodogram(&noise, 2.0), 2.0), None);
}

#[test]
fn an_interval_is_that_of_students_t() {
    // t(0.975, 2) = 4.302653 (tables of Student's distribution); values 1, 2, 3: se = 1/sqrt(3).
    let e = Estimate::of(&[1.0, 2.0, 3.0]).unwrap();
    assert_eq!(e.value, 2.0);
    assert!((e.half_width() - 4.302_653 / 3f64.sqrt()).abs() < 1e-5);
    assert!(Estimate::of(&[1.0]).is_err());
}
