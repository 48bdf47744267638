//! The page: the lab book in a browser. Every view is complete HTML from the server; scripts only add
//! zoom, read-out, live figures and controls that answer at once.

mod assets;
mod book;
mod chosen;
mod connection;
mod correct;
mod download;
pub mod form;
mod guard;
pub mod jobs;
mod judge;
pub mod layout;
mod live;
mod measure;
pub mod problem;
mod prove;
mod report;
mod server;
mod setup;
mod token;
mod upload;

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::Semaphore;

pub use guard::Gate;
pub use jobs::Jobs;
pub use live::Live;
pub use problem::Problem;
pub use server::{Listening, serve};
pub use token::Token;

/// What every request is answered from.
pub struct App {
    /// The lab book; it need not be there yet.
    pub book: PathBuf,
    /// The setup file; it need not be there yet.
    pub setup: PathBuf,
    /// Seed of everything random.
    pub seed: u64,
    /// Results that took their time.
    pub jobs: Jobs,
    /// The live run, where the server was started for one.
    pub live: Option<Live>,
    /// Who is let in.
    pub gate: Gate,
}

/// [`App`], as the handlers hold it.
pub type Shared = Arc<App>;

/// How many pieces of blocking work go on at once: as many as a book on a disk serves well.
const AT_ONCE: usize = 4;

/// Does work that blocks (the lab book, files, a fit) off the threads that answer requests.
///
/// # Errors
/// What the work says; [`Problem::broken`] where it panics.
pub async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    static PERMITS: Semaphore = Semaphore::const_new(AT_ONCE);
    let permit = PERMITS.acquire().await.map_err(|_| Problem::broken())?;
    let done = tokio::task::spawn_blocking(move || {
        let _held = permit;
        work()
    });
    done.await.map_err(|_| Problem::broken())?
}
