//! The legend of a panel, above it and outside of its data.

use maud::{Markup, html};

use super::path::round;
use super::{Hue, Mark, Series, mark, words};

/// Width of a sample with the gap before its name.
const SAMPLE: f64 = 37.0;

/// Gap after a name.
const GAP: f64 = 20.0;

/// From one row to the next.
const ROW: f64 = 24.0;

/// What the legend names, in order: series of the same name and hue are one entry.
pub struct Legend<'a> {
    entries: Vec<Entry<'a>>,
    rows: usize,
}

struct Entry<'a> {
    series: Vec<&'a Series>,
    name: String,
    x: f64,
    row: usize,
}

impl<'a> Legend<'a> {
    /// The legend of `series` in rows `wide` user units long.
    pub fn new(series: &'a [Series], wide: f64) -> Legend<'a> {
        let mut entries: Vec<Entry<'a>> = Vec::new();
        let named = series
            .iter()
            .filter(|s| s.in_legend && !matches!(s.mark, Mark::Cells { .. }));
        for s in named {
            let same = |e: &&mut Entry<'_>| e.series[0].name == s.name && e.series[0].hue == s.hue;
            match entries.iter_mut().find(same) {
                Some(entry) => entry.series.push(s),
                None => entries.push(Entry {
                    series: vec![s],
                    name: words::shortened(&s.name, wide - SAMPLE),
                    x: 0.0,
                    row: 0,
                }),
            }
        }
        let (mut x, mut row) = (0.0, 0);
        for entry in &mut entries {
            let width = SAMPLE + words::width(&entry.name);
            if x > 0.0 && x + width > wide {
                x = 0.0;
                row += 1;
            }
            entry.x = x;
            entry.row = row;
            x += width + GAP;
        }
        Legend {
            rows: if entries.is_empty() { 0 } else { row + 1 },
            entries,
        }
    }

    /// Whether it says the same as another.
    pub fn same(&self, other: &Legend<'_>) -> bool {
        let said = |l: &Legend<'_>| -> Vec<(String, Hue, Vec<_>)> {
            l.entries
                .iter()
                .map(|e| {
                    let marks = e.series.iter().map(|s| core::mem::discriminant(&s.mark));
                    (e.name.clone(), e.series[0].hue, marks.collect())
                })
                .collect()
        };
        said(self) == said(other)
    }

    /// Its height in user units.
    pub fn height(&self) -> f64 {
        ROW * self.rows as f64
    }

    /// Draws it, with its upper left corner there.
    pub fn draw(&self, left: f64, top: f64, ids: &str, bar_hues: &[Hue]) -> Markup {
        html! {
            @if !self.entries.is_empty() {
                g class="legend" {
                    @for entry in &self.entries {
                        @let x = left + entry.x;
                        @let y = top + ROW * (entry.row as f64 + 0.5);
                        @for s in &entry.series {
                            g class=(s.hue.class()) { (mark::sample(s, x, y, ids, bar_hues)) }
                        }
                        text x=(round(x + SAMPLE)) y=(round(y + 5.0)) { (entry.name) }
                    }
                }
            }
        }
    }
}
