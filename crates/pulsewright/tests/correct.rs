//! From a stored run to a trim, into a controller's language, and to the proof that it helped.

mod common;

use common::{Bench, ragged, vcd};

/// A run of a chain that adds about 12 ms, stored as `attic`.
fn attic() -> Bench {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(60, &[50, 250, 500], 12_000)));
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms,500ms",
        "--chain",
        "attic",
    ]);
    bench
}

#[test]
fn the_trim_says_in_words_what_to_type_into_the_controller() {
    let bench = attic();
    let out = bench.ok(&["trim", "attic"]);
    let first = out.lines().next().unwrap();
    assert!(first.starts_with("Make every pulse 12."), "{first}");
    assert!(
        first.contains("ms shorter; send nothing for a wanted width under 62"),
        "{first}"
    );
    let quiet = bench.ok(&["trim", "attic", "-q"]);
    assert!(quiet.contains("but carry it to the next"), "{quiet}");
    let json = bench.json(&["trim", "attic"]);
    assert_eq!(json["kind"], "trim");
    let after = json["residual"]["mean_distance_after_ms"].as_f64().unwrap();
    assert!(after < 0.5, "{after}");
}

#[test]
fn every_format_is_written_to_a_file_or_to_standard_output() {
    let bench = attic();
    let c = bench.ok(&["trim", "attic", "--as", "c"]);
    assert!(c.contains("static inline uint32_t trim_request") && c.contains("trim_carry"));
    bench.ok(&["trim", "attic", "--as", "c", "-o", "pulse_trim.h"]);
    assert_eq!(
        std::fs::read_to_string(bench.path("pulse_trim.h")).unwrap(),
        c
    );
    let rust = bench.ok(&["trim", "attic", "--as", "rust", "--below", "floor"]);
    assert!(rust.contains("pub fn request_us") && !rust.contains("pub fn carry"));
    let csv = bench.ok(&[
        "trim",
        "attic",
        "--as",
        "csv",
        "--shortest",
        "20ms",
        "--below",
        "skip",
    ]);
    let rows: Vec<&str> = csv.lines().collect();
    assert_eq!(rows.len(), 5002);
    assert_eq!((rows[0], rows[20]), ("wanted_ms,request_ms", "19,0.000"));
    assert!(rows[263].starts_with("262,249."), "{}", rows[263]);
    let text = bench.ok(&["trim", "attic", "-q"]);
    assert_eq!(text.lines().count(), 1);
    bench.fails(
        &["trim", "attic", "-o", "book.sqlite"],
        &["not to be replaced"],
    );
    bench.fails(&["trim", "attic", "--loss", "p0"], &["p1 to p99"]);
    bench.fails(&["trim", "none"], &["none"]);
    bench.file("few.vcd", vcd(&ragged(3, &[50, 250], 12_000)));
    bench.ok(&[
        "read",
        "few.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "few",
    ]);
    bench.fails(&["trim", "few"], &["6 delivered pulses", "20"]);
}

#[test]
fn a_change_that_helped_is_proven() {
    let bench = attic();
    bench.file("b.vcd", vcd(&ragged(60, &[50, 250, 500], 0)));
    bench.ok(&[
        "read",
        "b.vcd",
        "--requested",
        "50ms,250ms,500ms",
        "--chain",
        "trimmed",
    ]);
    let out = bench.ok(&["prove", "attic", "trimmed", "--margin", "2ms"]);
    assert!(
        out.starts_with("Proven: trimmed's median error is 0."),
        "{out}"
    );
    assert!(out.contains("less than before"), "{out}");
    // And one that did not is not.
    let out = bench.ok(&["prove", "trimmed", "attic", "--margin", "2ms", "-q"]);
    assert!(
        out.starts_with("Not so: attic's median error is 12."),
        "{out}"
    );
    assert!(out.contains("more than before"), "{out}");
    bench.fails(&["prove", "attic", "1", "--margin", "2ms"], &["twice"]);
    bench.fails(&["prove", "attic", "trimmed"], &["--margin"]);
    bench.fails(
        &["prove", "attic", "trimmed", "--margin", "0"],
        &["above zero"],
    );
}
