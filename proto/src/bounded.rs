//! Reads a request only after a guard has looked at its bytes.
//!
//! A message of a megabyte can hold half a million empty rows, each of some hundred bytes once it is read. So whoever
//! serves sets a guard, which sees the bytes of every request before anything is made of them. Without one, and for
//! messages the guard does not know (answers), this is the plain codec.

use std::any::type_name;
use std::marker::PhantomData;
use std::sync::OnceLock;

use prost::Message;
use prost::bytes::{Buf, Bytes};
use tonic::Status;
use tonic::codec::{Codec, DecodeBuf, Decoder};
use tonic_prost::ProstEncoder;

/// What looks at requests before they are read.
#[derive(Clone, Copy, Debug)]
pub struct Guard {
    /// Refuses the bytes of a message of this name, or lets them pass.
    pub look: fn(name: &str, bytes: &[u8]) -> Result<(), Status>,
    /// Status for bytes that are no message of this name.
    pub unreadable: fn(name: &str) -> Status,
}

static GUARD: OnceLock<Guard> = OnceLock::new();

/// Sets the guard of this process; the first one stays.
pub fn set_guard(guard: Guard) {
    let _ = GUARD.set(guard);
}

/// A message of bytes, once the guard has looked at them.
///
/// # Errors
/// What the guard refuses, and bytes that are no such message.
pub fn read<M: Message + Default>(bytes: Bytes) -> Result<M, Status> {
    let name = type_name::<M>().rsplit("::").next().unwrap_or_default();
    if let Some(guard) = GUARD.get() {
        (guard.look)(name, &bytes)?;
    }
    M::decode(bytes).map_err(|fault| match GUARD.get() {
        Some(guard) if name.ends_with("Request") => (guard.unreadable)(name),
        _ => Status::internal(fault.to_string()),
    })
}

/// The codec of methods with streams.
#[derive(Debug, Clone)]
pub struct BoundedCodec<T, U>(PhantomData<(T, U)>);

impl<T, U> Default for BoundedCodec<T, U> {
    fn default() -> Self {
        BoundedCodec(PhantomData)
    }
}

impl<T: Message + Send + 'static, U: Message + Default + Send + 'static> Codec for BoundedCodec<T, U> {
    type Encode = T;
    type Decode = U;
    type Encoder = ProstEncoder<T>;
    type Decoder = BoundedDecoder<U>;

    fn encoder(&mut self) -> Self::Encoder {
        ProstEncoder::default()
    }

    fn decoder(&mut self) -> Self::Decoder {
        BoundedDecoder(PhantomData)
    }
}

/// Decoder behind the guard.
#[derive(Debug, Clone)]
pub struct BoundedDecoder<U>(PhantomData<U>);

impl<U: Message + Default> Decoder for BoundedDecoder<U> {
    type Item = U;
    type Error = Status;

    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<U>, Status> {
        read(buffer.copy_to_bytes(buffer.remaining())).map(Some)
    }
}
