//! Opening what is to be read: a file or standard input, with its checksum.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

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
            sha256: hex(&digest),
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

/// Bytes as lower-case hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
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
}
