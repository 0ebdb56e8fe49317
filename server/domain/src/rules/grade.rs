//! Grading a lot: its laboratory results against limits, published ones and the plant's own.
//!
//! Values and limits are decimal text in the record and millionths here, so that a value on its limit is on it. Of several
//! results of a property the one of the newest sample counts. A property that was not measured, or in another unit, is
//! missing: it neither passes nor fails, and a release that asks for it is refused.
//!
//! Published limits: Codex CXS 212-1999 and Directive 2001/111/EC with its points. Those of the Codex annex could not be
//! confirmed in print and say so; they grade, but nobody should reject a lot by them alone.

use crate::fact::*;
use crate::key;
use crate::objects::lot::LotFacts;
use crate::objects::register::Register;
use crate::record::{Record, Unreadable};

/// One in millionths.
const ONE: i64 = 1_000_000;

/// A decimal as millionths; `None` for text that is none or finer.
///
/// ```
/// use packloft_domain::rules::grade::millionths;
/// assert_eq!(millionths("0.020"), Some(20_000));
/// assert_eq!(millionths("-1.5"), Some(-1_500_000));
/// assert_eq!(millionths("0.0000001"), None);
/// assert_eq!(millionths("1,5"), None);
/// ```
pub fn millionths(text: &str) -> Option<i64> {
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1_i64, rest),
        None => (1, text),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let part = part.trim_end_matches('0');
    let good = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 9 || part.len() > 6 || !good(whole) || !good(part) {
        return None;
    }
    let value: i64 = format!("{whole}{part:0<6}").parse().ok()?;
    Some(sign.saturating_mul(value))
}

/// Millionths as a decimal without needless zeros.
pub fn decimal(millionths: i64) -> String {
    let text = format!("{}.{:06}", millionths.saturating_abs() / ONE, millionths.saturating_abs() % ONE);
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if millionths < 0 { format!("-{text}") } else { text.to_owned() }
}

/// The one name a property has here, whatever a laboratory calls it.
pub fn property_name(text: &str) -> String {
    let lower = text.trim().to_lowercase();
    match lower.as_str() {
        "loss on drying" | "water" | "moisture" => "moisture".into(),
        "pol" | "polarization" | "polarisation" => "polarisation".into(),
        "invert sugar" | "invert" => "invert".into(),
        "conductivity ash" | "ash" => "ash".into(),
        "colour in solution" | "solution colour" | "color" | "colour" => "colour".into(),
        "so2" | "sulfur dioxide" | "sulphur dioxide" => "sulphur dioxide".into(),
        _ => lower,
    }
}

/// The one name a unit has here.
pub fn unit_name(text: &str) -> String {
    match text.trim() {
        "% m/m" | "g/100g" | "g/100 g" | "%" => "%".into(),
        "IU" | "ICUMSA" | "ICUMSA units" => "IU".into(),
        "°Z" | "degZ" | "Z" => "degZ".into(),
        other => other.to_owned(),
    }
}

/// A limit on a property, both ends included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limit {
    /// Property by its one name.
    pub property: String,
    /// Unit by its one name.
    pub unit: String,
    /// Least, millionths.
    pub low: Option<i64>,
    /// Most, millionths.
    pub high: Option<i64>,
}

impl Limit {
    /// In words: `at most 0.06 %`.
    pub fn words(&self) -> String {
        match (self.low, self.high) {
            (Some(low), Some(high)) => format!("{} to {} {}", decimal(low), decimal(high), self.unit),
            (Some(low), None) => format!("at least {} {}", decimal(low), self.unit),
            (None, Some(high)) => format!("at most {} {}", decimal(high), self.unit),
            (None, None) => "to be measured".into(),
        }
    }

    fn holds(&self, value: i64) -> bool {
        self.low.is_none_or(|low| value >= low) && self.high.is_none_or(|high| value <= high)
    }
}

/// One property held against its limit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Graded {
    /// Property.
    pub property: String,
    /// Value as the laboratory gave it; `None` when it is missing.
    pub value: Option<String>,
    /// Unit.
    pub unit: String,
    /// Limit in words.
    pub limit: String,
    /// Whether it holds; `None` when it is missing.
    pub passed: Option<bool>,
}

/// A lot held against one set of limits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grade {
    /// Code of the set; for published ones their own.
    pub code: String,
    /// Name.
    pub name: String,
    /// Where the limits are from, and whether they could be confirmed.
    pub source: String,
    /// Rows.
    pub rows: Vec<Graded>,
    /// True when a lot of this material needs it for its release.
    pub for_release: bool,
}

impl Grade {
    /// `Some(true)` when every row holds, `Some(false)` when one does not, `None` while one is missing and none fails.
    pub fn passed(&self) -> Option<bool> {
        if self.rows.iter().any(|row| row.passed == Some(false)) {
            return Some(false);
        }
        self.rows.iter().all(|row| row.passed == Some(true)).then_some(true)
    }
}

/// The result of a property that counts: of the newest sample, in this unit.
fn result<'a>(lot: &'a LotFacts, property: &str, unit: &str) -> Option<(&'a LabResultRecorded, i64)> {
    let of =
        lot.results.iter().filter(|(row, _)| property_name(&row.property) == property && unit_name(&row.unit) == unit);
    let newest = of.max_by_key(|(row, at)| if row.sampled_time_us > 0 { row.sampled_time_us } else { *at })?;
    Some((&newest.0, millionths(&newest.0.value)?))
}

fn held(lot: &LotFacts, limit: &Limit) -> Graded {
    let found = result(lot, &limit.property, &limit.unit);
    Graded {
        property: limit.property.clone(),
        value: found.map(|(row, _)| row.value.clone()),
        unit: limit.unit.clone(),
        limit: limit.words(),
        passed: found.map(|(_, value)| limit.holds(value)),
    }
}

const fn at_most(property: &'static str, unit: &'static str, high: i64) -> Published {
    Published { property, unit, low: None, high: Some(high) }
}

const fn at_least(property: &'static str, unit: &'static str, low: i64) -> Published {
    Published { property, unit, low: Some(low), high: None }
}

struct Published {
    property: &'static str,
    unit: &'static str,
    low: Option<i64>,
    high: Option<i64>,
}

const CODEX: &str = "Codex CXS 212-1999; polarisation confirmed, the limits of its annex from memory";
const EU: &str = "Directive 2001/111/EC, Annex, confirmed";

/// Published sets: code, name, source, limits.
const PUBLISHED: [(&str, &str, &str, &[Published]); 4] = [
    (
        "CXS-212-WHITE",
        "white sugar (Codex)",
        CODEX,
        &[
            at_least("polarisation", "degZ", 99_700_000),
            at_most("ash", "%", 40_000),
            at_most("invert", "%", 40_000),
            at_most("moisture", "%", 100_000),
            at_most("colour", "IU", 60_000_000),
        ],
    ),
    (
        "CXS-212-MILL-WHITE",
        "plantation or mill white sugar (Codex)",
        CODEX,
        &[
            at_least("polarisation", "degZ", 99_500_000),
            at_most("ash", "%", 100_000),
            at_most("invert", "%", 100_000),
            at_most("moisture", "%", 100_000),
            at_most("colour", "IU", 150_000_000),
        ],
    ),
    (
        "EU-SEMI-WHITE",
        "semi-white sugar (EU)",
        EU,
        &[
            at_least("polarisation", "degZ", 99_500_000),
            at_most("invert", "%", 100_000),
            at_most("moisture", "%", 100_000),
        ],
    ),
    (
        "EU-WHITE",
        "white sugar (EU)",
        EU,
        &[
            at_least("polarisation", "degZ", 99_700_000),
            at_most("invert", "%", 40_000),
            at_most("moisture", "%", 60_000),
            // 9 points of 0.5 units.
            at_most("colour type", "units", 4_500_000),
        ],
    ),
];

/// Parts of the EU points: property, unit, millionths of a point's step, most points.
const POINTS: [(&str, &str, i64, i64); 3] =
    [("colour type", "units", 500_000, 4), ("ash", "%", 1_800, 6), ("colour", "IU", 7_500_000, 3)];
/// Most points in all.
const POINTS_MAX: i64 = 8;
/// Least common multiple of the steps, so that points add up without rounding.
const COMMON: i128 = 22_500_000;

/// Points of a result in units of 1/COMMON.
fn points(lot: &LotFacts, property: &str, unit: &str, step: i64) -> Option<i128> {
    result(lot, property, unit)
        .map(|(_, value)| i128::from(value).saturating_mul(COMMON.checked_div(i128::from(step)).unwrap_or(0)))
}

/// Points with two decimals, rounded.
fn point_words(points: i128) -> String {
    let hundredths = points.saturating_mul(100).saturating_add(COMMON / 2) / COMMON;
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}

/// The EU's extra-white: as white, and points for colour type, ash and colour in solution.
fn extra_white(lot: &LotFacts, white: &Grade) -> Grade {
    let mut rows: Vec<Graded> = white.rows.iter().filter(|row| row.property != "colour type").cloned().collect();
    let mut sum = Some(0_i128);
    for (property, unit, step, most) in POINTS {
        let found = points(lot, property, unit, step);
        sum = sum.zip(found).map(|(sum, own)| sum.saturating_add(own));
        rows.push(Graded {
            property: property.into(),
            value: found.map(point_words),
            unit: "points".into(),
            limit: format!("at most {most} points"),
            passed: found.map(|own| own <= i128::from(most).saturating_mul(COMMON)),
        });
    }
    rows.push(Graded {
        property: "points in all".into(),
        value: sum.map(point_words),
        unit: "points".into(),
        limit: format!("at most {POINTS_MAX} points"),
        passed: sum.map(|sum| sum <= i128::from(POINTS_MAX).saturating_mul(COMMON)),
    });
    Grade {
        code: "EU-EXTRA-WHITE".into(),
        name: "extra-white sugar (EU)".into(),
        source:
            "Directive 2001/111/EC, Annex; points: 0.5 units of colour type, 0.0018 % ash, 7.5 ICUMSA units, confirmed"
                .into(),
        rows,
        for_release: false,
    }
}

/// A lot against the published limits.
pub fn published(lot: &LotFacts) -> Vec<Grade> {
    let mut grades: Vec<Grade> = PUBLISHED
        .iter()
        .map(|(code, name, source, limits)| Grade {
            code: (*code).into(),
            name: (*name).into(),
            source: (*source).into(),
            rows: limits
                .iter()
                .map(|row| Limit { property: row.property.into(), unit: row.unit.into(), low: row.low, high: row.high })
                .map(|limit| held(lot, &limit))
                .collect(),
            for_release: false,
        })
        .collect();
    if let Some(white) = grades.iter().find(|grade| grade.code == "EU-WHITE").cloned() {
        grades.push(extra_white(lot, &white));
    }
    grades
}

/// A lot against the plant's own sets for its material that are in force at an instant.
pub fn own(record: &dyn Record, lot: &LotFacts, at: i64) -> Result<Vec<Grade>, Unreadable> {
    let mut grades = Vec::new();
    for known in record.keys("register/limit_set/")? {
        let code = key::code_of(&known);
        let Some(set) = Register::at(record, at).limit_set(&code)? else { continue };
        if set.retired || set.material_code != lot.created.material_code {
            continue;
        }
        let limit = |row: &SetLimit| Limit {
            property: property_name(&row.property),
            unit: unit_name(&row.unit),
            low: millionths(&row.low),
            high: millionths(&row.high),
        };
        grades.push(Grade {
            code: set.code.clone(),
            name: set.name.clone(),
            source: set.source.clone(),
            rows: set.limits.iter().map(|row| held(lot, &limit(row))).collect(),
            for_release: set.for_release,
        });
    }
    Ok(grades)
}

/// What speaks against releasing a lot: required results that are missing or out of their limits.
pub fn against_release(record: &dyn Record, lot: &LotFacts, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let code = &lot.created.lot_code;
    let mut found = Vec::new();
    for grade in own(record, lot, at)?.iter().filter(|grade| grade.for_release) {
        for row in &grade.rows {
            let limit = format!("{} of limit set {} ({})", row.property, grade.code, row.limit);
            match (row.passed, &row.value) {
                (None, _) => {
                    let text = format!("lot {code} has no result for {limit}");
                    found.push(finding("RESULT_MISSING", code, text, 0, 0));
                }
                (Some(false), Some(value)) => {
                    let text = format!("lot {code}: {value} {} is outside {limit}", row.unit);
                    found.push(finding("OUT_OF_LIMITS", code, text, millionths(value).unwrap_or(0), 0));
                }
                _ => {}
            }
        }
    }
    Ok(found)
}

/// Keeping quality of raw sugar from its moisture W and polarisation S, in two forms that differ; the form goes with the
/// figure. Not meaningful for white sugar.
#[derive(Clone, Debug, PartialEq)]
pub struct SafetyFactor {
    /// Form as it is written.
    pub form: &'static str,
    /// Figure in millionths, rounded down.
    pub value_ppm: i64,
    /// Verdict in words.
    pub verdict: &'static str,
}

/// Polarisation from which on sugar is no raw sugar: the least of any white sugar in Codex CXS 212-1999.
const WHITE_FROM: i64 = 99_500_000;

/// Both forms; none for white sugar or while one of the two was not measured. Bounds 0.25 and 0.33: a trade reference citing
/// a handbook of cane sugar, not confirmed there.
pub fn safety_factors(lot: &LotFacts) -> Vec<SafetyFactor> {
    let value = |property: &str, unit: &str| result(lot, property, unit).map(|(_, value)| value);
    let (Some(water), Some(pol)) = (value("moisture", "%"), value("polarisation", "degZ")) else { return Vec::new() };
    if pol >= WHITE_FROM || pol <= 0 || water < 0 {
        return Vec::new();
    }
    // On the bound counts as beyond it.
    let verdict = |ppm: i64| match ppm {
        ppm if ppm < 250_000 => "keeps",
        ppm if ppm <= 330_000 => "may not keep",
        _ => "refine at once",
    };
    let factor = |form: &'static str, rest: i64| {
        let ppm = i64::try_from(
            i128::from(water).saturating_mul(i128::from(ONE)).checked_div(i128::from(rest.max(1))).unwrap_or(0),
        )
        .unwrap_or(i64::MAX);
        SafetyFactor { form, value_ppm: ppm, verdict: verdict(ppm) }
    };
    let mut found = vec![factor("W / (100 - S)", ONE.saturating_mul(100).saturating_sub(pol))];
    if 100 * ONE > pol.saturating_add(water) {
        found.push(factor("W / (100 - (S + W))", ONE.saturating_mul(100).saturating_sub(pol).saturating_sub(water)));
    }
    found
}
