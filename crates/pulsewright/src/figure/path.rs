//! Paths, written short.
//!
//! One rule binds all paths between the panel's axes, and the page's script relies on it to zoom
//! without stretching shapes: upper-case commands carry data, lower-case ones carry shape.

use std::fmt::Write;

/// A path as it is written.
#[derive(Debug, Default)]
pub struct Path {
    text: String,
}

impl Path {
    /// Starts at a place.
    pub fn start(&mut self, x: f64, y: f64) -> &mut Path {
        self.put(format_args!("M{},{}", round(x), round(y)))
    }

    /// On to a place.
    pub fn line(&mut self, x: f64, y: f64) -> &mut Path {
        self.put(format_args!("L{},{}", round(x), round(y)))
    }

    /// Sideways to `x`.
    pub fn across(&mut self, x: f64) -> &mut Path {
        self.put(format_args!("H{}", round(x)))
    }

    /// Up or down to `y`.
    pub fn upright(&mut self, y: f64) -> &mut Path {
        self.put(format_args!("V{}", round(y)))
    }

    /// Back to the start.
    pub fn close(&mut self) -> &mut Path {
        self.shape("Z")
    }

    /// A shape around the present place, in relative commands.
    pub fn shape(&mut self, commands: &str) -> &mut Path {
        self.text.push_str(commands);
        self
    }

    /// The text of the attribute `d`; nothing where nothing was drawn.
    pub fn text(self) -> Option<String> {
        (!self.text.is_empty()).then_some(self.text)
    }

    fn put(&mut self, arguments: std::fmt::Arguments<'_>) -> &mut Path {
        // Writing to a string cannot fail.
        let _ = self.text.write_fmt(arguments);
        self
    }
}

/// To a tenth of a user unit: what the eye can tell at double size. Never `-0`.
pub fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}
