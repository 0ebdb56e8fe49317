//! What runs and may not, said where nobody can overlook it: on the line, on the first page and in the report of a shift.

use maud::{Markup, html};
use packloft_proto::v1;

use super::address::escaped;
use super::ctx::Ctx;
use super::widgets::{badge, bag_link};

/// Badges of what stands against a bag: lots that were rejected, holds.
pub fn badges(ctx: &Ctx, stop: &v1::FeedStop) -> Markup {
    html! {
        @for lot in &stop.rejected_lot_codes { a href={ "/lots/" (escaped(lot)) } { (badge("bad", &ctx.tf("lot {} REJECTED", &[lot]))) } " " }
        @if !stop.hold_codes.is_empty() { a href="/holds" { (badge("bad", &ctx.tf("on hold {}", &[&stop.hold_codes.join(" ")]))) } }
    }
}

/// The same without links, for a tile that is a link itself.
pub fn in_words(ctx: &Ctx, stop: &v1::FeedStop) -> Markup {
    html! {
        @for lot in &stop.rejected_lot_codes { (badge("bad", &ctx.tf("lot {} REJECTED", &[lot]))) " " }
        @if !stop.hold_codes.is_empty() { (badge("bad", &ctx.tf("on hold {}", &[&stop.hold_codes.join(" ")]))) }
    }
}

/// A notice of the bags in a feed that may not be used; nothing when there are none.
pub fn notice(ctx: &Ctx, stops: &[v1::FeedStop]) -> Markup {
    let mut feeds: Vec<&str> = stops.iter().map(|stop| stop.feed_code.as_str()).collect();
    feeds.dedup();
    html! {
        @for feed in feeds {
            section.notice.bad role="alert" {
                h2 { (ctx.tf("Feed {} holds product that may not be used", &[&feed])) }
                ul.plain { @for stop in stops.iter().filter(|stop| stop.feed_code == feed) { li {
                    strong { (bag_link(&stop.bag_tag)) } " " (badges(ctx, stop)) " "
                    span.quiet { (ctx.t("tipped")) " " (ctx.words.time(stop.tipped_time.as_ref())) }
                } } }
                p { (ctx.t("Stop the line and call quality. This stays until quality decides otherwise or the feed is seen empty.")) }
            }
        }
    }
}
