//! What can go wrong when a run is summarised or compared.

/// An error of this crate.
#[derive(Debug, thiserror::Error)]
pub enum ChainError {
    /// No request of the run was delivered.
    #[error(
        "no pulse of this run could be given to a request ({extra} extra, {cut} cut, {dropped_short} dropped as too short); check the requested widths, the idle level and the shortest pulse that counts"
    )]
    NothingDelivered {
        /// Pulses without a request.
        extra: u64,
        /// Pulses cut by an end of the capture.
        cut: u64,
        /// Pulses dropped as too short.
        dropped_short: u64,
    },
    /// Fewer than two runs to compare.
    #[error("found {0} run to compare, expected at least two; name another")]
    OneRun(usize),
    /// A run holds too few pulses to compare.
    #[error(
        "{name} holds {found} of the widths compared, expected at least 2 pulses; read a longer capture of it, or leave it out"
    )]
    TooFewPulses {
        /// Name of the run.
        name: String,
        /// Its pulses.
        found: usize,
    },
    /// The runs have no requested width in common.
    #[error(
        "runs {first} and {second} have no requested width in common ({widths_first} against {widths_second}); a comparison needs the same width asked of both chains"
    )]
    NothingInCommon {
        /// Name of the first run.
        first: String,
        /// Name of the second.
        second: String,
        /// Requested widths of the first.
        widths_first: String,
        /// Requested widths of the second.
        widths_second: String,
    },
    /// Nothing is known of missing requests.
    #[error(
        "the share of missing requests is not known, for the run was read without a log of what was sent; read it with --requests, or set no limit on it"
    )]
    MissingUnknown,
    /// Too few pulses to fit a trim on.
    #[error(
        "found {found} delivered pulses, expected at least {needed} to fit a trim on; record a longer run: thirty or more pulses of each width"
    )]
    TooFewToTrim {
        /// Pulses of the run.
        found: usize,
        /// Pulses needed.
        needed: usize,
    },
    /// Longer requests don't come out longer.
    #[error(
        "the longest request comes out no longer than the shortest, so nothing can be trimmed; check that the requested widths and the pulses belong together"
    )]
    Untrimmable,
    /// A run holds too few pulses to prove anything.
    #[error(
        "{name} holds {found} delivered pulses, expected at least {needed} for a proof; record a longer run"
    )]
    TooFewToProve {
        /// Name of the run.
        name: String,
        /// Its pulses.
        found: usize,
        /// Pulses needed.
        needed: usize,
    },
    /// A statistic failed on values that should have allowed it.
    #[error("a statistic can't be computed: {0}")]
    Stats(#[from] stats::StatsError),
}
