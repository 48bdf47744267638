//! A capture that is sent to the page: it is read as on the command line, kept under its checksum, and
//! shown and exported as the book holds it.

mod common;

use common::server::{Answer, Server};
use common::{Bench, ragged, vcd};

const BOUNDARY: &str = "part-of-a-form-7d1";

/// A field: name, file name where it is a file, content.
type Part<'a> = (&'a str, Option<&'a str>, &'a str);

fn upload(server: &Server, parts: &[Part<'_>]) -> Answer {
    let mut body = String::new();
    for (name, file, content) in parts {
        let file = file.map_or_else(String::new, |file| format!("; filename=\"{file}\""));
        body += &format!(
            "--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"{name}\"{file}\r\n\r\n{content}\r\n"
        );
    }
    body += &format!("--{BOUNDARY}--\r\n");
    let more = format!(
        "{}Content-Type: multipart/form-data; boundary={BOUNDARY}\r\n",
        server.own_origin()
    );
    server.ask("POST", "/measure/upload", &more, body.as_bytes())
}

fn kept(bench: &Bench) -> Vec<String> {
    let folder = std::fs::read_dir(bench.path("book.sqlite.captures"));
    let names = folder.map(|entries| {
        entries
            .map(|entry| entry.expect("an entry").file_name())
            .map(|name| name.to_string_lossy().into_owned())
            .collect()
    });
    names.unwrap_or_default()
}

#[test]
fn an_upload_is_a_run_as_the_command_line_reads_it() {
    let bench = Bench::new();
    let server = Server::start(&bench, &[]);
    let page = server.get("/measure");
    assert!(page.body.contains("/measure/upload"), "{}", page.body);
    let capture = vcd(&ragged(40, &[50, 250], 12_000));
    let parts = [
        ("chain", None, "attic laptop"),
        ("requested", None, "50, 250"),
        ("direction", None, "ra+"),
        ("note", None, "cable = 5 m, shielded"),
        ("requests", Some(""), ""),
        ("capture", Some("../../port.vcd"), capture.as_str()),
    ];
    let answer = upload(&server, &parts);
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert_eq!(answer.header("location"), Some("/measure/run/1"));
    let shown = bench.json(&["show", "attic laptop"]);
    let page = server.get("/measure/run/1");
    let said = shown["answer"].as_str().expect("an answer");
    assert!(page.body.contains(said), "{}", page.body);
    assert!(page.body.contains("Uploaded as port.vcd."));
    assert!(server.get("/measure").body.contains(said));

    // The file is found again, and gives the same numbers.
    let sha256 = shown["sources"][0]["sha256"].as_str().expect("a checksum");
    assert_eq!(kept(&bench), [format!("{sha256}.vcd")]);
    let again = bench.json(&["show", "1", "--again"]);
    assert_eq!(
        (&again["same_files"], &again["same_numbers"]),
        (&true.into(), &true.into())
    );

    // The command line reads the same of it.
    bench.file("port.vcd", &capture);
    let line = [
        "read",
        "port.vcd",
        "--requested",
        "50ms,250ms",
        "--direction",
        "ra+",
    ];
    let read = bench.json(&line);
    for part in ["answer", "pooled", "groups", "uncertainty", "settings"] {
        assert_eq!(read[part], shown[part], "{part}");
    }

    // What the page saves is what `export` writes.
    let csv = server.get("/measure/run/1/pulses.csv");
    assert_eq!(csv.body, bench.ok(&["export", "1"]));
    let json = server.get("/measure/run/1/run.json");
    assert_eq!(json.body, bench.ok(&["export", "1", "--as", "json"]));

    // The same file again is another run, and one file.
    assert_eq!(upload(&server, &parts).status, 303);
    assert_eq!(kept(&bench).len(), 1);
    let both = server.get("/measure/compare?run=1&run=2");
    let compared = bench.json(&["compare", "1", "2"]);
    let said = compared["answer"].as_str().expect("an answer");
    let plain = said.replace('\'', "&#39;");
    assert!(
        both.body.contains(said) || both.body.contains(&plain),
        "{}",
        both.body
    );
}

#[test]
fn a_fault_stands_beside_its_field_and_nothing_is_kept() {
    let bench = Bench::new();
    let server = Server::start(&bench, &[]);
    let capture = vcd(&ragged(20, &[250], 12_000));
    let file = ("capture", Some("port.vcd"), capture.as_str());
    for (parts, field, words) in [
        (
            vec![("chain", None, "attic"), file],
            "requested",
            "port.vcd: found 20 pulses and no word of what was asked for",
        ),
        (
            vec![("chain", None, "attic"), ("requested", None, "wide"), file],
            "requested",
            "found `wide`",
        ),
        (
            vec![("chain", None, "12"), ("requested", None, "250"), file],
            "chain",
            "which is a number",
        ),
        (
            vec![("requested", None, "250"), file],
            "chain",
            "The chain has no name",
        ),
        (
            vec![("chain", None, "attic"), ("requested", None, "250")],
            "capture",
            "No capture was chosen",
        ),
        (
            vec![
                ("chain", None, "attic"),
                ("requested", None, "250"),
                ("bridge", None, "-3"),
                file,
            ],
            "bridge",
            "0 or more",
        ),
    ] {
        let answer = upload(&server, &parts);
        assert_eq!(answer.status, 422, "{}", answer.body);
        let error = format!("id=\"{field}-error\"");
        assert!(answer.body.contains(&error), "{field}: {}", answer.body);
        assert!(answer.body.contains(words), "{words}: {}", answer.body);
        assert!(!answer.body.contains("arriving-"), "{}", answer.body);
        if let Some((_, _, chain)) = parts.iter().find(|part| part.0 == "chain") {
            assert!(answer.body.contains(&format!("value=\"{chain}\"")));
        }
        assert!(!bench.path("book.sqlite.captures").exists());
        assert!(!bench.path("book.sqlite").exists());
    }
}
