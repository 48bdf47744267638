//! The names along an axis to the right: on one line where they have room, else on several, else
//! tilted; never on each other.

use maud::{Markup, html};

use super::path::round;
use super::words::{self, LINE};

/// Lines that a name may take before names are tilted.
const MOST_LINES: usize = 3;

/// How far a tilted name climbs, in degrees; its cosine and sine.
const TILT: f64 = 40.0;
const COS: f64 = 0.766;
const SIN: f64 = 0.643;

/// The longest tilted name, in user units.
const LONGEST: f64 = 170.0;

/// Names, laid.
pub struct Names {
    labels: Vec<Label>,
    tilted: bool,
    /// What they take below the axis, in user units.
    pub height: f64,
}

struct Label {
    x: f64,
    lines: Vec<String>,
}

impl Names {
    /// Lays `names` below an axis, each at its place; places that do not lie between its `ends` have
    /// none. The figure is `wide`.
    pub fn lay(
        names: &[String],
        place: impl Fn(usize) -> Option<f64>,
        ends: [f64; 2],
        wide: f64,
    ) -> Names {
        let inside = |x: &f64| *x >= ends[0] - 0.5 && *x <= ends[1] + 0.5;
        let placed: Vec<(f64, &String)> = names
            .iter()
            .enumerate()
            .filter_map(|(i, name)| Some((place(i).filter(inside)?, name)))
            .collect();
        let slot = placed
            .windows(2)
            .map(|pair| (pair[1].0 - pair[0].0).abs())
            .fold(ends[1] - ends[0], f64::min);
        let level: Vec<Label> = placed
            .iter()
            .map(|(x, name)| Label {
                x: *x,
                lines: words::wrapped(name, slot.min(2.0 * x).min(2.0 * (wide - x)) - 8.0),
            })
            .collect();
        let most = level.iter().map(|l| l.lines.len()).max().unwrap_or(0);
        let whole = level.iter().zip(&placed).all(|(l, (_, name))| {
            !l.lines
                .iter()
                .any(|line| line.ends_with('…') && !name.ends_with('…'))
        });
        if whole && most <= MOST_LINES {
            return Names {
                labels: level,
                tilted: false,
                height: 8.0 + LINE * most as f64,
            };
        }
        // Tilted lines need their height between each other; where they have not, some are left out.
        let every = (LINE / SIN / slot.max(0.01)).ceil().max(1.0) as usize;
        let labels: Vec<Label> = placed
            .iter()
            .step_by(every)
            .map(|(x, name)| Label {
                x: *x,
                lines: vec![words::shortened(name, LONGEST.min((x - 8.0) / COS))],
            })
            .collect();
        let longest = labels
            .iter()
            .flat_map(|l| &l.lines)
            .map(|line| words::width(line))
            .fold(0.0, f64::max);
        Names {
            labels,
            tilted: true,
            height: 20.0 + longest * SIN,
        }
    }

    /// Draws them below `y`.
    pub fn draw(&self, y: f64) -> Markup {
        html! {
            @for label in &self.labels {
                @if self.tilted {
                    @let (x, y) = (round(label.x + 4.0), round(y + 16.0));
                    @for line in &label.lines {
                        text x=(x) y=(y) text-anchor="end"
                            transform={ "rotate(-" (TILT) " " (x) " " (y) ")" } { (line) }
                    }
                } @else {
                    (words::lines("name", label.x, y + 8.0 + 0.7 * LINE, "middle", &label.lines))
                }
            }
        }
    }
}
