//! Reading a VCD of one toggling channel: beside counting its newlines, and beside `wellen`.

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::Path;
use std::process::Command;

use wire::Settings;

use crate::{median_s, time};

/// Length of the file, bytes.
const BYTES: u64 = 120_000_000;
/// Buffer of the newline counter: as large as the reader's own.
const BUFFER: usize = 256 * 1024;
const ROUNDS: usize = 7;

pub fn run(folder: &Path) {
    let path = folder.join("long.vcd");
    let edges = write(&path);
    let (mut lines, mut ours, mut peer) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        lines.push(time(|| count_newlines(&path)).0);
        ours.push(time(|| read(&path)).0);
        peer.push(time(|| read_with_wellen(&path)).0);
    }
    let (lines, ours, peer) = (median_s(lines), median_s(ours), median_s(peer));
    let rate = |s: f64| BYTES as f64 / 1e6 / s;
    let memory = peak_memory_kib(&path);
    println!(
        "### Reading a VCD of {} MB, one channel, {edges} edges\n",
        BYTES / 1_000_000
    );
    println!("| what | MB/s | share of the limit |\n|---|---|---|");
    println!(
        "| limit: count its newlines with `memchr`, same buffer | {:.0} | 1 |",
        rate(lines)
    );
    println!(
        "| `wire::read_capture`, to pulses | {:.0} | {:.2} |",
        rate(ours),
        lines / ours
    );
    println!(
        "| `wellen`, one thread, that signal loaded | {:.0} | {:.2} |",
        rate(peer),
        lines / peer
    );
    println!(
        "\n{:.1} times as fast as `wellen`; peak memory of the process {:.1} MiB.\n",
        peer / ours,
        memory as f64 / 1024.0
    );
}

/// Pulses of 50 to 550 ms at 1 us, until the file is long enough.
fn write(path: &Path) -> u64 {
    let mut out = BufWriter::new(File::create(path).expect("a file"));
    let mut written = 0;
    let mut put = |text: String| {
        written += text.len() as u64;
        out.write_all(text.as_bytes()).expect("space on the disk");
        written
    };
    put("$timescale 1 us $end\n$var wire 1 ! D0 $end\n$enddefinitions $end\n#0\n0!\n".into());
    let (mut now, mut edges, mut state) = (0u64, 0u64, 12345u64);
    loop {
        // A multiplicative generator (Park & Miller 1988) is random enough for times.
        state = state * 48271 % 2_147_483_647;
        now += 600 + state % 900;
        let rising = edges % 2 == 0;
        edges += 1;
        if put(format!("#{now}\n{}!\n", u8::from(rising))) > BYTES && !rising {
            return edges;
        }
    }
}

fn count_newlines(path: &Path) -> usize {
    let mut file = File::open(path).expect("the file");
    let mut buffer = vec![0; BUFFER];
    let mut lines = 0;
    loop {
        match file.read(&mut buffer).expect("readable") {
            0 => return lines,
            n => lines += memchr::memchr_iter(b'\n', &buffer[..n]).count(),
        }
    }
}

fn read(path: &Path) -> usize {
    let file = File::open(path).expect("the file");
    let settings = Settings {
        bridge_s: 0.0,
        min_pulse_s: 0.0,
        ..Settings::default()
    };
    wire::read_capture(file, &settings, &mut |_| {})
        .expect("a good file")
        .pulses
        .len()
}

fn read_with_wellen(path: &Path) -> usize {
    let options = wellen::LoadOptions {
        multi_thread: false,
        ..wellen::LoadOptions::default()
    };
    let mut waveform = wellen::simple::read_with_options(path, &options).expect("a good file");
    let hierarchy = waveform.hierarchy();
    let variable = hierarchy.all_vars().next().expect("a variable");
    let signal = hierarchy[variable].signal_ref();
    waveform.load_signals(&[signal]);
    let loaded = waveform.get_signal(signal).expect("loaded");
    loaded.time_indices().len()
}

/// Reads the file and prints the peak memory of this process.
pub fn child(path: &Path) {
    let pulses = read(path);
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .map_or("0", |rest| rest.trim().trim_end_matches(" kB"));
    println!("{pulses} {peak}");
}

fn peak_memory_kib(path: &Path) -> u64 {
    let this = std::env::current_exe().expect("this program");
    let output = Command::new(this)
        .arg("read-vcd")
        .arg(path)
        .output()
        .expect("a child");
    let text = String::from_utf8_lossy(&output.stdout);
    text.split_whitespace()
        .nth(1)
        .and_then(|kib| kib.parse().ok())
        .expect("peak memory")
}
