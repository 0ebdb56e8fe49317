//! Blank forms for the floor when there is no server: the columns are the fields that are asked for afterwards.

use maud::html;
use tonic::Status;

use super::ctx::Ctx;
use super::frame::{self, Page};

/// Rows of a blank form.
const ROWS: usize = 18;

/// A blank form.
///
/// # Errors
/// None.
pub fn blank(ctx: &Ctx, form: &str) -> Result<Page, Status> {
    let (title, columns) = match form {
        "bags" => (
            ctx.t("Bags in and weighed"),
            [
                ctx.t("Time"),
                ctx.t("Bag tag"),
                ctx.t("Lot"),
                ctx.t("Gross"),
                ctx.t("Scale"),
                ctx.t("Place"),
                ctx.t("Condition"),
            ],
        ),
        "lifts" => (
            ctx.t("Lifts"),
            [
                ctx.t("Time"),
                ctx.t("Bags"),
                ctx.t("Hoist"),
                ctx.t("Gear from the hook down"),
                ctx.t("Driver"),
                ctx.t("Slinger"),
                ctx.t("Loops, sound, clear, gate"),
            ],
        ),
        "line" => (
            ctx.t("Tips, counts and stops"),
            [
                ctx.t("Time"),
                ctx.t("Bag tipped"),
                ctx.t("Counter: filled"),
                ctx.t("Counter: accepted"),
                ctx.t("Stop since"),
                ctx.t("Reason"),
                ctx.t("Remark"),
            ],
        ),
        "pallets" => (
            ctx.t("Pallets and loading"),
            [
                ctx.t("Time"),
                ctx.t("Pallet number"),
                ctx.t("Run"),
                ctx.t("Packs"),
                ctx.t("Place"),
                ctx.t("Vehicle load"),
                ctx.t("Remark"),
            ],
        ),
        _ => return Ok(frame::nothing_here(ctx)),
    };
    let body = html! {
        p.noprint { button type="button" data-print { (ctx.t("Print")) } " " a href="/back-entry" { (ctx.t("Back")) } }
        p.blanks { (ctx.t("Day")) " ____________  " (ctx.t("Shift")) " ____________  " (ctx.t("Name")) " ________________________" }
        div.scroll role="region" tabindex="0" aria-label=(title) { table.blank {
            thead { tr { @for column in &columns { th scope="col" { (column) } } } }
            tbody { @for _ in 0..ROWS { tr { @for _ in &columns { td { "\u{a0}" } } } } }
        } }
        @if form == "lifts" { p.caution lang="en" { (packloft_domain::rules::lift::situation::CAUTION) } }
    };
    Ok(Page::new(title, body))
}
