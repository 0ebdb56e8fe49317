//! The hoist and its platform: what waits below, what stands above, the verdict on a lift, what is due.
//!
//! SAFETY-OF-PEOPLE: the caution stands with every verdict, in the words of the API, and a good verdict never says that a
//! lift is safe, only that the records hold nothing against it.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::lift_service_server::LiftService;
use tonic::{Request, Status};

use super::ctx::{Confirmed, Ctx};
use super::form::{FieldFault, Fields};
use super::frame::Page;
use super::intake::{bag_mass, bag_state};
use super::may::{May, guarded};
use super::registers::{self, choices};
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

/// Action of the question about a lift, which records nothing.
pub const QUESTION: &str = "ask_lift";

/// What is seen before a lift, by the names of the fields.
const SEEN: [&str; 4] = ["loops_on_untwisted", "bag_sound_dry", "nobody_below", "gate_shut"];

/// What a form carries as confirmed that comes back because its lift was not recorded.
pub fn confirmed_again(fields: &Fields) -> Confirmed {
    Confirmed { names: ticked(fields), of_another: false }
}

fn ticked(fields: &Fields) -> Vec<&'static str> {
    SEEN.into_iter().filter(|name| fields.ticked(name)).collect()
}

/// The lift that confirmations are for: bags, gear in its order, hoist and way. The script makes the same text.
fn mark_of(bags: &[String], gear: &[String], hoist: &str, direction: &str) -> String {
    let mut bags = bags.to_vec();
    bags.sort();
    format!("{}|{}|{hoist}|{direction}", bags.join(","), gear.join(","))
}

/// Gear with one item moved a place towards the hook or away from it.
fn moved(mut gear: Vec<String>, wanted: &str) -> Vec<String> {
    let (way, code) = wanted.split_once(':').unwrap_or_default();
    if let Some(place) = gear.iter().position(|known| known == code) {
        let other = if way == "up" { place.checked_sub(1) } else { Some(place + 1) };
        if let Some(other) = other.filter(|other| *other < gear.len()) {
            gear.swap(place, other);
        }
    }
    gear
}

/// Takes a question that was sent, or a wish to have gear in another order. Confirmations count for the lift they were given
/// for and no other, and are kept out of what the page knows as its address.
pub fn ask(ctx: &mut Ctx, fields: &Fields) {
    let wish = fields.get("move");
    let (bags, gear) = (bags_of(fields), fields.all("gear"));
    let bound = fields.get("confirmed_for") == mark_of(&bags, &gear, fields.get("hoist"), fields.get("direction"));
    let names = ticked(fields);
    let asked = wish.is_empty();
    ctx.confirmed = Confirmed {
        of_another: asked && !bound && !names.is_empty(),
        names: if asked && bound { names } else { Vec::new() },
    };
    let pair = |name: &str, value: &str| (name.to_owned(), value.to_owned());
    let kept = |name: &str| carried_on(name) && !["bag", "gear"].contains(&name);
    let mut rows: Vec<(String, String)> =
        fields.pairs().filter(|(name, _)| kept(name)).map(|(name, value)| pair(name, value)).collect();
    rows.extend(bags.iter().map(|tag| pair("bag", tag)));
    rows.extend(moved(gear, wish).iter().map(|code| pair("gear", code)));
    rows.extend(asked.then(|| pair("ask", "1")));
    ctx.path = "/hoist".into();
    ctx.query = Fields::new(rows);
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
    let bags = bags_of(q);
    let gear = q.all("gear");
    // What was chosen stands first, from the hook down; the rest can be ticked below it.
    let chosen = gear.iter().filter_map(|code| known.gear.iter().find(|item| item.code == *code));
    let mut items: Vec<&v1::LiftingGear> = chosen.collect();
    items.extend(known.gear.iter().filter(|item| !gear.contains(&item.code)));
    let directions = [("up", ctx.t("up")), ("down", ctx.t("down")), ("across", ctx.t("across"))];
    let me = ctx.who.as_ref().map(|person| person.code.clone()).unwrap_or_default();
    let direction = if q.get("direction").is_empty() { "up" } else { q.get("direction") };
    let hoist = match known.hoists.as_slice() {
        [(only, _)] => only.clone(),
        _ => q.get("hoist").to_owned(),
    };
    let driver = if q.get("driver").is_empty() { me } else { q.get("driver").to_owned() };
    html! {
        form.action method="post" action={ "/do/" (QUESTION) "#verdict" } data-asks="/hoist" autocomplete="off" {
            input type="hidden" name="token" value=(ctx.token);
            input type="hidden" name="from" value="/hoist";
            input type="hidden" name="confirmed_for" value=(mark_of(&bags, &gear, &hoist, direction));
            div.scan {
                label for="ask-scan" { (ctx.t("Scan a bag, or tick it below")) }
                input #ask-scan name="bag_scan" autocomplete="off" autocapitalize="characters" spellcheck="false" enterkeyhint="search" data-scan;
                // The first button of a form is the one that Enter presses.
                button type="submit" name="ask" value="1" { (ctx.t("Ask")) }
            }
            div #bags data-live {
                (bag_ticks(ctx, &ctx.t("Waiting below"), waiting, &bags))
                (bag_ticks(ctx, &ctx.t("Standing on the platform"), standing, &bags))
            }
            fieldset {
                legend { (ctx.t("On the hook, from the hook down")) }
                p.note { (ctx.t("Tick what hangs there, then bring it into its order.")) }
                ol.plain.gear { @for item in &items { (gear_row(ctx, item, gear.contains(&item.code))) } }
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

/// A gear item to tick, with its angle when it is a sling, and with buttons that move it once it is chosen.
fn gear_row(ctx: &Ctx, item: &v1::LiftingGear, chosen: bool) -> Markup {
    let name = format!("angle.{}", item.code);
    html! {
        li {
            div.row {
                label.tick {
                    input type="checkbox" name="gear" value=(item.code) checked[chosen];
                    span {
                        strong { (item.code) } " " (item.name) " "
                        @if item.mass_mg > 0 { span.quiet { (ctx.words.about_kg(item.mass_mg as f64)) } }
                        @else { (badge("bad", &ctx.t("no mass on record"))) }
                    }
                }
                span.moves {
                    @for (way, mark, text) in [("up", "\u{25b2}", ctx.tf("Move {} up, towards the hook", &[&item.code])), ("down", "\u{25bc}", ctx.tf("Move {} down, away from the hook", &[&item.code]))] {
                        button type="submit" name="move" value=(format!("{way}:{}", item.code)) aria-label=(text) { (mark) }
                    }
                }
            }
            @if item.sling.as_ref().is_some_and(|sling| sling.leg_count > 1) {
                div.field {
                    label for=(name) { (ctx.tf("Angle of {}, degrees from vertical", &[&item.code])) }
                    input id=(name) name=(name) value=(ctx.query.get(&name)) autocomplete="off" aria-describedby=(format!("{name}-note"));
                    p.note id=(format!("{name}-note")) { (ctx.t("Of the flattest leg; of unequal legs each, with spaces between.")) }
                }
            }
        }
    }
}

/// What is seen before this one lift: never ticked by the page, an address or the browser.
fn confirmations(ctx: &Ctx) -> Markup {
    let texts =
        [ctx.t("All loops on and untwisted"), ctx.t("Bag sound and dry"), ctx.t("Nobody below"), ctx.t("Gate shut")];
    html! {
        fieldset.ticks {
            legend { (ctx.t("Seen just now, for this lift")) }
            @for (name, text) in SEEN.iter().zip(texts) {
                label.tick {
                    input type="checkbox" name=(name) value="1" data-confirms;
                    span { (text) }
                }
            }
        }
    }
}

/// What was asked and when: an answer is about these bags and this gear, as things stood then.
fn asked_for(ctx: &Ctx, lift: &v1::Lift) -> Markup {
    let gear: Vec<&str> = lift.gear.iter().map(|row| row.gear_code.as_str()).collect();
    let now = packloft_answers::times::timestamp(ctx.now_us());
    html! {
        p {
            strong { (lift.bag_tags.join(", ")) } " " (ctx.t("on")) " " (lift.hoist_code)
            @if !gear.is_empty() { ", " (gear.join(" + ")) }
            ". " (ctx.tf("Asked at {}.", &[&ctx.words.clock(Some(&now))]))
            @if !ctx.confirmed.names.is_empty() { " " (ctx.tf("Confirmed for this lift: {} of {}.", &[&ctx.confirmed.names.len(), &SEEN.len()])) }
        }
        @if ctx.confirmed.of_another {
            p { strong { (ctx.t("What was ticked as seen was for another choice of bags, gear, hoist or way: look, tick it for this one and ask again.")) } }
        }
        p.stale data-stale hidden { strong { (ctx.t("This answer is old: something was changed or recorded since. Ask again.")) } }
    }
}

fn verdict(ctx: &Ctx, lift: &v1::Lift, answer: &v1::CheckLiftResponse) -> Markup {
    let good = answer.no_objection;
    let used = |row: &v1::LiftUtilisation| match row.used_permille {
        Some(share) => format!("{}\u{a0}%", ctx.words.number(share as f64 / 10.0, 1)),
        None => ctx.t("no limit on record"),
    };
    // The whole bar is the limit; what is over it is full and red.
    let bar = |row: &v1::LiftUtilisation| match row.used_permille {
        Some(share) if row.load_mg <= row.limit_mg => (share / 10).min(99),
        _ => 100,
    };
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
            p { (ctx.t("Used most")) ": " strong lang="en" { (weakest.element) } ", " (used(weakest)) "." }
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
                    (badge(if row.load_mg > row.limit_mg { "bad" } else { "good" }, &used(row)))
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
    const NAMES: [&str; 8] = ["bag", "gear", "hoist", "direction", "platform", "location", "driver", "slinger"];
    NAMES.contains(&name) || name.starts_with("angle.")
}

/// The form that records the lift that was asked for, as done.
fn done(ctx: &Ctx, lift: &v1::Lift, answer: &v1::CheckLiftResponse) -> Markup {
    let good = answer.no_objection;
    let tags = lift.bag_tags.join(", ");
    let button = if good {
        ctx.tf("Record the lift of {} as done", &[&tags])
    } else {
        ctx.tf("Record the lift of {} as done, with its deviation", &[&tags])
    };
    let carried: Vec<(String, String)> = ctx
        .query
        .pairs()
        .filter(|(name, _)| carried_on(name))
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .chain(ctx.confirmed.names.iter().map(|name| ((*name).to_owned(), "1".to_owned())))
        .collect();
    guarded(ctx, May::Floor, || {
        let made = form_with(ctx, "lift", "lift", &button, Vec::new(), |f: &Form| {
            html! {
                @for (name, value) in &carried { (f.with(name, value)) }
                @for tag in lift.bag_tags.iter().filter(|tag| !carried.contains(&("bag".to_owned(), (*tag).clone()))) { (f.with("bag", tag)) }
                @for tag in &lift.bag_tags { (f.with("about", &super::action::about(v1::ObjectKind::BulkBag, tag))) }
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
        html! { (refused) (folded(ctx, "lift", &ctx.t("The lift was done anyway"), made)) }
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
                th scope="col" { (ctx.t("Gear, from the hook down")) }
                th scope="col" { (ctx.t("Driver")) } th scope="col" { (ctx.t("Deviations")) }
            } }
            tbody { @for row in rows {
                @let lift = row.lift.clone().unwrap_or_default();
                tr {
                    th scope="row" { (ctx.words.time(row.occurred_time.as_ref())) }
                    td { @for tag in &lift.bag_tags { (bag_link(tag)) " " } }
                    td { (ctx.words.kg(row.hook_load_mg)) " " (lift.hoist_code) }
                    td { (lift.gear.iter().map(|gear| gear.gear_code.as_str()).collect::<Vec<_>>().join(" > ")) }
                    td { (lift.driver_code) }
                    td { @if row.deviations.is_empty() { "\u{2013}" } @else { (badge("bad", &row.deviations.len().to_string())) } }
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
        places: crate::registers::place_choices(ctx).await?,
        persons: registers::person_rows(&registers::persons(ctx).await?),
    };
    let mut faults = Vec::new();
    let seen = |name: &str| ctx.confirmed.names.contains(&name);
    let lift = v1::Lift {
        confirmations: Some(v1::LiftConfirmations {
            loops_on_untwisted: seen("loops_on_untwisted"),
            bag_sound_dry: seen("bag_sound_dry"),
            nobody_below: seen("nobody_below"),
            gate_shut: seen("gate_shut"),
        }),
        ..lift_of(&ctx.query, &mut faults)
    };
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
                    p.caution lang="en" { (packloft_domain::rules::lift::situation::CAUTION) }
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
