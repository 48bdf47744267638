//! Work that takes longer than a page may: done aside, kept, and shown with its progress.

use std::any::Any;
use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::{Semaphore, watch};

use crate::error::Error;

/// How many results are kept.
const KEPT: usize = 64;
/// How many works wait or go on at most.
const MOST_UNDONE: usize = 32;
/// How many go on at once: each uses all cores by itself.
const AT_ONCE: usize = 2;
/// How long a page waits for a result before it shows the progress.
const PATIENCE: Duration = Duration::from_millis(250);

/// How far a work is.
#[derive(Debug)]
pub enum State<T> {
    /// Its result.
    Done(Arc<T>),
    /// Why there is none.
    Failed(Arc<str>),
    /// The share that is done, 0 to 1.
    Running(f64),
}

/// A result of any type.
type Kept = Arc<dyn Any + Send + Sync>;

/// Works and their results, by a key that holds all that the result depends on.
pub struct Jobs {
    table: Arc<Mutex<Table>>,
    permits: Arc<Semaphore>,
}

#[derive(Default)]
struct Table {
    jobs: HashMap<String, Job>,
    /// Counts the looks, so that the one that was looked at longest ago is known.
    looks: u64,
}

struct Job {
    share: Arc<AtomicU64>,
    ended: watch::Receiver<bool>,
    result: Option<Result<Kept, Arc<str>>>,
    looked_at: u64,
}

impl Default for Jobs {
    fn default() -> Jobs {
        Jobs {
            table: Arc::default(),
            permits: Arc::new(Semaphore::new(AT_ONCE)),
        }
    }
}

impl Jobs {
    /// The result of the work with this key: kept, or begun now. Waits for a quarter of a second; after
    /// that it is for the page to ask again. The work tells its progress, 0 to 1. A failure is told
    /// once; who asks again begins anew.
    pub async fn get<T: Send + Sync + 'static>(
        &self,
        key: String,
        work: impl FnOnce(&dyn Fn(f64)) -> Result<T, Error> + Send + 'static,
    ) -> State<T> {
        let mut ended = match self.look(&key) {
            Some(Look::Ended(result)) => return told(result),
            Some(Look::Undone(ended)) => ended,
            None => match self.begin(key.clone(), work) {
                Some(ended) => ended,
                None => {
                    return State::Failed(
                        "Too much is being computed already; wait a little, and ask again.".into(),
                    );
                }
            },
        };
        // Whether it ended in time is asked of the table.
        let _ = tokio::time::timeout(PATIENCE, ended.wait_for(|ended| *ended)).await;
        match self.look(&key) {
            Some(Look::Ended(result)) => told(result),
            _ => State::Running(self.share(&key)),
        }
    }

    fn look(&self, key: &str) -> Option<Look> {
        let mut table = held(&self.table);
        table.looks += 1;
        let looks = table.looks;
        let job = table.jobs.get_mut(key)?;
        job.looked_at = looks;
        match job.result.clone() {
            None => Some(Look::Undone(job.ended.clone())),
            Some(Ok(kept)) => Some(Look::Ended(Ok(kept))),
            Some(Err(text)) => {
                table.jobs.remove(key);
                Some(Look::Ended(Err(text)))
            }
        }
    }

    fn share(&self, key: &str) -> f64 {
        let table = held(&self.table);
        let share = table
            .jobs
            .get(key)
            .map(|job| job.share.load(Ordering::Relaxed));
        share.map_or(0.0, f64::from_bits)
    }

    /// Begins a work; `None` where too many wait.
    fn begin<T: Send + Sync + 'static>(
        &self,
        key: String,
        work: impl FnOnce(&dyn Fn(f64)) -> Result<T, Error> + Send + 'static,
    ) -> Option<watch::Receiver<bool>> {
        let (ends, ended) = watch::channel(false);
        let share = Arc::new(AtomicU64::new(0));
        {
            let mut table = held(&self.table);
            // Somebody may have begun it since the look.
            if let Some(job) = table.jobs.get(&key) {
                return Some(job.ended.clone());
            }
            let undone = table.jobs.values().filter(|job| job.result.is_none());
            if undone.count() >= MOST_UNDONE {
                return None;
            }
            let job = Job {
                share: share.clone(),
                ended: ended.clone(),
                result: None,
                looked_at: table.looks,
            };
            table.jobs.insert(key.clone(), job);
            table.shrink();
        }
        let (table, permits) = (self.table.clone(), self.permits.clone());
        tokio::spawn(async move {
            let _permit = permits.acquire_owned().await;
            let done = tokio::task::spawn_blocking(move || {
                let tell = |done: f64| share.store(done.to_bits(), Ordering::Relaxed);
                // The work's own values are gone after a panic; nothing half done is left.
                catch_unwind(AssertUnwindSafe(|| work(&tell)))
            });
            let result = match done.await {
                Ok(Ok(Ok(result))) => Ok(Arc::new(result) as Kept),
                Ok(Ok(Err(error))) => Err(Arc::from(error.to_string())),
                Ok(Err(_)) | Err(_) => Err(Arc::from(
                    "The program failed at this, which is a fault of its own; the terminal that it was started in says more.",
                )),
            };
            if let Some(job) = held(&table).jobs.get_mut(&key) {
                job.result = Some(result);
            }
            // Nobody may be waiting any more.
            let _ = ends.send(true);
        });
        Some(ended)
    }
}

enum Look {
    Ended(Result<Kept, Arc<str>>),
    Undone(watch::Receiver<bool>),
}

impl Table {
    /// Drops what was looked at longest ago, beyond what is kept.
    fn shrink(&mut self) {
        while self.jobs.len() > KEPT {
            let ended = self.jobs.iter().filter(|(_, job)| job.result.is_some());
            let oldest = ended.min_by_key(|(_, job)| job.looked_at);
            let Some(key) = oldest.map(|(key, _)| key.clone()) else {
                return;
            };
            self.jobs.remove(&key);
        }
    }
}

fn held(table: &Mutex<Table>) -> MutexGuard<'_, Table> {
    table.lock().unwrap_or_else(PoisonError::into_inner)
}

fn told<T: Send + Sync + 'static>(result: Result<Kept, Arc<str>>) -> State<T> {
    match result.map(Arc::downcast::<T>) {
        Ok(Ok(result)) => State::Done(result),
        Ok(Err(_)) => {
            State::Failed("Two works share a key, which is a fault of the program.".into())
        }
        Err(text) => State::Failed(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;

    fn on_a_runtime(test: impl Future<Output = ()>) {
        tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_time()
            .build()
            .expect("a runtime")
            .block_on(test);
    }

    /// Asks until the work has ended, on a machine that may be busy.
    async fn ended<T: Send + Sync + 'static>(
        jobs: &Jobs,
        key: &str,
        work: impl FnOnce(&dyn Fn(f64)) -> Result<T, Error> + Send + 'static,
    ) -> State<T> {
        let mut state = jobs.get(key.to_owned(), work).await;
        while let State::Running(_) = state {
            let again = |_: &dyn Fn(f64)| Err(Error::Usage("begun again".into()));
            state = jobs.get(key.to_owned(), again).await;
        }
        state
    }

    #[test]
    fn a_result_is_made_once_and_kept() {
        static MADE: AtomicUsize = AtomicUsize::new(0);
        on_a_runtime(async {
            let jobs = Jobs::default();
            for _ in 0..3 {
                let work = |_: &dyn Fn(f64)| Ok(MADE.fetch_add(1, Ordering::SeqCst));
                let state = ended(&jobs, "a", work).await;
                assert!(matches!(state, State::Done(n) if *n == 0));
            }
        });
        assert_eq!(MADE.load(Ordering::SeqCst), 1);
    }

    #[test]
    fn long_work_shows_its_share_and_ends() {
        on_a_runtime(async {
            let jobs = Jobs::default();
            let work = |tell: &dyn Fn(f64)| {
                tell(0.5);
                std::thread::sleep(2 * PATIENCE);
                Ok(7_u8)
            };
            let state = jobs.get("a".into(), work).await;
            assert!(matches!(state, State::Running(share) if share == 0.0 || share == 0.5));
            let state = ended(&jobs, "a", |_| Ok(8_u8)).await;
            assert!(matches!(state, State::Done(n) if *n == 7));
        });
    }

    #[test]
    fn errors_and_panics_are_told_once_and_old_results_go() {
        on_a_runtime(async {
            let jobs = Jobs::default();
            let wrong = |_: &dyn Fn(f64)| Err::<u8, _>(Error::Usage("no such thing".into()));
            let state = ended(&jobs, "a", wrong).await;
            assert!(matches!(state, State::Failed(text) if &*text == "no such thing"));
            let panics = |_: &dyn Fn(f64)| -> Result<u8, Error> { panic!("on purpose") };
            let state = ended(&jobs, "a", panics).await;
            assert!(matches!(state, State::Failed(text) if text.contains("fault of its own")));
            for n in 0..2 * KEPT {
                let state = ended(&jobs, &n.to_string(), move |_| Ok(n)).await;
                assert!(matches!(state, State::Done(_)));
            }
            assert_eq!(held(&jobs.table).jobs.len(), KEPT);
        });
    }
}
