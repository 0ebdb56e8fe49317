//! Words, numbers and times as a reader's language writes them.
//!
//! Texts in the code are English and are the keys of the language files (gettext PO, beside this file), so that a page can
//! be read where it is written; a text that a file lacks shows in English. Sentences that come from the record (reasons,
//! places, what happened) are English in every language and are marked so.

use std::collections::HashMap;
use std::sync::OnceLock;

use packloft_domain::time::Zone;
use prost_types::Timestamp;

/// Languages there are files for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Language {
    /// English, the language of the code.
    #[default]
    English,
    /// German.
    German,
}

impl Language {
    /// All of them.
    pub const ALL: [Language; 2] = [Language::English, Language::German];

    /// Its tag (BCP 47).
    pub fn tag(self) -> &'static str {
        match self {
            Language::English => "en",
            Language::German => "de",
        }
    }

    /// Its own name.
    pub fn name(self) -> &'static str {
        match self {
            Language::English => "English",
            Language::German => "Deutsch",
        }
    }

    /// Language of a tag.
    pub fn of_tag(tag: &str) -> Option<Language> {
        Language::ALL.into_iter().find(|language| language.tag() == tag)
    }

    /// First language of an Accept-Language header that there is a file for.
    pub fn accepted(header: &str) -> Language {
        let tags = header.split(',').filter_map(|part| part.split([';', '-']).next());
        tags.filter_map(|tag| Language::of_tag(tag.trim())).next().unwrap_or_default()
    }

    fn texts(self) -> &'static HashMap<String, String> {
        static GERMAN: OnceLock<HashMap<String, String>> = OnceLock::new();
        static ENGLISH: OnceLock<HashMap<String, String>> = OnceLock::new();
        match self {
            Language::English => ENGLISH.get_or_init(|| read(include_str!("words/en.po"))),
            Language::German => GERMAN.get_or_init(|| read(include_str!("words/de.po"))),
        }
    }
}

/// Texts of a language file by their key; entries without a translation are left out.
pub fn read(file: &str) -> HashMap<String, String> {
    let Ok(catalog) = polib::po_file::parse_from_reader(file.as_bytes()) else { return HashMap::new() };
    catalog
        .messages()
        .filter(|message| message.is_translated())
        .filter_map(|message| Some((message.msgid().to_owned(), message.msgstr().ok()?.to_owned())))
        .collect()
}

/// How a reader is spoken to.
#[derive(Clone)]
pub struct Words {
    /// Language.
    pub language: Language,
    /// Site's zone.
    pub zone: Zone,
}

impl Words {
    /// A text in the reader's language.
    pub fn t(&self, text: &str) -> String {
        self.language.texts().get(text).cloned().unwrap_or_else(|| text.to_owned())
    }

    /// A text with `{}` filled in, in order.
    pub fn tf(&self, text: &str, values: &[&dyn std::fmt::Display]) -> String {
        let mut text = self.t(text);
        for value in values {
            text = text.replacen("{}", &value.to_string(), 1);
        }
        text
    }

    fn marks(&self) -> (char, char) {
        match self.language {
            // A thin space keeps thousands apart without being read as a decimal sign.
            Language::English => ('\u{202f}', '.'),
            Language::German => ('\u{202f}', ','),
        }
    }

    /// A number with thousands set apart, and decimals.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        let (space, point) = self.marks();
        let text = format!("{:.decimals$}", value.abs());
        let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
        let mut shown = String::new();
        for (place, digit) in whole.chars().enumerate() {
            if place > 0 && (whole.len() - place) % 3 == 0 {
                shown.push(space);
            }
            shown.push(digit);
        }
        if !part.is_empty() {
            shown.push(point);
            shown.push_str(part);
        }
        let zero = shown.chars().all(|c| !c.is_ascii_digit() || c == '0');
        if value < 0.0 && !zero { format!("\u{2212}{shown}") } else { shown }
    }

    /// A count.
    pub fn count(&self, value: i64) -> String {
        self.number(value as f64, 0)
    }

    /// Milligrams as kilograms to the gram, or to the tenth where that is enough to read.
    pub fn kg(&self, mass_mg: i64) -> String {
        self.kg_of(mass_mg as f64)
    }

    /// The same of a number with parts.
    pub fn kg_of(&self, mass_mg: f64) -> String {
        format!("{}\u{a0}kg", self.number(mass_mg / 1e6, 3))
    }

    /// Kilograms to the tenth, for large masses at a glance.
    pub fn about_kg(&self, mass_mg: f64) -> String {
        format!("{}\u{a0}kg", self.number(mass_mg / 1e6, 1))
    }

    /// Milligrams as grams.
    pub fn grams(&self, mass_mg: f64, decimals: usize) -> String {
        format!("{}\u{a0}g", self.number(mass_mg / 1e3, decimals))
    }

    /// A share in percent.
    pub fn percent(&self, share: f64) -> String {
        format!("{}\u{a0}%", self.number(share * 100.0, 2))
    }

    /// Milligrams as a number of kilograms to type again.
    pub fn typed_kg(&self, mass_mg: i64) -> String {
        let text = format!("{}.{:06}", mass_mg / 1_000_000, (mass_mg % 1_000_000).abs());
        let text = text.trim_end_matches('0').trim_end_matches('.').to_owned();
        if self.language == Language::German { text.replace('.', ",") } else { text }
    }

    fn local(&self, time: Option<&Timestamp>) -> Option<String> {
        let time = time?;
        Some(self.zone.clock(time.seconds * 1_000_000 + i64::from(time.nanos / 1_000)))
    }

    /// A time with its date: `2026-10-06 08:17`, or `06.10.2026 08:17`; a dash for none.
    pub fn time(&self, time: Option<&Timestamp>) -> String {
        let Some(clock) = self.local(time) else { return "\u{2013}".into() };
        let (date, hour) = clock.split_once(' ').unwrap_or((&clock, ""));
        let date = self.date(date);
        format!("{date}\u{a0}{}", hour.get(..5).unwrap_or(hour))
    }

    /// Hour and minute alone.
    pub fn clock(&self, time: Option<&Timestamp>) -> String {
        let Some(clock) = self.local(time) else { return "\u{2013}".into() };
        clock.split_once(' ').and_then(|(_, hour)| hour.get(..5)).unwrap_or(&clock).to_owned()
    }

    /// A sentence of the record: no line ends between a number and its unit or inside a date, and where people write a
    /// decimal comma a mass does not read as a thousand times itself.
    pub fn sentence(&self, text: &str) -> String {
        const UNITS: [&str; 7] = ["kg", "g", "mg", "%", "mm", "min", "h"];
        let words: Vec<&str> = text.split(' ').collect();
        let mut told = String::with_capacity(text.len() + 8);
        for (index, word) in words.iter().enumerate() {
            let next = words.get(index + 1).map_or("", |next| next.trim_end_matches([',', ';', '.', ':', ')']));
            let bare = word.trim_start_matches(['(', '+', '-', '\u{b1}']);
            let measured = UNITS.contains(&next) && bare.starts_with(|first: char| first.is_ascii_digit());
            if measured && self.language == Language::German {
                told.push_str(&word.replace('.', ","));
            } else if packloft_domain::time::parse_date(word.trim_end_matches([',', ';', ':', ')'])).is_some() {
                told.push_str(&word.replace('-', "\u{2011}"));
            } else {
                told.push_str(word);
            }
            if index + 1 < words.len() {
                told.push(if measured || word.ends_with('\u{b1}') { '\u{a0}' } else { ' ' });
            }
        }
        told
    }

    /// A date given as YYYY-MM-DD; a dash for none.
    pub fn date(&self, date: &str) -> String {
        if date.is_empty() {
            return "\u{2013}".into();
        }
        let parts: Vec<&str> = date.split('-').collect();
        match (self.language, parts.as_slice()) {
            (Language::German, [year, month, day]) => format!("{day}.{month}.{year}"),
            // Half a date in a narrow column is misread.
            _ => date.replace('-', "\u{2011}"),
        }
    }
}

/// Reads a number of kilograms as people type it, with a decimal point or comma, as milligrams.
///
/// # Errors
/// In words, when it is no mass, finer than a milligram, or may mean a thousand times as much.
pub fn milligrams(text: &str, language: Language) -> Result<i64, &'static str> {
    scaled(text, 6, language)
}

/// Reads a number of grams as people type it.
///
/// # Errors
/// In words.
pub fn milligrams_of_grams(text: &str, language: Language) -> Result<i64, &'static str> {
    scaled(text, 3, language)
}

fn scaled(text: &str, digits: usize, language: Language) -> Result<i64, &'static str> {
    let text: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    // The other language's separator before three digits may be one of thousands: nobody should guess a tonne away.
    let (other, advice) = match language {
        Language::English => (',', "may mean thousands or decimals; write 1250 or 1.25"),
        Language::German => ('.', "may mean thousands or decimals; write 1250 or 1,25"),
    };
    let bare = text.trim_end_matches("kg").trim_end_matches('g');
    if bare.split(other).skip(1).any(|part| part.len() == 3 && part.bytes().all(|b| b.is_ascii_digit())) {
        return Err(advice);
    }
    let text = text.trim_end_matches("kg").trim_end_matches('g').replace(',', ".");
    let (whole, part) = text.split_once('.').unwrap_or((&text, ""));
    let part = part.trim_end_matches('0');
    let good = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 9 || !good(whole) || !good(part) {
        return Err("is no number");
    }
    if part.len() > digits {
        return Err("has too many decimals");
    }
    format!("{whole}{part}{}", "0".repeat(digits - part.len())).parse().map_err(|_| "is too much")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(language: Language) -> Words {
        Words { language, zone: Zone::utc() }
    }

    #[test]
    fn sentences_of_the_record_keep_numbers_whole_and_readable() {
        let text = "bag B-1: 32.301 kg missing (\u{b1} 10.385 kg), seen 2026-10-06, 5 bags at 1.5 mm";
        let english = "bag B-1: 32.301\u{a0}kg missing (\u{b1}\u{a0}10.385\u{a0}kg), seen 2026\u{2011}10\u{2011}06, 5 bags at 1.5\u{a0}mm";
        assert_eq!(words(Language::English).sentence(text), english);
        assert_eq!(
            words(Language::German).sentence(text),
            english.replace("32.301", "32,301").replace("10.385", "10,385").replace("1.5", "1,5")
        );
    }

    #[test]
    fn numbers_are_written_as_the_language_does() {
        let rows = [
            (1_234_567.891, 2, "1\u{202f}234\u{202f}567.89", "1\u{202f}234\u{202f}567,89"),
            (-0.4, 0, "0", "0"),
            (-12.0, 1, "\u{2212}12.0", "\u{2212}12,0"),
            (999.0, 0, "999", "999"),
        ];
        for (value, decimals, english, german) in rows {
            assert_eq!(words(Language::English).number(value, decimals), english);
            assert_eq!(words(Language::German).number(value, decimals), german);
        }
        assert_eq!(words(Language::German).date("2026-10-06"), "06.10.2026");
    }

    #[test]
    fn typed_masses_come_back_as_they_were() {
        for (text, mass) in [
            ("1000", Ok(1_000_000_000)),
            ("1 002,6", Ok(1_002_600_000)),
            ("0.000001", Ok(1)),
            ("975.8 kg", Ok(975_800_000)),
            ("0.0000001", Err("has too many decimals")),
            ("1.2.3", Err("is no number")),
            ("", Err("is no number")),
            ("-3", Err("is no number")),
        ] {
            assert_eq!(milligrams(text, Language::English), mass, "{text}");
        }
        for language in Language::ALL {
            for mass in [1, 975_800_000, 1_000_000_000_000] {
                assert_eq!(milligrams(&words(language).typed_kg(mass), language), Ok(mass));
            }
        }
        assert_eq!(milligrams_of_grams("752,4", Language::English), Ok(752_400));
        // What may mean a thousand times as much is asked back.
        for (text, language) in [("1,250", Language::English), ("1.250", Language::German)] {
            assert!(milligrams(text, language).is_err_and(|fault| fault.contains("thousands")), "{text}");
        }
        assert_eq!(milligrams("972,400", Language::German), Ok(972_400_000));
        assert_eq!(milligrams("972.400", Language::English), Ok(972_400_000));
    }

    #[test]
    fn the_first_known_language_is_taken() {
        assert_eq!(Language::accepted("fr-CH, de-AT;q=0.9, en;q=0.8"), Language::German);
        assert_eq!(Language::accepted(""), Language::English);
    }

    /// Every text in the pages is in both files, and nothing else is.
    #[test]
    fn language_files_are_complete() {
        let mut wanted = std::collections::BTreeSet::new();
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|end| end == "rs") && path.file_name().is_some_and(|n| n != "words.rs") {
                wanted.extend(texts_in(&std::fs::read_to_string(path).unwrap()));
            }
        }
        assert!(wanted.len() > 100);
        if std::env::var_os("PIN").is_some() {
            let mut file = String::from(
                "msgid \"\"\nmsgstr \"\"\n\"Language: en\\n\"\n\"Content-Type: text/plain; charset=UTF-8\\n\"\n",
            );
            for text in &wanted {
                let quoted = text.replace('\\', "\\\\").replace('"', "\\\"");
                file.push_str(&format!("\nmsgid \"{quoted}\"\nmsgstr \"{quoted}\"\n"));
            }
            std::fs::write(folder.join("words/en.po"), file).unwrap();
        }
        for language in Language::ALL {
            let file = std::fs::read_to_string(folder.join(format!("words/{}.po", language.tag()))).unwrap();
            let known = read(&file);
            let missing: Vec<&String> = wanted.iter().filter(|text| !known.contains_key(*text)).collect();
            assert!(missing.is_empty(), "{}: missing {missing:#?}", language.name());
            let dead: Vec<&String> = known.keys().filter(|text| !wanted.contains(*text)).collect();
            assert!(dead.is_empty(), "{}: not used {dead:#?}", language.name());
            for (key, text) in &known {
                assert_eq!(key.matches("{}").count(), text.matches("{}").count(), "{key}");
            }
        }
    }

    /// Texts handed to `t(` and `tf(`, and to widgets that translate their label.
    fn texts_in(source: &str) -> Vec<String> {
        let mut found = Vec::new();
        for opener in ["t(\"", "tf(\"", "n(\"", "say(ctx, \""] {
            for (at, _) in source.match_indices(opener) {
                let before = source[..at].chars().next_back();
                if before.is_some_and(|c| c.is_alphanumeric() || c == '_') {
                    continue;
                }
                let mut text = String::new();
                let mut chars = source[at + opener.len()..].chars();
                while let Some(c) = chars.next() {
                    match c {
                        '"' => break,
                        '\\' => match chars.next() {
                            Some('n') => text.push('\n'),
                            Some('u') => {
                                let code: String = chars.by_ref().skip(1).take_while(|c| *c != '}').collect();
                                text.extend(u32::from_str_radix(&code, 16).ok().and_then(char::from_u32));
                            }
                            Some(c) => text.push(c),
                            None => break,
                        },
                        c => text.push(c),
                    }
                }
                found.push(text);
            }
        }
        found
    }
}
