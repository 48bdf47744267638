//! The class, dash and shape of each hue. Colours are the style sheet's (`figure.css`), so that themes
//! can switch; dash and shape stand in the drawing, so that no hue is told by its colour alone.

use super::Hue;

/// How many hues [`Hue::Nth`] tells apart; then they begin anew.
pub const NTH: usize = 6;

/// The shape of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A filled circle.
    Circle,
    /// A filled square.
    Square,
    /// A square on its corner.
    Diamond,
    /// A triangle that stands.
    Triangle,
    /// A triangle on its corner.
    Downward,
    /// Two strokes across each other, slanted.
    Cross,
    /// Two strokes across each other, upright.
    Plus,
}

impl Hue {
    /// The class that gives the colour.
    pub fn class(self) -> String {
        match self {
            Hue::Ra => "hue-ra".to_owned(),
            Hue::Dec => "hue-dec".to_owned(),
            Hue::Requested => "hue-requested".to_owned(),
            Hue::Measured => "hue-measured".to_owned(),
            Hue::Warning => "hue-warning".to_owned(),
            Hue::Neutral => "hue-neutral".to_owned(),
            Hue::Nth(i) => format!("hue-{}", i % NTH),
        }
    }

    /// The pattern of its lines, as `stroke-dasharray`; none for a whole line.
    pub fn dash(self, broken: bool) -> Option<&'static str> {
        let (whole, broken_up) = match self {
            Hue::Ra => (None, "7 4"),
            Hue::Dec => (Some("16 3"), "4 3"),
            Hue::Requested => (Some("9 3 2 3"), "2 3"),
            Hue::Measured => (Some("24 3 2 3"), "5 3 2 3"),
            Hue::Warning => (Some("5 2"), "2 2"),
            Hue::Neutral => (Some("2 3"), "1 4"),
            Hue::Nth(i) => match i % NTH {
                0 => (None, "7 4"),
                1 => (Some("14 3"), "4 4"),
                2 => (Some("10 3 2 3"), "4 2 1 2"),
                3 => (Some("4 2"), "2 2"),
                4 => (Some("18 3 2 3 2 3"), "6 2 1 2 1 2"),
                _ => (Some("2 3"), "1 4"),
            },
        };
        if broken { Some(broken_up) } else { whole }
    }

    /// The shape of its points.
    pub fn shape(self) -> Shape {
        match self {
            Hue::Ra => Shape::Circle,
            Hue::Dec => Shape::Diamond,
            Hue::Requested => Shape::Square,
            Hue::Measured => Shape::Triangle,
            Hue::Warning => Shape::Cross,
            Hue::Neutral => Shape::Plus,
            Hue::Nth(i) => match i % NTH {
                0 => Shape::Square,
                1 => Shape::Circle,
                2 => Shape::Triangle,
                3 => Shape::Diamond,
                4 => Shape::Downward,
                _ => Shape::Plus,
            },
        }
    }

    /// Whether its day colour is too light to stand on white (under 3:1) without an edge of ink.
    pub fn pale(self) -> bool {
        match self {
            Hue::Measured => true,
            Hue::Nth(i) => matches!(i % NTH, 0 | 2),
            Hue::Ra | Hue::Dec | Hue::Requested | Hue::Warning | Hue::Neutral => false,
        }
    }
}

impl Shape {
    /// The shape around the present place in relative path commands, `r` from its middle to its edge.
    /// A circle is the round end of a stroke of no length.
    pub fn commands(self, r: f64) -> String {
        let d = 2.0 * r;
        let (w, h) = (super::path::round(1.15 * r), super::path::round(1.3 * r));
        match self {
            Shape::Circle => "h0".to_owned(),
            Shape::Square => format!("m-{r},-{r}h{d}v{d}h-{d}z"),
            Shape::Diamond => format!("m0,-{h}l{h},{h}-{h},{h}-{h}-{h}z"),
            Shape::Triangle => format!("m0,-{h}l{w},{d}h-{}z", 2.0 * w),
            Shape::Downward => format!("m0,{h}l{w},-{d}h-{}z", 2.0 * w),
            Shape::Cross => format!("m-{r},-{r}l{d},{d}m0,-{d}l-{d},{d}"),
            Shape::Plus => format!("m-{h},0h{0}m-{h},-{h}v{0}", 2.0 * h),
        }
    }

    /// The class that says how it is painted: by its strokes' round ends, filled, or by strokes.
    pub fn class(self) -> &'static str {
        match self {
            Shape::Circle => "dots",
            Shape::Square | Shape::Diamond | Shape::Triangle | Shape::Downward => "shapes",
            Shape::Cross | Shape::Plus => "crosses",
        }
    }

    /// Width of the stroke, where the shape is one.
    pub fn stroke(self, r: f64) -> f64 {
        match self {
            Shape::Circle => 2.0 * r,
            Shape::Square | Shape::Diamond | Shape::Triangle | Shape::Downward => 0.8,
            Shape::Cross | Shape::Plus => (0.7 * r).clamp(1.0, 2.4),
        }
    }
}
