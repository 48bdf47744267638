//! The fields of the upload: the options of `read`, each with its words.

use std::ffi::OsString;
use std::path::Path;

use clap::Parser;
use clap::error::{ContextKind, ContextValue};
use maud::{Markup, html};

use crate::cli::{Cli, Command, ReadArgs};
use crate::text::sentence;

/// One field.
struct Field {
    /// Its name in the form, and that of the option of `read`.
    name: &'static str,
    /// What it is called.
    label: &'static str,
    /// What belongs in it.
    hint: &'static str,
    kind: Kind,
}

#[derive(Clone, Copy)]
enum Kind {
    /// The name of a chain, with those that are known to choose from.
    Chain,
    /// A file.
    File(&'static str),
    /// One line of text.
    Text,
    /// Durations; numbers without a unit are ms.
    Times,
    /// A line each.
    Lines,
    /// One of these; the first pair is for none.
    Choice(&'static [(&'static str, &'static str)]),
    /// On or off.
    Tick,
}

const FIRST: [Field; 7] = [
    Field {
        name: "chain",
        label: "Name of the chain",
        hint: "Your own, such as attic-laptop: the program, computer, link and adapter that made the pulses. A name that the book has gets another run.",
        kind: Kind::Chain,
    },
    Field {
        name: "capture",
        label: "Capture",
        hint: "The recording of the line: VCD, WAV, CSV of edges, of samples or of measured pulses, or the record of a live run; up to 256 MB.",
        kind: Kind::File(".vcd,.csv,.wav,.txt,.record"),
    },
    Field {
        name: "requested",
        label: "Requested widths",
        hint: "The widths that were asked for, in ms: 50, 250, 500. Leave it empty with a request log.",
        kind: Kind::Times,
    },
    Field {
        name: "requests",
        label: "Request log",
        hint: "A CSV of what was asked for, in its order: direction, requested_ms and perhaps issued_s. With it, pulses that never came are known as well.",
        kind: Kind::File(".csv,.txt"),
    },
    Field {
        name: "direction",
        label: "Direction",
        hint: "The direction of the pulses, where the capture holds a single line.",
        kind: Kind::Choice(&[
            ("", "not said"),
            ("ra+", "ra+"),
            ("ra-", "ra-"),
            ("dec+", "dec+"),
            ("dec-", "dec-"),
        ]),
    },
    Field {
        name: "map",
        label: "Channels",
        hint: "Which channel is which line, where the capture holds several: ra+=D0,ra-=D1,dec+=D2,dec-=D3.",
        kind: Kind::Text,
    },
    Field {
        name: "note",
        label: "Notes",
        hint: "What is known of the chain, a line each: cable = 5 m, shielded.",
        kind: Kind::Lines,
    },
];

const MORE: [Field; 13] = [
    Field {
        name: "channel",
        label: "Channel",
        hint: "The one to read. Left empty: the only one that changes.",
        kind: Kind::Text,
    },
    Field {
        name: "format",
        label: "Format",
        hint: "By itself it is told by the content.",
        kind: Kind::Choice(&[
            ("", "told by the content"),
            ("vcd", "VCD"),
            ("edges-csv", "CSV of edges"),
            ("samples-csv", "CSV of samples"),
            ("wav", "WAV"),
            ("pulses-csv", "CSV of pulses"),
        ]),
    },
    Field {
        name: "idle",
        label: "Idle level",
        hint: "The level between pulses.",
        kind: Kind::Choice(&[
            ("", "the one held longest"),
            ("low", "low"),
            ("high", "high"),
        ]),
    },
    Field {
        name: "coupling",
        label: "Coupling",
        hint: "Of a recording: levels, or spikes as a sound card shows them.",
        kind: Kind::Choice(&[
            ("", "told by the content"),
            ("dc", "DC: levels"),
            ("ac", "AC: spikes"),
        ]),
    },
    Field {
        name: "threshold",
        label: "Threshold",
        hint: "In volts: a sample above it is high. Left empty: half-way between the two levels.",
        kind: Kind::Text,
    },
    Field {
        name: "bridge",
        label: "Bounce",
        hint: "Gaps shorter than this are bridged, in ms. Left empty: 1 ms.",
        kind: Kind::Times,
    },
    Field {
        name: "min-pulse",
        label: "Shortest pulse",
        hint: "Pulses shorter than this are dropped, in ms. Left empty: 1 ms.",
        kind: Kind::Times,
    },
    Field {
        name: "column",
        label: "Columns of a CSV",
        hint: "Where its names are unusual, a line each: time = Time [us]. What there is: time, channel, level, volts, direction, requested, width, issued, start.",
        kind: Kind::Lines,
    },
    Field {
        name: "time-unit",
        label: "Unit of time in a CSV",
        hint: "By itself it is told by the header, or s.",
        kind: Kind::Choice(&[
            ("", "told by the header"),
            ("s", "s"),
            ("ms", "ms"),
            ("us", "us"),
            ("ns", "ns"),
            ("ps", "ps"),
        ]),
    },
    Field {
        name: "shared-clock",
        label: "The request log is on the clock of the capture",
        hint: "Then start delays are known.",
        kind: Kind::Tick,
    },
    Field {
        name: "max-delay",
        label: "Longest start delay",
        hint: "To look for, in ms. Left empty: 2000 ms.",
        kind: Kind::Times,
    },
    Field {
        name: "timebase-ppm",
        label: "Error of the timebase",
        hint: "The greatest, in parts per million. Left empty: 100.",
        kind: Kind::Text,
    },
    Field {
        name: "edge-uncertainty",
        label: "Error from threshold and edges",
        hint: "The greatest in one width, in ms. Left empty: from the transitions, or 0.005 ms.",
        kind: Kind::Times,
    },
];

fn every() -> impl Iterator<Item = &'static Field> {
    FIRST.iter().chain(&MORE)
}

/// What was typed.
#[derive(Debug, Clone, Default)]
pub struct Typed(Vec<(&'static str, String)>);

impl Typed {
    /// Keeps what stands in a field; what is no field of the form is left out.
    pub fn put(&mut self, name: &str, text: String) {
        if let Some(field) = every().find(|field| field.name == name) {
            self.0.push((field.name, text));
        }
    }

    fn text(&self, name: &str) -> &str {
        let found = self.0.iter().find(|(known, _)| *known == name);
        found.map_or("", |(_, text)| text.trim())
    }

    /// The options of `read` that the fields stand for, by the command line's own checks.
    ///
    /// # Errors
    /// [`Fault`] beside the field.
    pub fn args(&self, capture: &Path, requests: Option<&Path>) -> Result<ReadArgs, Fault> {
        let mut line: Vec<OsString> = ["pulsewright", "read"].map(OsString::from).to_vec();
        for field in every() {
            let text = self.text(field.name);
            if text.is_empty() {
                continue;
            }
            let option = |value: &str| OsString::from(format!("--{}={value}", field.name));
            match field.kind {
                Kind::File(_) => {}
                Kind::Tick => line.push(format!("--{}", field.name).into()),
                Kind::Lines => {
                    let lines = text.lines().filter(|l| !l.trim().is_empty());
                    line.extend(lines.map(option));
                }
                Kind::Times => line.push(option(&with_units(text))),
                Kind::Chain | Kind::Text | Kind::Choice(_) => line.push(option(text)),
            }
        }
        if let Some(requests) = requests {
            let mut option = OsString::from("--requests=");
            option.push(requests);
            line.push(option);
        }
        line.push("--".into());
        line.push(capture.into());
        match Cli::try_parse_from(line) {
            Ok(Cli {
                command: Command::Read(args),
                ..
            }) => Ok(*args),
            Ok(_) => Err(Fault::of("the form could not be read")),
            Err(error) => Err(Fault::of_line(&error)),
        }
    }
}

/// Numbers without a unit take ms: `50, 250 ms` becomes `50ms,250 ms`.
fn with_units(text: &str) -> String {
    let plain = |part: &str| part.parse::<f64>().is_ok();
    let in_ms = |part: &str| {
        if plain(part) {
            format!("{part}ms")
        } else {
            part.to_owned()
        }
    };
    let parts = text.split([',', ';', '\n']).map(str::trim);
    let parts = parts.filter(|part| !part.is_empty()).map(|part| {
        let words: Vec<&str> = part.split_whitespace().collect();
        if words.len() > 1 && words.iter().all(|word| plain(word)) {
            words.into_iter().map(in_ms).collect::<Vec<_>>().join(",")
        } else {
            in_ms(part)
        }
    });
    parts.collect::<Vec<_>>().join(",")
}

/// What can't be used, and the field that it stands beside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The field's name, where one is to blame.
    pub field: Option<&'static str>,
    /// What was found, what was expected, the way out.
    pub text: String,
}

impl Fault {
    /// A fault of a field.
    pub fn at(field: &'static str, text: impl Into<String>) -> Fault {
        Fault {
            field: Some(field),
            text: text.into(),
        }
    }

    /// A fault that names options of the command line: their fields stand for them here.
    pub fn of(text: &str) -> Fault {
        let place = |field: &&Field| text.find(&format!("--{}", field.name));
        let first = every()
            .filter(|field| place(field).is_some())
            .min_by_key(place);
        let mut fields: Vec<&Field> = every().collect();
        // No name may be taken for the beginning of a longer one.
        fields.sort_by_key(|field| std::cmp::Reverse(field.name.len()));
        let text = fields.iter().fold(text.to_owned(), |text, field| {
            text.replace(
                &format!("--{}", field.name),
                &format!("\"{}\"", field.label),
            )
        });
        Fault {
            field: first.map(|field| field.name),
            text,
        }
    }

    /// A fault of the line of options.
    fn of_line(error: &clap::Error) -> Fault {
        let option = match error.get(ContextKind::InvalidArg) {
            Some(ContextValue::String(option)) => option.split([' ', '=']).next().unwrap_or(""),
            _ => "",
        };
        match std::error::Error::source(error) {
            // What a number's parser says is for programmers.
            Some(source) if source.is::<std::num::ParseFloatError>() => {
                Fault::of(&format!("{option}: expected a number, such as 2.5"))
            }
            Some(source) => Fault::of(&format!("{option}: {source}")),
            None => {
                let text = error.to_string();
                let first = text.lines().next().unwrap_or("");
                Fault::of(&sentence(first.trim_start_matches("error: ")))
            }
        }
    }
}

/// All fields, with what was typed; the rarer ones folded unless one of them is to blame or filled in.
pub fn all(typed: &Typed, fault: Option<&Fault>, chains: &[String]) -> Markup {
    let to_blame = |field: &Field| fault.is_some_and(|fault| fault.field == Some(field.name));
    let open = MORE
        .iter()
        .any(|field| to_blame(field) || !typed.text(field.name).is_empty());
    let show = |field: &Field| {
        let fault = fault.filter(|_| to_blame(field));
        one(field, typed.text(field.name), fault, chains)
    };
    html! {
        div.controls { @for field in &FIRST { (show(field)) } }
        details open[open] {
            summary { "More about the capture, for when it is read wrongly" }
            div.fold { div.controls { @for field in &MORE { (show(field)) } } }
        }
    }
}

fn one(field: &Field, text: &str, fault: Option<&Fault>, chains: &[String]) -> Markup {
    let name = field.name;
    let hint = format!("{name}-hint");
    let error = format!("{name}-error");
    let described = if fault.is_some() {
        format!("{error} {hint}")
    } else {
        hint.clone()
    };
    let invalid = fault.map(|_| "true");
    html! {
        div.field {
            @if !matches!(field.kind, Kind::Tick) { label for=(name) { (field.label) } }
            @match field.kind {
                Kind::Chain => {
                    input id=(name) name=(name) type="text" value=(text) required maxlength="80" list="chains"
                        autocomplete="off" aria-describedby=(described) aria-invalid=[invalid];
                    datalist #chains { @for chain in chains { option value=(chain) {} } }
                }
                Kind::File(accept) => {
                    input id=(name) name=(name) type="file" accept=(accept) required[name == "capture"]
                        aria-describedby=(described) aria-invalid=[invalid];
                }
                Kind::Text | Kind::Times => {
                    input id=(name) name=(name) type="text" value=(text) autocomplete="off"
                        aria-describedby=(described) aria-invalid=[invalid];
                }
                Kind::Lines => {
                    textarea id=(name) name=(name) rows="3" aria-describedby=(described) aria-invalid=[invalid] { (text) }
                }
                Kind::Choice(choices) => {
                    select id=(name) name=(name) aria-describedby=(described) aria-invalid=[invalid] {
                        @for (value, shown) in choices {
                            option value=(value) selected[*value == text] { (shown) }
                        }
                    }
                }
                Kind::Tick => {
                    label {
                        input id=(name) name=(name) type="checkbox" value="yes" checked[!text.is_empty()]
                            aria-describedby=(described);
                        (field.label)
                    }
                }
            }
            @if let Some(fault) = fault { p.error id=(error) { (fault.text) } }
            p.hint id=(hint) { (field.hint) }
        }
    }
}
