//! Connections: how many, how slow, how long.

use std::convert::Infallible;
use std::future::poll_fn;
use std::io;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::http::{HeaderValue, Request, header};
use hyper::body::{Body as HttpBody, Frame, Incoming, SizeHint};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::time::{Instant, Sleep, sleep, timeout};
use tower_service::Service;

/// Most connections at once; more wait to be taken.
const MOST: usize = 256;
/// Longest time from the end of one request to the end of the headers of the next.
const HEADERS_WITHIN: Duration = Duration::from_secs(10);
/// Longest pause within the body of a request.
const PAUSE: Duration = Duration::from_secs(15);
/// Longest pause of a reader that takes nothing of an answer.
const STALL: Duration = Duration::from_secs(60);
/// Longest time for the whole body of a request: the largest upload at 300 kB/s.
const BODY_WITHIN: Duration = Duration::from_secs(15 * 60);
/// Most bytes of the headers of a request.
const MOST_HEADERS: usize = 32 * 1024;
/// How long answers that have begun may go on when the server ends.
const GRACE: Duration = Duration::from_secs(3);

/// Takes connections and answers them until `stop` is true; then ends each after what it is at.
pub async fn take(listener: TcpListener, router: Router, mut stop: watch::Receiver<bool>) {
    let permits = Arc::new(Semaphore::new(MOST));
    loop {
        let next = async {
            let permit = permits.clone().acquire_owned().await;
            (permit, listener.accept().await)
        };
        let (permit, taken) = tokio::select! {
            next = next => next,
            _ = stop.wait_for(|stop| *stop) => break,
        };
        match taken {
            Ok((stream, _)) => {
                let (router, stop) = (router.clone(), stop.clone());
                tokio::spawn(async move {
                    let _permit = permit;
                    answer(stream, router, stop).await;
                });
            }
            // Too many open files, or a caller that has gone again: others may still come.
            Err(_) => sleep(Duration::from_millis(50)).await,
        }
    }
    drop(listener);
    let all_ended = permits.acquire_many(MOST as u32);
    // Who is still at it then is cut off.
    let _ = timeout(GRACE, all_ended).await;
}

/// Answers the requests of one connection, one after another.
async fn answer(stream: TcpStream, router: Router, mut stop: watch::Receiver<bool>) {
    // Small answers must not wait for more to send; where it can't be set, they do.
    let _ = stream.set_nodelay(true);
    let service = service_fn(move |request: Request<Incoming>| {
        let late = Arc::new(AtomicBool::new(false));
        let request = request.map(|body| Body::new(Timely::new(body, late.clone())));
        let answered = router.clone().call(request);
        async move {
            let mut response = answered.await?;
            if late.load(Ordering::Relaxed) {
                // What is missing of the body stands between this answer and a next request.
                let headers = response.headers_mut();
                headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
            }
            Ok::<_, Infallible>(response)
        }
    });
    let mut connection = pin!(
        http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEADERS_WITHIN)
            .max_buf_size(MOST_HEADERS)
            .serve_connection(TokioIo::new(Unstalled::new(stream)), service)
    );
    // An error is the caller's: it has gone, was too slow, or speaks no HTTP.
    tokio::select! {
        _ = connection.as_mut() => return,
        _ = stop.wait_for(|stop| *stop) => connection.as_mut().graceful_shutdown(),
    }
    let _ = connection.await;
}

/// A body that must arrive in time. What nobody wants of it is taken and thrown away for a while: a
/// browser that is cut while it sends would show that in place of the answer.
struct Timely {
    body: Option<Incoming>,
    late: Arc<AtomicBool>,
    pause: Pin<Box<Sleep>>,
    end: Instant,
}

impl Timely {
    /// The body, and where to say that it did not.
    fn new(body: Incoming, late: Arc<AtomicBool>) -> Timely {
        let now = Instant::now();
        Timely {
            body: Some(body),
            late,
            pause: Box::pin(sleep(PAUSE)),
            end: now + BODY_WITHIN,
        }
    }
}

impl HttpBody for Timely {
    type Data = Bytes;
    type Error = axum::BoxError;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::BoxError>>> {
        let Some(body) = self.body.as_mut() else {
            return Poll::Ready(None);
        };
        if let Poll::Ready(frame) = Pin::new(body).poll_frame(context) {
            let next = (Instant::now() + PAUSE).min(self.end);
            self.pause.as_mut().reset(next);
            return Poll::Ready(frame.map(|frame| frame.map_err(axum::BoxError::from)));
        }
        match self.pause.as_mut().poll(context) {
            Poll::Ready(()) => {
                self.late.store(true, Ordering::Relaxed);
                self.body = None;
                let error = "the rest of the request did not come in time";
                Poll::Ready(Some(Err(axum::BoxError::from(error))))
            }
            Poll::Pending => Poll::Pending,
        }
    }

    fn is_end_stream(&self) -> bool {
        self.body.as_ref().is_none_or(HttpBody::is_end_stream)
    }

    fn size_hint(&self) -> SizeHint {
        let hint = self.body.as_ref().map(HttpBody::size_hint);
        hint.unwrap_or_else(|| SizeHint::with_exact(0))
    }
}

impl Drop for Timely {
    fn drop(&mut self) {
        let Some(mut body) = self.body.take().filter(|body| !body.is_end_stream()) else {
            return;
        };
        let thrown_away = async move {
            while poll_fn(|context| Pin::new(&mut body).poll_frame(context))
                .await
                .is_some_and(|frame| frame.is_ok())
            {}
        };
        // Where the server ends at this moment there is nothing to run it on, and no need.
        if let Ok(runtime) = tokio::runtime::Handle::try_current() {
            runtime.spawn(timeout(PAUSE, thrown_away));
        }
    }
}

/// A stream whose reader must not stand still: an answer that nobody takes would be held for ever.
struct Unstalled {
    stream: TcpStream,
    stall: Option<Pin<Box<Sleep>>>,
}

impl Unstalled {
    fn new(stream: TcpStream) -> Unstalled {
        Unstalled {
            stream,
            stall: None,
        }
    }

    /// `written`, or an error where nothing could be written for too long.
    fn watched<T>(
        &mut self,
        context: &mut Context<'_>,
        written: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stall = None;
            return written;
        }
        let stall = self.stall.get_or_insert_with(|| Box::pin(sleep(STALL)));
        match stall.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Unstalled {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Unstalled {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watched(context, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(context, slices);
        self.watched(context, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
