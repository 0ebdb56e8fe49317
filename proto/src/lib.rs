//! Generated message types: the public API and the stored facts.
//!
//! The two packages never share a message: API messages may grow with their users, stored bytes are for ever.
//! Without the `api` feature only the stored facts are built, which is all the domain may see.

#[cfg(feature = "api")]
mod both;
#[cfg(feature = "api")]
pub mod bounded;
#[cfg(feature = "api")]
pub mod call;
pub mod csv;
#[cfg(feature = "api")]
pub mod durations;
pub mod figures;

/// The stored facts, `packloft.journal.v1`. Times in microseconds, masses in milligrams.
#[allow(clippy::all, missing_docs)]
pub mod journal {
    include!(concat!(env!("OUT_DIR"), "/packloft.journal.v1.rs"));
    /// Descriptor set of the stored facts, for showing them as JSON.
    pub const DESCRIPTOR: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/journal_descriptor.bin"));
}

/// The public API, `packloft.v1`.
#[cfg(feature = "api")]
#[allow(clippy::all, missing_docs)]
pub mod v1 {
    include!(concat!(env!("OUT_DIR"), "/packloft.v1.rs"));
    /// Descriptor set of the API, for reflection.
    pub const DESCRIPTOR: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/api_descriptor.bin"));

    /// Number of `confirmed_implausible`, the same in every request that has it.
    pub const CONFIRMED_NUMBER: u32 = 100;

    /// A request with `confirmed_implausible` set; one without that field stays as it is.
    pub fn confirmed<M: ::prost::Message + Default>(request: &M) -> M {
        let mut bytes = request.encode_to_vec();
        ::prost::encoding::bool::encode(CONFIRMED_NUMBER, &true, &mut bytes);
        M::decode(bytes.as_slice()).unwrap_or_default()
    }
}
