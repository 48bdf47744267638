//! Whatever goes wrong is told with code 2, and the lab book is never half-written.

mod common;

use std::process::Stdio;

use common::{Bench, ragged, vcd};

#[test]
fn bad_captures_are_told() {
    let bench = Bench::new();
    let read = |name: &str, bytes: &[u8], words: &[&str]| {
        bench.file(name, bytes);
        let mut all = vec![name];
        all.extend(words);
        bench.fails(&["read", name, "--requested", "50ms"], &all);
    };
    read("empty.vcd", b"", &[]);
    read("binary.vcd", &[0u8, 159, 146, 150].repeat(500), &[]);
    read("prose.txt", b"It was a dark and stormy night.\n", &[]);
    let header = "$timescale 1 us $end\n$var wire 1 ! D0 $end\n$enddefinitions $end\n";
    read(
        "none.vcd",
        format!("{header}#0\n0!\n#5000\n").as_bytes(),
        &["edge"],
    );
    read(
        "one.vcd",
        format!("{header}#0\n0!\n#5000\n1!\n").as_bytes(),
        &[],
    );
    let backwards = format!("{header}#0\n0!\n#5000\n1!\n#4000\n0!\n#9000\n1!\n");
    read("back.vcd", backwards.as_bytes(), &["line 8"]);
    read(
        "nan.csv",
        b"t_s,channel,level\n0,D0,0\nnan,D0,1\n1,D0,0\n",
        &["line 3"],
    );
    bench.file("a.vcd", vcd(&ragged(5, &[50], 100)));
    bench.fails(
        &["read", "a.vcd", "--requested", "50ms", "--channel", "D7"],
        &["D7", "D0"],
    );
    bench.fails(
        &["read", "a.vcd", "--requested", "50ms", "--format", "wav"],
        &["a.vcd"],
    );
    bench.fails(
        &["read", "no-such.vcd", "--requested", "50ms"],
        &["no-such.vcd", "check the name"],
    );
    bench.fails(&["read", ".", "--requested", "50ms"], &["folder"]);
    bench.fails(&["read", "a.vcd"], &["--requested", "--requests"]);
    // Nothing that was sent is near what was asked.
    bench.fails(&["read", "a.vcd", "--requested", "5s"], &["no pulse"]);
}

#[test]
fn bad_arguments_are_told() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(5, &[50], 100)));
    for (args, words) in [
        (&["--requested", "50"][..], &["unit"][..]),
        (&["--requested", "50ms,"], &[]),
        (&["--requested", "-50ms"], &[]),
        (&["--requested", "0ms"], &["above zero"]),
        (&["--requested", "50ms", "--requests", "x.csv"], &[]),
        (&["--requested", "50ms", "--map", "up=D0"], &["up"]),
        (&["--requested", "50ms", "--map", "ra+=D0,ra+=D1"], &[]),
        (&["--requested", "50ms", "--direction", "north"], &["north"]),
        (
            &["--requested", "50ms", "--column", "colour=x"],
            &["colour"],
        ),
        (&["--requested", "50ms", "--timebase-ppm", "-3"], &[]),
        (&["--requested", "50ms", "--timebase-ppm", "nan"], &["NaN"]),
        (
            &["--requested", "50ms", "--note", "cable=5 m"],
            &["--chain"],
        ),
        (&["--requested", "50ms", "--chain", "12"], &["number"]),
        (&["--requested", "50ms", "--chain", " "], &["empty"]),
        (&["--requests", "none.csv"], &["none.csv"]),
        (
            &["--requests", "a.vcd", "--requests", "a.vcd"],
            &["2 request logs"],
        ),
    ] {
        let mut all = vec!["read", "a.vcd"];
        all.extend(args);
        let printed = bench.run(&all);
        printed.is_error(words);
    }
    bench.fails(
        &["read", "-", "-", "--requested", "50ms"],
        &["more than once"],
    );
    bench.fails(&["compare", "1"], &[]);
    bench.fails(&["man", "nothing"], &["nothing", "read"]);
}

#[test]
fn bad_books_are_told() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(10, &[50, 250], 100)));
    bench.fails(&["runs"], &["no lab book yet"]);
    let store = [
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "one",
    ];
    let with_book = |book: &str, words: &[&str]| {
        let mut args = store.to_vec();
        args.extend(["--book", book]);
        let mut all = vec![book];
        all.extend(words);
        bench.fails(&args, &all);
    };
    bench.file("notes.txt", "buy solder\n".repeat(100));
    with_book("notes.txt", &["not a lab book"]);
    with_book("no/such/folder/b.sqlite", &["permissions"]);
    std::fs::create_dir(bench.path("folder")).unwrap();
    with_book("folder", &["directory"]);
    bench.ok(&store);
    bench.fails(&["compare", "one", "1"], &["twice"]);
    bench.fails(&["compare", "one", "none"], &["none"]);
}

#[test]
fn a_failed_read_makes_no_book() {
    let bench = Bench::new();
    bench.file("a.vcd", "nothing");
    bench.fails(
        &["read", "a.vcd", "--requested", "50ms", "--chain", "one"],
        &["a.vcd"],
    );
    assert!(!bench.path("book.sqlite").exists());
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(200, &[50, 250], 100)));
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "one",
    ]);
    let mut child = bench
        .command(&["export", "one", "--as", "json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let ended = child.wait_with_output().unwrap();
    assert!(ended.status.success());
    assert_eq!(String::from_utf8_lossy(&ended.stderr), "");
}

#[test]
fn a_kill_at_any_instant_leaves_whole_runs() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(3000, &[50, 250], 100)));
    let store = [
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "one",
        "-q",
    ];
    let begun = std::time::Instant::now();
    bench.ok(&store);
    let whole = begun.elapsed();
    for part in 0..12u32 {
        let mut child = bench
            .command(&store)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // From the start of the program to about its end.
        std::thread::sleep(whole * part / 10);
        // It may have ended by itself.
        let _ = child.kill();
        child.wait().unwrap();
        let runs = bench.json(&["runs"]);
        for run in runs["runs"].as_array().unwrap() {
            assert_eq!(run["pulses"], 6000);
            let number = run["number"].to_string();
            let exported = bench.ok(&["export", &number]);
            assert_eq!(exported.lines().count(), 6001);
        }
    }
}

#[test]
fn two_programs_can_store_at_once() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(500, &[50, 250], 100)));
    let children: Vec<_> = (0..4)
        .map(|i| {
            let chain = format!("chain-{i}");
            bench
                .command(&[
                    "read",
                    "a.vcd",
                    "--requested",
                    "50ms,250ms",
                    "--chain",
                    &chain,
                    "-q",
                ])
                .stdout(Stdio::null())
                .spawn()
                .unwrap()
        })
        .collect();
    for mut child in children {
        assert!(child.wait().unwrap().success());
    }
    assert_eq!(bench.json(&["runs"])["runs"].as_array().unwrap().len(), 4);
}

#[cfg(target_os = "linux")]
#[test]
#[ignore = "needs root on Linux to mount a small disk; run as root: cargo test -- --ignored"]
fn a_full_disk_is_told_and_the_book_keeps_what_it_had() {
    use std::process::Command;
    let bench = Bench::new();
    let disk = bench.path("disk");
    std::fs::create_dir(&disk).unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=700k", "tmpfs"])
        .arg(&disk)
        .status()
        .unwrap();
    assert!(mounted.success(), "mounting needs root");
    bench.file("small.vcd", vcd(&ragged(10, &[50, 250], 100)));
    bench.file("large.vcd", vcd(&ragged(20_000, &[50, 250], 100)));
    let store = |file: &str| {
        bench.run(&[
            "read",
            file,
            "--requested",
            "50ms,250ms",
            "--chain",
            "one",
            "--book",
            "disk/b.sqlite",
        ])
    };
    let small = store("small.vcd");
    let large = store("large.vcd");
    let runs = bench.run(&["runs", "--json", "--book", "disk/b.sqlite"]);
    let again = store("small.vcd");
    let exported = bench.run(&[
        "export",
        "one",
        "-o",
        "disk/huge.json",
        "--as",
        "json",
        "--book",
        "disk/b.sqlite",
    ]);
    let unmounted = Command::new("umount").arg(&disk).status().unwrap();
    assert!(unmounted.success());
    assert_eq!(small.code, 0, "{}", small.err);
    large.is_error(&["disk is full", "as it was"]);
    let runs: serde_json::Value = serde_json::from_str(&runs.out).unwrap();
    assert_eq!(runs["runs"].as_array().unwrap().len(), 1);
    assert_eq!(again.code, 0, "{}", again.err);
    assert_eq!(exported.code, 0, "{}", exported.err);
}

#[test]
fn completions_and_manual_pages_are_made() {
    let bench = Bench::new();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        assert!(bench.ok(&["completions", shell]).contains("pulsewright"));
    }
    assert!(bench.ok(&["man"]).contains(".TH pulsewright"));
    assert!(bench.ok(&["man", "read"]).contains("requested"));
    let help = bench.ok(&["--help"]);
    assert!(help.contains("Examples") && help.contains("Sun"));
}

#[test]
fn an_export_replaces_no_lab_book_and_writes_through_devices_and_links() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(10, &[50, 250], 100)));
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "one",
    ]);
    let before = std::fs::read(bench.path("book.sqlite")).unwrap();
    bench.fails(&["export", "one", "-o", "book.sqlite"], &["lab book"]);
    assert!(std::fs::read(bench.path("book.sqlite")).unwrap() == before);
    let to_stdout = bench.ok(&["export", "one"]);
    assert_eq!(bench.ok(&["export", "one", "-o", "-"]), to_stdout);
    bench.file("out.csv", "old");
    bench.ok(&["export", "one", "-o", "out.csv"]);
    assert_eq!(
        std::fs::read_to_string(bench.path("out.csv")).unwrap(),
        to_stdout
    );
    #[cfg(unix)]
    {
        use std::os::unix::fs::{FileTypeExt, symlink};
        symlink(bench.path("out.csv"), bench.path("link.csv")).unwrap();
        bench.file("out.csv", "old");
        bench.ok(&["export", "one", "-o", "link.csv"]);
        assert!(bench.path("link.csv").is_symlink());
        assert_eq!(
            std::fs::read_to_string(bench.path("out.csv")).unwrap(),
            to_stdout
        );
        // A pipe stays one.
        let pipe = bench.path("pipe");
        assert!(
            std::process::Command::new("mkfifo")
                .arg(&pipe)
                .status()
                .unwrap()
                .success()
        );
        let reader = {
            let pipe = pipe.clone();
            std::thread::spawn(move || std::fs::read_to_string(pipe).unwrap())
        };
        bench.ok(&["export", "one", "-o", "pipe"]);
        assert_eq!(reader.join().unwrap(), to_stdout);
        assert!(std::fs::metadata(&pipe).unwrap().file_type().is_fifo());
    }
}

#[test]
fn a_demo_throws_away_nobodys_runs() {
    let bench = Bench::new();
    bench.ok(&["demo", "d", "-q"]);
    bench.file("a.vcd", vcd(&ragged(10, &[50, 250], 100)));
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "precious",
        "--book",
        "d/book.sqlite",
    ]);
    bench.fails(&["demo", "d"], &["precious"]);
    bench.ok(&["show", "precious", "--book", "d/book.sqlite"]);
    // A folder that only looks like a demo's.
    std::fs::create_dir(bench.path("e")).unwrap();
    bench.file("e/about-this-demo.txt", "my own notes");
    bench.fails(&["demo", "e"], &["other files"]);
}

#[test]
fn names_and_notes_have_a_length() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(10, &[50, 250], 100)));
    let long = "x".repeat(65_536);
    let read = |chain: &str, note: &str| {
        bench.run(&[
            "read",
            "a.vcd",
            "--requested",
            "50ms,250ms",
            "--chain",
            chain,
            "--note",
            note,
        ])
    };
    read(&long, "cable=5 m").is_error(&["more than 80"]);
    read("one", &format!("cable={long}")).is_error(&["at most"]);
    read("one", "ca\nble=5 m").is_error(&["control character"]);
    bench.fails(
        &[
            "read",
            "a.vcd",
            "--requested",
            "50ms,250ms",
            "--chain",
            "one",
            "--note",
            "k=1",
            "--note",
            "k=2",
        ],
        &["`k` is given twice"],
    );
    assert_eq!(read("one", "cable=5 m").code, 0);
    // A path of any length is cut in the list, and breaks nothing.
    let folder = bench.path(&"y".repeat(200));
    std::fs::create_dir(&folder).unwrap();
    std::fs::copy(bench.path("a.vcd"), folder.join("a.vcd")).unwrap();
    let path = folder.join("a.vcd").display().to_string();
    bench.ok(&["read", &path, "--requested", "50ms,250ms", "--chain", "two"]);
    assert!(bench.ok(&["runs"]).contains("..."));
}

#[cfg(unix)]
#[test]
fn a_book_on_a_medium_that_can_not_be_written_is_still_read() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(10, &[50, 250], 100)));
    std::fs::create_dir(bench.path("shelf")).unwrap();
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "one",
        "--book",
        "shelf/b.sqlite",
    ]);
    let allow = |mode: u32| {
        for path in [bench.path("shelf/b.sqlite"), bench.path("shelf")] {
            let mode = if path.is_dir() { mode | 0o111 } else { mode };
            std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
        }
    };
    allow(0o444);
    let shown = bench.run(&["show", "one", "--book", "shelf/b.sqlite"]);
    allow(0o644);
    assert_eq!(shown.code, 0, "{}", shown.err);
}
