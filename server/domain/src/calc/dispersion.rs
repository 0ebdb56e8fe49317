//! Dispersion: how many batches a lot went into, how many lots are in a batch, and how much one bad lot would drag along.
//!
//! With one level between lots and batches the downward and the upward dispersion both sum to the number of links, so the
//! dispersion of the system is twice that. The recall mass of a lot is that of all batches it may be in; the worst and the
//! mean over the lots say how a house is placed before anything happens.
//!
//! Source: definitions after Dupuy, Botta-Genoulaz and Guinet (2005), worst and mean recall mass in idea after Dabbene and
//! Gay (2011), both from memory; the figures of the example are our own and worked by hand.

use std::collections::{BTreeMap, BTreeSet};

/// Links between lots and batches, and what they come to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Dispersion {
    /// Batches of each lot.
    pub downward: BTreeMap<String, BTreeSet<String>>,
    /// Lots of each batch.
    pub upward: BTreeMap<String, BTreeSet<String>>,
    /// Links.
    pub link_count: usize,
    /// Mass of all batches that may hold each lot.
    pub recall_mass_mg: BTreeMap<String, i64>,
}

/// Worst and mean of recall masses.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Exposure {
    /// Greatest; the first by code of equal ones.
    pub worst_mass_mg: i64,
    /// Lot it is of; empty without lots.
    pub worst_lot_code: String,
    /// Mean over the lots, rounded towards zero; 0 without lots.
    pub mean_mass_mg: i64,
}

impl Dispersion {
    /// From the batches each lot may be in (a lot may be in none) and the mass of each batch.
    ///
    /// ```
    /// use std::collections::{BTreeMap, BTreeSet};
    /// use packloft_domain::calc::dispersion::{Dispersion, exposure};
    /// let batches = |codes: &[&str]| codes.iter().map(|c| c.to_string()).collect::<BTreeSet<_>>();
    /// let links = BTreeMap::from([("A".to_string(), batches(&["P1", "P2"]))]);
    /// let masses = BTreeMap::from([("P1".to_string(), 900), ("P2".to_string(), 900)]);
    /// let found = Dispersion::of(links, &masses);
    /// assert_eq!((found.link_count, found.total()), (2, 4));
    /// assert_eq!(exposure(&found.recall_mass_mg).worst_mass_mg, 1800);
    /// ```
    pub fn of(downward: BTreeMap<String, BTreeSet<String>>, batch_mass_mg: &BTreeMap<String, i64>) -> Dispersion {
        let mut found = Dispersion::default();
        for (lot, batches) in &downward {
            found.link_count += batches.len();
            let mass = batches.iter().filter_map(|batch| batch_mass_mg.get(batch)).sum();
            found.recall_mass_mg.insert(lot.clone(), mass);
            for batch in batches {
                found.upward.entry(batch.clone()).or_default().insert(lot.clone());
            }
        }
        found.downward = downward;
        found
    }

    /// Sum of the downward and the upward dispersion.
    pub fn total(&self) -> usize {
        2 * self.link_count
    }
}

/// Worst and mean of recall masses by lot.
pub fn exposure(recall_mass_mg: &BTreeMap<String, i64>) -> Exposure {
    let mut found = Exposure::default();
    for (lot, mass) in recall_mass_mg {
        if found.worst_lot_code.is_empty() || *mass > found.worst_mass_mg {
            found.worst_mass_mg = *mass;
            found.worst_lot_code.clone_from(lot);
        }
    }
    let count = i128::try_from(recall_mass_mg.len()).unwrap_or(0);
    let sum: i128 = recall_mass_mg.values().map(|mass| i128::from(*mass)).sum();
    found.mean_mass_mg = if count > 0 { i64::try_from(sum / count).unwrap_or(i64::MAX) } else { 0 };
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Own example, worked by hand: three lots of a tonne in four batches.
    #[test]
    fn three_lots_in_four_batches() {
        const KG: i64 = 1_000_000;
        let table = [("A", vec!["P1", "P2"]), ("B", vec!["P1", "P2", "P3"]), ("C", vec!["P3", "P4"])];
        let links = table.into_iter().map(|(lot, batches)| {
            (lot.to_owned(), batches.into_iter().map(str::to_owned).collect::<BTreeSet<String>>())
        });
        let masses = [("P1", 900), ("P2", 900), ("P3", 900), ("P4", 300)];
        let masses = masses.into_iter().map(|(code, kg)| (code.to_owned(), kg * KG)).collect();
        let found = Dispersion::of(links.collect(), &masses);
        assert_eq!((found.link_count, found.total()), (7, 14));
        let upward: Vec<usize> = found.upward.values().map(BTreeSet::len).collect();
        assert_eq!(upward, [2, 2, 2, 1]);
        let recalls: Vec<i64> = found.recall_mass_mg.values().map(|mass| mass / KG).collect();
        assert_eq!(recalls, [1800, 2700, 1200]);
        let exposed = exposure(&found.recall_mass_mg);
        assert_eq!((exposed.worst_lot_code.as_str(), exposed.worst_mass_mg), ("B", 2700 * KG));
        assert_eq!(exposed.mean_mass_mg, 1900 * KG);
    }

    #[test]
    fn nothing_tipped_exposes_nothing() {
        let found = Dispersion::of(BTreeMap::new(), &BTreeMap::new());
        assert_eq!((found.total(), exposure(&found.recall_mass_mg)), (0, Exposure::default()));
    }
}
