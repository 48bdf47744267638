//! The default setup, from the table of fields.

use super::fields::Place;
use super::{
    Camera, Control, FieldKind, Imaging, Law, Mount, SETUP_VERSION, Setup, Sky, Target, Telescope,
    fields,
};

/// Every field at its default.
pub(super) fn defaults() -> Setup {
    let telescope = Telescope {
        focal_length_mm: 0.0,
        pixel_um: 0.0,
        aperture_mm: 0.0,
    };
    let mut setup = Setup {
        version: SETUP_VERSION,
        guide_scope: telescope,
        imaging_scope: telescope,
        imaging: Imaging { exposure_s: 0.0 },
        target: Target {
            declination_deg: 0.0,
        },
        mount: Mount {
            ra_rate: 0.0,
            dec_rate: 0.0,
            periodic_error_arcsec: 0.0,
            worm_period_s: 0.0,
            harmonics: Vec::new(),
            polar_error_arcmin: 0.0,
            polar_error_angle_deg: 0.0,
            ra_drift_arcsec_per_min: None,
            dec_drift_arcsec_per_min: None,
            ra_gear_noise_arcsec: 0.0,
            dec_gear_noise_arcsec: 0.0,
            gear_noise_time_s: 0.0,
            dec_backlash_ms: 0.0,
            gusts_per_hour: 0.0,
            gust_size_arcsec: 0.0,
            gust_decay_s: 0.0,
        },
        sky: Sky {
            seeing_fwhm_arcsec: 0.0,
            zenith_distance_deg: 0.0,
            wind_m_s: 0.0,
            outer_scale_m: 0.0,
        },
        camera: Camera {
            exposure_s: 0.0,
            readout_s: 0.0,
            star_flux_e_per_s: 0.0,
            background_e_per_s_px: 0.0,
            read_noise_e: 0.0,
            centroid_noise_arcsec: None,
        },
        control: Control {
            law: Law::Proportional,
            ra_gain: 0.0,
            dec_gain: 0.0,
            dead_band_arcsec: 0.0,
            shortest_ms: 0.0,
            longest_ms: 0.0,
            cadence_s: 0.0,
            memory: 0.0,
            integral_gain: 0.0,
            predictor_harmonics: 0,
        },
    };
    for field in fields() {
        match (field.kind, field.place) {
            (FieldKind::Number { default, .. }, Place::Number(at)) => *at(&mut setup) = default,
            (FieldKind::Whole { default, .. }, Place::Whole(at)) => *at(&mut setup) = default,
            (FieldKind::Harmonics { default }, Place::Harmonics(at)) => {
                *at(&mut setup) = default.to_vec();
            }
            // Options stay empty and the law stays as above.
            _ => {}
        }
    }
    setup
}
