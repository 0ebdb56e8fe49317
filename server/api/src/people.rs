//! Names and contacts of people, outside the journal so that they can be erased.
//!
//! Facts carry a person's code only. What the code stands for is in the file `people` of the data folder: a row of JSON a
//! person, then a checksum. It is written anew and put in place at each change, so a change that was answered is on disk
//! and nothing of an erased name stays in the file. What stays is SHA-256 over a random salt, the name and the contact: it
//! proves that a name shown later is the one that was kept, and does not tell it. Copies made of the file before, and blocks
//! of the disk it lay on, are not within its reach.

use std::fs::File;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use parking_lot::Mutex;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

/// Most rows, erased ones included; a second erasure of a person is a second row.
const ROWS_MAX: usize = 20_000;

/// Name and contact of a person.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Details {
    /// Code.
    pub person_code: String,
    /// Name; empty once erased.
    pub name: String,
    /// Contact; empty once erased.
    pub contact: String,
    /// Salt of the hash, hexadecimal.
    pub salt: String,
    /// SHA-256 over salt, name and contact, hexadecimal.
    pub hash: String,
    /// When they were erased, with who did and why.
    pub erased: Option<(i64, String, String)>,
}

impl Details {
    /// True when these were the name and contact that were kept.
    pub fn matches(&self, name: &str, contact: &str) -> bool {
        hash(&self.salt, name, contact) == self.hash
    }
}

/// Why names cannot be kept or read.
#[derive(Debug, thiserror::Error)]
pub enum PeopleError {
    /// The file is damaged: it is left as it is.
    #[error("the file of names is damaged: {0}; put a good copy in its place, or move it away, and restart")]
    Damaged(String),
    /// The disk refused.
    #[error("the file of names cannot be written: {0}")]
    Disk(#[from] std::io::Error),
    /// There is nothing kept of this person.
    #[error("no name is kept of person {0}")]
    NotKept(String),
    /// Full.
    #[error("the file of names is full: {ROWS_MAX} rows")]
    Full,
}

/// The table of names.
pub struct People {
    path: Option<PathBuf>,
    rows: Mutex<Result<Vec<Details>, String>>,
}

fn hash(salt: &str, name: &str, contact: &str) -> String {
    let mut digest = Sha256::new();
    for part in [salt, name, contact] {
        // Lengths keep "ab" + "c" apart from "a" + "bc".
        digest.update((part.len() as u64).to_be_bytes());
        digest.update(part.as_bytes());
    }
    digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

fn row_of(value: &Value) -> Option<Details> {
    let text = |name: &str| value.get(name).and_then(Value::as_str).map(str::to_owned);
    let erased = match value.get("erased_us").and_then(Value::as_i64) {
        Some(at) => Some((at, text("erased_by")?, text("erased_why")?)),
        None => None,
    };
    Some(Details {
        person_code: text("person")?,
        name: text("name")?,
        contact: text("contact")?,
        salt: text("salt")?,
        hash: text("hash")?,
        erased,
    })
}

fn line_of(row: &Details) -> String {
    let mut value = json!({
        "person": row.person_code, "name": row.name, "contact": row.contact, "salt": row.salt, "hash": row.hash,
    });
    if let Some((at, by, why)) = &row.erased {
        value["erased_us"] = json!(at);
        value["erased_by"] = json!(by);
        value["erased_why"] = json!(why);
    }
    value.to_string() + "\n"
}

fn read(path: &Path) -> Result<Vec<Details>, String> {
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(fault) => return Err(fault.to_string()),
    };
    let (body, sum) = text.trim_end().rsplit_once('\n').unwrap_or(("", text.trim_end()));
    let body = if body.is_empty() { String::new() } else { format!("{body}\n") };
    if u32::from_str_radix(sum, 16).ok() != Some(crc32c::crc32c(body.as_bytes())) {
        return Err("its checksum does not fit".into());
    }
    let rows = body.lines().map(|line| serde_json::from_str(line).ok().as_ref().and_then(row_of));
    rows.collect::<Option<Vec<_>>>().ok_or_else(|| "a row cannot be read".into())
}

fn write(path: &Path, rows: &[Details]) -> std::io::Result<()> {
    let body: String = rows.iter().map(line_of).collect();
    let new = path.with_extension("new");
    let mut file = File::options().create(true).write(true).truncate(true).mode(0o600).open(&new)?;
    file.write_all(body.as_bytes())?;
    writeln!(file, "{:08x}", crc32c::crc32c(body.as_bytes()))?;
    file.sync_all()?;
    std::fs::rename(&new, path)?;
    match path.parent() {
        Some(folder) => File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

impl People {
    /// Names that are kept in memory only, for tests and simulations.
    pub fn in_memory() -> People {
        People { path: None, rows: Mutex::new(Ok(Vec::new())) }
    }

    /// Names of a data folder. A damaged file is told when somebody asks, and never written over.
    pub fn open(folder: &Path) -> People {
        let path = folder.join("people");
        let rows = read(&path);
        if let Err(why) = &rows {
            tracing::error!(why, file = %path.display(), "the file of names cannot be used");
        }
        People { path: Some(path), rows: Mutex::new(rows) }
    }

    fn change(&self, change: impl FnOnce(&mut Vec<Details>) -> Result<(), PeopleError>) -> Result<(), PeopleError> {
        let mut held = self.rows.lock();
        let known = held.as_mut().map_err(|why| PeopleError::Damaged(why.clone()))?;
        let mut rows = known.clone();
        change(&mut rows)?;
        if let Some(path) = self.path.as_deref().filter(|_| rows != *known) {
            write(path, &rows)?;
        }
        *known = rows;
        Ok(())
    }

    /// Keeps a name; the same again changes nothing.
    ///
    /// # Errors
    /// When the file is damaged or full, or the disk refuses.
    pub fn set(&self, person_code: &str, name: &str, contact: &str) -> Result<(), PeopleError> {
        self.change(|rows| {
            let full = rows.len() >= ROWS_MAX;
            let kept = rows.iter_mut().find(|row| row.person_code == person_code && row.erased.is_none());
            if kept.as_ref().is_some_and(|row| row.name == name && row.contact == contact) {
                return Ok(());
            }
            let salt = uuid::Uuid::new_v4().simple().to_string();
            let row = Details {
                person_code: person_code.into(),
                name: name.into(),
                contact: contact.into(),
                hash: hash(&salt, name, contact),
                salt,
                erased: None,
            };
            match kept {
                Some(known) => *known = row,
                None if full => return Err(PeopleError::Full),
                None => rows.push(row),
            }
            rows.sort_by(|a, b| a.person_code.cmp(&b.person_code));
            Ok(())
        })
    }

    /// Erases a name; its hash stays. Erased already counts as done.
    ///
    /// # Errors
    /// `NotKept` when there never was one; when the file is damaged, or the disk refuses.
    pub fn erase(&self, person_code: &str, at_us: i64, by: &str, why: &str) -> Result<(), PeopleError> {
        self.change(|rows| {
            let mut own = rows.iter_mut().filter(|row| row.person_code == person_code).peekable();
            if own.peek().is_none() {
                return Err(PeopleError::NotKept(person_code.into()));
            }
            for row in own.filter(|row| row.erased.is_none()) {
                (row.name, row.contact) = Default::default();
                row.erased = Some((at_us, by.into(), why.into()));
            }
            Ok(())
        })
    }

    /// Rows, by code; of one person when a code is given.
    ///
    /// # Errors
    /// When the file is damaged.
    pub fn list(&self, person_code: &str) -> Result<Vec<Details>, PeopleError> {
        let held = self.rows.lock();
        let rows = held.as_ref().map_err(|why| PeopleError::Damaged(why.clone()))?;
        let wanted = |row: &&Details| person_code.is_empty() || row.person_code == person_code;
        Ok(rows.iter().filter(wanted).cloned().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_erased_name_is_gone_from_the_disk_and_can_still_be_proved() {
        let folder = tempfile::tempdir().unwrap();
        let people = People::open(folder.path());
        people.set("p-1", "Ada Example", "extension 12").unwrap();
        people.set("p-2", "Bo Example", "").unwrap();
        people.set("p-1", "Ada Example", "extension 12").unwrap();
        people.erase("p-1", 5, "qa", "left the house").unwrap();
        let again = People::open(folder.path());
        let kept = again.list("p-1").unwrap();
        assert_eq!(kept.len(), 1);
        assert_eq!((kept[0].name.as_str(), kept[0].contact.as_str()), ("", ""));
        assert_eq!(kept[0].erased, Some((5, "qa".into(), "left the house".into())));
        assert!(kept[0].matches("Ada Example", "extension 12") && !kept[0].matches("Ada Exampl", "eextension 12"));
        for file in std::fs::read_dir(folder.path()).unwrap() {
            let text = std::fs::read_to_string(file.unwrap().path()).unwrap();
            assert!(!text.contains("Ada") && text.contains("Bo Example"), "{text}");
        }
        // New details of the same person stand beside what was erased.
        again.set("p-1", "Ada Example-New", "").unwrap();
        assert_eq!(People::open(folder.path()).list("p-1").unwrap().len(), 2);
        assert!(matches!(again.erase("p-9", 6, "qa", "x"), Err(PeopleError::NotKept(_))));
    }

    #[test]
    fn only_the_owner_reads_names() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        People::open(folder.path()).set("p-1", "Ada Example", "").unwrap();
        let mode = folder.path().join("people").metadata().unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }

    #[test]
    fn a_damaged_file_is_told_and_left_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("people");
        People::open(folder.path()).set("p-1", "Ada Example", "").unwrap();
        let mut bytes = std::fs::read(&path).unwrap();
        for place in 0..bytes.len() - 1 {
            bytes[place] ^= 1;
            std::fs::write(&path, &bytes).unwrap();
            let people = People::open(folder.path());
            assert!(matches!(people.list(""), Err(PeopleError::Damaged(_))), "byte {place}");
            assert!(people.set("p-2", "Bo", "").is_err());
            assert_eq!(std::fs::read(&path).unwrap(), bytes);
            bytes[place] ^= 1;
        }
    }
}
