//! Every figure of the walk-through in the README is what the program prints.

mod common;

use std::path::Path;
use std::process::Command;

use common::{Bench, PROGRAM};

/// A line of a session that stands for output left out.
const REST: &str = "...";

#[test]
fn the_walk_through_in_the_readme_is_what_the_program_prints() {
    let bench = Bench::new();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../README.md");
    let kept = std::fs::read_to_string(&path)
        .unwrap()
        .replace("\r\n", "\n");
    let mut made = String::new();
    let mut folder = bench.folder().to_owned();
    let mut exported: Vec<(String, String)> = Vec::new();
    let mut sessions = 0;
    let mut lines = kept.lines().peekable();
    while let Some(line) = lines.next() {
        made += line;
        made.push('\n');
        if line != "```console" {
            continue;
        }
        sessions += 1;
        while let Some(line) = lines.next_if(|line| *line != "```") {
            let command = line.strip_prefix("$ ").expect("a session is of commands");
            made += line;
            made.push('\n');
            let mut shown = Vec::new();
            while let Some(out) = lines.next_if(|l| !l.starts_with("$ ") && *l != "```") {
                shown.push(out);
            }
            if let Some(into) = command.strip_prefix("cd ") {
                folder = folder.join(into);
                continue;
            }
            if let Some(variable) = command.strip_prefix("export ") {
                let (name, value) = variable.split_once('=').expect("NAME=VALUE");
                let value = value.replace("$PWD", &folder.display().to_string());
                exported.push((name.to_owned(), value));
                continue;
            }
            let printed = run(command, &folder, &exported);
            if shown.last() == Some(&REST) {
                for line in printed.lines().take(shown.len() - 1) {
                    made += line.trim_end();
                    made.push('\n');
                }
                made += REST;
                made.push('\n');
            } else {
                made += &printed;
            }
        }
    }
    assert!(sessions >= 4, "the walk-through is gone");
    if std::env::var_os("PULSEWRIGHT_DRAW").is_some() {
        std::fs::write(&path, &made).unwrap();
        return;
    }
    for (number, (kept, made)) in kept.lines().zip(made.lines()).enumerate() {
        assert_eq!(
            kept,
            made,
            "README.md, line {}; write it anew with PULSEWRIGHT_DRAW=1 cargo test --test walkthrough, and read it",
            number + 1
        );
    }
    assert_eq!(kept.lines().count(), made.lines().count());
}

/// What a command of a session prints: `pulsewright`, or the exit code of the one before.
fn run(command: &str, folder: &Path, exported: &[(String, String)]) -> String {
    let mut words: Vec<&str> = command.split_whitespace().collect();
    let tells_code = words.ends_with(&["echo", "$?"]);
    if tells_code {
        words.truncate(words.len() - 2);
        assert_eq!(words.pop(), Some(";"), "{command}");
    }
    assert_eq!(words.first(), Some(&"pulsewright"), "{command}");
    let output = Command::new(PROGRAM)
        .args(&words[1..])
        .current_dir(folder)
        .env_remove("PULSEWRIGHT_BOOK")
        // Nobody's own lab book is to be touched.
        .env("HOME", folder)
        .env("XDG_DATA_HOME", folder)
        .envs(exported.iter().map(|(name, value)| (name, value)))
        .env_remove("CLICOLOR_FORCE")
        .output()
        .expect("the program runs");
    let code = output.status.code();
    assert!(tells_code || code == Some(0), "{command}: {output:?}");
    let mut printed = String::from_utf8(output.stdout).expect("text");
    if let (true, Some(code)) = (tells_code, code) {
        printed += &format!("{code}\n");
    }
    printed
}
