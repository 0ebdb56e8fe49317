//! Arrivals and bulk bags on the command line.

use clap::Subcommand;

use super::choices::*;
use crate::command::common_args::PageArgs;
use crate::mass::parse as mass;

/// Intakes.
#[derive(Subcommand)]
pub enum IntakeTask {
    /// Record bags that arrived; each --bag is TAG:LOT:TYPE[:GROSS[:NET[:NUMBER]]].
    Record {
        /// Our code of the intake.
        code: String,
        /// Supplier; left out for our own works.
        #[arg(long, default_value = "")]
        supplier: String,
        /// Their note.
        #[arg(long, default_value = "")]
        note: String,
        /// Vehicle.
        #[arg(long, default_value = "")]
        vehicle: String,
        /// Seal.
        #[arg(long, default_value = "")]
        seal: String,
        /// Where the bags were put.
        #[arg(long, default_value = "")]
        location: String,
        /// A bag: TAG:LOT:TYPE[:GROSS[:NET[:NUMBER]]]; masses may be left empty, NUMBER is the bag's own.
        #[arg(long = "bag", required = true)]
        bags: Vec<String>,
        /// Tags of bags that were not accepted.
        #[arg(long = "refused")]
        refused: Vec<String>,
    },
    /// Book the bags of another party's despatch advice or visibility events, with lots that are not on record yet.
    Book(super::document_args::BookArgs),
    /// List intakes.
    List(PageArgs),
}

/// Bags.
#[derive(Subcommand)]
pub enum BagTask {
    /// Show one bag and what happened to it.
    Show {
        /// Bag.
        bag: String,
    },
    /// List bags.
    List {
        /// Only of this lot.
        #[arg(long, default_value = "")]
        lot: String,
        #[command(flatten)]
        page: PageArgs,
    },
    /// Record a bag filled and weighed here.
    Fill {
        /// Bag.
        bag: String,
        /// Lot.
        #[arg(long, default_value = "", required_unless_present = "rework")]
        lot: String,
        /// Rework: packs it was collected from, RUN:FIRST-LAST, as narrow as is known.
        #[arg(long)]
        rework: Vec<String>,
        /// Type of the bag.
        #[arg(long)]
        fibc: String,
        /// Number sewn on the bag, when it has one.
        #[arg(long, default_value = "")]
        numbered: String,
        /// Packaging lot of the liner that was put in.
        #[arg(long, default_value = "")]
        liner: String,
        /// Scale.
        #[arg(long)]
        scale: String,
        /// Gross mass.
        #[arg(long, value_parser = mass)]
        gross: i64,
        /// Tare; the type's when left out.
        #[arg(long, value_parser = mass)]
        tare: Option<i64>,
        /// Where it stands.
        #[arg(long, default_value = "")]
        location: String,
        /// Which filling of this bag it is.
        #[arg(long, default_value_t = 1)]
        trip: i64,
    },
    /// Record a weighing.
    Weigh {
        /// Bag.
        bag: String,
        /// Scale.
        #[arg(long)]
        scale: String,
        /// Gross mass.
        #[arg(long, value_parser = mass)]
        gross: i64,
        /// Tare.
        #[arg(long, value_parser = mass)]
        tare: Option<i64>,
    },
    /// Record product lost from a bag before tipping.
    Loss {
        /// Bag.
        bag: String,
        /// Mass.
        #[arg(long, value_parser = mass)]
        mass: i64,
        /// Why.
        #[arg(long, value_enum)]
        reason: Reason,
        /// Where it went.
        #[arg(long, value_enum)]
        to: Destination,
    },
    /// Record what stayed in an emptied bag.
    Residue {
        /// Bag.
        bag: String,
        /// Mass.
        #[arg(long, value_parser = mass)]
        mass: i64,
    },
}
