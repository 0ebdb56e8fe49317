//! The balance of a period: every span that ended in it, added up. A span belongs to the period it ended in, so that
//! periods that follow each other add up to the whole.

use std::collections::BTreeMap;

use packloft_domain::calc::trend::{TREND_BELOW, TREND_SPANS, Trend};
use packloft_domain::key::{DAY_US, code_of};
use packloft_domain::ledger::balance::{Balance, balances};
use packloft_domain::ledger::period;
use packloft_domain::mass::{kilograms, kilograms_rounded};
use packloft_domain::objects::register;
use packloft_domain::record::Record as _;
use packloft_domain::refusal::{Refusal, Violation};
use packloft_proto::v1;

use super::figures::day_window;
use crate::context::{QueryContext, unknown};
use crate::times::timestamp;

/// Longest period.
const MOST_DAYS: i64 = 400;
/// Clean spans of one feed that are read for one answer.
const MOST_CLEAN_SPANS: usize = 4_096;

/// A span with where it is: feed, start and end.
struct Placed {
    feed_code: String,
    start_us: i64,
    end_us: i64,
    balance: Balance,
}

/// Instants between which a period of working days lies.
///
/// # Errors
/// `Invalid` naming every day that is none, or too far from the other.
pub(super) fn window(
    context: &QueryContext,
    from_day: &str,
    to_day: &str,
    most_days: i64,
) -> Result<(i64, i64), Refusal> {
    let mut violations = Vec::new();
    let mut bound = |field: &str, day: &str| match day_window(context, day) {
        Ok(window) => Some(window),
        Err(_) => {
            let text = format!("is {day:?}; must be a working day, YYYY-MM-DD");
            violations.push(Violation { field: field.into(), text });
            None
        }
    };
    let (from, to) = (bound("from_day", from_day), bound("to_day", to_day));
    if let (Some((from, _)), Some((_, to))) = (from, to) {
        let days = (to - from) / DAY_US;
        if (1..=most_days).contains(&days) {
            return Ok((from, to));
        }
        let text = format!("is {to_day}; must be 0 to {} days after from_day", most_days - 1);
        violations.push(Violation { field: "to_day".into(), text });
    }
    Err(Refusal::Invalid(violations))
}

/// Spans of a feed that ended in a window, and since when there is one whose end was not observed, with what was tipped.
fn spans(
    context: &QueryContext,
    feed_code: &str,
    from_us: i64,
    to_us: i64,
) -> Result<(Vec<Placed>, Vec<String>), Refusal> {
    let mut found = Vec::new();
    let mut notes = Vec::new();
    // A span that ended at the very start of the window belongs to the window before.
    let mut at = from_us;
    for _ in 0..MOST_CLEAN_SPANS {
        let Some(ledger) = context.ledger(feed_code, at)? else { return Err(unknown("feed", feed_code)) };
        for balance in balances(&ledger) {
            let start_us = ledger.instant_us(balance.start);
            let Some(end) = balance.end else {
                let tips = ledger.tips.iter().filter(|tip| tip.end > balance.start);
                let inside = tips.filter(|tip| ledger.instant_us(tip.end) <= to_us);
                let tipped: i64 = inside.map(|tip| tip.mass_mg).sum();
                if start_us < to_us && tipped > 0 {
                    let since = context.zone.clock(start_us);
                    let tipped = kilograms(tipped);
                    notes.push(format!(
                        "feed {feed_code} has not been observed since {since}: {tipped} tipped after that are not in the sum"
                    ));
                }
                continue;
            };
            let end_us = ledger.instant_us(end);
            let moved = balance.tipped_mass_mg > 0 || !balance.packs.is_empty();
            if end_us > from_us && end_us <= to_us && moved {
                found.push(Placed { feed_code: feed_code.into(), start_us, end_us, balance });
            }
        }
        match ledger.end.map(|end| ledger.instant_us(end)) {
            Some(end) if end < to_us && end >= at => at = end + 1,
            _ => break,
        }
    }
    Ok((found, notes))
}

fn verdict(unaccounted: i64, expanded: f64, tipped: i64, count: usize) -> String {
    let limits = format!("(\u{b1} {})", kilograms_rounded(expanded));
    let per_tonne = if tipped > 0 {
        format!("; {} per tonne tipped", kilograms_rounded(unaccounted as f64 * 1e9 / tipped as f64))
    } else {
        String::new()
    };
    let spans = if count == 1 { "1 span".to_owned() } else { format!("{count} spans") };
    let mass = kilograms_rounded(unaccounted.abs() as f64);
    let text = if (unaccounted as f64).abs() <= expanded {
        format!(
            "{} unaccounted over {spans}: within measuring error of the sum {limits}",
            kilograms_rounded(unaccounted as f64)
        )
    } else {
        let side = if unaccounted > 0 { "missing" } else { "more out than in" };
        format!("{mass} {side} over {spans}: more than measuring error of the sum {limits}")
    };
    text + &per_tonne
}

fn trend_words(trend: Option<Trend>, count: usize) -> String {
    let Some(trend) = trend else {
        let needed = format!("at least {TREND_SPANS} spans with a balance that differ are needed");
        return format!("no word on a trend: {needed}, there are {count}");
    };
    let chance = format!("chance {:.1} %", trend.p_value * 100.0);
    match (trend.p_value < TREND_BELOW, trend.score > 0) {
        (false, _) => format!("no trend over {count} spans ({chance})"),
        (true, true) => format!("unaccounted mass per tonne is rising from span to span, beyond chance ({chance})"),
        (true, false) => format!("unaccounted mass per tonne is falling from span to span, beyond chance ({chance})"),
    }
}

/// Balance of a period of a feed, a product or the house.
///
/// # Errors
/// `Invalid` for days that are none or too far apart, `NotFound` for an unknown feed or product.
pub fn balance(
    context: &QueryContext,
    request: &v1::GetPeriodBalanceRequest,
) -> Result<v1::GetPeriodBalanceResponse, Refusal> {
    let (from_us, to_us) = window(context, &request.from_day, &request.to_day, MOST_DAYS)?;
    let known = register::Register::at(&context.record, from_us);
    if !request.product_code.is_empty() && known.product(&request.product_code)?.is_none() {
        return Err(unknown("product", &request.product_code));
    }
    let feeds = if request.feed_code.is_empty() {
        context.record.keys("register/feed/")?.iter().map(|key| code_of(key)).collect()
    } else {
        vec![request.feed_code.clone()]
    };
    let mut placed = Vec::new();
    let mut notes = Vec::new();
    for feed in &feeds {
        let (found, told) = spans(context, feed, from_us, to_us)?;
        placed.extend(found);
        notes.extend(told);
    }
    if !request.product_code.is_empty() {
        let of_product = |span: &Placed| span.balance.packs.iter().any(|row| row.product_code == request.product_code);
        let only = |span: &Placed| span.balance.packs.iter().all(|row| row.product_code == request.product_code);
        let mixed = placed.iter().filter(|span| of_product(span) && !only(span)).count();
        if mixed > 0 {
            notes.push(format!("{mixed} spans in which other products were packed too are not in the sum"));
        }
        placed.retain(|span| of_product(span) && only(span));
    }
    placed.sort_by(|a, b| (a.end_us, &a.feed_code).cmp(&(b.end_us, &b.feed_code)));
    Ok(answer(context, &placed, notes))
}

/// Balance of the spans of a feed that ended between two instants.
///
/// # Errors
/// `NotFound` for an unknown feed.
pub(super) fn of_feed(
    context: &QueryContext,
    feed_code: &str,
    from_us: i64,
    to_us: i64,
) -> Result<v1::GetPeriodBalanceResponse, Refusal> {
    let (mut placed, notes) = spans(context, feed_code, from_us, to_us)?;
    placed.sort_by_key(|span| span.end_us);
    Ok(answer(context, &placed, notes))
}

fn answer(context: &QueryContext, placed: &[Placed], mut notes: Vec<String>) -> v1::GetPeriodBalanceResponse {
    let computable: Vec<&Balance> =
        placed.iter().map(|span| &span.balance).filter(|span| span.unaccounted_mass_mg.is_some()).collect();
    let without = placed.len() - computable.len();
    if without > 0 {
        notes.push(format!("{without} spans have no balance (see their verdict) and are not in the sum"));
    }
    let sums = period::sum(&computable);
    let mut running = sums.running_mass_mg.iter().zip(&sums.running_expanded_mg);
    let mut answer = v1::GetPeriodBalanceResponse {
        tipped_mass_mg: sums.tipped_mass_mg,
        unaccounted_mass_mg: sums.running_mass_mg.last().copied(),
        expanded_uncertainty_mg: sums.running_expanded_mg.last().copied(),
        trend: trend_words(sums.trend, computable.len()),
        trend_p_value: sums.trend.map(|trend| trend.p_value),
        sequence: context.sequence(),
        ..v1::GetPeriodBalanceResponse::default()
    };
    answer.verdict = match (answer.unaccounted_mass_mg, answer.expanded_uncertainty_mg) {
        (Some(mass), Some(expanded)) => verdict(mass, expanded, sums.tipped_mass_mg, computable.len()),
        _ => "not computable: no span that ended in the period has a balance".into(),
    };
    let mut packs: BTreeMap<&str, (i64, i64)> = BTreeMap::new();
    let mut losses: BTreeMap<(&str, &str), i64> = BTreeMap::new();
    for span in &computable {
        for row in &span.packs {
            let sum = packs.entry(&row.product_code).or_default();
            *sum = (sum.0 + row.accepted_count, sum.1 + row.mass_mg);
        }
        for row in &span.losses {
            *losses.entry((row.reason, row.destination)).or_default() += row.mass_mg;
        }
    }
    for span in placed {
        let so_far = span.balance.unaccounted_mass_mg.and_then(|_| running.next());
        answer.spans.push(v1::PeriodSpan {
            feed_code: span.feed_code.clone(),
            start_time: Some(timestamp(span.start_us)),
            end_time: Some(timestamp(span.end_us)),
            tipped_mass_mg: span.balance.tipped_mass_mg,
            accepted_pack_count: span.balance.packs.iter().map(|row| row.accepted_count).sum(),
            unaccounted_mass_mg: span.balance.unaccounted_mass_mg,
            expanded_uncertainty_mg: span.balance.expanded_uncertainty_mg,
            verdict: span.balance.verdict.clone(),
            running_mass_mg: so_far.map(|row| *row.0),
            running_uncertainty_mg: so_far.map(|row| *row.1),
        });
    }
    let packs = packs.into_iter().map(|(product, (count, mass_mg))| v1::PeriodPacks {
        product_code: product.into(),
        accepted_pack_count: count,
        mass_mg,
    });
    answer.packs = packs.collect();
    let losses = losses.into_iter().map(|((reason, destination), mass_mg)| v1::PeriodLoss {
        reason: reason.into(),
        destination: destination.into(),
        mass_mg,
    });
    answer.losses = losses.collect();
    answer.losses.sort_by_key(|row| -row.mass_mg);
    answer.notes = notes;
    answer
}
