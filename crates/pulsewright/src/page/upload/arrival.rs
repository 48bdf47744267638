//! An upload on its way to the disk: streamed, limited, and never where its name says.

use std::io::Write;
use std::path::Path;

use axum::extract::Multipart;
use axum::extract::multipart::{Field, MultipartError};
use axum::http::StatusCode;
use tempfile::NamedTempFile;

use super::fields::Typed;
use crate::page::{Problem, aside};

/// Most parts of an upload.
const MOST_PARTS: usize = 100;
/// Most bytes of a part that is no file.
const MOST_TEXT: usize = 16 * 1024;
/// So much is gathered before it is written.
const PIECE: usize = 1 << 20;
/// Longest shown name of a file, characters.
const MOST_NAME: usize = 80;

/// What has arrived. Files that are not kept vanish with it.
pub struct Arrived {
    /// What was typed.
    pub typed: Typed,
    /// The capture.
    pub capture: Option<Sent>,
    /// The request log.
    pub requests: Option<Sent>,
}

/// A file that was sent.
pub struct Sent {
    /// Its bytes, under a name of our own.
    pub file: NamedTempFile,
    /// What the person calls it; to be shown, never to be opened.
    pub name: String,
    folder: Folder,
}

/// The folder that files arrive in; it goes where nothing was kept in it.
struct Folder(std::path::PathBuf);

impl Drop for Sent {
    fn drop(&mut self) {
        // The temporary file is a field, and would go only after this.
        let _ = std::fs::remove_file(self.file.path());
        // Fails where the folder holds kept captures, and should.
        let _ = std::fs::remove_dir(&self.folder.0);
    }
}

/// Takes all parts.
///
/// # Errors
/// A [`Problem`] where the upload is too large, breaks off, or can't be written.
pub async fn take(mut parts: Multipart, folder: &Path) -> Result<Arrived, Problem> {
    let mut typed = Typed::default();
    let (mut capture, mut requests) = (None, None);
    let mut count = 0;
    while let Some(part) = parts.next_field().await.map_err(broken)? {
        count += 1;
        if count > MOST_PARTS {
            return Err(Problem::bad(format!(
                "Found more than {MOST_PARTS} parts in the upload, expected those of the form; nothing was stored."
            )));
        }
        let name = part.name().unwrap_or("").to_owned();
        match name.as_str() {
            "capture" => capture = file(part, folder).await?,
            "requests" => requests = file(part, folder).await?,
            _ => {
                let text = text(part).await?;
                typed.put(&name, text);
            }
        }
    }
    Ok(Arrived {
        typed,
        capture,
        requests,
    })
}

/// A file; `None` where none was chosen.
async fn file(mut part: Field<'_>, folder: &Path) -> Result<Option<Sent>, Problem> {
    let name = shown_name(part.file_name().unwrap_or(""));
    let mut sent: Option<Sent> = None;
    let mut piece = Vec::new();
    loop {
        let chunk = part.chunk().await.map_err(broken)?;
        let ended = chunk.is_none();
        piece.extend_from_slice(&chunk.unwrap_or_default());
        if piece.len() >= PIECE || (ended && !piece.is_empty()) {
            let bytes = std::mem::take(&mut piece);
            let (before, folder, name) = (sent.take(), folder.to_owned(), name.clone());
            let written = aside(move || {
                let mut sent = match before {
                    Some(sent) => sent,
                    None => begin(&folder, name)?,
                };
                sent.file
                    .write_all(&bytes)
                    .map_err(|error| unwritten(&folder, &error))?;
                Ok(sent)
            });
            sent = Some(written.await?);
        }
        if ended {
            return Ok(sent);
        }
    }
}

fn begin(folder: &Path, name: String) -> Result<Sent, Problem> {
    let failed = |error| unwritten(folder, &error);
    std::fs::create_dir_all(folder).map_err(failed)?;
    let file = tempfile::Builder::new()
        .prefix("arriving-")
        .tempfile_in(folder)
        .map_err(failed)?;
    Ok(Sent {
        file,
        name,
        folder: Folder(folder.to_owned()),
    })
}

fn unwritten(folder: &Path, error: &std::io::Error) -> Problem {
    Problem::new(
        StatusCode::INSUFFICIENT_STORAGE,
        format!(
            "The upload can't be written to {} ({error}); check the disk and the folder's permissions. Nothing was stored.",
            folder.display()
        ),
    )
}

async fn text(mut part: Field<'_>) -> Result<String, Problem> {
    let mut bytes = Vec::new();
    while let Some(chunk) = part.chunk().await.map_err(broken)? {
        bytes.extend_from_slice(&chunk);
        if bytes.len() > MOST_TEXT {
            return Err(Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                format!(
                    "Found a field of more than {MOST_TEXT} bytes, expected less; nothing was stored."
                ),
            ));
        }
    }
    String::from_utf8(bytes).map_err(|_| {
        Problem::bad(
            "Found bytes that are no text (UTF-8) in a field of the form; nothing was stored.",
        )
    })
}

fn broken(error: MultipartError) -> Problem {
    match error.status() {
        StatusCode::PAYLOAD_TOO_LARGE => Problem::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!(
                "Found an upload of more than {} MB, expected less; nothing was stored. Cut the capture, or read it on the command line: pulsewright read FILE.",
                super::MOST_UPLOAD >> 20
            ),
        ),
        _ => Problem::bad("The upload did not arrive whole; nothing was stored. Send it again."),
    }
}

/// The name of a file as it may be shown: its last part, plain characters, of bearable length.
pub fn shown_name(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or(name);
    let plain: String = last
        .chars()
        .filter(|c| !c.is_control())
        .map(|c| {
            if c.is_alphanumeric() || " ._-()".contains(c) {
                c
            } else {
                '_'
            }
        })
        .take(MOST_NAME)
        .collect();
    let plain = plain.trim().to_owned();
    if plain.is_empty() {
        "a file without a name".to_owned()
    } else {
        plain
    }
}
