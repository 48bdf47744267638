//! The normal distribution.

/// 1/sqrt(2), and what its rounding to double leaves over.
const INV_SQRT_2: f64 = std::f64::consts::FRAC_1_SQRT_2;
const INV_SQRT_2_REST: f64 = -4.833_646_656_726_457e-17;
/// 1/sqrt(2 pi) and ln sqrt(2 pi).
const INV_SQRT_2_PI: f64 = 0.398_942_280_401_432_7;
const LN_SQRT_2_PI: f64 = 0.918_938_533_204_672_8;

/// Density of the standard normal distribution at `x`.
///
/// ```
/// assert!((stats::special::normal_pdf(0.0) - 0.3989422804014327).abs() < 1e-16);
/// ```
pub fn normal_pdf(x: f64) -> f64 {
    // x^2 is split in a head and a rest, for exp() turns the absolute error of its argument
    // into a relative one.
    let square = x * x;
    let rest = x.mul_add(x, -square);
    if square > 1500.0 {
        return if x.is_nan() { x } else { 0.0 };
    }
    INV_SQRT_2_PI * libm::exp(-0.5 * square) * (1.0 - 0.5 * rest)
}

/// Probability that a standard normal number is at most `x`; relative accuracy about 1e-15
/// in the lower tail too, down to where it underflows (x about -38).
///
/// ```
/// assert_eq!(stats::special::normal_cdf(0.0), 0.5);
/// ```
pub fn normal_cdf(x: f64) -> f64 {
    normal_sf(-x)
}

/// Probability that a standard normal number exceeds `x`; see [`normal_cdf`].
///
/// ```
/// assert!((stats::special::normal_sf(1.959963984540054) - 0.025).abs() < 1e-16);
/// ```
pub fn normal_sf(x: f64) -> f64 {
    let z = x * INV_SQRT_2;
    let half = 0.5 * libm::erfc(z);
    if x > 3.0 && x < 40.0 {
        // erfc(z + d) = erfc(z) (1 - 2 z d) in the tail, d being what rounding took from z.
        let lost = x.mul_add(INV_SQRT_2, -z) + x * INV_SQRT_2_REST;
        return half * (1.0 - 2.0 * z * lost);
    }
    half
}

/// Natural logarithm of [`normal_cdf`], without underflow: finite for every finite `x` whose
/// square is.
///
/// Below -25 by the asymptotic series of Mills' ratio (Abramowitz & Stegun 26.2.12).
///
/// ```
/// let tail = stats::special::normal_ln_cdf(-100.0);
/// assert!((tail + 5005.524208).abs() < 1e-5);
/// ```
pub fn normal_ln_cdf(x: f64) -> f64 {
    if x > -1.0 {
        return libm::log1p(-normal_sf(x));
    }
    if x > -25.0 {
        return libm::log(normal_cdf(x));
    }
    let inverse_square = 1.0 / (x * x);
    // Ten terms: at x = -25 the next is below 1e-19.
    let mut series = 1.0;
    for k in (1..=10).rev() {
        series = 1.0 - f64::from(2 * k - 1) * inverse_square * series;
    }
    -0.5 * x * x - libm::log(-x) - LN_SQRT_2_PI + libm::log(series)
}

/// Quantile of the standard normal distribution: the x at which [`normal_cdf`] is `p`.
/// 0 gives minus infinity, 1 plus infinity, anything outside 0..=1 NaN.
///
/// Algorithm AS 241, PPND16 (Wichura 1988, Applied Statistics 37:477-484).
///
/// ```
/// let q = stats::special::normal_quantile(0.975);
/// assert!((q - 1.959963984540054).abs() < 1e-15);
/// ```
pub fn normal_quantile(p: f64) -> f64 {
    let q = p - 0.5;
    if q.abs() <= 0.425 {
        let r = 0.180_625 - q * q;
        return q * ratio(r, &CENTRE_UPPER, &CENTRE_LOWER);
    }
    let tail = if q < 0.0 { p } else { 1.0 - p };
    if tail == 0.0 {
        return if q < 0.0 {
            f64::NEG_INFINITY
        } else {
            f64::INFINITY
        };
    }
    if !(tail > 0.0 && tail < 0.5) {
        return f64::NAN;
    }
    let r = (-libm::log(tail)).sqrt();
    let size = if r <= 5.0 {
        ratio(r - 1.6, &MIDDLE_UPPER, &MIDDLE_LOWER)
    } else {
        ratio(r - 5.0, &FAR_UPPER, &FAR_LOWER)
    };
    if q < 0.0 { -size } else { size }
}

/// Ratio of two polynomials at `r`, coefficients from the highest power down.
fn ratio(r: f64, upper: &[f64; 8], lower: &[f64; 8]) -> f64 {
    let value = |c: &[f64; 8]| c.iter().fold(0.0, |sum, c| sum * r + c);
    value(upper) / value(lower)
}

// The coefficients of AS 241, PPND16: the centre, the middle range and the far tails.
const CENTRE_UPPER: [f64; 8] = [
    2.509_080_928_730_122_7e3,
    3.343_057_558_358_813e4,
    6.726_577_092_700_87e4,
    4.592_195_393_154_987e4,
    1.373_169_376_550_946e4,
    1.971_590_950_306_551_3e3,
    1.331_416_678_917_843_8e2,
    3.387_132_872_796_366_5,
];
const CENTRE_LOWER: [f64; 8] = [
    5.226_495_278_852_854e3,
    2.872_908_573_572_194_3e4,
    3.930_789_580_009_271e4,
    2.121_379_430_158_659_7e4,
    5.394_196_021_424_751e3,
    6.871_870_074_920_579e2,
    4.231_333_070_160_091e1,
    1.0,
];
const MIDDLE_UPPER: [f64; 8] = [
    7.745_450_142_783_414e-4,
    2.272_384_498_926_918_4e-2,
    2.417_807_251_774_506e-1,
    1.270_458_252_452_368_4,
    3.647_848_324_763_204_5,
    5.769_497_221_460_691,
    4.630_337_846_156_546,
    1.423_437_110_749_683_5,
];
const MIDDLE_LOWER: [f64; 8] = [
    1.050_750_071_644_416_9e-9,
    5.475_938_084_995_345e-4,
    1.519_866_656_361_645_7e-2,
    1.481_039_764_274_800_8e-1,
    6.897_673_349_851e-1,
    1.676_384_830_183_803_8,
    2.053_191_626_637_759,
    1.0,
];
const FAR_UPPER: [f64; 8] = [
    2.010_334_399_292_288_1e-7,
    2.711_555_568_743_487_6e-5,
    1.242_660_947_388_078_4e-3,
    2.653_218_952_657_612_4e-2,
    2.965_605_718_285_048_7e-1,
    1.784_826_539_917_291_3,
    5.463_784_911_164_114,
    6.657_904_643_501_103,
];
const FAR_LOWER: [f64; 8] = [
    2.044_263_103_389_939_8e-15,
    1.421_511_758_316_446e-7,
    1.846_318_317_510_054_8e-5,
    7.868_691_311_456_133e-4,
    1.487_536_129_085_061_5e-2,
    1.369_298_809_227_358e-1,
    5.998_322_065_558_88e-1,
    1.0,
];
