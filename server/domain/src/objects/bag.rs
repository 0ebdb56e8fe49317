//! What a bulk bag is: what it weighed, what it holds, where it stands, and what became of it.
//!
//! A bag's masses are computed from its facts each time, so a weighing that arrives late corrects every figure that
//! depends on it. The net mass in use is the newest weighing here before the first tip, else what the note declared.

use crate::count::total;
use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};

/// A mass of the bag and how it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct BagMass {
    /// Gross, when known.
    pub gross_mass_mg: Option<i64>,
    /// Tare, when known.
    pub tare_mass_mg: Option<i64>,
    /// Net, when known.
    pub net_mass_mg: Option<i64>,
    /// Scale that weighed it here; empty when declared.
    pub scale_code: String,
    /// When it was weighed or declared.
    pub time_us: i64,
}

/// One emptying of the bag.
#[derive(Clone, Debug, PartialEq)]
pub struct TipFacts {
    /// Journal sequence.
    pub sequence: i64,
    /// Feed it went into.
    pub feed_code: String,
    /// Start as recorded.
    pub start_time_us: Option<i64>,
    /// End.
    pub end_time_us: i64,
    /// Mass that went into the feed; 0 when the bag's mass is not known.
    pub mass_mg: i64,
    /// True when all that was left went in.
    pub whole: bool,
}

/// Where a bag is in its life.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// At a location, which may be unnamed.
    Location(String),
    /// On a platform.
    Platform(String),
    /// Emptied.
    Emptied,
    /// Not accepted at intake.
    Refused,
    /// Not seen at this location when stock was taken.
    Missing(String),
}

/// A bag as its facts tell.
#[derive(Clone, Debug, PartialEq)]
pub struct BagFacts {
    /// Tag.
    pub bag_tag: String,
    /// Lots with shares; none for rework, whose lots follow from its packs.
    pub lots: Vec<LotShare>,
    /// Packs its product was collected from, for rework.
    pub rework: Vec<PackInterval>,
    /// Type.
    pub fibc_type_code: String,
    /// Supplier; empty for our own works.
    pub supplier_code: String,
    /// Intake; empty when filled here.
    pub intake_code: String,
    /// Which filling of the FIBC this is.
    pub trip_number: i64,
    /// The FIBC, when it has a number.
    pub fibc_code: String,
    /// Masses as weighed here, when they were.
    pub weighed: Option<BagMass>,
    /// Masses as declared, when they were.
    pub declared: Option<BagMass>,
    /// Tips in the order they happened.
    pub tips: Vec<TipFacts>,
    /// Newest weighing here, also of a part-tipped bag: what hangs on a hook.
    pub hanging: Option<BagMass>,
    /// Weighings here after the instant it is looked at, as if each had been made then: what was lost in between is added.
    /// Up to the next tip only: what a tip took is no more than told.
    pub weighed_after: Vec<BagMass>,
    /// True when it was not accepted at intake, wherever it is now.
    pub refused: bool,
    /// Losses before tipping: time and mass.
    pub losses: Vec<(i64, i64)>,
    /// Lost since the mass in use was known.
    pub lost_mass_mg: i64,
    /// Residue, when recorded.
    pub residue_mass_mg: Option<i64>,
    /// Where it is.
    pub place: Place,
    /// When it arrived or was filled.
    pub arrived_time_us: i64,
}

impl BagFacts {
    /// Masses in use: weighed here before declared.
    pub fn mass(&self) -> Option<&BagMass> {
        self.weighed.as_ref().or(self.declared.as_ref())
    }

    /// Net mass in use.
    pub fn net_mass_mg(&self) -> Option<i64> {
        self.mass().and_then(|mass| mass.net_mass_mg)
    }

    /// Mass tipped so far.
    pub fn tipped_mass_mg(&self) -> i64 {
        total(self.tips.iter().map(|tip| tip.mass_mg))
    }

    /// True when a tip took all that was left.
    pub fn emptied(&self) -> bool {
        self.tips.iter().any(|tip| tip.whole)
    }

    /// Net that is still in the bag, when the net is known.
    pub fn left_mass_mg(&self) -> Option<i64> {
        let net = self.net_mass_mg()?;
        if self.emptied() {
            return Some(self.residue_mass_mg.unwrap_or(0));
        }
        Some(net.saturating_sub(self.lost_mass_mg).saturating_sub(self.tipped_mass_mg()))
    }

    /// Mass that left the bag after an instant.
    pub fn left_since_mg(&self, time_us: i64) -> i64 {
        let lost: i64 = total(self.losses.iter().filter(|(time, _)| *time > time_us).map(|(_, mass)| mass));
        let tipped: i64 = total(self.tips.iter().filter(|tip| tip.end_time_us > time_us).map(|tip| tip.mass_mg));
        lost.saturating_add(tipped)
    }
}

/// The bag of this tag, or `None` when no fact brought it into being.
pub fn bag(record: &dyn Record, bag_tag: &str) -> Result<Option<BagFacts>, Unreadable> {
    let rows = facts(record, &key::object("bag", bag_tag))?;
    fold(record, &rows, bag_tag, i64::MAX)
}

/// The bag as things stood at an instant; a bag that was recorded only later counts as it arrived.
pub fn bag_at(record: &dyn Record, bag_tag: &str, at_us: i64) -> Result<Option<BagFacts>, Unreadable> {
    as_at(record, &facts(record, &key::object("bag", bag_tag))?, bag_tag, at_us)
}

/// The same from what stands of the bag, read once for many instants.
pub(crate) fn as_at(
    record: &dyn Record,
    rows: &[Entry],
    bag_tag: &str,
    at_us: i64,
) -> Result<Option<BagFacts>, Unreadable> {
    let known: Vec<Entry> = rows.iter().filter(|row| row.event.occurred_time_us <= at_us).cloned().collect();
    let Some(mut bag) = fold(record, &known, bag_tag, at_us)? else { return fold(record, rows, bag_tag, i64::MAX) };
    let (mut lost_mg, mut tare) = (0_i64, bag.mass().and_then(|mass| mass.tare_mass_mg));
    for row in rows.iter().filter(|row| row.event.occurred_time_us > at_us) {
        match &row.event.fact {
            Some(Fact::BagTipped(_)) => break,
            Some(Fact::BagLossRecorded(f)) => lost_mg = lost_mg.saturating_add(f.mass_mg),
            Some(Fact::BagWeighed(f)) => {
                tare = f.tare_mass_mg.or(tare);
                bag.weighed_after.push(BagMass {
                    gross_mass_mg: Some(f.gross_mass_mg.saturating_add(lost_mg)),
                    tare_mass_mg: tare,
                    net_mass_mg: minus(Some(f.gross_mass_mg.saturating_add(lost_mg)), tare),
                    scale_code: f.scale_code.clone(),
                    time_us: row.event.occurred_time_us,
                });
            }
            _ => {}
        }
    }
    Ok(Some(bag))
}

/// The bag as it stood just before a tip of it that ended at an instant.
pub(crate) fn bag_before_tip(record: &dyn Record, bag_tag: &str, at_us: i64) -> Result<Option<BagFacts>, Unreadable> {
    let rows = facts(record, &key::object("bag", bag_tag))?;
    let before = |row: &&Entry| {
        let time_us = row.event.occurred_time_us;
        time_us < at_us || (time_us == at_us && !matches!(row.event.fact, Some(Fact::BagTipped(_))))
    };
    fold(record, &rows.iter().filter(before).cloned().collect::<Vec<_>>(), bag_tag, at_us)
}

/// The bag of this tag; of one that was tipped without an arrival on record what is known of it. Where its product went must be
/// found, held and recalled all the same.
///
/// # Errors
/// When the record cannot be read.
pub fn known(record: &dyn Record, bag_tag: &str) -> Result<Option<BagFacts>, Unreadable> {
    if let Some(found) = bag(record, bag_tag)? {
        return Ok(Some(found));
    }
    Ok(Some(not_arrived(record, bag_tag)?).filter(|bag| !bag.tips.is_empty()))
}

/// What is known of a bag that no fact brought into being: its tips and losses. Its arrival was withdrawn or is not on record yet.
///
/// # Errors
/// When the record cannot be read.
pub fn not_arrived(record: &dyn Record, bag_tag: &str) -> Result<BagFacts, Unreadable> {
    let rows = facts(record, &key::object("bag", bag_tag))?;
    let at = rows.first().map_or(0, |row| row.event.occurred_time_us);
    fold_from(record, unborn(bag_tag, at), &rows, bag_tag, i64::MAX)
}

fn unborn(bag_tag: &str, at: i64) -> BagFacts {
    BagFacts {
        bag_tag: bag_tag.into(),
        lots: Vec::new(),
        rework: Vec::new(),
        fibc_type_code: String::new(),
        supplier_code: String::new(),
        intake_code: String::new(),
        trip_number: 1,
        fibc_code: String::new(),
        weighed: None,
        declared: None,
        tips: Vec::new(),
        hanging: None,
        weighed_after: Vec::new(),
        refused: false,
        losses: Vec::new(),
        lost_mass_mg: 0,
        residue_mass_mg: None,
        place: Place::Location(String::new()),
        arrived_time_us: at,
    }
}

fn minus(gross: Option<i64>, tare: Option<i64>) -> Option<i64> {
    Some(gross?.saturating_sub(tare?))
}

fn declared(bag: &IntakeBag, time_us: i64) -> BagMass {
    let (gross, tare) = (bag.declared_gross_mass_mg, bag.declared_tare_mass_mg);
    let net = bag.declared_net_mass_mg.or(minus(gross, tare));
    BagMass {
        gross_mass_mg: gross.or_else(|| Some(net?.saturating_add(tare?))),
        tare_mass_mg: tare.or_else(|| minus(gross, net)),
        net_mass_mg: net,
        scale_code: String::new(),
        time_us,
    }
}

/// A bag as the fact that brings it into being tells it.
pub(crate) fn birth(row: &Entry, bag_tag: &str) -> Option<BagFacts> {
    let at = row.event.occurred_time_us;
    let empty = |lots: &[LotShare], fibc: &str| BagFacts {
        lots: lots.to_vec(),
        fibc_type_code: fibc.into(),
        ..unborn(bag_tag, at)
    };
    match row.event.fact.as_ref()? {
        Fact::IntakeRecorded(intake) => {
            let bag = intake.bags.iter().find(|b| b.bag_tag == bag_tag)?;
            let place = if bag.refused { Place::Refused } else { Place::Location(intake.location_code.clone()) };
            Some(BagFacts {
                supplier_code: intake.supplier_code.clone(),
                intake_code: intake.intake_code.clone(),
                declared: Some(declared(bag, at)),
                refused: bag.refused,
                fibc_code: bag.fibc_code.clone(),
                place,
                ..empty(&bag.lots, &bag.fibc_type_code)
            })
        }
        Fact::OpeningStockRecorded(stock) => {
            let bag = stock.bags.iter().find(|b| b.bag_tag == bag_tag)?;
            Some(BagFacts {
                declared: Some(declared(bag, at)),
                place: Place::Location(stock.location_code.clone()),
                ..empty(&bag.lots, &bag.fibc_type_code)
            })
        }
        Fact::BulkBagRecorded(f) => Some(BagFacts {
            trip_number: f.trip_number.max(1),
            fibc_code: f.fibc_code.clone(),
            weighed: Some(BagMass {
                gross_mass_mg: Some(f.gross_mass_mg),
                tare_mass_mg: Some(f.tare_mass_mg),
                net_mass_mg: Some(f.gross_mass_mg.saturating_sub(f.tare_mass_mg)),
                scale_code: f.scale_code.clone(),
                time_us: at,
            }),
            place: Place::Location(f.location_code.clone()),
            rework: f.rework_intervals.clone(),
            ..empty(&f.lots, &f.fibc_type_code)
        }),
        _ => None,
    }
}

fn fold(record: &dyn Record, rows: &[Entry], bag_tag: &str, last_us: i64) -> Result<Option<BagFacts>, Unreadable> {
    let Some(born) = rows.iter().find_map(|row| birth(row, bag_tag)) else { return Ok(None) };
    fold_from(record, born, rows, bag_tag, last_us).map(Some)
}

/// Where a bag is that a fact was recorded about: what is done with a missing one finds it.
fn place_after(place: Place, fact: &Fact, bag_tag: &str) -> Place {
    match (fact, place) {
        (Fact::BagMoved(f), _) => Place::Location(f.location_code.clone()),
        (Fact::UnitsMoved(f), _) => Place::Location(f.location_code.clone()),
        (Fact::StockTaken(f), _) if f.bag_tags.iter().any(|tag| tag == bag_tag) => {
            Place::Location(f.location_code.clone())
        }
        (Fact::StockTaken(f), Place::Location(here)) if here == f.location_code => Place::Missing(here),
        (Fact::LiftRecorded(f), _) => match f.direction() {
            LiftDirection::Up => Place::Platform(f.platform_code.clone()),
            _ => Place::Location(f.location_code.clone()),
        },
        (
            Fact::BagWeighed(_) | Fact::BagLossRecorded(_) | Fact::ResidueRecorded(_) | Fact::BagTipped(_),
            Place::Missing(here),
        ) => Place::Location(here),
        (_, place) => place,
    }
}

/// Where the bag is by all facts about it, stock takes that missed it included.
fn place_of(
    record: &dyn Record,
    mut place: Place,
    rows: &[Entry],
    bag_tag: &str,
    last_us: i64,
) -> Result<Place, Unreadable> {
    let mut born = false;
    for (index, row) in rows.iter().enumerate() {
        if let Some(fact) = &row.event.fact {
            place = place_after(place, fact, bag_tag);
        }
        born |= birth(row, bag_tag).is_some();
        if let (true, Place::Location(code)) = (born, &place)
            && super::pallet::missed(record, code, row, rows.get(index.saturating_add(1)), last_us)?
        {
            place = Place::Missing(code.clone());
        }
    }
    Ok(place)
}

fn fold_from(
    record: &dyn Record,
    mut bag: BagFacts,
    rows: &[Entry],
    bag_tag: &str,
    last_us: i64,
) -> Result<BagFacts, Unreadable> {
    let first_tip = rows
        .iter()
        .find(|row| matches!(row.event.fact, Some(Fact::BagTipped(_))))
        .map_or(i64::MAX, |row| row.event.occurred_time_us);
    for row in rows {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::BagWeighed(f)) => {
                let tare = f.tare_mass_mg.or(bag.mass().and_then(|m| m.tare_mass_mg));
                let mass = BagMass {
                    gross_mass_mg: Some(f.gross_mass_mg),
                    tare_mass_mg: tare,
                    net_mass_mg: tare.map(|tare| f.gross_mass_mg.saturating_sub(tare)),
                    scale_code: f.scale_code.clone(),
                    time_us: at,
                };
                bag.hanging = Some(mass.clone());
                // Weighed after the first tip: no new net of what had been in it.
                if at <= first_tip {
                    bag.weighed = Some(mass);
                }
            }
            Some(Fact::BagLossRecorded(f)) => bag.losses.push((at, f.mass_mg)),
            Some(Fact::ResidueRecorded(f)) => bag.residue_mass_mg = Some(f.mass_mg),
            Some(Fact::BagTipped(f)) => bag.tips.push(TipFacts {
                sequence: row.sequence,
                feed_code: f.feed_code.clone(),
                start_time_us: f.start_time_us,
                end_time_us: at,
                mass_mg: f.part_mass_mg.unwrap_or(0),
                whole: f.part_mass_mg.is_none(),
            }),
            _ => {}
        }
    }
    let known_at = bag.mass().map_or(i64::MIN, |mass| mass.time_us);
    bag.lost_mass_mg = total(bag.losses.iter().filter(|(time, _)| *time > known_at).map(|(_, mass)| mass));
    if bag.hanging.is_none() {
        bag.hanging = bag.weighed.clone();
    }
    // All that was left: only known once every part is, since parts may be recorded late.
    let parts: i64 = total(bag.tips.iter().filter(|tip| !tip.whole).map(|tip| tip.mass_mg));
    if let (Some(net), Some(tip)) = (bag.net_mass_mg(), bag.tips.iter_mut().find(|tip| tip.whole)) {
        let residue = bag.residue_mass_mg.unwrap_or(0);
        tip.mass_mg = net.saturating_sub(bag.lost_mass_mg).saturating_sub(parts).saturating_sub(residue).max(0);
    }
    bag.place = if bag.emptied() { Place::Emptied } else { place_of(record, bag.place, rows, bag_tag, last_us)? };
    Ok(bag)
}
