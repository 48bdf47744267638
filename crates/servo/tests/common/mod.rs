//! A bare loop that the tests dress: everything off, one frame of delay, pulses that end before the
//! next exposure.

// Each test file uses its own part of this.
#![allow(dead_code)]

use servo::chain_model::Chain;
use servo::disturbance::Disturbances;
use servo::law::Law;
use servo::loop_sim::{AxisLoop, Control, LoopCase, Timing};

/// What a Python script of `tests/references` prints.
pub fn made_by(script: &str) -> serde_json::Value {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/references");
    let made = std::process::Command::new(python)
        .arg(std::path::Path::new(folder).join(script))
        .output()
        .unwrap();
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    serde_json::from_slice(&made.stdout).unwrap()
}

/// A loop without disturbances: exposure 1 s, read-out 0.5 s, cadence 3 s; 100 arcsec/s, so that
/// a pulse of any correction ends within milliseconds.
pub fn bare(gain: f64) -> LoopCase {
    let axis = AxisLoop {
        disturbances: Disturbances::none(),
        rate_arcsec_per_s: 100.0,
        backlash_arcsec: 0.0,
        control: Control {
            law: Law::Proportional { gain },
            dead_band_arcsec: 0.0,
            shortest_ms: 0.0,
            longest_ms: 1e6,
        },
    };
    LoopCase {
        axes: [axis.clone(), axis],
        timing: Timing {
            exposure_s: 1.0,
            readout_s: 0.5,
            cadence_s: 3.0,
        },
        chain: Chain::perfect(),
        warm_up_s: 300.0,
        span_s: 3000.0,
        star_fwhm_arcsec: 2.0,
    }
}
