//! Running the program as a user would, with a lab book and files of its own.

// Each test file uses its own part of this.
#![allow(dead_code)]

pub mod server;

use std::ffi::OsStr;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

/// The program under test.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_pulsewright");

/// A folder with a lab book, removed at the end.
pub struct Bench {
    folder: TempDir,
}

/// What the program printed.
pub struct Printed {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Bench {
    pub fn new() -> Bench {
        Bench {
            folder: tempfile::tempdir().expect("a temporary folder"),
        }
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The files of the folder with their bytes, without those that SQLite keeps beside an open book.
    pub fn contents(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let mut files = Vec::new();
        let mut folders = vec![self.folder().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).expect("a folder") {
                let path = entry.expect("an entry").path();
                let name = path.to_string_lossy().into_owned();
                if path.is_dir() {
                    folders.push(path);
                } else if !name.ends_with("-wal") && !name.ends_with("-shm") {
                    let bytes = std::fs::read(&path).expect("a file");
                    files.push((path, bytes));
                }
            }
        }
        files.sort();
        files
    }

    /// Writes a file into the folder.
    pub fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, bytes).expect("a file in a temporary folder");
        path
    }

    /// The program with its lab book in the folder.
    pub fn command<S: AsRef<OsStr>>(&self, args: &[S]) -> Command {
        let mut command = Command::new(PROGRAM);
        command
            .args(args)
            .current_dir(self.folder())
            .env("PULSEWRIGHT_BOOK", self.path("book.sqlite"))
            .env_remove("CLICOLOR_FORCE")
            .stdin(Stdio::null());
        command
    }

    pub fn run<S: AsRef<OsStr>>(&self, args: &[S]) -> Printed {
        printed(self.command(args).output().expect("the program runs"))
    }

    /// Runs with `input` on standard input.
    pub fn run_with_input(&self, args: &[&str], input: &[u8]) -> Printed {
        let mut child = self
            .command(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let mut stdin = child.stdin.take().expect("a pipe");
        let input = input.to_vec();
        let writer = std::thread::spawn(move || {
            // The program may stop reading before the end.
            let _ = stdin.write_all(&input);
        });
        let output = child.wait_with_output().expect("the program ends");
        writer.join().expect("the writer ends");
        printed(output)
    }

    /// Runs and expects success.
    pub fn ok<S: AsRef<OsStr>>(&self, args: &[S]) -> String {
        let printed = self.run(args);
        assert_eq!(printed.code, 0, "{}", printed.err);
        printed.out
    }

    /// Runs with `--json` and expects success.
    pub fn json(&self, args: &[&str]) -> Value {
        let mut args = args.to_vec();
        args.push("--json");
        serde_json::from_str(&self.ok(&args)).expect("JSON")
    }

    /// Runs and expects an error that names each of `words`.
    pub fn fails<S: AsRef<OsStr>>(&self, args: &[S], words: &[&str]) {
        let printed = self.run(args);
        printed.is_error(words);
    }
}

impl Printed {
    /// Whether this is a clear error: code 2, nothing on standard output, no panic, and all words.
    pub fn is_error(&self, words: &[&str]) {
        assert_eq!(self.code, 2, "{}{}", self.out, self.err);
        assert!(!self.err.contains("panicked"), "{}", self.err);
        assert_eq!(self.out, "", "{}", self.err);
        for word in words {
            assert!(self.err.contains(word), "no {word:?} in: {}", self.err);
        }
    }
}

fn printed(output: Output) -> Printed {
    Printed {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8(output.stdout).expect("UTF-8"),
        err: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

/// A VCD of one line `D0` with pulses of these widths in us, 1 s apart, idle low.
pub fn vcd(widths_us: &[u64]) -> String {
    let mut text =
        String::from("$timescale 1 us $end\n$var wire 1 ! D0 $end\n$enddefinitions $end\n#0\n0!\n");
    for (i, width) in widths_us.iter().enumerate() {
        let start = (i as u64 + 1) * 1_000_000;
        text += &format!("#{start}\n1!\n#{}\n0!\n", start + width);
    }
    text + &format!("#{}\n", (widths_us.len() as u64 + 2) * 1_000_000)
}

/// Widths in us: `n` of each requested width in ms, each `offset_us` too long and a little ragged.
pub fn ragged(n: u64, requested_ms: &[u64], offset_us: u64) -> Vec<u64> {
    let mut widths = Vec::new();
    for i in 0..n {
        for (j, ms) in requested_ms.iter().enumerate() {
            // Quadratic residues: spread without a generator.
            let spread = (i * i * 7919 + j as u64 * 31) % 997;
            widths.push(ms * 1000 + offset_us + spread);
        }
    }
    widths
}

/// A plan of short pulses without long pauses, and a simulated chain about 12 ms too long.
pub fn live_bench(rounds: u32) -> Bench {
    let bench = Bench::new();
    let rounds = rounds.to_string();
    bench.ok(&["plan", "new", "--widths", "10ms,30ms", "--rounds", &rounds]);
    let plan = std::fs::read_to_string(bench.path("plan.toml"))
        .unwrap()
        .replace("spacing_s = 1\n", "spacing_s = 0.05\n")
        .replace("random_phase_s = 0.5\n", "random_phase_s = 0.02\n");
    bench.file("plan.toml", plan);
    bench.file(
        "chain.toml",
        "version = 1\nname = \"attic\"\n[simulated]\n\
         width_error_ms = { family = \"normal\", mean = 12, sd = 1 }\n",
    );
    bench
}

/// Text as it stands in HTML, without its escapes.
pub fn unescaped(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&")
}
