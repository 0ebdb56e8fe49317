//! A paper as a page of its own, to be read on a screen or sent by mail.

use maud::{DOCTYPE, Markup, html};

use super::paper::{Align, Block, Paper};
use crate::labels::text::kept_together;

const STYLE: &str = "body{font:16px/1.4 sans-serif;max-width:60rem;margin:1rem auto;padding:0 1rem;color:#000;background:#fff}\
table{border-collapse:collapse;width:100%;margin:.5rem 0}th,td{text-align:left;padding:.3rem .5rem;border-bottom:1px solid #999;vertical-align:top}\
.whole,.figure{white-space:nowrap}.figure{text-align:right;font-variant-numeric:tabular-nums}tfoot td{font-weight:bold;border-bottom:0}\
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(16rem,1fr));gap:.2rem 1rem}dt{font-size:.85rem}dd{margin:0;font-weight:bold}\
.alarm{border:3px solid #000;padding:.5rem;font-weight:bold}.field{border-bottom:1px solid #000;min-height:4rem;margin:.5rem 0;font-size:.85rem}\
meter{width:16rem;height:1rem}.scroll{overflow-x:auto}@media print{.next{break-before:page}}";

/// A cell that is one number breaks nowhere.
fn whole(cell: &str) -> Option<&'static str> {
    (cell.contains(' ') && !kept_together(cell).contains(' ')).then_some("whole")
}

fn block(block: &Block) -> Markup {
    html! {
        @match block {
            Block::Heading(text) => h2 { (text) },
            Block::Text(text) => p { (text) },
            Block::Alarm(text) => p.alarm { (text) },
            Block::Facts(rows) => dl { @for (name, value) in rows { div { dt { (name) } dd dir="auto" { (value) } } } },
            Block::Table { columns, rows, sums } => {
                @let class = |place: usize| (columns.get(place).is_some_and(|column| column.align == Align::Right)).then_some("figure");
                div.scroll tabindex="0" role="region" aria-label=(columns.first().map_or("", |column| column.head)) {
                    table {
                        thead { tr { @for (place, column) in columns.iter().enumerate() { th scope="col" class=[class(place)] { (column.head) } } } }
                        tbody { @for row in rows { tr { @for (place, cell) in row.iter().enumerate() { td class=[class(place).or(whole(cell))] dir="auto" { (cell) } } } } }
                        @if !sums.is_empty() { tfoot { tr { @for (place, cell) in sums.iter().enumerate() { td class=[class(place)] { (cell) } } } } }
                    }
                }
            },
            Block::Bars(rows) => {
                table { tbody { @for (name, share, figures) in rows { tr {
                    th scope="row" { (name) } td { meter min="0" max="1" value=(format!("{share:.4}")) aria-label=(name) {} } td { (figures) }
                } } } }
            },
            Block::Fields(names) => { @for name in names { p.field { (name) } } },
            Block::NextPage => hr.next;,
        }
    }
}

/// The paper as an HTML document.
pub fn html(paper: &Paper) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (paper.title) }
                style { (maud::PreEscaped(STYLE)) }
            }
            body {
                main {
                    p { (paper.from) }
                    h1 { (paper.title) }
                    @for part in &paper.blocks { (block(part)) }
                    footer { small { (paper.foot) } }
                }
            }
        }
    };
    page.into_string()
}
