//! The four directions of a guide port.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::error::WireError;

/// One of the four directions in which a guide port can move a mount.
///
/// Written, parsed and serialised as `ra+`, `ra-`, `dec+` and `dec-`.
///
/// ```
/// use wire::Direction;
/// assert_eq!("ra+".parse::<Direction>().unwrap(), Direction::RaPlus);
/// assert_eq!(Direction::RaPlus.opposite().to_string(), "ra-");
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub enum Direction {
    /// Right ascension, positive.
    #[serde(rename = "ra+")]
    RaPlus,
    /// Right ascension, negative.
    #[serde(rename = "ra-")]
    RaMinus,
    /// Declination, positive.
    #[serde(rename = "dec+")]
    DecPlus,
    /// Declination, negative.
    #[serde(rename = "dec-")]
    DecMinus,
}

impl Direction {
    /// All four, in the order in which they are shown.
    pub const ALL: [Direction; 4] = [
        Direction::RaPlus,
        Direction::RaMinus,
        Direction::DecPlus,
        Direction::DecMinus,
    ];

    /// The other direction of the same axis.
    pub const fn opposite(self) -> Direction {
        match self {
            Direction::RaPlus => Direction::RaMinus,
            Direction::RaMinus => Direction::RaPlus,
            Direction::DecPlus => Direction::DecMinus,
            Direction::DecMinus => Direction::DecPlus,
        }
    }

    /// `ra+`, `ra-`, `dec+` or `dec-`.
    pub const fn name(self) -> &'static str {
        match self {
            Direction::RaPlus => "ra+",
            Direction::RaMinus => "ra-",
            Direction::DecPlus => "dec+",
            Direction::DecMinus => "dec-",
        }
    }
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Direction {
    type Err = WireError;

    /// Reads `ra+`, `ra-`, `dec+` or `dec-` in any letter case.
    fn from_str(text: &str) -> Result<Self, WireError> {
        let text = text.trim();
        Direction::ALL
            .into_iter()
            .find(|direction| direction.name().eq_ignore_ascii_case(text))
            .ok_or_else(|| WireError::setting("direction", text, "one of ra+, ra-, dec+, dec-"))
    }
}
