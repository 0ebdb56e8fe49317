//! Output: tables for people, JSON and CSV for programs. What comes from outside is cleaned of control characters.

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

/// Writes to standard output; a closed pipe ends quietly.
pub fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    if out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_err() {
        std::process::exit(0);
    }
}
