//! The sky side of a chain: what a width error is worth on the sky, and what the sky itself does.
//!
//! [`Setup`] holds the numbers of mount, optics, camera, sky and loop, with a table of fields that
//! drives template, reader and checks. [`rate`] turns milliseconds into arcseconds, [`optics`]
//! arcseconds into pixels, [`drift`] a polar error into a drift, [`seeing`] the atmosphere into
//! image motion; [`effect`] sums up what a measured width error means. Angles are in arcseconds
//! on the sky unless a name says otherwise; nothing here reads a file or prints.

pub mod centroid;
pub mod drift;
pub mod effect;
mod error;
pub mod optics;
mod periodic;
pub mod rate;
pub mod seeing;
mod setup;
pub mod toml_values;

pub use drift::Drift;
pub use effect::{SkyEffect, WidthErrors};
pub use error::{Fault, SetupError};
pub use periodic::{PeriodicError, PeriodicTerm};
pub use rate::Axis;
pub use seeing::{Atmosphere, ImageMotion, SeeingFilter, SeeingState};
pub use setup::{
    Camera, Control, Field, FieldKind, Harmonic, Imaging, Law, Mount, SETUP_VERSION, Setup,
    SetupReading, Sky, Target, Telescope, fields, sections,
};
