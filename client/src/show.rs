//! Output: tables and pages for people, JSON and CSV for programs. What comes from outside is cleaned of control characters.

use std::io::Write;
use std::sync::OnceLock;

use comfy_table::{CellAlignment, Table};
use packloft_proto::v1;
use prost_reflect::{DescriptorPool, DynamicMessage};

/// How answers are shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Output {
    /// Tables for people.
    #[default]
    Table,
    /// JSON by the canonical mapping of the API.
    Json,
    /// CSV with a header line.
    Csv,
    /// One page of HTML that needs nothing else, fit to print and to keep.
    Html,
}

/// A table with text before and after it.
#[derive(Clone, Debug, Default)]
pub struct Sheet {
    /// Lines before.
    pub before: Vec<String>,
    /// Column heads; numbers are right-aligned when the head begins with `>`.
    pub head: Vec<&'static str>,
    /// Rows.
    pub rows: Vec<Vec<String>>,
    /// Lines after.
    pub after: Vec<String>,
}

fn pool() -> &'static DescriptorPool {
    static POOL: OnceLock<DescriptorPool> = OnceLock::new();
    POOL.get_or_init(|| DescriptorPool::decode(v1::DESCRIPTOR).unwrap_or_default())
}

/// A message as JSON. `name` is its name in the API package.
pub fn json<M: prost_reflect::prost::Message>(name: &str, message: &M) -> String {
    let descriptor = pool().get_message_by_name(&format!("packloft.v1.{name}"));
    let dynamic = descriptor.and_then(|d| DynamicMessage::decode(d, message.encode_to_vec().as_slice()).ok());
    let options = prost_reflect::SerializeOptions::new().skip_default_fields(false).use_proto_field_name(true);
    let mut out = Vec::new();
    if let Some(dynamic) = dynamic {
        let mut serializer = serde_json::Serializer::pretty(&mut out);
        if dynamic.serialize_with_options(&mut serializer, &options).is_err() {
            out.clear();
        }
    }
    String::from_utf8(out).unwrap_or_default()
}

/// Text without control characters, so that a code from outside cannot play with the terminal.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && c != '\n' { '?' } else { c }).collect()
}

/// Columns of the terminal as the shell says, or what a wide one has.
fn width() -> u16 {
    std::env::var("COLUMNS").ok().and_then(|text| text.parse().ok()).unwrap_or(132)
}

/// Tables as CSV: those that have rows, each after an empty line; the first also without, so that a program finds its heads.
pub fn csv(sheets: &[Sheet]) -> String {
    let tables = sheets.iter().filter(|sheet| !sheet.head.is_empty());
    let (full, empty): (Vec<&Sheet>, Vec<&Sheet>) = tables.partition(|sheet| !sheet.rows.is_empty());
    let shown = if full.is_empty() { empty.into_iter().take(1).collect() } else { full };
    shown.iter().map(|sheet| sheet.csv()).collect::<Vec<_>>().join("\r\n")
}

/// Units that figures of a table may have.
const UNITS: [&str; 13] = ["kg", "g", "mg", "t", "%", "ppm", "h", "min", "s", "m", "mm", "years", "days"];

/// A figure and its unit, when a cell is both.
fn measured(cell: &str) -> Option<(&str, &str)> {
    let (figure, unit) = cell.trim().rsplit_once([' ', '\u{a0}', '\u{202f}'])?;
    let digits = figure.strip_prefix('-').unwrap_or(figure);
    let number = !digits.is_empty() && digits.chars().all(|c| c.is_ascii_digit() || c == '.');
    (number && UNITS.contains(&unit)).then_some((figure, unit))
}

/// Units of the figures of a column.
enum Units<'a> {
    None,
    One(&'a str),
    Many,
}

impl Sheet {
    /// As a table for people.
    pub fn table(&self) -> String {
        let mut text = String::new();
        for line in &self.before {
            text.push_str(&clean(line));
            text.push('\n');
        }
        if !self.head.is_empty() && !self.rows.is_empty() {
            let mut table = Table::new();
            table.load_style(comfy_table::presets::UTF8_BORDERS_ONLY);
            table.set_content_arrangement(comfy_table::ContentArrangement::Dynamic);
            table.set_width(width());
            table.set_header(self.head.iter().map(|head| head.trim_start_matches('>')));
            for (index, head) in self.head.iter().enumerate() {
                if let Some(column) = table.column_mut(index)
                    && head.starts_with('>')
                {
                    column.set_cell_alignment(CellAlignment::Right);
                }
            }
            for row in &self.rows {
                table.add_row(row.iter().map(|cell| clean(cell)));
            }
            text.push_str(&table.to_string());
            text.push('\n');
        } else if !self.head.is_empty() {
            text.push_str("nothing on record\n");
        }
        for line in &self.after {
            text.push_str(&clean(line));
            text.push('\n');
        }
        text
    }

    /// As CSV; the lines before and after are left out. Figures are numbers: their unit is in the head, or in a column of its
    /// own where it differs from row to row.
    pub fn csv(&self) -> String {
        let units: Vec<Units> = (0..self.head.len()).map(|place| self.units(place)).collect();
        let mut head = Vec::new();
        for (name, units) in self.head.iter().zip(&units) {
            let name = name.trim_start_matches('>');
            match units {
                Units::None => head.push(name.to_owned()),
                Units::One(unit) => head.push(format!("{name} ({unit})")),
                Units::Many => head.extend([name.to_owned(), format!("{name} unit")]),
            }
        }
        let mut text = packloft_proto::csv::line(&head);
        for row in &self.rows {
            let mut cells = Vec::new();
            for (place, cell) in row.iter().enumerate() {
                let number = self.head.get(place).is_some_and(|head| head.starts_with('>'));
                // What is not known is no figure.
                let cell = if number && cell == "-" { "" } else { cell };
                match (units.get(place), measured(cell)) {
                    (Some(Units::One(_)), Some((figure, _))) => cells.push(figure.to_owned()),
                    (Some(Units::Many), Some((figure, unit))) => cells.extend([figure.to_owned(), unit.to_owned()]),
                    (Some(Units::Many), None) => cells.extend([cell.to_owned(), String::new()]),
                    _ => cells.push(cell.to_owned()),
                }
            }
            text.push_str(&packloft_proto::csv::line(&cells));
        }
        text
    }

    /// Units of the figures of a column.
    fn units(&self, place: usize) -> Units<'_> {
        if !self.head.get(place).is_some_and(|head| head.starts_with('>')) {
            return Units::None;
        }
        let cells = self.rows.iter().filter_map(|row| measured(row.get(place)?));
        let mut found: Vec<&str> = cells.map(|(_, unit)| unit).collect();
        found.sort_unstable();
        found.dedup();
        match found.as_slice() {
            [] => Units::None,
            [one] => Units::One(one),
            _ => Units::Many,
        }
    }
}

/// Style of a page: black on white, heads of tables again on each sheet of paper.
const STYLE: &str = "body{font:16px/1.4 system-ui,sans-serif;margin:2rem;color:#111;background:#fff}h1{font-size:1.4rem}\
table{border-collapse:collapse;margin:.6rem 0 1.2rem}th,td{border:1px solid #999;padding:.3rem .6rem;text-align:left;vertical-align:top}\
section{margin-bottom:1.6rem}th{background:#eee}.number{text-align:right;font-variant-numeric:tabular-nums}p{margin:.2rem 0}footer{margin-top:2rem;color:#555}\
@media print{body{margin:0;font-size:10pt}thead{display:table-header-group}tr{break-inside:avoid}}";

/// Sheets as one page. `title` says what was asked, `made` when.
pub fn page(title: &str, made: &str, sheets: &[Sheet]) -> String {
    let number = |sheet: &Sheet, place: usize| sheet.head.get(place).is_some_and(|head| head.starts_with('>'));
    let class = |right: bool| right.then_some("number");
    let markup = maud::html! {
        (maud::DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (maud::PreEscaped(STYLE)) }
            }
            body {
                h1 { (title) }
                main {
                    @for sheet in sheets { section {
                        @for line in sheet.before.iter().flat_map(|text| text.lines()) { p { (clean(line)) } }
                        @if !sheet.head.is_empty() && !sheet.rows.is_empty() {
                            table {
                                thead { tr {
                                    @for head in &sheet.head {
                                        th scope="col" class=[class(head.starts_with('>'))] { (head.trim_start_matches('>')) }
                                    }
                                } }
                                tbody { @for row in &sheet.rows { tr {
                                    @for (place, cell) in row.iter().enumerate() { td class=[class(number(sheet, place))] { (clean(cell)) } }
                                } } }
                            }
                        } @else if !sheet.head.is_empty() { p { "nothing on record" } }
                        @for line in sheet.after.iter().flat_map(|text| text.lines()) { p { (clean(line)) } }
                    } }
                }
                footer { "made " (made) " by packloft" }
            }
        }
    };
    markup.into_string() + "\n"
}

/// Writes to standard output; a closed pipe ends quietly.
pub fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    if out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_err() {
        std::process::exit(0);
    }
}

/// A text, or a dash where there is none.
pub fn or_dash(text: &str) -> String {
    if text.is_empty() { "-".into() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(head: Vec<&'static str>, rows: &[&[&str]]) -> Sheet {
        let rows = rows.iter().map(|row| row.iter().map(|cell| (*cell).to_owned()).collect()).collect();
        Sheet { head, rows, ..Sheet::default() }
    }

    #[test]
    fn figures_are_numbers_with_their_unit_in_the_head() {
        let bags = sheet(vec!["bag", ">net", ">share"], &[&["B-1", "998.000 kg", "12.5 %"], &["B-2", "-", "0.1 %"]]);
        assert_eq!(bags.csv(), "bag,net (kg),share (%)\r\nB-1,998.000,12.5\r\nB-2,,0.1\r\n");
        let mixed = sheet(vec!["figure", ">value"], &[&["tipped", "-5.000 kg"], &["share", "3 %"], &["packs", "12"]]);
        assert_eq!(mixed.csv(), "figure,value,value unit\r\ntipped,-5.000,kg\r\nshare,3,%\r\npacks,12,\r\n");
        // A text that looks like a figure is none.
        assert_eq!(sheet(vec!["remark"], &[&["5 kg"]]).csv(), "remark\r\n5 kg\r\n");
    }

    #[test]
    fn no_text_is_a_formula() {
        for text in ["=1+1", "+1", "-x", "@x", "\t=1", "\r=1"] {
            let shown = sheet(vec!["remark"], &[&[text]]).csv();
            let cell = shown.lines().nth(1).unwrap_or_default().trim_matches('"');
            assert!(cell.starts_with('\''), "{text:?}: {shown:?}");
        }
    }

    #[test]
    fn every_table_is_there() {
        let (a, b, none) = (sheet(vec!["a"], &[&["1"]]), sheet(vec!["b"], &[&["2"]]), sheet(vec!["c"], &[]));
        assert_eq!(csv(&[a.clone(), none.clone(), Sheet::default(), b]), "a\r\n1\r\n\r\nb\r\n2\r\n");
        assert_eq!(csv(&[none, Sheet::default()]), "c\r\n");
    }
}
