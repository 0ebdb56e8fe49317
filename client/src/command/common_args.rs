//! Arguments that several commands take.

use crate::mass::parse as mass;
use crate::v1;
use clap::Args;

use crate::command::choices::Direction;

/// A lift.
#[derive(Args)]
pub struct LiftArgs {
    /// Bags.
    #[arg(required = true)]
    pub bags: Vec<String>,
    /// Hoist.
    #[arg(long)]
    pub hoist: String,
    /// Gear from the hook downwards: CODE, CODE@DEGREES-FROM-VERTICAL, or CODE@HEIGHTxREACH in millimetres; several with
    /// commas between for unequal legs.
    #[arg(long = "gear")]
    pub gear: Vec<String>,
    /// Which way.
    #[arg(long = "way", value_enum, default_value = "up")]
    pub direction: Direction,
    /// Platform.
    #[arg(long, default_value = "")]
    pub platform: String,
    /// Location it goes to when down or across.
    #[arg(long, default_value = "")]
    pub location: String,
    /// Driver.
    #[arg(long)]
    pub driver: String,
    /// Slinger.
    #[arg(long)]
    pub slinger: String,
    /// Confirmed: all loops on and untwisted.
    #[arg(long)]
    pub loops_on: bool,
    /// Confirmed: bag sound and dry.
    #[arg(long)]
    pub bag_sound: bool,
    /// Confirmed: nobody below.
    #[arg(long)]
    pub nobody_below: bool,
    /// Confirmed: gate shut.
    #[arg(long)]
    pub gate_shut: bool,
    /// Steady reading of the load cell.
    #[arg(long, value_parser = mass)]
    pub load_cell: Option<i64>,
    /// Height travelled in millimetres; the path of the hoist when left out.
    #[arg(long, default_value_t = 0)]
    pub path: i64,
}

/// Counters as read.
#[derive(Args)]
pub struct CounterArgs {
    /// Filled cycles; VALUE, or VALUE@LAST:FIRST after a reset.
    #[arg(long)]
    pub filled: Option<String>,
    /// Accepted packs; VALUE, or VALUE@LAST:FIRST after a reset.
    #[arg(long)]
    pub accepted: Option<String>,
    /// Rejected packs; VALUE, or VALUE@LAST:FIRST after a reset.
    #[arg(long)]
    pub rejected: Option<String>,
    /// Palletised packs; VALUE, or VALUE@LAST:FIRST after a reset.
    #[arg(long)]
    pub palletised: Option<String>,
}

/// Local days that a list is limited to.
#[derive(Args)]
pub struct DayArgs {
    /// From this local day on, YYYY-MM-DD.
    #[arg(long, default_value = "")]
    pub from: String,
    /// Up to this local day.
    #[arg(long, default_value = "")]
    pub to: String,
}

/// A page of a list.
#[derive(Args)]
pub struct PageArgs {
    /// Rows wanted, at most 1000; without it the whole list is told.
    #[arg(long)]
    pub rows: Option<i32>,
    /// Token of the page before.
    #[arg(long, default_value = "")]
    pub page: String,
}

impl PageArgs {
    /// Rows to ask for; 0 for the whole list.
    pub fn size(&self) -> i32 {
        match self.rows {
            None if !self.page.is_empty() => ROWS_OF_PAGE,
            rows => rows.unwrap_or(0),
        }
    }
}

/// Rows of a page that goes on from another.
const ROWS_OF_PAGE: i32 = 100;

/// Reads what entries are about: a kind and a code, e.g. `bulk-bag/B-17`.
///
/// # Errors
/// A kind that there is none of, with those there are.
pub fn object_ref(text: &str) -> Result<v1::ObjectRef, String> {
    let kinds = || (1..).map_while(|number| v1::ObjectKind::try_from(number).ok());
    let said =
        |kind: v1::ObjectKind| kind.as_str_name().trim_start_matches("OBJECT_KIND_").to_lowercase().replace('_', "-");
    let (kind, code) = text.split_once('/').unwrap_or((text, ""));
    match kinds().find(|known| said(*known) == kind) {
        Some(known) if !code.is_empty() => Ok(v1::ObjectRef { kind: known.into(), code: code.into() }),
        _ => Err(format!(
            "must be one of these, a slash and a code: {}",
            kinds().map(said).collect::<Vec<_>>().join(", ")
        )),
    }
}
