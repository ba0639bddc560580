//! The same work for many things, on some threads, with the results in the order of the things.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Calls `work` for each number under `count` on `threads` threads, each with a state of its own that it keeps from one
/// number to the next. A thread whose work gives `None` ends, and what it had not begun is left to the others.
pub(crate) fn in_order<S: Default, T: Send>(
    count: usize,
    threads: usize,
    work: impl Fn(usize, &mut S) -> Option<T> + Sync,
) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<Option<T>>> = Mutex::new((0..count).map(|_| None).collect());
    std::thread::scope(|scope| {
        for _ in 0..threads.max(1) {
            scope.spawn(|| {
                let mut state = S::default();
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    let Some(result) = (k < count).then(|| work(k, &mut state)).flatten() else { break };
                    if let Ok(mut done) = done.lock() {
                        done[k] = Some(result);
                    }
                }
            });
        }
    });
    done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner).into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_stand_in_order_and_what_was_stopped_is_left_out() {
        for threads in [0, 1, 3] {
            let squares = in_order(50, threads, |k, (): &mut ()| (k < 20).then_some(k * k));
            assert_eq!(squares, (0..20).map(|k| k * k).collect::<Vec<_>>());
        }
        assert_eq!(in_order(0, 2, |k, (): &mut ()| Some(k)), [0usize; 0]);
    }

    #[test]
    fn a_thread_keeps_its_state() {
        let count = |_, seen: &mut usize| {
            *seen += 1;
            Some(*seen)
        };
        assert_eq!(in_order(4, 1, count), [1, 2, 3, 4]);
    }
}
