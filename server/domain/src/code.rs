//! Codes people give things: which characters and lengths are taken.
//!
//! A batch code is what GS1 allows behind AI 10 (General Specifications, figure 7.11-1, character set 82, up to 20);
//! the other codes follow the same set so that any of them can be printed in a symbol, up to 40.

/// Longest code of anything but a batch.
pub const CODE_MAX_COUNT: usize = 40;
/// Longest batch code (GS1 AI 10).
pub const BATCH_CODE_MAX_COUNT: usize = 20;

const SET_82: &str = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz";

/// What is wrong with a code, or `None`.
///
/// ```
/// use packloft_domain::code::fault;
/// assert_eq!(fault("B-17", 20), None);
/// assert!(fault("", 20).is_some());
/// assert!(fault("two words", 20).is_some());
/// ```
pub fn fault(code: &str, max_count: usize) -> Option<String> {
    if code.is_empty() {
        return Some("must be given".into());
    }
    if code.chars().count() > max_count {
        return Some(format!("must have at most {max_count} characters"));
    }
    let bad: String = code.chars().filter(|c| !SET_82.contains(*c)).take(3).collect();
    if bad.is_empty() { None } else { Some(format!("has characters outside GS1 set 82: {bad:?}")) }
}
