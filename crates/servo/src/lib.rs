//! The closed loop: mount, seeing, guide camera, chain and control law; its simulation, its closed
//! forms, its stability, and what follows for the person who owns it.

mod answer;
mod correction;
mod error;
mod from_run;
mod from_setup;
mod kalman;
mod normal;
mod search;

pub mod budget;
pub mod chain_model;
pub mod disturbance;
pub mod judge;
pub mod law;
pub mod loop_sim;
pub mod outcome;
pub mod run;
pub mod spectrum;
pub mod stability;
pub mod stream;
pub mod trace;
pub mod tune;

pub use error::ServoError;
pub use from_run::{DrawnFrom, RunChain};
pub use from_setup::predictor;
pub use kalman::Gains;
pub use normal::Normal;
