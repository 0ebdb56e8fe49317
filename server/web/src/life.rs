//! The life of a hoist: how much is used, how it was loaded as a picture, when it will be used up, and what would be otherwise.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::gear_service_server::GearService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::gear::item_path;
use super::picture::{Scale, at, bar, figure, line, words};
use super::registers::{self, choices};
use super::widgets::{fact, n, none, table};

const WIDTH: f64 = 720.0;

fn hours(ctx: &Ctx, seconds: f64, decimals: usize) -> String {
    format!("{}\u{a0}h", ctx.words.number(seconds / 3_600.0, decimals))
}

fn percent(ctx: &Ctx, share: f64, decimals: usize) -> String {
    format!("{}\u{a0}%", ctx.words.number(share * 100.0, decimals))
}

fn head(ctx: &Ctx, life: &v1::GetDesignLifeResponse) -> Markup {
    let over = life.remaining_s.is_some_and(|left| left <= 0.0);
    let unknown = life.used_share.is_none();
    html! {
        section.verdict.stop[over || unknown] #verdict role="status" {
            h2 {
                @match life.used_share {
                    _ if over => (ctx.t("DESIGN LIFE USED UP: a general overhaul is due")),
                    Some(share) => (ctx.tf("{} of its design life is used", &[&percent(ctx, share, 1)])),
                    None => (ctx.t("Its used design life is not known")),
                }
            }
            @if let (Some(used), Some(left)) = (life.used_life_s, life.remaining_s) {
                p { (ctx.tf("Used {} of {} h, remaining {}", &[&hours(ctx, used, 2), &life.full_load_hours, &hours(ctx, left, 2)])) }
            }
            @if let Some(forecast) = &life.forecast {
                @let day = |date: &str| if date.is_empty() { ctx.t("beyond 50 years") } else { ctx.words.date(date) };
                @if forecast.day.is_empty() { p { (ctx.t("At this rate it lasts for more than 50 years.")) } }
                @else { p { (ctx.tf("Used up about {}; with {} % between {} and {}", &[
                    &day(&forecast.day), &forecast.confidence_percent, &day(&forecast.early_day), &day(&forecast.late_day)])) } }
            }
            @for note in &life.notes { p lang="en" { (ctx.words.sentence(note)) } }
            p.caution lang="en" { (life.caution) }
        }
        dl.facts {
            @if !life.full_load_source.is_empty() { (fact(&ctx.t("Design life from"), html! { span lang="en" { (life.full_load_source) } })) }
            @if let Some(before) = life.used_before_s {
                (fact(&ctx.t("Before the record"), html! { (hours(ctx, before as f64, 2)) " (" (life.used_before_source) ")" }))
            }
            @if let Some(used) = life.used_in_record_s { (fact(&ctx.t("In the record"), hours(ctx, used, 2))) }
            (fact(&ctx.t("Lifts"), ctx.words.count(life.lift_count)))
            (fact(&ctx.t("Running time"), hours(ctx, life.travel_time_s, 1)))
            (fact(&ctx.t("Load spectrum factor"), ctx.words.number(life.spectrum_factor, 4)))
        }
    }
}

fn class_name(ctx: &Ctx, class: &v1::LoadClass) -> String {
    match class.high_percent {
        0 => ctx.t("over 100"),
        high => format!("{}\u{2013}{high}", class.low_percent),
    }
}

/// Running time and used life by load, in classes of ten per cent of the rating.
fn histogram(ctx: &Ctx, life: &v1::GetDesignLifeResponse) -> Markup {
    let (height, left, right) = (260.0, 56.0, WIDTH - 56.0);
    let most = life.classes.iter().map(|class| class.time_s / 3_600.0).fold(0.0, f64::max);
    let decimals = if most < 0.4 { 2 } else { usize::from(most < 4.0) };
    let y = Scale::new(0.0, most, height - 46.0, 24.0);
    let share = Scale::new(0.0, 1.0, height - 46.0, 24.0);
    let width = (right - left) / life.classes.len().max(1) as f64;
    let drawing = html! {
        @for tick in y.ticks(4.0) {
            (line("grid", left, y.place(tick), right, y.place(tick)))
            (words("axis", left - 6.0, y.place(tick) + 4.0, "end", &ctx.words.number(tick, decimals)))
        }
        @for (place, class) in life.classes.iter().enumerate() {
            @let x = left + width * place as f64;
            @let over = class.high_percent == 0;
            (bar(if over { "bar bad" } else { "bar" }, x + 4.0, y.place(class.time_s / 3_600.0), width - 8.0, y.place(0.0) - y.place(class.time_s / 3_600.0)))
            circle class="dot" cx=(at(x + width / 2.0)) cy=(at(share.place(class.life_share))) r="5" {}
            (words("axis", x + width / 2.0, height - 28.0, "middle", &class_name(ctx, class)))
        }
        (words("axis", left - 6.0, 14.0, "end", "h"))
        @for share_shown in [0.0, 0.5, 1.0] {
            (words("axis", right + 6.0, share.place(share_shown) + 4.0, "start", &percent(ctx, share_shown, 0)))
        }
        (words("axis", (left + right) / 2.0, height - 8.0, "middle", &ctx.t("load in per cent of the rating")))
    };
    let rows = table(
        &ctx.t("Use by load"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Load, % of rating")) } th.number scope="col" { (ctx.t("Travels")) }
                th.number scope="col" { (ctx.t("Running time")) } th.number scope="col" { (ctx.t("Share of the used design life")) }
            } }
            tbody { @for class in &life.classes { tr {
                th scope="row" { (class_name(ctx, class)) } td.number { (ctx.words.count(class.travel_count)) }
                td.number { (hours(ctx, class.time_s, 2)) } td.number { (percent(ctx, class.life_share, 1)) }
            } } }
        },
    );
    let title = ctx.t("How it was loaded: running time in hours (bars) and share of the used life (dots)");
    figure("load", &title, (WIDTH, height), &ctx.t("Figures as a table"), drawing, rows)
}

fn periods(ctx: &Ctx, rows: &[v1::DesignLifePeriod]) -> Markup {
    html! {
        h2 { (ctx.t("How it was computed")) }
        (none(ctx, rows.is_empty(), n("Nothing was lifted.")))
        (table(&ctx.t("How it was computed"), html! {
            thead { tr {
                th scope="col" { (ctx.t("From")) } th scope="col" { (ctx.t("To")) } th.number scope="col" { (ctx.t("Rating")) }
                th.number scope="col" { "f" } th.number scope="col" { (ctx.t("Lifts")) } th.number scope="col" { (ctx.t("Running time")) }
                th.number scope="col" { (ctx.t("By hour counter")) } th.number scope="col" { "k" sub { "m" } } th.number scope="col" { (ctx.t("Used")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (ctx.words.time(row.start_time.as_ref())) } td { (ctx.words.time(row.end_time.as_ref())) }
                td.number { (ctx.words.about_kg(row.rated_capacity_mg as f64)) }
                td.number { (ctx.words.number(row.record_factor_permille as f64 / 1e3, 2)) } td.number { (ctx.words.count(row.lift_count)) }
                td.number { (hours(ctx, row.travel_time_s, 2)) }
                td.number { @match row.counter_time_s { Some(time) => (hours(ctx, time, 2)), None => "\u{2013}" } }
                td.number { (ctx.words.number(row.spectrum_factor, 4)) } td.number { (hours(ctx, row.used_life_s, 2)) }
            } } }
        }))
        p.quiet { "S = S" sub { "0" } " + \u{3a3} k" sub { "m" } " \u{b7} T \u{b7} f (ISO 4301-1, FEM 9.511, FEM 9.755)" }
    }
}

fn question(ctx: &Ctx, hoists: &[(String, String)]) -> Markup {
    html! {
        h2 #otherwise { (ctx.t("What if?")) }
        form.question method="get" action={ (ctx.path) "#otherwise" } {
            div.field { label for="bags" { (ctx.t("Bags a lift")) }
                input #bags name="bags" inputmode="numeric" value=(ctx.query.get("bags")) autocomplete="off"; }
            div.field { label for="gear_kg" { (ctx.t("Gear below the hook then, kg")) }
                input #gear_kg name="gear_kg" inputmode="decimal" value=(ctx.query.get("gear_kg")) autocomplete="off"; }
            div.field { label for="other" { (ctx.t("Another hoist")) }
                select #other name="other" { option value="" { "\u{2013}" }
                    @for (code, name) in hoists { option value=(code) selected[ctx.query.get("other") == code] { (name) } } } }
            button.main type="submit" name="what_if" value="1" { (ctx.t("Compare")) }
        }
    }
}

fn compared(ctx: &Ctx, answer: &v1::CompareDesignLifeResponse) -> Markup {
    html! {
        (table(&ctx.t("What if?"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Way")) } th.number scope="col" { (ctx.t("Lifts")) } th.number scope="col" { (ctx.t("Most on the hook")) }
                th.number scope="col" { (ctx.t("Rating")) } th.number scope="col" { (ctx.t("Used")) } th.number scope="col" { (ctx.t("Used in a year")) }
                th.number scope="col" { (ctx.t("Years it lasts")) }
            } }
            tbody { @for case in &answer.cases { tr {
                th scope="row" lang="en" { (ctx.words.sentence(&case.text)) } td.number { (ctx.words.count(case.lift_count)) }
                td.number { (ctx.words.about_kg(case.max_hook_load_mg as f64)) } td.number { (ctx.words.about_kg(case.rated_capacity_mg as f64)) }
                td.number { (hours(ctx, case.used_life_s, 2)) } td.number { (ctx.words.number(case.used_hours_per_year, 2)) "\u{a0}h" }
                td.number { @match case.year_count { Some(years) => (ctx.words.number(years, 1)), None => "\u{2013}" } }
            } } }
        }))
        @for case in answer.cases.iter().filter(|case| case.over_count > 0) {
            p.notice.bad role="alert" { strong { (ctx.t("DO NOT LIFT")) } ": " (ctx.tf("{} of these lifts would hang more than the rating.", &[&case.over_count])) }
        }
        @for note in &answer.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        p.caution lang="en" { (answer.caution) }
    }
}

/// The page.
///
/// # Errors
/// When the hoist is not registered or the record cannot be read.
pub async fn page(ctx: &Ctx, hoist_code: &str) -> Result<Page, Status> {
    let request = v1::GetDesignLifeRequest { hoist_code: hoist_code.into(), at_time: None };
    let life = ctx.api.get_design_life(Request::new(request)).await?.into_inner();
    let hoists: Vec<(String, String)> =
        choices!(&registers::hoists(ctx).await?).into_iter().filter(|(code, _)| code != hoist_code).collect();
    let (gear_kg, bags) = (ctx.query.get("gear_kg"), ctx.query.get("bags").trim());
    let kg = super::words::milligrams(gear_kg, ctx.words.language).ok();
    let count = bags.parse::<i64>().ok().filter(|count| (1..=20).contains(count));
    let unread = (!gear_kg.is_empty() && kg.is_none()) || (!bags.is_empty() && count.is_none());
    let answer = if ctx.query.ticked("what_if") && !unread {
        let request = v1::CompareDesignLifeRequest {
            hoist_code: hoist_code.into(),
            bags_per_lift: count.unwrap_or(0),
            gear_mass_mg: kg.filter(|_| !gear_kg.is_empty()),
            other_hoist_code: ctx.query.get("other").into(),
            at_time: None,
        };
        Some(ctx.api.compare_design_life(Request::new(request)).await.map(tonic::Response::into_inner))
    } else {
        None
    };
    let body = html! {
        (head(ctx, &life))
        (histogram(ctx, &life))
        (periods(ctx, &life.periods))
        (question(ctx, &hoists))
        @if unread { p.notice.bad role="alert" { (ctx.t("Bags a lift are 1 to 20, gear is a mass in kilograms.")) } }
        @match &answer {
            Some(Ok(answer)) => (compared(ctx, answer)),
            Some(Err(status)) => {
                @for row in &super::form::Problem::of_status(status).reasons { p.notice.bad role="alert" lang="en" { (ctx.words.sentence(&row.text)) } }
            },
            None => {},
        }
        p { a.button href=(item_path(hoist_code, "")) { (ctx.tf("Hoist {}", &[&hoist_code])) } " "
            a.button href={ "/documents/lifting-record/hoist/" (escaped(hoist_code)) ".pdf" } { (ctx.t("Lifting record, PDF")) } }
    };
    Ok(Page::new(ctx.tf("Design life of hoist {}", &[&hoist_code]), body))
}
