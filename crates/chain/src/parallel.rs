//! A few independent tasks on as many threads as the machine has.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// Runs every task once and returns their results in the order of the tasks, whatever the number of
/// threads; so the outcome doesn't depend on it. Put the longest tasks first.
pub(crate) fn run_all<T: Send>(tasks: Vec<Box<dyn FnOnce() -> T + Send + '_>>) -> Vec<T> {
    let threads = thread::available_parallelism().map_or(1, |n| n.get());
    if threads < 2 || tasks.len() < 2 {
        return tasks.into_iter().map(|task| task()).collect();
    }
    let count = tasks.len();
    let tasks: Vec<_> = tasks
        .into_iter()
        .map(|task| Mutex::new(Some(task)))
        .collect();
    let results: Vec<Mutex<Option<T>>> = (0..count).map(|_| Mutex::new(None)).collect();
    let next = AtomicUsize::new(0);
    let work = || {
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(task) = tasks.get(index) else { break };
            let task = task.lock().unwrap_or_else(|e| e.into_inner()).take();
            if let Some(task) = task {
                let result = task();
                *results[index].lock().unwrap_or_else(|e| e.into_inner()) = Some(result);
            }
        }
    };
    thread::scope(|scope| {
        for _ in 1..threads.min(count) {
            scope.spawn(work);
        }
        work();
    });
    results
        .into_iter()
        .filter_map(|slot| slot.into_inner().unwrap_or_else(|e| e.into_inner()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_keep_the_order_of_the_tasks() {
        let tasks: Vec<Box<dyn FnOnce() -> usize + Send>> = (0..100usize)
            .map(|i| Box::new(move || i * i) as Box<dyn FnOnce() -> usize + Send>)
            .collect();
        let expected: Vec<usize> = (0..100).map(|i| i * i).collect();
        assert_eq!(run_all(tasks), expected);
    }
}
