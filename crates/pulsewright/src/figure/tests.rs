//! The figures as they are drawn.

use std::collections::BTreeMap;

use proptest::prelude::*;
use roxmltree::{Document, Node};

use super::{Along, Axis, Bar, Figure, Hue, Interval, Mark, Panel, Series, words};

const HUES: [Hue; 12] = [
    Hue::Ra,
    Hue::Dec,
    Hue::Requested,
    Hue::Measured,
    Hue::Warning,
    Hue::Neutral,
    Hue::Nth(0),
    Hue::Nth(1),
    Hue::Nth(2),
    Hue::Nth(3),
    Hue::Nth(4),
    Hue::Nth(5),
];

fn panel(x: Axis, y: Axis, series: Vec<Series>) -> Panel {
    Panel {
        x,
        y,
        series,
        aspect: 0.5,
    }
}

fn figure(panels: Vec<Panel>) -> Figure {
    Figure {
        id: "tried".to_owned(),
        title: "Tried".to_owned(),
        caption: "By a test.".to_owned(),
        panels,
    }
}

/// One panel with one series over 0 to 10 both ways.
fn one(mark: Mark) -> Figure {
    let axis = |label: &str| Axis::linear(label, "ms").within(0.0, 10.0);
    let series = Series::new("ra+", Hue::Ra, mark);
    figure(vec![panel(axis("request"), axis("width"), vec![series])])
}

/// Draws, and holds what every drawing must hold: it is XML, has no number that is none, its ids are
/// single and all references lead to one, and all text lies inside.
fn drawn(figure: &Figure) -> String {
    let svg = figure.svg("t").into_string();
    let document = Document::parse(&svg).unwrap_or_else(|e| panic!("{e}\n{svg}"));
    let root = document.root_element();
    let view: Vec<f64> = root
        .attribute("viewBox")
        .unwrap()
        .split(' ')
        .map(|n| n.parse().unwrap())
        .collect();
    let mut ids = BTreeMap::new();
    for node in document.descendants().filter(Node::is_element) {
        if let Some(id) = node.attribute("id") {
            assert_eq!(ids.insert(id, ()), None, "{id} stands twice");
        }
    }
    for node in document.descendants().filter(Node::is_element) {
        for attribute in node.attributes() {
            let value = attribute.value();
            if !attribute.name().starts_with("data-") {
                let numbers = !matches!(attribute.name(), "class" | "id" | "aria-labelledby");
                assert!(
                    !numbers || !(value.contains("NaN") || value.contains("inf")),
                    "{}={value}",
                    attribute.name()
                );
            }
            assert_ne!(attribute.name(), "style");
            if let Some(id) = value.strip_prefix("url(#") {
                assert!(
                    ids.contains_key(id.trim_end_matches(')')),
                    "{value} leads nowhere"
                );
            }
        }
        if node.tag_name().name() == "text" {
            let [left, right, top, bottom] = extent(&node);
            let inside =
                left >= -0.5 && right <= view[2] + 0.5 && top >= -0.5 && bottom <= view[3] + 0.5;
            assert!(
                inside,
                "{:?} lies at {left} to {right}, {top} to {bottom} of {view:?}",
                node.text()
            );
        }
    }
    svg
}

/// Where a text lies: left, right, top, bottom.
fn extent(node: &Node<'_, '_>) -> [f64; 4] {
    let number = |name: &str| node.attribute(name).unwrap().parse::<f64>().unwrap();
    let wide = words::width(node.text().unwrap_or(""));
    let (x, y) = (number("x"), number("y"));
    let (from, to) = match node.attribute("text-anchor") {
        Some("end") => (-wide, 0.0),
        Some("middle") => (-0.5 * wide, 0.5 * wide),
        _ => (0.0, wide),
    };
    if node.attribute("transform").is_some() {
        // Tilted by 40 degrees around its end.
        return [
            x + from * 0.766 - 8.0,
            x + 4.0,
            y - 12.0,
            y - from * 0.643 + 4.0,
        ];
    }
    [x + from, x + to, y - 12.0, y + 4.0]
}

/// Whether two texts of a drawing lie on each other, tilted ones left out.
fn crowded(svg: &str) -> Option<String> {
    let document = Document::parse(svg).unwrap();
    let texts: Vec<(String, [f64; 4])> = document
        .descendants()
        .filter(|n| n.tag_name().name() == "text" && n.attribute("transform").is_none())
        .map(|n| (n.text().unwrap_or("").to_owned(), extent(&n)))
        .collect();
    for (i, (one, a)) in texts.iter().enumerate() {
        for (other, b) in &texts[i + 1..] {
            if a[0] < b[1] && b[0] < a[1] && a[2] + 1.0 < b[3] && b[2] + 1.0 < a[3] {
                return Some(format!("{one:?} {a:?} and {other:?} {b:?}"));
            }
        }
    }
    None
}

/// The `d` of all paths of a class in the marks.
fn paths(svg: &str, class: &str) -> Vec<String> {
    let document = Document::parse(svg).unwrap();
    let marks = document
        .descendants()
        .find(|n| n.attribute("class") == Some("marks"))
        .unwrap();
    marks
        .descendants()
        .filter(|n| {
            n.attribute("class")
                .is_some_and(|c| c.split(' ').any(|c| c == class))
        })
        .filter_map(|n| n.attribute("d").map(str::to_owned))
        .collect()
}

fn read(svg: &str) -> String {
    let document = Document::parse(svg).unwrap();
    let series = document
        .descendants()
        .find_map(|n| n.attribute("data-read"));
    series.unwrap().to_owned()
}

/// Left, right, bottom, top of the first plot.
fn plot(svg: &str) -> [f64; 4] {
    let document = Document::parse(svg).unwrap();
    let axes = document
        .descendants()
        .find_map(|n| n.attribute("data-axes"));
    let axes: serde_json::Value = serde_json::from_str(axes.unwrap()).unwrap();
    let at = |axis: &str, end: usize| axes[axis]["at"][end].as_f64().unwrap();
    [at("x", 0), at("x", 1), at("y", 0), at("y", 1)]
}

/// A mark of every kind from the same few numbers.
fn every_mark(points: &[[f64; 2]], along: Along) -> Vec<Mark> {
    let first = points.first().copied().unwrap_or([1.0, 2.0]);
    vec![
        Mark::Line {
            points: points.to_vec(),
            broken: false,
        },
        Mark::Line {
            points: points.to_vec(),
            broken: true,
        },
        Mark::Steps(points.to_vec()),
        Mark::Points(points.to_vec()),
        Mark::Area(points.to_vec()),
        Mark::Band(points.iter().map(|[x, y]| [*x, *y, *x]).collect()),
        Mark::Intervals {
            items: points
                .iter()
                .map(|[x, y]| Interval {
                    at: *x,
                    low: *x,
                    value: *y,
                    high: *y,
                })
                .collect(),
            along,
        },
        Mark::Bars {
            items: points
                .iter()
                .map(|[x, y]| Bar {
                    at: *x,
                    from: 0.0,
                    to: *y,
                })
                .collect(),
            thickness: first[0],
            along,
        },
        Mark::Rule {
            at: first[0],
            along,
        },
        Mark::Span {
            low: first[0],
            high: first[1],
            along,
        },
        Mark::Cells {
            x_edges: points.iter().map(|p| p[0]).collect(),
            y_edges: points.iter().map(|p| p[1]).collect(),
            values: points
                .iter()
                .map(|[x, y]| vec![Some(*x), None, Some(*y)])
                .collect(),
            label: "tracking error".to_owned(),
            unit: "arcsec",
        },
        Mark::Star {
            at: first,
            fwhm_x: first[0],
            fwhm_y: first[1],
        },
    ]
}

#[test]
fn a_line_passes_through_its_points_and_breaks_at_what_is_no_number() {
    let points = vec![
        [0.0, 0.0],
        [10.0, 10.0],
        [5.0, f64::NAN],
        [0.0, 10.0],
        [10.0, 0.0],
    ];
    let svg = drawn(&one(Mark::Line {
        points,
        broken: false,
    }));
    let [l, r, b, t] = plot(&svg);
    assert_eq!(
        paths(&svg, "line"),
        [format!("M{l},{b}L{r},{t}M{l},{t}L{r},{b}")]
    );
}

#[test]
fn steps_keep_their_value_until_the_next_point() {
    let svg = drawn(&one(Mark::Steps(vec![[0.0, 0.0], [10.0, 10.0]])));
    let [l, r, b, t] = plot(&svg);
    assert_eq!(paths(&svg, "line"), [format!("M{l},{b}H{r}V{t}")]);
}

#[test]
fn each_point_is_drawn_once_in_layers() {
    let points: Vec<[f64; 2]> = (0..1000).map(|i| [f64::from(i) / 100.0, 5.0]).collect();
    let svg = drawn(&one(Mark::Points(points)));
    let layers = paths(&svg, "dots");
    assert_eq!(layers.len(), 4);
    assert_eq!(
        layers.iter().map(|d| d.matches('M').count()).sum::<usize>(),
        1000
    );
    assert!(svg.len() < 30_000, "{} bytes for 1,000 points", svg.len());
}

#[test]
fn an_area_is_closed_and_a_band_goes_back_below() {
    let svg = drawn(&one(Mark::Area(vec![
        [0.0, 0.0],
        [10.0, 0.0],
        [10.0, 10.0],
    ])));
    let [l, r, b, t] = plot(&svg);
    assert_eq!(paths(&svg, "area"), [format!("M{l},{b}L{r},{b}L{r},{t}Z")]);
    let svg = drawn(&one(Mark::Band(vec![[0.0, 0.0, 10.0], [10.0, 0.0, 10.0]])));
    assert_eq!(
        paths(&svg, "area"),
        [format!("M{l},{t}L{r},{t}L{r},{b}L{l},{b}Z")]
    );
}

#[test]
fn an_interval_is_read_with_the_digits_it_allows() {
    let item = Interval {
        at: 5.0,
        low: 2.0123,
        value: 2.5123,
        high: 3.0123,
    };
    let svg = drawn(&one(Mark::Intervals {
        items: vec![item],
        along: Along::Y,
    }));
    assert!(
        read(&svg).ends_with("2.5 (2.0 to 3.0) ms;"),
        "{}",
        read(&svg)
    );
    // Of a value without an end, the value alone.
    let endless = Interval {
        high: f64::NAN,
        ..item
    };
    let svg = drawn(&one(Mark::Intervals {
        items: vec![endless],
        along: Along::Y,
    }));
    assert_eq!(paths(&svg, "stem").len(), 1);
}

#[test]
fn bars_stand_on_their_axis_and_other_hues_are_hatched() {
    let bars = |hue, at| {
        Series::new(
            "bar",
            hue,
            Mark::Bars {
                items: vec![Bar {
                    at,
                    from: 0.0,
                    to: 4.0,
                }],
                thickness: 1.0,
                along: Along::Y,
            },
        )
    };
    let series = vec![bars(Hue::Ra, 1.0), bars(Hue::Dec, 2.0)];
    let svg = drawn(&figure(vec![panel(
        Axis::linear("cause", ""),
        Axis::linear("share", "%"),
        series,
    )]));
    let [.., bottom, _] = plot(&svg);
    for d in paths(&svg, "bars") {
        assert!(
            d.contains(&format!(",{bottom}V")),
            "{d} does not stand on {bottom}"
        );
    }
    assert_eq!(svg.matches("<pattern").count(), 1);
}

#[test]
fn a_rule_crosses_the_panel_and_a_span_without_end_reaches_its_edge() {
    let svg = drawn(&one(Mark::Rule {
        at: 10.0,
        along: Along::X,
    }));
    let [l, r, b, t] = plot(&svg);
    assert_eq!(paths(&svg, "line"), [format!("M{r},{b}V{t}")]);
    let svg = drawn(&one(Mark::Span {
        low: 0.0,
        high: f64::INFINITY,
        along: Along::Y,
    }));
    assert_eq!(paths(&svg, "span"), [format!("M{l},{b}H{r}V{t}H{l}Z")]);
}

#[test]
fn a_map_has_a_scale_of_its_colours_and_leaves_open_what_has_no_value() {
    let svg = drawn(&one(Mark::Cells {
        x_edges: vec![0.0, 5.0, 10.0],
        y_edges: vec![0.0, 10.0],
        values: vec![vec![Some(1.0), None]],
        label: "tracking error".to_owned(),
        unit: "arcsec",
    }));
    assert_eq!(paths(&svg, "cell").len(), 1);
    assert!(svg.contains("colour-scale") && svg.contains("tracking error (arcsec)"));
    assert!(read(&svg).starts_with("tracking error|arcsec|"));
}

#[test]
fn a_round_star_is_round_whatever_the_panel() {
    let mut figure = one(Mark::Star {
        at: [0.0, 0.0],
        fwhm_x: 2.0,
        fwhm_y: 2.0,
    });
    figure.panels[0].x.range = None;
    let svg = drawn(&figure);
    let document = Document::parse(&svg).unwrap();
    let half = document
        .descendants()
        .find(|n| n.attribute("class") == Some("line half"))
        .unwrap();
    assert_eq!(half.attribute("rx"), half.attribute("ry"));
}

#[test]
fn names_are_never_on_each_other() {
    let long = |n: usize| -> Vec<String> {
        (0..n)
            .map(|i| format!("observatory laptop with adapter number {i}"))
            .collect()
    };
    let short: Vec<String> = ["ra+", "ra-", "dec+", "dec-"].map(str::to_owned).to_vec();
    for names in [
        short,
        long(2),
        long(4),
        long(9),
        long(80),
        vec!["x".repeat(200)],
        Vec::new(),
    ] {
        let flat = figure(vec![panel(
            Axis::names("chain", names.clone()),
            Axis::linear("width error", "ms"),
            Vec::new(),
        )]);
        let upright = figure(vec![panel(
            Axis::linear("width error", "ms"),
            Axis::names("chain", names),
            Vec::new(),
        )]);
        for figure in [flat, upright] {
            let svg = drawn(&figure);
            assert_eq!(crowded(&svg), None);
        }
    }
}

#[test]
fn the_first_of_the_names_stands_at_the_top() {
    let names = vec!["first".to_owned(), "last".to_owned()];
    let svg = drawn(&figure(vec![panel(
        Axis::linear("share", "%"),
        Axis::names("cause", names),
        Vec::new(),
    )]));
    let document = Document::parse(&svg).unwrap();
    let y = |name: &str| {
        let node = document
            .descendants()
            .find(|n| n.text() == Some(name) && n.tag_name().name() == "text");
        node.unwrap()
            .attribute("y")
            .unwrap()
            .parse::<f64>()
            .unwrap()
    };
    assert!(y("first") < y("last"));
}

#[test]
fn markup_in_a_name_stays_text() {
    let mut figure = one(Mark::Points(vec![[1.0, 1.0]]));
    figure.title = "<script>\"'&".to_owned();
    figure.panels[0].series[0].name = "\"><script>alert(1)</script>".to_owned();
    figure.panels[0].x.label = "</svg><b>".to_owned();
    let svg = drawn(&figure);
    assert!(!svg.contains("<script") && !svg.contains("<b>"));
}

#[test]
fn a_legend_wraps_and_is_said_once() {
    let series: Vec<Series> = HUES
        .iter()
        .enumerate()
        .flat_map(|(i, hue)| {
            let marks = every_mark(&[[1.0, 2.0], [2.0, 3.0]], Along::Y);
            let name = format!("chain number {i}");
            marks
                .into_iter()
                .take(4)
                .map(move |m| Series::new(name.clone(), *hue, m))
        })
        .collect();
    let axes = || (Axis::linear("time", "s"), Axis::linear("error", "ms"));
    let panels = [series.clone(), series]
        .map(|series| panel(axes().0, axes().1, series))
        .to_vec();
    let svg = drawn(&figure(panels));
    assert_eq!(crowded(&svg), None);
    assert_eq!(svg.matches(r#"<g class="legend">"#).count(), 1);
    assert_eq!(svg.matches(">chain number 3</text>").count(), 1);
}

#[test]
fn ticks_are_round() {
    let labels = |axis: Axis| -> Vec<String> {
        super::placed::Placed::new(&axis, Along::X, &[])
            .ticks(6)
            .into_iter()
            .map(|t| t.label)
            .collect()
    };
    let linear = |low, high| labels(Axis::linear("", "").within(low, high));
    assert_eq!(linear(0.0, 1.0), ["0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
    assert_eq!(linear(-30.0, 31.0), ["-20", "0", "20"]);
    assert_eq!(
        linear(0.0, 3e7),
        ["0", "5e6", "1e7", "1.5e7", "2e7", "2.5e7", "3e7"]
    );
    let log = |low, high| labels(Axis::log("", "").within(low, high));
    assert_eq!(
        log(10.0, 1000.0),
        ["10", "20", "50", "100", "200", "500", "1000"]
    );
    assert_eq!(
        log(0.01, 1e4),
        ["0.01", "0.1", "1", "10", "100", "1000", "10000"]
    );
    assert_eq!(log(200.0, 420.0), ["200", "300", "400"]);
}

/// Relative luminance of `#rrggbb` (WCAG 2.2).
fn luminance(colour: &str) -> f64 {
    let part = |at: usize| {
        let c = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    };
    0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

fn contrast(one: &str, other: &str) -> f64 {
    let (a, b) = (luminance(one), luminance(other));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// The custom properties of the block that follows `selector`.
fn properties(css: &str, selector: &str) -> BTreeMap<String, String> {
    let start = css.find(selector).unwrap() + selector.len();
    let end = start + css[start..].find('}').unwrap();
    css[start..end]
        .lines()
        .filter_map(|l| {
            l.trim()
                .strip_prefix("--")?
                .strip_suffix(';')?
                .split_once(": ")
        })
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .collect()
}

#[test]
fn colours_can_be_told_from_the_paper_in_every_theme() {
    let css = include_str!("../page/assets/figure.css");
    let day = properties(css, ":root {");
    let dark = properties(css, r#":root[data-theme="dark"] {"#);
    let night = properties(css, r#":root[data-theme="night"] {"#);
    assert_eq!(dark, properties(css, ":root:not([data-theme]) {"));
    for (theme, pales) in [(&day, true), (&dark, false), (&night, false)] {
        let paper = &theme["paper"];
        for text in ["ink", "faint"] {
            let found = contrast(&theme[text], paper);
            assert!(found >= 4.5, "{text} {found:.2}");
        }
        assert!(contrast(&theme["line"], paper) >= 3.0);
        for hue in HUES {
            let class = hue.class();
            let name = match hue {
                Hue::Neutral => "faint".to_owned(),
                Hue::Nth(i) => format!("nth-{i}"),
                _ => class.trim_start_matches("hue-").to_owned(),
            };
            let found = contrast(&theme[&name], paper);
            // Pale hues stand by their edge.
            assert!(found >= 3.0 || (pales && hue.pale()), "{name} {found:.2}");
        }
    }
    for (name, colour) in night.iter().filter(|(_, c)| c.starts_with('#')) {
        assert_eq!(&colour[3..], "0000", "{name} is not red");
    }
}

#[test]
fn no_two_hues_are_told_by_colour_alone() {
    for (i, one) in HUES.iter().enumerate() {
        for other in &HUES[i + 1..] {
            let chains = |hue: &Hue| matches!(hue, Hue::Nth(_));
            if chains(one) == chains(other) {
                assert_ne!(one.dash(false), other.dash(false), "{one:?} {other:?}");
                assert_ne!(one.shape(), other.shape(), "{one:?} {other:?}");
            }
        }
    }
}

/// Any number that a computation may hand over.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -100.0..100.0f64,
        1 => Just(0.0),
        1 => Just(5.0),
        1 => any::<f64>(),
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(f64::NEG_INFINITY),
        1 => Just(f64::MAX),
        1 => Just(f64::MIN_POSITIVE),
    ]
}

fn axis() -> impl Strategy<Value = Axis> {
    let scale = prop_oneof![
        Just(Axis::linear("width error of a pulse", "ms")),
        Just(Axis::log("requested width", "ms")),
        proptest::collection::vec("\\PC{0,40}", 0..12)
            .prop_map(|names| Axis::names("chain", names)),
        "\\PC{0,120}".prop_map(|label| Axis::linear(label, "")),
    ];
    (scale, proptest::option::of([number(), number()]))
        .prop_map(|(axis, range)| Axis { range, ..axis })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_figure_is_drawn(
        axes in [axis(), axis(), axis(), axis()],
        points in proptest::collection::vec([number(), number()], 0..20),
        up in any::<bool>(),
        aspect in prop_oneof![3 => 0.2..1.0f64, 1 => number()],
        name in "\\PC{0,60}",
    ) {
        let along = if up { Along::Y } else { Along::X };
        let series: Vec<Series> = every_mark(&points, along)
            .into_iter()
            .zip(HUES)
            .map(|(mark, hue)| Series::new(name.clone(), hue, mark))
            .collect();
        let [a, b, c, d] = axes;
        let each = series.iter().map(|s| panel(a.clone(), b.clone(), vec![s.clone()]));
        for one in each {
            drawn(&figure(vec![one]));
        }
        let mut all = panel(c, d, series);
        all.aspect = aspect;
        drawn(&figure(vec![all]));
    }
}
