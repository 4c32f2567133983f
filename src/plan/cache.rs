//! A cache of bounded size for what is planned again and again.

use std::collections::HashMap;
use std::hash::Hash;

/// Entries of one generation; twice as many are kept.
const GENERATION: usize = 2048;

/// A map that forgets: when the young generation is full it becomes the old one, and
/// what was old and not asked for since is dropped.
#[derive(Debug)]
pub(crate) struct Cache<K, V> {
    young: HashMap<K, V>,
    old: HashMap<K, V>,
}

impl<K: Hash + Eq, V: Clone> Cache<K, V> {
    pub(crate) fn new() -> Self {
        Self {
            young: HashMap::new(),
            old: HashMap::new(),
        }
    }

    /// The value kept for `key`, or the one that `make` makes.
    pub(crate) fn get<E>(&mut self, key: K, make: impl FnOnce() -> Result<V, E>) -> Result<V, E> {
        if let Some(value) = self.young.get(&key) {
            return Ok(value.clone());
        }
        let value = match self.old.remove(&key) {
            Some(value) => value,
            None => make()?,
        };
        if self.young.len() >= GENERATION {
            self.old = std::mem::take(&mut self.young);
        }
        self.young.insert(key, value.clone());
        Ok(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_asked_for_stays_and_the_rest_is_bounded() {
        let mut cache = Cache::new();
        let mut made = 0;
        for key in 0..50_000_u32 {
            for key in [key, 0] {
                let value: Result<u32, ()> = cache.get(key, || {
                    made += 1;
                    Ok(key * 2)
                });
                assert_eq!(value, Ok(key * 2));
            }
        }
        assert_eq!(made, 50_000);
        assert!(cache.young.len() + cache.old.len() <= 2 * GENERATION);
    }
}
