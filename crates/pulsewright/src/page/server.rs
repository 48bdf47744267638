//! Routes, and the life of the server.

use std::net::{SocketAddr, TcpListener};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::Redirect;
use axum::routing::get;
use tokio::sync::watch;

use super::form::MOST_FORM;
use super::{
    Problem, Shared, assets, book, connection, correct, guard, judge, layout, live, measure,
    problem, prove, report, setup, upload,
};
use crate::error::Error;

/// How often the server looks whether it shall end.
const LOOK: Duration = Duration::from_millis(100);

/// A port that is held, and not served yet.
pub struct Listening {
    listener: TcpListener,
    /// Address and port, also where port 0 was asked for.
    pub address: SocketAddr,
}

impl Listening {
    /// Takes a port.
    ///
    /// # Errors
    /// [`Error::Usage`] where it is taken, or the address is not of this computer.
    pub fn at(address: SocketAddr) -> Result<Listening, Error> {
        let failed = |error: std::io::Error| {
            let advice = match error.kind() {
                std::io::ErrorKind::AddrInUse => {
                    "another program listens there, perhaps another pulsewright; end it, or name another port with --listen (port 0 takes any that is free)"
                }
                std::io::ErrorKind::PermissionDenied => {
                    "ports under 1024 belong to the system; name another with --listen"
                }
                _ => "name an address of this computer with --listen ADDR:PORT",
            };
            Error::Usage(format!("can't listen on {address} ({error}): {advice}"))
        };
        let listener = TcpListener::bind(address).map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Listening { listener, address })
    }
}

/// Serves the page until `stop` is true.
///
/// # Errors
/// [`Error::Usage`] where the system gives no threads or timers.
pub fn serve(app: Shared, listening: Listening, stop: &'static AtomicBool) -> Result<(), Error> {
    let failed = |error: std::io::Error| {
        Error::Usage(format!(
            "the server can't start ({error}); close other programs, and try again"
        ))
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(failed)?;
    listening.listener.set_nonblocking(true).map_err(failed)?;
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::from_std(listening.listener).map_err(failed)?;
        let (stops, stopped) = watch::channel(false);
        tokio::spawn(async move {
            while !stop.load(Ordering::SeqCst) {
                tokio::time::sleep(LOOK).await;
            }
            // Where nobody listens any more, all has ended.
            let _ = stops.send(true);
        });
        connection::take(listener, router(app), stopped).await;
        Ok::<(), Error>(())
    })?;
    // Work that is still going on has nobody left to show it to.
    runtime.shutdown_background();
    Ok(())
}

/// All addresses.
fn router(app: Shared) -> Router {
    Router::new()
        .route("/", get(|| async { Redirect::to("/measure") }))
        .merge(measure::routes())
        .merge(upload::routes())
        .merge(live::routes())
        .merge(judge::routes())
        .merge(correct::routes())
        .merge(prove::routes())
        .merge(setup::routes())
        .merge(book::routes())
        .merge(report::routes())
        .merge(layout::routes())
        .merge(assets::routes())
        .fallback(|| async {
            Problem::missing("There is nothing at this address.")
                .with_way_out("/measure", "Go to the runs")
        })
        .method_not_allowed_fallback(|| async { guard::not_allowed() })
        .layer(DefaultBodyLimit::max(MOST_FORM))
        .layer(from_fn_with_state(app.clone(), guard::guarded))
        .layer(from_fn_with_state(app.clone(), problem::dressed))
        .layer(from_fn(guard::headed))
        .with_state(app)
}
