//! A cache of bounded size for what is planned again and again.

use std::collections::HashMap;
use std::hash::Hash;

/// Entries of one generation, of which two are kept: chosen, to bound the memory.
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

    /// The value kept for `key`.
    pub(crate) fn find(&mut self, key: &K) -> Option<V> {
        if let Some(value) = self.young.get(key) {
            return Some(value.clone());
        }
        let (key, value) = self.old.remove_entry(key)?;
        self.keep(key, value.clone());
        Some(value)
    }

    /// Keeps a value.
    pub(crate) fn keep(&mut self, key: K, value: V) {
        if self.young.len() >= GENERATION {
            self.old = std::mem::take(&mut self.young);
        }
        self.young.insert(key, value);
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
                let value = cache.find(&key).unwrap_or_else(|| {
                    made += 1;
                    cache.keep(key, key * 2);
                    key * 2
                });
                assert_eq!(value, key * 2);
            }
        }
        assert_eq!(made, 50_000);
        assert!(cache.young.len() + cache.old.len() <= 2 * GENERATION);
    }
}
