//! The table of fields: the only place that knows key, unit, range, default and meaning.

use super::{Harmonic, Law, Setup};

/// One value of the setup file.
pub struct Field {
    /// Section of the file, without brackets.
    pub section: &'static str,
    /// Key in the section; it carries the unit.
    pub key: &'static str,
    /// The unit in words; empty for a plain number.
    pub unit: &'static str,
    /// What may stand there.
    pub kind: FieldKind,
    /// What the value means, in one line.
    pub explanation: &'static str,
    /// Where the value lives.
    pub(super) place: Place,
}

/// What may stand at a field.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum FieldKind {
    /// A number from `least` to `most`, both included.
    Number {
        /// Least sane value.
        least: f64,
        /// Greatest sane value.
        most: f64,
        /// The value of a common amateur case.
        default: f64,
    },
    /// A number from `least` to `most` that may be left out.
    Optional {
        /// Least sane value.
        least: f64,
        /// Greatest sane value.
        most: f64,
        /// A value to show in the template, where the line is a comment.
        example: f64,
    },
    /// A whole number from `least` to `most`, both included.
    Whole {
        /// Least sane value.
        least: u32,
        /// Greatest sane value.
        most: u32,
        /// The value of a common amateur case.
        default: u32,
    },
    /// One of the names of [`Law::ALL`]; the default is [`Law::Proportional`].
    Law,
    /// A list of [`Harmonic`]s.
    Harmonics {
        /// The harmonics of a common amateur case.
        default: &'static [Harmonic],
    },
}

type At<T> = fn(&mut Setup) -> &mut T;

/// Where a field lives in [`Setup`]; one variant for each type of value.
#[derive(Clone, Copy)]
pub(super) enum Place {
    Number(At<f64>),
    Optional(At<Option<f64>>),
    Whole(At<u32>),
    Law(At<Law>),
    Harmonics(At<Vec<Harmonic>>),
}

/// The first heading line above each section of the template, in order.
pub(super) const SECTIONS: [(&str, &str); 8] = [
    ("guide_scope", "The telescope and camera that guide."),
    ("imaging_scope", "The telescope and camera that photograph."),
    ("imaging", "The long exposure that is judged."),
    ("target", "Where the telescope points."),
    ("mount", "The mount and what disturbs it."),
    ("sky", "The atmosphere."),
    ("camera", "The guide camera's timing and noise."),
    ("loop", "The control loop."),
];

/// Limits of one harmonic: order from 1, share and phase in degrees.
pub(super) const HARMONIC_ORDER: (u32, u32) = (1, 100);
pub(super) const HARMONIC_SHARE: (f64, f64) = (0.0, 1.0);
pub(super) const HARMONIC_PHASE_DEG: (f64, f64) = (-360.0, 360.0);
/// A longer list is a mistake rather than a worm.
pub(super) const HARMONIC_COUNT: usize = 16;

const HARMONICS: [Harmonic; 3] = [
    Harmonic {
        order: 1,
        share: 1.0,
        phase_deg: 0.0,
    },
    Harmonic {
        order: 2,
        share: 0.2,
        phase_deg: 60.0,
    },
    Harmonic {
        order: 4,
        share: 0.1,
        phase_deg: 200.0,
    },
];

const fn number(
    (section, key, unit): (&'static str, &'static str, &'static str),
    (least, most): (f64, f64),
    default: f64,
    place: At<f64>,
    explanation: &'static str,
) -> Field {
    Field {
        section,
        key,
        unit,
        kind: FieldKind::Number {
            least,
            most,
            default,
        },
        explanation,
        place: Place::Number(place),
    }
}

const fn optional(
    (section, key, unit): (&'static str, &'static str, &'static str),
    (least, most): (f64, f64),
    example: f64,
    place: At<Option<f64>>,
    explanation: &'static str,
) -> Field {
    Field {
        section,
        key,
        unit,
        kind: FieldKind::Optional {
            least,
            most,
            example,
        },
        explanation,
        place: Place::Optional(place),
    }
}

/// All fields in the order of the file. Ranges and defaults: common practice, no source.
pub fn fields() -> &'static [Field] {
    &FIELDS
}

static FIELDS: [Field; 44] = [
    number(
        ("guide_scope", "focal_length_mm", "mm"),
        (20.0, 20_000.0),
        240.0,
        |s| &mut s.guide_scope.focal_length_mm,
        "focal length of the guiding telescope",
    ),
    number(
        ("guide_scope", "pixel_um", "um"),
        (0.5, 100.0),
        3.75,
        |s| &mut s.guide_scope.pixel_um,
        "side of a pixel of the guide camera, times the binning",
    ),
    number(
        ("guide_scope", "aperture_mm", "mm"),
        (5.0, 5_000.0),
        60.0,
        |s| &mut s.guide_scope.aperture_mm,
        "diameter of the guiding telescope's lens or mirror",
    ),
    number(
        ("imaging_scope", "focal_length_mm", "mm"),
        (20.0, 20_000.0),
        700.0,
        |s| &mut s.imaging_scope.focal_length_mm,
        "focal length of the imaging telescope, with reducer",
    ),
    number(
        ("imaging_scope", "pixel_um", "um"),
        (0.5, 100.0),
        3.8,
        |s| &mut s.imaging_scope.pixel_um,
        "side of a pixel of the imaging camera, times the binning",
    ),
    number(
        ("imaging_scope", "aperture_mm", "mm"),
        (5.0, 5_000.0),
        120.0,
        |s| &mut s.imaging_scope.aperture_mm,
        "diameter of the imaging telescope's lens or mirror",
    ),
    number(
        ("imaging", "exposure_s", "s"),
        (1.0, 7_200.0),
        300.0,
        |s| &mut s.imaging.exposure_s,
        "length of one long exposure",
    ),
    number(
        ("target", "declination_deg", "degrees"),
        (-90.0, 90.0),
        30.0,
        |s| &mut s.target.declination_deg,
        "declination of the target, north positive",
    ),
    number(
        ("mount", "ra_rate", "times sidereal"),
        (0.01, 4.0),
        0.5,
        |s| &mut s.mount.ra_rate,
        "guide rate in right ascension",
    ),
    number(
        ("mount", "dec_rate", "times sidereal"),
        (0.01, 4.0),
        0.5,
        |s| &mut s.mount.dec_rate,
        "guide rate in declination",
    ),
    number(
        ("mount", "periodic_error_arcsec", "arcsec"),
        (0.0, 300.0),
        20.0,
        |s| &mut s.mount.periodic_error_arcsec,
        "periodic error of the right ascension axis, peak to peak",
    ),
    number(
        ("mount", "worm_period_s", "s"),
        (1.0, 86_400.0),
        480.0,
        |s| &mut s.mount.worm_period_s,
        "time of one turn of the worm",
    ),
    Field {
        section: "mount",
        key: "harmonics",
        unit: "",
        kind: FieldKind::Harmonics {
            default: &HARMONICS,
        },
        explanation: "shape of the periodic error: cycles per turn, relative amplitude, phase",
        place: Place::Harmonics(|s| &mut s.mount.harmonics),
    },
    number(
        ("mount", "polar_error_arcmin", "arcmin"),
        (0.0, 600.0),
        2.0,
        |s| &mut s.mount.polar_error_arcmin,
        "angle between the mount's axis and the celestial pole",
    ),
    number(
        ("mount", "polar_error_angle_deg", "degrees"),
        (-360.0, 360.0),
        90.0,
        |s| &mut s.mount.polar_error_angle_deg,
        "hour angle of the star minus that of the axis; 90 drifts most in declination",
    ),
    optional(
        ("mount", "ra_drift_arcsec_per_min", "arcsec/min"),
        (-120.0, 120.0),
        0.1,
        |s| &mut s.mount.ra_drift_arcsec_per_min,
        "measured drift in right ascension on the sky; replaces the polar error's",
    ),
    optional(
        ("mount", "dec_drift_arcsec_per_min", "arcsec/min"),
        (-120.0, 120.0),
        0.5,
        |s| &mut s.mount.dec_drift_arcsec_per_min,
        "measured drift in declination; replaces the polar error's",
    ),
    number(
        ("mount", "ra_gear_noise_arcsec", "arcsec"),
        (0.0, 30.0),
        0.3,
        |s| &mut s.mount.ra_gear_noise_arcsec,
        "standard deviation of slow gear noise in right ascension, on the axis",
    ),
    number(
        ("mount", "dec_gear_noise_arcsec", "arcsec"),
        (0.0, 30.0),
        0.1,
        |s| &mut s.mount.dec_gear_noise_arcsec,
        "standard deviation of slow gear noise in declination",
    ),
    number(
        ("mount", "gear_noise_time_s", "s"),
        (0.1, 3_600.0),
        10.0,
        |s| &mut s.mount.gear_noise_time_s,
        "correlation time of the gear noise, to 1/e",
    ),
    number(
        ("mount", "dec_backlash_ms", "ms"),
        (0.0, 60_000.0),
        200.0,
        |s| &mut s.mount.dec_backlash_ms,
        "pulse that takes up the backlash after a reversal in declination",
    ),
    number(
        ("mount", "gusts_per_hour", "per hour"),
        (0.0, 3_600.0),
        4.0,
        |s| &mut s.mount.gusts_per_hour,
        "gusts that move the telescope",
    ),
    number(
        ("mount", "gust_size_arcsec", "arcsec"),
        (0.0, 120.0),
        1.0,
        |s| &mut s.mount.gust_size_arcsec,
        "displacement by a gust, standard deviation of each axis",
    ),
    number(
        ("mount", "gust_decay_s", "s"),
        (0.05, 600.0),
        2.0,
        |s| &mut s.mount.gust_decay_s,
        "time in which the telescope returns after a gust, to 1/e",
    ),
    number(
        ("sky", "seeing_fwhm_arcsec", "arcsec"),
        (0.2, 15.0),
        2.5,
        |s| &mut s.sky.seeing_fwhm_arcsec,
        "seeing, 0.98 wavelength / r0 as a seeing monitor gives it, at the zenith and 500 nm",
    ),
    number(
        ("sky", "zenith_distance_deg", "degrees"),
        (0.0, 85.0),
        35.0,
        |s| &mut s.sky.zenith_distance_deg,
        "distance of the target from the zenith",
    ),
    number(
        ("sky", "wind_m_s", "m/s"),
        (0.1, 150.0),
        10.0,
        |s| &mut s.sky.wind_m_s,
        "wind speed of the turbulent layers",
    ),
    number(
        ("sky", "outer_scale_m", "m"),
        (1.0, 10_000.0),
        25.0,
        |s| &mut s.sky.outer_scale_m,
        "outer scale of the turbulence",
    ),
    number(
        ("camera", "exposure_s", "s"),
        (0.001, 600.0),
        2.0,
        |s| &mut s.camera.exposure_s,
        "length of one guide exposure",
    ),
    number(
        ("camera", "readout_s", "s"),
        (0.0, 60.0),
        0.5,
        |s| &mut s.camera.readout_s,
        "from the end of the exposure to the decision",
    ),
    number(
        ("camera", "star_flux_e_per_s", "electrons/s"),
        (1.0, 1e9),
        5_000.0,
        |s| &mut s.camera.star_flux_e_per_s,
        "light of the guide star, summed over its pixels",
    ),
    number(
        ("camera", "background_e_per_s_px", "electrons/s/pixel"),
        (0.0, 1e6),
        10.0,
        |s| &mut s.camera.background_e_per_s_px,
        "light of the sky and dark current",
    ),
    number(
        ("camera", "read_noise_e", "electrons/pixel"),
        (0.0, 1_000.0),
        4.0,
        |s| &mut s.camera.read_noise_e,
        "read noise of the guide camera",
    ),
    optional(
        ("camera", "centroid_noise_arcsec", "arcsec"),
        (0.0, 10.0),
        0.15,
        |s| &mut s.camera.centroid_noise_arcsec,
        "measured noise of the star's position, each axis; replaces flux, background, read noise",
    ),
    Field {
        section: "loop",
        key: "law",
        unit: "",
        kind: FieldKind::Law,
        explanation: "control law",
        place: Place::Law(|s| &mut s.control.law),
    },
    number(
        ("loop", "ra_gain", ""),
        (0.0, 3.0),
        0.6,
        |s| &mut s.control.ra_gain,
        "share of a measured error that is corrected per frame, right ascension",
    ),
    number(
        ("loop", "dec_gain", ""),
        (0.0, 3.0),
        0.6,
        |s| &mut s.control.dec_gain,
        "share of a measured error that is corrected per frame, declination",
    ),
    number(
        ("loop", "dead_band_arcsec", "arcsec"),
        (0.0, 30.0),
        0.2,
        |s| &mut s.control.dead_band_arcsec,
        "error below which nothing is sent",
    ),
    number(
        ("loop", "shortest_ms", "ms"),
        (0.0, 10_000.0),
        20.0,
        |s| &mut s.control.shortest_ms,
        "shortest pulse that is sent",
    ),
    number(
        ("loop", "longest_ms", "ms"),
        (1.0, 60_000.0),
        2_000.0,
        |s| &mut s.control.longest_ms,
        "longest pulse that is sent",
    ),
    number(
        ("loop", "cadence_s", "s"),
        (0.001, 600.0),
        3.0,
        |s| &mut s.control.cadence_s,
        "from the start of one frame to the start of the next",
    ),
    number(
        ("loop", "memory", ""),
        (0.0, 0.99),
        0.3,
        |s| &mut s.control.memory,
        "law \"memory\": weight of the past in the remembered error",
    ),
    number(
        ("loop", "integral_gain", ""),
        (0.0, 1.0),
        0.05,
        |s| &mut s.control.integral_gain,
        "law \"integral\": share of the summed error that is corrected per frame",
    ),
    Field {
        section: "loop",
        key: "predictor_harmonics",
        unit: "",
        kind: FieldKind::Whole {
            least: 0,
            most: 8,
            default: 2,
        },
        explanation: "law \"predictor\": harmonics of the worm that it learns",
        place: Place::Whole(|s| &mut s.control.predictor_harmonics),
    },
];
