//! Arguments of traces, kept apart since every later part adds to them.

use clap::{Args, Subcommand};

/// Traces.
#[derive(Subcommand)]
pub enum TraceTask {
    /// What a pack may hold: by run and number, or by batch code and printed time.
    Pack {
        /// Run.
        #[arg(long, default_value = "", requires = "number")]
        run: String,
        /// Pack number.
        #[arg(long, default_value_t = 0)]
        number: i64,
        /// Batch code.
        #[arg(long, default_value = "")]
        batch: String,
        /// What is printed of the local time: all of it, "YYYY-MM-DD HH", "YYYY-MM-DD", "HH:MM", or nothing.
        #[arg(long, default_value = "")]
        printed: String,
        #[command(flatten)]
        settings: TraceArgs,
    },
    /// Which packs may hold product of a bag.
    Bag {
        /// Bag.
        bag: String,
        #[command(flatten)]
        settings: TraceArgs,
    },
    /// Which packs may hold product of a lot, where they are and who has them.
    Lot {
        /// Lot.
        lot: String,
        #[command(flatten)]
        settings: TraceArgs,
    },
    /// What may be in a pallet, and where it went.
    Pallet {
        /// Pallet.
        sscc: String,
        #[command(flatten)]
        settings: TraceArgs,
    },
    /// What may be in the pallets of a consignment.
    Consignment {
        /// Consignment.
        consignment: String,
    },
    /// Which packs may be in packaging of a lot, where they are and who has them.
    Packaging {
        /// Packaging lot.
        lot: String,
    },
}

/// Settings of a trace.
#[derive(Args)]
pub struct TraceArgs {
    /// Share from which a bag is possible; 0 means 0.001.
    #[arg(long, default_value_t = 0.0)]
    pub epsilon: f64,
    /// Coverage factor; 0 means 2.
    #[arg(long, default_value_t = 0.0)]
    pub coverage: f64,
}
