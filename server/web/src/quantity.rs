//! Legal quantity of a run, its control chart and the lowest safe target; and where a line's time went.

use maud::{Markup, html};
use packloft_domain::key::DAY_US;
use packloft_proto::durations;
use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, guarded};
use super::picture::{Scale, at, figure, line, words};
use super::registers::{self, choices};
use super::widgets::{badge, folded, form_with, n, none, run_link, table};

/// Points drawn: the newest; more than that nobody can tell apart.
const POINTS_SHOWN: usize = 150;

fn outcome(ctx: &Ctx, outcome: v1::QuantityOutcome) -> Markup {
    match outcome {
        v1::QuantityOutcome::Passed => badge("good", &ctx.t("passes")),
        v1::QuantityOutcome::Failed => badge("bad", &ctx.t("FAILS")),
        v1::QuantityOutcome::NotEnough => badge("warn", &ctx.t("weigh more")),
        v1::QuantityOutcome::None | v1::QuantityOutcome::Unspecified => badge("warn", &ctx.t("no verdict")),
    }
}

fn verdicts(ctx: &Ctx, lot: &v1::QuantityLot) -> Markup {
    let grams = |mass: Option<f64>| mass.map_or_else(|| "\u{2013}".into(), |mass| ctx.words.grams(mass, 2));
    let title = format!("{} {}", ctx.t("Lot from"), ctx.words.time(lot.start_time.as_ref()));
    html! {
        h3 { (title) }
        p { (outcome(ctx, lot.outcome())) " " (ctx.t("decided by")) " " span lang="en" { (lot.decided_by) } }
        p { (ctx.tf("{} accepted, {} rejected, {} weighed", &[&ctx.words.count(lot.accepted_count), &ctx.words.count(lot.rejected_count), &ctx.words.count(lot.reading_count)])) }
        (table(&title, html! {
            thead { tr {
                th scope="col" { (ctx.t("Scheme")) } th scope="col" { (ctx.t("Verdict")) } th.number scope="col" { (ctx.t("Below the first limit of the law (T1)")) } th.number scope="col" { (ctx.t("May be")) }
                th.number scope="col" { (ctx.t("Below the second limit of the law (T2)")) } th.number scope="col" { (ctx.t("Mean")) } th.number scope="col" { (ctx.t("Least mean")) } th scope="col" { (ctx.t("Why")) }
            } }
            tbody { @for row in &lot.verdicts { tr {
                th scope="row" lang="en" { (row.name) }
                td { (outcome(ctx, row.outcome())) @if !row.decides { " " span.quiet { (ctx.t("does not decide")) } } }
                td.number { (row.short_count) " / " (row.tested_count) } td.number { (row.allowed_count) } td.number { (row.least_count) }
                td.number { (grams(row.mean_mg)) } td.number { (grams(row.mean_limit_mg)) }
                td lang="en" { (ctx.words.sentence(&row.reasons.join("; "))) }
            } } }
        }))
        @if !lot.drawn.is_empty() { (drawn(ctx, lot)) }
    }
}

/// Which packs the plans judged, in the order they were drawn.
fn drawn(ctx: &Ctx, lot: &v1::QuantityLot) -> Markup {
    let title = ctx.tf("Which packs were drawn, {}", &[&lot.drawn.len()]);
    html! {
        details { summary { (title) }
            p.quiet { (ctx.t("Drawn over the whole lot by machine and hour, the same ones at any time; a plan takes the first of them.")) }
            // Each lot has its own; a screen reader tells them apart by their time.
            (table(&format!("{title}, {}", ctx.words.time(lot.start_time.as_ref())), html! {
                thead { tr { th.number scope="col" { (ctx.t("Drawn")) } th scope="col" { (ctx.t("Weighed at")) } th.number scope="col" { (ctx.t("Pack, about")) } th.number scope="col" { (ctx.t("Net")) } } }
                tbody { @for (place, pack) in (1..).zip(&lot.drawn) { tr {
                    th.number scope="row" { (place) } td { (ctx.words.time(pack.occurred_time.as_ref())) }
                    td.number { (ctx.words.count(pack.pack_number)) } td.number { (ctx.words.grams(pack.net_mass_mg as f64, 1)) }
                } } }
            }))
        }
    }
}

/// The form that says which schemes and whose rules the site uses.
fn setting_form(ctx: &Ctx) -> Markup {
    use v1::QuantityRules as R;
    let rules = [
        (R::Unspecified, ctx.t("not said: no pack below the second limit of the law (T2)")),
        (R::PlanOnly, ctx.t("none but the plans' own")),
        (R::UnitedKingdom, ctx.t("United Kingdom")),
        (R::Ireland, ctx.t("Ireland")),
        (R::Germany, ctx.t("Germany")),
        (R::France, ctx.t("France")),
    ];
    let rules = rules.map(|(value, text)| (i32::from(value).to_string(), text));
    let setting = ctx.site.quantity.clone().unwrap_or_default();
    let all = setting.schemes.is_empty();
    let schemes = [
        ("scheme_1", v1::QuantityScheme::EuDouble, n("EU double plan (76/211/EEC)")),
        ("scheme_2", v1::QuantityScheme::EuDestructive, n("EU destructive plan (76/211/EEC)")),
        ("scheme_3", v1::QuantityScheme::UkSingle, n("UK single plan (SI 2006/659)")),
        ("scheme_4", v1::QuantityScheme::R87, n("OIML R 87:2004")),
        ("scheme_5", v1::QuantityScheme::Hb133, n("NIST HB 133 (indicative only)")),
    ];
    let ticked = schemes.iter().filter(|row| all || setting.schemes.contains(&row.1.into()));
    let mut preset: Vec<(&str, String)> = ticked.map(|row| (row.0, "1".to_owned())).collect();
    preset.push(("rules", setting.rules.to_string()));
    guarded(ctx, May::Quality, || {
        let made = form_with(ctx, "quantity_setting", "quantity_setting", &ctx.t("Use these"), preset, |f| {
            html! {
                p { (ctx.t("Only ticked schemes can fail a lot, from now on. Where every pack was weighed, that line decides in any case.")) }
                @for (field, _, name) in &schemes { (f.tick(field, name)) }
                (f.one("rules", n("Further rules of"), &rules, n("What no single pack may be below, and how many may be short where every pack is weighed.")))
            }
        });
        folded(ctx, "quantity_setting", &ctx.t("Schemes and rules in use at this site"), made)
    })
}

/// The points of a chart with centre and limits; those a rule speaks of are marked.
fn chart(ctx: &Ctx, answer: &v1::GetChartResponse) -> Markup {
    let (width, height, left, right) = (720.0, 260.0, 80.0, 650.0);
    let low = answer.points.iter().map(|p| p.value_mg).fold(answer.low_mg, f64::min);
    let high = answer.points.iter().map(|p| p.value_mg).fold(answer.high_mg, f64::max);
    let margin = ((high - low) * 0.08).max(1.0);
    let y = Scale::new(low - margin, high + margin, height - 30.0, 10.0);
    let x = Scale::new(-0.5, answer.points.len() as f64 - 0.5, left, right);
    let every = (answer.points.len() / 8).max(1);
    let drawing = html! {
        @for tick in y.ticks(5.0) {
            (line("grid", left, y.place(tick), right, y.place(tick)))
            (words("axis", left - 6.0, y.place(tick) + 4.0, "end", &ctx.words.number(tick / 1e3, 2)))
        }
        @for (class, value) in [("limit", answer.low_mg), ("mean", answer.centre_mg), ("limit", answer.high_mg)] {
            (line(class, left, y.place(value), right, y.place(value)))
            (words("axis", right + 6.0, y.place(value) + 4.0, "start", &ctx.words.number(value / 1e3, 2)))
        }
        @for (place, point) in answer.points.iter().enumerate() {
            @let cx = x.place(place as f64);
            circle class=(if point.rules.is_empty() { "dot" } else { "dot beyond" }) cx=(at(cx)) cy=(at(y.place(point.value_mg))) r="4" {}
            @if place % every == 0 { (words("axis", cx, height - 12.0, "middle", &ctx.words.clock(point.occurred_time.as_ref()))) }
        }
    };
    let rows = table(
        &ctx.t("Points of the chart"),
        html! {
            thead { tr { th scope="col" { (ctx.t("Time")) } th.number scope="col" { (ctx.t("Mean")) } th.number scope="col" { (ctx.t("Range")) } th scope="col" { (ctx.t("Rules")) } } }
            tbody { @for point in &answer.points { tr {
                th scope="row" { (ctx.words.time(point.occurred_time.as_ref())) } td.number { (ctx.words.grams(point.value_mg, 2)) }
                td.number { @if let Some(spread) = point.spread_mg { (ctx.words.grams(spread, 2)) } }
                td { @for rule in &point.rules { (rule) " " } }
            } } }
        },
    );
    html! {
        (figure("chart", &ctx.tf("Means of {} packs with their limits, in grams; marked where a run rule speaks", &[&answer.subgroup_count]), (width, height), &ctx.t("Figures as a table"), drawing, rows))
        @for row in &answer.capability {
            p.quiet lang="en" { (row.name) ": " (ctx.words.number(row.value, 2))
                @if let (Some(low), Some(high)) = (row.low, row.high) { " (" (ctx.words.number(low, 2)) "\u{2013}" (ctx.words.number(high, 2)) ", 95\u{a0}%)" } }
        }
    }
}

fn target(ctx: &Ctx, answer: &v1::GetTargetFillResponse) -> Markup {
    html! {
        @if let Some(target) = answer.target_mg {
            p.big { (ctx.t("Lowest safe target")) ": " strong { (ctx.words.grams(target, 2)) } ". " (ctx.t("Mean now")) ": " (ctx.words.grams(answer.mean_mg, 2)) }
            @if let Some(saving) = answer.daily_saving_mg { p { (ctx.tf("It would save {} a day.", &[&ctx.words.about_kg(saving)])) } }
            @if let (Some(target), Some(share)) = (answer.rejecter_target_mg, answer.reject_share) {
                p { (ctx.tf("With a rejecter at the first limit of the law (T1): {}, {} rejected.", &[&ctx.words.grams(target, 2), &ctx.words.percent(share)])) }
            }
        } @else {
            section.notice.warn { h3 { (ctx.t("No target is advised")) } ul { @for text in &answer.refusals { li lang="en" { (ctx.words.sentence(text)) } } } }
        }
        p { (ctx.tf("Giveaway now {} a day.", &[&ctx.words.about_kg(answer.daily_giveaway_mg)])) }
    }
}

/// Quantity, chart and target of a run.
///
/// # Errors
/// When the run is not on record.
pub async fn page(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetNetQuantityRequest { run_code: code.into(), ..Default::default() };
    let quantity = ctx.api.get_net_quantity(Request::new(request)).await?.into_inner();
    let request = v1::GetChartRequest { run_code: code.into(), subgroup_count: 4, ..Default::default() };
    let mut points = ctx.api.get_chart(Request::new(request)).await?.into_inner();
    let older = points.points.len().saturating_sub(POINTS_SHOWN);
    points.points.drain(..older);
    let request = v1::GetTargetFillRequest { run_code: code.into(), ..Default::default() };
    let advice = ctx.api.get_target_fill(Request::new(request)).await?.into_inner();
    let failed = !quantity.failed_lots.is_empty();
    let body = html! {
        p { (run_link(code)) ", " (ctx.t("Product")) " " span.code { (quantity.product_code) } ", " (ctx.t("nominal")) " " (ctx.words.grams(quantity.nominal_mass_mg as f64, 0)) }
        div #quantity data-live {
            p.big lang="en" { @if failed { (badge("bad", &ctx.words.sentence(&quantity.worst))) } @else { (ctx.words.sentence(&quantity.worst)) } }
            @for note in &quantity.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
            h2 { (ctx.t("Control chart")) }
            (none(ctx, points.points.is_empty(), n("Too few packs were weighed for a chart.")))
            @if !points.points.is_empty() { (chart(ctx, &points)) }
            (super::packer::side_by_side(ctx, &points))
            h2 { (ctx.t("Lowest safe target")) }
            (target(ctx, &advice))
            (super::packer::kept(ctx, &quantity))
            h2 { (ctx.t("Verdict by lots of a clock hour")) }
            p.quiet { (ctx.t("As an inspector would judge the packs accepted in each hour; a run has no verdict of its own.")) }
            @for lot in &quantity.lots { (verdicts(ctx, lot)) }
        }
        (super::packer::inspection_form(ctx, code))
        (setting_form(ctx))
    };
    Ok(Page::new(ctx.tf("Quantity of run {}", &[&code]), body))
}

fn share(ctx: &Ctx, name: &str, value: Option<f64>) -> Markup {
    super::widgets::fact(name, value.map_or_else(|| "\u{2013}".into(), |value| ctx.words.percent(value)))
}

/// Stops by reason and rejects by counter.
pub fn stops(ctx: &Ctx, answer: &v1::GetLinePerformanceResponse) -> Markup {
    let minutes = |took: Option<&prost_types::Duration>| {
        format!("{} min", ctx.words.number(took.map_or(0, durations::to_us) as f64 / 60e6, 0))
    };
    html! {
        h2 { (ctx.t("Stops")) }
        (none(ctx, answer.stops.is_empty(), n("No stop is on record.")))
        @if !answer.stops.is_empty() { (table(&ctx.t("Stops"), html! {
            thead { tr { th scope="col" { (ctx.t("Reason")) } th scope="col" { (ctx.t("Planned")) } th.number scope="col" { (ctx.t("Stops")) } th.number scope="col" { (ctx.t("Time")) } } }
            tbody { @for row in &answer.stops { tr {
                th scope="row" { (row.reason_code) } td { @if row.planned { (ctx.t("yes")) } @else { (ctx.t("no")) } } td.number { (row.stop_count) } td.number { (minutes(row.duration.as_ref())) }
            } } }
        })) }
        @if !answer.rejects.is_empty() { (table(&ctx.t("Rejected"), html! {
            thead { tr { th scope="col" { (ctx.t("Rejected because of")) } th.number scope="col" { (ctx.t("Packs")) } } }
            tbody { @for row in &answer.rejects { tr {
                th scope="row" { @if row.reason_code.is_empty() { (ctx.t("counter without a reason")) } @else { (row.reason_code) } } td.number { (ctx.words.count(row.pack_count)) }
            } } }
        })) }
    }
}

/// Where a line's time went in a day or shift.
///
/// # Errors
/// When the day or shift is none, or the machine is not on record.
pub async fn time(ctx: &Ctx) -> Result<Page, Status> {
    let machines = registers::machines(ctx).await?;
    let wanted = ctx.query.get("machine");
    let machine = if wanted.is_empty() { machines.first().map_or("", |m| m.code.as_str()) } else { wanted };
    let day = match ctx.query.get("day") {
        "" => ctx.words.zone.clock(ctx.now_us() - DAY_US).chars().take(10).collect::<String>(),
        day => day.to_owned(),
    };
    let shift = ctx.query.get("shift");
    let request = v1::GetLinePerformanceRequest {
        machine_code: machine.into(),
        day: day.clone(),
        shift_name: shift.into(),
        min_sequence: 0,
    };
    let answer = ctx.api.get_line_performance(Request::new(request)).await?.into_inner();
    let minutes = |took: Option<&prost_types::Duration>| {
        format!("{} min", ctx.words.number(took.map_or(0, durations::to_us) as f64 / 60e6, 0))
    };
    let count = |count: Option<i64>| count.map_or_else(|| "\u{2013}".into(), |count| ctx.words.count(count));
    let body = html! {
        form.row method="get" action="/yield/time" {
            div.field { label for="machine" { (ctx.t("Machine")) }
                select #machine name="machine" { @for (code, text) in &choices!(&machines) { option value=(code) selected[code == machine] { (text) } } } }
            div.field { label for="day" { (ctx.t("Day")) } input #day name="day" type="date" value=(day); }
            div.field { label for="shift" { (ctx.t("Shift")) }
                select #shift name="shift" { option value="" { (ctx.t("whole day")) } @for row in &ctx.site.shifts { option value=(row.name) selected[row.name == shift] { (row.name) } } } }
            button type="submit" { (ctx.t("Show")) }
        }
        div #time data-live {
            p.big { "OEE " strong.figure { (answer.oee.map_or_else(|| "\u{2013}".into(), |value| ctx.words.percent(value))) } }
            dl.facts {
                (share(ctx, &ctx.t("Availability"), answer.availability)) (share(ctx, &ctx.t("Effectiveness"), answer.effectiveness)) (share(ctx, &ctx.t("Quality rate"), answer.quality_rate))
                (super::widgets::fact(&ctx.t("Planned busy time"), minutes(answer.busy_duration.as_ref()))) (super::widgets::fact(&ctx.t("Production time"), minutes(answer.production_duration.as_ref())))
                (super::widgets::fact(&ctx.t("Lost by speed"), answer.speed_loss_duration.as_ref().map_or_else(|| "\u{2013}".into(), |lost| minutes(Some(lost)))))
                (super::widgets::fact(&ctx.t("Filled"), count(answer.filled_count))) (super::widgets::fact(&ctx.t("Accepted"), count(answer.accepted_count)))
            }
            @for note in &answer.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
            (stops(ctx, &answer))
        }
        p { a href={ "/line/" (escaped(machine)) } { (ctx.t("Line")) " " (machine) } }
    };
    Ok(Page::new(ctx.t("Where the time went"), body))
}
