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

fn csv_field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
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

    /// As CSV; the lines before and after are left out.
    pub fn csv(&self) -> String {
        let line = |cells: Vec<String>| cells.join(",") + "\r\n";
        let mut text = line(self.head.iter().map(|head| csv_field(head.trim_start_matches('>'))).collect());
        for row in &self.rows {
            text.push_str(&line(row.iter().map(|cell| csv_field(cell)).collect()));
        }
        text
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
