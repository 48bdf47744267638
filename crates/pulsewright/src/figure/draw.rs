//! From a figure to an SVG: where each panel, axis, label and legend stands.

use maud::{Markup, html};
use serde_json::json;

use super::legend::Legend;
use super::mark::{self, Ground, hatch_id};
use super::names::Names;
use super::nice::Tick;
use super::path::{Path, round};
use super::placed::Placed;
use super::words::{self, LINE};
use super::{Along, Axis, Figure, Hue, Mark, Panel, Scale, Series, map, star};

/// Width of a figure in its user units.
const WIDTH: f64 = 600.0;

/// Room at the edges, in user units.
const EDGE: f64 = 6.0;

/// Room that one tick takes along each axis, in user units.
const TICK_X: f64 = 80.0;
const TICK_Y: f64 = 42.0;

/// The widest names on an upward axis, in user units.
const WIDEST_NAME: f64 = 210.0;

/// Draws a figure.
pub fn svg(figure: &Figure, prefix: &str) -> Markup {
    let ids = format!("{prefix}-{}", figure.id);
    let bar_hues = bar_hues(figure);
    let mut laid: Vec<Laid<'_>> = figure.panels.iter().map(Laid::new).collect();
    // All panels stand below each other exactly, so that a moment is the same place in each.
    let left = laid.iter().map(|p| p.left).fold(34.0, f64::max);
    let right = laid.iter().map(|p| p.right).fold(18.0, f64::max);
    let mut top = EDGE;
    let mut said: Option<&Legend<'_>> = None;
    let shared: Vec<bool> = figure
        .panels
        .windows(2)
        .map(|pair| pair[0].x == pair[1].x && pair[0].x.range.is_some())
        .chain([false])
        .collect();
    for (panel, shared) in laid.iter_mut().zip(shared) {
        panel.shared = shared;
        let repeated = said.is_some_and(|s| s.same(&panel.legend));
        top = panel.lay(top, left, WIDTH - right, !repeated);
        if !repeated {
            said = Some(&panel.legend);
        }
    }
    let height = top.max(40.0);
    html! {
        svg class="drawing" id={ (ids) "-plot" } xmlns="http://www.w3.org/2000/svg"
            viewBox={ "0 0 " (WIDTH) " " (round(height)) } role="img"
            aria-labelledby={ (ids) "-title " (ids) "-desc" } {
            title id={ (ids) "-title" } { (figure.title) }
            desc id={ (ids) "-desc" } { (description(figure)) }
            (definitions(figure, &laid, &ids, &bar_hues))
            @for (i, panel) in laid.iter().enumerate() { (panel.draw(i, &ids, &bar_hues)) }
        }
    }
}

/// What is to be seen, in words.
fn description(figure: &Figure) -> String {
    let mut text = String::new();
    for panel in &figure.panels {
        let [x, y] = [(&panel.x, Along::X), (&panel.y, Along::Y)]
            .map(|(axis, along)| Placed::new(axis, along, &[]).label());
        let mut names: Vec<&str> = Vec::new();
        for s in panel.series.iter().filter(|s| s.in_legend) {
            if !names.contains(&s.name.as_str()) {
                names.push(&s.name);
            }
        }
        text += &format!("Upwards: {y}; to the right: {x}. ");
        if !names.is_empty() {
            text += &format!("Shown: {}. ", names.join(", "));
        }
    }
    text.truncate(text.trim_end().len());
    text
}

/// The hues that bars have in this figure, in the order in which they come.
fn bar_hues(figure: &Figure) -> Vec<Hue> {
    let mut hues = Vec::new();
    for s in figure.panels.iter().flat_map(|p| &p.series) {
        if matches!(s.mark, Mark::Bars { .. }) && !hues.contains(&s.hue) {
            hues.push(s.hue);
        }
    }
    hues
}

/// What marks refer to: the window of each panel, hatches, starlight.
fn definitions(figure: &Figure, laid: &[Laid<'_>], ids: &str, bar_hues: &[Hue]) -> Markup {
    let stars = laid.iter().any(|p| p.sky);
    let few = figure.panels.is_empty();
    html! {
        @if !few {
            defs {
                @for (i, panel) in laid.iter().enumerate() {
                    @for (name, room) in mark::WINDOWS {
                        clipPath id={ (ids) "-" (name) "-" (i) } { (panel.frame("", room)) }
                    }
                }
                @for (i, hue) in bar_hues.iter().enumerate().skip(1) {
                    // Each hatch has a slant of its own.
                    pattern id={ (ids) "-" (hatch_id(*hue)) } class=(hue.class()) width="7" height="7"
                        patternUnits="userSpaceOnUse"
                        patternTransform={ "rotate(" (45 + 50 * (i - 1)) ")" } {
                        rect class="bars" width="7" height="7" {}
                        path class="hatch" d="M0,2h7" {}
                    }
                }
                @if stars { (star::gradient(ids)) }
            }
        }
    }
}

/// A panel with all that its place depends on.
struct Laid<'a> {
    panel: &'a Panel,
    x: Placed<'a>,
    y: Placed<'a>,
    /// The axis of the colours of its map.
    colours: Option<(Axis, &'a [Vec<Option<f64>>])>,
    legend: Legend<'a>,
    with_legend: bool,
    /// Whether the next panel has the same axis to the right: then it is written there alone.
    shared: bool,
    /// Whether it shows stars: then it is as dark as the sky, and round is round.
    sky: bool,
    /// What its labels need beside the plot, in user units.
    left: f64,
    right: f64,
    /// Its upper edge.
    top: f64,
    /// Lines of the label above the plot.
    upper_label: Vec<String>,
    lower_label: Vec<String>,
}

impl<'a> Laid<'a> {
    fn new(panel: &'a Panel) -> Laid<'a> {
        let mut x = Placed::new(&panel.x, Along::X, &panel.series);
        let mut y = Placed::new(&panel.y, Along::Y, &panel.series);
        let sky = panel
            .series
            .iter()
            .any(|s| matches!(s.mark, Mark::Star { .. }));
        if sky {
            even_out(&mut x, &mut y, aspect(panel));
        }
        let colours = panel.series.iter().find_map(|s| match &s.mark {
            Mark::Cells {
                values,
                label,
                unit,
                ..
            } => Some((map::colour_axis(values, label, unit), values.as_slice())),
            _ => None,
        });
        let names = match &panel.y.scale {
            Scale::Names(names) => names.as_slice(),
            Scale::Linear | Scale::Log => &[],
        };
        let left = upward(&y, panel)
            .iter()
            .map(|t| words::width(&t.label))
            .chain(names.iter().map(|n| words::width(n).min(WIDEST_NAME)))
            .fold(0.0, f64::max);
        let right = colours.as_ref().map_or(0.0, |(axis, values)| {
            let placed = map::colours(axis, values, 1.0, 0.0);
            14.0 + map::scale_width(&upward(&placed, panel)) + EDGE
        });
        Laid {
            legend: Legend::new(&panel.series, WIDTH - 2.0 * EDGE),
            with_legend: true,
            shared: false,
            left: EDGE + left + 10.0,
            right,
            top: 0.0,
            upper_label: words::wrapped(&y.label(), WIDTH - 2.0 * EDGE),
            lower_label: words::wrapped(&x.label(), WIDTH - 2.0 * EDGE),
            panel,
            x,
            y,
            colours,
            sky,
        }
    }

    /// Lays it below `top`, between `left` and `right`; returns where it ends.
    fn lay(&mut self, top: f64, left: f64, right: f64, with_legend: bool) -> f64 {
        self.top = top;
        self.with_legend = with_legend;
        let legend = if with_legend && self.legend.height() > 0.0 {
            self.legend.height() + 4.0
        } else {
            0.0
        };
        let plot_top = top + legend + LINE * self.label_lines() as f64 + 10.0;
        let plot_bottom = plot_top + (right - left) * aspect(self.panel);
        self.x.at = [left, right];
        self.y.at = [plot_bottom, plot_top];
        if self.shared {
            return plot_bottom + 2.0 * EDGE;
        }
        let names = self.names().map_or(8.0 + LINE, |names| names.height);
        plot_bottom + names + LINE * self.lower_label.len() as f64 + 2.0 + 2.0 * EDGE
    }

    /// Lines above the plot: those of the upward axis, and of the colours where they do not fit beside.
    fn label_lines(&self) -> usize {
        let beside = usize::from(self.colours.is_some());
        self.upper_label.len().max(beside) + usize::from(self.colours_apart())
    }

    fn colour_label(&self) -> Option<String> {
        let (axis, _) = self.colours.as_ref()?;
        let label = Placed::new(axis, Along::Y, &[]).label();
        Some(words::shortened(&label, WIDTH - 2.0 * EDGE))
    }

    fn colours_apart(&self) -> bool {
        let upper = self.upper_label.last().map_or(0.0, |l| words::width(l));
        self.colour_label()
            .is_some_and(|label| upper + words::width(&label) + 30.0 > WIDTH - 2.0 * EDGE)
    }

    /// The names to the right, laid; none where there are numbers.
    fn names(&self) -> Option<Names> {
        match &self.panel.x.scale {
            Scale::Names(names) => Some(Names::lay(
                names,
                |i| self.x.place(i as f64),
                self.x.at,
                WIDTH,
            )),
            Scale::Linear | Scale::Log => None,
        }
    }

    fn ticks_x(&self) -> Vec<Tick> {
        let room = self.x.at[1] - self.x.at[0];
        let mut most = (room / TICK_X).max(2.0) as usize;
        // Long numbers need more room than that.
        loop {
            let ticks = self.x.ticks(most);
            let places: Vec<(f64, f64)> = ticks
                .iter()
                .filter_map(|t| Some((self.x.place(t.value)?, words::width(&t.label))))
                .collect();
            let crowded = places
                .windows(2)
                .any(|pair| pair[1].0 - pair[0].0 < 0.5 * (pair[0].1 + pair[1].1) + 10.0);
            if !crowded || most <= 1 {
                let few = if crowded { 1 } else { ticks.len() };
                return ticks.into_iter().take(few).collect();
            }
            most -= 1;
        }
    }

    fn ticks_y(&self) -> Vec<Tick> {
        let ticks = upward(&self.y, self.panel);
        let mut kept: Vec<Tick> = Vec::new();
        let mut last = f64::INFINITY;
        for tick in ticks {
            // On a logarithmic axis of even steps, the upper ones crowd.
            if let Some(y) = self.y.place(tick.value).filter(|y| last - y >= LINE) {
                last = y;
                kept.push(tick);
            }
        }
        kept
    }

    /// The rectangle of the plot, with `room` around it.
    fn frame(&self, class: &str, room: f64) -> Markup {
        let ([left, right], [bottom, top]) = (self.x.at, self.y.at);
        html! {
            rect class=[(!class.is_empty()).then_some(class)]
                x=(round(left - room)) y=(round(top - room))
                width=(round(right - left + 2.0 * room)) height=(round(bottom - top + 2.0 * room)) {}
        }
    }

    fn draw(&self, index: usize, ids: &str, bar_hues: &[Hue]) -> Markup {
        let ground = Ground {
            x: self.x.clone(),
            y: self.y.clone(),
            ids,
            bar_hues,
        };
        let ([left, right], [bottom, top]) = (self.x.at, self.y.at);
        let (ticks_x, ticks_y) = (self.ticks_x(), self.ticks_y());
        html! {
            g class={ "panel" @if self.sky { " night-sky" } } data-axes=(self.axes()) {
                @if self.with_legend {
                    (self.legend.draw(EDGE, self.top, ids, bar_hues))
                }
                (self.upper_labels())
                @if self.sky { (self.frame("sky", 0.0)) }
                (grid(&self.x, &ticks_x, Along::X, self.y.at))
                (grid(&self.y, &ticks_y, Along::Y, self.x.at))
                g class="marks" {
                    @for s in &self.panel.series { (mark::series(s, &ground, index)) }
                }
                (self.star_names())
                path class="axis" d={
                    "M" (round(left)) "," (round(top)) "V" (round(bottom)) "H" (round(right))
                } {}
                g class="ticks x" {
                    @if !self.shared {
                        @match self.names() {
                            Some(names) => (names.draw(bottom)),
                            None => @for tick in &ticks_x { (self.tick_x(tick)) },
                        }
                    }
                }
                g class="ticks y" {
                    @for tick in &ticks_y { (self.tick_y(&tick.label, tick.value)) }
                    @if let Scale::Names(names) = &self.panel.y.scale { (self.names_y(names)) }
                }
                @if !self.shared { (self.lower_labels()) }
                (self.colour_scale())
            }
        }
    }

    fn upper_labels(&self) -> Markup {
        let bottom = self.y.at[1] - 12.0;
        let upper = bottom - LINE * (self.label_lines().max(1) - 1) as f64;
        html! {
            (words::lines("label", EDGE, upper, "start", &self.upper_label))
            @if let Some(label) = self.colour_label() {
                (words::lines("label", WIDTH - EDGE, bottom, "end", &[label]))
            }
        }
    }

    fn lower_labels(&self) -> Markup {
        let [left, right] = self.x.at;
        let names = self.names().map_or(8.0 + LINE, |names| names.height);
        let y = self.y.at[0] + names + LINE;
        let widest = self
            .lower_label
            .iter()
            .map(|l| words::width(l))
            .fold(0.0, f64::max);
        // In the middle of the plot, but not over the edge of the figure.
        let middle = 0.5 * (left + right);
        let half = 0.5 * widest + EDGE;
        let middle = if 2.0 * half > WIDTH {
            0.5 * WIDTH
        } else {
            middle.clamp(half, WIDTH - half)
        };
        words::lines("label", middle, y, "middle", &self.lower_label)
    }

    fn tick_x(&self, tick: &Tick) -> Markup {
        let half = 0.5 * words::width(&tick.label) + 2.0;
        html! {
            @if let Some(x) = self.x.place(tick.value) {
                text x=(round(x.clamp(half, WIDTH - half))) y=(round(self.y.at[0] + 8.0 + 0.7 * LINE))
                    text-anchor="middle" { (tick.label) }
            }
        }
    }

    fn tick_y(&self, label: &str, value: f64) -> Markup {
        html! {
            @if let Some(y) = self.y.place(value) {
                text x=(round(self.x.at[0] - 8.0)) y=(round(y + 5.0)) text-anchor="end" { (label) }
            }
        }
    }

    fn names_y(&self, names: &[String]) -> Markup {
        let slot = self.y.unit_length();
        let every = (LINE / slot.max(0.01)).ceil().max(1.0) as usize;
        let room = WIDEST_NAME.min(self.x.at[0] - 8.0 - EDGE);
        let inside = |i: usize| {
            self.y
                .place(i as f64)
                .is_some_and(|y| y <= self.y.at[0] + 0.5 && y >= self.y.at[1] - 0.5)
        };
        html! {
            @for (i, name) in names.iter().enumerate().step_by(every) {
                @if inside(i) { (self.tick_y(&words::shortened(name, room), i as f64)) }
            }
        }
    }

    fn colour_scale(&self) -> Markup {
        html! {
            @if let Some((axis, values)) = &self.colours {
                @let colours = map::colours(axis, values, self.y.at[0], self.y.at[1]);
                (map::scale(&colours, self.x.at[1] + 14.0, &upward(&colours, self.panel)))
            }
        }
    }

    /// The name of each star below it, where names have room beside each other.
    fn star_names(&self) -> Markup {
        let stars: Vec<(f64, &Series)> = self
            .panel
            .series
            .iter()
            .filter_map(|s| match s.mark {
                Mark::Star { at, .. } => Some((self.x.place(at[0])?, s)),
                _ => None,
            })
            .collect();
        let [left, right] = self.x.at;
        let fits = stars.len() > 1
            && stars.windows(2).all(|pair| {
                let names = words::width(&pair[0].1.name) + words::width(&pair[1].1.name);
                pair[1].0 - pair[0].0 > 0.5 * names + 8.0
            })
            && stars.iter().all(|(x, s)| {
                let half = 0.5 * words::width(&s.name) + 4.0;
                x - half > left && x + half < right
            });
        html! {
            @if fits {
                @for (x, s) in &stars {
                    text class="star-name" x=(round(*x)) y=(round(self.y.at[0] - 10.0))
                        text-anchor="middle" { (s.name) }
                }
            }
        }
    }

    /// What the script needs to read values from places, and to draw ticks of its own.
    fn axes(&self) -> String {
        let axis = |placed: &Placed<'_>, room: f64| {
            let names = match &placed.axis.scale {
                Scale::Names(names) => Some(names),
                Scale::Linear | Scale::Log => None,
            };
            json!({
                "label": placed.axis.label,
                "unit": placed.axis.unit,
                "kind": mark::kind(&placed.axis.scale),
                "ends": placed.ends,
                "at": placed.at.map(round),
                "room": room,
                "names": names,
            })
        };
        json!({ "x": axis(&self.x, TICK_X), "y": axis(&self.y, TICK_Y) }).to_string()
    }
}

/// Height over width of a panel's plot, within what can be drawn.
fn aspect(panel: &Panel) -> f64 {
    if panel.aspect.is_finite() {
        panel.aspect.clamp(0.08, 3.0)
    } else {
        0.6
    }
}

/// Ticks of an upward axis of a panel: as many as stand well, and three if there is any room for them.
fn upward(axis: &Placed<'_>, panel: &Panel) -> Vec<Tick> {
    // Reckoned before the panel is laid, since its width depends on what is written here.
    let high = (WIDTH - 80.0) * aspect(panel);
    let well = (high / TICK_Y).clamp(2.0, 12.0) as usize;
    let close = (high / (LINE + 2.0)).clamp(2.0, 12.0) as usize;
    let mut ticks = axis.ticks(well);
    for most in well + 1..=close {
        if ticks.len() >= 3 {
            break;
        }
        ticks = axis.ticks(most);
    }
    ticks
}

/// Widens the shorter of two axes until a unit is as long on both.
fn even_out<'a>(x: &mut Placed<'a>, y: &mut Placed<'a>, aspect: f64) {
    let span = |axis: &Placed<'_>| axis.ends[1] - axis.ends[0];
    let (wide, high) = (span(x), span(y));
    if x.axis.scale != Scale::Linear || y.axis.scale != Scale::Linear {
        return;
    }
    let (axis, wanted) = if wide * aspect < high {
        (x, high / aspect)
    } else {
        (y, wide * aspect)
    };
    let middle = 0.5 * (axis.ends[0] + axis.ends[1]);
    axis.ends = [middle - 0.5 * wanted, middle + 0.5 * wanted];
}

/// Faint lines at the ticks of one axis, across the other.
fn grid(axis: &Placed<'_>, ticks: &[Tick], along: Along, other: [f64; 2]) -> Markup {
    let mut path = Path::default();
    for at in ticks.iter().filter_map(|t| axis.place(t.value)) {
        match along {
            Along::X => path.start(at, other[0]).upright(other[1]),
            Along::Y => path.start(other[0], at).across(other[1]),
        };
    }
    let class = if along == Along::X {
        "grid x"
    } else {
        "grid y"
    };
    html! { path class=(class) d=[path.text()] {} }
}
