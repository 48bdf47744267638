//! The front door of the readers.

use std::io::Read;

use crate::capture::Capture;
use crate::error::WireError;
use crate::format::{Format, SNIFFED, sniff};
use crate::input::Input;
use crate::settings::Settings;
use crate::{csv_edges, csv_pulses, csv_samples, vcd, wav};

/// Reads a capture: tells its format by its content unless `settings` names one, and gives its
/// pulses.
///
/// The input is read once, front to back, so a pipe will do. `on_progress` is called now and then
/// with the count of bytes read so far. Memory is bounded whatever the length of the input: some
/// megabytes, and 6 to 12 bytes for each pulse (22 with bounce), of which there may be
/// [`crate::MAX_PULSES`].
///
/// # Errors
/// An input that is empty, of no known format, or that breaks the rules of its format; a unit of times
/// for a format that states its own; a channel
/// that isn't there or can't be chosen; no edge at all; an error of the reader. A capture that is
/// cut off is read up to there, with a warning.
///
/// ```
/// let vcd = "$timescale 1 us $end $var wire 1 ! D0 $end $enddefinitions $end
/// #0
/// 0!
/// #1000000
/// 1!
/// #1262000
/// 0!
/// #2000000
/// ";
/// let capture = wire::read_capture(vcd.as_bytes(), &Default::default(), &mut |_| {}).unwrap();
/// let pulse = capture.pulses.first().unwrap();
/// assert_eq!(capture.width_ms(&pulse), 262.0);
/// ```
pub fn read_capture(
    mut input: impl Read,
    settings: &Settings,
    on_progress: &mut dyn FnMut(u64),
) -> Result<Capture, WireError> {
    settings.check()?;
    let mut input = Input::new(&mut input, on_progress);
    input.at_least(SNIFFED)?;
    if input.data().is_empty() {
        return Err(WireError::Empty);
    }
    let (format, note) = match settings.format {
        Some(format) => (format, None),
        None => {
            let format = sniff(input.data())?;
            (format, Some(format!("The content is that of {format}.")))
        }
    };
    settings.check_for(format)?;
    let mut capture = match format {
        Format::Vcd => vcd::read(&mut input, settings),
        Format::EdgesCsv => csv_edges::read(&mut input, settings),
        Format::SamplesCsv => csv_samples::read(&mut input, settings),
        Format::Wav => wav::read(&mut input, settings),
        Format::PulsesCsv => csv_pulses::read(&mut input, settings),
    }?;
    capture.notes.splice(0..0, note);
    Ok(capture)
}
