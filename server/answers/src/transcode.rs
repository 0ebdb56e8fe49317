//! Stored messages as messages of the API, and back: what each becomes is said in `proto/src/both.rs`.

/// A message as the one that says the same in the other package.
pub fn transcode<'a, A, B: From<&'a A>>(message: &'a A) -> B {
    B::from(message)
}

/// The same for a list.
pub fn transcode_all<'a, A, B: From<&'a A>>(messages: &'a [A]) -> Vec<B> {
    messages.iter().map(B::from).collect()
}
