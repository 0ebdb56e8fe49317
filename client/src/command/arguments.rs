//! The command line as data: clap makes help, checks and completions from it.

use crate::mass::parse as mass;
use clap::{Args, Parser, Subcommand};

use crate::show::Output;

pub use super::choices::*;
pub use super::intake_args::*;
pub use super::quality_args::*;
pub use super::store_args::*;
pub use super::trace_args::*;
use crate::command::common_args::CounterArgs;
use crate::command::common_args::LiftArgs;
use crate::command::common_args::{DayArgs, PageArgs, object_ref};
use crate::v1;

/// The record and the arithmetic of a packing house.
///
/// Masses are written with their unit (1000kg, 752.4g), times as `YYYY-MM-DD HH:MM[:SS]` in the site's zone or `now`.
/// Exit codes: 0 done, 1 refused or objected to, 2 wrong command or field, 3 not on record, 4 server not reached (safe
/// to send again), 5 data damaged.
#[derive(Parser)]
#[command(name = "packloft", version, max_term_width = 100)]
pub struct Arguments {
    /// Server to talk to.
    #[arg(long, global = true, env = "PACKLOFT_SERVER", default_value = "http://127.0.0.1:7345")]
    pub server: String,
    /// How answers are shown.
    #[arg(long, global = true, value_enum, default_value_t)]
    pub output: Output,
    /// Ask of the record as it stood at this entry, by its sequence: what was known then.
    #[arg(long, global = true, value_name = "ENTRY", value_parser = clap::value_parser!(u64).range(1..))]
    pub as_of: Option<u64>,
    /// Your code; needed to record anything.
    #[arg(long, global = true, env = "PACKLOFT_ACTOR")]
    pub actor: Option<String>,
    /// When it happened; now when left out.
    #[arg(long = "at", global = true, value_name = "TIME")]
    pub time: Option<String>,
    /// Id of a request that is sent again after a lost answer.
    #[arg(long, global = true, value_name = "UUID")]
    pub request_id: Option<String>,
    /// You looked again at figures that are hardly right, and they are: record them, listed as a discrepancy.
    #[arg(long, global = true)]
    pub confirm: bool,
    /// What to do.
    #[command(subcommand)]
    pub task: Task,
}

/// What to do.
#[derive(Subcommand)]
pub enum Task {
    /// The site's settings.
    #[command(subcommand)]
    Site(SiteTask),
    /// Register an item: its fields as JSON by the API's names, e.g. register hoist '{"code":"H1", ...}'.
    Register {
        /// Kind of item.
        #[arg(value_enum)]
        kind: ItemKind,
        /// The item as JSON, or @FILE.
        item: String,
        /// Newest version you know; refuses when there is a newer one.
        #[arg(long)]
        expected_version: Option<i64>,
    },
    /// List registered items of a kind.
    Registered {
        /// Kind of item.
        #[arg(value_enum)]
        kind: ItemKind,
    },
    /// Arrivals of bulk bags.
    #[command(subcommand)]
    Intake(IntakeTask),
    /// Bulk bags.
    #[command(subcommand)]
    Bag(BagTask),
    /// Lots and laboratory results.
    #[command(subcommand)]
    Lot(LotTask),
    /// Lifts.
    #[command(subcommand)]
    Lift(LiftTask),
    /// Hoists and gear items: may they be used, checks, incidents, remedies.
    #[command(subcommand)]
    Gear(super::gear_args::GearTask),
    /// Hoists over their lives: design life used, hour counter, overhauls, tests.
    #[command(subcommand)]
    Hoist(super::gear_args::HoistTask),
    /// Bulk bags with numbers of their own, over their fillings.
    #[command(subcommand)]
    Fibc(super::gear_args::FibcTask),
    /// Reports of thorough examination.
    Examination(Box<ExaminationArgs>),
    /// Runs.
    #[command(subcommand)]
    Run(RunTask),
    /// Record the emptying of a bag into a feed; --at is its end.
    Tip {
        /// Bag.
        bag: String,
        /// Feed.
        #[arg(long)]
        feed: String,
        /// Start of tipping.
        #[arg(long)]
        start: Option<String>,
        /// Only this much was tipped.
        #[arg(long, value_parser = mass)]
        part: Option<i64>,
        /// Counter of filled cycles at the end, MACHINE=VALUE.
        #[arg(long = "count")]
        counts: Vec<String>,
        /// Seen: the dust extraction ran.
        #[arg(long)]
        extraction: bool,
        /// Seen: the earth connection of the bag was on.
        #[arg(long)]
        earth: bool,
        /// Only ask whether it may be tipped; record nothing.
        #[arg(long)]
        ask: bool,
    },
    /// Feeds: observed level, seen empty, readings at machine rate.
    #[command(subcommand)]
    Feed(FeedTask),
    /// Record counters of a machine.
    Count {
        /// Machine.
        machine: String,
        #[command(flatten)]
        counters: CounterArgs,
    },
    /// Record check weighings; --at is the end of their period.
    Readings(ReadingArgs),
    /// Record product that left the stream; --at is the end of its period.
    Loss(LossArgs),
    /// Record that a machine stood still; --at is the end.
    Stop {
        /// Machine.
        machine: String,
        /// Reason code.
        #[arg(long)]
        reason: String,
        /// Start.
        #[arg(long)]
        start: String,
    },
    /// Record a comparison of a printer's clock with true time.
    Clock {
        /// Machine.
        machine: String,
        /// Printed time minus true time, in seconds.
        #[arg(long, allow_hyphen_values = true)]
        offset_s: f64,
        /// How sure that is, in seconds.
        #[arg(long)]
        tolerance_s: f64,
    },
    /// Record a remark.
    Remark {
        /// Text.
        text: String,
        /// Run.
        #[arg(long, default_value = "")]
        run: String,
        /// Feed.
        #[arg(long, default_value = "")]
        feed: String,
        /// It is a hand-over note.
        #[arg(long)]
        handover: bool,
    },
    /// Holds.
    #[command(subcommand)]
    Hold(HoldTask),
    /// Complaints: what the pack code says, where the pack comes from, others like it.
    #[command(subcommand)]
    Complaint(super::recall_args::ComplaintTask),
    /// Withdrawals, recalls and mock recalls.
    #[command(subcommand)]
    Recall(super::recall_args::RecallTask),
    /// Discrepancies in the record: what does not fit together.
    #[command(subcommand)]
    Discrepancy(DiscrepancyTask),
    /// Line checks: what was checked, what is due, what a failed one covers.
    #[command(subcommand)]
    Check(CheckTask),
    /// Cleaning of machines between products.
    #[command(subcommand)]
    Cleaning(super::cleaning_args::CleaningTask),
    /// Deviations.
    #[command(subcommand)]
    Deviation(DeviationTask),
    /// Pallets.
    #[command(subcommand)]
    Pallet(PalletTask),
    /// The store: moves, stock taking, what stands where.
    #[command(subcommand)]
    Store(StoreTask),
    /// Orders.
    #[command(subcommand)]
    Order(OrderTask),
    /// Vehicle loads: vehicle check, consignments, loading by scan, dispatch, returns.
    #[command(subcommand)]
    Load(LoadTask),
    /// Import a CSV file of bags, orders, locations, consignees or pallets: all of it or nothing.
    Import(ImportArgs),
    /// Record what was there when the record began.
    Opening(OpeningArgs),
    /// Record that packaging of another lot was put on a machine.
    Reel {
        /// Machine.
        machine: String,
        /// Packaging lot.
        #[arg(long)]
        packaging: String,
        /// Packs that what was put on is enough for; as its lot says of a full reel without it.
        #[arg(long, default_value_t = 0)]
        enough_for: i64,
        /// Packs that what was taken off would still have been enough for.
        #[arg(long, default_value_t = 0)]
        left: i64,
    },
    /// Record packs or product kept as a sample.
    Sample {
        /// Code of the sample.
        sample: String,
        /// Run.
        #[arg(long, default_value = "")]
        run: String,
        /// Lot.
        #[arg(long, default_value = "")]
        lot: String,
        /// Packs: COUNT, or COUNT:FIRST-LAST where the numbers were seen.
        #[arg(long, default_value = "0")]
        packs: String,
        /// Where it is kept.
        #[arg(long, default_value = "")]
        location: String,
    },
    /// Trace a pack, a bag, a lot, a pallet, a consignment or a packaging lot.
    #[command(subcommand)]
    Trace(TraceTask),
    /// Packs and yield per bag.
    Yield {
        /// Run.
        #[arg(long, default_value = "")]
        run: String,
        /// Lot.
        #[arg(long, default_value = "")]
        lot: String,
        /// Bag.
        #[arg(long, default_value = "")]
        bag: String,
        /// Feed: its newest clean span, or with --day that working day.
        #[arg(long, default_value = "")]
        feed: String,
        /// Working day, YYYY-MM-DD.
        #[arg(long, default_value = "")]
        day: String,
    },
    /// Mass balance between two anchors.
    Balance {
        /// Feed: its newest closed span, or the one that holds --at, or with --day all of that day.
        #[arg(long, default_value = "")]
        feed: String,
        /// Run.
        #[arg(long, default_value = "")]
        run: String,
        /// Lot.
        #[arg(long, default_value = "")]
        lot: String,
        /// Working day, YYYY-MM-DD.
        #[arg(long, default_value = "")]
        day: String,
    },
    /// Mixing figures of a feed from a tracer run, a CSV file with the columns time_s and concentration. Records nothing.
    Mixing {
        /// File.
        file: std::path::PathBuf,
        /// Mass drawn in an hour while it ran, e.g. 2000kg.
        #[arg(long, value_parser = crate::mass::parse)]
        hourly: i64,
        /// What is found without tracer.
        #[arg(long, default_value_t = 0.0)]
        background: f64,
    },
    /// Balances of all spans that ended in a period, added up, with losses, running sum and trend.
    Period {
        /// First working day, YYYY-MM-DD.
        from: String,
        /// Last working day, YYYY-MM-DD.
        to: String,
        /// Feed; all without it.
        #[arg(long, default_value = "")]
        feed: String,
        /// Only spans in which nothing but this product was packed.
        #[arg(long, default_value = "")]
        product: String,
    },
    #[command(flatten)]
    Now(super::now_args::NowTask),
    #[command(flatten)]
    Audit(super::audit_args::AuditTask),
    #[command(flatten)]
    Fill(super::fill_args::FillTask),
    #[command(flatten)]
    Packer(super::packer_args::PackerTask),
    #[command(flatten)]
    Plan(super::plan_args::PlanTask),
    /// Labels, and what a scan holds.
    #[command(subcommand)]
    Label(super::label_args::LabelTask),
    /// Documents for others: papers, despatch advice, visibility events, trace records; and what others' documents say.
    #[command(subcommand)]
    Document(super::document_args::DocumentTask),
    /// The journal: events, corrections, proof.
    #[command(subcommand)]
    Journal(JournalTask),
    /// Completions for a shell.
    Completions {
        /// Shell.
        shell: clap_complete::Shell,
    },
}

/// The site.
#[derive(Subcommand)]
pub enum SiteTask {
    /// Show the settings.
    Show,
    /// Change settings: only those that are given. The first time number, name and zone are needed.
    Set(Box<super::site_args::SiteSetArgs>),
}

/// Lots.
#[derive(Subcommand)]
pub enum LotTask {
    /// Create a lot.
    Create {
        /// Lot.
        lot: String,
        /// Material.
        #[arg(long)]
        material: String,
        /// Supplier.
        #[arg(long, default_value = "")]
        supplier: String,
        /// The supplier's own lot code.
        #[arg(long, default_value = "")]
        supplier_lot: String,
    },
    /// Show a lot.
    Show {
        /// Lot.
        lot: String,
    },
    /// List lots.
    List(PageArgs),
    /// Record a laboratory result.
    Result {
        /// Lot.
        lot: String,
        /// What was measured.
        #[arg(long)]
        property: String,
        /// Decimal.
        #[arg(long, allow_hyphen_values = true)]
        value: String,
        /// Unit.
        #[arg(long)]
        unit: String,
        /// Method.
        #[arg(long, default_value = "")]
        method: String,
        /// Sample.
        #[arg(long, default_value = "")]
        sample: String,
        /// Laboratory that measured it; a certificate needs it.
        #[arg(long, default_value = "")]
        laboratory: String,
    },
    /// How a lot stands against the plant's limits and published ones.
    Grade {
        /// Lot.
        lot: String,
    },
    /// Release a lot (QA).
    Release {
        /// Lot.
        lot: String,
        /// Why.
        #[arg(long)]
        reason: String,
        /// Concession.
        #[arg(long, default_value = "")]
        concession: String,
    },
    /// Reject a lot and hold all that may contain it (QA).
    Reject {
        /// Lot.
        lot: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
}

/// Lifts.
#[derive(Subcommand)]
pub enum LiftTask {
    /// Say everything the records hold against a lift; writes nothing, exit code 1 with reasons.
    Check(LiftArgs),
    /// Record a lift that was done, with its deviations.
    Record(LiftArgs),
    /// Record that a lift was refused and not done.
    Refuse {
        #[command(flatten)]
        lift: LiftArgs,
        /// Why; not needed when the records speak against it.
        #[arg(long, default_value = "")]
        why: String,
    },
    /// List lifts.
    List {
        /// Only of this hoist.
        #[arg(long, default_value = "")]
        hoist: String,
        #[command(flatten)]
        days: DayArgs,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// An examination.
#[derive(Args)]
pub struct ExaminationArgs {
    /// Report.
    pub report: String,
    /// Hoist examined.
    #[arg(long, default_value = "")]
    pub hoist: String,
    /// Gear item examined.
    #[arg(long, default_value = "")]
    pub gear: String,
    /// Day of the examination, YYYY-MM-DD.
    #[arg(long)]
    pub date: String,
    /// Next latest date, YYYY-MM-DD.
    #[arg(long, default_value = "")]
    pub next: String,
    /// Who examined.
    #[arg(long)]
    pub examiner: String,
    /// A defect: immediate:TEXT, remedy:DATE:TEXT or observation:TEXT.
    #[arg(long = "defect")]
    pub defects: Vec<String>,
    /// Kind of examination, e.g. periodic, after an incident.
    #[arg(long, default_value = "")]
    pub kind: String,
    /// For whom it was examined.
    #[arg(long, default_value = "")]
    pub owner: String,
    /// Where.
    #[arg(long, default_value = "")]
    pub place: String,
    /// What identifies the item.
    #[arg(long, default_value = "")]
    pub identification: String,
    /// Date of manufacture, YYYY-MM-DD.
    #[arg(long, default_value = "")]
    pub made: String,
    /// Day of the examination before.
    #[arg(long, default_value = "")]
    pub last: String,
    /// Safe working load of a configuration: MASS:TEXT, e.g. 1250kg:"one fall".
    #[arg(long = "rating")]
    pub ratings: Vec<String>,
    /// Repairs.
    #[arg(long, default_value = "")]
    pub repairs: String,
    /// Tests, or that there were none.
    #[arg(long, default_value = "")]
    pub tests: String,
    /// Day of the report.
    #[arg(long, default_value = "")]
    pub report_date: String,
    /// Who authenticated it.
    #[arg(long, default_value = "")]
    pub authenticated_by: String,
}

/// Runs.
#[derive(Subcommand)]
pub enum RunTask {
    /// Start a run.
    Start {
        /// Run.
        run: String,
        /// Machine.
        #[arg(long)]
        machine: String,
        /// Product.
        #[arg(long)]
        product: String,
        /// Batch code printed on the packs.
        #[arg(long)]
        batch: String,
        /// Artwork, product, code and date were checked.
        #[arg(long)]
        line_check_done: bool,
        /// It was started anyway: record it with its deviations; says why.
        #[arg(long, default_value = "")]
        already_done: String,
        #[command(flatten)]
        counters: CounterArgs,
    },
    /// Record that a run was finished.
    Finish {
        /// Run.
        run: String,
        #[command(flatten)]
        counters: CounterArgs,
    },
    /// Show a run.
    Show {
        /// Run.
        run: String,
    },
    /// List runs.
    List {
        /// Only of this machine.
        #[arg(long, default_value = "")]
        machine: String,
        #[command(flatten)]
        days: DayArgs,
        #[command(flatten)]
        page: PageArgs,
    },
    /// Release a run (QA), where the product asks for it.
    Release {
        /// Run.
        run: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
}

/// Feeds.
#[derive(Subcommand)]
pub enum FeedTask {
    /// Record an observed content.
    Level {
        /// Feed.
        feed: String,
        /// Content.
        #[arg(long, value_parser = mass)]
        content: i64,
        /// Standard uncertainty.
        #[arg(long, value_parser = mass)]
        uncertainty: i64,
    },
    /// Feed readings at machine rate from a file, standard input or a socket to the server, each exactly once.
    Readings(Box<super::feed::FeedArgs>),
    /// Record that it was seen empty and clean.
    Emptied {
        /// Feed.
        feed: String,
    },
}

/// Check weighings.
#[derive(Args)]
pub struct ReadingArgs {
    /// Machine.
    pub machine: String,
    /// Instrument.
    #[arg(long)]
    pub instrument: String,
    /// Readings, e.g. 1003.2g 1001.9g.
    #[arg(value_parser = mass, required = true)]
    pub masses: Vec<i64>,
    /// Start of their period.
    #[arg(long)]
    pub start: String,
    /// Tare taken off; readings are gross when given, net when not.
    #[arg(long, value_parser = mass)]
    pub tare: Option<i64>,
    /// What was weighed.
    #[arg(long, value_enum, default_value = "accepted")]
    pub point: Point,
    /// Check point whose control sample they are; a bad one holds all packs since the good one before.
    #[arg(long, default_value = "")]
    pub check_point: String,
    /// Product of the control sample, when no run is on record then.
    #[arg(long, default_value = "")]
    pub product: String,
}

/// A loss.
#[derive(Args)]
pub struct LossArgs {
    /// Feed.
    pub feed: String,
    /// Machine.
    #[arg(long, default_value = "")]
    pub machine: String,
    /// Mass.
    #[arg(long, value_parser = mass)]
    pub mass: i64,
    /// Why.
    #[arg(long, value_enum)]
    pub reason: Reason,
    /// Where it went.
    #[arg(long, value_enum)]
    pub to: Destination,
    /// What it was taken from.
    #[arg(long, value_enum)]
    pub from: Source,
    /// Start of its period.
    #[arg(long)]
    pub start: Option<String>,
    /// Standard uncertainty of the mass.
    #[arg(long, value_parser = mass, default_value = "0kg")]
    pub uncertainty: i64,
    /// Number of packs, when it was packs.
    #[arg(long, default_value_t = 0)]
    pub packs: i64,
}

/// The journal.
#[derive(Subcommand)]
pub enum JournalTask {
    /// List events.
    Events {
        /// First sequence.
        #[arg(long, default_value_t = 1)]
        from: i64,
        /// Only about this, e.g. bulk-bag/B-17, pallet/SSCC, hoist/H1, entry/252.
        #[arg(long, value_parser = object_ref)]
        about: Option<v1::ObjectRef>,
        #[command(flatten)]
        page: PageArgs,
    },
    /// The newest sequence, and whether writes are taken.
    Latest,
    /// Check the whole journal, fold it again and compare the views.
    Verify,
    /// Say that the server's clock is right, after comparing it with another.
    ConfirmClock {
        /// What it said when you looked (journal latest shows it), e.g. '2026-10-06 09:30'.
        seen: String,
        /// How it was compared.
        #[arg(long, default_value = "")]
        remark: String,
    },
    /// Void a fact.
    Void {
        /// Sequence.
        sequence: i64,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// Replace a fact; the replacement as JSON of CorrectRequest, e.g. '{"tip": {...}}', or @FILE.
    Replace {
        /// Sequence.
        sequence: i64,
        /// Why.
        #[arg(long)]
        reason: String,
        /// The replacement.
        replacement: String,
    },
}
