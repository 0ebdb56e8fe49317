//! Words that arguments may take; their numbers are those of the API.

use clap::ValueEnum;

/// Which way a lift goes.
#[derive(Clone, Copy, ValueEnum)]
pub enum Direction {
    /// Up.
    Up = 1,
    /// Down.
    Down = 2,
    /// Across.
    Across = 3,
}

/// Why product left.
#[derive(Clone, Copy, ValueEnum)]
pub enum Reason {
    /// Rejected packs.
    Reject = 1,
    /// Samples.
    Sample = 2,
    /// Sweepings.
    Sweepings = 3,
    /// Sieve oversize.
    SieveOversize = 4,
    /// Dust filter.
    DustFilter = 5,
    /// Purge.
    Purge = 6,
    /// Burst.
    Burst = 7,
}

/// Where it went.
#[derive(Clone, Copy, ValueEnum)]
pub enum Destination {
    /// Rework.
    Rework = 1,
    /// Remelt.
    Remelt = 2,
    /// Animal feed.
    Feed = 3,
    /// Waste.
    Waste = 4,
    /// Laboratory.
    Laboratory = 5,
    /// Back into the hopper.
    Hopper = 6,
}

/// What a loss was taken from.
#[derive(Clone, Copy, ValueEnum)]
pub enum Source {
    /// Filled packs.
    Packs = 1,
    /// Product that made no pack.
    Stream = 2,
}

/// What was weighed.
#[derive(Clone, Copy, ValueEnum)]
pub enum Point {
    /// All filled packs.
    BeforeRejecter = 1,
    /// Accepted packs.
    Accepted = 2,
    /// Rejected packs.
    Rejected = 3,
}

/// What kind of danger.
#[derive(Clone, Copy, ValueEnum)]
pub enum Hazard {
    /// Spreads evenly.
    Spreading = 1,
    /// Metal, glass, plastic, pest.
    Discrete = 2,
}

/// Kinds of registered items.
#[derive(Clone, Copy, ValueEnum)]
pub enum ItemKind {
    /// A bulk product.
    Material,
    /// A retail product.
    Product,
    /// A feed.
    Feed,
    /// A packing machine.
    Machine,
    /// A hoist.
    Hoist,
    /// Gear below the hook.
    Gear,
    /// A type of bulk bag.
    Fibc,
    /// A bulk bag with a number of its own.
    NumberedFibc,
    /// A scale.
    Scale,
    /// An instrument that weighs packs.
    Instrument,
    /// Limits for a material.
    LimitSet,
    /// A point where product is checked.
    CheckPoint,
    /// A location.
    Location,
    /// A platform.
    Platform,
    /// A supplier.
    Supplier,
    /// A person.
    Person,
    /// A reason for stops.
    StopReason,
    /// Consignee.
    Consignee,
    /// Packaging lot.
    Packaging,
}
