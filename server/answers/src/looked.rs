//! How far the facts about a recall were looked at.

use packloft_domain::fact as f;
use std::sync::Arc;

use packloft_domain::reads::ReadSet;
use packloft_proto::v1;

/// Up to where the facts about a recall were looked at, with the scope there, what it depended on and what had changed it.
#[derive(Clone)]
pub struct Looked {
    pub(super) opened: f::RecallOpened,
    pub(super) until: i64,
    pub(super) scope: Vec<f::PackInterval>,
    pub(super) reads: Arc<ReadSet>,
    pub(super) changes: Vec<v1::ScopeChange>,
}

impl Looked {
    /// Bytes it takes in memory, about.
    pub fn bytes(&self) -> usize {
        let texts: usize = self.changes.iter().map(|row| 200 + row.text.len()).sum();
        let packs: usize = self.changes.iter().map(|row| row.added.len() + row.removed.len()).sum();
        texts + 100 * (packs + self.scope.len() + self.opened.scope.len()) + self.reads.bytes()
    }
}
