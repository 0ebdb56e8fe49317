//! The view store over sled 0.34.
//!
//! Known weaknesses and what is done about them: `flush` does not reach the disk (the journal is the truth); damage can
//! give wrong data or a panic (everything is under `catch_unwind`, and the digest is checked at every start); half
//! written snapshots block the open (removed before); no snapshots for readers (lists carry sequences).

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::{Batch, Row, StoreError, ViewStore};
use crate::limits::VIEW_CACHE_BYTES;

/// An open sled tree.
pub struct SledStore {
    /// There until it is closed.
    db: Option<sled::Db>,
}

impl Drop for SledStore {
    /// Closing writes, and may panic as any other use: that ends nothing but the store.
    fn drop(&mut self) {
        let db = self.db.take();
        let close = move || {
            drop(db);
            Ok(())
        };
        if let Err(fault) = contained("close", close) {
            tracing::warn!(%fault, "the views are caught up or made again at the next start");
        }
    }
}

/// Runs a store operation, turning its errors and panics into one error.
fn contained<T>(what: &str, run: impl FnOnce() -> Result<T, sled::Error>) -> Result<T, StoreError> {
    match catch_unwind(AssertUnwindSafe(run)) {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(fault)) => Err(StoreError(format!("{what}: {fault}"))),
        Err(_) => Err(StoreError(format!("{what}: panic in the store"))),
    }
}

impl SledStore {
    /// Opens or creates the store in a folder.
    pub fn open(folder: &Path) -> Result<SledStore, StoreError> {
        if let Ok(entries) = std::fs::read_dir(folder) {
            for path in entries.flatten().map(|entry| entry.path()) {
                if path.to_string_lossy().ends_with(".generating") {
                    std::fs::remove_file(&path).map_err(|e| StoreError(format!("remove half a snapshot: {e}")))?;
                }
            }
        }
        let db = contained("open", || {
            sled::Config::new()
                .path(folder)
                .mode(sled::Mode::LowSpace)
                .cache_capacity(VIEW_CACHE_BYTES)
                .flush_every_ms(Some(500))
                .open()
        })?;
        Ok(SledStore { db: Some(db) })
    }
}

impl SledStore {
    fn db(&self) -> Result<&sled::Db, sled::Error> {
        self.db.as_ref().ok_or_else(|| sled::Error::Unsupported("the store is closed".into()))
    }
}

impl ViewStore for SledStore {
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        contained("get", || Ok(self.db()?.get(key)?.map(|value| value.to_vec())))
    }

    fn range(&self, from: &[u8], to: &[u8], visit: &mut dyn FnMut(&[u8], &[u8]) -> bool) -> Result<(), StoreError> {
        contained("range", || {
            for entry in self.db()?.range(from..to) {
                let (key, value) = entry?;
                if !visit(&key, &value) {
                    break;
                }
            }
            Ok(())
        })
    }

    fn last(&self, from: &[u8], to: &[u8]) -> Result<Option<Row>, StoreError> {
        contained("last", || {
            let found = self.db()?.range(from..to).next_back().transpose()?;
            Ok(found.map(|(key, value)| (key.to_vec(), value.to_vec())))
        })
    }

    fn apply(&self, batch: &Batch) -> Result<(), StoreError> {
        let mut writes = sled::Batch::default();
        for (key, value) in batch {
            writes.insert(key.as_slice(), value.as_slice());
        }
        contained("write", || self.db()?.apply_batch(writes))
    }

    fn flush(&self) -> Result<(), StoreError> {
        contained("flush", || self.db()?.flush().map(|_| ()))
    }
}
