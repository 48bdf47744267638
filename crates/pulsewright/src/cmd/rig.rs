//! `rig`: the rigs at this computer, and a test of one.

use std::sync::atomic::AtomicBool;
use std::time::Duration;

use rig::port::Opener;
use rig::self_test::{Found, SelfTest, look, self_test};
use rig::system::{PortFound, SerialOpener, SystemClock, TcpOpener, list_ports};
use wire::Direction;

use crate::cli::{RigCommand, RigTestArgs};
use crate::cmd::record;
use crate::error::Error;
use crate::output::Output;
use crate::{json, text};

/// How long a rig behind a network may take to answer.
const CONNECT: Duration = Duration::from_secs(5);

/// Runs the command; whether a rig that was tested is sound.
///
/// # Errors
/// What the ports and the rig say.
pub fn run(command: &RigCommand, output: &Output) -> Result<bool, Error> {
    match command {
        RigCommand::List => {
            let document = json::RigsDocument {
                schema_version: json::SCHEMA_VERSION,
                kind: "rigs",
                ports: ask_all(output)?,
            };
            if output.json() {
                output.print_json(&document)?;
            } else {
                output.print(&text::rig::list(&document))?;
            }
            Ok(true)
        }
        RigCommand::Test(args) => test(args, output),
    }
}

fn test(args: &RigTestArgs, output: &Output) -> Result<bool, Error> {
    let mut opener = opener(args.rig.as_deref(), output)?;
    let clock = SystemClock::new();
    let stop = record::stop_on_interrupt()?;
    output.note(&format!(
        "Listening at {} for {} s: press each direction's button, or send pulses; only listen, nothing is asked of the mount.",
        opener.name(),
        chain::significant(args.seconds / 1000.0)
    ));
    let found = self_test(
        opener.as_mut(),
        &clock,
        args.seconds / 1000.0,
        stop,
        &mut |so_far| {
            if output.shows_progress() {
                output.note(&text::rig::so_far(so_far));
            }
        },
    )?;
    let document = json::RigTestDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "rig_test",
        port: opener.name(),
        warnings: found.warnings(&Direction::ALL),
        sound: is_sound(&found),
        test: found,
    };
    if output.json() {
        output.print_json(&document)?;
    } else {
        output.print(&text::rig::test(&document, output.quiet()))?;
    }
    Ok(document.sound)
}

/// Whether runs can rest on the link. A rate that a test of some seconds can't tell to within a few
/// thousand ppm is not the one that the rig names.
fn is_sound(test: &SelfTest) -> bool {
    const TOLD_PPM: f64 = 6000.0;
    let told = test
        .rate_ppm
        .is_some_and(|rate| rate.high - rate.low < TOLD_PPM);
    // The first line after opening may be cut.
    test.lines.bad_sums <= 1
        && test.edges_lost == 0
        && test.resets == 0
        && test.exchanges > 0
        && (told || test.seconds < 1.0)
}

/// Every serial port of this computer, and what answers there. A board that is reset when its port is
/// opened takes two seconds.
fn ask_all(output: &Output) -> Result<Vec<json::RigPort>, Error> {
    let ports = list_ports().map_err(|error| {
        Error::Usage(format!(
            "the serial ports can't be listed: {error}; name the rig's port with --rig"
        ))
    })?;
    let ask = |port: PortFound| {
        // Others than those on USB may be anything; a question might wake something up.
        if !port.usb {
            return json::RigPort {
                port: port.name,
                about: port.about,
                rig: None,
                heard: "not asked, for it is not on USB".to_owned(),
            };
        }
        output.note(&format!("Asking {} ...", port.name));
        let never = AtomicBool::new(false);
        let mut opener = SerialOpener::rig(&port.name);
        let (rig, heard) = match look(&mut opener, &SystemClock::new(), &never) {
            Found::Rig(identity) => (Some(identity), "a rig".to_owned()),
            Found::NoRig(heard) => (None, heard),
            Found::Failed(error) => (None, error.to_string()),
        };
        json::RigPort {
            port: port.name,
            about: port.about,
            rig,
            heard,
        }
    };
    Ok(ports.into_iter().map(ask).collect())
}

/// The port of a rig: a serial port by its name, or `HOST:PORT`; without a name the only one that
/// answers.
///
/// # Errors
/// [`Error::Usage`] where none is named and there is not just one.
pub fn opener(port: Option<&str>, output: &Output) -> Result<Box<dyn Opener>, Error> {
    if let Some(name) = port {
        return named(name);
    }
    let rigs: Vec<String> = ask_all(output)?
        .into_iter()
        .filter(|port| port.rig.is_some())
        .map(|port| port.port)
        .collect();
    match rigs.as_slice() {
        [one] => Ok(Box::new(SerialOpener::rig(one))),
        [] => Err(Error::Usage(
            "found no rig at the ports on USB, expected one; plug it in, or name its port with --rig (`pulsewright rig list` shows the ports)".into(),
        )),
        several => Err(Error::Usage(format!(
            "found several rigs, at {}; name one with --rig",
            several.join(", ")
        ))),
    }
}

fn named(name: &str) -> Result<Box<dyn Opener>, Error> {
    if name.starts_with("gpio:") {
        return gpio(name);
    }
    let is_address = name
        .rsplit_once(':')
        .is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok());
    if is_address {
        Ok(Box::new(TcpOpener {
            address: name.to_owned(),
            timeout: CONNECT,
        }))
    } else {
        Ok(Box::new(SerialOpener::rig(name)))
    }
}

/// The pins of this computer as a rig.
#[cfg(all(target_os = "linux", feature = "gpio"))]
fn gpio(name: &str) -> Result<Box<dyn Opener>, Error> {
    match rig::gpio::opener(name) {
        Some(Ok(opener)) => Ok(Box::new(opener)),
        Some(Err(error)) => Err(Error::Usage(format!("--rig: {error}"))),
        None => Err(Error::Usage(format!(
            "--rig: found `{name}`, expected gpio:CHIP:LINE,LINE,..."
        ))),
    }
}

#[cfg(not(all(target_os = "linux", feature = "gpio")))]
fn gpio(name: &str) -> Result<Box<dyn Opener>, Error> {
    Err(Error::Usage(format!(
        "--rig: found `{name}`, but this build has no GPIO; build it on Linux with --features gpio (docs/gpio.md)"
    )))
}
