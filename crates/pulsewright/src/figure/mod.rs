//! Figures, defined once: what is shown, apart from how it is drawn.
//!
//! A [`Figure`] is one or more panels with axes and series. [`Figure::svg`] draws it as an SVG that
//! stands in the page and in the report alike, is complete without script, and carries its numbers for
//! the read-out of the page's script.

mod draw;
mod legend;
mod map;
mod mark;
mod names;
mod nice;
mod path;
mod placed;
mod star;
mod style;
#[cfg(test)]
mod tests;
mod words;

/// A figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Its name in addresses and file names: lower-case words joined by `-`.
    pub id: String,
    /// What it shows, a few words.
    pub title: String,
    /// How many pulses or exposures, which settings, how to read it.
    pub caption: String,
    /// The panels, from the top.
    pub panels: Vec<Panel>,
}

/// A pair of axes with what is drawn between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// To the right.
    pub x: Axis,
    /// Upwards.
    pub y: Axis,
    /// What is drawn, from the back.
    pub series: Vec<Series>,
    /// Height over width of the plot.
    pub aspect: f64,
}

/// An axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What it counts.
    pub label: String,
    /// The unit; empty for a plain number.
    pub unit: &'static str,
    /// How values are laid along it.
    pub scale: Scale,
    /// From where to where; what the series need, with a little room, where none is given.
    pub range: Option<[f64; 2]>,
}

/// How values are laid along an axis.
#[derive(Debug, Clone, PartialEq)]
pub enum Scale {
    /// Evenly.
    Linear,
    /// By their logarithm; values that are not above 0 are left out.
    Log,
    /// Named places at 0, 1, 2, ... On an upward axis the first stands at the top.
    Names(Vec<String>),
}

impl Axis {
    /// An even axis.
    pub fn linear(label: impl Into<String>, unit: &'static str) -> Axis {
        Axis {
            label: label.into(),
            unit,
            scale: Scale::Linear,
            range: None,
        }
    }

    /// A logarithmic axis.
    pub fn log(label: impl Into<String>, unit: &'static str) -> Axis {
        Axis {
            scale: Scale::Log,
            ..Axis::linear(label, unit)
        }
    }

    /// An axis of named places.
    pub fn names(label: impl Into<String>, names: Vec<String>) -> Axis {
        Axis {
            scale: Scale::Names(names),
            ..Axis::linear(label, "")
        }
    }

    /// The same from `low` to `high`.
    pub fn within(self, low: f64, high: f64) -> Axis {
        Axis {
            range: Some([low, high]),
            ..self
        }
    }
}

/// What a colour stands for. Each comes with a dash and a shape of its own, so that none is told by
/// colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hue {
    /// Right ascension.
    Ra,
    /// Declination.
    Dec,
    /// What was requested or wanted.
    Requested,
    /// What was measured.
    Measured,
    /// What deserves a look.
    Warning,
    /// Aids to the eye.
    Neutral,
    /// The first, second, ... of several alike: chains beside each other.
    Nth(usize),
}

/// Which way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Along {
    /// To the right.
    X,
    /// Upwards.
    Y,
}

/// One thing that is drawn, with its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Its name in legend and read-out.
    pub name: String,
    /// Its colour, dash and shape.
    pub hue: Hue,
    /// Whether the legend names it.
    pub in_legend: bool,
    /// What is drawn.
    pub mark: Mark,
}

/// What is drawn. Points are `[x, y]` in the units of the axes.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// A line through points; `broken` dashes it, beside what it is compared with.
    Line {
        /// The points, in order.
        points: Vec<[f64; 2]>,
        /// Dashed.
        broken: bool,
    },
    /// A line that keeps each value until the next point.
    Steps(Vec<[f64; 2]>),
    /// Single points.
    Points(Vec<[f64; 2]>),
    /// A closed outline, filled.
    Area(Vec<[f64; 2]>),
    /// From low to high at each place: `[x, low, high]`.
    Band(Vec<[f64; 3]>),
    /// Values with their intervals.
    Intervals {
        /// The values.
        items: Vec<Interval>,
        /// The axis that the values are counted on.
        along: Along,
    },
    /// Bars.
    Bars {
        /// The bars.
        items: Vec<Bar>,
        /// How thick, in units of the other axis.
        thickness: f64,
        /// The axis that the values are counted on.
        along: Along,
    },
    /// A line across the whole panel at a value of the axis `along`.
    Rule {
        /// Where.
        at: f64,
        /// The axis of the value.
        along: Along,
    },
    /// A stripe across the whole panel, between two values of the axis `along`.
    Span {
        /// From.
        low: f64,
        /// To.
        high: f64,
        /// The axis of the values.
        along: Along,
    },
    /// A map: `values[row][column]` between the edges; `None` is left open.
    Cells {
        /// Edges of the columns, one more than there are.
        x_edges: Vec<f64>,
        /// Edges of the rows, one more than there are.
        y_edges: Vec<f64>,
        /// A row for each stripe upwards.
        values: Vec<Vec<Option<f64>>>,
        /// What the values are, with the unit.
        label: String,
        /// The unit.
        unit: &'static str,
    },
    /// A star as an image shows it, around `[x, y]`: a Gaussian of two widths at half maximum.
    Star {
        /// Its centre.
        at: [f64; 2],
        /// Width at half maximum to the right.
        fwhm_x: f64,
        /// Width at half maximum upwards.
        fwhm_y: f64,
    },
}

/// A value with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Where on the other axis.
    pub at: f64,
    /// Lower end.
    pub low: f64,
    /// The value.
    pub value: f64,
    /// Upper end.
    pub high: f64,
}

/// A bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// Where on the other axis.
    pub at: f64,
    /// From.
    pub from: f64,
    /// To.
    pub to: f64,
}

impl Series {
    /// A series that the legend names.
    pub fn new(name: impl Into<String>, hue: Hue, mark: Mark) -> Series {
        Series {
            name: name.into(),
            hue,
            in_legend: true,
            mark,
        }
    }

    /// A series that the legend leaves out.
    pub fn silent(name: impl Into<String>, hue: Hue, mark: Mark) -> Series {
        Series {
            in_legend: false,
            ..Series::new(name, hue, mark)
        }
    }
}

impl Figure {
    /// The figure as an SVG element. `prefix` keeps its ids apart from those of other figures of the
    /// same document.
    pub fn svg(&self, prefix: &str) -> maud::Markup {
        draw::svg(self, prefix)
    }
}
