//! Who may say anything: a person, or a thing that sends by itself, of this site.
//!
//! An entry names who made it for ever. A code that nobody registered names nobody, so it is refused; a slip of the pen in a
//! code would otherwise stand under an entry like a person. Before the site has its first person anything goes, so that
//! whoever sets it up can register themselves. What is known now counts, not what was known when the action was done: the new
//! colleague is registered after their first shift. Of things, those that send by themselves are taken: instruments, scales,
//! machines and hoists; a device that is none of these is registered as a person of the role device.

use crate::fact::finding;
use crate::key;
use crate::record::Record;
use crate::refusal::Refusal;

/// Kinds of register items that may be the actor of an entry.
const KINDS: [&str; 5] = ["person", "instrument", "machine", "scale", "hoist"];

/// Refuses an actor that is not on record, once the site has a person. One look-up for a person.
///
/// # Errors
/// [`Refusal::Forbidden`] with `ACTOR_UNKNOWN`, or an unreadable record.
pub fn on_record(record: &dyn Record, actor_code: &str) -> Result<(), Refusal> {
    // Rows of a file are looked through before its sender is: then there is no code.
    if actor_code.is_empty() {
        return Ok(());
    }
    for kind in KINDS {
        if !record.standing(&key::register(kind, actor_code))?.is_empty() {
            return Ok(());
        }
    }
    if record.keys("register/person/")?.is_empty() {
        return Ok(());
    }
    let text = format!(
        "actor {actor_code} is not on record; give the code of a registered person or device, or have somebody who is on \
         record register {actor_code} first (packloft register person)"
    );
    Err(Refusal::impossible(finding("ACTOR_UNKNOWN", actor_code, text, 0, 0)))
}
