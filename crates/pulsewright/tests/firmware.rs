//! Firmware and program end to end: the firmware runs on a simulated chip, its serial port is a
//! pseudo-terminal, and a chain of known law moves its pins.

#![cfg(unix)]

mod common;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, Sender, channel};

use common::Bench;
use serde_json::Value;
use stats::random::Random;

/// Start delay of the chain, ms.
const DELAY_MS: f64 = 8.0;
/// Width error of the chain: mean and standard deviation, ms.
const ERROR_MS: (f64, f64) = (12.0, 1.0);

/// The firmware on its simulated chip.
struct Chip {
    harness: Child,
    port: String,
}

impl Drop for Chip {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.harness.kill();
        let _ = self.harness.wait();
    }
}

fn firmware() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../firmware")
}

/// Builds firmware and harness and starts them in real time.
fn chip() -> (Chip, Box<dyn Write + Send>) {
    // Two tests at once must not build into each other.
    static BUILDING: Mutex<()> = Mutex::new(());
    let building = BUILDING.lock();
    let made = Command::new("make")
        .arg("-C")
        .arg(firmware())
        .args(["all", "sim"])
        .output()
        .expect("make runs");
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    drop(building);
    let mut harness = Command::new(firmware().join("build/rig-sim"))
        .arg("--elf")
        .arg(firmware().join("build/rig.elf"))
        .args([
            "--pty",
            "--realtime",
            "--serial",
            "bench-1",
            "--script-fd",
            "0",
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the harness runs");
    let mut line = String::new();
    BufReader::new(harness.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let port = line.trim().strip_prefix("PTY ").expect("a port").to_owned();
    let script = Box::new(harness.stdin.take().unwrap());
    (Chip { harness, port }, script)
}

/// A chain at a TCP port that moves the chip's pins: `DIRECTION MS` closes the input of the direction
/// after the start delay for the width with its error. Tells the widths that it made, us.
fn chain(mut script: Box<dyn Write + Send>) -> (String, Receiver<u64>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (told, made): (Sender<u64>, _) = channel();
    std::thread::spawn(move || {
        let mut random = Random::new(5);
        let (stream, _) = listener.accept().unwrap();
        let mut answers = stream.try_clone().unwrap();
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            let (direction, ms) = line.split_once(' ').unwrap();
            let input = ["ra+", "ra-", "dec+", "dec-"]
                .iter()
                .position(|d| *d == direction)
                .unwrap();
            let ms: f64 = ms.parse().unwrap();
            let error = ERROR_MS.0 + ERROR_MS.1 * random.normal();
            let width_us = (1000.0 * (ms + error)).round() as u64;
            let close_us = (1000.0 * DELAY_MS) as u64;
            let open_us = close_us + width_us;
            let edges = format!("+{close_us}us {:X}\n+{open_us}us 0\n", 1 << input);
            if script.write_all(edges.as_bytes()).is_err() || told.send(width_us).is_err() {
                return;
            }
            script.flush().unwrap();
            answers.write_all(b"OK\n").unwrap();
        }
    });
    (address, made)
}

fn number(document: &Value, path: &str) -> f64 {
    document
        .pointer(path)
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("{path} in {document}"))
}

/// A plan of short pulses, and the chain at `address`.
fn files(bench: &Bench, address: &str, rounds: &str) {
    bench.ok(&["plan", "new", "--widths", "20ms,60ms", "--rounds", rounds]);
    let plan = std::fs::read_to_string(bench.path("plan.toml"))
        .unwrap()
        .replace("spacing_s = 1\n", "spacing_s = 0.1\n")
        .replace("random_phase_s = 0.5\n", "random_phase_s = 0.05\n");
    bench.file("plan.toml", plan);
    bench.file(
        "chain.toml",
        format!(
            "version = 1\nname = \"wired\"\n[tcp]\naddress = \"{address}\"\nline = \"{{direction}} {{ms}}\"\nexpect = \"OK\"\n"
        ),
    );
}

/// Measured widths of run 1 in the chip's own time, us. The program gives them in the host's time, by
/// the rate that it found; on a busy machine the simulated chip lags behind real time, and the widths
/// that were put in are in the chip's.
fn widths_us(bench: &Bench, run: &Value) -> Vec<f64> {
    let notes = run["captures"][0]["notes"].as_array().unwrap();
    let rate = notes
        .iter()
        .filter_map(Value::as_str)
        .find_map(|note| note.strip_prefix("Its clock runs "))
        .unwrap();
    let words: Vec<&str> = rate.split(' ').collect();
    let sign = if words[2] == "fast" { -1.0 } else { 1.0 };
    let slower = sign * 1e-6 * words[0].parse::<f64>().unwrap();
    bench
        .ok(&["export", "1"])
        .lines()
        .skip(1)
        .map(|row| row.split(',').nth(2).unwrap().parse::<f64>().unwrap() * 1000.0)
        .map(|host_us| host_us / (1.0 + slower))
        .collect()
}

/// Whether a measured width is that of the wire, within the firmware's bound of 5 us and the three
/// digits to which the rate is told.
fn is_same(found: f64, put_in: f64) -> bool {
    (found - put_in).abs() < 5.0 + 3e-5 * put_in
}

/// A bad line between the chip's port and a TCP port: what the rig says passes with bits flipped, bytes
/// dropped and pieces late; what the host says passes whole.
fn bad_line(port: &str) -> String {
    let chip = || {
        std::fs::OpenOptions::new()
            .read(true)
            .write(true)
            .open(port)
            .unwrap()
    };
    let (mut from_chip, mut to_chip) = (chip(), chip());
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        let (stream, _) = listener.accept().unwrap();
        let mut host = stream.try_clone().unwrap();
        std::thread::spawn(move || {
            let mut stream = stream;
            // Ends with the connection.
            let _ = std::io::copy(&mut stream, &mut to_chip);
        });
        let mut random = Random::new(11);
        let mut buffer = [0; 256];
        while let Ok(n) = from_chip.read(&mut buffer) {
            let mut passed = Vec::with_capacity(n);
            for byte in &buffer[..n] {
                if random.uniform() < 3e-4 {
                    continue;
                }
                let flip = random.uniform() < 5e-4;
                passed.push(byte ^ (u8::from(flip) << random.below(8)));
            }
            if random.uniform() < 0.02 {
                std::thread::sleep(std::time::Duration::from_millis(40));
            }
            if host.write_all(&passed).is_err() {
                return;
            }
        }
    });
    address
}

#[test]
#[ignore = "needs avr-gcc and libsimavr; install: apt-get install gcc-avr avr-libc make libsimavr-dev libelf-dev"]
fn the_law_that_was_put_in_comes_out_of_the_firmware() {
    let bench = Bench::new();
    let (chip, script) = chip();
    // The rig test hears the firmware, and finds its clock near the nominal rate.
    let test = bench.json(&["rig", "test", "--rig", &chip.port, "--seconds", "3s"]);
    assert_eq!(test["identity"]["serial"], "bench-1");
    assert_eq!(test["sound"], true, "{test}");
    assert!(number(&test, "/exchanges") > 10.0);
    // Real time is kept to by the host's own clock, give or take its slices.
    assert!(number(&test, "/rate_ppm/value").abs() < 5000.0);
    let (address, made) = chain(script);
    files(&bench, &address, "8");
    let run = bench.json(&["record", "--yes", "--rig", &chip.port, "-o", "wired.record"]);
    assert_eq!(run["outcomes"]["requests"], 64);
    assert_eq!(run["outcomes"]["delivered"], 64, "{}", run["outcomes"]);
    assert_eq!(run["outcomes"]["missing"], 0);
    // The median that was put in lies within the interval; the seed is fixed.
    let interval =
        ["0", "1"].map(|end| number(&run, &format!("/pooled/width_error_ms/median_ci95/{end}")));
    assert!(
        interval[0] <= ERROR_MS.0 && ERROR_MS.0 <= interval[1],
        "{interval:?}"
    );
    let mut found = widths_us(&bench, &run);
    let mut put_in: Vec<f64> = made.try_iter().map(|us| us as f64).collect();
    found.sort_by(f64::total_cmp);
    put_in.sort_by(f64::total_cmp);
    assert_eq!(found.len(), put_in.len());
    for (found, put_in) in found.iter().zip(&put_in) {
        assert!(is_same(*found, *put_in), "{found} {put_in}");
    }
    // The start delay is the chain's and what network, script and slices add, within its uncertainty.
    let delay = number(&run, "/start_delay/median_ms");
    let expanded = number(&run, "/start_delay/budget/expanded_ms");
    assert!(
        delay > DELAY_MS - expanded && delay < DELAY_MS + expanded + 25.0,
        "{delay} {expanded}"
    );
}

#[test]
#[ignore = "needs avr-gcc and libsimavr; install: apt-get install gcc-avr avr-libc make libsimavr-dev libelf-dev"]
fn a_bad_line_loses_pulses_but_gives_no_wrong_one() {
    let bench = Bench::new();
    let (chip, script) = chip();
    let (address, made) = chain(script);
    files(&bench, &address, "12");
    let rig = bad_line(&chip.port);
    let run = bench.json(&["record", "--yes", "--rig", &rig, "-o", "bad.record"]);
    let found = widths_us(&bench, &run);
    let put_in: Vec<f64> = made.try_iter().map(|us| us as f64).collect();
    assert_eq!(put_in.len(), 96);
    // The line was bad: about one line in sixty is damaged, and spoils its pulse.
    assert!(run["captures"][0]["notes"].to_string().contains("damaged"));
    assert!((20..96).contains(&found.len()), "{}", found.len());
    for width in &found {
        assert!(put_in.iter().any(|p| is_same(*width, *p)), "{width}");
    }
    // Nor is a request called missing that was delivered.
    assert_eq!(run["outcomes"]["missing"], 0, "{}", run["outcomes"]);
}
