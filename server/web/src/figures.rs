//! Yield and balance of a feed, by day or for its newest clean span; fill and stops of a run.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use packloft_proto::v1::run_service_server::RunService;
use packloft_proto::v1::setup_service_server::SetupService;
use tonic::{Request, Status};

use super::charts;
use super::ctx::Ctx;
use super::frame::Page;
use super::registers::{self, choices};
use super::widgets::{badge, n, none, since};

fn question(ctx: &Ctx, feeds: &[(String, String)], feed: &str) -> Markup {
    html! {
        form.row method="get" action="/yield" {
            div.field {
                label for="feed" { (ctx.t("Feed")) }
                select #feed name="feed" { @for (code, name) in feeds { option value=(code) selected[code == feed] { (name) } } }
            }
            div.field {
                label for="day" { (ctx.t("Working day")) }
                input #day name="day" type="date" value=(ctx.query.get("day"));
            }
            button type="submit" { (ctx.t("Show")) }
        }
    }
}

fn verdict(ctx: &Ctx, span: &v1::SpanBalance) -> Markup {
    let kind = match span.verdict.as_str() {
        text if text.contains("within measuring error") => "good",
        text if text.contains("more than measuring error") => "bad",
        _ => "warn",
    };
    html! {
        p.big {
            @if let Some(mass) = span.unaccounted_mass_mg { (ctx.t("Unaccounted")) ": " strong { (ctx.words.kg(mass)) } " " }
            span lang="en" { (badge(kind, &ctx.words.sentence(&span.verdict))) }
        }
        @if let Some(content) = span.estimated_content_mg {
            p { (ctx.t("Still in the feed, estimated")) ": " (ctx.words.kg_of(content)) }
        }
        @for note in &span.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        @if !span.candidates.is_empty() {
            div.notice.warn { p { (ctx.t("More left than is on record as tipped:")) } ul lang="en" { @for text in &span.candidates { li { (ctx.words.sentence(text)) } } } }
        }
        (since(ctx, span.changed_sequence, &span.changed_text))
    }
}

/// Seconds between which a working day lies; all time when none is named.
async fn day_seconds(ctx: &Ctx, day: &str) -> Result<(i64, i64), Status> {
    if day.is_empty() {
        return Ok((i64::MIN, i64::MAX));
    }
    let answer = ctx.api.get_site(Request::new(v1::GetSiteRequest { day: day.into() })).await?.into_inner();
    let seconds = |time: Option<prost_types::Timestamp>, none: i64| time.map_or(none, |time| time.seconds);
    Ok((seconds(answer.day_start_time, i64::MIN), seconds(answer.day_end_time, i64::MAX)))
}

/// Runs of a feed that were on in a working day, or its last ones.
async fn runs_of(ctx: &Ctx, feed: &str, day: &str) -> Result<Vec<v1::Run>, Status> {
    let page_size = if day.is_empty() { 30 } else { 1_000 };
    let request = v1::ListRunsRequest { page_size, ..Default::default() };
    let mut runs = ctx.api.list_runs(Request::new(request)).await?.into_inner().runs;
    let (from, to) = day_seconds(ctx, day).await?;
    runs.retain(|run| {
        let start = run.start_time.map_or(0, |time| time.seconds);
        let end = run.end_time.map_or(i64::MAX, |time| time.seconds);
        run.feed_code == feed && start < to && end > from
    });
    Ok(runs)
}

async fn stops(ctx: &Ctx, feed: &str, day: &str) -> Result<Markup, Status> {
    let (from, to) = day_seconds(ctx, day).await?;
    let mut stops: Vec<v1::Stop> = runs_of(ctx, feed, day).await?.into_iter().flat_map(|run| run.stops).collect();
    stops.retain(|stop| {
        let (start, end) = (stop.start_time.map_or(0, |t| t.seconds), stop.end_time.map_or(0, |t| t.seconds));
        start < to && end > from
    });
    Ok(html! {
        h2 { @if day.is_empty() { (ctx.t("Stops of the last runs")) } @else { (ctx.t("Stops of the day")) } }
        (none(ctx, stops.is_empty(), n("No stop is on record.")))
        @if !stops.is_empty() { (charts::pareto(ctx, &stops)) }
    })
}

async fn fill(ctx: &Ctx, feed: &str, day: &str) -> Result<Markup, Status> {
    let runs = runs_of(ctx, feed, day).await?;
    let Some(run) = runs.iter().find(|run| run.reading_count > 0) else { return Ok(html! {}) };
    let request = v1::GetFillRequest { run_code: run.run_code.clone(), min_sequence: 0 };
    let fill = ctx.api.get_fill(Request::new(request)).await?.into_inner();
    Ok(html! {
        h2 { (ctx.t("Fill of run")) " " (super::widgets::run_link(&run.run_code)) }
        (charts::spread(ctx, &fill)) (charts::samples(ctx, &fill))
    })
}

/// The page.
///
/// # Errors
/// When the day is none or the feed is not on record.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let feeds = registers::feeds(ctx).await?;
    let wanted = ctx.query.get("feed");
    let feed = if wanted.is_empty() { feeds.first().map_or("", |feed| feed.code.as_str()) } else { wanted };
    if feed.is_empty() {
        return Ok(Page::new(ctx.t("Yield and balance"), none(ctx, true, n("No feed is registered."))));
    }
    let day = ctx.query.get("day");
    let request = v1::GetYieldRequest { feed_code: feed.into(), day: day.into(), ..Default::default() };
    let yields = ctx.api.get_yield(Request::new(request)).await?.into_inner();
    let request = v1::GetBalanceRequest { feed_code: feed.into(), day: day.into(), ..Default::default() };
    let spans = ctx.api.get_balance(Request::new(request)).await?.into_inner().spans;
    let body = html! {
        (question(ctx, &choices!(&feeds), feed))
        p.row {
            a.button href={ "/yield/period?feed=" (super::address::escaped(feed)) } { (ctx.t("Balance of a period")) }
            a.button href="/yield/time" { (ctx.t("Where the time went")) }
            a.button href="/yield/packaging" { (ctx.t("Packaging used and packs made")) }
            a.button href={ "/yield/exposure?feed=" (super::address::escaped(feed)) } { (ctx.t("Recall exposure")) }
        }
        div #yields data-live {
            h2 { (ctx.t("Yield")) }
            p.big {
                (ctx.t("Tipped")) ": " strong { (ctx.words.kg(yields.tipped_mass_mg)) }
                @if let Some(count) = yields.good_pack_count { ". " (ctx.t("Good packs")) ": " strong { (ctx.words.number(count, 0)) } }
                @let inside: f64 = yields.bags.iter().map(|bag| bag.inside_mass_mg).sum();
                @if inside > 1e6 { ". " (ctx.t("Still in the feed")) ": " strong { (ctx.words.about_kg(inside)) } ". " (badge("warn", &ctx.t("running: no yield yet"))) }
                @else if let Some(ratio) = yields.yield_ratio { ". " (ctx.t("Yield")) ": " strong { (ctx.words.percent(ratio)) } }
            }
            @if !day.is_empty() { p.quiet { (ctx.t("Bags whose tip ended in the day. The balance below goes from one time the feed was seen empty, or its level, to the next, whatever day that was.")) } }
            @for note in &yields.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
            (charts::yields(ctx, &yields.bags))
            h2 { (ctx.t("Balance")) }
            (none(ctx, spans.is_empty(), n("No span is on record here.")))
            @for (place, span) in spans.iter().enumerate() { (charts::balance(ctx, place, span)) (verdict(ctx, span)) }
        }
        (fill(ctx, feed, day).await?)
        (stops(ctx, feed, day).await?)
    };
    Ok(Page::new(ctx.t("Yield and balance"), body))
}
