//! The setup: the numbers of mount, optics, camera, sky and loop that a judgement needs.
//!
//! One table, [`fields`], says for each value its key, unit, range, default and meaning. It drives
//! the commented template, the reader, the range checks and the documentation, so that they can't
//! disagree. The defaults are a common amateur case (common practice, no source).

mod check;
mod defaults;
mod fields;
mod read;
mod typed;
mod write;

use serde::Serialize;

pub use fields::{Field, FieldKind, fields};
pub use read::SetupReading;
pub use typed::sections;

/// The version of the setup file that this crate writes and reads.
pub const SETUP_VERSION: u32 = 1;

/// Everything about mount, optics, camera, sky and loop that is not measured on the wire.
///
/// ```
/// let setup = sky::Setup::parse(&sky::Setup::template()).unwrap();
/// assert_eq!(setup, sky::Setup::default());
/// ```
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Setup {
    /// Version of the file, [`SETUP_VERSION`].
    pub version: u32,
    /// The telescope and camera that guide.
    pub guide_scope: Telescope,
    /// The telescope and camera that photograph.
    pub imaging_scope: Telescope,
    /// The long exposure.
    pub imaging: Imaging,
    /// Where the telescope points.
    pub target: Target,
    /// The mount and what disturbs it.
    pub mount: Mount,
    /// The atmosphere.
    pub sky: Sky,
    /// The guide camera's timing and noise.
    pub camera: Camera,
    /// The control loop; the section `[loop]` of the file.
    #[serde(rename = "loop")]
    pub control: Control,
}

/// A telescope with its camera.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Telescope {
    /// Focal length in mm.
    pub focal_length_mm: f64,
    /// Side of a (binned) pixel in um.
    pub pixel_um: f64,
    /// Diameter of the aperture in mm.
    pub aperture_mm: f64,
}

/// The long exposure that is judged.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Imaging {
    /// Length of one long exposure in s.
    pub exposure_s: f64,
}

/// Where the telescope points.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Target {
    /// Declination in degrees, north positive.
    pub declination_deg: f64,
}

/// The mount and what disturbs it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Mount {
    /// Guide rate in right ascension as a fraction of the sidereal rate.
    pub ra_rate: f64,
    /// Guide rate in declination as a fraction of the sidereal rate.
    pub dec_rate: f64,
    /// Periodic error on the axis, peak to peak, in arcsec.
    pub periodic_error_arcsec: f64,
    /// Period of one turn of the worm in s.
    pub worm_period_s: f64,
    /// Relative strength and phase of the worm's harmonics.
    pub harmonics: Vec<Harmonic>,
    /// Angle between the mount's axis and the pole in arcmin.
    pub polar_error_arcmin: f64,
    /// Hour angle of the star minus that of the mount's axis as seen from the pole, in degrees:
    /// 90 drifts in declination only, 0 in right ascension only.
    pub polar_error_angle_deg: f64,
    /// Drift in right ascension as measured, on the sky, in arcsec/min. When given, it takes the
    /// place of what the polar error predicts.
    pub ra_drift_arcsec_per_min: Option<f64>,
    /// Drift in declination as measured, in arcsec/min. When given, it takes the place of what the
    /// polar error predicts.
    pub dec_drift_arcsec_per_min: Option<f64>,
    /// Standard deviation of the slow gear noise in right ascension, on the axis, in arcsec.
    pub ra_gear_noise_arcsec: f64,
    /// Standard deviation of the slow gear noise in declination in arcsec.
    pub dec_gear_noise_arcsec: f64,
    /// Correlation time of the gear noise (to 1/e) in s.
    pub gear_noise_time_s: f64,
    /// Backlash in declination: how long a correction at the guide rate runs until the axis
    /// follows, in ms.
    pub dec_backlash_ms: f64,
    /// Gusts that push the telescope, per hour.
    pub gusts_per_hour: f64,
    /// Displacement of a usual gust in arcsec (standard deviation, each axis).
    pub gust_size_arcsec: f64,
    /// Time in which the telescope returns after a gust (to 1/e) in s.
    pub gust_decay_s: f64,
}

/// One harmonic of the periodic error: `share * sin(2 pi order t / worm_period + phase)`. The sum
/// of all is scaled to the peak-to-peak value.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Harmonic {
    /// Cycles per turn of the worm, from 1.
    pub order: u32,
    /// Amplitude relative to the other harmonics.
    pub share: f64,
    /// Phase at time 0 in degrees.
    pub phase_deg: f64,
}

/// The atmosphere.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Sky {
    /// Seeing at the zenith and 500 nm in arcsec, as a seeing monitor gives it: `0.98 l / r0`. A
    /// star in a long, perfectly tracked exposure is narrower by the outer scale's share, about a
    /// tenth; see [`crate::seeing::outer_scale_factor`].
    pub seeing_fwhm_arcsec: f64,
    /// Zenith distance of the target in degrees.
    pub zenith_distance_deg: f64,
    /// Wind speed of the turbulent layers in m/s.
    pub wind_m_s: f64,
    /// Outer scale of the turbulence in m.
    pub outer_scale_m: f64,
}

/// The guide camera's timing and noise.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Camera {
    /// Length of one guide exposure in s.
    pub exposure_s: f64,
    /// From the end of the exposure to the decision in s.
    pub readout_s: f64,
    /// Detected electrons per second from the guide star.
    pub star_flux_e_per_s: f64,
    /// Detected electrons per second and pixel from sky and dark current.
    pub background_e_per_s_px: f64,
    /// Read noise in electrons per pixel.
    pub read_noise_e: f64,
    /// One-axis noise of the centroid in arcsec, as measured. When given, it takes the place of
    /// what flux, background and read noise predict.
    pub centroid_noise_arcsec: Option<f64>,
}

/// The control loop.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Control {
    /// The control law.
    pub law: Law,
    /// Gain in right ascension: the share of a measured error that is corrected per frame.
    pub ra_gain: f64,
    /// Gain in declination.
    pub dec_gain: f64,
    /// Error below which nothing is sent, in arcsec.
    pub dead_band_arcsec: f64,
    /// Shortest pulse that is sent, in ms.
    pub shortest_ms: f64,
    /// Longest pulse that is sent, in ms.
    pub longest_ms: f64,
    /// From the start of one frame to the start of the next in s.
    pub cadence_s: f64,
    /// Law `memory`: the weight of the past in the remembered error, 0 forgets at once.
    pub memory: f64,
    /// Law `integral`: the share of the summed error that is corrected per frame.
    pub integral_gain: f64,
    /// Law `predictor`: how many harmonics of the worm it learns.
    pub predictor_harmonics: u32,
}

/// The control laws; the equations stand with the simulation.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Law {
    /// The correction is the gain times the last measured error.
    #[default]
    Proportional,
    /// Proportional to an error that remembers earlier frames.
    Memory,
    /// Proportional to the error and to its sum.
    Integral,
    /// Proportional, plus what a learned model of drift and worm predicts.
    Predictor,
}

impl Law {
    /// All laws, in the order in which they are shown.
    pub const ALL: [Law; 4] = [
        Law::Proportional,
        Law::Memory,
        Law::Integral,
        Law::Predictor,
    ];

    /// The name in the setup file: `proportional`, `memory`, `integral` or `predictor`.
    pub const fn name(self) -> &'static str {
        match self {
            Law::Proportional => "proportional",
            Law::Memory => "memory",
            Law::Integral => "integral",
            Law::Predictor => "predictor",
        }
    }
}

impl Default for Setup {
    /// The default of every field: a common amateur case (common practice, no source).
    fn default() -> Setup {
        defaults::defaults()
    }
}
