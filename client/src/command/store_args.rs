//! Arguments about pallets, store, orders, loads and imports. Wherever a pallet is named, a scan will do.

use clap::{Args, Subcommand, ValueEnum};

use crate::command::common_args::{DayArgs, PageArgs};
use crate::mass::parse as mass;

/// Pallets.
#[derive(Subcommand)]
pub enum PalletTask {
    /// Record a pallet that was built at the line: packs of one run, numbers by the counters.
    Build {
        /// Packs: RUN:COUNT; by hand also RUN:COUNT:FIRST-LAST, several times for several runs.
        #[arg(required = true)]
        packs: Vec<String>,
        /// Stacked by hand instead.
        #[arg(long)]
        by_hand: bool,
        /// Number when the label is on already; the next of the site's when left out.
        #[arg(long, default_value = "")]
        sscc: String,
        /// Where it was put.
        #[arg(long, default_value = "")]
        location: String,
    },
    /// Record a weighing.
    Weigh {
        /// Pallet.
        sscc: String,
        /// Scale.
        #[arg(long)]
        scale: String,
        /// Gross mass.
        #[arg(long, value_parser = mass)]
        gross: i64,
    },
    /// Record that packs were taken off onto a new pallet.
    Split {
        /// Pallet.
        sscc: String,
        /// Packs taken.
        #[arg(long)]
        packs: i64,
        /// Run of the packs, where the pallet holds several.
        #[arg(long, default_value = "")]
        run: String,
        /// Number of the new pallet when its label is on already.
        #[arg(long, default_value = "")]
        new_sscc: String,
        /// Where the new pallet was put.
        #[arg(long, default_value = "")]
        location: String,
    },
    /// Record that pallets were put together as a new one.
    Merge {
        /// Pallets.
        #[arg(required = true, num_args = 2..)]
        ssccs: Vec<String>,
        /// Number of the new pallet when its label is on already.
        #[arg(long, default_value = "")]
        new_sscc: String,
        /// Where it was put.
        #[arg(long, default_value = "")]
        location: String,
    },
    /// Record what became of packs that left without a customer.
    Dispose {
        /// Pallet.
        sscc: String,
        /// Packs; all of them when left out.
        #[arg(long, default_value_t = 0)]
        packs: i64,
        /// What became of them.
        #[arg(long, value_enum)]
        reason: Disposal,
        /// Why, and proof.
        #[arg(long)]
        text: String,
        /// Run of the packs, where the pallet holds several.
        #[arg(long, default_value = "")]
        run: String,
    },
    /// Show one pallet: what is on it, where it is, whether it is free.
    Show {
        /// Pallet.
        sscc: String,
    },
    /// List the pallets in the house, first to go first.
    List {
        /// Only of this product.
        #[arg(long, default_value = "")]
        product: String,
        /// Only at this location.
        #[arg(long, default_value = "")]
        location: String,
        /// Only those that are not free.
        #[arg(long)]
        not_free: bool,
        #[command(flatten)]
        days: DayArgs,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// What became of packs.
#[derive(Clone, Copy, ValueEnum)]
pub enum Disposal {
    /// Opened for rework.
    Rework = 1,
    /// Destroyed.
    Destroyed = 2,
    /// Samples.
    Sample = 3,
    /// Another way.
    Other = 4,
}

/// The store.
#[derive(Subcommand)]
pub enum StoreTask {
    /// Record that units were moved to a location.
    Move {
        /// Where to.
        location: String,
        #[command(flatten)]
        units: UnitArgs,
    },
    /// Record everything seen at a location; says what differs from the record.
    Take {
        /// Location.
        location: String,
        #[command(flatten)]
        units: UnitArgs,
        /// Nothing stands there.
        #[arg(long)]
        empty: bool,
    },
    /// What stands where, now or (with --at) at a past time.
    Stock {
        /// Only at this location.
        #[arg(long, default_value = "")]
        location: String,
        /// Only pallets of this product.
        #[arg(long, default_value = "")]
        product: String,
        /// Only this kind.
        #[arg(long, value_enum)]
        kind: Option<Unit>,
        /// Only bags of this lot and pallets of this batch or run.
        #[arg(long, default_value = "")]
        lot: String,
        /// Only what has been here for so many days or more.
        #[arg(long, default_value_t = 0)]
        older_than: i64,
        /// Only what stood so at the time: by its lots and holds.
        #[arg(long, value_enum)]
        state: Option<StockStateName>,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// How a unit stands.
#[derive(Clone, Copy, clap::ValueEnum)]
pub enum StockStateName {
    /// Its lots are released and no hold stands on it.
    Free = 1,
    /// A hold stands on it.
    Held = 2,
    /// A lot that may be in it is not released.
    NotReleased = 3,
    /// A lot that may be in it is rejected.
    Rejected = 4,
}

/// Units.
#[derive(Args)]
pub struct UnitArgs {
    /// Pallets.
    #[arg(long = "pallet")]
    pub ssccs: Vec<String>,
    /// Bulk bags.
    #[arg(long = "bag")]
    pub bags: Vec<String>,
    /// Packaging lots.
    #[arg(long = "packaging")]
    pub packaging: Vec<String>,
}

/// Kind of unit.
#[derive(Clone, Copy, ValueEnum)]
pub enum Unit {
    /// Bulk bag.
    Bag = 1,
    /// Pallet.
    Pallet = 2,
    /// Packaging lot.
    Packaging = 3,
}

/// Orders.
#[derive(Subcommand)]
pub enum OrderTask {
    /// Enter an order.
    Enter {
        /// Our code.
        order: String,
        /// Consignee.
        #[arg(long)]
        consignee: String,
        /// A line: PRODUCT:PACKS.
        #[arg(long = "line", required = true)]
        lines: Vec<String>,
        /// Wanted on this day, YYYY-MM-DD.
        #[arg(long, default_value = "")]
        due: String,
        /// The consignee's own number.
        #[arg(long, default_value = "")]
        their_order: String,
    },
    /// Enter an order from the consignee's own document (UBL 2.1).
    Book {
        /// Our code.
        order: String,
        /// Their document.
        file: std::path::PathBuf,
    },
    /// Show an order with what went out on it.
    Show {
        /// Order.
        order: String,
    },
    /// List orders.
    List {
        /// Only of this consignee.
        #[arg(long, default_value = "")]
        consignee: String,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// Vehicle loads.
#[derive(Subcommand)]
pub enum LoadTask {
    /// Record empty pallets that changed hands with a consignment.
    Exchange {
        /// Consignment.
        consignment: String,
        /// Kind of pallet, one word for all of a kind.
        #[arg(long, default_value = "flat")]
        kind: String,
        /// Handed over under goods.
        #[arg(long, default_value_t = 0)]
        given: i64,
        /// Taken back empty.
        #[arg(long, default_value_t = 0)]
        taken: i64,
        /// Anything else.
        #[arg(long, default_value = "")]
        text: String,
    },
    /// Open a load for a vehicle.
    Open {
        /// Our code.
        load: String,
        /// Registration.
        #[arg(long)]
        vehicle: String,
        /// Trailer.
        #[arg(long, default_value = "")]
        trailer: String,
        /// Haulier.
        #[arg(long, default_value = "")]
        haulier: String,
        /// Haulier's postal address, for the road consignment note.
        #[arg(long, default_value = "")]
        haulier_address: String,
        /// Driver's code, never a name.
        #[arg(long, default_value = "")]
        driver: String,
        /// Greatest load.
        #[arg(long, value_parser = mass, default_value = "0kg")]
        payload: i64,
        /// Greatest gross mass of the vehicle.
        #[arg(long, value_parser = mass, default_value = "0kg")]
        max_gross: i64,
        /// Pallet spaces.
        #[arg(long, default_value_t = 0)]
        spaces: i64,
    },
    /// Record how the vehicle looked; what is not said counts against it.
    Vehicle {
        /// Load.
        load: String,
        /// Clean inside.
        #[arg(long)]
        clean: bool,
        /// Dry inside.
        #[arg(long)]
        dry: bool,
        /// No odour.
        #[arg(long)]
        no_odour: bool,
        /// Floor sound.
        #[arg(long)]
        floor_sound: bool,
        /// What it carried before.
        #[arg(long)]
        last_load: String,
        /// That may go before food.
        #[arg(long)]
        last_load_suitable: bool,
    },
    /// Open a consignment on a load.
    Consignment {
        /// Our code.
        consignment: String,
        /// Load.
        #[arg(long)]
        load: String,
        /// Consignee.
        #[arg(long)]
        consignee: String,
        /// Order it fills.
        #[arg(long, default_value = "")]
        order: String,
        /// Order of unloading, from 1.
        #[arg(long, default_value_t = 1)]
        drop: i64,
    },
    /// Propose pallets by rotation, with a reason for each one passed over; writes nothing.
    Propose {
        /// Consignment.
        consignment: String,
        /// Product; what the order still needs when left out.
        #[arg(long, default_value = "")]
        product: String,
        /// Packs.
        #[arg(long, default_value_t = 0)]
        packs: i64,
    },
    /// Say everything against loading a pallet; writes nothing, exit code 1 with reasons.
    Check {
        /// Consignment.
        consignment: String,
        /// Pallet.
        sscc: String,
    },
    /// Load pallets by their scans, one after another.
    Add {
        /// Consignment.
        consignment: String,
        /// Pallets.
        #[arg(required = true)]
        ssccs: Vec<String>,
        /// It was loaded although the rules forbid it: why.
        #[arg(long, default_value = "")]
        already_done: String,
    },
    /// Record that a pallet was taken off again.
    Remove {
        /// Pallet.
        sscc: String,
        /// Where it was put.
        #[arg(long, default_value = "")]
        location: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// Record a weighing of the vehicle.
    Weigh {
        /// Load.
        load: String,
        /// Before or after loading.
        #[arg(long, value_enum)]
        pass: Pass,
        /// Gross mass.
        #[arg(long, value_parser = mass)]
        gross: i64,
        /// Number of the ticket.
        #[arg(long, default_value = "")]
        ticket: String,
    },
    /// Dispatch a load.
    Dispatch {
        /// Load.
        load: String,
        /// Seal.
        #[arg(long, default_value = "")]
        seal: String,
        /// It left although the rules forbid it: why.
        #[arg(long, default_value = "")]
        already_done: String,
    },
    /// Record packs that came back; they go on hold.
    Return {
        /// Pallet as it was dispatched.
        sscc: String,
        /// Packs; the whole pallet when left out.
        #[arg(long, default_value_t = 0)]
        packs: i64,
        /// Number of the label on a part that came back.
        #[arg(long, default_value = "")]
        new_sscc: String,
        /// Where it was put.
        #[arg(long, default_value = "")]
        location: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// Say where a dispatched pallet really went, or that one went unseen; the papers stay as issued.
    Amend {
        /// Pallet.
        sscc: String,
        /// Consignment it really went with.
        #[arg(long, default_value = "")]
        consignment: String,
        /// Where it stands when it never left.
        #[arg(long, default_value = "")]
        location: String,
        /// How that is known.
        #[arg(long)]
        reason: String,
    },
    /// Show a load with its consignments and what speaks against dispatching it.
    Show {
        /// Load.
        load: String,
    },
    /// List loads.
    List {
        /// Only those that have not left.
        #[arg(long)]
        open: bool,
        #[command(flatten)]
        days: DayArgs,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// Which weighing.
#[derive(Clone, Copy, ValueEnum)]
pub enum Pass {
    /// Before loading.
    In = 1,
    /// After loading.
    Out = 2,
}

/// What was there when the record began.
#[derive(Args)]
pub struct OpeningArgs {
    /// Feed.
    #[arg(long, default_value = "", requires_all = ["content", "uncertainty"])]
    pub feed: String,
    /// What it held.
    #[arg(long, value_parser = mass)]
    pub content: Option<i64>,
    /// Standard uncertainty of that.
    #[arg(long, value_parser = mass)]
    pub uncertainty: Option<i64>,
    /// Hoist.
    #[arg(long, default_value = "")]
    pub hoist: String,
    /// Design life used before, in hours at full load; 0 for a new one.
    #[arg(long, default_value_t = 0.0)]
    pub used_hours: f64,
    /// Where that figure comes from, e.g. "log book, estimated".
    #[arg(long, default_value = "")]
    pub source: String,
    /// Newest serial of the site's pallet numbers that was used.
    #[arg(long, default_value_t = 0)]
    pub last_serial: i64,
}

/// A file to import.
#[derive(Args)]
pub struct ImportArgs {
    /// CSV file with a header line; comma or semicolon.
    pub file: std::path::PathBuf,
    /// What it holds; told from its columns when left out.
    #[arg(long, value_enum)]
    pub kind: Option<FileKind>,
    /// Only check, record nothing.
    #[arg(long)]
    pub check: bool,
}

/// What a file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum FileKind {
    /// Bulk bags that arrived: tag, lot, type, gross_kg, tare_kg, net_kg, location, intake, supplier, note, time.
    Bags = 1,
    /// Orders, a row a line: order, consignee, product, packs, due, their_order.
    Orders = 2,
    /// Locations: code, name, kind, capacity, rule.
    Locations = 3,
    /// Consignees: code, name, gln, address, min_remaining_days, contact, contact_checked.
    Consignees = 4,
    /// Pallets from before the record: sscc, product, packs, batch, lots, best_before, made, location.
    Pallets = 5,
    /// Bulk bags from before the record: tag, lot, type, gross_kg, tare_kg, net_kg, location.
    OpeningBags = 6,
}
