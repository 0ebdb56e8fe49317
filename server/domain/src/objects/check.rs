//! What the checks on record say: what each speaks of, and what a failed one puts in doubt.
//!
//! A failed check says nothing of when the device stopped working, so all that passed its place since the good check before
//! is suspect, until a good check says that it works again. Both ends are looked up each time: a check recorded late moves them
//! for everybody. The place of a check among the packs is the counter that was read with it; without one it is somewhere
//! between the readings on either side, and the wider end counts.

use crate::fact::*;
use crate::key;
use crate::mass::grams;
use crate::objects::register::Register;
use crate::objects::run::{self, RunRows, run_rows};
use crate::objects::stacking::{Counts, counts};
use crate::record::{Entry, Record, Unreadable, facts, facts_between};

/// How far ahead or back checks are looked for: beyond it there is none.
const FAR_DAY: i64 = i32::MAX as i64 / 4;

/// Kind of a check that is a weighing of packs.
pub(crate) const BY_SAMPLE: CheckKind = CheckKind::ControlSample;

/// Key of the checks at a check point, kept by day.
pub fn checks_key(check_point_code: &str) -> String {
    key::object("line_checks", check_point_code)
}

/// One check on record.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// When.
    pub time_us: i64,
    /// The check.
    pub fact: LineChecked,
    /// Its event.
    pub entry: Entry,
}

impl Check {
    /// Until when a good one proves the packs before it. The packs of a control sample are taken when its weighing begins;
    /// what is made meanwhile is for the next one.
    pub fn proves_us(&self) -> i64 {
        match &self.entry.event.fact {
            Some(Fact::ReadingsRecorded(f)) if f.start_time_us > 0 => f.start_time_us.min(self.time_us),
            _ => self.time_us,
        }
    }
}

fn check_of(entry: &Entry) -> Option<Check> {
    match &entry.event.fact {
        Some(Fact::LineChecked(fact)) => {
            Some(Check { time_us: entry.event.occurred_time_us, fact: fact.clone(), entry: entry.clone() })
        }
        // A control sample is a check by weighing.
        Some(Fact::ReadingsRecorded(f)) => {
            let sample = f.sample.as_ref()?;
            let fact = LineChecked {
                machine_code: f.machine_code.clone(),
                feed_code: f.feed_code.clone(),
                run_code: f.run_code.clone(),
                check: kind_words(CheckKind::ControlSample).into(),
                place: place_words(CheckPlace::Pack).into(),
                passed: sample.passed,
                text: sample.reasons.join("; "),
                check_point_code: f.check_point_code.clone(),
                results: vec![CheckResult {
                    name: format!("mean of {} packs {}", f.reading_count, grams(sample.mean_mass_mg)),
                    passed: sample.passed,
                }],
                counters: Vec::new(),
            };
            Some(Check { time_us: entry.event.occurred_time_us, fact, entry: entry.clone() })
        }
        _ => None,
    }
}

/// Checks at a check point between two days, both included, in order of time.
pub fn checks(record: &dyn Record, code: &str, from_day: i64, to_day: i64) -> Result<Vec<Check>, Unreadable> {
    let rows = facts_between(record, &checks_key(code), from_day, to_day)?;
    Ok(rows.iter().filter_map(check_of).filter(|check| check.fact.check_point_code == code).collect())
}

/// Nearest check before (or after) an instant that `wanted` picks.
pub(super) fn nearest(
    record: &dyn Record,
    code: &str,
    at: i64,
    after: bool,
    wanted: &dyn Fn(&Check) -> bool,
) -> Result<Option<Check>, Unreadable> {
    let object = checks_key(code);
    let step = |day| if after { record.day_after(&object, day) } else { record.day_before(&object, day) };
    let mut next = step(key::day_of(at))?;
    while let Some(day) = next {
        let rows = checks(record, code, day, day)?;
        let fits = |check: &&Check| (if after { check.time_us > at } else { check.time_us < at }) && wanted(check);
        let found = if after { rows.iter().find(fits) } else { rows.iter().rfind(fits) };
        if let Some(found) = found {
            return Ok(Some(found.clone()));
        }
        next = step(if after { day.saturating_add(1) } else { day.saturating_sub(1) })?;
    }
    Ok(None)
}

/// True when a check says something of a product: a control sample speaks of its own alone.
pub(crate) fn speaks_of(check: &Check, product_code: &str) -> bool {
    match &check.entry.event.fact {
        Some(Fact::ReadingsRecorded(f)) => product_code.is_empty() || f.product_code == product_code,
        _ => true,
    }
}

/// Last good check before an instant, for packs of a product; an empty one means any.
pub fn good_before(record: &dyn Record, code: &str, at: i64, product: &str) -> Result<Option<Check>, Unreadable> {
    nearest(record, code, at, false, &|check| check.fact.passed && speaks_of(check, product))
}

/// First good check after an instant, for packs of a product; an empty one means any.
pub fn good_after(record: &dyn Record, code: &str, at: i64, product: &str) -> Result<Option<Check>, Unreadable> {
    nearest(record, code, at, true, &|check| check.fact.passed && speaks_of(check, product))
}

/// Newest check up to an instant, good or not.
pub fn newest(record: &dyn Record, code: &str, at: i64) -> Result<Option<Check>, Unreadable> {
    nearest(record, code, at.saturating_add(1), false, &|_| true)
}

/// What a hold about a failed check aims at.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Aims {
    /// Packs that passed; a last number of 0 means to the end of the run.
    pub intervals: Vec<PackInterval>,
    /// Bags whose product passed.
    pub bag_tags: Vec<String>,
    /// Good check before.
    pub from_us: Option<i64>,
    /// Good check after.
    pub to_us: Option<i64>,
}

/// When a check point came into use; before it nothing passed it.
pub fn since(record: &dyn Record, code: &str) -> Result<Option<i64>, Unreadable> {
    Ok(facts(record, &key::register("check_point", code))?.first().map(|row| row.event.occurred_time_us))
}

/// Filled cycles of a run that had certainly passed at an instant (`at_least`), or may have.
pub(crate) fn passed(counts: &Counts, run: &RunRows, at: i64, at_least: bool) -> i64 {
    if at < run.start_us {
        return 0;
    }
    if run.end_us < i64::MAX && at >= run.end_us {
        return counts.filled();
    }
    let mut readings = counts.readings.iter();
    if at_least {
        readings.rfind(|reading| reading.time_us <= at).map_or(0, |reading| reading.filled)
    } else {
        // Not read since: nobody knows how many it were.
        readings.find(|reading| reading.time_us >= at).map_or(i64::MAX, |reading| reading.filled)
    }
}

/// Runs on a machine that had packs between two instants.
fn runs_between(record: &dyn Record, machine: &str, from: i64, to: i64) -> Result<Vec<String>, Unreadable> {
    let mut codes: Vec<String> =
        run::open_run(record, machine, from)?.map(|(run, _)| run.run_code).into_iter().collect();
    let last = if to == i64::MAX { FAR_DAY } else { key::day_of(to) };
    for row in facts_between(record, &key::object("machine", machine), key::day_of(from), last)? {
        if let Some(Fact::RunStarted(run)) = &row.event.fact
            && (from..to).contains(&row.event.occurred_time_us)
            && !codes.contains(&run.run_code)
        {
            codes.push(run.run_code.clone());
        }
    }
    Ok(codes)
}

/// Bags whose tip overlaps the time between two instants. A tip that does not say when it began may have begun before.
fn tipped_between(record: &dyn Record, feed: &str, from: i64, to: i64) -> Result<Vec<String>, Unreadable> {
    let last = if to == i64::MAX { FAR_DAY } else { key::day_of(to).saturating_add(1) };
    let mut tags: Vec<String> = Vec::new();
    let mut end_before = i64::MIN;
    for row in facts_between(record, &key::object("feed", feed), key::day_of(from).saturating_sub(1), last)? {
        let Some(Fact::BagTipped(tip)) = &row.event.fact else { continue };
        let end = row.event.occurred_time_us;
        if end > from && tip.start_time_us.unwrap_or(end_before) < to && !tags.contains(&tip.bag_tag) {
            tags.push(tip.bag_tag.clone());
        }
        end_before = end;
    }
    Ok(tags)
}

fn taken_in_between(record: &dyn Record, from: i64, to: i64) -> Result<Vec<String>, Unreadable> {
    let mut tags = Vec::new();
    for row in facts(record, "bags")? {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::BulkBagRecorded(bag)) if at > from && at < to => tags.push(bag.bag_tag.clone()),
            Some(Fact::IntakeRecorded(intake)) if at > from && at < to => {
                tags.extend(intake.bags.iter().map(|bag| bag.bag_tag.clone()));
            }
            _ => {}
        }
    }
    Ok(tags)
}

/// What passed a check point between the good checks around a failed one.
pub fn aims(record: &dyn Record, hold: &HoldCheck) -> Result<Aims, Unreadable> {
    let (code, at) = (&hold.check_point_code, hold.check_time_us);
    let Some(point) = Register::at(record, at).check_point(code)? else { return Ok(Aims::default()) };
    // A bad sample speaks of its product, and only another sample of that says when it was good.
    let failed = nearest(record, code, at.saturating_add(1), false, &|check| check.time_us == at)?;
    let product = match failed.as_ref().map(|check| &check.entry.event.fact) {
        Some(Some(Fact::ReadingsRecorded(f))) => f.product_code.clone(),
        _ => String::new(),
    };
    let before = good_before(record, code, at, &product)?.map(|check| check.proves_us());
    let after = good_after(record, code, at, &product)?.map(|check| check.time_us);
    let from = before.or(since(record, code)?).unwrap_or(at).min(at);
    let to = after.unwrap_or(i64::MAX);
    let mut aims = Aims { from_us: before, to_us: after, ..Aims::default() };
    match point.place() {
        CheckPlace::Pack => {
            for run_code in runs_between(record, &point.machine_code, from, to)? {
                let Some(run) = run_rows(record, &run_code)? else { continue };
                if !product.is_empty() && run.started.product_code != product {
                    continue;
                }
                let counts = counts(record, &run)?;
                let first_number = passed(&counts, &run, from, true).saturating_add(1);
                let last = passed(&counts, &run, to, false);
                if last >= first_number {
                    let last_number = if last == i64::MAX { 0 } else { last };
                    aims.intervals.push(PackInterval { run_code, first_number, last_number });
                }
            }
        }
        CheckPlace::Feed => aims.bag_tags = tipped_between(record, &point.feed_code, from, to)?,
        CheckPlace::Intake | CheckPlace::Unspecified => aims.bag_tags = taken_in_between(record, from, to)?,
    }
    Ok(aims)
}

/// Check points for packs of a machine that were in use when a run began, with tests for its product.
pub(crate) fn pack_points(record: &dyn Record, run: &RunRows) -> Result<Vec<CheckPoint>, Unreadable> {
    let mut points = Vec::new();
    for known in record.keys("register/check_point/")? {
        let code = key::code_of(&known);
        let Some(point) = Register::at(record, run.start_us).check_point(&code)? else { continue };
        let in_use = !point.retired && since(record, &code)?.is_some_and(|since| since <= run.start_us);
        let here = point.place() == CheckPlace::Pack && point.machine_code == run.started.machine_code;
        if in_use && here && asks(&point, &run.started.product_code) {
            points.push(point);
        }
    }
    Ok(points)
}

/// Tests of a check point that hold for a product.
pub fn tests_for<'a>(point: &'a CheckPoint, product_code: &str) -> Vec<&'a str> {
    let holds = |test: &&CheckTest| test.product_code.is_empty() || test.product_code == product_code;
    point.tests.iter().filter(holds).map(|test| test.name.as_str()).collect()
}

/// True when a check point asks anything of a product: a test, or control samples.
pub fn asks(point: &CheckPoint, product_code: &str) -> bool {
    !tests_for(point, product_code).is_empty() || point.fill_limits.iter().any(|row| row.product_code == product_code)
}

/// Packs of a run that good checks at a point have proved: those up to the last one.
pub fn proved_up_to(record: &dyn Record, code: &str, run: &RunRows, counts: &Counts) -> Result<i64, Unreadable> {
    let product = &run.started.product_code;
    let good = |check: &Check| check.fact.passed && speaks_of(check, product);
    let all = |check: &Check| good(check) && check.proves_us() >= run.end_us;
    if run.end_us < i64::MAX && nearest(record, code, run.end_us.saturating_sub(1), true, &all)?.is_some() {
        return Ok(counts.filled());
    }
    // A weighing that began before the end and ended after it proves up to its begin.
    let mut across = None;
    if run.end_us < i64::MAX {
        let day = key::day_of(run.end_us);
        let mut later = checks(record, code, day, day.saturating_add(1))?.into_iter();
        across = later.find(|check| check.time_us >= run.end_us && good(check));
    }
    let last = across.or(good_before(record, code, run.end_us, product)?);
    let proved_us = last.map(|check| check.proves_us()).filter(|at| *at >= run.start_us);
    Ok(proved_us.map_or(0, |at| passed(counts, run, at, true)))
}

/// Kind of check in words.
pub fn kind_words(kind: CheckKind) -> &'static str {
    match kind {
        CheckKind::MetalDetector => "metal detector",
        CheckKind::Sieve => "sieve",
        CheckKind::Magnet => "magnet",
        CheckKind::Seal => "seal check",
        CheckKind::CodeArtwork => "check of code and artwork",
        CheckKind::ControlSample => "control sample",
        CheckKind::WeighingInstrument => "check of the weighing instrument",
        CheckKind::Unspecified => "check",
    }
}

/// Place in words.
pub fn place_words(place: CheckPlace) -> &'static str {
    match place {
        CheckPlace::Intake => "intake",
        CheckPlace::Feed => "before the hopper",
        CheckPlace::Pack => "packs",
        CheckPlace::Unspecified => "",
    }
}
