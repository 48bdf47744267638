//! Opening what is to be read: a file or standard input, with its checksum and a progress bar.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use sha2::{Digest, Sha256};

use crate::error::Error;

/// A reader that keeps the SHA-256 and the length of what went through it.
pub struct Checked<R> {
    inner: R,
    hash: Sha256,
    bytes: u64,
}

/// What went through a [`Checked`] reader.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checksum {
    /// SHA-256 in lower-case hexadecimal.
    pub sha256: String,
    /// Length in bytes.
    pub bytes: u64,
}

impl<R: Read> Checked<R> {
    /// Wraps a reader.
    pub fn new(inner: R) -> Checked<R> {
        Checked {
            inner,
            hash: Sha256::new(),
            bytes: 0,
        }
    }

    /// Reads what is left, and gives the checksum of all.
    pub fn finish(mut self) -> io::Result<Checksum> {
        io::copy(&mut self, &mut io::sink())?;
        let digest = self.hash.finalize();
        Ok(Checksum {
            sha256: digest.iter().map(|byte| format!("{byte:02x}")).collect(),
            bytes: self.bytes,
        })
    }
}

impl<R: Read> Read for Checked<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buffer)?;
        self.hash.update(&buffer[..n]);
        self.bytes += n as u64;
        Ok(n)
    }
}

/// Whether `path` means standard input.
pub fn is_stdin(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Opens a file, or standard input for `-`; and says how long it is, where that is known.
///
/// # Errors
/// [`Error::File`] for a file that isn't there, a folder, or one that can't be opened.
pub fn open(path: &Path) -> Result<(Box<dyn Read>, Option<u64>), Error> {
    if is_stdin(path) {
        return Ok((Box::new(io::stdin().lock()), None));
    }
    let open = || -> io::Result<(File, std::fs::Metadata)> {
        let file = File::open(path)?;
        let about = file.metadata()?;
        Ok((file, about))
    };
    let (file, about) = open().map_err(|error| {
        let advice = match error.kind() {
            io::ErrorKind::NotFound => "check the name and the folder",
            io::ErrorKind::PermissionDenied => "check its permissions",
            _ => "check the file and the disk",
        };
        Error::file(path, "opening", error, advice)
    })?;
    if about.is_dir() {
        return Err(Error::file(
            path,
            "opening",
            io::Error::other("found a folder, expected a file"),
            "name the capture in it",
        ));
    }
    let length = about.is_file().then_some(about.len());
    Ok((Box::new(file), length))
}

/// How long a read goes on before it shows progress.
const PATIENCE: Duration = Duration::from_secs(1);

/// Layouts of the bar, with and without a known length.
const KNOWN: &str = "{msg} {bar:30} {bytes} of {total_bytes}, {bytes_per_sec}, {eta} left";
const UNKNOWN: &str = "{msg} {bytes}, {bytes_per_sec}";

/// A progress bar that appears on standard error when a read takes more than a second.
pub struct Progress {
    bar: ProgressBar,
    begun: Instant,
    shown: bool,
    enabled: bool,
}

impl Progress {
    /// Progress of reading `path`; never shown unless `enabled`.
    pub fn new(path: &Path, length: Option<u64>, enabled: bool) -> Progress {
        let layout = if length.is_some() { KNOWN } else { UNKNOWN };
        // The layouts are constants that a test draws; the default does for anything else.
        let style =
            ProgressStyle::with_template(layout).unwrap_or_else(|_| ProgressStyle::default_bar());
        let name = if is_stdin(path) {
            "standard input".to_owned()
        } else {
            path.display().to_string()
        };
        // Hidden at first, so that its rate is right by the time it shows.
        let bar = ProgressBar::with_draw_target(length, ProgressDrawTarget::hidden())
            .with_style(style)
            .with_message(format!("reading {name}"));
        Progress {
            bar,
            begun: Instant::now(),
            shown: false,
            enabled,
        }
    }

    /// So many bytes have been read.
    pub fn at(&mut self, bytes: u64) {
        if !self.enabled {
            return;
        }
        self.bar.set_position(bytes);
        if !self.shown && self.begun.elapsed() > PATIENCE {
            self.shown = true;
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_is_that_of_the_standard() {
        // FIPS 180-2, appendix B.1: the digest of "abc".
        let mut reader = Checked::new(&b"abc"[..]);
        let mut first = [0; 1];
        reader.read_exact(&mut first).unwrap();
        let found = reader.finish().unwrap();
        assert_eq!(found.bytes, 3);
        assert_eq!(
            found.sha256,
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn the_layouts_of_the_bar_are_sound() {
        for layout in [KNOWN, UNKNOWN] {
            assert!(ProgressStyle::with_template(layout).is_ok());
        }
        let mut progress = Progress::new(Path::new("x"), Some(100), true);
        progress.at(50);
        assert_eq!(progress.bar.position(), 50);
    }
}
