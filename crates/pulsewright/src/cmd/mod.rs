//! One file a command.

pub mod check;
pub mod closed_loop;
pub mod compare;
pub mod completions;
pub mod demo;
pub mod export;
pub mod forget;
pub mod judge;
pub mod man;
pub mod plan;
pub mod prove;
pub mod read;
pub mod record;
pub mod report;
pub mod rig;
pub mod runs;
pub mod serve;
pub mod setup;
pub mod show;
pub mod trim;
pub mod trim_on_sky;
pub mod tune;
