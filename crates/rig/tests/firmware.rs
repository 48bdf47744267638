//! A whole run against the firmware itself, on a simulated chip, over a pseudo-terminal in real time.
#![cfg(unix)]

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use rig::journal::Entry;
use rig::link::{FromRig, LineReader, Received};
use rig::plan::Plan;
use rig::port::{Clock, Opener};
use rig::sender::{Ask, Issued, SendError, Sender};
use rig::session::{Ending, Session, SessionOptions};
use rig::simulated::{ChainLaw, RigOptions, SimulatedRig, VirtualClock};
use rig::system::{SerialOpener, SystemClock};
use stats::random::Random;
use wire::Direction;

/// The chip's cycles in a ms.
const CYCLES_PER_MS: f64 = 16_000.0;

/// The simulated chip; killed when dropped.
struct Chip(Child);

impl Drop for Chip {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Asks a chain whose law is known: a script to the simulated chip's pins.
struct Pins {
    script: ChildStdin,
    clock: Arc<SystemClock>,
    random: Random,
    issued: Option<f64>,
}

impl Sender for Pins {
    fn begin(&mut self, ask: &Ask) -> Result<(), SendError> {
        let input = Direction::ALL.iter().position(|d| *d == ask.direction);
        let level = 1 << input.unwrap_or_default();
        let delay_us = 5000.0 + 5000.0 * self.random.uniform();
        let width_us = ask.width_ms * 1000.0 + 8000.0 + 5000.0 * self.random.exponential();
        let end_us = delay_us + width_us;
        let lines = format!("+{delay_us:.0}us {level:X}\n+{end_us:.0}us 0\n");
        let before = self.clock.now_s();
        let written = self.script.write_all(lines.as_bytes());
        written.and_then(|()| self.script.flush()).unwrap();
        self.issued = Some(before);
        Ok(())
    }

    fn poll(&mut self) -> Option<Result<Issued, SendError>> {
        let issued_s = self.issued.take()?;
        Some(Ok(Issued {
            issued_s: Some(issued_s),
            uncertainty_s: 0.0,
        }))
    }

    fn stop(&mut self) {}
}

/// Widths against the chip's own log of its pins, in cycles: to 5 us, the bound of the firmware's
/// stamps, and what is not known of the rates.
#[test]
#[ignore = "needs the firmware and its simulator; install: apt-get install gcc-avr avr-libc libsimavr-dev libelf-dev, then make -C firmware all sim"]
fn through_the_firmware_each_width_is_that_at_the_pins() {
    let build = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../firmware/build"));
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log");
    let mut chip = Command::new(build.join("rig-sim"))
        .args(["--pty", "--realtime", "--script-fd", "0", "--elf"])
        .arg(build.join("rig.elf"))
        .arg("--log")
        .arg(&log)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let script = chip.stdin.take().unwrap();
    let mut said = BufReader::new(chip.stdout.take().unwrap());
    let mut chip = Chip(chip);
    let mut line = String::new();
    while !line.starts_with("PTY ") {
        line.clear();
        assert!(said.read_line(&mut line).unwrap() > 0, "no pseudo-terminal");
    }
    let clock = Arc::new(SystemClock::new());
    let mut sender = Pins {
        script,
        clock: Arc::clone(&clock),
        random: Random::new(3),
        issued: None,
    };
    let plan = Plan {
        widths_ms: vec![20.0, 100.0, 250.0],
        rounds: 2,
        spacing_s: 0.4,
        random_phase_s: 0.1,
        ..Plan::default()
    };
    let mut journal: Vec<Entry> = Vec::new();
    let session = Session {
        plan: &plan,
        sender: &mut sender,
        opener: &mut SerialOpener::rig(line.trim_start_matches("PTY ").trim()),
        journal: &mut journal,
        clock: clock.as_ref(),
        stop: &AtomicBool::new(false),
        options: &SessionOptions::default(),
    };
    let mut events = Vec::new();
    let end = session.run(&[], &mut |event| events.push(event)).unwrap();
    assert_eq!(end.ending, Ending::Complete);
    let matching = end.recorded.matching().unwrap();
    assert_eq!(matching.outcomes.delivered, 24, "{:?}", end.recorded.counts);
    assert_eq!(
        (matching.outcomes.extra, matching.outcomes.missing),
        (0, Some(0))
    );
    // Asked to end, and not killed, it writes its log whole.
    let asked = Command::new("kill").arg(chip.0.id().to_string()).status();
    assert!(asked.unwrap().success());
    chip.0.wait().unwrap();

    let log = std::fs::read_to_string(&log).unwrap();
    let edges: Vec<(f64, u8)> = log
        .lines()
        .filter_map(|line| {
            let mut words = line.strip_prefix("edge ")?.split_whitespace();
            let cycle = words.next()?.parse().ok()?;
            Some((cycle, u8::from_str_radix(words.next()?, 16).ok()?))
        })
        .collect();
    let widths: Vec<f64> = edges
        .windows(2)
        .filter(|pair| pair[0].1 != 0)
        .map(|pair| (pair[1].0 - pair[0].0) / CYCLES_PER_MS)
        .collect();
    assert_eq!(widths.len(), 24);
    let skew = end.recorded.skew.unwrap();
    let alignment_ms = end.recorded.alignment_s.unwrap() * 1000.0;
    for (seen, width_ms) in matching.observations.iter().zip(widths) {
        // The chip's clock is the rig's: the host's rate is taken out again.
        let by_chip_ms = seen.width_ms / (1.0 + skew.value);
        let allowed = 0.005 + 2.0 * skew.uncertainty() * width_ms;
        assert!(
            (by_chip_ms - width_ms).abs() < allowed,
            "{by_chip_ms} ms, not {width_ms} ms"
        );
        // The script is read in slices of some ms of the chip's time, after the time of issue.
        let delay_ms = seen.start_delay_ms.unwrap();
        assert!(
            (5.0 - alignment_ms..10.0 + alignment_ms + 20.0).contains(&delay_ms),
            "{delay_ms}"
        );
    }
    eprintln!(
        "skew {skew:?}, alignment {alignment_ms} ms, {:?}",
        end.recorded.counts
    );
}

/// What is done to both rigs: time in ms; then a line of the host, `reset`, or the levels in
/// hexadecimal.
const SCRIPT: [(f64, &str); 30] = [
    (50.0, "send ?"),
    (60.0, "send G"),
    (100.0, "1"),
    (150.0, "3"),
    (150.3, "2"),
    (200.0, "0"),
    (300.0, "9"),
    (400.0, "6"),
    (450.0, "0"),
    (1500.0, "8"),
    (1700.0, "send S 0000001A"),
    (1800.0, "0"),
    (1900.0, "send X"),
    (1950.0, "4"),
    (2000.0, "0"),
    (2010.0, "send FOO"),
    (2030.0, "send X"),
    (2050.0, "send G"),
    (2070.0, "send G"),
    (2200.0, "4"),
    (2300.0, "5"),
    (2400.0, "reset"),
    (2500.0, "1"),
    (2600.0, "send G"),
    (2700.0, "3"),
    (2800.0, "0"),
    (2900.0, "send S FFFFFFFF"),
    (2950.0, "send S 123"),
    (2960.0, "send S 0000000a"),
    (2980.0, "send ?"),
];
/// When both end, in ms.
const END_MS: f64 = 3200.0;

/// All lines of the firmware, but the heartbeats.
fn firmware_lines() -> Vec<FromRig> {
    let build = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../firmware/build"));
    let folder = tempfile::tempdir().unwrap();
    let script = folder.path().join("script");
    let lines = SCRIPT.map(|(ms, action)| format!("{ms}ms {action}\n"));
    std::fs::write(&script, lines.concat()).unwrap();
    let output = Command::new(build.join("rig-sim"))
        .args(["--stdio", "--elf"])
        .arg(build.join("rig.elf"))
        .arg("--script")
        .arg(&script)
        .args(["--until", &format!("{}", END_MS * CYCLES_PER_MS)])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    messages(&output.stdout)
}

/// All lines of the simulated rig, but the heartbeats.
fn simulated_lines() -> Vec<FromRig> {
    let clock = Arc::new(VirtualClock::new());
    let options = RigOptions {
        serial: "unset".into(),
        rate_error_ppm: 0.0,
        latency_s: 0.0,
        ..RigOptions::default()
    };
    let rig = SimulatedRig::new(
        options,
        ChainLaw::default(),
        Arc::clone(&clock) as Arc<dyn Clock>,
    );
    let mut port = rig.opener().open().unwrap();
    let mut bytes = Vec::new();
    let mut part = [0; 256];
    for (ms, action) in SCRIPT.into_iter().chain([(END_MS, "")]) {
        while clock.now_s() < ms / 1000.0 {
            let left = Duration::from_secs_f64((ms / 1000.0 - clock.now_s()).max(1e-6));
            let count = port.read(&mut part, left).unwrap();
            bytes.extend_from_slice(&part[..count]);
        }
        if let Some(line) = action.strip_prefix("send ") {
            let line = format!("{line}*{:02X}\n", rig::link::sum(line.as_bytes()));
            port.write(line.as_bytes()).unwrap();
        } else if action == "reset" {
            rig.reset();
        } else if let Ok(levels) = u8::from_str_radix(action, 16) {
            for input in 0..4 {
                rig.set_input(ms / 1000.0, input, levels & (1 << input) != 0);
            }
        }
    }
    messages(&bytes)
}

fn messages(bytes: &[u8]) -> Vec<FromRig> {
    let mut messages = Vec::new();
    LineReader::new().push(bytes, &mut |line| match line {
        Received::Message(FromRig::Heartbeat(_)) => {}
        Received::Message(message) => messages.push(message),
        other => panic!("{other:?}"),
    });
    messages
}

/// Line by line the same. Ticks: edges to 3 us beside a constant, for the firmware starts its counter
/// somewhat after the reset; answers to 2 ms, for the simulator hands lines to the chip in slices.
#[test]
#[ignore = "needs the firmware and its simulator; install: apt-get install gcc-avr avr-libc libsimavr-dev libelf-dev, then make -C firmware all sim"]
fn the_simulated_rig_says_the_same_as_the_firmware() {
    let (firmware, simulated) = (firmware_lines(), simulated_lines());
    assert_eq!(
        firmware.len(),
        simulated.len(),
        "{firmware:#?}\n{simulated:#?}"
    );
    // By hand: 13 edges while going, 4 identities, 2 answers to syncs.
    assert_eq!(firmware.len(), 19);
    let mut offset = None;
    for (one, other) in firmware.iter().zip(&simulated) {
        match (one, other) {
            (FromRig::Edge(one), FromRig::Edge(other)) => {
                assert_eq!((one.sequence, one.levels), (other.sequence, other.levels));
                let difference = one.tick.wrapping_sub(other.tick) as i32;
                let offset = *offset.get_or_insert(difference);
                assert!((difference - offset).abs() <= 6, "{one:?}, {other:?}");
            }
            (
                FromRig::Sync { token, tick },
                FromRig::Sync {
                    token: other,
                    tick: other_tick,
                },
            ) => {
                assert_eq!(token, other);
                assert!(tick.abs_diff(*other_tick) < 4000, "{one:?}, {other_tick}");
            }
            _ => {
                assert_eq!(one, other);
                // After a reset the counter starts anew.
                offset = None;
            }
        }
    }
}
