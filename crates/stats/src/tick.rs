//! Is there a hidden timer tick: do values lie near the multiples of some period?
//!
//! The statistic is Rayleigh's: with C(f) = (1/n) sum exp(2 pi i f x), the power n |C|² of
//! values without structure is exponentially distributed with mean 1 (Mardia & Jupp 2000,
//! Directional Statistics, section 6.3.1), and a peak that was searched for over many
//! frequencies needs the correction for having looked elsewhere (Scargle 1982, Astrophysical
//! Journal 263:835-853; Baluev 2008, MNRAS 385:1279-1285). How the power of a smooth but narrow
//! or sharp-edged distribution is kept from counting as a tick is told at [`hidden_tick`].

use crate::StatsError;

mod comb;
mod continuum;
mod parts;
mod resolution;
mod spectrum;
#[cfg(test)]
mod tests;

pub use resolution::resolution;

use comb::{Comb, search};
use continuum::Continuum;
use spectrum::Spectra;

/// Fewest values that a tick is looked for in.
const FEWEST: usize = 20;

/// Below this p-value both quantities count as combs, and their heights are compared.
const BOTH: f64 = 1e-3;

/// Two combs whose mean phase vectors differ by less than this in length are equally good.
const ALIKE: f64 = 0.03;

/// Widths that were measured for one requested width. The unit, ms for example, is that of
/// the periods asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group<'a> {
    /// The requested width.
    pub requested: f64,
    /// The measured widths, in any order.
    pub widths: &'a [f64],
}

/// What lies near the multiples of the period.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// The widths, up to one common offset: a timer rounds the whole.
    Width,
    /// The errors, width minus requested width, up to one common offset: a timer rounds what
    /// is added.
    Error,
    /// Both equally: the requested widths are equal, or multiples of the period themselves,
    /// and can't tell the two apart.
    Either,
}

/// The most striking period, and how striking it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tick {
    /// Which quantity shares the phase.
    pub of: Quantity,
    /// The period, in the unit of the widths: the longest of which the data's peaks are
    /// harmonics.
    pub period: f64,
    /// Length of the mean phase vector |C| at the period, 0 to 1: 1 where every value is an
    /// exact multiple.
    pub power: f64,
    /// The chance of a peak as high, at any period searched and for either quantity, of values
    /// whose density is smooth.
    pub p_value: f64,
    /// How many independent frequencies the correction counts.
    pub independent: f64,
    /// At how many frequencies the spectrum was evaluated, for the quantity named.
    pub frequencies: usize,
}

/// Looks for a hidden tick with a period in `min_period..=max_period`, in the widths and in
/// the errors.
///
/// **Null hypothesis.** Uniform phase would be the wrong one: a narrow distribution concentrates
/// any phase of a long period, a sharp edge leaves power at every period, two clusters act like
/// two teeth of a comb, and requested widths that are themselves multiples of something line up.
/// So the power is compared with what a smooth density of the same kind can have, its
/// *continuum*, and only the excess of the amplitude, z = sqrt(n) |C| - A(f), counts, with the
/// chance exp(-z²). The bound A is the smaller of two:
/// - an *envelope*: sqrt(n) times the largest |C(f)| of a density whose parts are no narrower
///   than a tenth of the spread S, or with an edge as high as 1/S; S is taken in each group by
///   itself, so that the order of the requested widths does not enter;
/// - the *neighborhood*: the power summed over groups without regard to phase, at
///   frequencies near f that are not multiples of f. A tick is a narrow line there; edges and
///   clusters raise the neighbors too.
///
/// **Correction.** With Baluev's (2008) rate of upcrossings the chance of any peak of excess z in
/// a frequency range F is about F sqrt(4 pi) SD z exp(-z²); at least F times the range of the
/// data independent frequencies are counted (Scargle 1982). Both quantities: twice the smaller
/// p-value.
///
/// **What is found.** The highest peak may be a harmonic, for a comb with sharp teeth has them
/// all: the period given is the longest in the range of which all harmonics up to that peak
/// are there. A period below about 1.4 S shows even with blurred teeth; a longer one needs teeth
/// that are sharper than about a thirtieth of it, for two blurred teeth are two clusters. At
/// least about two teeth must be filled in a good part of the groups: one tooth alone, or one
/// tooth and stragglers, is a narrow distribution and no comb. Three or more equally spaced
/// clusters, on the other hand, are one. Values that are all multiples of the capture's own step
/// show that step: ask [`resolution`] first, and search above it.
///
/// The spectra are made by fast Fourier transforms of histograms (bins of `min_period`/16,
/// linear weights, deconvolved; what lies far out is folded in, which changes nothing at the
/// grid's frequencies), for each group by itself; requested widths enter as exact phases. The
/// peak is then refined on the values.
///
/// # Errors
/// [`StatsError::TooFew`] below 20 values in all; [`StatsError::NotFinite`] (the index counts
/// through all groups' widths; of a requested width, the index of its group);
/// [`StatsError::BadArgument`] unless 0 < `min_period` < `max_period`, or when range and periods
/// ask for more frequencies than can be searched; [`StatsError::Degenerate`] when all errors are
/// equal.
///
/// ```
/// use stats::random::Random;
/// use stats::tick::{Group, Quantity, hidden_tick};
/// let mut random = Random::new(3);
/// let mut measured = |requested: f64| -> Vec<f64> {
///     (0..80)
///         .map(|_| 4.0 * ((requested + 12.0 + 5.0 * random.normal()) / 4.0).round())
///         .collect()
/// };
/// let (a, b, c) = (measured(75.0), measured(130.0), measured(311.0));
/// let groups = [
///     Group { requested: 75.0, widths: &a },
///     Group { requested: 130.0, widths: &b },
///     Group { requested: 311.0, widths: &c },
/// ];
/// let tick = hidden_tick(&groups, 0.1, 20.0)?;
/// assert!(tick.p_value < 1e-6 && (tick.period - 4.0).abs() < 0.01);
/// assert_eq!(tick.of, Quantity::Width);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn hidden_tick(
    groups: &[Group<'_>],
    min_period: f64,
    max_period: f64,
) -> Result<Tick, StatsError> {
    let spectra = Spectra::new(groups, min_period, max_period)?;
    let mut continuum = Continuum::new(&spectra);
    let error = search(&spectra, &mut continuum, Quantity::Error);
    if !spectra.requests_differ() {
        return Ok(tick(Quantity::Either, &error, 1.0));
    }
    let width = search(&spectra, &mut continuum, Quantity::Width);
    let p_value = width.p_value.min(error.p_value);
    let of = if width.p_value.max(error.p_value) > BOTH {
        // One of them only, if any.
        if width.p_value < error.p_value {
            Quantity::Width
        } else {
            Quantity::Error
        }
    } else if (width.power - error.power).abs() > ALIKE {
        if width.power > error.power {
            Quantity::Width
        } else {
            Quantity::Error
        }
    } else if (width.period / error.period - 1.0).abs() < 0.02 {
        Quantity::Either
    } else if width.period > error.period {
        // The shorter period of the other comes from requested widths that are multiples of it.
        Quantity::Width
    } else {
        Quantity::Error
    };
    // The widths range farther than the errors, and tell the period better.
    let comb = if of == Quantity::Error {
        &error
    } else {
        &width
    };
    Ok(Tick {
        p_value: (2.0 * p_value).min(1.0),
        ..tick(of, comb, 2.0)
    })
}

/// The result from a comb, its p-value corrected for the quantities tried.
fn tick(of: Quantity, comb: &Comb, tried: f64) -> Tick {
    Tick {
        of,
        period: comb.period,
        power: comb.power,
        p_value: (tried * comb.p_value).min(1.0),
        independent: comb.independent,
        frequencies: comb.frequencies,
    }
}

/// The spectrum for a figure: `points` pairs (period, |C|), periods ascending in equal ratios
/// from `min_period` to `max_period`. Each power is the greatest between the midpoints to the
/// neighboring periods, so that no narrow line is missed. [`Quantity::Either`] stands for the
/// errors.
///
/// # Errors
/// As [`hidden_tick`]; [`StatsError::BadArgument`] unless there are 2 to 1,000,000 points.
///
/// ```
/// use stats::tick::{Group, Quantity, periodogram};
/// let widths: Vec<f64> = (0..90).map(|i| 100.0 + 3.0 * f64::from(i % 7)).collect();
/// let groups = [Group { requested: 100.0, widths: &widths }];
/// let line = periodogram(&groups, Quantity::Error, 2.0, 9.0, 500)?;
/// let top = line.iter().filter(|(period, _)| (2.9..3.1).contains(period));
/// assert!(top.map(|(_, power)| *power).fold(0.0, f64::max) > 0.99);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn periodogram(
    groups: &[Group<'_>],
    of: Quantity,
    min_period: f64,
    max_period: f64,
    points: usize,
) -> Result<Vec<(f64, f64)>, StatsError> {
    if !(2..=1_000_000).contains(&points) {
        return Err(StatsError::BadArgument(
            "a periodogram has 2 to 1,000,000 points",
        ));
    }
    let spectra = Spectra::new(groups, min_period, max_period)?;
    let last = (points - 1) as f64;
    let span = libm::log(max_period / min_period);
    let period = |i: f64| min_period * libm::exp(span * i / last);
    let mut line: Vec<(f64, f64)> = (0..points)
        .map(|i| {
            let period = period(i as f64);
            (period, spectra.amplitude(of, 1.0 / period))
        })
        .collect();
    spectra.scan(of, 0.0, f64::INFINITY, |f, power| {
        let place = libm::log(1.0 / (f * min_period)) / span * last;
        if let Some((_, p)) = line.get_mut(place.round().max(0.0) as usize) {
            *p = p.max(libm::sqrt(power / spectra.count()).min(1.0));
        }
    });
    Ok(line)
}
