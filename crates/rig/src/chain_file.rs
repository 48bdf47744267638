//! The chain file: how the chain under test is asked for a pulse.

use stats::family::Family;
use wire::Direction;

use crate::simulated::ChainLaw;
use crate::tables::{FileError, Reader, Section};

mod law;
#[cfg(test)]
mod tests;

/// The version of the chain file that is read.
pub const CHAIN_VERSION: u32 = 1;

/// The sections that say how to ask; a file has one of them.
const WAYS: [&str; 6] = ["program", "http", "tcp", "serial", "hand", "simulated"];

/// How a chain is asked for pulses.
#[derive(Clone, PartialEq, Debug)]
pub struct ChainFile {
    /// What the user calls the chain.
    pub name: String,
    /// What stands for `{direction}`, for each direction in the order of [`Direction::ALL`].
    pub directions: [String; 4],
    /// How long the chain may take to act on a request, in s, beside the width of the pulse.
    pub timeout_s: f64,
    /// The way to ask.
    pub way: Way,
}

/// A way to ask for a pulse. In templates `{direction}` stands for the name of the direction and `{ms}`
/// for the width in milliseconds.
#[derive(Clone, PartialEq, Debug)]
pub enum Way {
    /// A program is started, without a shell.
    Program {
        /// Its name or path.
        command: String,
        /// Templates of its arguments.
        arguments: Vec<String>,
    },
    /// An HTTP/1.1 request, without TLS.
    Http {
        /// Such as `POST`.
        method: String,
        /// Template such as `http://host:port/path?ms={ms}`.
        address: String,
        /// Names and templates of headers.
        headers: Vec<(String, String)>,
        /// Template; empty for none.
        body: String,
    },
    /// A line to a TCP port.
    Tcp {
        /// `host:port`.
        address: String,
        /// What to write, and what to expect.
        line: LineTemplate,
    },
    /// A line to a serial port.
    Serial {
        /// Name of the port.
        port: String,
        /// Bits a second.
        baud: u32,
        /// What to write, and what to expect.
        line: LineTemplate,
    },
    /// The user asks, in a program of their own.
    Hand {
        /// Template of what the user is told.
        prompt: String,
        /// How long to wait for the pulse, in s.
        wait_s: f64,
    },
    /// A simulated chain.
    Simulated(ChainLaw),
}

/// A line to write, and the answer to expect.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LineTemplate {
    /// Template of the line, with its end.
    pub line: String,
    /// How the answer must begin; `None` waits for none.
    pub expect: Option<String>,
}

impl ChainFile {
    /// Reads a chain file.
    ///
    /// # Errors
    /// All faults at once: text that isn't TOML, a missing or other version, an unknown key, a value
    /// of the wrong type or out of range, none or several ways to ask, a template without `{ms}`.
    pub fn read(text: &str) -> Result<ChainFile, FileError> {
        let (mut reader, table) = Reader::new(text);
        let mut file = ChainFile {
            name: "chain".into(),
            directions: Direction::ALL.map(|direction| direction.to_string()),
            timeout_s: 10.0,
            way: Way::Hand {
                prompt: String::new(),
                wait_s: 0.0,
            },
        };
        let Some(table) = table else {
            return reader.finish(file);
        };
        let mut top = Section::top(Some(table.get_ref()));
        reader.version(&mut top, i64::from(CHAIN_VERSION));
        if let Some(name) = reader.text(&mut top, "name") {
            file.name = name;
        }
        if let Some(timeout) = reader.number(&mut top, "timeout_s", 0.1..=3600.0) {
            file.timeout_s = timeout;
        }
        let mut directions = reader.section(&mut top, "directions");
        for (direction, name) in Direction::ALL.into_iter().zip(&mut file.directions) {
            let Some(text) = reader.text(&mut directions, direction.name()) else {
                continue;
            };
            if text.is_empty() || text.contains(char::is_control) || text.contains(['{', '}']) {
                let line = reader.line_of(&directions, direction.name());
                reader.fault(
                    directions.key(direction.name()),
                    line,
                    format!("{text:?}"),
                    "a name on one line, without braces",
                    "give the name that the chain knows the direction by",
                );
            }
            *name = text;
        }
        reader.close(directions);
        let mut sections: Vec<Section<'_>> = WAYS
            .into_iter()
            .map(|way| reader.section(&mut top, way))
            .collect();
        let given: Vec<usize> = (0..WAYS.len())
            .filter(|i| sections[*i].is_given())
            .collect();
        let list = WAYS.map(|way| format!("[{way}]")).join(", ");
        match given.as_slice() {
            [] => reader.fault(
                String::new(),
                None,
                "no way to ask for a pulse",
                format!("one of the sections {list}"),
                "add the section that fits the chain",
            ),
            [one] => {
                let mut section = sections.swap_remove(*one);
                if let Some(way) = read_way(&mut reader, WAYS[*one], &mut section) {
                    file.way = way;
                }
                reader.close(section);
            }
            [.., second] => {
                let line = sections[*second].line();
                reader.fault(
                    WAYS[*second].to_owned(),
                    line,
                    "a second way to ask for a pulse",
                    format!("one of the sections {list}"),
                    "remove all but one",
                );
            }
        }
        reader.close(top);
        reader.finish(file)
    }

    /// A commented file to start from: by hand, with the other ways as comments.
    ///
    /// ```
    /// use rig::chain_file::ChainFile;
    /// assert!(ChainFile::read(ChainFile::template()).is_ok());
    /// ```
    pub fn template() -> &'static str {
        include_str!("chain_file/template.toml")
    }

    /// Whether each direction is asked for in a way of its own: `{direction}` stands in a template, and
    /// no two directions share a name. By hand and simulated they always are.
    pub fn tells_directions(&self) -> bool {
        const FIELD: &str = "{direction}";
        let templates: Vec<&str> = match &self.way {
            Way::Program { arguments, .. } => arguments.iter().map(String::as_str).collect(),
            Way::Http {
                address,
                headers,
                body,
                ..
            } => headers
                .iter()
                .map(|(_, value)| value.as_str())
                .chain([address.as_str(), body.as_str()])
                .collect(),
            Way::Tcp { line, .. } | Way::Serial { line, .. } => vec![line.line.as_str()],
            Way::Hand { .. } | Way::Simulated(_) => return true,
        };
        let mut names = self.directions.to_vec();
        names.sort_unstable();
        names.dedup();
        names.len() == self.directions.len() && templates.iter().any(|t| t.contains(FIELD))
    }

    /// What stands for `{direction}`.
    pub fn direction_name(&self, direction: Direction) -> &str {
        let [ra_plus, ra_minus, dec_plus, dec_minus] = &self.directions;
        match direction {
            Direction::RaPlus => ra_plus,
            Direction::RaMinus => ra_minus,
            Direction::DecPlus => dec_plus,
            Direction::DecMinus => dec_minus,
        }
    }

    /// `template` with direction and width filled in. A width is written without a fraction where it
    /// has none.
    pub fn fill(&self, template: &str, direction: Direction, width_ms: f64) -> String {
        let mut filled = String::with_capacity(template.len() + 16);
        let mut rest = template;
        // In one pass, so that a name that holds a placeholder is left alone.
        while let Some(at) = rest.find('{') {
            let (before, after) = rest.split_at(at);
            filled.push_str(before);
            if let Some(after) = after.strip_prefix("{direction}") {
                filled.push_str(self.direction_name(direction));
                rest = after;
            } else if let Some(after) = after.strip_prefix("{ms}") {
                filled.push_str(&width_ms.to_string());
                rest = after;
            } else {
                filled.push('{');
                rest = after.get(1..).unwrap_or_default();
            }
        }
        filled.push_str(rest);
        filled
    }
}

fn read_way(reader: &mut Reader, way: &str, section: &mut Section<'_>) -> Option<Way> {
    Some(match way {
        "program" => {
            let command = required(reader, section, "command", "command = \"/path/to/program\"");
            let any = |text: &str| Some(text.to_owned());
            let arguments = reader
                .list(section, "arguments", "a list of texts", any)
                .unwrap_or_default();
            holds_width(
                reader,
                section,
                "arguments",
                arguments.iter().map(String::as_str),
            );
            Way::Program {
                command: command?,
                arguments,
            }
        }
        "http" => {
            let method = reader
                .parsed(
                    section,
                    "method",
                    "GET, POST, PUT or another method",
                    |text| {
                        let proper =
                            !text.is_empty() && text.bytes().all(|b| b.is_ascii_uppercase());
                        proper.then(|| text.to_owned())
                    },
                )
                .unwrap_or_else(|| "POST".into());
            let address = required(
                reader,
                section,
                "address",
                "address = \"http://host:port/path\"",
            );
            if let Some(address) = &address
                && let Err((expected, advice)) = crate::sender::http_parts(address)
            {
                let line = reader.line_of(section, "address");
                reader.fault(
                    section.key("address"),
                    line,
                    format!("{address:?}"),
                    expected,
                    advice,
                );
            }
            let headers = reader.pairs(section, "headers").unwrap_or_default();
            if headers
                .iter()
                .any(|(name, value)| !is_one_line(name) || !is_one_line(value))
            {
                let line = reader.line_of(section, "headers");
                reader.fault(
                    section.key("headers"),
                    line,
                    "a line break",
                    "names and values on one line",
                    "remove it",
                );
            }
            let body = reader.text(section, "body").unwrap_or_default();
            let texts = [address.as_deref().unwrap_or("{ms}"), &body];
            let in_headers = headers.iter().map(|(_, value)| value.as_str());
            holds_width(reader, section, "body", texts.into_iter().chain(in_headers));
            Way::Http {
                method,
                address: address?,
                headers,
                body,
            }
        }
        "tcp" => {
            let address = required(reader, section, "address", "address = \"host:port\"");
            let line = line_template(reader, section);
            Way::Tcp {
                address: address?,
                line: line?,
            }
        }
        "serial" => {
            let port = required(reader, section, "port", "port = \"name of the port\"");
            let baud = reader
                .whole(section, "baud", 300..=4_000_000)
                .unwrap_or(9600);
            let line = line_template(reader, section);
            Way::Serial {
                port: port?,
                baud: baud as u32,
                line: line?,
            }
        }
        "hand" => {
            let prompt = reader
                .text(section, "prompt")
                .unwrap_or_else(|| "send {ms} ms {direction} from your own program now".into());
            let wait_s = reader
                .number(section, "wait_s", 1.0..=3600.0)
                .unwrap_or(60.0);
            holds_width(reader, section, "prompt", [prompt.as_str()].into_iter());
            Way::Hand { prompt, wait_s }
        }
        _ => Way::Simulated(law::read(reader, section)),
    })
}

fn required(
    reader: &mut Reader,
    section: &mut Section<'_>,
    key: &'static str,
    example: &str,
) -> Option<String> {
    let given = reader.line_of(section, key).is_some();
    let text = reader.text(section, key);
    if !given {
        reader.missing(section, key, example);
    }
    text
}

fn line_template(reader: &mut Reader, section: &mut Section<'_>) -> Option<LineTemplate> {
    let line = required(reader, section, "line", "line = \"PULSE {direction} {ms}\"");
    let end = reader
        .parsed(
            section,
            "line_end",
            "lf, crlf, cr or none",
            |text| match text {
                "lf" => Some("\n"),
                "crlf" => Some("\r\n"),
                "cr" => Some("\r"),
                "none" => Some(""),
                _ => None,
            },
        )
        .unwrap_or("\n");
    if line
        .as_deref()
        .is_some_and(|line| line.contains(char::is_control))
    {
        let at = reader.line_of(section, "line");
        reader.fault(
            section.key("line"),
            at,
            "a line break or another control character",
            "one line: a second one would be a second request",
            "remove it; line_end says how the line ends",
        );
    }
    let expect = reader.text(section, "expect");
    holds_width(reader, section, "line", line.as_deref().into_iter());
    Some(LineTemplate {
        line: line? + end,
        expect,
    })
}

/// Notes a fault where no template holds the width.
fn holds_width<'s>(
    reader: &mut Reader,
    section: &Section<'_>,
    key: &'static str,
    mut templates: impl Iterator<Item = &'s str>,
) {
    // A missing template is a fault of its own.
    let mut any = false;
    let holds = templates.any(|text| {
        any = true;
        text.contains("{ms}")
    });
    if !holds && (any || key == "arguments") {
        let line = reader.line_of(section, key);
        reader.fault(
            section.key(key),
            line,
            "no {ms}",
            "{ms} where the width goes, in milliseconds, and {direction} where the direction goes",
            "add it",
        );
    }
}

fn is_one_line(text: &str) -> bool {
    !text.contains(['\r', '\n'])
}

/// The names of the parameters of a family, and the family of their values.
pub(crate) fn family(name: &str, value: impl Fn(&str) -> Option<f64>) -> Option<Family> {
    let family = match name {
        "normal" => Family::Normal {
            mean: value("mean")?,
            sd: value("sd")?,
        },
        "shifted_lognormal" => Family::ShiftedLognormal {
            shift: value("shift")?,
            mu: value("mu")?,
            sigma: value("sigma")?,
        },
        "shifted_gamma" => Family::ShiftedGamma {
            shift: value("shift")?,
            shape: value("shape")?,
            scale: value("scale")?,
        },
        "shifted_weibull" => Family::ShiftedWeibull {
            shift: value("shift")?,
            shape: value("shape")?,
            scale: value("scale")?,
        },
        "exponentially_modified_normal" => Family::ExponentiallyModifiedNormal {
            mean: value("mean")?,
            sd: value("sd")?,
            tau: value("tau")?,
        },
        _ => return None,
    };
    // The functions of a family without a valid scale or shape give NaN.
    family.quantile(0.5).is_finite().then_some(family)
}
