//! Work that falls into many like pieces, done by as many threads as there are processors.

use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::{available_parallelism, scope};

/// What `make` makes of each of `items`, in their order. Each is made by itself, so that nothing depends on
/// who makes it; fewer than `worth` are not worth another thread.
pub fn each<Item: Sync, Made: Send>(
    items: &[Item],
    worth: usize,
    make: impl Fn(&Item) -> Made + Sync,
) -> Vec<Made> {
    let processors = available_parallelism().map_or(1, NonZero::get);
    let workers = processors.min(items.len() / worth.max(1));
    if workers < 2 {
        return items.iter().map(make).collect();
    }
    // Whoever is done takes the next: pieces may take very different times.
    let next = AtomicUsize::new(0);
    let work = || {
        let mut made = Vec::new();
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(place) else {
                return made;
            };
            made.push((place, make(item)));
        }
    };
    let mut made: Vec<(usize, Made)> = scope(|scope| {
        let workers: Vec<_> = (0..workers).map(|_| scope.spawn(work)).collect();
        let made = workers.into_iter().map(|worker| worker.join());
        made.flat_map(|made| made.expect("work ends")).collect()
    });
    made.sort_unstable_by_key(|(place, _)| *place);
    made.into_iter().map(|(_, made)| made).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_is_made_once_and_in_order() {
        for count in [0, 1, 3, 1_000] {
            let items: Vec<u64> = (0..count).collect();
            let squares: Vec<u64> = items.iter().map(|item| item * item).collect();
            for worth in [0, 1, 7, 10_000] {
                assert_eq!(each(&items, worth, |item| item * item), squares);
            }
        }
    }
}
