//! What a lift is judged by, and what the judgement says.

use crate::fact::*;
use crate::rules::terms::Examined;

/// Caution that goes with every verdict.
pub const CAUTION: &str = "A check of the records, not a safety device. The plate, the limiter, local codes and a \
                           competent person decide. Nobody under the load.";

/// How many days back lifts are looked at for bags that still stand on a platform.
pub const PLATFORM_LOOKBACK_DAYS: i64 = 92;

/// Hoist as known at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct HoistState {
    /// Register state.
    pub hoist: Hoist,
    /// Examinations.
    pub examined: Examined,
}

/// Gear item as known at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct GearState {
    /// Register state.
    pub gear: LiftingGear,
    /// Examinations.
    pub examined: Examined,
    /// Flattest leg from vertical, when given.
    pub angle_mdeg: Option<i64>,
    /// Each leg by itself, when they were given one by one.
    pub legs_mdeg: Vec<i64>,
}

/// Bag as it would hang.
#[derive(Clone, Debug, PartialEq)]
pub struct HangingBag {
    /// Tag.
    pub bag_tag: String,
    /// Gross counted; `None` when not known.
    pub gross_mass_mg: Option<i64>,
    /// Contents counted; `None` when not known.
    pub contents_mass_mg: Option<i64>,
    /// Where the mass comes from.
    pub basis: MassBasis,
    /// In words.
    pub basis_text: String,
    /// Type.
    pub fibc: FibcType,
    /// Greatest gross that weighings after the lift show; `None` when there are none.
    pub later_gross_mg: Option<i64>,
    /// Greatest contents that they show.
    pub later_contents_mg: Option<i64>,
    /// Filling number.
    pub trip_number: i64,
    /// What is wrong with the FIBC, when it has a number.
    pub unsound: Vec<Finding>,
    /// Open holds at that time.
    pub hold_codes: Vec<String>,
    /// True when it was not accepted at intake.
    pub refused: bool,
}

/// Platform with what stands there.
#[derive(Clone, Debug, PartialEq)]
pub struct PlatformState {
    /// Register state.
    pub platform: Platform,
    /// Mass standing there.
    pub standing_mass_mg: i64,
    /// Bags standing there.
    pub standing_count: i64,
    /// Those of them whose mass is not known.
    pub unknown_bag_tags: Vec<String>,
}

/// Everything a verdict depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct Situation {
    /// Hoist.
    pub hoist: HoistState,
    /// Gear from the hook downwards.
    pub gear: Vec<GearState>,
    /// Bags.
    pub bags: Vec<HangingBag>,
    /// Direction.
    pub direction: LiftDirection,
    /// Platform it goes up to.
    pub platform: Option<PlatformState>,
    /// True when it goes to quarantine.
    pub to_quarantine: bool,
    /// Confirmations.
    pub confirmations: LiftConfirmations,
    /// Reasons about driver and slinger.
    pub people: Vec<Finding>,
    /// Load cell, when read.
    pub load_cell_mass_mg: Option<i64>,
}

/// How far one element is used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Utilisation {
    /// Element in words.
    pub element: String,
    /// Load on it.
    pub load_mg: i64,
    /// Its limit.
    pub limit_mg: i64,
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Every reason against.
    pub reasons: Vec<Finding>,
    /// Things to look at that are no reason against.
    pub remarks: Vec<Finding>,
    /// What the figures take for granted: said with them, never kept with a lift.
    pub cautions: Vec<Finding>,
    /// Bags and gear on the hook; unknown masses count nothing and are a reason.
    pub hook_load_mg: i64,
    /// Elements from the hook down.
    pub utilisations: Vec<Utilisation>,
    /// Greatest number of such bags that the loads allow at once: these, lightest first, then more like the heaviest.
    pub max_bag_count: i64,
    /// What limits it.
    pub limited_by: String,
}

impl Utilisation {
    /// Share of the limit that is used, in thousandths, rounded up: what is over never reads as 100 %. Without a limit on
    /// record there is none. Every answer, page and command takes it from here.
    ///
    /// ```
    /// use packloft_domain::rules::lift::situation::Utilisation;
    /// let used = |load_mg, limit_mg| Utilisation { element: String::new(), load_mg, limit_mg }.used_permille();
    /// assert_eq!(used(1_000_000_000, 1_000_000_000), Some(1_000));
    /// assert_eq!(used(1_000_000_001, 1_000_000_000), Some(1_001));
    /// assert_eq!(used(1_197_500_001, 1_000_000_000), Some(1_198));
    /// assert_eq!(used(0, 1), Some(0));
    /// assert_eq!(used(1, 0), None);
    /// ```
    pub fn used_permille(&self) -> Option<i64> {
        let limit = i128::from(self.limit_mg);
        let share = |load: i128| {
            load.saturating_mul(1_000).saturating_add(limit).saturating_sub(1).checked_div(limit).unwrap_or(0)
        };
        (limit > 0).then(|| i64::try_from(share(i128::from(self.load_mg.max(0)))).unwrap_or(i64::MAX))
    }
}

impl Verdict {
    /// The element that is used most; one without a limit on record before any other.
    pub fn weakest(&self) -> Option<&Utilisation> {
        let product = |load: i64, limit: i64| i128::from(load.max(0)).saturating_mul(i128::from(limit.max(0)));
        let more =
            |a: &&Utilisation, b: &&Utilisation| product(a.load_mg, b.limit_mg).cmp(&product(b.load_mg, a.limit_mg));
        let unlimited = self.utilisations.iter().find(|used| used.limit_mg <= 0 && used.load_mg > 0);
        unlimited.or_else(|| self.utilisations.iter().filter(|used| used.limit_mg > 0).max_by(more))
    }
}
