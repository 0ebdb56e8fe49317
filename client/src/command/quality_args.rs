//! Arguments of holds, deviations and line checks.

use clap::Subcommand;

use super::choices::Hazard;
use crate::command::common_args::{CounterArgs, PageArgs};

/// Holds.
#[derive(Subcommand)]
pub enum HoldTask {
    /// Place a hold on a lot, a bag or packs.
    Place {
        /// Lot.
        #[arg(long, default_value = "")]
        lot: String,
        /// Bag.
        #[arg(long, default_value = "")]
        bag: String,
        /// Packs: RUN:FIRST-LAST, LAST 0 for open-ended.
        #[arg(long)]
        packs: Option<String>,
        /// Pallet.
        #[arg(long, default_value = "")]
        pallet: String,
        /// Why.
        #[arg(long)]
        reason: String,
        /// What kind of danger.
        #[arg(long, value_enum)]
        hazard: Hazard,
    },
    /// End a hold, as a whole or for what was inspected again (QA).
    End {
        /// Hold.
        hold: String,
        /// Why.
        #[arg(long)]
        reason: String,
        /// Only these packs, inspected again: RUN:FIRST-LAST. The hold goes on for the rest.
        #[arg(long = "packs")]
        intervals: Vec<String>,
        /// Only these pallets, inspected again. The hold goes on for the rest.
        #[arg(long = "pallet")]
        ssccs: Vec<String>,
    },
    /// List holds with what they cover.
    List {
        /// Also ended ones.
        #[arg(long)]
        ended: bool,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// Deviations.
#[derive(Subcommand)]
pub enum DeviationTask {
    /// Close the deviation of an event (QA, not who caused it).
    Close {
        /// Sequence of the event.
        sequence: i64,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// List deviations.
    List {
        /// Also closed ones.
        #[arg(long)]
        closed: bool,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// Discrepancies in the record.
#[derive(Subcommand)]
pub enum DiscrepancyTask {
    /// List those that are open.
    List {
        /// Also resolved ones.
        #[arg(long)]
        resolved: bool,
        #[command(flatten)]
        page: PageArgs,
    },
    /// Resolve those of an event that a correction cannot put right.
    Resolve {
        /// Sequence of the event.
        sequence: i64,
        /// What was found.
        #[arg(long)]
        reason: String,
    },
}

/// Line checks.
#[derive(Subcommand)]
pub enum CheckTask {
    /// Record a line check as it was done; name every test. One that failed places a hold.
    Record {
        /// Check point.
        point: String,
        /// Test that passed: a test piece that was rejected, a criterion that was met.
        #[arg(long)]
        passed: Vec<String>,
        /// Test that failed.
        #[arg(long)]
        failed: Vec<String>,
        /// What was seen or done.
        #[arg(long, default_value = "")]
        text: String,
        #[command(flatten)]
        counters: CounterArgs,
    },
    /// List the checks at a check point, newest first.
    List {
        /// Check point.
        point: String,
        #[command(flatten)]
        page: PageArgs,
    },
    /// How check points stand: newest check, what is due, what no good check has proved yet.
    Plan {
        /// Only those of this machine.
        #[arg(long, default_value = "")]
        machine: String,
    },
}
