//! The hoist and its platform: what waits below, what stands above, the verdict on a lift, what is due.
//!
//! SAFETY-OF-PEOPLE: the caution stands with every verdict, in the words of the API, and a good verdict never says that a
//! lift is safe, only that the records hold nothing against it.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::lift_service_server::LiftService;
use tonic::{Request, Status};

use super::Ctx;
use super::form::{FieldFault, Fields};
use super::frame::Page;
use super::intake::{bag_mass, bag_state};
use super::registers::{self, choices};
use super::who::{May, guarded};
use super::widgets::{Form, badge, bag_link, findings, folded, form_with, lots, n, none, table};

/// Bags that were ticked, and the one that was scanned.
fn bags_of(fields: &Fields) -> Vec<String> {
    let mut tags = fields.all("bag");
    let scanned = fields.get("bag_scan");
    if !scanned.is_empty() && !tags.iter().any(|tag| tag == scanned) {
        tags.push(scanned.to_owned());
    }
    tags
}

/// A lift as a page names it: bags and gear by ticks, angles in degrees from vertical.
pub fn lift_of(fields: &Fields, faults: &mut Vec<FieldFault>) -> v1::Lift {
    let gear = fields.all("gear").into_iter().map(|code| {
        let name = format!("angle.{code}");
        let degrees = fields.get(&name).replace(',', ".");
        // One angle is that of the flattest leg; several are those of each.
        let mut angles = Vec::new();
        for text in degrees.split([' ', ';', '/']).filter(|text| !text.is_empty()) {
            match text.parse::<f64>() {
                Ok(angle) if (0.0..=90.0).contains(&angle) => angles.push((angle * 1e3 - 1e-6).ceil() as i64),
                _ => faults.push(FieldFault {
                    field: name.clone(),
                    text: format!("{text:?} is no angle from 0 to 90 degrees"),
                }),
            }
        }
        // An angle that cannot be read leaves the sling without any, which speaks against the lift.
        if faults.iter().any(|fault| fault.field == name) {
            angles.clear();
        }
        let leg = |angle: &i64| v1::SlingLeg { angle_from_vertical_mdeg: Some(*angle), ..v1::SlingLeg::default() };
        v1::LiftGear {
            gear_code: code,
            angle_from_vertical_mdeg: angles.first().copied().filter(|_| angles.len() == 1),
            legs: if angles.len() > 1 { angles.iter().map(leg).collect() } else { Vec::new() },
            ..v1::LiftGear::default()
        }
    });
    let gear = gear.collect();
    let direction = match fields.get("direction") {
        "down" => v1::LiftDirection::Down,
        "across" => v1::LiftDirection::Across,
        _ => v1::LiftDirection::Up,
    };
    let up = direction == v1::LiftDirection::Up;
    v1::Lift {
        hoist_code: fields.get("hoist").into(),
        gear,
        bag_tags: bags_of(fields),
        direction: direction.into(),
        platform_code: if direction == v1::LiftDirection::Across {
            String::new()
        } else {
            fields.get("platform").into()
        },
        location_code: if up { String::new() } else { fields.get("location").into() },
        driver_code: fields.get("driver").into(),
        slinger_code: fields.get("slinger").into(),
        confirmations: Some(v1::LiftConfirmations {
            loops_on_untwisted: fields.ticked("loops_on_untwisted"),
            bag_sound_dry: fields.ticked("bag_sound_dry"),
            nobody_below: fields.ticked("nobody_below"),
            gate_shut: fields.ticked("gate_shut"),
        }),
        load_cell_mass_mg: None,
        path_mm: 0,
    }
}

struct Known {
    hoists: Vec<(String, String)>,
    gear: Vec<v1::LiftingGear>,
    platforms: Vec<(String, String)>,
    places: Vec<(String, String)>,
    persons: Vec<(String, String)>,
}

fn choose(label: &str, name: &str, rows: &[(String, String)], value: &str) -> Markup {
    let id = format!("ask-{name}");
    html! {
        div.field {
            label for=(id) { (label) }
            select id=(id) name=(name) {
                @if rows.len() != 1 { option value="" { "\u{2013}" } }
                @for (code, text) in rows { option value=(code) selected[code == value] { (text) } }
            }
        }
    }
}

fn bag_ticks(ctx: &Ctx, title: &str, bags: &[v1::BulkBag], ticked: &[String]) -> Markup {
    html! {
        fieldset.ticks {
            legend { (title) " (" (bags.len()) ")" }
            @for bag in bags {
                label.tick {
                    input type="checkbox" name="bag" value=(bag.bag_tag) checked[ticked.contains(&bag.bag_tag)];
                    span {
                        strong { (bag.bag_tag) } " " (bag_mass(ctx, bag)) " "
                        @if bag.hold_codes.is_empty() { span.quiet { (bag.place_code) } } @else { (bag_state(ctx, bag)) }
                    }
                }
            }
            (none(ctx, bags.is_empty(), n("none")))
        }
    }
}

/// The question: what hangs, from what, which way, who.
fn question(ctx: &Ctx, waiting: &[v1::BulkBag], standing: &[v1::BulkBag], known: &Known) -> Markup {
    let q = &ctx.query;
    let ticked = bags_of(q);
    let gear = q.all("gear");
    let directions = [("up", ctx.t("up")), ("down", ctx.t("down")), ("across", ctx.t("across"))];
    let me = ctx.who.as_ref().map(|person| person.code.clone()).unwrap_or_default();
    let driver = if q.get("driver").is_empty() { me } else { q.get("driver").to_owned() };
    html! {
        form.deed method="get" action="/hoist#verdict" data-asks {
            div.scan {
                label for="ask-scan" { (ctx.t("Scan a bag, or tick it below")) }
                input #ask-scan name="bag_scan" autocomplete="off" autocapitalize="characters" spellcheck="false" enterkeyhint="search" data-scan;
            }
            div #bags data-live {
                (bag_ticks(ctx, &ctx.t("Waiting below"), waiting, &ticked))
                (bag_ticks(ctx, &ctx.t("Standing on the platform"), standing, &ticked))
            }
            fieldset.ticks {
                legend { (ctx.t("On the hook, from the hook down")) }
                @for item in &known.gear {
                    label.tick {
                        input type="checkbox" name="gear" value=(item.code) checked[gear.contains(&item.code)];
                        span { strong { (item.code) } " " (item.name) " " span.quiet { (ctx.words.about_kg(item.mass_mg as f64)) } }
                    }
                    @if item.sling.as_ref().is_some_and(|sling| sling.leg_count > 1) {
                        @let name = format!("angle.{}", item.code);
                        div.field {
                            label for=(name) { (ctx.tf("Angle of {}, degrees from vertical", &[&item.code])) }
                            input id=(name) name=(name) value=(q.get(&name)) autocomplete="off" aria-describedby=(format!("{name}-note"));
                            p.note id=(format!("{name}-note")) { (ctx.t("Of the flattest leg; of unequal legs each, with spaces between.")) }
                        }
                    }
                }
            }
            div.fields {
                (choose(&ctx.t("Hoist"), "hoist", &known.hoists, q.get("hoist")))
                div.field {
                    label for="ask-direction" { (ctx.t("Which way")) }
                    select #ask-direction name="direction" {
                        @for (value, name) in &directions { option value=(value) selected[*value == q.get("direction")] { (name) } }
                    }
                }
                (choose(&ctx.t("Platform"), "platform", &known.platforms, q.get("platform")))
                (choose(&ctx.t("Place, for down and across"), "location", &known.places, q.get("location")))
                (choose(&ctx.t("Driver"), "driver", &known.persons, &driver))
                (choose(&ctx.t("Slinger"), "slinger", &known.persons, q.get("slinger")))
            }
            (confirmations(ctx))
            button.main type="submit" name="ask" value="1" { (ctx.t("Ask: may this go?")) }
        }
    }
}

fn confirmations(ctx: &Ctx) -> Markup {
    let rows = [
        ("loops_on_untwisted", ctx.t("All loops on and untwisted")),
        ("bag_sound_dry", ctx.t("Bag sound and dry")),
        ("nobody_below", ctx.t("Nobody below")),
        ("gate_shut", ctx.t("Gate shut")),
    ];
    html! {
        fieldset.ticks {
            legend { (ctx.t("Seen just now")) }
            @for (name, text) in rows {
                label.tick {
                    input type="checkbox" name=(name) value="1" checked[ctx.query.ticked(name)];
                    span { (text) }
                }
            }
        }
    }
}

/// What was asked and when: an answer is about these bags and this gear, as things stood then.
fn asked_for(ctx: &Ctx, lift: &v1::Lift) -> Markup {
    let gear: Vec<&str> = lift.gear.iter().map(|row| row.gear_code.as_str()).collect();
    let now = crate::service::faults::timestamp(ctx.now_us());
    html! {
        p {
            strong { (lift.bag_tags.join(", ")) } " " (ctx.t("on")) " " (lift.hoist_code)
            @if !gear.is_empty() { ", " (gear.join(" + ")) }
            ". " (ctx.tf("Asked at {}.", &[&ctx.words.clock(Some(&now))]))
        }
        p.stale data-stale hidden { strong { (ctx.t("This answer is old: something was changed or recorded since. Ask again.")) } }
    }
}

fn verdict(ctx: &Ctx, lift: &v1::Lift, answer: &v1::CheckLiftResponse) -> Markup {
    let good = answer.no_objection;
    let used = |row: &v1::LiftUtilisation| if row.limit_mg > 0 { row.load_mg * 100 / row.limit_mg } else { 0 };
    // The whole bar is the limit; what is over it is full and red.
    let bar = |row: &v1::LiftUtilisation| if row.load_mg > row.limit_mg { 100 } else { used(row).min(99) };
    html! {
        section.verdict.stop[!good] #verdict role="status" tabindex="-1" {
            h2 {
                @if good { (ctx.t("No objection in the records")) }
                @else { (ctx.t("DO NOT LIFT")) " \u{2013} " (ctx.tf("reasons: {}", &[&answer.reasons.len()])) }
            }
            (asked_for(ctx, lift))
            @if !answer.reasons.is_empty() { (findings(ctx, &answer.reasons)) }
            @for remark in &answer.remarks { p.notice.warn lang="en" { strong { (ctx.words.sentence(&remark.text)) } } }
            p.caution lang="en" { (answer.caution) }
            p.quiet lang="en" { (ctx.words.sentence(&answer.recording)) }
        }
        p.big {
            (ctx.t("On the hook")) ": " strong { (ctx.words.kg(answer.hook_load_mg)) } ". "
            (ctx.tf("At most {} such bags at once, by load", &[&answer.max_bag_count]))
            @if !answer.limited_by.is_empty() { " (" (ctx.t("one more")) ": " span lang="en" { (ctx.words.sentence(&answer.limited_by)) } ")" } "."
        }
        @if let Some(weakest) = &answer.weakest {
            p { (ctx.t("Used most")) ": " strong lang="en" { (weakest.element) } ", " (used(weakest)) "\u{a0}%." }
        }
        (table(&ctx.t("From the hook down"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Element")) } th.number scope="col" { (ctx.t("Mass on it")) }
                th.number scope="col" { (ctx.t("Limit")) } th scope="col" { (ctx.t("Used")) }
            } }
            tbody { @for row in &answer.utilisations { tr {
                th scope="row" lang="en" { (row.element) } td.number { (ctx.words.kg(row.load_mg)) }
                td.number { (ctx.words.kg(row.limit_mg)) }
                td {
                    (badge(if row.load_mg > row.limit_mg { "bad" } else { "good" }, &format!("{}\u{a0}%", used(row))))
                    " " meter min="0" max="100" low="90" high="99" optimum="50" value=(bar(row)) aria-label=(format!("{} {}", ctx.t("Used"), row.element)) {}
                }
            } } }
        }))
        (table(&ctx.t("Masses counted"), html! {
            thead { tr { th scope="col" { (ctx.t("Bag")) } th.number scope="col" { (ctx.t("Gross")) } th scope="col" { (ctx.t("How it is known")) } } }
            tbody { @for bag in &answer.bags { tr {
                th scope="row" { (bag_link(&bag.bag_tag)) } td.number { (ctx.words.kg(bag.gross_mass_mg)) }
                td lang="en" { (bag.basis) }
            } } }
        }))
    }
}

/// Fields of the question that go on with the form that records the lift: an address may bring others.
fn carried_on(name: &str) -> bool {
    const NAMES: [&str; 12] = [
        "bag",
        "gear",
        "hoist",
        "direction",
        "platform",
        "location",
        "driver",
        "slinger",
        "loops_on_untwisted",
        "bag_sound_dry",
        "nobody_below",
        "gate_shut",
    ];
    NAMES.contains(&name) || name.starts_with("angle.")
}

/// The form that records the lift that was asked for, as done.
fn done(ctx: &Ctx, lift: &v1::Lift, answer: &v1::CheckLiftResponse) -> Markup {
    let good = answer.no_objection;
    let tags = lift.bag_tags.join(", ");
    let button = if good {
        ctx.tf("Record the lift of {} as done", &[&tags])
    } else {
        ctx.tf("Record the lift of {} as done, with its breach", &[&tags])
    };
    let carried: Vec<(String, String)> = ctx
        .query
        .pairs()
        .filter(|(name, _)| carried_on(name))
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .collect();
    guarded(ctx, May::Floor, || {
        let made = form_with(ctx, "lift", "lift", &button, Vec::new(), |f: &Form| {
            html! {
                @for (name, value) in &carried { (f.with(name, value)) }
                @for tag in lift.bag_tags.iter().filter(|tag| !carried.contains(&("bag".to_owned(), (*tag).clone()))) { (f.with("bag", tag)) }
                @for tag in &lift.bag_tags { (f.with("about", &super::deeds::about("bag", tag))) }
                (f.with("seen", &answer.sequence.to_string()))
                (f.kg("load_cell_mass_mg", n("Load cell, if it shows"), ""))
            }
        });
        if good {
            return made;
        }
        let refused = form_with(
            ctx,
            "refuse_lift",
            "refuse",
            &ctx.t("It was not lifted: record the refusal"),
            Vec::new(),
            |f: &Form| {
                html! {
                    @for (name, value) in &carried { (f.with(name, value)) }
                    @for tag in lift.bag_tags.iter().filter(|tag| !carried.contains(&("bag".to_owned(), (*tag).clone()))) { (f.with("bag", tag)) }
                    (f.text("text", n("What else speaks against it"), ""))
                }
            },
        );
        // After a "do not lift" recording is a step away, so that nobody takes its button for a way on.
        html! { (refused) (folded(ctx, "lift", &ctx.t("The lift was done all the same"), made)) }
    })
}

/// What is due, stopped things first.
pub fn due(ctx: &Ctx, rows: &[v1::DueRow]) -> Markup {
    html! {
        (none(ctx, rows.is_empty(), n("Nothing is due in the next 30 days.")))
        @if !rows.is_empty() {
            (table(&ctx.t("What is due"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("What")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Due")) }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { span lang="en" { (row.kind) } " " strong { (row.code) } " " (row.name) }
                    td {
                        @if row.stopped { (badge("bad", &ctx.t("do not use"))) }
                        @else if row.days_left < 7 { (badge("warn", &ctx.tf("days left: {}", &[&row.days_left]))) }
                        @else { (badge("plain", &ctx.tf("days left: {}", &[&row.days_left]))) }
                    }
                    td { span lang="en" { (row.text) } " " (ctx.words.date(&row.due_date)) }
                } } }
            }))
        }
    }
}

fn lifts(ctx: &Ctx, rows: &[v1::LiftRow]) -> Markup {
    table(
        &ctx.t("Last lifts"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Time")) } th scope="col" { (ctx.t("Bags")) } th scope="col" { (ctx.t("On the hook")) }
                th scope="col" { (ctx.t("Driver")) } th scope="col" { (ctx.t("Breaches")) }
            } }
            tbody { @for row in rows {
                @let lift = row.lift.clone().unwrap_or_default();
                tr {
                    th scope="row" { (ctx.words.time(row.occurred_time.as_ref())) }
                    td { @for tag in &lift.bag_tags { (bag_link(tag)) " " } }
                    td { (ctx.words.kg(row.hook_load_mg)) " " (lift.hoist_code) }
                    td { (lift.driver_code) }
                    td { @if row.breaches.is_empty() { "\u{2013}" } @else { (badge("bad", &row.breaches.len().to_string())) } }
                }
            } }
        },
    )
}

/// The page.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let bags =
        |state: v1::BagState| v1::ListBulkBagsRequest { page_size: 200, state: state.into(), ..Default::default() };
    let waiting = ctx.api.list_bulk_bags(Request::new(bags(v1::BagState::InStore))).await?.into_inner().bags;
    let mut standing = ctx.api.list_bulk_bags(Request::new(bags(v1::BagState::OnPlatform))).await?.into_inner().bags;
    let part = ctx.api.list_bulk_bags(Request::new(bags(v1::BagState::PartTipped))).await?.into_inner().bags;
    standing.extend(part);
    let known = Known {
        hoists: choices!(&registers::hoists(ctx).await?),
        gear: registers::gear(ctx).await?,
        platforms: choices!(&registers::platforms(ctx).await?),
        places: super::store::place_choices(ctx).await?,
        persons: registers::person_rows(&registers::persons(ctx).await?),
    };
    let mut faults = Vec::new();
    let lift = lift_of(&ctx.query, &mut faults);
    let asked = !lift.bag_tags.is_empty() && ctx.query.ticked("ask");
    let answer = if asked {
        let request = v1::CheckLiftRequest { lift: Some(lift.clone()), occurred_time: None };
        Some(ctx.api.check_lift(Request::new(request)).await.map(tonic::Response::into_inner))
    } else {
        None
    };
    let due_rows = ctx.api.list_due(Request::new(v1::ListDueRequest::default())).await?.into_inner().rows;
    let last = v1::ListLiftsRequest { page_size: 10, ..Default::default() };
    let last = ctx.api.list_lifts(Request::new(last)).await?.into_inner().lifts;
    let body = html! {
        @if ctx.query.ticked("ask") && !asked {
            section.notice.warn role="alert" { p { (ctx.t("Tick the bags that would hang on the hook.")) } }
        }
        @match &answer {
            Some(Ok(answer)) => { (verdict(ctx, &lift, answer)) (done(ctx, &lift, answer)) },
            Some(Err(status)) => {
                section.verdict.stop #verdict role="alert" {
                    h2 { (ctx.t("DO NOT LIFT")) " \u{2013} " (ctx.t("it cannot be checked")) }
                    ul { @for row in &super::form::Problem::of_status(status).reasons { li { (super::labels::of(ctx, &row.field)) ": " span lang="en" { (ctx.words.sentence(&row.text)) } } } }
                    p.caution lang="en" { (packloft_domain::rules::lift::CAUTION) }
                }
            },
            None => {},
        }
        @for fault in &faults { p.notice.bad role="alert" { (super::labels::of(ctx, &fault.field)) ": " span lang="en" { (fault.text) } } }
        h2 { (ctx.t("Plan a lift")) }
        (question(ctx, &waiting, &standing, &known))
        h2 { (ctx.t("What is due")) }
        div #due data-live { (due(ctx, &due_rows)) }
        p { a.button href="/gear" { (ctx.t("Hoists and gear")) } " " a.button href="/fibc" { (ctx.t("Bulk bags with numbers")) } }
        h2 { (ctx.t("Last lifts")) }
        div #lifts data-live { (lifts(ctx, &last)) }
        h2 { (ctx.t("On the platform")) }
        div #platform data-live {
            (none(ctx, standing.is_empty(), n("No bag stands on the platform.")))
            ul.plain { @for bag in &standing { li { (bag_link(&bag.bag_tag)) " " (lots(&bag.lots)) " " (bag_state(ctx, bag)) } } }
        }
    };
    Ok(Page::new(ctx.t("Hoist and platform"), body))
}
