//! One file a command.

pub mod compare;
pub mod completions;
pub mod demo;
pub mod export;
pub mod forget;
pub mod man;
pub mod prove;
pub mod read;
pub mod runs;
pub mod setup;
pub mod show;
pub mod trim;
