//! The trace: one field that takes any code or print, the answer as a picture and as tables beside it.

use maud::{Markup, html};
use packloft_proto::durations;
use packloft_proto::v1;
use packloft_proto::v1::trace_service_server::TraceService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::graph::{Set, spoken};
use super::intake::{lot_state, timeline};
use super::store::kind_words;
use super::trace_picture::{picture, set_of, traced};
use super::widgets::{badge, bag_link, lot_link, lots, n, none, pallet_link, run_link, since, table};
use crate::traced::Answer;

async fn pack_by_number(ctx: &Ctx, run: &str, pack: &str) -> Result<Answer, Status> {
    let number = pack.chars().filter(|c| !c.is_whitespace()).collect::<String>().parse();
    let pack_number = number.map_err(|_| Status::invalid_argument(format!("{pack:?} is no pack number")))?;
    let request = v1::TracePackRequest { run_code: run.into(), pack_number, ..Default::default() };
    Ok(Answer::Packs(ctx.api.trace_pack(Request::new(request)).await?.into_inner()))
}

async fn pack_by_pack_code(ctx: &Ctx, batch: &str, time: &str) -> Result<Answer, Status> {
    let printed_local_time = time.replace('T', " ");
    let request = v1::TracePackRequest { batch_code: batch.into(), printed_local_time, ..Default::default() };
    Ok(Answer::Packs(ctx.api.trace_pack(Request::new(request)).await?.into_inner()))
}

async fn of_code(ctx: &Ctx, row: &v1::FoundCode) -> Result<Answer, Status> {
    let code = row.code.clone();
    let api = &ctx.api;
    Ok(match row.kind() {
        v1::CodeKind::Lot => {
            let request = v1::TraceLotRequest { lot_code: code, ..Default::default() };
            Answer::Lot(api.trace_lot(Request::new(request)).await?.into_inner())
        }
        v1::CodeKind::BulkBag => {
            let request = v1::TraceBulkBagRequest { bag_tag: code, ..Default::default() };
            Answer::Bag(api.trace_bulk_bag(Request::new(request)).await?.into_inner())
        }
        v1::CodeKind::Pallet => {
            let request = v1::TracePalletRequest { sscc: code, ..Default::default() };
            Answer::Pallet(Box::new(api.trace_pallet(Request::new(request)).await?.into_inner()))
        }
        v1::CodeKind::Consignment => {
            let request = v1::TraceConsignmentRequest { consignment_code: code, min_sequence: 0 };
            Answer::Consignment(api.trace_consignment(Request::new(request)).await?.into_inner())
        }
        v1::CodeKind::PackagingLot => {
            let request = v1::TracePackagingLotRequest { packaging_lot_code: code, min_sequence: 0 };
            Answer::Packaging(api.trace_packaging_lot(Request::new(request)).await?.into_inner())
        }
        _ => Answer::Choose(vec![row.clone()]),
    })
}

/// Kinds that can be traced.
fn traceable(kind: v1::CodeKind) -> bool {
    use v1::CodeKind as K;
    matches!(kind, K::Lot | K::BulkBag | K::Pallet | K::Run | K::Batch | K::Consignment | K::PackagingLot)
}

/// A day written as 06.10.2026 in a print or by hand, as the API takes it.
fn iso_dated(text: &str) -> String {
    let day = |word: &str| -> Option<String> {
        let parts: Vec<&str> = word.split('.').collect();
        let [day, month, year] = parts.as_slice() else { return None };
        let digits = parts.iter().all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit()));
        (digits && year.len() == 4).then(|| format!("{year}-{month:0>2}-{day:0>2}"))
    };
    text.split(' ').map(|word| day(word).unwrap_or_else(|| word.to_owned())).collect::<Vec<_>>().join(" ")
}

/// The batch code that was typed, in capitals when only so it is on record.
async fn in_capitals(ctx: &Ctx, code: &str) -> Result<String, Status> {
    let request = v1::FindCodeRequest { text: code.into(), min_sequence: 0 };
    let found = ctx.api.find_code(Request::new(request)).await?.into_inner().found;
    let batch = found.into_iter().find(|row| row.kind() == v1::CodeKind::Batch);
    Ok(batch.map_or_else(|| code.to_owned(), |row| row.code))
}

/// A pack by number, of a run or of the one run that prints a batch code.
async fn pack_of(ctx: &Ctx, code: &str, number: &str) -> Result<Answer, Status> {
    let request = v1::FindCodeRequest { text: code.into(), min_sequence: 0 };
    let mut found = ctx.api.find_code(Request::new(request)).await?.into_inner().found;
    found.retain(|row| matches!(row.kind(), v1::CodeKind::Run | v1::CodeKind::Batch));
    match found.as_slice() {
        [only] => pack_by_number(ctx, &only.run_code, number).await,
        [] => pack_by_number(ctx, code, number).await,
        _ => Ok(Answer::Choose(found)),
    }
}

/// What the page was asked: by run and pack, batch and time, or any text.
///
/// # Errors
/// When the question cannot be answered.
pub async fn ask(ctx: &Ctx) -> Result<Answer, Status> {
    let q = &ctx.query;
    let (text, time) = (q.get("q"), q.get("time"));
    if !q.get("run").is_empty() && !q.get("pack").is_empty() {
        return pack_by_number(ctx, q.get("run"), q.get("pack")).await;
    }
    if text.is_empty() {
        return Ok(Answer::Nothing);
    }
    if !time.is_empty() {
        return pack_by_pack_code(ctx, text, time).await;
    }
    // A print is a batch code and a time; a scanner gives them as one text.
    if let Some((first, rest)) = text.split_once(char::is_whitespace) {
        let rest = iso_dated(rest.trim());
        if rest.contains([':', '-']) {
            return pack_by_pack_code(ctx, &in_capitals(ctx, first).await?, &rest).await;
        }
        if rest.bytes().all(|b| b.is_ascii_digit() || b == b' ') {
            return pack_of(ctx, first, &rest).await;
        }
    }
    let request = v1::FindCodeRequest { text: text.into(), min_sequence: 0 };
    let mut found = ctx.api.find_code(Request::new(request)).await?.into_inner().found;
    found.retain(|row| traceable(row.kind()));
    let kind = q.get("kind");
    if !kind.is_empty() {
        found.retain(|row| i32::from(row.kind()).to_string() == kind);
    }
    match found.as_slice() {
        [only] => of_code(ctx, only).await,
        [] => Err(Status::not_found(format!("nothing that can be traced has the code {text:?}"))),
        _ => Ok(Answer::Choose(found)),
    }
}

fn pallet_rows(ctx: &Ctx, rows: &[v1::TracedPallet]) -> Markup {
    html! {
        h2 #pallets { (ctx.t("Pallets")) " (" (rows.len()) ")" }
        (none(ctx, rows.is_empty(), n("On no pallet on record.")))
        @if !rows.is_empty() {
            (table(&ctx.t("Pallets"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Pallet")) } th.number scope="col" { (ctx.t("Packs")) } th scope="col" { (ctx.t("State")) }
                    th scope="col" { (ctx.t("Where")) } th scope="col" { (ctx.t("Holds")) }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { (pallet_link(&row.sscc)) } td.number { (ctx.words.count(row.pack_count)) }
                    td {
                        @match row.state() {
                            v1::PalletState::InStore if row.free => (badge("good", &ctx.t("free"))),
                            v1::PalletState::InStore => (badge("bad", &ctx.t("NOT FREE"))),
                            v1::PalletState::Dispatched => (badge("plain", &ctx.t("dispatched"))),
                            v1::PalletState::Loaded => (badge("plain", &ctx.t("loaded"))),
                            v1::PalletState::Missing => (badge("warn", &ctx.t("missing"))),
                            _ => (badge("plain", &ctx.t("ended"))),
                        }
                    }
                    td lang="en" { (ctx.words.sentence(&row.place)) } td { @if !row.hold_codes.is_empty() { (badge("bad", &ctx.tf("on hold {}", &[&row.hold_codes.join(" ")]))) } }
                } } }
            }))
        }
    }
}

fn consignees(ctx: &Ctx, rows: &[v1::ConsigneeShare]) -> Markup {
    html! {
        h2 #consignees { (ctx.t("Consignees")) " (" (rows.len()) ")" }
        (none(ctx, rows.is_empty(), n("Nothing of it has left the house.")))
        @if !rows.is_empty() {
            (table(&ctx.t("Consignees"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Consignee")) } th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Pallets")) }
                    th scope="col" { (ctx.t("Consignments")) } th scope="col" { (ctx.t("First left")) } th scope="col" { (ctx.t("Call")) }
                    th scope="col" { (ctx.t("Checked")) }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { span.code { (row.consignee_code) } " " (row.name) } td.number { strong { (ctx.words.count(row.pack_count)) } } td.number { (row.ssccs.len()) }
                    td { @for code in &row.consignment_codes { a href={ "/trace?q=" (escaped(code)) } { (code) } " " } }
                    td { (ctx.words.time(row.first_dispatched_time.as_ref())) } td { (row.contact) } td { (ctx.words.date(&row.contact_checked_date)) }
                } } }
            }))
        }
    }
}

fn account(ctx: &Ctx, row: &v1::PackAccount) -> Markup {
    let places = [
        (ctx.t("with consignees"), row.consignee_count),
        (ctx.t("loaded"), row.loaded_count),
        (ctx.t("in store, free"), row.free_count),
        (ctx.t("in store, not free"), row.held_count),
        (ctx.t("missing"), row.missing_count),
        (ctx.t("rejected by the machine"), row.rejected_count),
        (ctx.t("samples"), row.sampled_count),
        (ctx.t("opened for rework"), row.rework_count),
        (ctx.t("destroyed"), row.destroyed_count),
        (ctx.t("otherwise disposed of"), row.disposed_count),
        (ctx.t("on no pallet on record"), row.unaccounted_count),
    ];
    let title = ctx.tf("Where the packs of batch {} are, each in one place", &[&row.batch_code]);
    table(
        &title,
        html! {
            caption { (title) @if !row.run_code.is_empty() { ", " (ctx.t("run")) " " (run_link(&row.run_code)) }
                @if let Some(i) = &row.interval { ", " (ctx.tf("packs {}", &[&format!("{}\u{2013}{}", i.first_number, i.last_number)])) } }
            tbody {
                @for (name, count) in places.iter().filter(|row| row.1 != 0) { tr { th scope="row" { (name) } td.number { (ctx.words.count(*count)) } } }
                tr.sum { th scope="row" { "= " (ctx.t("made")) } td.number { strong { (ctx.words.count(row.made_count)) } } }
            }
        },
    )
}

fn pack_locations(ctx: &Ctx, found: Option<&v1::PackLocations>) -> Markup {
    let Some(found) = found else { return html! {} };
    html! {
        p.quiet { (ctx.t("Counted")) ": " span lang="en" { (found.scope) } }
        (consignees(ctx, &found.consignees))
        @for row in &found.accounts { (account(ctx, row)) }
        (pallet_rows(ctx, &found.pallets))
        @if !found.lot_unknown_pallets.is_empty() {
            p.notice.warn { (ctx.tf("{} pallets from before the record, whose lots nobody knows, may hold some too.", &[&found.lot_unknown_pallets.len()])) }
        }
    }
}

fn sets(ctx: &Ctx, rows: &[v1::PackSet]) -> Markup {
    let numbers = |i: &Option<v1::PackInterval>| {
        i.as_ref().map_or_else(
            || "\u{2013}".into(),
            |i| format!("{}\u{2013}{}", ctx.words.count(i.first_number), ctx.words.count(i.last_number)),
        )
    };
    // Where bags lie apart, what is between them is not in it.
    let pieces = |row: &v1::PackSet| match row.pieces.as_slice() {
        [] | [_] => numbers(&row.possible),
        many => many.iter().map(|piece| numbers(&Some(piece.clone()))).collect::<Vec<_>>().join(", "),
    };
    table(
        &ctx.t("Packs"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Run")) } th scope="col" { (ctx.t("Batch")) } th scope="col" { (ctx.t("Likely")) }
                th scope="col" { (ctx.t("Possible")) } th scope="col" { (ctx.t("Whole clean span")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (run_link(&row.run_code)) } td { (row.batch_code) } td { (numbers(&row.likely)) }
                td { strong { (pieces(row)) } } td { (numbers(&row.clean_span)) }
            } } }
        },
    )
}

fn methods(ctx: &Ctx, rows: &[v1::FlowMethod]) -> Markup {
    html! {
        details.print #method { summary { (ctx.t("How it was computed")) }
            @for row in rows {
                p lang="en" {
                    "Feed " (row.feed_code) ": mixing section V " (ctx.words.kg(row.mixing_mass_mg)) ", N " (row.mixing_stage_count) ", "
                    @if row.proved { "proved by a tracer run" } @else { "not proved" } ". Smallest share that counts (\u{3b5}) " (row.epsilon) ", coverage factor (k) " (row.coverage_factor)
                    ", place known to " (ctx.words.kg_of(row.position_uncertainty_mg)) ". Scope: " (row.scope) "."
                }
                ul { @for anchor in &row.anchors { li lang="en" { (anchor) } } }
                p lang="en" {
                    "Drawn since the anchor before, as counted: " (ctx.words.kg_of(row.drawn_mass_mg)) ", times " (format!("{:.6}", row.drawn_factor))
                    ". Clocks count as right within " (row.clock_tolerance.as_ref().map_or(0, durations::to_us) as f64 / 1e6) " s where the content is low. The place may be wrong by, each 1 u:"
                }
                ul { @for part in &row.position_parts { li lang="en" { (ctx.words.kg_of(part.uncertainty_mg)) ": " (part.name) } } }
                (since(ctx, row.changed_sequence, &row.changed_text))
            }
        }
    }
}

/// A set by its word, and a mark that is full, half or open.
fn set_badge(ctx: &Ctx, set: Set) -> Markup {
    let (mark, text) = match set {
        Set::Likely => ("\u{25cf}", ctx.t("likely")),
        Set::Possible => ("\u{25d0}", ctx.t("possible")),
        Set::CleanSpan => ("\u{25cb}", ctx.t("same clean span")),
    };
    html! { span.set { span aria-hidden="true" { (mark) } " " (text) } }
}

fn origin(ctx: &Ctx, row: &v1::PackOrigin) -> Markup {
    let interval = row.interval.clone().unwrap_or_default();
    let set = |likely: bool, possible: bool| set_badge(ctx, set_of(likely, possible));
    html! {
        @if !interval.run_code.is_empty() {
            p.big { (ctx.t("Run")) " " (run_link(&interval.run_code)) ", " (ctx.tf("packs {}", &[&format!("{}\u{2013}{}", interval.first_number, interval.last_number)]))
                ", " (ctx.words.time(row.from_time.as_ref())) "\u{2013}" (ctx.words.clock(row.to_time.as_ref())) }
        }
        h2 #bags { (ctx.t("Bags that may be in it")) }
        (table(&ctx.t("Bags that may be in it"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Bag")) } th scope="col" { (ctx.t("Set")) } th.number scope="col" { (ctx.t("Share")) }
                th.number scope="col" { (ctx.t("At most")) } th scope="col" { (ctx.t("Lot")) } th scope="col" { (ctx.t("Holds")) }
            } }
            tbody { @for bag in &row.bags { tr {
                th scope="row" { (bag_link(&bag.bag_tag)) } td { (set(bag.likely, bag.possible)) } td.number { (ctx.words.percent(bag.share)) }
                td.number { (ctx.words.percent(bag.max_share)) } td { (lots(&bag.lots)) } td { (bag.hold_codes.join(" ")) " " span lang="en" { (bag.note) } }
            } } }
        }))
        @if !row.clean_span_bag_tags.is_empty() {
            p { (ctx.t("All bags of the same clean span, the scope for a piece of metal, glass or plastic")) ": "
                @for tag in &row.clean_span_bag_tags { (bag_link(tag)) " " } }
        }
        @if !row.candidates.is_empty() {
            div.notice.warn { p { (ctx.t("More left than is on record as tipped:")) } ul lang="en" { @for text in &row.candidates { li { (ctx.words.sentence(text)) } } } }
        }
        h2 { (ctx.t("Lots")) }
        (table(&ctx.t("Lots"), html! {
            thead { tr { th scope="col" { (ctx.t("Lot")) } th scope="col" { (ctx.t("Set")) } th.number scope="col" { (ctx.t("Share")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Results")) } } }
            tbody { @for found in &row.lots {
                @let lot = found.lot.clone().unwrap_or_default();
                tr {
                    th scope="row" { (lot_link(&lot.lot_code)) " " a href={ "/trace?q=" (escaped(&lot.lot_code)) } { (ctx.t("trace")) } }
                    td { (set(found.likely, found.possible)) } td.number { (ctx.words.percent(found.share)) } td { (lot_state(ctx, &lot)) }
                    td { @for r in &lot.results { span.result { (r.property) " " (r.value) " " (r.unit) } " " } }
                }
            } }
        }))
        @if !row.pallets.is_empty() { (pallet_rows(ctx, &row.pallets)) }
        @if !row.timeline.is_empty() { h2 { (ctx.t("What happened around it")) } (timeline(ctx, &row.timeline)) }
        @if !row.printer_text.is_empty() { p.quiet lang="en" { (ctx.words.sentence(&row.printer_text)) } }
        @if let Some(method) = &row.method { (methods(ctx, std::slice::from_ref(method))) }
    }
}

fn tables(ctx: &Ctx, answer: &Answer) -> Markup {
    match answer {
        Answer::Packs(a) => html! {
            @if a.origins.len() > 1 { p.notice.warn { (ctx.tf("The pack code fits {} ranges of packs; all are shown.", &[&a.origins.len()])) } }
            @for row in &a.origins { (origin(ctx, row)) }
        },
        Answer::Lot(a) => html! {
            @let lot = a.lot.clone().unwrap_or_default();
            p.big { (lot_state(ctx, &lot)) " " (lot.material_code) " " (lot_link(&lot.lot_code)) }
            (pack_locations(ctx, a.pack_locations.as_ref()))
            h2 { (ctx.t("Packs")) } (sets(ctx, &a.packs))
            h2 #bags { (ctx.t("Bulk bags")) }
            (table(&ctx.t("Bulk bags"), html! {
                thead { tr { th scope="col" { (ctx.t("Bag")) } th scope="col" { (ctx.t("Where")) } th.number scope="col" { (ctx.t("Net")) } th.number scope="col" { (ctx.t("Tipped")) } } }
                tbody { @for bag in &a.bags { tr {
                    th scope="row" { (bag_link(&bag.bag_tag)) } td lang="en" { (bag.place) }
                    td.number { (bag.net_mass_mg.map_or_else(|| "\u{2013}".into(), |m| ctx.words.kg(m))) } td.number { (ctx.words.kg(bag.tipped_mass_mg)) }
                } } }
            }))
            (methods(ctx, &a.methods))
        },
        Answer::Bag(a) => html! {
            p.big { (bag_link(&a.bag_tag)) " " (lots(&a.lots)) }
            (pack_locations(ctx, a.pack_locations.as_ref()))
            h2 { (ctx.t("Packs")) } (sets(ctx, &a.packs))
            h2 { (ctx.t("What happened")) } (timeline(ctx, &a.timeline))
            (methods(ctx, &a.methods))
        },
        Answer::Pallet(a) => html! {
            @if let Some(pallet) = &a.pallet { p.big { (pallet_link(&pallet.sscc)) " " (super::store::pallet_state(ctx, pallet)) " " span lang="en" { (pallet.place) } } }
            @for row in &a.origins { (origin(ctx, row)) }
            h2 { (ctx.t("What happened")) } (timeline(ctx, &a.timeline))
        },
        Answer::Consignment(a) => html! {
            p.big { (a.consignment_code) " \u{2192} " strong { (a.consignee_code) } ", " a href={ "/loads/" (escaped(&a.load_code)) } { (a.load_code) } }
            (pallet_rows(ctx, &a.pallets.iter().map(traced).collect::<Vec<_>>()))
            h2 { (ctx.t("Lots that may be in it")) }
            ul.plain { @for lot in &a.lots { li { (lot_link(&lot.lot_code)) " " (lot_state(ctx, lot)) " " a href={ "/trace?q=" (escaped(&lot.lot_code)) } { (ctx.t("trace")) } } } }
        },
        Answer::Packaging(a) => html! {
            (pack_locations(ctx, a.pack_locations.as_ref()))
            h2 { (ctx.t("What happened")) } (timeline(ctx, &a.timeline))
        },
        Answer::Choose(rows) => html! {
            p { (ctx.t("Say which one:")) }
            div.tiles { @for row in rows { (choice(ctx, row)) } }
        },
        Answer::Nothing => html! {
            p { (ctx.t("From a complaint: type or scan the pack code, for example")) " " code { "HF279A 2026-10-06 09:20" } ". "
                (ctx.t("From anything else: its code.")) }
        },
    }
}

/// One of several things with a code; a run or batch asks for the pack besides.
fn choice(ctx: &Ctx, row: &v1::FoundCode) -> Markup {
    let title = html! { h2 { (kind_words(ctx, row.kind())) " " (row.code) } p lang="en" { (row.text) } };
    match row.kind() {
        v1::CodeKind::Run | v1::CodeKind::Batch => html! {
            div.tile {
                (title)
                form.row method="get" action="/trace" {
                    input type="hidden" name="q" value=(row.code);
                    div.field { label for={ "time-" (row.run_code) } { (ctx.t("Printed time")) }
                        input id={ "time-" (row.run_code) } type="datetime-local" name="time"; }
                    button type="submit" { (ctx.t("Trace by time")) }
                }
                form.row method="get" action="/trace" {
                    input type="hidden" name="run" value=(row.run_code);
                    div.field { label for={ "pack-" (row.run_code) } { (ctx.t("Pack number")) }
                        input id={ "pack-" (row.run_code) } name="pack" inputmode="numeric" autocomplete="off"; }
                    button type="submit" { (ctx.t("Trace by number")) }
                }
            }
        },
        kind => html! { a.tile href={ "/trace?q=" (escaped(&row.code)) "&kind=" (i32::from(kind)) } { (title) } },
    }
}

fn search(ctx: &Ctx) -> Markup {
    html! {
        form.row.asking method="get" action="/trace" role="search" aria-label=(ctx.t("Trace")) {
            div.field.wide {
                label for="q" { (ctx.t("Pack code, lot, batch code, bag tag, pallet, run, consignment")) }
                input #q name="q" type="search" value=(ctx.query.get("q")) autocomplete="off" autocapitalize="characters"
                    spellcheck="false" enterkeyhint="search" autofocus[ctx.query.get("q").is_empty()];
            }
            button.main type="submit" { (ctx.t("Trace")) }
        }
    }
}

fn key(ctx: &Ctx) -> Markup {
    html! {
        ul.key aria-label=(ctx.t("Key to the picture")) {
            li { span.swatch.likely {} " " (ctx.t("likely: 1 % or more")) }
            li { span.swatch.possible {} " " (ctx.t("possible")) }
            li { span.swatch.span {} " " (ctx.t("same clean span of the feed")) }
            li { span.swatch.held {} " " (ctx.t("on hold")) }
        }
    }
}

/// The page.
///
/// # Errors
/// When the question cannot be answered.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let answer = ask(ctx).await;
    let (answer, fault) = match answer {
        Ok(answer) => (answer, None),
        // What the server could not do says nothing of what was looked for.
        Err(fault) if super::form::Problem::of_status(&fault).status >= 500 => return Err(fault),
        Err(fault) => (Answer::Nothing, Some(fault)),
    };
    let graph = picture(ctx, &answer).await?;
    let address: Vec<String> = ctx.query.pairs().map(|(a, b)| format!("{}={}", escaped(a), escaped(b))).collect();
    let found = !matches!(answer, Answer::Choose(_) | Answer::Nothing);
    let body = html! {
        (search(ctx))
        @if let Some(fault) = &fault {
            section.notice.warn role="alert" {
                ul { @for row in &super::form::Problem::of_status(fault).reasons { li { @if !row.field.is_empty() { (super::labels::of(ctx, &row.field)) ": " } span lang="en" { (ctx.words.sentence(&row.text)) } } } }
            }
        }
        @if found {
            p.row.noprint {
                a.button href={ "/trace.csv?" (address.join("&")) } { (ctx.t("As a spreadsheet (CSV)")) }
                button type="button" data-print { (ctx.t("Print")) }
            }
        }
        @if graph.len() > 0 {
            div.scroll.picture role="region" tabindex="0" aria-label=(ctx.t("The trace as a picture")) {
                (graph.draw(&ctx.t("From lots by bags and packs to pallets and where they are; widths are masses"), &|node| spoken(ctx, node)))
            }
            (key(ctx))
        }
        (tables(ctx, &answer))
    };
    let status = if fault.is_some() { 404 } else { 200 };
    let title =
        if ctx.query.get("q").is_empty() { ctx.t("Trace") } else { ctx.tf("Trace of {}", &[&ctx.query.get("q")]) };
    Ok(Page { status, ..Page::new(title, body) })
}
