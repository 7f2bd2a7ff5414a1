//! Values that are dear to compute, by what they were computed from.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

/// Forgets all when it is full, so that no caller can fill the memory of the process.
pub(crate) struct Memory<K, V>(OnceLock<Mutex<HashMap<K, V>>>);

impl<K: Hash + Eq, V: Copy> Memory<K, V> {
    const LARGEST: usize = 4096;

    pub(crate) const fn new() -> Self {
        Self(OnceLock::new())
    }

    fn locked(&self) -> MutexGuard<'_, HashMap<K, V>> {
        self.0.get_or_init(Mutex::default).lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn known(&self, key: &K) -> Option<V> {
        self.locked().get(key).copied()
    }

    /// Keeps a value and gives it back.
    pub(crate) fn keep(&self, key: K, value: V) -> V {
        let mut known = self.locked();
        if known.len() >= Self::LARGEST {
            known.clear();
        }
        known.insert(key, value);
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_knows_what_it_kept_and_never_grows_beyond_its_size() {
        static MEMORY: Memory<usize, usize> = Memory::new();
        for key in 0..3 * Memory::<usize, usize>::LARGEST {
            assert_eq!(MEMORY.keep(key, 2 * key), 2 * key);
            assert_eq!(MEMORY.known(&key), Some(2 * key));
            assert!(MEMORY.locked().len() <= Memory::<usize, usize>::LARGEST);
        }
        assert_eq!(MEMORY.known(&0), None);
    }
}
