//! A stored message as the message of the API that has its shape.

use prost::Message;

/// A message as the one of the same shape in the other package; the test `twins_have_the_same_shape` holds the two together.
pub fn transcode<A: Message, B: Message + Default>(message: &A) -> B {
    B::decode(message.encode_to_vec().as_slice()).unwrap_or_default()
}

/// The same for a list.
pub fn transcode_all<A: Message, B: Message + Default>(messages: &[A]) -> Vec<B> {
    messages.iter().map(transcode).collect()
}
