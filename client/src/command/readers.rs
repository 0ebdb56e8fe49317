//! Readers of files that others wrote or that a crash left, without a server: the suites feed them hostile input.

use std::path::Path;

use crate::moment::Zone;
use crate::v1;

/// Rows of a file to import and the faults of those that cannot be read, with the kind its columns say.
type Import = (v1::ImportKind, Vec<v1::ImportRow>, Vec<v1::RowFault>);

/// Reads a file to import, times as on a site in universal time.
///
/// # Errors
/// What is wrong with the file as a whole, in lines.
pub fn import(text: &str) -> Result<Import, Vec<String>> {
    let read = super::import::read(text, None, &Zone::named("UTC")).map_err(|fault| fault.lines)?;
    Ok((v1::ImportKind::try_from(read.kind as i32).unwrap_or_default(), read.rows, read.faults))
}

/// Opens a feeder's spool, made when missing: the sequence before its first reading, -1 until that is known, and how many
/// readings it holds.
///
/// # Errors
/// Why it cannot be used.
pub fn spool(path: &Path) -> std::io::Result<(i64, usize)> {
    let (spool, kept) = super::spool::Spool::open(path)?;
    Ok((spool.before, kept.rows.len()))
}
