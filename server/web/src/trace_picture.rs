//! From an answer to its picture: lots, bags, packs, pallets and places, joined by the mass that goes between them.

use std::collections::{BTreeMap, BTreeSet};

use packloft_proto::v1;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::run_service_server::RunService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::graph::{Graph, Node, Set, Strip};
use crate::traced::Answer;

/// Nominal masses of runs.
struct Masses(BTreeMap<String, f64>);

impl Masses {
    async fn of(ctx: &Ctx, runs: BTreeSet<String>) -> Result<Masses, Status> {
        let mut found = BTreeMap::new();
        for run in runs.into_iter().filter(|run| !run.is_empty()) {
            let request = v1::GetRunRequest { run_code: run.clone(), min_sequence: 0 };
            let answer = ctx.api.get_run(Request::new(request)).await?.into_inner().run.unwrap_or_default();
            found.insert(run, answer.nominal_mass_mg as f64);
        }
        Ok(Masses(found))
    }

    fn packs(&self, run: &str, count: i64) -> f64 {
        count as f64 * self.0.get(run).copied().unwrap_or(1e6)
    }
}

/// Adds to a picture.
struct Drawing<'a> {
    ctx: &'a Ctx,
    graph: Graph,
    masses: Masses,
    /// True when pallets are many and are shown by place.
    gathered: bool,
}

/// More pallets than this are shown by where they are.
const PALLETS_MAX_COUNT: usize = 16;
/// More bags than this are shown together.
const BAGS_MAX_COUNT: usize = 40;

/// Surest set something is in.
pub fn set_of(likely: bool, possible: bool) -> Set {
    match (likely, possible) {
        (true, _) => Set::Likely,
        (_, true) => Set::Possible,
        _ => Set::CleanSpan,
    }
}

fn count(interval: Option<&v1::PackInterval>) -> i64 {
    interval.map_or(0, |i| (i.last_number - i.first_number + 1).max(0))
}

impl Drawing<'_> {
    /// Adds something under two lines of words.
    fn node(&mut self, key: &str, column: usize, words: (String, String), href: String, set: Set, held: bool) {
        let (label, note) = words;
        self.graph.add(Node { key: key.into(), column, label, note, href, set, held, strip: None });
    }

    fn lot(&mut self, code: &str, note: String, set: Set, held: bool) -> String {
        let key = format!("lot/{code}");
        self.node(&key, 0, (code.into(), note), format!("/trace?q={}", escaped(code)), set, held);
        key
    }

    fn bag(&mut self, tag: &str, shares: &[v1::LotShare], mass: f64, note: String, set: Set, held: bool) -> String {
        let key = format!("bag/{tag}");
        self.node(&key, 1, (tag.into(), note), format!("/trace?q={}", escaped(tag)), set, held);
        for share in shares {
            let lot = self.lot(&share.lot_code, self.ctx.t("lot"), set, false);
            self.graph.join(&lot, &key, mass * share.share_ppm as f64 / 1e6, set);
        }
        key
    }

    /// A range of packs of a run, with the sets it holds.
    fn packs(&mut self, set: &v1::PackSet) -> String {
        let key = format!("packs/{}", set.run_code);
        let shown = set.possible.as_ref().or(set.clean_span.as_ref());
        let note = shown.map_or_else(String::new, |i| format!("{}\u{2013}{}", i.first_number, i.last_number));
        let whole = set
            .clean_span
            .as_ref()
            .map(|i| (i.first_number as f64, (i.last_number - i.first_number + 1).max(1) as f64));
        let part = |interval: &Option<v1::PackInterval>| {
            let (start, length) = whole?;
            let i = interval.as_ref()?;
            let place = |number: f64| ((number - start) / length).clamp(0.0, 1.0);
            Some((place(i.first_number as f64), place(i.last_number as f64 + 1.0)))
        };
        let strip = Strip { possible: part(&set.possible), likely: part(&set.likely) };
        self.graph.add(Node {
            key: key.clone(),
            column: 2,
            label: set.batch_code.clone(),
            note: self.ctx.tf("packs {}", &[&note]),
            href: format!("/runs/{}", escaped(&set.run_code)),
            set: set_of(set.likely.is_some(), set.possible.is_some()),
            held: false,
            strip: Some(strip),
        });
        key
    }

    fn place_of(&mut self, pallet: &v1::TracedPallet) -> String {
        let held = !pallet.hold_codes.is_empty();
        let gone = !pallet.consignee_code.is_empty() && pallet.state() != v1::PalletState::Loaded;
        let (key, label, note, href) = if !gone {
            match pallet.state() {
                v1::PalletState::InStore if pallet.free => {
                    ("store/free".into(), self.ctx.t("in store"), self.ctx.t("free"), "/store".into())
                }
                v1::PalletState::InStore => {
                    ("store/held".into(), self.ctx.t("in store"), self.ctx.t("NOT FREE"), "/store?not_free=1".into())
                }
                v1::PalletState::Loaded => {
                    // Still in the house: it can be stopped at the bay.
                    let code = &pallet.consignee_code;
                    let note = if code.is_empty() { String::new() } else { self.ctx.tf("for {}", &[code]) };
                    (format!("loaded/{code}"), self.ctx.t("on a vehicle"), note, "/dispatch".into())
                }
                v1::PalletState::Missing => ("missing".into(), self.ctx.t("missing"), String::new(), "/store".into()),
                _ => ("elsewhere".into(), self.ctx.t("no more there"), String::new(), String::new()),
            }
        } else {
            let code = &pallet.consignee_code;
            (format!("consignee/{code}"), code.clone(), self.ctx.t("consignee"), "#consignees".into())
        };
        self.node(&key, 4, (label, note), href, Set::Likely, held);
        key
    }

    /// Pallets with what they hold of the packs, and where they are.
    fn pallets(&mut self, rows: &[v1::TracedPallet], from: &dyn Fn(&str) -> String, most: i64) {
        self.gathered = rows.len() > PALLETS_MAX_COUNT;
        let mut sums: BTreeMap<(String, String), (i64, usize)> = BTreeMap::new();
        for pallet in rows {
            let place = self.place_of(pallet);
            let held = !pallet.hold_codes.is_empty();
            let tail = pallet.sscc.get(pallet.sscc.len().saturating_sub(5)..).unwrap_or(&pallet.sscc);
            let key = if self.gathered { format!("pallets/{place}") } else { format!("pallet/{}", pallet.sscc) };
            if self.gathered {
                let sum = sums.entry((key.clone(), place.clone())).or_default();
                sum.0 += pallet.pack_count;
                sum.1 += 1;
                self.node(&key, 3, (String::new(), String::new()), "#pallets".into(), Set::Likely, held);
            } else {
                let note = self.ctx.tf("{} packs", &[&pallet.pack_count]);
                self.node(
                    &key,
                    3,
                    (format!("\u{2026}{tail}"), note),
                    format!("/pallets/{}", pallet.sscc),
                    Set::Likely,
                    held,
                );
            }
            let mut mass = 0.0;
            for part in &pallet.parts {
                let own = self.masses.packs(&part.run_code, part.pack_count.min(most));
                mass += own;
                self.graph.join(&from(&part.run_code), &key, own, Set::Likely);
            }
            if pallet.parts.is_empty() {
                mass = self.masses.packs("", pallet.pack_count.min(most));
            }
            self.graph.join(&key, &place, mass, Set::Likely);
        }
        for ((key, _), (packs, pallets)) in sums {
            let (label, note) = (self.ctx.tf("pallets: {}", &[&pallets]), self.ctx.tf("{} packs", &[&packs]));
            self.graph.rename(&key, label, note);
        }
    }

    fn origin(&mut self, origin: &v1::PackOrigin, pallets: bool) -> String {
        let interval = origin.interval.clone().unwrap_or_default();
        let packs = (interval.last_number - interval.first_number + 1).max(1);
        let key = format!("packs/{}/{}", interval.run_code, interval.first_number);
        let numbers = if interval.first_number == interval.last_number {
            interval.first_number.to_string()
        } else {
            format!("{}\u{2013}{}", interval.first_number, interval.last_number)
        };
        let note = self.ctx.tf("packs {}", &[&numbers]);
        let href = format!("/runs/{}", escaped(&interval.run_code));
        self.node(&key, 2, (origin.batch_code.clone(), note), href, Set::Likely, false);
        let mass = self.masses.packs(&interval.run_code, packs);
        for bag in &origin.bags {
            let set = set_of(bag.likely, bag.possible);
            let share = mass * bag.share.max(1e-4);
            let note = self.ctx.words.percent(bag.share);
            let from = self.bag(&bag.bag_tag, &bag.lots, share, note, set, !bag.hold_codes.is_empty());
            self.graph.join(&from, &key, share, set);
        }
        let others =
            origin.clean_span_bag_tags.iter().filter(|tag| !origin.bags.iter().any(|bag| bag.bag_tag == **tag)).count();
        if others > 0 {
            let label = self.ctx.tf("other bags: {}", &[&others]);
            let note = self.ctx.t("same clean span");
            self.node(&format!("{key}/others"), 1, (label, note), "#method".into(), Set::CleanSpan, false);
            self.graph.join(&format!("{key}/others"), &key, mass * 0.002, Set::CleanSpan);
        }
        for row in &origin.lots {
            let lot = row.lot.clone().unwrap_or_default();
            let held = lot.state() == v1::LotState::Rejected || !lot.hold_codes.is_empty();
            self.lot(&lot.lot_code, self.ctx.t("lot"), set_of(row.likely, row.possible), held);
        }
        if pallets {
            let from = key.clone();
            self.pallets(&origin.pallets, &|_| from.clone(), packs);
        }
        key
    }

    /// Adds the pallets of a consignment with the packs and lots that may be on them.
    fn consignment(&mut self, a: &v1::TraceConsignmentResponse) {
        for pallet in &a.pallets {
            for c in &pallet.contents {
                // The numbers the packs may have, as the pallet's own trace gives them.
                let wide = c.intervals.first().map(|i| v1::PackInterval {
                    run_code: i.run_code.clone(),
                    first_number: (i.first_number - c.tolerance_count).max(1),
                    last_number: i.last_number + c.tolerance_count,
                });
                self.packs(&v1::PackSet {
                    run_code: c.run_code.clone(),
                    batch_code: c.batch_code.clone(),
                    clean_span: wide.clone(),
                    possible: wide.clone(),
                    pieces: Vec::from_iter(wide.clone()),
                    likely: wide,
                });
                for code in &pallet.lot_codes {
                    let known = a.lots.iter().find(|lot| lot.lot_code == *code);
                    let held = known.is_some_and(|lot| !lot.hold_codes.is_empty());
                    let lot = self.lot(code, self.ctx.t("lot"), Set::Possible, held);
                    // How much of each nobody asked; a line says that it may be in.
                    self.graph.join(&lot, &by_run(&c.run_code), 0.0, Set::Possible);
                }
            }
        }
        let rows: Vec<_> = a.pallets.iter().map(traced).collect();
        self.pallets(&rows, &by_run, i64::MAX);
    }

    /// Adds a packaging lot and the packs that were made with it.
    fn packaging(&mut self, a: &v1::TracePackagingLotResponse) {
        let note = self.ctx.t("packaging lot");
        let code = &a.packaging_lot_code;
        self.node(&format!("reel/{code}"), 0, (code.clone(), note), String::new(), Set::Likely, false);
        for i in &a.intervals {
            let set = v1::PackSet {
                run_code: i.run_code.clone(),
                batch_code: i.run_code.clone(),
                possible: Some(i.clone()),
                clean_span: Some(i.clone()),
                pieces: vec![i.clone()],
                likely: None,
            };
            let key = self.packs(&set);
            let mass = self.masses.packs(&i.run_code, count(Some(i)));
            self.graph.join(&format!("reel/{code}"), &key, mass, Set::Possible);
        }
    }

    /// Bags of a lot or one bag, with the packs they reach.
    fn bags(&mut self, rows: &[(v1::LotBag, Vec<v1::LotShare>)], sets: &[v1::PackSet]) {
        for set in sets {
            self.packs(set);
        }
        let together = rows.len() > BAGS_MAX_COUNT;
        for (bag, shares) in rows {
            let reach: i64 = bag.packs.iter().map(|set| count(set.possible.as_ref())).sum();
            let tipped = bag.tipped_mass_mg as f64;
            let mass = if tipped > 0.0 { tipped } else { bag.net_mass_mg.unwrap_or(0) as f64 };
            let set = if bag.tipped_mass_mg > 0 { Set::Likely } else { Set::CleanSpan };
            let key = if together {
                let label = self.ctx.tf("bags: {}", &[&rows.len()]);
                self.node("bags", 1, (label, String::new()), "#bags".into(), set, false);
                for share in shares {
                    let lot = self.lot(&share.lot_code, self.ctx.t("lot"), set, false);
                    self.graph.join(&lot, "bags", mass, set);
                }
                "bags".to_owned()
            } else {
                let own = bag.net_mass_mg.map_or(mass, |net| net as f64);
                self.bag(&bag.bag_tag, shares, mass, self.ctx.words.about_kg(own), set, !bag.hold_codes.is_empty())
            };
            for own in &bag.packs {
                let part = count(own.possible.as_ref());
                if part > 0 {
                    let share = mass * part as f64 / reach.max(1) as f64;
                    let set = set_of(own.likely.is_some(), true);
                    self.graph.join(&key, &format!("packs/{}", own.run_code), share, set);
                }
            }
        }
    }
}

/// Runs an answer speaks of.
fn runs_of(answer: &Answer) -> BTreeSet<String> {
    let mut runs = BTreeSet::new();
    let mut of_where = |places: Option<&v1::PackLocations>| {
        for pallet in places.map(|w| w.pallets.as_slice()).unwrap_or_default() {
            runs.extend(pallet.parts.iter().map(|part| part.run_code.clone()));
        }
    };
    match answer {
        Answer::Packs(a) => {
            for origin in &a.origins {
                runs.extend(origin.interval.iter().map(|i| i.run_code.clone()));
                runs.extend(origin.pallets.iter().flat_map(|p| &p.parts).map(|part| part.run_code.clone()));
            }
        }
        Answer::Lot(a) => {
            of_where(a.pack_locations.as_ref());
            runs.extend(a.packs.iter().map(|set| set.run_code.clone()));
        }
        Answer::Bag(a) => {
            of_where(a.pack_locations.as_ref());
            runs.extend(a.packs.iter().map(|set| set.run_code.clone()));
        }
        Answer::Pallet(a) => runs.extend(a.origins.iter().filter_map(|o| Some(o.interval.as_ref()?.run_code.clone()))),
        Answer::Consignment(a) => runs.extend(a.pallets.iter().flat_map(|p| &p.contents).map(|c| c.run_code.clone())),
        Answer::Packaging(a) => {
            of_where(a.pack_locations.as_ref());
            runs.extend(a.intervals.iter().map(|i| i.run_code.clone()));
        }
        Answer::Choose(_) | Answer::Nothing => {}
    }
    runs
}

/// A pallet as a trace shows it.
pub fn traced(pallet: &v1::Pallet) -> v1::TracedPallet {
    let part = |c: &v1::PalletContent| v1::PalletPart {
        run_code: c.run_code.clone(),
        pack_count: c.pack_count,
        ..Default::default()
    };
    v1::TracedPallet {
        sscc: pallet.sscc.clone(),
        product_code: pallet.product_code.clone(),
        pack_count: pallet.pack_count,
        state: pallet.state,
        place: pallet.place.clone(),
        free: pallet.free,
        hold_codes: pallet.hold_codes.clone(),
        consignment_code: pallet.consignment_code.clone(),
        consignee_code: pallet.consignee_code.clone(),
        parts: pallet.contents.iter().map(part).collect(),
    }
}

/// Key of the packs of a run.
fn by_run(run: &str) -> String {
    format!("packs/{run}")
}

/// The picture of an answer.
///
/// # Errors
/// When the record cannot be read.
pub async fn picture(ctx: &Ctx, answer: &Answer) -> Result<Graph, Status> {
    let masses = Masses::of(ctx, runs_of(answer)).await?;
    let mut d = Drawing { ctx, graph: Graph::default(), masses, gathered: false };
    match answer {
        Answer::Packs(a) => {
            for origin in &a.origins {
                d.origin(origin, true);
            }
        }
        Answer::Lot(a) => {
            let lot = a.lot.clone().unwrap_or_default();
            let code = lot.lot_code.clone();
            d.lot(
                &code,
                d.ctx.t("lot"),
                Set::Likely,
                lot.state() == v1::LotState::Rejected || !lot.hold_codes.is_empty(),
            );
            let share = vec![v1::LotShare { lot_code: code, share_ppm: 1_000_000 }];
            let rows: Vec<_> = a.bags.iter().map(|bag| (bag.clone(), share.clone())).collect();
            d.bags(&rows, &a.packs);
            let pallets = a.pack_locations.as_ref().map(|w| w.pallets.clone()).unwrap_or_default();
            d.pallets(&pallets, &by_run, i64::MAX);
        }
        Answer::Bag(a) => {
            let sum = |set: &v1::PackSet| d.masses.packs(&set.run_code, count(set.possible.as_ref()));
            let mass: f64 = a.packs.iter().map(sum).sum();
            let request = v1::GetBulkBagRequest { bag_tag: a.bag_tag.clone(), min_sequence: 0 };
            let known = ctx.api.get_bulk_bag(Request::new(request)).await?.into_inner().bag.unwrap_or_default();
            let bag = v1::LotBag {
                bag_tag: a.bag_tag.clone(),
                net_mass_mg: known.net_mass_mg,
                tipped_mass_mg: known.net_mass_mg.map_or(mass.round() as i64, |net| net),
                packs: a.packs.clone(),
                hold_codes: known.hold_codes,
                ..Default::default()
            };
            d.bags(&[(bag, a.lots.clone())], &a.packs);
            let pallets = a.pack_locations.as_ref().map(|w| w.pallets.clone()).unwrap_or_default();
            d.pallets(&pallets, &by_run, i64::MAX);
        }
        Answer::Pallet(a) => {
            let pallet = traced(&a.pallet.clone().unwrap_or_default());
            let mut keys = BTreeMap::new();
            for origin in &a.origins {
                let run = origin.interval.clone().unwrap_or_default().run_code;
                let key = d.origin(origin, false);
                keys.insert(run, key);
            }
            d.pallets(&[pallet], &|run| keys.get(run).cloned().unwrap_or_default(), i64::MAX);
        }
        Answer::Consignment(a) => {
            d.consignment(a);
        }
        Answer::Packaging(a) => {
            d.packaging(a);
            let pallets = a.pack_locations.as_ref().map(|w| w.pallets.clone()).unwrap_or_default();
            d.pallets(&pallets, &by_run, i64::MAX);
        }
        Answer::Choose(_) | Answer::Nothing => {}
    }
    Ok(d.graph)
}
