//! The balance of a period: the unaccounted mass summed from span to span with what the sum may be wrong by, and where the
//! product went.

use maud::{Markup, html};
use packloft_domain::key::DAY_US;
use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use tonic::{Request, Status};

use super::ctx::Ctx;
use super::frame::Page;
use super::picture::{Scale, at, bar, figure, line, words};
use super::registers::{self, choices};
use super::widgets::{badge, n, none, table};

/// Days shown when none are asked for.
const DAYS: i64 = 30;

fn days(ctx: &Ctx) -> (String, String) {
    let day = |time_us: i64| ctx.words.zone.clock(time_us).chars().take(10).collect::<String>();
    let asked = |name: &str, else_us: i64| match ctx.query.get(name) {
        "" => day(else_us),
        text => text.to_owned(),
    };
    (asked("from", ctx.now_us() - DAYS * DAY_US), asked("to", ctx.now_us()))
}

fn question(ctx: &Ctx, feeds: &[(String, String)], products: &[(String, String)], days: &(String, String)) -> Markup {
    let choice = |name: &str, label: &str, all: String, rows: &[(String, String)]| {
        html! {
            div.field {
                label for=(name) { (ctx.t(label)) }
                select id=(name) name=(name) {
                    option value="" { (all) }
                    @for (code, text) in rows { option value=(code) selected[code == ctx.query.get(name)] { (text) } }
                }
            }
        }
    };
    html! {
        form.row method="get" action="/yield/period" {
            (choice("feed", n("Feed"), ctx.t("all feeds"), feeds))
            (choice("product", n("Product"), ctx.t("all products"), products))
            div.field { label for="from" { (ctx.t("From day")) } input #from name="from" type="date" value=(days.0); }
            div.field { label for="to" { (ctx.t("To day")) } input #to name="to" type="date" value=(days.1); }
            button type="submit" { (ctx.t("Show")) }
        }
    }
}

fn spans(ctx: &Ctx, rows: &[v1::PeriodSpan]) -> Markup {
    let limits = |mass: Option<f64>| mass.map(|mass| format!("\u{b1}\u{a0}{}", ctx.words.kg_of(mass)));
    table(
        &ctx.t("Spans by their end"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Feed")) } th scope="col" { (ctx.t("From")) } th scope="col" { (ctx.t("To")) }
                th.number scope="col" { (ctx.t("Tipped")) } th.number scope="col" { (ctx.t("Packs")) }
                th.number scope="col" { (ctx.t("Unaccounted")) } th.number scope="col" { (ctx.t("Sum so far")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { span.code { (row.feed_code) } }
                td { (ctx.words.time(row.start_time.as_ref())) } td { (ctx.words.time(row.end_time.as_ref())) }
                td.number { (ctx.words.kg(row.tipped_mass_mg)) } td.number { (ctx.words.count(row.accepted_pack_count)) }
                @if let Some(mass) = row.unaccounted_mass_mg {
                    td.number { (ctx.words.kg(mass)) " " span.quiet { (limits(row.expanded_uncertainty_mg).unwrap_or_default()) } }
                } @else { td lang="en" { (ctx.words.sentence(&row.verdict)) } }
                td.number { @if let Some(mass) = row.running_mass_mg {
                    (ctx.words.kg(mass)) " " span.quiet { (limits(row.running_uncertainty_mg).unwrap_or_default()) }
                } }
            } } }
        },
    )
}

/// The running sum as dots with a bar of what it may be wrong by.
fn running(ctx: &Ctx, answer: &v1::GetPeriodBalanceResponse) -> Markup {
    let rows: Vec<(&v1::PeriodSpan, f64, f64)> = answer
        .spans
        .iter()
        .filter_map(|row| Some((row, row.running_mass_mg? as f64, row.running_uncertainty_mg?)))
        .collect();
    if rows.is_empty() {
        return html! {};
    }
    let (width, height, left, right) = (720.0, 260.0, 90.0, 700.0);
    let low = rows.iter().map(|row| row.1.min(-row.2)).fold(0.0, f64::min);
    let high = rows.iter().map(|row| row.1.max(row.2)).fold(0.0, f64::max);
    let margin = ((high - low) * 0.06).max(1e5);
    let y = Scale::new(low - margin, high + margin, height - 34.0, 10.0);
    let x = Scale::new(-0.5, rows.len() as f64 - 0.5, left, right);
    let every = (rows.len() / 6).max(1);
    let step = ((right - left) / rows.len() as f64 * 0.7).clamp(2.0, 40.0);
    let drawing = html! {
        @for tick in y.ticks(5.0) {
            (line("grid", left, y.place(tick), right, y.place(tick)))
            (words("axis", left - 6.0, y.place(tick) + 4.0, "end", &ctx.words.about_kg(tick)))
        }
        @for (place, (_, _, wrong)) in rows.iter().enumerate() {
            (bar("error", x.place(place as f64) - step / 2.0, y.place(*wrong), step, y.place(-wrong) - y.place(*wrong)))
        }
        (line("nominal", left, y.place(0.0), right, y.place(0.0)))
        @for (place, (row, sum, wrong)) in rows.iter().enumerate() {
            @let cx = x.place(place as f64);
            circle class=(if sum.abs() > *wrong { "dot beyond" } else { "dot" }) cx=(at(cx)) cy=(at(y.place(*sum))) r="6" {}
            @if place % every == 0 {
                (words("axis", cx, height - 12.0, "middle", &ctx.words.time(row.end_time.as_ref()).chars().take(10).collect::<String>()))
            }
        }
    };
    figure(
        "running",
        &ctx.t("Unaccounted mass summed from span to span (dots; red ones are beyond measuring error) and what the sum may be wrong by (bars)"),
        (width, height),
        &ctx.t("Figures as a table"),
        drawing,
        spans(ctx, &answer.spans),
    )
}

fn moved(ctx: &Ctx, answer: &v1::GetPeriodBalanceResponse) -> Markup {
    html! {
        h2 { (ctx.t("Where it went")) }
        (table(&ctx.t("Where it went"), html! {
            thead { tr { th scope="col" { (ctx.t("What")) } th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Mass")) } } }
            tbody {
                tr { th scope="row" { (ctx.t("Tipped")) } td {} td.number { (ctx.words.kg(answer.tipped_mass_mg)) } }
                @for row in &answer.packs { tr {
                    th scope="row" { (ctx.t("Packed")) ", " span.code { (row.product_code) } }
                    td.number { (ctx.words.count(row.accepted_pack_count)) } td.number { (ctx.words.kg(row.mass_mg)) }
                } }
                @for row in &answer.losses { tr {
                    th scope="row" lang="en" { (ctx.words.sentence(&format!("{} to {}", row.reason, row.destination))) } td {} td.number { (ctx.words.kg(row.mass_mg)) }
                } }
            }
        }))
    }
}

/// The page.
///
/// # Errors
/// When the days are none or too far apart, or a code is not on record.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let (feeds, products) = (registers::feeds(ctx).await?, registers::products(ctx).await?);
    let days = days(ctx);
    let request = v1::GetPeriodBalanceRequest {
        feed_code: ctx.query.get("feed").into(),
        product_code: ctx.query.get("product").into(),
        from_day: days.0.clone(),
        to_day: days.1.clone(),
        min_sequence: 0,
    };
    let answer = ctx.api.get_period_balance(Request::new(request)).await?.into_inner();
    let kind = match answer.verdict.as_str() {
        text if text.contains("within measuring error") => "good",
        text if text.contains("more than measuring error") => "bad",
        _ => "warn",
    };
    let body = html! {
        (question(ctx, &choices!(&feeds), &choices!(&products), &days))
        div #period data-live {
            (none(ctx, answer.spans.is_empty(), n("No span ended in these days.")))
            @if !answer.spans.is_empty() {
                p.big {
                    @if let Some(mass) = answer.unaccounted_mass_mg { (ctx.t("Unaccounted")) ": " strong { (ctx.words.kg(mass)) } " " }
                    span lang="en" { (badge(kind, &ctx.words.sentence(&answer.verdict))) }
                }
                p lang="en" { (ctx.words.sentence(&answer.trend)) }
                (running(ctx, &answer))
                (moved(ctx, &answer))
            }
            @for note in &answer.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        }
    };
    Ok(Page::new(ctx.t("Balance of a period"), body))
}
