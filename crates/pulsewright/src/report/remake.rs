//! The commands that make a report's numbers anew.

use book::{SourceRole, StoredRun};
use wire::{ChannelMap, Settings};

use crate::error::Error;
use crate::json;
use crate::reading::ReadSettings;

/// The command that reads a run's captures again as they were read: with the same files it gives the
/// same numbers, whose checksums the report holds.
///
/// # Errors
/// [`Error::Json`] where the stored settings can't be read.
pub fn read_command(run: &StoredRun) -> Result<String, Error> {
    let (settings, captures) = json::stored_reading(run)?;
    let mut words = vec!["pulsewright".to_owned(), "read".to_owned()];
    let of = |role| run.sources.iter().filter(move |s| s.role == role);
    words.extend(of(SourceRole::Capture).map(|source| quoted(&source.path)));
    let is_record = captures
        .iter()
        .any(|capture| capture.format == crate::recording::FORMAT);
    if !is_record {
        for source in of(SourceRole::Requests) {
            option(&mut words, "--requests", &source.path);
        }
        options(&mut words, &settings);
    }
    option(&mut words, "--chain", &run.chain);
    option(&mut words, "--seed", &settings.seed.to_string());
    Ok(words.join(" "))
}

/// The options that differ from what `read` takes by itself.
fn options(words: &mut Vec<String>, settings: &ReadSettings) {
    let usual = ReadSettings {
        shared_clock: false,
        ..ReadSettings::of_record(settings.seed)
    };
    let ms = |value: f64| format!("{value}ms");
    if !settings.requested_ms.is_empty() {
        let widths: Vec<String> = settings.requested_ms.iter().map(|w| ms(*w)).collect();
        option(words, "--requested", &widths.join(","));
    }
    if let Some(direction) = settings.direction {
        option(words, "--direction", direction.name());
    }
    of_capture(words, &settings.capture, &usual.capture);
    if settings.shared_clock {
        words.push("--shared-clock".to_owned());
    }
    if settings.max_delay_s != usual.max_delay_s {
        option(words, "--max-delay", &format!("{}s", settings.max_delay_s));
    }
    if settings.timebase_ppm != usual.timebase_ppm {
        option(words, "--timebase-ppm", &settings.timebase_ppm.to_string());
    }
    if let Some(edge) = settings.edge_uncertainty_ms {
        option(words, "--edge-uncertainty", &ms(edge));
    }
}

fn of_capture(words: &mut Vec<String>, capture: &Settings, usual: &Settings) {
    let seconds = |value: f64| format!("{value}s");
    match &capture.channels {
        ChannelMap::Automatic => {}
        ChannelMap::Single(name) => option(words, "--channel", name),
        ChannelMap::Mapped(map) => {
            let parts: Vec<String> = map.iter().map(|(d, name)| format!("{d}={name}")).collect();
            option(words, "--map", &parts.join(","));
        }
    }
    if let Some(format) = capture.format {
        option(words, "--format", &format.to_string());
    }
    if let Some(idle) = capture.idle {
        option(words, "--idle", &idle.to_string());
    }
    if capture.bridge_s != usual.bridge_s {
        option(words, "--bridge", &seconds(capture.bridge_s));
    }
    if capture.min_pulse_s != usual.min_pulse_s {
        option(words, "--min-pulse", &seconds(capture.min_pulse_s));
    }
    if let Some(volts) = capture.threshold_v {
        option(words, "--threshold", &volts.to_string());
    }
    if let Some(coupling) = capture.coupling {
        option(words, "--coupling", &coupling.to_string());
    }
    if let Some(unit) = capture.time_unit {
        option(words, "--time-unit", &unit.to_string());
    }
    let c = &capture.columns;
    for (what, name) in [
        ("time", &c.time),
        ("channel", &c.channel),
        ("level", &c.level),
        ("volts", &c.volts),
        ("direction", &c.direction),
        ("requested", &c.requested),
        ("width", &c.width),
        ("issued", &c.issued),
        ("start", &c.start),
    ] {
        if let Some(name) = name {
            option(words, "--column", &format!("{what}={name}"));
        }
    }
}

fn option(words: &mut Vec<String>, name: &str, value: &str) {
    words.push(name.to_owned());
    words.push(quoted(value));
}

/// A word as a POSIX shell takes it (IEEE Std 1003.1, Shell Command Language, section 2.2.2).
pub fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "+-_./:,=@%".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_word_is_quoted_as_the_shell_takes_it() {
        assert_eq!(quoted("ra+=D0,ra-=D1"), "ra+=D0,ra-=D1");
        assert_eq!(quoted("my port.vcd"), "'my port.vcd'");
        assert_eq!(quoted("it's"), r"'it'\''s'");
        assert_eq!(quoted(""), "''");
        assert_eq!(quoted("$(x)"), "'$(x)'");
    }
}
