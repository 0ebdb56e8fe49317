//! A view store in memory: for tests, and for folding the journal a second time to prove the views.

use std::collections::BTreeMap;

use parking_lot::RwLock;

use super::{Batch, Row, StoreError, ViewStore};

/// Entries in memory.
#[derive(Debug, Default)]
pub struct MemoryStore {
    entries: RwLock<BTreeMap<Vec<u8>, Vec<u8>>>,
}

impl ViewStore for MemoryStore {
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        Ok(self.entries.read().get(key).cloned())
    }

    fn range(&self, from: &[u8], to: &[u8], visit: &mut dyn FnMut(&[u8], &[u8]) -> bool) -> Result<(), StoreError> {
        for (key, value) in self.entries.read().range(from.to_vec()..to.to_vec()) {
            if !visit(key, value) {
                break;
            }
        }
        Ok(())
    }

    fn last(&self, from: &[u8], to: &[u8]) -> Result<Option<Row>, StoreError> {
        let entries = self.entries.read();
        Ok(entries.range(from.to_vec()..to.to_vec()).next_back().map(|(k, v)| (k.clone(), v.clone())))
    }

    fn apply(&self, batch: &Batch) -> Result<(), StoreError> {
        self.entries.write().extend(batch.iter().map(|(k, v)| (k.clone(), v.clone())));
        Ok(())
    }

    fn flush(&self) -> Result<(), StoreError> {
        Ok(())
    }
}
