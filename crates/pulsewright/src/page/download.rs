//! Files that are handed to the browser as a whole.

use std::fs::File;
use std::io::{self, Read};
use std::pin::Pin;
use std::task::{Context, Poll};

use axum::body::{Body, Bytes};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use http_body::{Frame, SizeHint};
use tokio::sync::mpsc;

/// Bytes that are read at once.
const PIECE: usize = 64 * 1024;
/// Pieces that wait for a slow client.
const WAITING: usize = 4;

/// A response that the browser stores under `name`. The name is this program's own: of letters, digits,
/// `-`, `.` and `_`.
pub fn attached(name: &str, kind: &'static str, body: impl Into<Body>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"{name}\""),
        ),
    ];
    (headers, body.into()).into_response()
}

/// A file piece by piece, never whole in memory. `keep` is dropped when the last byte has gone, or the
/// client has.
///
/// # Errors
/// What the system says of the file's length.
pub fn streamed(mut file: File, keep: impl Send + 'static) -> io::Result<Body> {
    let left = file.metadata()?.len();
    let (sender, pieces) = mpsc::channel(WAITING);
    tokio::task::spawn_blocking(move || {
        loop {
            let mut piece = vec![0; PIECE];
            let read = file.read(&mut piece).map(|length| {
                piece.truncate(length);
                Bytes::from(piece)
            });
            let goes_on = matches!(&read, Ok(piece) if !piece.is_empty());
            let is_end = matches!(&read, Ok(piece) if piece.is_empty());
            // Sending fails where the client has gone.
            if is_end || sender.blocking_send(read).is_err() || !goes_on {
                break;
            }
        }
        // First the file, then what keeps it: not every system removes an open file.
        drop(file);
        drop(keep);
    });
    Ok(Body::new(Pieces { pieces, left }))
}

/// What is read of a file, in its order.
struct Pieces {
    pieces: mpsc::Receiver<io::Result<Bytes>>,
    left: u64,
}

impl http_body::Body for Pieces {
    type Data = Bytes;
    type Error = io::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<io::Result<Frame<Bytes>>>> {
        self.pieces.poll_recv(context).map(|piece| {
            let piece = piece?;
            if let Ok(bytes) = &piece {
                self.left = self.left.saturating_sub(bytes.len() as u64);
            }
            Some(piece.map(Frame::data))
        })
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(self.left)
    }
}
