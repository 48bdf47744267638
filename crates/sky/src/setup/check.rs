//! Checks of a setup, however it was made: ranges, and values that contradict each other.

use wire::Warning;

use super::fields::{HARMONIC_COUNT, HARMONIC_ORDER, HARMONIC_PHASE_DEG, HARMONIC_SHARE, Place};
use super::{Field, FieldKind, SETUP_VERSION, Setup, fields};
use crate::error::{Fault, SetupError};

/// Beyond this declination a pulse in right ascension hardly moves the star: cos 89 degrees is
/// 0.017.
const NEAR_POLE_DEG: f64 = 89.0;
/// Focal ratios outside these are more likely a swapped value than a telescope (common practice,
/// no source).
const FOCAL_RATIO: (f64, f64) = (1.4, 60.0);
/// Below this many pixels across the star's full width at half maximum nearly all light falls into
/// one pixel and the position is quantized (common practice, no source).
const LEAST_PIXELS_PER_FWHM: f64 = 0.5;

impl Setup {
    /// Checks every range and every pair of values that must fit together, and returns what is
    /// usable but deserves a warning.
    ///
    /// # Errors
    /// All faults at once, without line numbers; [`Setup::parse`] adds those.
    pub fn check(&self) -> Result<Vec<Warning>, SetupError> {
        let mut faults = Vec::new();
        if self.version != SETUP_VERSION {
            faults.push(version_fault(&self.version.to_string()));
        }
        let mut values = self.clone();
        for field in fields() {
            field.check(&mut values, &mut faults);
        }
        if faults.is_empty() {
            self.check_pairs(&mut faults);
        }
        if faults.is_empty() {
            Ok(self.warnings())
        } else {
            Err(SetupError { faults })
        }
    }

    fn check_pairs(&self, faults: &mut Vec<Fault>) {
        let control = &self.control;
        if self.camera.exposure_s > control.cadence_s {
            faults.push(Fault {
                line: None,
                key: "camera.exposure_s".to_string(),
                found: format!(
                    "{} s with a cadence of {} s",
                    self.camera.exposure_s, control.cadence_s
                ),
                expected: "an exposure that is not longer than loop.cadence_s".to_string(),
                advice: "a frame can't start before the last has ended: shorten the exposure or \
                         lengthen the cadence"
                    .to_string(),
            });
        }
        if control.shortest_ms > control.longest_ms {
            faults.push(Fault {
                line: None,
                key: "loop.shortest_ms".to_string(),
                found: format!(
                    "{} ms with a longest pulse of {} ms",
                    control.shortest_ms, control.longest_ms
                ),
                expected: "a shortest pulse that is not longer than loop.longest_ms".to_string(),
                advice: "no pulse would ever be sent: exchange the two or correct one".to_string(),
            });
        }
        let harmonics = &self.mount.harmonics;
        if self.mount.periodic_error_arcsec > 0.0 && harmonics.iter().all(|h| h.share <= 0.0) {
            faults.push(Fault {
                line: None,
                key: "mount.harmonics".to_string(),
                found: "no harmonic with a share above 0".to_string(),
                expected: "at least one, for a periodic error above 0".to_string(),
                advice: "write { order = 1, share = 1.0, phase_deg = 0.0 }, or set \
                         periodic_error_arcsec to 0"
                    .to_string(),
            });
        }
    }

    fn warnings(&self) -> Vec<Warning> {
        let mut warnings = Vec::new();
        let camera = &self.camera;
        let control = &self.control;
        if camera.exposure_s + camera.readout_s > control.cadence_s {
            warnings.push(Warning::new(
                format!(
                    "exposure and read-out take {} s, longer than the cadence of {} s: a frame \
                     starts before the last is corrected",
                    camera.exposure_s + camera.readout_s,
                    control.cadence_s
                ),
                "lengthen cadence_s unless the camera reads out while it exposes; each frame \
                 more of delay lowers the gain that stays stable",
            ));
        }
        if control.longest_ms > control.cadence_s * 1_000.0 {
            warnings.push(Warning::new(
                format!(
                    "the longest pulse of {} ms outlasts the cadence of {} s",
                    control.longest_ms, control.cadence_s
                ),
                "lower longest_ms, or the next frame is taken while the mount still moves",
            ));
        }
        if self.target.declination_deg.abs() > NEAR_POLE_DEG {
            warnings.push(Warning::new(
                format!(
                    "declination {} degrees: so near the pole a pulse in right ascension moves \
                     the star by under 2 % of its arcseconds on the axis",
                    self.target.declination_deg
                ),
                "do not judge the right ascension axis here; take a target below 85 degrees",
            ));
        }
        for (name, telescope) in [
            ("guide_scope", &self.guide_scope),
            ("imaging_scope", &self.imaging_scope),
        ] {
            let ratio = telescope.focal_length_mm / telescope.aperture_mm;
            if ratio < FOCAL_RATIO.0 || ratio > FOCAL_RATIO.1 {
                warnings.push(Warning::new(
                    format!("{name}: the focal ratio of {ratio:.1} is unusual"),
                    "check that focal_length_mm and aperture_mm are not exchanged",
                ));
            }
        }
        let fwhm_px = self.sky.seeing_fwhm_arcsec / self.guide_scope.arcsec_per_px();
        if fwhm_px < LEAST_PIXELS_PER_FWHM && camera.centroid_noise_arcsec.is_none() {
            warnings.push(Warning::new(
                format!(
                    "a star of {} arcsec spans {fwhm_px:.2} pixels of the guide camera",
                    self.sky.seeing_fwhm_arcsec
                ),
                "give a measured centroid_noise_arcsec: the predicted one assumes a star that \
                 spreads over more than one pixel",
            ));
        }
        warnings
    }
}

/// A version that this crate can't read.
pub(super) fn version_fault(found: &str) -> Fault {
    let newer = found
        .parse::<u64>()
        .is_ok_and(|version| version > u64::from(SETUP_VERSION));
    Fault {
        line: None,
        key: "version".to_string(),
        found: found.to_string(),
        expected: SETUP_VERSION.to_string(),
        advice: if newer {
            "this setup was written by a newer program: update this one, or write a new setup \
             and copy the values over"
        } else {
            "write version = 1"
        }
        .to_string(),
    }
}

impl Field {
    fn check(&self, values: &mut Setup, faults: &mut Vec<Fault>) {
        match (self.kind, self.place) {
            (FieldKind::Number { least, most, .. }, Place::Number(at)) => {
                self.check_number(*at(values), (least, most), faults);
            }
            (FieldKind::Optional { least, most, .. }, Place::Optional(at)) => {
                if let Some(value) = *at(values) {
                    self.check_number(value, (least, most), faults);
                }
            }
            (FieldKind::Whole { least, most, .. }, Place::Whole(at)) => {
                let value = *at(values);
                if !(least..=most).contains(&value) {
                    faults.push(self.fault(value.to_string(), self.expected(), self.advice()));
                }
            }
            (FieldKind::Harmonics { .. }, Place::Harmonics(at)) => {
                let harmonics = at(values).clone();
                if harmonics.len() > HARMONIC_COUNT {
                    faults.push(self.fault(
                        format!("{} harmonics", harmonics.len()),
                        format!("at most {HARMONIC_COUNT}"),
                        "keep the strongest ones".to_string(),
                    ));
                }
                for harmonic in harmonics {
                    let found = format!(
                        "{{ order = {}, share = {:?}, phase_deg = {:?} }}",
                        harmonic.order, harmonic.share, harmonic.phase_deg
                    );
                    let orders = HARMONIC_ORDER.0..=HARMONIC_ORDER.1;
                    let shares = HARMONIC_SHARE.0..=HARMONIC_SHARE.1;
                    let phases = HARMONIC_PHASE_DEG.0..=HARMONIC_PHASE_DEG.1;
                    if !orders.contains(&harmonic.order)
                        || !shares.contains(&harmonic.share)
                        || !phases.contains(&harmonic.phase_deg)
                    {
                        faults.push(self.fault(
                            found,
                            "order from 1 to 100, share from 0 to 1, phase_deg from -360 to 360"
                                .to_string(),
                            "give each amplitude as a share of the strongest".to_string(),
                        ));
                    }
                }
            }
            // Every law is valid.
            _ => {}
        }
    }

    fn check_number(&self, value: f64, (least, most): (f64, f64), faults: &mut Vec<Fault>) {
        // A NaN is in no range.
        if !(least..=most).contains(&value) {
            faults.push(self.fault(value.to_string(), self.expected(), self.advice()));
        }
    }

    /// A fault at this field.
    pub(super) fn fault(&self, found: String, expected: String, advice: String) -> Fault {
        Fault {
            line: None,
            key: self.name(),
            found,
            expected,
            advice,
        }
    }

    /// The way out of a wrong value.
    pub(super) fn advice(&self) -> String {
        match (self.section, self.key) {
            ("mount", "ra_rate" | "dec_rate") => {
                "with a guide rate of zero no pulse moves the mount: read the rate from the \
                 mount's settings (common are 0.5 and 1)"
                    .to_string()
            }
            ("target", "declination_deg") => {
                "no star is beyond a pole: give the target's declination in degrees, south \
                 negative"
                    .to_string()
            }
            _ => match self.kind {
                FieldKind::Optional { .. } => {
                    format!("{}; or leave the line out", self.explanation)
                }
                FieldKind::Number { default, .. } => {
                    format!("{}; a common value is {default}", self.explanation)
                }
                FieldKind::Whole { default, .. } => {
                    format!("{}; a common value is {default}", self.explanation)
                }
                FieldKind::Law | FieldKind::Harmonics { .. } => self.explanation.to_string(),
            },
        }
    }
}
