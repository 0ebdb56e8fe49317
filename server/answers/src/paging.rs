//! Pages: a token is bound to the question and to the sequence of its first page, so a list read page by page is the
//! list as it stood when the first page was asked for.

use sha2::{Digest, Sha256};

use packloft_domain::refusal::Refusal;

use crate::context::invalid;
use crate::limits::{PAGE_DEFAULT_COUNT, PAGE_MAX_COUNT};

/// A page that is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// Rows wanted.
    pub size: usize,
    /// Rows to pass over.
    pub offset: usize,
    /// Sequence of the first page; `None` on the first.
    pub sequence: Option<u64>,
    question: String,
}

fn question_hash(question: &str) -> String {
    let full: [u8; 32] = Sha256::digest(question.as_bytes()).into();
    full[..6].iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Page {
    /// Reads what a request asks for. `question` names the method and every filter.
    ///
    /// # Errors
    /// `Invalid` for a negative size or a token of another question.
    pub fn read(page_size: i32, page_token: &str, question: &str) -> Result<Page, Refusal> {
        if page_size < 0 {
            return Err(invalid("page_size", format!("is {page_size}; must be 0 to {PAGE_MAX_COUNT}")));
        }
        let size = if page_size == 0 { PAGE_DEFAULT_COUNT } else { i64::from(page_size).min(PAGE_MAX_COUNT) };
        let question = question_hash(question);
        let mut page = Page { size: usize::try_from(size).unwrap_or(1), offset: 0, sequence: None, question };
        if page_token.is_empty() {
            return Ok(page);
        }
        let parts: Vec<&str> = page_token.split('-').collect();
        let read = match parts.as_slice() {
            [hash, sequence, offset] if *hash == page.question => {
                u64::from_str_radix(sequence, 16).ok().zip(usize::from_str_radix(offset, 16).ok())
            }
            _ => None,
        };
        let Some((sequence, offset)) = read else {
            return Err(invalid("page_token", "does not belong to this question; begin again without it"));
        };
        page.sequence = Some(sequence);
        page.offset = offset;
        Ok(page)
    }

    /// Cuts the page out of all rows and gives the token of the next one.
    pub fn cut<T>(&self, rows: Vec<T>, sequence: u64) -> (Vec<T>, String) {
        let more = rows.len() > self.offset.saturating_add(self.size);
        let token = if more { self.token(sequence, self.offset + self.size) } else { String::new() };
        (rows.into_iter().skip(self.offset).take(self.size).collect(), token)
    }

    /// Token of a following page.
    pub fn token(&self, sequence: u64, offset: usize) -> String {
        format!("{}-{sequence:x}-{offset:x}", self.question)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pages_follow_each_other_and_tokens_stay_with_their_question() {
        let rows: Vec<u32> = (0..5).collect();
        let first = Page::read(2, "", "bags lot=L1").unwrap();
        let (page, token) = first.cut(rows.clone(), 9);
        assert_eq!(page, [0, 1]);
        let second = Page::read(2, &token, "bags lot=L1").unwrap();
        assert_eq!(second.sequence, Some(9));
        let (page, token) = second.cut(rows.clone(), 9);
        assert_eq!(page, [2, 3]);
        let (page, end) = Page::read(2, &token, "bags lot=L1").unwrap().cut(rows, 9);
        assert_eq!((page, end.as_str()), (vec![4], ""));
        assert!(Page::read(2, &token, "bags lot=L2").is_err());
        assert!(Page::read(-1, "", "x").is_err());
        assert_eq!(Page::read(5_000, "", "x").unwrap().size, 1_000);
    }
}
