//! Counters in SQLite: a write-ahead log, every commit synced, prepared statements, one transaction a group.

use std::path::Path;

use rusqlite::{Connection, OptionalExtension, params};

use crate::other::{Count, Store};

/// The database.
pub struct Sqlite(Connection);

/// Opens it with its tables and indexes.
///
/// # Errors
/// When it cannot be opened.
pub fn open(folder: &Path) -> anyhow::Result<Sqlite> {
    let connection = Connection::open(folder.join("counts.sqlite"))?;
    let mode: String = connection.query_row("PRAGMA journal_mode = WAL", [], |row| row.get(0))?;
    anyhow::ensure!(mode == "wal", "no write-ahead log: {mode}");
    connection.execute_batch(
        "PRAGMA synchronous = FULL;
         PRAGMA cache_size = -65536;
         CREATE TABLE IF NOT EXISTS entry (
             sequence INTEGER PRIMARY KEY, request_id BLOB NOT NULL UNIQUE, payload BLOB NOT NULL);
         CREATE TABLE IF NOT EXISTS count (
             machine TEXT NOT NULL, occurred_us INTEGER NOT NULL, sequence INTEGER NOT NULL, value INTEGER NOT NULL,
             PRIMARY KEY (machine, occurred_us, sequence)) WITHOUT ROWID;",
    )?;
    Ok(Sqlite(connection))
}

impl Store for Sqlite {
    fn commit(&mut self, group: &[Count]) -> anyhow::Result<Vec<Option<(i64, bool)>>> {
        let transaction = self.0.transaction()?;
        let mut taken = Vec::with_capacity(group.len());
        {
            let mut known = transaction.prepare_cached("SELECT sequence FROM entry WHERE request_id = ?1")?;
            let mut before = transaction.prepare_cached(
                "SELECT value FROM count WHERE machine = ?1 AND occurred_us <= ?2
                 ORDER BY occurred_us DESC, sequence DESC LIMIT 1",
            )?;
            let mut after = transaction.prepare_cached(
                "SELECT value FROM count WHERE machine = ?1 AND occurred_us > ?2
                 ORDER BY occurred_us, sequence LIMIT 1",
            )?;
            let mut entry = transaction.prepare_cached("INSERT INTO entry (request_id, payload) VALUES (?1, ?2)")?;
            let mut row = transaction.prepare_cached("INSERT INTO count VALUES (?1, ?2, ?3, ?4)")?;
            for count in group {
                let id = count.request_id.as_bytes();
                if let Some(sequence) = known.query_row([id], |row| row.get(0)).optional()? {
                    taken.push(Some((sequence, true)));
                    continue;
                }
                let place = params![count.machine, count.occurred_us];
                let less: Option<i64> = before.query_row(place, |row| row.get(0)).optional()?;
                let more: Option<i64> = after.query_row(place, |row| row.get(0)).optional()?;
                if less.is_some_and(|less| less > count.value) || more.is_some_and(|more| more < count.value) {
                    taken.push(None);
                    continue;
                }
                let sequence = entry.insert(params![id, count.payload])?;
                row.execute(params![count.machine, count.occurred_us, sequence, count.value])?;
                taken.push(Some((sequence, false)));
            }
        }
        transaction.commit()?;
        Ok(taken)
    }
}
