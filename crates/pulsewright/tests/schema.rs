//! Every JSON document is what its schema says.

mod common;

use std::path::Path;
use std::process::Command;

use common::server::Server;
use common::{Bench, ragged, vcd};

#[test]
#[ignore = "needs Python with jsonschema; install: pip install -r tests/references/requirements.txt, and name it in PULSEWRIGHT_PYTHON"]
fn documents_keep_to_their_schemas() {
    let bench = Bench::new();
    bench.file("few.vcd", vcd(&ragged(2, &[50], 100)));
    bench.file("many.vcd", vcd(&ragged(30, &[50, 250], 9_000)));
    bench.ok(&["setup", "new"]);
    bench.ok(&["plan", "new", "--widths", "10ms", "--rounds", "2"]);
    bench.file("chain.toml", "version = 1\nname = \"live\"\n[simulated]\n");
    let mut documents = vec![
        ("demo", vec!["demo", "d"]),
        ("run", vec!["read", "few.vcd", "--requested", "50ms"]),
        (
            "run",
            vec![
                "read",
                "many.vcd",
                "--requested",
                "50ms,250ms",
                "--chain",
                "one",
            ],
        ),
        (
            "run",
            vec![
                "read",
                "many.vcd",
                "--requested",
                "50ms,250ms",
                "--chain",
                "two",
            ],
        ),
        ("runs", vec!["runs"]),
        ("run", vec!["show", "1"]),
        ("again", vec!["show", "1", "--again"]),
        ("comparison", vec!["compare", "1", "2"]),
        ("run", vec!["export", "1", "--as", "json"]),
        ("trim", vec!["trim", "1"]),
        (
            "trim",
            vec!["trim", "1", "--loss", "p20", "--below", "skip"],
        ),
        ("proof", vec!["prove", "1", "2", "--margin", "1ms"]),
        ("setup", vec!["setup", "check"]),
        ("setup", vec!["setup", "check", "--run", "1"]),
        ("judgement", vec!["judge", "1"]),
        ("loop", vec!["loop"]),
        ("loop", vec!["loop", "--width-error", "200ms"]),
        ("loop", vec!["loop", "--run", "1", "--draw-from", "family"]),
        ("tuning", vec!["tune", "--keep-timing"]),
        ("tuning", vec!["tune", "--run", "1"]),
        ("trim", vec!["trim", "1", "--setup", "setup.toml"]),
        ("check", vec!["check", "1", "--limit", "median=50ms"]),
        ("check", vec!["check", "1", "--baseline", "2"]),
        ("plan", vec!["plan", "check"]),
        ("plan", vec!["plan", "show"]),
        ("rigs", vec!["rig", "list"]),
        ("run", vec!["record", "-o", "live.record"]),
        (
            "report",
            vec!["report", "1", "--after", "2", "-o", "r.html"],
        ),
        ("forgotten", vec!["forget", "1", "--yes"]),
    ];
    for chain in ["attic-laptop", "pier-board", "serial-adapter", "long-cable"] {
        documents.push(("run", vec!["show", chain, "--book", "d/book.sqlite"]));
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let served = ["127.0.0.1:0", "0.0.0.0:0"].map(|at| {
        (
            "serve",
            Server::start(&bench, &["--listen", at]).document.clone(),
        )
    });
    let printed = documents.into_iter().map(|(kind, mut args)| {
        args.push("--json");
        (kind, bench.ok(&args))
    });
    for (kind, text) in printed.chain(served) {
        let file = bench.file("document.json", &text);
        let checked = Command::new(&python)
            .args(["-c", "import json,sys,jsonschema; s=json.load(open(sys.argv[1])); jsonschema.Draft202012Validator.check_schema(s); jsonschema.Draft202012Validator(s).validate(json.load(open(sys.argv[2])))"])
            .arg(root.join(format!("docs/schema/{kind}.schema.json")))
            .arg(&file)
            .output()
            .expect("Python runs");
        assert!(
            checked.status.success(),
            "{kind}: {text}{}",
            String::from_utf8_lossy(&checked.stderr)
        );
    }
}
