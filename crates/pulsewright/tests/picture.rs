//! The picture in the README is what the program prints.

mod common;

use std::path::Path;

use common::Bench;

/// Width and height of a character cell, px.
const CELL: (f64, f64) = (7.8, 17.0);
const MARGIN: f64 = 18.0;

#[test]
fn the_picture_in_the_readme_is_what_the_program_prints() {
    let bench = Bench::new();
    bench.ok(&["demo", "d"]);
    let page = bench.ok(&["show", "attic-laptop", "--book", "d/book.sqlite"]);
    // Up to the figure and the table; what follows is the same for every run but longer.
    let end = page
        .find("What it depends on")
        .expect("a heading after the table");
    let drawn = svg("$ pulsewright show attic-laptop", &page[..end]);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/images/show.svg");
    if std::env::var_os("PULSEWRIGHT_DRAW").is_some() {
        std::fs::write(&path, &drawn).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    // A checkout may have changed the ends of lines.
    assert!(
        kept.replace("\r\n", "\n") == drawn,
        "docs/images/show.svg is not what the program prints; draw it anew with PULSEWRIGHT_DRAW=1 cargo test --test picture, and look at it"
    );
}

/// Text as a picture, light or dark as the reader's system is.
fn svg(prompt: &str, page: &str) -> String {
    let lines: Vec<&str> = std::iter::once(prompt)
        .chain(std::iter::once(""))
        .chain(page.trim_end().lines())
        .collect();
    let columns = lines.iter().map(|l| l.chars().count()).max().unwrap_or(0);
    let width = columns as f64 * CELL.0 + 2.0 * MARGIN;
    let height = lines.len() as f64 * CELL.1 + 2.0 * MARGIN;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" height=\"{height:.0}\" role=\"img\" aria-label=\"What pulsewright show prints for one of the demo's chains\">\n<style>\n\
         rect {{ fill: #fbfaf7 }} text {{ fill: #23221f; font: 13px ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, monospace; white-space: pre }}\n\
         .answer {{ font-weight: bold }} .heading {{ text-decoration: underline; font-weight: bold }} .faint {{ opacity: .7 }}\n\
         @media (prefers-color-scheme: dark) {{ rect {{ fill: #1c1b19 }} text {{ fill: #e6e3dc }} }}\n</style>\n<rect width=\"100%\" height=\"100%\" rx=\"8\"/>\n"
    );
    let mut in_answer = true;
    for (row, line) in lines.iter().enumerate() {
        if line.is_empty() {
            in_answer = in_answer && row < 2;
            continue;
        }
        let class = match row {
            0 => "faint",
            _ if in_answer => "answer",
            _ if line.starts_with("Width error") => "heading",
            _ => "",
        };
        let text = line.replace('&', "&amp;").replace('<', "&lt;");
        let length = line.chars().count() as f64 * CELL.0;
        let y = MARGIN + (row as f64 + 0.75) * CELL.1;
        // The length keeps columns under each other whatever the font.
        svg += &format!(
            "<text class=\"{class}\" x=\"{MARGIN}\" y=\"{y:.1}\" textLength=\"{length:.1}\" xml:space=\"preserve\">{text}</text>\n"
        );
    }
    svg + "</svg>\n"
}
