//! What each kind of entry is: its name, its place among entries of the same instant, the objects it is about, its words, and
//! what undoes it. One declaration a kind, in the file of its trade noun; everything here asks it.
//!
//! A new kind is a message with a new number in `fact.proto`, an `impl Kind` beside its like, and a name in the list below.
//! What is recorded and what is refused is in `rules`, what it makes of objects in `objects`.

mod bag;
mod check;
mod dispatch;
mod feed;
mod hoist;
mod hold;
mod lot;
mod pallet;
mod recall;
mod record;
mod run;
mod setup;
mod store;
mod weighing;

use std::sync::Arc;

use packloft_proto::journal as j;

use crate::fact::*;
use crate::key::{code_of, hold_keys, overload_key};
use crate::time::Zone;

pub use bag::discard_words;
pub use hoist::incident_name;
pub use pallet::disposal_words;

/// One kind of entry.
pub trait Kind {
    /// Name as `ListEvents` shows it; for ever.
    fn name(&self) -> &'static str;

    /// Place among entries of the same instant: emptied, finished, started, set, counted, tipped, lost, the rest. Of a pallet:
    /// built, loaded, taken off, dispatched, back, put right.
    fn rank(&self) -> u8 {
        7
    }

    /// Code or counter value that orders entries of the same instant and rank.
    fn tie(&self) -> (String, i64) {
        (String::new(), 0)
    }

    /// Adds the keys of the objects it is about; the first is the one it belongs to most.
    fn keys(&self, event: &Event, keys: &mut Vec<String>);

    /// Of an entry about many units, leaves the one that the list of `noun` `code` is about.
    fn keep_only(&mut self, _noun: &str, _code: &str) {}

    /// What happened, in one line without its time.
    fn words(&self, _zone: &Zone) -> String {
        self.name().replace('_', " ")
    }

    /// What undoes it where no correction may name it; `None` when it is corrected or withdrawn.
    fn other_way(&self) -> Option<&'static str> {
        None
    }

    /// True when it decided something, so that only quality withdraws it.
    fn decided_by_quality(&self) -> bool {
        false
    }

    /// True when it is withdrawn and never replaced.
    fn only_withdrawn(&self) -> bool {
        false
    }
}

macro_rules! kinds {
    ($($kind:ident)*) => {
        /// The kind of a fact.
        pub fn of(fact: &Fact) -> &dyn Kind {
            match fact {
                Fact::Corrected(f) => &**f,
                $(Fact::$kind(f) => f,)*
            }
        }

        fn of_mut(fact: &mut Fact) -> &mut dyn Kind {
            match fact {
                Fact::Corrected(f) => &mut **f,
                $(Fact::$kind(f) => f,)*
            }
        }

        /// One empty fact of every kind, for whoever must look at each.
        pub fn every() -> Vec<Fact> {
            vec![Fact::Corrected(Box::default()), $(Fact::$kind(<$kind>::default()),)*]
        }
    };
}

// `Corrected` stands in the macro itself: the record keeps it in a box.
kinds! {
    SiteSet
    Registered
    OpeningStockRecorded
    EpochStarted
    ClockCorrected
    LotCreated
    LabResultRecorded
    LotReleased
    LotRejected
    IntakeRecorded
    BulkBagRecorded
    BagWeighed
    BagLossRecorded
    ResidueRecorded
    BagMoved
    FibcInspected
    LiftRecorded
    LiftRefused
    OtherLiftRecorded
    TestLiftRecorded
    ExaminationRecorded
    PreUseCheckRecorded
    OverhaulRecorded
    IncidentRecorded
    RemedyRecorded
    HourCounterRead
    RunStarted
    RunFinished
    RunReleased
    BagTipped
    HopperLevelRecorded
    FeedEmptied
    CountRecorded
    ReadingsRecorded
    LossRecorded
    StopRecorded
    ClockChecked
    RemarkRecorded
    TareRecorded
    AdjustmentRecorded
    LineChecked
    ReelChanged
    SampleRetained
    InspectionRecorded
    CleaningRecorded
    HoldPlaced
    HoldEnded
    DeviationClosed
    DiscrepancyResolved
    PalletBuilt
    PalletWeighed
    UnitsMoved
    PalletSplit
    PalletsMerged
    PalletDisposed
    StockTaken
    FileImported
    LabelPrinted
    LabelScanned
    PalletsExchanged
    OrderEntered
    VehicleLoadOpened
    VehicleChecked
    ConsignmentOpened
    PalletLoaded
    PalletUnloaded
    WeighbridgeRecorded
    VehicleLoadDispatched
    PalletReturned
    DispatchAmended
    ComplaintRecorded
    RecallOpened
    NoticeSent
    NoticeAnswered
    RecoveryRecorded
    RecallClosed
}

/// Name of the kind of a fact, as `ListEvents` shows it.
pub fn kind(fact: &Fact) -> &'static str {
    of(fact).name()
}

/// True for facts of the same kind, registered items of the same register among them: what one method records.
pub fn same_kind(a: &Fact, b: &Fact) -> bool {
    use std::mem::discriminant;
    match (a, b) {
        (Fact::Registered(a), Fact::Registered(b)) => {
            a.item.as_ref().map(discriminant) == b.item.as_ref().map(discriminant)
        }
        _ => discriminant(a) == discriminant(b),
    }
}

/// Total order of facts by what happened, never by when it was recorded.
pub fn history_order(a: &j::Event, b: &j::Event) -> std::cmp::Ordering {
    a.occurred_time_us.cmp(&b.occurred_time_us).then_with(|| {
        let (Some(a_kind), Some(b_kind)) = (a.fact.as_ref().map(of), b.fact.as_ref().map(of)) else {
            return std::cmp::Ordering::Equal;
        };
        (a_kind.rank().cmp(&b_kind.rank()))
            .then_with(|| a_kind.tie().cmp(&b_kind.tie()))
            .then_with(|| a.request_id.cmp(&b.request_id))
    })
}

/// Keys of every object the event is about, without repetition.
///
/// The order is fixed: the first key is the object the fact belongs to most.
pub fn keys_of(event: &Event) -> Vec<String> {
    let mut keys = Vec::new();
    let Some(fact) = &event.fact else { return keys };
    of(fact).keys(event, &mut keys);
    for hold in &event.holds {
        hold_keys(hold, &mut keys);
    }
    let over = event.lifts_over.iter();
    keys.extend(over.filter_map(|over| overload_key(&over.rule, &over.subject, &over.hoist_code)));
    if !event.deviations.is_empty() {
        keys.push("deviations".into());
    }
    if !event.discrepancies.is_empty() {
        keys.push("discrepancies".into());
    }
    let mut seen = std::collections::BTreeSet::new();
    keys.retain(|key| seen.insert(key.clone()));
    keys
}

/// Nouns of lists that keep a part of some facts: one unit of many.
const PARTED: [&str; 5] = ["pallet", "bag", "packaging_lot", "fibc", "stock_takes"];

/// The [compact](crate::fact::compact) fact as the list of one object keeps it: of an entry with many units only the one that the
/// list is about, so that an arrival of two hundred bags is not kept two hundred times whole. Nearly always all lists share one.
pub fn project_for(compact: &Arc<j::Event>, key: &str) -> Arc<j::Event> {
    let Some((noun, code)) = key.split_once('/').filter(|(noun, _)| PARTED.contains(noun)) else {
        return Arc::clone(compact);
    };
    let mut event = (**compact).clone();
    if let Some(fact) = &mut event.fact {
        of_mut(fact).keep_only(noun, &code_of(code));
    }
    if event == **compact { Arc::clone(compact) } else { Arc::new(event) }
}

/// What happened, in one line without its time.
pub fn words(event: &Event, zone: &Zone) -> String {
    event.fact.as_ref().map_or_else(String::new, |fact| of(fact).words(zone))
}

fn counters(rows: &[CounterReading]) -> String {
    rows.iter()
        .map(|row| {
            let place = match row.place() {
                CounterPlace::Accepted => "accepted",
                CounterPlace::Rejected => "rejected",
                CounterPlace::Palletised => "palletised",
                CounterPlace::Filled | CounterPlace::Unspecified => "filled",
            };
            match row.reset_from_value {
                Some(from) => format!("{place} {} (reset after {from})", row.value),
                None if row.reset_assumed => format!("{place} {} (began again)", row.value),
                None => format!("{place} {}", row.value),
            }
        })
        .collect::<Vec<_>>()
        .join(", ")
}

fn named(location_code: &str) -> String {
    if location_code.is_empty() { String::new() } else { format!(" at location {location_code}") }
}

/// Leaves of pallets, bags and packaging lots the one unit that is wanted.
fn only_unit(units: [&mut Vec<String>; 3], noun: &str, code: &str) {
    let nouns = ["pallet", "bag", "packaging_lot"];
    if nouns.contains(&noun) {
        for (codes, own) in units.into_iter().zip(nouns) {
            codes.retain(|known| own == noun && known == code);
        }
    }
}
