//! The line: the run that is on, the bags in its feed, what it made; and the actions of a shift, one touch away.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::check_service_server::CheckService;
use packloft_proto::v1::figure_service_server::FigureService;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::run_service_server::RunService;
use tonic::{Request, Status};

use super::address::escaped;
use super::charts;
use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, guarded, may};
use super::registers::{self, choices};
use super::widgets::{Form, badge, bag_link, fact, folded, form, form_with, lots, more, n, none, run_link, table};

/// Reasons for a loss.
pub fn loss_reasons(ctx: &Ctx) -> Vec<(String, String)> {
    let row = |value: v1::LossReason, text: String| (i32::from(value).to_string(), text);
    vec![
        row(v1::LossReason::Reject, ctx.t("rejected packs")),
        row(v1::LossReason::Sample, ctx.t("sample")),
        row(v1::LossReason::Sweepings, ctx.t("sweepings")),
        row(v1::LossReason::SieveOversize, ctx.t("sieve oversize")),
        row(v1::LossReason::DustFilter, ctx.t("dust filter")),
        row(v1::LossReason::Purge, ctx.t("purge")),
        row(v1::LossReason::Burst, ctx.t("burst packs or bag")),
    ]
}

/// Where a loss went.
pub fn loss_destinations(ctx: &Ctx) -> Vec<(String, String)> {
    let row = |value: v1::LossDestination, text: String| (i32::from(value).to_string(), text);
    vec![
        row(v1::LossDestination::Rework, ctx.t("rework")),
        row(v1::LossDestination::Remelt, ctx.t("remelt")),
        row(v1::LossDestination::Feed, ctx.t("animal feed")),
        row(v1::LossDestination::Waste, ctx.t("waste")),
        row(v1::LossDestination::Laboratory, ctx.t("laboratory")),
        row(v1::LossDestination::ReturnedToHopper, ctx.t("back into the hopper")),
    ]
}

/// All machines.
///
/// # Errors
/// When the record cannot be read.
pub async fn all(ctx: &Ctx) -> Result<Page, Status> {
    let machines = registers::machines(ctx).await?;
    if let [only] = machines.as_slice()
        && ctx.query.get("all").is_empty()
    {
        return page(ctx, &only.code.clone()).await;
    }
    let body = html! {
        div.tiles { @for machine in &machines {
            a.tile href={ "/line/" (escaped(&machine.code)) } { h2 { (machine.code) } p { (machine.name) } }
        } }
        (none(ctx, machines.is_empty(), n("No machine is registered.")))
    };
    Ok(Page::new(ctx.t("Line"), body))
}

fn counters(f: &Form) -> Markup {
    html! {
        (f.count("filled", n("Counter: filled"), ""))
        (f.count("accepted", n("Counter: accepted"), ""))
        (f.count("rejected", n("Counter: rejected"), ""))
        details.wide {
            summary { (f.ctx.t("A counter was set back?")) }
            (f.count("filled_before_reset", n("Counter filled, last value before it was set back"), n("Then the value above counts from 0 on.")))
            (f.count("accepted_before_reset", n("Counter accepted, last value before it was set back"), ""))
            (f.count("rejected_before_reset", n("Counter rejected, last value before it was set back"), ""))
        }
    }
}

struct Known {
    products: Vec<(String, String)>,
    reasons: Vec<(String, String)>,
    instruments: Vec<(String, String)>,
    reels: Vec<(String, String)>,
    places: Vec<(String, String)>,
    people: Vec<(String, String)>,
    platform: Vec<v1::BulkBag>,
}

fn action(ctx: &Ctx, name: &str, title: String, button: String, body: impl FnOnce(&Form) -> Markup) -> Markup {
    folded(ctx, name, &title, form(ctx, name, name, &button, body))
}

fn tip(ctx: &Ctx, line: &v1::GetLineResponse, known: &Known) -> Markup {
    let standing: Vec<(String, String)> = known
        .platform
        .iter()
        .map(|bag| (bag.bag_tag.clone(), bag.lots.iter().map(|l| l.lot_code.clone()).collect::<Vec<_>>().join(", ")))
        .collect();
    action(ctx, "tip", ctx.t("Bag tipped"), ctx.t("Record the tip"), |f| {
        html! {
            (f.with("feed_code", &line.feed_code)) (f.with("machine_code", &line.machine_code))
            (f.code("bag_tag", n("Bag tag"), &standing, n("Scan it, or choose one that stands on the platform.")))
            (f.count("filled", n("Counter: filled"), n("If it was read at that moment: it fixes the place of the tip.")))
            (f.kg("part_mass_mg", n("Only a part"), n("Empty: all that was in the bag.")))
            (f.tick("extraction_running", n("The dust extraction ran")))
            (f.tick("earth_connected", n("The earth connection of the bag was on")))
        }
    })
}

/// Forms of a run that is on, else the one that starts a run.
fn run_forms(ctx: &Ctx, line: &v1::GetLineResponse, known: &Known) -> Markup {
    let machine = &line.machine_code;
    let feed = &line.feed_code;
    html! {
            @match &line.run {
                Some(run) => {
                    (action(ctx, "build_pallet", ctx.t("Pallet finished"), ctx.t("Record the pallet"), |f| html! {
                        (f.with("run_code", &run.run_code))
                        (f.count("pack_count", n("Packs"), ""))
                        (f.one("location_code", n("Place"), &known.places, ""))
                        (f.code("sscc", n("Pallet number"), &[], n("Empty: the next number of the site.")))
                    }))
                    (action(ctx, "finish_run", ctx.t("Finish the run"), ctx.t("Finish, and show the balance"), |f| html! {
                        (f.with("run_code", &run.run_code)) (f.with("feed_code", feed)) (counters(f))
                    }))
                },
                None => (action(ctx, "start_run", ctx.t("Start a run"), ctx.t("Start"), |f| html! {
                    (f.with("machine_code", machine))
                    (f.code("run_code", n("Run"), &[], n("Your number for this run.")))
                    (f.one("product_code", n("Product"), &known.products, ""))
                    (f.code("batch_code", n("Batch code"), &[], n("As printed on the packs.")))
                    (counters(f))
                    (f.tick("line_check_done", n("Artwork, product, code and date were checked on the first pack")))
                    (f.text("already_done_reason", n("If it runs already: why it was not asked first"), ""))
                })),
            }
    }
}

/// The form for packs that were weighed.
fn weighing_form(ctx: &Ctx, machine: &str, known: &Known) -> Markup {
    html! {
            (action(ctx, "readings", ctx.t("Packs weighed"), ctx.t("Record the weighings"), |f| html! {
                (f.with("machine_code", machine))
                (f.lines("mass_mg", n("Grams, one pack a line"), ""))
                (f.count("over_minutes", n("Weighed over how many minutes"), n("From the first pack to the last, ended now; 0 for all at once.")))
                (f.one("instrument_code", n("Instrument"), &known.instruments, ""))
                (f.one("kind", n("What was read"), &super::packer::kinds(ctx), ""))
                (f.grams("tare_mass_mg", n("Tare of the pack"), n("For gross readings.")))
                (f.one("point", n("Which packs"), &[
                    (i32::from(v1::ReadingPoint::Accepted).to_string(), ctx.t("accepted")),
                    (i32::from(v1::ReadingPoint::BeforeRejecter).to_string(), ctx.t("before the rejecter")),
                    (i32::from(v1::ReadingPoint::Rejected).to_string(), ctx.t("rejected")),
                ], ""))
            }))
    }
}

fn actions(ctx: &Ctx, line: &v1::GetLineResponse, known: &Known, checks: &[v1::CheckState]) -> Markup {
    let machine = &line.machine_code;
    let feed = &line.feed_code;
    let run = line.run.as_ref();
    html! {
        div.folds {
            (tip(ctx, line, known))
            (super::checks::forms(ctx, checks, &known.instruments, run))
            (action(ctx, "count", ctx.t("Counter read"), ctx.t("Record the count"), |f| html! {
                (f.with("machine_code", machine)) (counters(f))
            }))
            (action(ctx, "stop", ctx.t("Machine stood still"), ctx.t("Record the stop, ended now"), |f| html! {
                (f.with("machine_code", machine))
                (f.one("reason_code", n("Reason"), &known.reasons, ""))
                (f.count("stood_minutes", n("For how many minutes"), ""))
            }))
            (weighing_form(ctx, machine, known))
            (super::packer::line_forms(ctx, machine, &known.products, &known.instruments))
            (action(ctx, "level", ctx.t("Hopper level seen"), ctx.t("Record the level"), |f| html! {
                (f.with("feed_code", feed)) (f.kg("content_mass_mg", n("Content"), ""))
                (f.kg("uncertainty_mass_mg", n("Give or take"), ""))
            }))
            (action(ctx, "emptied", ctx.t("Feed emptied"), ctx.t("Record: hopper and mixing section seen empty and clean"), |f| html! {
                (f.with("feed_code", feed))
                p.note { (ctx.t("Only when both were seen empty and clean. It ends the clean span for every trace.")) }
            }))
            (action(ctx, "loss", ctx.t("Product lost"), ctx.t("Record the loss"), |f| html! {
                (f.with("feed_code", feed)) (f.with("machine_code", machine))
                (f.kg("mass_mg", n("Mass"), ""))
                (f.one("reason", n("Reason"), &loss_reasons(ctx), ""))
                (f.one("destination", n("Where it went"), &loss_destinations(ctx), ""))
                (f.one("source", n("What it was"), &[
                    (i32::from(v1::LossSource::Packs).to_string(), ctx.t("product from packs")),
                    (i32::from(v1::LossSource::Stream).to_string(), ctx.t("product before it was packed")),
                ], ""))
                (f.count("pack_count", n("Packs"), n("If it was packs.")))
            }))
            (super::packer::cleaning_form(ctx, machine, &known.products, &known.people))
            (action(ctx, "remark", ctx.t("Remark"), ctx.t("Record the remark"), |f| html! {
                @if let Some(run) = run { (f.with("run_code", &run.run_code)) } @else { (f.with("feed_code", feed)) }
                (f.lines("text", n("Remark"), ""))
            }))
            (action(ctx, "reel_change", ctx.t("New reel"), ctx.t("Record the reel"), |f| html! {
                (f.with("machine_code", machine))
                (f.code("packaging_lot_code", n("Packaging lot"), &known.reels, ""))
                (f.count("enough_for_count", n("Enough for packs"), n("Empty: as its lot says of a full reel.")))
                (f.count("left_count", n("Left on the old one, in packs"), n("Empty: it was used up.")))
            }))
            (action(ctx, "sample", ctx.t("Sample retained"), ctx.t("Record the sample"), |f| html! {
                @if let Some(run) = run { (f.with("run_code", &run.run_code)) }
                (f.code("sample_code", n("Sample"), &[], ""))
                (f.count("pack_count", n("Packs"), ""))
                (f.one("location_code", n("Place"), &known.places, ""))
            }))
            (action(ctx, "clock", ctx.t("Printer clock compared"), ctx.t("Record the difference"), |f| html! {
                (f.with("machine_code", machine))
                (f.text("offset_seconds", n("Seconds the printer is ahead"), n("With a minus sign when it is behind.")))
                (f.count("tolerance_seconds", n("Give or take, seconds"), n("Empty: 60.")))
            }))
            (run_forms(ctx, line, known))
        }
    }
}

fn content(ctx: &Ctx, line: &v1::GetLineResponse) -> Markup {
    let Some(content) = line.estimated_content_mg else { return html! {} };
    let full = line.capacity_mass_mg.max(1) as f64;
    html! {
        div.card {
            h2 { (ctx.t("In the feed")) }
            p { strong.figure { (ctx.words.about_kg(content)) }
                @if let Some(u) = line.content_uncertainty_mg { " \u{b1} " (ctx.words.about_kg(2.0 * u)) } }
            meter min="0" max="100" value=(format!("{:.0}", (content / full * 100.0).clamp(0.0, 100.0)))
                aria-label=(ctx.t("Estimated content of the feed")) {}
            p.quiet { (ctx.t("An estimate at the newest count: tipped less drawn. Look into the hopper before you rely on it.")) }
        }
    }
}

fn bags(ctx: &Ctx, line: &v1::GetLineResponse, platform: &[v1::BulkBag]) -> Markup {
    let against = |tag: &str| {
        let stop = line.stopped.iter().find(|stop| stop.bag_tag == tag);
        html! { @if let Some(stop) = stop { " " (super::announce::badges(ctx, stop)) } }
    };
    html! {
        div.card {
            h2 { (ctx.t("Bag in the packs now")) }
            @for bag in &line.now {
                p { strong.figure { (bag_link(&bag.bag_tag)) } " " (ctx.words.percent(bag.share)) " " span.quiet { (lots(&bag.lots)) } (against(&bag.bag_tag)) }
            }
            (none(ctx, line.now.is_empty(), n("not known")))
            h3 { (ctx.t("Next")) }
            @for bag in &line.next {
                p { (bag_link(&bag.bag_tag)) " " span.quiet { (ctx.t("tipped")) " " (ctx.words.clock(bag.tipped_time.as_ref())) } (against(&bag.bag_tag)) }
            }
            @for bag in platform {
                p { (bag_link(&bag.bag_tag)) " " span.quiet { (ctx.t("on the platform")) }
                    @if !bag.hold_codes.is_empty() { " " (badge("bad", &ctx.tf("on hold {}", &[&bag.hold_codes.join(" ")]))) } }
            }
            @if line.next.is_empty() && platform.is_empty() { p { (badge("warn", &ctx.t("no bag is waiting"))) } }
        }
    }
}

fn run_card(ctx: &Ctx, line: &v1::GetLineResponse) -> Markup {
    let rate = line.counts.iter().find_map(|row| row.rate_per_hour);
    html! {
        div.card {
            @match &line.run {
                Some(run) => {
                    h2 { (ctx.t("Run")) " " (run_link(&run.run_code)) }
                    p { strong { (run.product_code) } ", " (ctx.t("batch")) " " strong { (run.batch_code) } }
                    dl.facts {
                        (fact(&ctx.t("Packs of this run"), html! { strong.figure { (ctx.words.count(run.filled_count)) } }))
                        @if let Some(count) = run.accepted_count { (fact(&ctx.t("Accepted"), ctx.words.count(count))) }
                        @if let Some(count) = run.rejected_count { (fact(&ctx.t("Rejected"), ctx.words.count(count))) }
                        (fact(&ctx.t("Packs an hour"), rate.map_or_else(|| "\u{2013}".into(), |rate| ctx.words.number(rate, 0))))
                        (fact(&ctx.t("Counted last"), ctx.words.time(run.last_count_time.as_ref())))
                        (fact(&ctx.t("Started"), ctx.words.time(run.start_time.as_ref())))
                        @if let Some(mean) = run.mean_fill_mg { (fact(&ctx.t("Mean fill"), ctx.words.grams(mean, 2))) }
                    }
                },
                None => { h2 { (ctx.t("No run is open")) } },
            }
            @for note in line.notes.iter().filter(|note| !note.starts_with("no run")) { p { (badge("warn", note)) } }
        }
    }
}

fn counts(ctx: &Ctx, rows: &[v1::CountRow]) -> Markup {
    let value = |row: &v1::CountRow, place: v1::CounterPlace| {
        row.counters.iter().find(|c| c.place() == place).map_or_else(|| "\u{2013}".into(), |c| ctx.words.count(c.value))
    };
    html! {
        @if !rows.is_empty() {
            (table(&ctx.t("Counts"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Time")) } th.number scope="col" { (ctx.t("Counter: filled")) }
                    th.number scope="col" { (ctx.t("Counter: accepted")) } th.number scope="col" { (ctx.t("Counter: rejected")) }
                    th.number scope="col" { (ctx.t("Packs an hour")) }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { (ctx.words.time(row.occurred_time.as_ref())) }
                    td.number { (value(row, v1::CounterPlace::Filled)) } td.number { (value(row, v1::CounterPlace::Accepted)) }
                    td.number { (value(row, v1::CounterPlace::Rejected)) }
                    td.number { (row.rate_per_hour.map_or_else(|| "\u{2013}".into(), |rate| ctx.words.number(rate, 0))) }
                } } }
            }))
        }
    }
}

/// The line of a machine.
///
/// # Errors
/// When the machine is not registered.
pub async fn page(ctx: &Ctx, machine: &str) -> Result<Page, Status> {
    let request = v1::GetLineRequest { machine_code: machine.into(), ..Default::default() };
    let line = ctx.api.get_line(Request::new(request)).await?.into_inner();
    let on_platform =
        v1::ListBulkBagsRequest { page_size: 100, state: v1::BagState::OnPlatform.into(), ..Default::default() };
    let mut platform = ctx.api.list_bulk_bags(Request::new(on_platform)).await?.into_inner().bags;
    platform.reverse();
    let begun =
        v1::ListBulkBagsRequest { page_size: 100, state: v1::BagState::PartTipped.into(), ..Default::default() };
    platform.splice(0..0, ctx.api.list_bulk_bags(Request::new(begun)).await?.into_inner().bags);
    let fill = match &line.run {
        Some(run) => {
            let request = v1::GetFillRequest { run_code: run.run_code.clone(), min_sequence: 0 };
            Some(ctx.api.get_fill(Request::new(request)).await?.into_inner())
        }
        None => None,
    };
    let plan = v1::GetCheckPlanRequest { machine_code: machine.into(), ..Default::default() };
    let checks = ctx.api.get_check_plan(Request::new(plan)).await?.into_inner().states;
    let known = Known {
        products: choices!(&registers::products(ctx).await?),
        reasons: choices!(&registers::stop_reasons(ctx).await?),
        instruments: choices!(&registers::instruments(ctx).await?),
        reels: choices!(&registers::packaging_lots(ctx).await?),
        places: crate::registers::place_choices(ctx).await?,
        people: registers::person_rows(&registers::persons(ctx).await?),
        platform: platform.clone(),
    };
    let runs = v1::ListRunsRequest { machine_code: machine.into(), page_size: 8, ..Default::default() };
    let runs = ctx.api.list_runs(Request::new(runs)).await?.into_inner().runs;
    let body = html! {
        div #stopped data-live { (super::announce::notice(ctx, &line.stopped)) }
        div.cards #line data-live {
            (run_card(ctx, &line)) (bags(ctx, &line, &platform)) (content(ctx, &line)) (super::checks::card(ctx, &checks))
        }
        (guarded(ctx, May::Floor, || actions(ctx, &line, &known, &checks)))
        div #counts data-live {
            @if let Some(fill) = fill.as_ref().filter(|fill| fill.reading_count > 0) {
                h2 { (ctx.t("Fill")) }
                (charts::samples(ctx, fill))
            }
            @if let Some(run) = line.run.as_ref().filter(|run| !run.stops.is_empty()) {
                h2 { (ctx.t("Stops")) }
                (stops(ctx, &run.stops))
            }
            @if !line.counts.is_empty() { h2 { (ctx.t("Counts")) } }
            (counts(ctx, &line.counts))
        }
        h2 { (ctx.t("Runs on this machine")) }
        (run_table(ctx, &runs))
        p { a href="/line?all=1" { (ctx.t("All machines")) } }
    };
    Ok(Page::new(ctx.tf("Line {}", &[&machine]), body))
}

fn stops(ctx: &Ctx, rows: &[v1::Stop]) -> Markup {
    table(
        &ctx.t("Stops"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("From")) } th scope="col" { (ctx.t("To")) } th.number scope="col" { (ctx.t("Minutes")) }
                th scope="col" { (ctx.t("Reason")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (ctx.words.time(row.start_time.as_ref())) } td { (ctx.words.clock(row.end_time.as_ref())) }
                td.number { (ctx.words.number(charts::minutes(row), 1)) } td { (row.reason_code) }
            } } }
        },
    )
}

fn run_table(ctx: &Ctx, rows: &[v1::Run]) -> Markup {
    table(
        &ctx.t("Runs"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Run")) } th scope="col" { (ctx.t("Product")) } th scope="col" { (ctx.t("Batch")) }
                th scope="col" { (ctx.t("Started")) } th scope="col" { (ctx.t("Finished")) } th.number scope="col" { (ctx.t("Filled")) }
            } }
            tbody { @for run in rows { tr {
                th scope="row" { (run_link(&run.run_code)) } td { (run.product_code) } td { (run.batch_code) }
                td { (ctx.words.time(run.start_time.as_ref())) }
                td { @if run.end_time.is_some() { (ctx.words.time(run.end_time.as_ref())) } @else { (badge("plain", &ctx.t("still running"))) } }
                td.number { (ctx.words.count(run.filled_count)) }
            } } }
        },
    )
}

/// A run.
///
/// # Errors
/// When it is not on record.
pub async fn run(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetRunRequest { run_code: code.into(), min_sequence: 0 };
    let run = ctx.api.get_run(Request::new(request)).await?.into_inner().run.unwrap_or_default();
    let request = v1::GetFillRequest { run_code: code.into(), min_sequence: 0 };
    let fill = ctx.api.get_fill(Request::new(request)).await?.into_inner();
    let body = html! {
        dl.facts #run data-live {
            (fact(&ctx.t("Product"), &run.product_code)) (fact(&ctx.t("Batch"), &run.batch_code))
            (fact(&ctx.t("Machine"), html! { a href={ "/line/" (escaped(&run.machine_code)) } { (run.machine_code) } }))
            (fact(&ctx.t("Started"), ctx.words.time(run.start_time.as_ref())))
            (fact(&ctx.t("Finished"), ctx.words.time(run.end_time.as_ref())))
            (fact(&ctx.t("Filled"), ctx.words.count(run.filled_count)))
            @if let Some(count) = run.accepted_count { (fact(&ctx.t("Accepted"), ctx.words.count(count))) }
            @if let Some(count) = run.rejected_count { (fact(&ctx.t("Rejected"), ctx.words.count(count))) }
        }
        (trace_form(ctx, &run))
        @if !run.held.is_empty() {
            h2 { (ctx.t("Held")) }
            ul { @for held in &run.held {
                @let interval = held.interval.clone().unwrap_or_default();
                li { (badge("bad", &held.hold_code)) " " (ctx.tf("packs {} to {}", &[&interval.first_number, &interval.last_number])) }
            } }
        }
        h2 { (ctx.t("Fill")) }
        @if fill.reading_count > 0 { p { a.button href={ "/runs/" (escaped(code)) "/quantity" } { (ctx.t("Quantity, chart and target")) } } }
        @if fill.reading_count > 0 { (charts::spread(ctx, &fill)) (charts::samples(ctx, &fill)) }
        (none(ctx, fill.reading_count == 0, n("No pack of this run was weighed.")))
        @if !run.stops.is_empty() { h2 { (ctx.t("Stops")) } (charts::pareto(ctx, &run.stops)) (stops(ctx, &run.stops)) }
        @if !run.remarks.is_empty() {
            h2 { (ctx.t("Remarks")) }
            ul { @for remark in &run.remarks { li { (remark) } } }
        }
        @if may(ctx, May::Quality) {
            (folded(ctx, "release_run", &ctx.t("Release this run"),
                form(ctx, "release_run", "release_run", &ctx.t("Release"), |f: &Form| html! {
                    (f.with("run_code", code)) (f.text("reason", n("Reason"), ""))
                })))
        }
        (super::print::labels(ctx, &["pack"], code))
        (interval_hold(ctx, code))
        (more(ctx, ""))
    };
    Ok(Page::new(ctx.tf("Run {}", &[&code]), body))
}

/// Asks where packs of a run came from.
fn trace_form(ctx: &Ctx, run: &v1::Run) -> Markup {
    html! {
        form.row method="get" action="/trace" {
            input type="hidden" name="run" value=(run.run_code);
            div.field {
                label for="pack" { (ctx.t("Pack number")) }
                input #pack name="pack" inputmode="numeric" autocomplete="off" value=(run.filled_count.max(1));
            }
            button.main type="submit" { (ctx.t("Trace this pack")) }
        }
    }
}

fn interval_hold(ctx: &Ctx, code: &str) -> Markup {
    if !may(ctx, May::Record) {
        return html! {};
    }
    let made = form_with(ctx, "hold", "hold", &ctx.t("Place the hold"), Vec::new(), |f: &Form| {
        html! {
            (f.with("run_code", code))
            (f.count("first_number", n("From pack"), n("Empty: the first.")))
            (f.count("last_number", n("To pack"), n("Empty: up to the last, also later ones.")))
            (f.text("reason", n("Reason"), ""))
            (f.one("hazard", n("Kind of hazard"), &super::quality::hazards(ctx), ""))
        }
    });
    folded(ctx, "hold", &ctx.t("Place a hold on packs of this run"), made)
}
