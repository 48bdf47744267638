//! Each kind of mark, between the axes.

use maud::{Markup, html};

use super::path::{Path, round};
use super::placed::Placed;
use super::{Along, Bar, Hue, Interval, Mark, Scale, Series, map, star};

/// Up to this many points a line or strip is drawn strongly; more of them finely.
const STRONG: usize = 600;

/// Points of one series fall into so many paths, each half transparent: where more lie on each other,
/// the colour is deeper.
const LAYERS: usize = 4;

/// A panel's axes, and what its marks need to know of the whole figure.
pub struct Ground<'a> {
    /// To the right.
    pub x: Placed<'a>,
    /// Upwards.
    pub y: Placed<'a>,
    /// Keeps ids apart.
    pub ids: &'a str,
    /// The hues whose bars stand in this figure: the first is filled, the others hatched.
    pub bar_hues: &'a [Hue],
}

impl Ground<'_> {
    /// The axis along which values are counted, and the other one.
    fn axes(&self, along: Along) -> (&Placed<'_>, &Placed<'_>) {
        match along {
            Along::X => (&self.x, &self.y),
            Along::Y => (&self.y, &self.x),
        }
    }

    /// A point, if it can be placed.
    fn place(&self, point: [f64; 2]) -> Option<[f64; 2]> {
        Some([self.x.place(point[0])?, self.y.place(point[1])?])
    }
}

/// A series of the panel of that index, as a group: class of its hue, name, and where its script-side numbers cannot be read from
/// the paths, a list `x y reading;` of them in `data-read`.
pub fn series(s: &Series, ground: &Ground<'_>, panel: usize) -> Markup {
    let hue = s.hue;
    let (kind, body, read) = match &s.mark {
        Mark::Line { points, broken } => {
            let body = line(run(points, ground, false), hue, *broken, points.len());
            ("line", body, None)
        }
        Mark::Steps(points) => {
            let body = line(run(points, ground, true), hue, false, points.len());
            ("line", body, None)
        }
        Mark::Points(all) => ("points", points(all, hue, ground), None),
        Mark::Area(outline) => ("area", area(outline, hue, ground), None),
        Mark::Band(places) => ("area", band(places, hue, ground), None),
        Mark::Intervals { items, along } => (
            "items",
            intervals(items, *along, hue, ground),
            Some(read_intervals(items, *along, ground)),
        ),
        Mark::Bars {
            items,
            thickness,
            along,
        } => (
            "items",
            bars(items, *thickness, *along, hue, ground),
            Some(read_bars(items, *along, ground)),
        ),
        Mark::Rule { at, along } => ("rule", rule(*at, *along, hue, ground), None),
        Mark::Span { low, high, along } => ("rule", span([*low, *high], *along, hue, ground), None),
        Mark::Cells {
            x_edges,
            y_edges,
            values,
            label,
            unit,
        } => {
            let (body, read) = map::cells([x_edges, y_edges], values, label, unit, ground);
            ("cells", body, Some(read))
        }
        Mark::Star { at, fwhm_x, fwhm_y } => {
            let (body, read) = star::draw(*at, [*fwhm_x, *fwhm_y], hue, ground);
            ("items", body, Some(read))
        }
    };
    html! {
        g class={ "series " (hue.class()) } data-name=(s.name) data-mark=(kind) data-read=[read]
            data-along=[beside(&s.mark)]
            clip-path={ "url(#" (ground.ids) "-" (window(&s.mark)) "-" (panel) ")" } {
            (body)
        }
    }
}

/// The windows through which marks are seen: name, and how far beyond the plot it reaches, so that a
/// line along its edge keeps its width and a point there its shape.
pub const WINDOWS: [(&str, f64); 2] = [("window", 1.0), ("wide", 7.0)];

fn window(mark: &Mark) -> &'static str {
    let wide = matches!(mark, Mark::Points(_) | Mark::Intervals { .. });
    WINDOWS[usize::from(wide)].0
}

/// Which axes the script reads beside the reading that `data-read` gives: those that it leaves out.
fn beside(mark: &Mark) -> Option<&'static str> {
    match mark {
        Mark::Intervals { along, .. } | Mark::Bars { along, .. } => Some(match along {
            Along::X => "x",
            Along::Y => "y",
        }),
        Mark::Cells { .. } => Some("both"),
        _ => None,
    }
}

/// The line through points; it breaks where one cannot be placed. `stepped` keeps each value until the
/// next.
fn run(points: &[[f64; 2]], ground: &Ground<'_>, stepped: bool) -> Option<String> {
    let mut path = Path::default();
    let mut drawing = false;
    for point in points {
        let placed = ground.place(*point);
        match placed {
            Some([x, y]) if !drawing => path.start(x, y),
            Some([x, y]) if stepped => path.across(x).upright(y),
            Some([x, y]) => path.line(x, y),
            None => &mut path,
        };
        drawing = placed.is_some();
    }
    path.text()
}

fn line(d: Option<String>, hue: Hue, broken: bool, n: usize) -> Markup {
    let width = if n > STRONG { 1.3 } else { 2.0 };
    let dash = hue.dash(broken);
    html! {
        @if let Some(d) = d {
            @if hue.pale() {
                path class="casing" stroke-width=(width + 1.6) stroke-dasharray=[dash] d=(d) {}
            }
            path class="line" stroke-width=(width) stroke-dasharray=[dash] d=(d) {}
        }
    }
}

fn points(all: &[[f64; 2]], hue: Hue, ground: &Ground<'_>) -> Markup {
    let (r, layers) = match all.len() {
        0..=12 => (5.0, 1),
        13..=100 => (3.5, LAYERS),
        101..=STRONG => (2.5, LAYERS),
        _ => (2.0, LAYERS),
    };
    let shape = hue.shape();
    let commands = shape.commands(r);
    let mut paths: Vec<Path> = (0..layers).map(|_| Path::default()).collect();
    let placed = all.iter().filter_map(|p| ground.place(*p));
    for (i, [x, y]) in placed.enumerate() {
        paths[i % layers].start(x, y).shape(&commands);
    }
    let class = format!(
        "{}{}{}",
        shape.class(),
        if layers > 1 { " many" } else { " few" },
        if hue.pale() { " pale" } else { "" }
    );
    html! {
        @for d in paths.into_iter().filter_map(Path::text) {
            @if layers == 1 {
                // Few points are worth a halo: they may lie on a map or on a crowd.
                path class={ (shape.class()) " halo" } stroke-width=(shape.stroke(r) + 3.0) d=(d) {}
            }
            path class=(class) stroke-width=(shape.stroke(r)) d=(d) {}
        }
    }
}

fn area(outline: &[[f64; 2]], hue: Hue, ground: &Ground<'_>) -> Markup {
    let mut path = Path::default();
    let placed = outline.iter().filter_map(|p| ground.place(*p));
    for (i, [x, y]) in placed.enumerate() {
        if i == 0 {
            path.start(x, y);
        } else {
            path.line(x, y);
        }
    }
    filled(path, hue)
}

fn band(places: &[[f64; 3]], hue: Hue, ground: &Ground<'_>) -> Markup {
    let placed: Vec<[f64; 3]> = places
        .iter()
        .filter_map(|[x, low, high]| {
            Some([
                ground.x.place(*x)?,
                ground.y.place_or_foot(*low)?,
                ground.y.place_or_foot(*high)?,
            ])
        })
        .collect();
    let mut path = Path::default();
    let upper = placed.iter().map(|p| [p[0], p[2]]);
    let lower = placed.iter().rev().map(|p| [p[0], p[1]]);
    for (i, [x, y]) in upper.chain(lower).enumerate() {
        if i == 0 {
            path.start(x, y);
        } else {
            path.line(x, y);
        }
    }
    filled(path, hue)
}

fn filled(mut path: Path, hue: Hue) -> Markup {
    path.close();
    let d = path.text().filter(|d| d.len() > 1);
    html! {
        @if let Some(d) = d {
            path class={ "area" @if hue.pale() { " pale" } } stroke-dasharray=[hue.dash(false)] d=(d) {}
        }
    }
}

fn intervals(items: &[Interval], along: Along, hue: Hue, ground: &Ground<'_>) -> Markup {
    let (values, places) = ground.axes(along);
    let (cap, thick) = if items.len() > 40 {
        (2.5, 2.0)
    } else {
        (5.0, 4.0)
    };
    let mut lines = Path::default();
    let mut marks = Path::default();
    for i in items {
        let (Some(at), Some(value)) = (places.place(i.at), values.place_or_foot(i.value)) else {
            continue;
        };
        let ends = [i.low, i.high].map(|end| values.place_or_foot(end));
        // Without an end there is no interval, but the value still stands.
        if let [Some(low), Some(high)] = ends {
            match along {
                Along::X => lines.start(low, at).across(high),
                Along::Y => lines.start(at, low).upright(high),
            };
            for end in [low, high] {
                match along {
                    Along::X => lines
                        .start(end, at)
                        .shape(&format!("m0,-{cap}v{}", 2.0 * cap)),
                    Along::Y => lines
                        .start(at, end)
                        .shape(&format!("m-{cap},0h{}", 2.0 * cap)),
                };
            }
        }
        match along {
            Along::X => marks
                .start(value, at)
                .shape(&format!("m0,-{}v{}", 2.4 * cap, 4.8 * cap)),
            Along::Y => marks
                .start(at, value)
                .shape(&format!("m-{},0h{}", 2.4 * cap, 4.8 * cap)),
        };
    }
    let mut shapes = Path::default();
    let r = 0.9 * cap;
    for i in items {
        if let (Some(at), Some(value)) = (places.place(i.at), values.place_or_foot(i.value)) {
            let (x, y) = match along {
                Along::X => (value, at),
                Along::Y => (at, value),
            };
            shapes.start(x, y).shape(&hue.shape().commands(r));
        }
    }
    let strokes = [(lines.text(), 1.6), (marks.text(), thick)];
    let shape = hue.shape();
    html! {
        // In ink, so that they stand out from the points that they sum up; all halos lie below.
        @for (d, width) in &strokes {
            @if let Some(d) = d { path class="halo" stroke-width=(width + 2.0) d=(d) {} }
        }
        @for (d, width) in &strokes {
            @if let Some(d) = d { path class="stem" stroke-width=(width) d=(d) {} }
        }
        @if let Some(d) = shapes.text() {
            path class={ (shape.class()) " halo" } stroke-width=(shape.stroke(r) + 2.0) d=(d) {}
            path class={ (shape.class()) " edged" } stroke-width=(shape.stroke(r)) d=(d) {}
        }
    }
}

fn read_intervals(items: &[Interval], along: Along, ground: &Ground<'_>) -> String {
    let (values, _) = ground.axes(along);
    let unit = values.axis.unit;
    read(
        items.iter().map(|i| {
            let round = chain::Rounded::of_interval([i.low, i.high]);
            (
                i.at,
                i.value,
                format!(
                    "{} ({}) {unit}",
                    round.ms(i.value),
                    round.interval([i.low, i.high])
                ),
            )
        }),
        along,
        ground,
    )
}

fn bars(items: &[Bar], thickness: f64, along: Along, hue: Hue, ground: &Ground<'_>) -> Markup {
    let (values, places) = ground.axes(along);
    let mut path = Path::default();
    for bar in items {
        let edges = [bar.at - 0.5 * thickness, bar.at + 0.5 * thickness];
        let (Some(from), Some(to)) = (values.place_or_foot(bar.from), values.place_or_foot(bar.to))
        else {
            continue;
        };
        let [Some(low), Some(high)] = edges.map(|edge| places.place_or_foot(edge)) else {
            continue;
        };
        match along {
            Along::X => path
                .start(from, low)
                .across(to)
                .upright(high)
                .across(from)
                .close(),
            Along::Y => path
                .start(low, from)
                .upright(to)
                .across(high)
                .upright(from)
                .close(),
        };
    }
    html! {
        @if let Some(d) = path.text() {
            path class={ "bars" @if hue.pale() { " pale" } } fill=[hatch(hue, ground)] d=(d) {}
        }
    }
}

/// The hatch of a hue's bars; none where they are filled.
fn hatch(hue: Hue, ground: &Ground<'_>) -> Option<String> {
    let place = ground.bar_hues.iter().position(|h| *h == hue)?;
    (place > 0).then(|| format!("url(#{}-{})", ground.ids, hatch_id(hue)))
}

/// The name of a hue's hatch.
pub fn hatch_id(hue: Hue) -> String {
    format!("hatch-{}", hue.class())
}

fn read_bars(items: &[Bar], along: Along, ground: &Ground<'_>) -> String {
    let (values, _) = ground.axes(along);
    let unit = values.axis.unit;
    read(
        items.iter().map(|bar| {
            let to = chain::significant(bar.to);
            let text = if bar.from == 0.0 {
                format!("{to} {unit}")
            } else {
                format!("{} to {to} {unit}", chain::significant(bar.from))
            };
            (bar.at, bar.to, text)
        }),
        along,
        ground,
    )
}

/// `x y reading;` of each item, where `x` and `y` are user units; what cannot be placed is left out.
fn read(
    items: impl Iterator<Item = (f64, f64, String)>,
    along: Along,
    ground: &Ground<'_>,
) -> String {
    let (values, places) = ground.axes(along);
    let mut all = String::new();
    for (at, value, text) in items {
        let (Some(at), Some(value)) = (places.place(at), values.place_or_foot(value)) else {
            continue;
        };
        let (x, y) = match along {
            Along::X => (value, at),
            Along::Y => (at, value),
        };
        all += &format!("{} {} {};", round(x), round(y), text.trim_end());
    }
    all
}

fn rule(at: f64, along: Along, hue: Hue, ground: &Ground<'_>) -> Markup {
    let mut path = Path::default();
    across(&mut path, at, along, ground);
    html! {
        @if let Some(d) = path.text() {
            @if hue.pale() {
                path class="casing" stroke-width="3" stroke-dasharray=[hue.dash(false)] d=(d) {}
            }
            path class="line" stroke-width="1.6" stroke-dasharray=[hue.dash(false)] d=(d) {}
        }
    }
}

/// A line over the whole panel at a value of the axis `along`.
fn across(path: &mut Path, at: f64, along: Along, ground: &Ground<'_>) {
    let (values, other) = ground.axes(along);
    if let Some(at) = values.place(at) {
        match along {
            Along::X => path.start(at, other.at[0]).upright(other.at[1]),
            Along::Y => path.start(other.at[0], at).across(other.at[1]),
        };
    }
}

fn span(ends: [f64; 2], along: Along, hue: Hue, ground: &Ground<'_>) -> Markup {
    let (values, other) = ground.axes(along);
    let mut area = Path::default();
    // A span without end reaches beyond the panel.
    let [low, high] = ends.map(|end| match end {
        f64::INFINITY => Some(values.at[1]),
        f64::NEG_INFINITY => Some(values.at[0]),
        end => values.place_or_foot(end),
    });
    if let (Some(low), Some(high)) = (low, high) {
        let [from, to] = other.at;
        match along {
            Along::X => area
                .start(low, from)
                .across(high)
                .upright(to)
                .across(low)
                .close(),
            Along::Y => area
                .start(from, low)
                .across(to)
                .upright(high)
                .across(from)
                .close(),
        };
    }
    let mut edges = Path::default();
    for end in ends {
        across(&mut edges, end, along, ground);
    }
    html! {
        @if let Some(d) = area.text() { path class="span" d=(d) {} }
        @if let Some(d) = edges.text() {
            path class="line edge" stroke-width="1" stroke-dasharray=[hue.dash(false)] d=(d) {}
        }
    }
}

/// What a series looks like in the legend: 30 wide, its middle at `(x + 15, y)`.
pub fn sample(s: &Series, x: f64, y: f64, ids: &str, bar_hues: &[Hue]) -> Markup {
    let hue = s.hue;
    let stroke = |width: f64, broken: bool| {
        let mut path = Path::default();
        path.start(x, y).across(x + 30.0);
        line(
            path.text(),
            hue,
            broken,
            if width < 2.0 { STRONG + 1 } else { 0 },
        )
    };
    let shape = hue.shape();
    let edge = if hue.pale() { " pale" } else { "" };
    let point = |r: f64| {
        html! {
            path class={ (shape.class()) " few" (edge) } stroke-width=(shape.stroke(r))
                d={ "M" (round(x + 15.0)) "," (round(y)) (shape.commands(r)) } {}
        }
    };
    let field = |class: &str, fill: Option<String>, dash: Option<&str>| {
        html! {
            path class={ (class) (edge) } fill=[fill] stroke-dasharray=[dash]
                d={ "M" (round(x + 2.0)) "," (round(y - 7.0)) "h26v14h-26z" } {}
        }
    };
    match &s.mark {
        Mark::Line { broken, .. } => stroke(2.0, *broken),
        Mark::Steps(_) => stroke(2.0, false),
        Mark::Rule { .. } | Mark::Star { .. } => stroke(1.6, false),
        Mark::Points(_) => point(4.0),
        Mark::Area(_) | Mark::Band(_) => field("area", None, hue.dash(false)),
        Mark::Span { .. } => field("span", None, None),
        Mark::Intervals { .. } => html! {
            path class="stem" stroke-width="1.6"
                d={ "M" (round(x + 2.0)) "," (round(y)) "h26m0-4v8m-26-8v8" } {}
            (point(4.5))
        },
        Mark::Bars { .. } => {
            let place = bar_hues.iter().position(|h| *h == hue).unwrap_or(0);
            let fill = (place > 0).then(|| format!("url(#{ids}-{})", hatch_id(hue)));
            field("bars", fill, None)
        }
        // Its colours are explained beside it.
        Mark::Cells { .. } => html! {},
    }
}

/// Whether an axis can be zoomed: names cannot.
pub fn kind(scale: &Scale) -> &'static str {
    match scale {
        Scale::Linear => "linear",
        Scale::Log => "log",
        Scale::Names(_) => "names",
    }
}
