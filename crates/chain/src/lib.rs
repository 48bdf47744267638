//! What a chain does to a pulse: the summary of a run, its uncertainty budget, and the comparison
//! of chains.
//!
//! [`summarise`] takes the delivered requests of a run and gives a [`RunSummary`]: all its numbers,
//! each with an interval, and the answer in one sentence. [`compare`](compare()) sets runs beside
//! each other. All widths and errors are in milliseconds unless a name says otherwise; a width
//! error is the measured width minus the requested width, so positive is too long.

mod answer;
mod compare;
mod error;
mod group;
mod histogram;
mod limits;
mod parallel;
mod proof;
mod quantity;
mod relation;
mod share;
mod summary;
mod timing;
mod trim;
mod uncertainty;
mod warnings;

pub use compare::{ComparedRun, Comparison, Overall, Pair, RunToCompare, compare, errors_at};
pub use error::ChainError;
pub use group::{
    FamilySummary, GroupSummary, NamedValue, Normality, Test, TrimmedMean, WidthError,
};
pub use histogram::{Bins, Histogram};
pub use limits::{HeldBaseline, HeldLimit, Limit, Limited, Stand, hold, hold_to_baseline};
pub use proof::{Equivalence, Improvement, Proof, prove};
pub use quantity::{Rounded, count, plural, significant};
pub use relation::{HuberLine, OffsetScale, TickSummary, error_ms};
pub use share::Share;
pub use summary::{RunData, RunPulses, RunSummary, SUMMARY_VERSION, summarise};
pub use timing::{DelaySummary, Per, Trend, delay_budget};
pub use trim::{Below, Carry, Curve, Knot, Loss, Residual, Trim, fit_trim};
pub use uncertainty::{Budget, BudgetRow, Instrument, Kind, Sampling};
