//! The pins of a small Linux computer as a rig.
//!
//! The kernel stamps the edges of lines of a GPIO character device in its interrupt handler
//! (`include/uapi/linux/gpio.h`, version 2 of the interface: `CLOCK_MONOTONIC`, in ns, and a number for
//! each event). A [`GpioOpener`] requests the lines and opens a port behind which a board in memory speaks
//! link protocol 1, so that all above the port is as with any rig. A switch that joins a line to ground is
//! closed: the lines are pulled up and active low.
//!
//! `docs/gpio.md` tells how the pins are wired, and how far the stamps may be off.

use std::io;

use crate::port::{Opener, Port};

mod board;
mod kernel;
#[cfg(test)]
mod tests;

use board::Board;
use kernel::Kernel;

/// What a rig's name begins with where it is pins of this computer.
pub const PREFIX: &str = "gpio:";

/// The greatest number of a line; no chip has so many.
const MOST_LINE: u32 = 65_535;
/// Inputs that link protocol 1 holds.
const MOST_LINES: usize = 8;
/// Bytes of a serial in link protocol 1.
const SERIAL_BYTES: usize = 16;

/// A name that begins with `gpio:` and can't be used.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error(
    "{name}: found {found}, expected gpio:CHIP:LINE,LINE,... with 1 to 8 lines of one chip, such as gpio:gpiochip0:17,27,22,23 for the inputs of ra+, ra-, dec+ and dec-; `ls /dev/gpiochip*` shows the chips"
)]
pub struct GpioNameError {
    name: String,
    found: String,
}

/// Opens lines of a chip of this computer as a rig.
///
/// ```
/// use rig::port::Opener;
/// let opener = rig::gpio::opener("gpio:gpiochip0:17,27").unwrap().unwrap();
/// assert_eq!(opener.name(), "gpio:gpiochip0:17,27");
/// assert!(rig::gpio::opener("/dev/ttyUSB0").is_none());
/// assert!(rig::gpio::opener("gpio:gpiochip0").unwrap().is_err());
/// ```
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct GpioOpener {
    name: String,
    chip: String,
    lines: Vec<u32>,
}

/// The opener of the rig called `name`: `gpio:CHIP:LINE,LINE,...`, where CHIP is `gpiochip0` or
/// `/dev/gpiochip0`, and the lines are numbers on it, the first for input 0. `None` of a name that does
/// not begin with `gpio:`.
///
/// # Errors
/// No chip, no lines, a line that is no number or is named twice, more than 8 lines.
pub fn opener(name: &str) -> Option<Result<GpioOpener, GpioNameError>> {
    let rest = name.strip_prefix(PREFIX)?;
    let opener = parse(rest).map(|(chip, lines)| GpioOpener {
        name: name.to_owned(),
        chip,
        lines,
    });
    Some(opener.map_err(|found| GpioNameError {
        name: name.to_owned(),
        found,
    }))
}

/// Chip and lines; else what was found.
fn parse(rest: &str) -> Result<(String, Vec<u32>), String> {
    let Some((chip, list)) = rest.rsplit_once(':') else {
        return Err("no lines".into());
    };
    let short = chip.strip_prefix("/dev/").unwrap_or(chip);
    if short.is_empty() || short.contains('/') || short.contains(char::is_whitespace) {
        return Err(format!("the chip {chip:?}"));
    }
    let mut lines = Vec::new();
    for word in list.split(',') {
        let digits = !word.is_empty() && word.bytes().all(|byte| byte.is_ascii_digit());
        match word.parse::<u32>() {
            Ok(line) if digits && line <= MOST_LINE => {
                if lines.contains(&line) {
                    return Err(format!("line {line} twice"));
                }
                lines.push(line);
            }
            _ => return Err(format!("the line {word:?}")),
        }
    }
    if lines.len() > MOST_LINES {
        return Err(format!("{} lines", lines.len()));
    }
    Ok((format!("/dev/{short}"), lines))
}

impl GpioOpener {
    /// The serial of the rig: chip and lines, as far as 16 bytes hold them; else their sum as well, so that
    /// other lines are another rig.
    fn serial(&self) -> String {
        let lines: Vec<String> = self.lines.iter().map(u32::to_string).collect();
        let short = self.chip.strip_prefix("/dev/").unwrap_or(&self.chip);
        let chip = short.strip_prefix("gpiochip").unwrap_or(short);
        let allowed = |c: char| c.is_ascii_graphic() && c != '*';
        let plain: String = format!("{chip}:{}", lines.join(","))
            .chars()
            .map(|c| if allowed(c) { c } else { '_' })
            .collect();
        if plain.len() <= SERIAL_BYTES {
            return plain;
        }
        // The 32-bit FNV-1a hash; offset basis and prime from memory. Any hash would do.
        let hash = self.name_bytes().fold(0x811c_9dc5_u32, |hash, byte| {
            (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
        });
        let head: String = plain.chars().take(SERIAL_BYTES - 9).collect();
        format!("{head}~{hash:08X}")
    }

    /// What the hash of the serial is over.
    fn name_bytes(&self) -> impl Iterator<Item = u8> {
        let lines = self.lines.iter().flat_map(|line| line.to_le_bytes());
        self.chip.bytes().chain(lines)
    }
}

impl Opener for GpioOpener {
    fn open(&mut self) -> io::Result<Box<dyn Port>> {
        let kernel = Kernel::open(&self.chip, &self.lines)?;
        Ok(Box::new(Board::new(
            kernel,
            self.lines.len(),
            self.serial(),
        )))
    }

    fn name(&self) -> String {
        self.name.clone()
    }
}
