//! The pages of rigs: the ports with what answers, and the test of one.

use chain::{count, plural, significant};
use rig::self_test::SelfTest;
use wire::Direction;

use super::table::Table;
use super::{answer, faint, warnings};
use crate::json::{RigTestDocument, RigsDocument};

/// The ports.
pub fn list(document: &RigsDocument) -> String {
    let rigs = document.ports.iter().filter(|p| p.rig.is_some()).count();
    let mut page = answer(&match (document.ports.len(), rigs) {
        (0, _) => "This computer has no serial port; plug the rig in.".to_owned(),
        (_, 0) => "No rig answers; docs/wiring.md goes from the parts to the first run.".to_owned(),
        (_, n) => format!("{} found.", plural(n as u64, "rig")),
    });
    if document.ports.is_empty() {
        return page;
    }
    let mut table = Table::new(&["port", "<device", "<rig", "<firmware", "<heard"]);
    for port in &document.ports {
        let dash = || "-".to_owned();
        let rig = port.rig.as_ref();
        table.row(vec![
            port.port.clone(),
            if port.about.is_empty() {
                dash()
            } else {
                port.about.clone()
            },
            rig.map_or_else(dash, |r| r.serial.clone()),
            rig.map_or_else(dash, |r| r.version.clone()),
            port.heard.clone(),
        ]);
    }
    page += &table.text();
    page
}

/// A line while the test goes on.
pub fn so_far(test: &SelfTest) -> String {
    let inputs: Vec<String> = test
        .input_edges
        .iter()
        .enumerate()
        .map(|(input, edges)| {
            let name = Direction::ALL
                .get(input)
                .map_or_else(|| format!("input {input}"), Direction::to_string);
            format!("{name} {}", plural(*edges, "edge"))
        })
        .collect();
    format!(
        "{} s: {}",
        significant(test.seconds.round()),
        inputs.join(", ")
    )
}

/// The test; the answer alone where `quiet`.
pub fn test(document: &RigTestDocument, quiet: bool) -> String {
    let test = &document.test;
    let seen = test.input_edges.iter().filter(|edges| **edges > 0).count();
    let sound = document.sound;
    let sentence = format!(
        "The rig {} at {} {}; edges came from {} of {}.",
        test.identity.serial,
        document.port,
        if sound {
            "is well"
        } else {
            "answers, but not soundly"
        },
        seen,
        plural(test.input_edges.len() as u64, "input")
    );
    if quiet {
        return format!("{sentence}\n");
    }
    let mut page = answer(&sentence);
    let mut table = Table::new(&["", "<"]);
    let mut row = |name: &str, value: String| table.row(vec![name.to_owned(), value]);
    row("firmware", test.identity.version.clone());
    row(
        "lines",
        format!(
            "{} good, {} damaged, {} not understood",
            count(test.lines.good),
            count(test.lines.bad_sums),
            count(test.lines.unknown)
        ),
    );
    if let Some(s) = test.round_trip_s {
        row(
            "least round trip",
            format!("{} ms", significant(1000.0 * s)),
        );
    }
    if let Some(rate) = test.rate_ppm {
        row(
            "clock",
            format!(
                "{} ppm {} against this computer's (between {} and {})",
                significant(rate.value.abs()),
                if rate.value < 0.0 { "slow" } else { "fast" },
                significant(rate.low),
                significant(rate.high)
            ),
        );
    }
    row(
        "edges",
        format!(
            "at most {} in a second, {} lost",
            count(test.most_edges_per_s),
            count(test.edges_lost)
        ),
    );
    for (input, edges) in test.input_edges.iter().enumerate() {
        let name = Direction::ALL.get(input).map_or_else(
            || format!("input {input}"),
            |d| format!("input {input}, {d}"),
        );
        let state = test.closed.map_or("", |closed| {
            if closed >> input & 1 == 1 {
                ", closed now"
            } else {
                ", open now"
            }
        });
        row(&name, format!("{}{state}", plural(*edges, "edge")));
    }
    page += &table.text();
    page.push('\n');
    page += &warnings(&document.warnings);
    page + &faint(&format!("Tested for {} s.", significant(test.seconds)))
}
