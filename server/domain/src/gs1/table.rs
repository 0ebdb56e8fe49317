//! Application identifiers (AI) a packing house meets: what their values look like, which go together and which do not.
//!
//! Source: GS1 Barcode Syntax Dictionary, release 2026-01-27 (formats, predefined lengths, required and excluded partners,
//! Digital Link roles); lengths of AIs that are not in the table by their first two digits (GS1 General Specifications,
//! figure 7.8.5-2, from memory).

/// What a part of a value must be, beyond its characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Check {
    /// Nothing.
    Nothing,
    /// Last digit is the check digit of the others.
    CheckDigit,
    /// YYMMDD, day 00 for the end of the month.
    Date,
    /// YYMMDD with a day.
    FullDate,
    /// 00 to 23.
    Hour,
    /// 00 to 59.
    Sixty,
    /// 0.
    Zero,
    /// Begins with a company prefix: at least four digits.
    CompanyPrefix,
}

/// A part of a value: digits (`true`) or characters of set 82, least and most of them, its check.
#[derive(Clone, Copy, Debug)]
pub struct Part {
    /// Digits only.
    pub digits: bool,
    /// Least characters; 0 means it may be left out.
    pub least: usize,
    /// Most characters.
    pub most: usize,
    /// Check.
    pub check: Check,
}

/// An application identifier.
#[derive(Clone, Copy, Debug)]
pub struct Known {
    /// Digits; of an AI whose last digit is the number of decimals, those before it.
    pub code: &'static str,
    /// Greatest last digit, for those with decimals.
    pub decimals: Option<u8>,
    /// Data title, as printed on labels.
    pub title: &'static str,
    /// No separator follows it: its length is predefined.
    pub predefined: bool,
    /// Parts of its value.
    pub parts: &'static [Part],
    /// Groups of AIs; of each group one must be there too.
    pub requires: &'static [&'static [&'static str]],
    /// AIs that must not be there.
    pub excludes: &'static [&'static str],
    /// Qualifiers that may follow it in a Digital Link, in order; `None` for what is no key.
    pub qualifiers: Option<&'static [&'static str]>,
    /// May stand behind `?` in a Digital Link.
    pub attribute: bool,
}

const fn digits(count: usize, check: Check) -> Part {
    Part { digits: true, least: count, most: count, check }
}

const fn up_to_digits(most: usize) -> Part {
    Part { digits: true, least: 1, most, check: Check::Nothing }
}

const fn text(most: usize) -> Part {
    Part { digits: false, least: 1, most, check: Check::Nothing }
}

const fn optional(part: Part) -> Part {
    Part { least: 0, ..part }
}

const GLN: &[Part] = &[digits(13, Check::CheckDigit)];
const DATE: &[Part] = &[digits(6, Check::Date)];
const SIX: &[Part] = &[digits(6, Check::Nothing)];
const OF_COMPANY: &[Part] = &[Part { digits: false, least: 1, most: 30, check: Check::CompanyPrefix }];
const KEY: &[&str] = &["01", "02", "03", "8006", "8026"];
const ITEM: &[&str] = &["01", "02", "8006", "8026"];

const fn known(code: &'static str, title: &'static str, predefined: bool, parts: &'static [Part]) -> Known {
    Known {
        code,
        decimals: None,
        title,
        predefined,
        parts,
        requires: &[],
        excludes: &[],
        qualifiers: None,
        attribute: true,
    }
}

const fn location(code: &'static str, title: &'static str) -> Known {
    known(code, title, true, GLN)
}

const fn date(code: &'static str, title: &'static str) -> Known {
    Known { requires: &[KEY], ..known(code, title, true, DATE) }
}

const fn mass(code: &'static str, title: &'static str, partners: &'static [&'static [&'static str]]) -> Known {
    Known { decimals: Some(5), requires: partners, ..known(code, title, true, SIX) }
}

/// The table, by code.
pub const TABLE: &[Known] = &[
    Known { qualifiers: Some(&[]), ..known("00", "SSCC", true, &[digits(18, Check::CheckDigit)]) },
    Known {
        excludes: &["255", "37"],
        qualifiers: Some(&["22", "10", "21"]),
        ..known("01", "GTIN", true, &[digits(14, Check::CheckDigit)])
    },
    Known {
        requires: &[&["37"]],
        excludes: &["01", "03"],
        ..known("02", "CONTENT", true, &[digits(14, Check::CheckDigit)])
    },
    Known { requires: &[KEY], ..known("10", "BATCH/LOT", false, &[text(20)]) },
    date("11", "PROD DATE"),
    date("13", "PACK DATE"),
    date("15", "BEST BEFORE"),
    Known {
        requires: &[&["01", "02", "03", "255", "8006", "8026"]],
        ..known("17", "USE BY OR EXPIRY", true, &[digits(6, Check::Date)])
    },
    Known { requires: &[ITEM], ..known("20", "VARIANT", true, &[digits(2, Check::Nothing)]) },
    Known {
        requires: &[&["01", "03", "8006"]],
        excludes: &["235"],
        attribute: false,
        ..known("21", "SERIAL", false, &[text(20)])
    },
    Known { attribute: false, requires: &[&["01"]], ..known("22", "CPV", false, &[text(20)]) },
    Known { requires: &[&["01"]], attribute: false, ..known("235", "TPX", false, &[text(28)]) },
    Known { requires: &[ITEM], ..known("240", "ADDITIONAL ID", false, &[text(30)]) },
    Known { requires: &[&["01", "8006"], &["21"]], ..known("250", "SECONDARY SERIAL", false, &[text(30)]) },
    Known { requires: &[&["414"]], attribute: false, ..known("254", "GLN EXTENSION COMPONENT", false, &[text(20)]) },
    Known { requires: &[&["01", "02"]], ..known("30", "VAR. COUNT", false, &[up_to_digits(8)]) },
    mass("310", "NET WEIGHT (kg)", &[&["01", "02"]]),
    mass("330", "GROSS WEIGHT (kg)", &[&["00", "01"]]),
    Known { requires: &[&["00"], &["02", "8026"]], ..known("37", "COUNT", false, &[up_to_digits(8)]) },
    known("400", "ORDER NUMBER", false, &[text(30)]),
    Known { qualifiers: Some(&[]), ..known("401", "GINC", false, OF_COMPANY) },
    Known { qualifiers: Some(&[]), ..known("402", "GSIN", false, &[digits(17, Check::CheckDigit)]) },
    location("410", "SHIP TO LOC"),
    location("413", "SHIP FOR LOC"),
    Known { qualifiers: Some(&["254"]), ..location("414", "LOC NO.") },
    location("416", "PROD/SERV LOC"),
    location("417", "PARTY"),
    Known { requires: &[ITEM], excludes: &["426"], ..known("422", "ORIGIN", false, &[digits(3, Check::Nothing)]) },
    Known {
        requires: &[&["01", "02"]],
        ..known(
            "7003",
            "EXPIRY TIME",
            false,
            &[digits(6, Check::FullDate), digits(2, Check::Hour), digits(2, Check::Sixty)],
        )
    },
    Known {
        qualifiers: Some(&[]),
        ..known("8003", "GRAI", false, &[digits(1, Check::Zero), digits(13, Check::CheckDigit), optional(text(16))])
    },
    Known { qualifiers: Some(&[]), ..known("8004", "GIAI", false, OF_COMPANY) },
    Known {
        requires: &[&["01", "02"]],
        ..known(
            "8008",
            "PROD TIME",
            false,
            &[
                digits(6, Check::FullDate),
                digits(2, Check::Hour),
                optional(digits(2, Check::Sixty)),
                optional(digits(2, Check::Sixty)),
            ],
        )
    },
    known("90", "INTERNAL", false, &[text(30)]),
    known("91", "INTERNAL", false, &[text(90)]),
    known("92", "INTERNAL", false, &[text(90)]),
    known("93", "INTERNAL", false, &[text(90)]),
    known("94", "INTERNAL", false, &[text(90)]),
    known("95", "INTERNAL", false, &[text(90)]),
    known("96", "INTERNAL", false, &[text(90)]),
    known("97", "INTERNAL", false, &[text(90)]),
    known("98", "INTERNAL", false, &[text(90)]),
    known("99", "INTERNAL", false, &[text(90)]),
];

/// The entry of an AI; `None` for one that is not in the table.
///
/// ```
/// use packloft_domain::gs1::table::find;
/// assert_eq!(find("3103").map(|known| known.title), Some("NET WEIGHT (kg)"));
/// assert!(find("3106").is_none() && find("310").is_none());
/// ```
pub fn find(ai: &str) -> Option<&'static Known> {
    TABLE.iter().find(|known| match known.decimals {
        None => known.code == ai,
        Some(most) => ai
            .strip_prefix(known.code)
            .and_then(|digit| digit.parse::<u8>().ok().filter(|_| digit.len() == 1))
            .is_some_and(|digit| digit <= most),
    })
}

/// Digits of an AI by its first two; `None` for digits no AI begins with.
pub fn digits_of(first_two: &str) -> Option<usize> {
    let number: u8 = first_two.parse().ok().filter(|_| first_two.len() == 2)?;
    match number {
        0..=4 | 10..=22 | 30 | 37 | 90..=99 => Some(2),
        23..=25 | 40..=42 | 71 => Some(3),
        31..=36 | 39 | 43 | 70 | 72 | 80..=82 => Some(4),
        _ => None,
    }
}

/// Characters behind an AI whose length is predefined, by its first two digits.
pub fn predefined(first_two: &str) -> Option<usize> {
    let number: u8 = first_two.parse().ok().filter(|_| first_two.len() == 2)?;
    match number {
        0 => Some(18),
        1..=3 => Some(14),
        4 => Some(16),
        11..=19 => Some(6),
        20 => Some(2),
        31..=36 => Some(6),
        41 => Some(13),
        _ => None,
    }
}
