//! Charts of the floor: fill over time and its spread, yield by bag, a balance as steps, stops by how long they took.

use maud::{Markup, html};
use packloft_proto::v1;

use super::ctx::Ctx;
use super::picture::{Scale, at, bar, figure, line, words};
use super::widgets::table;

const WIDTH: f64 = 720.0;

/// Minutes a stop took.
pub fn minutes(stop: &v1::Stop) -> f64 {
    let seconds =
        |time: &Option<prost_types::Timestamp>| time.map_or(0.0, |t| t.seconds as f64 + f64::from(t.nanos) / 1e9);
    ((seconds(&stop.end_time) - seconds(&stop.start_time)) / 60.0).max(0.0)
}

/// Limits of a fill with their names, in milligrams.
fn limits(ctx: &Ctx, fill: &v1::GetFillResponse) -> Vec<(&'static str, String, f64)> {
    let mut rows = vec![("nominal", ctx.t("nominal"), fill.nominal_mass_mg as f64)];
    rows.extend(fill.short_limit_mg.map(|limit| ("limit", "T1".to_owned(), limit as f64)));
    rows.extend(fill.least_limit_mg.map(|limit| ("limit", "T2".to_owned(), limit as f64)));
    rows.extend(fill.mean_mg.map(|mean| ("mean", ctx.t("mean"), mean)));
    rows
}

fn fill_notes(ctx: &Ctx, fill: &v1::GetFillResponse) -> Markup {
    html! {
        p {
            (ctx.tf("Packs weighed: {}", &[&ctx.words.count(fill.reading_count)]))
            @if let Some(mean) = fill.mean_mg { ", " (ctx.t("mean")) " " strong { (ctx.words.grams(mean, 2)) } }
            @if let Some(deviation) = fill.deviation_mg { ", " (ctx.t("standard deviation")) " " (ctx.words.grams(deviation, 2)) }
            ". " (ctx.tf("Below the first limit of the law (T1): {}; below the second (T2): {}; rejected, not counted: {}.", &[
                &fill.below_short_count, &fill.below_least_count, &fill.rejected_reading_count]))
        }
        @for note in &fill.notes { p.quiet lang="en" { (note) } }
    }
}

/// Mean, least and greatest of each batch of weighings over time, with the limits.
pub fn samples(ctx: &Ctx, fill: &v1::GetFillResponse) -> Markup {
    let (height, left, right) = (260.0, 70.0, WIDTH - 90.0);
    let least = fill.samples.iter().map(|s| s.least_mg as f64).fold(fill.nominal_mass_mg as f64, f64::min);
    let greatest = fill.samples.iter().map(|s| s.greatest_mg as f64).fold(fill.nominal_mass_mg as f64, f64::max);
    // T2 is far away on a good day: it is drawn only when readings come near it.
    let shown: Vec<_> = limits(ctx, fill).into_iter().filter(|row| row.1 != "T2" || least < row.2 * 1.02).collect();
    let low = shown.iter().map(|row| row.2).fold(least, f64::min);
    let high = shown.iter().map(|row| row.2).fold(greatest, f64::max);
    let margin = (high - low) * 0.05;
    let y = Scale::new(low - margin, high + margin, height - 30.0, 10.0);
    let x = Scale::new(-0.5, fill.samples.len() as f64 - 0.5, left, right);
    let every = (fill.samples.len() / 8).max(1);
    let drawing = html! {
        @for tick in y.ticks(5.0) {
            (line("grid", left, y.place(tick), right, y.place(tick)))
            (words("axis", left - 6.0, y.place(tick) + 4.0, "end", &ctx.words.number(tick / 1e3, 1)))
        }
        @for (class, name, value) in &shown {
            (line(class, left, y.place(*value), right, y.place(*value)))
            (words("axis", right + 6.0, y.place(*value) + 4.0, "start", name))
        }
        @for (place, sample) in fill.samples.iter().enumerate() {
            @let cx = x.place(place as f64);
            (line("whisker", cx, y.place(sample.least_mg as f64), cx, y.place(sample.greatest_mg as f64)))
            circle class="dot" cx=(at(cx)) cy=(at(y.place(sample.mean_mg))) r="4" {}
            @if place % every == 0 {
                (words("axis", cx, height - 12.0, "middle", &ctx.words.clock(sample.occurred_time.as_ref())))
            }
        }
    };
    let rows = table(
        &ctx.t("Weighings"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Time")) } th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Mean")) }
                th.number scope="col" { (ctx.t("Least")) } th.number scope="col" { (ctx.t("Greatest")) } th scope="col" { (ctx.t("Which packs")) }
            } }
            tbody { @for row in &fill.samples { tr {
                th scope="row" { (ctx.words.time(row.occurred_time.as_ref())) } td.number { (row.reading_count) }
                td.number { (ctx.words.grams(row.mean_mg, 2)) } td.number { (ctx.words.grams(row.least_mg as f64, 1)) }
                td.number { (ctx.words.grams(row.greatest_mg as f64, 1)) } td lang="en" { (row.point) }
            } } }
        },
    );
    html! {
        (figure("samples", &ctx.t("Net mass of weighed packs over time, in grams: mean, least and greatest"), (WIDTH, height), &ctx.t("Figures as a table"), drawing, rows))
        (fill_notes(ctx, fill))
    }
}

/// How the weighed packs are spread around the nominal mass.
pub fn spread(ctx: &Ctx, fill: &v1::GetFillResponse) -> Markup {
    let (height, left, right) = (240.0, 50.0, WIDTH - 20.0);
    let (Some(first), Some(last)) = (fill.classes.first(), fill.classes.last()) else { return html! {} };
    let low = (first.low_mg as f64).min(fill.short_limit_mg.map_or(f64::MAX, |limit| limit as f64));
    let x = Scale::new(low - 1e3, (last.high_mg as f64).max(fill.nominal_mass_mg as f64) + 1e3, left, right);
    let most = fill.classes.iter().map(|class| class.reading_count).max().unwrap_or(1) as f64;
    let y = Scale::new(0.0, most, height - 40.0, 24.0);
    let drawing = html! {
        @for tick in y.ticks(4.0) {
            (line("grid", left, y.place(tick), right, y.place(tick)))
            (words("axis", left - 6.0, y.place(tick) + 4.0, "end", &ctx.words.number(tick, 0)))
        }
        @for class in &fill.classes {
            @let short = fill.short_limit_mg.is_some_and(|limit| class.high_mg <= limit);
            @let (x1, x2) = (x.place(class.low_mg as f64), x.place(class.high_mg as f64));
            (bar(if short { "bar bad" } else { "bar" }, x1 + 0.5, y.place(class.reading_count as f64), x2 - x1 - 1.0,
                y.place(0.0) - y.place(class.reading_count as f64)))
        }
        @for (place, (class, name, value)) in limits(ctx, fill).iter().enumerate() {
            @if *value >= low - 1e3 {
                (line(class, x.place(*value), 20.0, x.place(*value), height - 40.0))
                (words("axis", x.place(*value), if place % 2 == 0 { 14.0 } else { height - 6.0 }, "middle", name))
            }
        }
        @for tick in x.ticks(8.0) { (words("axis", x.place(tick), height - 24.0, "middle", &ctx.words.number(tick / 1e3, 0))) }
    };
    let rows = table(
        &ctx.t("Classes"),
        html! {
            thead { tr {
                th.number scope="col" { (ctx.t("From")) } th.number scope="col" { (ctx.t("Below")) } th.number scope="col" { (ctx.t("Packs")) }
            } }
            tbody { @for class in &fill.classes { tr {
                td.number { (ctx.words.grams(class.low_mg as f64, 1)) } td.number { (ctx.words.grams(class.high_mg as f64, 1)) }
                td.number { (class.reading_count) }
            } } }
        },
    );
    figure(
        "spread",
        &ctx.t("How many packs have which net mass, in grams"),
        (WIDTH, height),
        &ctx.t("Figures as a table"),
        drawing,
        rows,
    )
}

/// Stops by reason, longest first, with the share they add up to.
pub fn pareto(ctx: &Ctx, stops: &[v1::Stop]) -> Markup {
    let mut sums: Vec<(String, f64, usize)> = Vec::new();
    for stop in stops {
        match sums.iter_mut().find(|row| row.0 == stop.reason_code) {
            Some(row) => {
                row.1 += minutes(stop);
                row.2 += 1;
            }
            None => sums.push((stop.reason_code.clone(), minutes(stop), 1)),
        }
    }
    sums.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    let total: f64 = sums.iter().map(|row| row.1).sum();
    let (left, right, step) = (150.0, WIDTH - 190.0, 34.0);
    let height = step * sums.len() as f64 + 10.0;
    let x = Scale::new(0.0, sums.first().map_or(1.0, |row| row.1), left, right);
    let mut running = 0.0;
    let shares: Vec<f64> = sums
        .iter()
        .map(|row| {
            running += row.1;
            running / total.max(1e-9)
        })
        .collect();
    let drawing = html! {
        @for (place, row) in sums.iter().enumerate() {
            @let y = place as f64 * step + 8.0;
            (words("label", left - 8.0, y + 17.0, "end", &row.0))
            (bar("bar", left, y, x.place(row.1) - left, step - 10.0))
            (words("axis", x.place(row.1) + 8.0, y + 17.0, "start", &format!("{} min, {}", ctx.words.number(row.1, 1), ctx.words.percent(shares[place]))))
        }
    };
    let rows = table(
        &ctx.t("Stops by reason"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Reason")) } th.number scope="col" { (ctx.t("Minutes")) } th.number scope="col" { (ctx.t("Stops")) }
                th.number scope="col" { (ctx.t("Adds up to")) }
            } }
            tbody { @for (row, share) in sums.iter().zip(&shares) { tr {
                th scope="row" { (row.0) } td.number { (ctx.words.number(row.1, 1)) } td.number { (row.2) } td.number { (ctx.words.percent(*share)) }
            } } }
        },
    );
    figure(
        "stops",
        &ctx.t("Stops by reason, in minutes; the share is what the bars down to there add up to"),
        (WIDTH, height),
        &ctx.t("Figures as a table"),
        drawing,
        rows,
    )
}

/// Yield of each bag, in percent of what was tipped.
pub fn yields(ctx: &Ctx, bags: &[v1::BagYield]) -> Markup {
    let rows: Vec<(&v1::BagYield, f64)> = bags.iter().filter_map(|bag| Some((bag, bag.yield_ratio?))).collect();
    if rows.is_empty() {
        return html! {};
    }
    let (height, left, right) = (260.0, 70.0, WIDTH - 20.0);
    let least = rows.iter().map(|row| row.1).fold(1.0, f64::min);
    let greatest = rows.iter().map(|row| row.1).fold(1.0, f64::max);
    let margin = ((greatest - least) * 0.15).max(0.002);
    let y = Scale::new(least - margin, greatest + margin, height - 34.0, 12.0);
    let x = Scale::new(-0.5, rows.len() as f64 - 0.5, left, right);
    let every = (rows.len() / 10).max(1);
    let drawing = html! {
        @for tick in y.ticks(5.0) {
            (line("grid", left, y.place(tick), right, y.place(tick)))
            (words("axis", left - 6.0, y.place(tick) + 4.0, "end", &format!("{}\u{a0}%", ctx.words.number(tick * 100.0, 1))))
        }
        (line("nominal", left, y.place(1.0), right, y.place(1.0)))
        @for (place, (bag, ratio)) in rows.iter().enumerate() {
            @let cx = x.place(place as f64);
            circle class=(if bag.inside_mass_mg > 1e6 { "dot open" } else { "dot" }) cx=(at(cx)) cy=(at(y.place(*ratio))) r="6" {}
            @if place % every == 0 { (words("axis", cx, height - 12.0, "middle", &bag.bag_tag)) }
        }
    };
    figure(
        "yields",
        &ctx.t("Yield of each bag in order of tipping; open circles still have product in the feed"),
        (WIDTH, height),
        &ctx.t("Figures as a table"),
        drawing,
        yield_table(ctx, bags),
    )
}

/// Yields as a table.
pub fn yield_table(ctx: &Ctx, bags: &[v1::BagYield]) -> Markup {
    let dash = || "\u{2013}".to_owned();
    table(
        &ctx.t("Yields"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Bag")) } th scope="col" { (ctx.t("Lot")) } th.number scope="col" { (ctx.t("Tipped")) }
                th.number scope="col" { (ctx.t("Filled packs, ± at 95 % (k = 2)")) } th.number scope="col" { (ctx.t("Good packs")) } th.number scope="col" { (ctx.t("Yield")) }
                th.number scope="col" { (ctx.t("Giveaway")) } th.number scope="col" { (ctx.t("Still inside")) } th.number scope="col" { (ctx.t("Share of unaccounted")) }
            } }
            tbody { @for bag in bags { tr {
                th scope="row" { (super::widgets::bag_link(&bag.bag_tag)) } td { (super::widgets::lots(&bag.lots)) }
                td.number { (ctx.words.kg(bag.tipped_mass_mg)) }
                td.number { (ctx.words.number(bag.filled_pack_count, 1)) " \u{b1} " (ctx.words.number(2.0 * bag.pack_count_uncertainty, 0)) }
                td.number { (bag.good_pack_count.map_or_else(dash, |count| ctx.words.number(count, 1))) }
                td.number { (bag.yield_ratio.map_or_else(dash, |ratio| ctx.words.percent(ratio))) }
                td.number { (bag.giveaway_mass_mg.map_or_else(dash, |mass| ctx.words.kg_of(mass))) }
                td.number { (ctx.words.kg_of(bag.inside_mass_mg)) }
                td.number { (bag.unaccounted_share_mg.map_or_else(dash, |mass| ctx.words.kg_of(mass))) }
            } } }
        },
    )
}

/// A step of a balance: name, mass, from where to where it reaches.
struct Step<'a> {
    name: &'a str,
    class: &'static str,
    from: f64,
    to: f64,
    mass_mg: i64,
}

/// A balance as steps down from what came in to what is not accounted for, with its band.
pub fn balance(ctx: &Ctx, place: usize, span: &v1::SpanBalance) -> Markup {
    let mut level = 0.0;
    let mut steps = Vec::new();
    for term in &span.incoming {
        let to = level + term.mass_mg as f64;
        steps.push(Step { name: &term.name, class: "bar in", from: level, to, mass_mg: term.mass_mg });
        level = to;
    }
    let most = level;
    for term in &span.outgoing {
        let to = level - term.mass_mg as f64;
        steps.push(Step { name: &term.name, class: "bar", from: level, to, mass_mg: -term.mass_mg });
        level = to;
    }
    // The names are as long as they are; the longest decides where the bars begin.
    let longest = steps.iter().map(|s| s.name.chars().count()).max().unwrap_or(0) as f64;
    let (step, left, right) = (24.0, (longest * 6.9 + 14.0).max(120.0), WIDTH.max(longest * 6.9 + 400.0) - 130.0);
    let width = right + 130.0;
    let height = step * (steps.len() as f64 + 2.0) + 20.0;
    let band = span.expanded_uncertainty_mg.unwrap_or(0.0);
    let low = steps.iter().map(|s| s.to.min(s.from)).fold(-band, f64::min).min(level - band);
    let x = Scale::new(low.min(0.0), most.max(1.0), left, right);
    let last = step * steps.len() as f64 + 8.0;
    let times = [&ctx.words.time(span.start_time.as_ref()), &ctx.words.time(span.end_time.as_ref())];
    let title = ctx.tf("Balance of feed {} from {} to {}", &[&span.feed_code, times[0], times[1]]);
    let drawing = html! {
        (line("grid", x.place(0.0), 4.0, x.place(0.0), height - 12.0))
        @for (row, s) in steps.iter().enumerate() {
            @let y = row as f64 * step + 6.0;
            g lang="en" { (words("label", left - 8.0, y + 14.0, "end", &ctx.words.sentence(s.name))) }
            (bar(s.class, x.place(s.from.min(s.to)), y, (x.place(s.to) - x.place(s.from)).abs().max(1.0), step - 7.0))
            (words("axis", x.place(s.from.max(s.to)).max(left) + 6.0, y + 14.0, "start", &ctx.words.about_kg(s.mass_mg as f64)))
        }
        @if let Some(unaccounted) = span.unaccounted_mass_mg {
            (words("label strong", left - 8.0, last + 14.0, "end", &ctx.t("unaccounted")))
            (bar("bar bad", x.place(level.min(0.0)), last, (x.place(level) - x.place(0.0)).abs().max(1.5), step - 7.0))
            (bar("band", x.place(-band), last + step - 5.0, x.place(band) - x.place(-band), 6.0))
            (words("axis", x.place(level.max(band)).max(left) + 6.0, last + 14.0, "start",
                &format!("{} \u{b1} {}", ctx.words.about_kg(unaccounted as f64), ctx.words.about_kg(band))))
        }
    };
    let rows = table(
        &title,
        html! {
            thead { tr { th scope="col" { (ctx.t("Term")) } th.number scope="col" { (ctx.t("Mass")) } th.number scope="col" { (ctx.t("Standard uncertainty")) } } }
            tbody {
                @for term in &span.incoming { tr { th scope="row" lang="en" { "+ " (term.name) } td.number { (ctx.words.kg(term.mass_mg)) } td.number { (ctx.words.kg_of(term.uncertainty_mg)) } } }
                @for term in &span.outgoing { tr { th scope="row" lang="en" { "\u{2212} " (term.name) } td.number { (ctx.words.kg(term.mass_mg)) } td.number { (ctx.words.kg_of(term.uncertainty_mg)) } } }
                @if let Some(unaccounted) = span.unaccounted_mass_mg {
                    tr { th scope="row" { "= " (ctx.t("unaccounted")) } td.number { strong { (ctx.words.kg(unaccounted)) } }
                        td.number { "\u{b1} " (ctx.words.kg_of(band)) " (k = 2)" } }
                }
            }
        },
    );
    figure(&format!("balance-{place}"), &title, (width, height), &ctx.t("Figures as a table"), drawing, rows)
}
