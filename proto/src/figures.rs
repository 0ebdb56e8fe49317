//! What the two figures of a finding are in. It follows from the rule, also for findings that were stored before anybody
//! asked, so it is said here once and never stored.

/// Unit of a finding's figure and limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FigureUnit {
    /// The rule has no figures.
    None,
    /// Milligrams.
    MassMg,
    /// How many: packs, pallets, lifts, trips, legs, places.
    Count,
    /// Which one: number of a pack, serial, counter value, drop, defect.
    Number,
    /// Sequence of an entry.
    Sequence,
    /// Microseconds since 1970.
    TimeUs,
    /// Microseconds that went by.
    DurationUs,
    /// Seconds that went by.
    DurationS,
    /// Days since 1970.
    Day,
    /// Days that are left.
    Days,
    /// Months.
    Months,
    /// Thousandths of a degree.
    AngleMdeg,
    /// Millionths of the unit the quantity is measured in.
    Millionths,
}

/// The id of a rule as it is called now: findings on record keep the id they were stored with.
pub fn called_now(rule: &str) -> &str {
    match rule {
        "BREACH_OPEN" => "DEVIATION_OPEN",
        "BREACH_CLOSED" => "DEVIATION_CLOSED",
        "OWN_BREACH" => "OWN_DEVIATION",
        "LATER_DEED" => "LATER_ACTION",
        "DEED_BEFORE_BUILT" => "ACTION_BEFORE_BUILT",
        "MISHAP" => "INCIDENT",
        other => other,
    }
}

/// What figure and limit of a rule are in.
///
/// Long: one list of rules a unit.
pub fn unit_of(rule: &str) -> FigureUnit {
    match called_now(rule) {
        "OVER_SCALE"
        | "MORE_THAN_BAG_HELD"
        | "PALLET_TOO_HEAVY"
        | "PALLET_MASS"
        | "OVER_CAPACITY"
        | "TEST_LOAD"
        | "OVER_PAYLOAD"
        | "OVER_GROSS"
        | "WEIGHBRIDGE"
        | "LEG_TENSION"
        | "HOOK_LOAD"
        | "GEAR_LIMIT"
        | "POINT_LIMIT"
        | "PLATFORM_LOAD"
        | "FIBC_MARK"
        | "LOAD_CELL_OVER"
        | "LOAD_CELL_DIFFERS"
        | "SLING_RATING"
        | "READING_FAR_FROM_NOMINAL"
        | "LEVEL_MORE_THAN_THERE"
        | "LOSS_MORE_THAN_THERE"
        | "LOSS_FAR_FROM_NOMINAL"
        | "LOSS_HEAVIER_THAN_MADE"
        | "WEIGHED_AFTER_EMPTIED"
        | "LOSS_AFTER_EMPTIED" => FigureUnit::MassMg,
        "UNRECONCILED"
        | "FIBC_TRIPS"
        | "MORE_THAN_MADE"
        | "MORE_THAN_ACCEPTED"
        | "INTERVAL_OVERLAP"
        | "OVER_PATTERN"
        | "TAKEN_BEFORE_LOADED"
        | "MORE_THAN_PALLET_HOLDS"
        | "LIFTS_BEFORE_OPENING"
        | "NOT_ORDERED"
        | "MORE_THAN_ORDERED"
        | "NO_SPACE"
        | "MORE_LIFTS_WERE_OVER"
        | "LEGS_NOT_GIVEN"
        | "POINTS"
        | "PLATFORM_BAGS"
        | "LINER_USED_UP"
        | "RATE_BEYOND_MACHINE"
        | "STOP_WHILE_COUNTING"
        | "LOSS_MORE_THAN_MADE"
        | "MORE_THAN_THERE"
        | "LOCATION_FULL"
        | "PACKS_OUTSIDE_RUN"
        | "OTHER_THAN_PAPERS"
        | "OUTSTANDING"
        | "MORE_THAN_NEEDED" => FigureUnit::Count,
        "NEVER_MADE" | "SERIAL_TAKEN" | "NOT_PROVED" | "COUNTER_BACKWARDS" | "COUNTER_DIGITS" | "DROP_TAKEN"
        | "NO_SUCH_DEFECT" | "IMMEDIATE_DEFECT" | "SSCC_POOL_EMPTY" | "SSCC_POOL_LOW" | "SEQUENCE_GAP" => {
            FigureUnit::Number
        }
        "PALLET_IN_USE" | "LOT_IN_USE" | "RUN_IN_USE" | "LOAD_IN_USE" | "CONSIGNMENT_IN_USE" | "OTHER_RUN_TAKEN"
        | "STILL_HELD" | "DEVIATION_OPEN" => FigureUnit::Sequence,
        "LATER_ACTION"
        | "BUILT_BEFORE_RUN"
        | "ACTION_BEFORE_BUILT"
        | "BACK_BEFORE_LEFT"
        | "REWORK_BEFORE_MADE"
        | "MOVED_BEFORE_BUILT"
        | "FINISH_BEFORE_START"
        | "RUN_OVERLAP"
        | "TIP_BEFORE_ARRIVAL" => FigureUnit::TimeUs,
        "STOP_LONGER_THAN_RUN" => FigureUnit::DurationUs,
        "HOUR_COUNTER_BACKWARDS" => FigureUnit::DurationS,
        "FIBC_TOO_OLD" | "DATE_PAST" => FigureUnit::Day,
        "REMAINING_LIFE" => FigureUnit::Days,
        "FIBC_AGE_UNKNOWN" => FigureUnit::Months,
        "ANGLE_MISSING" | "ANGLE_TOO_FLAT" | "EQUAL_LEGS_ASSUMED" => FigureUnit::AngleMdeg,
        "OUT_OF_LIMITS" => FigureUnit::Millionths,
        _ => FigureUnit::None,
    }
}

#[cfg(feature = "api")]
impl From<FigureUnit> for crate::v1::FigureUnit {
    fn from(unit: FigureUnit) -> Self {
        match unit {
            FigureUnit::None => Self::Unspecified,
            FigureUnit::MassMg => Self::MassMg,
            FigureUnit::Count => Self::Count,
            FigureUnit::Number => Self::Number,
            FigureUnit::Sequence => Self::Sequence,
            FigureUnit::TimeUs => Self::TimeUs,
            FigureUnit::DurationUs => Self::DurationUs,
            FigureUnit::DurationS => Self::DurationS,
            FigureUnit::Day => Self::Day,
            FigureUnit::Days => Self::Days,
            FigureUnit::Months => Self::Months,
            FigureUnit::AngleMdeg => Self::AngleMdeg,
            FigureUnit::Millionths => Self::Millionths,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What was stored under an earlier name is the same rule, with the same unit.
    #[test]
    fn rules_that_were_called_otherwise_have_their_units() {
        for (then, now, unit) in [
            ("BREACH_OPEN", "DEVIATION_OPEN", FigureUnit::Sequence),
            ("LATER_DEED", "LATER_ACTION", FigureUnit::TimeUs),
            ("DEED_BEFORE_BUILT", "ACTION_BEFORE_BUILT", FigureUnit::TimeUs),
            ("HOOK_LOAD", "HOOK_LOAD", FigureUnit::MassMg),
        ] {
            assert_eq!((called_now(then), unit_of(then), unit_of(now)), (now, unit, unit));
        }
    }
}
