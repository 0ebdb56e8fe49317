//! What a trace answered, whatever was asked.

use packloft_proto::v1;

/// What was found, as the API answered it.
pub enum Answer {
    /// Packs by number or print.
    Packs(v1::TracePackResponse),
    /// A lot.
    Lot(v1::TraceLotResponse),
    /// A bag.
    Bag(v1::TraceBulkBagResponse),
    /// A pallet.
    Pallet(Box<v1::TracePalletResponse>),
    /// A consignment.
    Consignment(v1::TraceConsignmentResponse),
    /// A packaging lot.
    Packaging(v1::TracePackagingLotResponse),
    /// Several things have the code, or it needs a number or time besides.
    Choose(Vec<v1::FoundCode>),
    /// Nothing was asked.
    Nothing,
}
