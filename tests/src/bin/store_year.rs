//! Measures the clerk's and QA's questions on generated data of one line that grows to a year: server time of a trace back
//! from a print, a trace forward from a lot, stock now and at a past time, and a proposal for a load; each once when nothing
//! is kept in memory and once when it is; and time and size of every page. `YEAR_DAYS` sets the end (365), `YEAR_LINES` how
//! many such lines work beside each other (1); reported after 30, 90 and 180 days and at the end.

use std::sync::Arc;
use std::time::Instant;

use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::evidence::{Needs, evidence};
use packloft_answers::{loads, pack_locations, recalls, stock, trace};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::gs1::keys::sscc;
use packloft_domain::mass::KG;
use packloft_domain::objects::bag::BagFacts;
use packloft_domain::record::Record;
use packloft_domain::rules::deciding::Command;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_engine::{Engine, Submission, SystemClock};
use packloft_proto::v1;
use packloft_tests::generated::{DAY, Feeder, Line, MIN, T0, day, registers};

/// First day: a year before the first of the other measurements.
const FIRST: i64 = T0 - 370 * DAY;
const PREFIX: &str = "9521234";
const PALLETS: i64 = 60;
/// Days a pallet stands before it is dispatched.
const STANDS: i64 = 3;

async fn store_registers(feeder: &mut Feeder, lines: i64) -> anyhow::Result<()> {
    let site = Site { company_prefix: PREFIX.into(), zone: "Etc/UTC".into(), ..Site::default() };
    feeder.tell(FIRST - DAY, Fact::SiteSet(SiteSet { site: Some(site), given: Vec::new() })).await?;
    let product = Product {
        code: "K2".into(),
        material_code: "WS".into(),
        nominal_mass_mg: 2 * KG,
        shelf_life_days: 700,
        pack_tare_mass_mg: 12_000,
        pallet_tare_mass_mg: 24 * KG,
        ..Product::default()
    };
    let qa = Person { code: "op".into(), roles: vec![Role::Qa.into()], ..Person::default() };
    let row = |code: &str| Item::Location(Location { code: code.into(), kind: 1, ..Location::default() });
    let consignee = |code: String| Item::Consignee(Consignee { code, ..Consignee::default() });
    let mut items = vec![Item::Product(product), Item::Person(qa), row("R1"), row("R2")];
    items.extend((0..10).map(|number| consignee(format!("C{number}"))));
    for line in (1..=lines).map(Line) {
        let proof = Some(FlowProof { run_date: "2025-01-01".into(), report: "r".into(), fit: "f".into() });
        items.push(Item::Feed(Feed {
            code: line.feed(),
            capacity_mass_mg: 4_000 * KG,
            mixing_mass_mg: 200 * KG,
            mixing_stage_count: 3,
            proof,
            ..Feed::default()
        }));
        // Pallets are done ten minutes after their last pack: some 330 packs.
        items.push(Item::Machine(Machine {
            code: line.machine(),
            feed_code: line.feed(),
            buffer_pack_count: 500,
            ..Machine::default()
        }));
    }
    for item in items {
        feeder.tell(FIRST - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
        feeder.settle().await?;
    }
    Ok(())
}

/// Decides a fact that depends on what may be in pallets; asks again when something else was recorded in between.
async fn decide(engine: &Engine, kept: &Arc<Caches>, at: i64, fact: Fact, needs: Needs) -> anyhow::Result<()> {
    let mut last = None;
    for _ in 0..16 {
        let record = engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
        let asked = QueryContext::new(record, Arc::clone(kept))?;
        let (evidence, depends_on) = evidence(&asked, &needs).map_err(|refusal| anyhow::anyhow!("{refusal:?}"))?;
        drop(asked);
        let id = uuid::Uuid::now_v7().into_bytes();
        let deadline = Instant::now() + std::time::Duration::from_secs(30);
        let mut submission = Submission::new(id, id, "op", Command::new(fact.clone(), at), deadline);
        (submission.evidence, submission.depends_on) = (evidence, depends_on);
        match engine.submit(submission).await {
            Ok(_) => return Ok(()),
            Err(fault) => last = Some(fault),
        }
    }
    anyhow::bail!("{last:?}")
}

fn load_pallet(consignment: &str, sscc: String) -> Fact {
    Fact::PalletLoaded(PalletLoaded { consignment_code: consignment.into(), sscc, ..PalletLoaded::default() })
}

/// A day's packing of a line.
async fn pack(feeder: &mut Feeder, line: Line, number: i64) -> anyhow::Result<()> {
    let start = FIRST + number * DAY;
    feeder.tell(start - MIN / 2, Fact::FeedEmptied(FeedEmptied { feed_code: line.feed() })).await?;
    feeder.settle().await?;
    day(feeder, line, FIRST, number).await?;
    let released = LotReleased { lot_code: line.lot(number), reason: "in order".into(), ..LotReleased::default() };
    feeder.tell(start + DAY / 2, Fact::LotReleased(released)).await?;
    feeder.settle().await
}

/// Pallets of a line's day.
async fn build(feeder: &mut Feeder, line: Line, number: i64) -> anyhow::Result<()> {
    for built in 1..=PALLETS {
        let part = PalletPart { run_code: line.run(number), pack_count: 800, ..PalletPart::default() };
        let fact = Fact::PalletBuilt(PalletBuilt {
            origin: PalletOrigin::Line.into(),
            parts: vec![part],
            location_code: "R1".into(),
            ..PalletBuilt::default()
        });
        feeder.tell(FIRST + number * DAY + built * 24 * MIN + 10 * MIN, fact).await?;
    }
    feeder.settle().await
}

/// Two loads of a line, of what was built some days before. `first` is the serial number of the first pallet.
async fn dispatch(feeder: &mut Feeder, kept: &Arc<Caches>, line: Line, number: i64, first: i64) -> anyhow::Result<()> {
    for half in 0..2 {
        let load = line.code(&format!("V{number}-{half}"));
        let consignment = line.code(&format!("D{number}-{half}"));
        let at = FIRST + number * DAY + (8 + half) * 60 * MIN;
        let opened = VehicleLoadOpened { load_code: load.clone(), ..VehicleLoadOpened::default() };
        feeder.tell(at, Fact::VehicleLoadOpened(opened)).await?;
        feeder.settle().await?;
        let checked = VehicleChecked {
            load_code: load.clone(),
            clean: true,
            dry: true,
            free_of_odour: true,
            floor_sound: true,
            last_load: "flour".into(),
            last_load_suitable: true,
        };
        feeder.tell(at, Fact::VehicleChecked(checked)).await?;
        let opened = ConsignmentOpened {
            consignment_code: consignment.clone(),
            load_code: load.clone(),
            consignee_code: format!("C{}", (number * 2 + half) % 10),
            drop_number: 1,
            ..ConsignmentOpened::default()
        };
        feeder.tell(at, Fact::ConsignmentOpened(opened)).await?;
        feeder.settle().await?;
        for place in 0..PALLETS / 2 {
            let code = sscc(PREFIX, first + half * PALLETS / 2 + place).unwrap_or_default();
            let needs = Needs::Pallets(vec![code.clone()]);
            decide(&feeder.engine, kept, at + place * MIN, load_pallet(&consignment, code), needs).await?;
        }
        let left = VehicleLoadDispatched { load_code: load.clone(), ..VehicleLoadDispatched::default() };
        let fact = Fact::VehicleLoadDispatched(left);
        decide(&feeder.engine, kept, at + 45 * MIN, fact, Needs::Load(load)).await?;
        feeder.number += PALLETS.unsigned_abs() / 2 + 1;
    }
    Ok(())
}

/// Runs one piece of work for every line at once.
async fn at_once<F, W>(feeders: Vec<Feeder>, work: F) -> anyhow::Result<Vec<Feeder>>
where
    F: Fn(Feeder, Line) -> W,
    W: Future<Output = anyhow::Result<Feeder>> + Send + 'static,
{
    let tasks: Vec<_> =
        feeders.into_iter().zip(1..).map(|(feeder, line)| tokio::spawn(work(feeder, Line(line)))).collect();
    let mut done = Vec::new();
    for task in tasks {
        done.push(task.await??);
    }
    Ok(done)
}

/// One day of all lines: packing beside each other, then pallets, then the loads.
async fn store_day(mut feeders: Vec<Feeder>, kept: &Arc<Caches>, number: i64) -> anyhow::Result<Vec<Feeder>> {
    feeders = at_once(feeders, move |mut feeder, line| async move {
        pack(&mut feeder, line, number).await?;
        Ok(feeder)
    })
    .await?;
    // One line after the other, so that serial numbers can be told beforehand.
    for (feeder, line) in feeders.iter_mut().zip(1..) {
        build(feeder, Line(line), number).await?;
    }
    if number < STANDS {
        return Ok(feeders);
    }
    let lines = i64::try_from(feeders.len())?;
    at_once(feeders, move |mut feeder, line| {
        let kept = Arc::clone(kept);
        async move {
            let first = ((number - STANDS) * lines + line.0 - 1) * PALLETS + 1;
            dispatch(&mut feeder, &kept, line, number, first).await?;
            Ok(feeder)
        }
    })
    .await
}

fn timed<T>(run: impl FnOnce() -> anyhow::Result<T>) -> anyhow::Result<(f64, T)> {
    let begun = Instant::now();
    let value = run()?;
    Ok((begun.elapsed().as_secs_f64() * 1e3, value))
}

/// Asks everything twice: with nothing kept, then with what the first time left in memory.
async fn report(engine: &Engine, facts: u64, line: Line, number: i64) -> anyhow::Result<()> {
    let settings = packloft_answers::trace_settings::Settings { epsilon: 0.0, coverage: 0.0 };
    let middle = number / 2;
    let start = FIRST + middle * DAY;
    let printed = packloft_domain::time::Zone::utc().clock(start + 500 * MIN);
    let kept: Arc<Caches> = Arc::default();
    for words in ["nothing kept", "kept"] {
        let record = engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
        let asked = QueryContext::new(record, Arc::clone(&kept))?;
        let refused = |refusal| anyhow::anyhow!("{refusal:?}");
        let (back, origins) =
            timed(|| trace::by_pack_code(&asked, &line.batch(middle), &printed[..16], settings).map_err(refused))?;
        anyhow::ensure!(origins.len() == 1 && !origins[0].pallets.is_empty(), "{origins:?}");
        let lot = line.lot(middle);
        let (forward, found) = timed(|| {
            let mut bags: Vec<BagFacts> = Vec::new();
            for tag in packloft_answers::listed::bag_tags(&asked.record, &lot)? {
                bags.extend(packloft_domain::objects::bag::bag(&asked.record, &tag)?);
            }
            let reached = packloft_answers::reached::reached_by_all(&asked, &bags, settings)?;
            let (scope, intervals) = packloft_answers::reached::scope_of(&reached);
            Ok(pack_locations::locate(&asked, scope, &intervals, Some(&lot))?)
        })?;
        anyhow::ensure!(found.accounts.iter().all(|sum| sum.unaccounted_count == 0), "{:?}", found.accounts);
        // Of days nobody has asked about yet.
        let opened = RecallOpened { lot_code: line.lot(middle - 2), ..RecallOpened::default() };
        let (recall, reached) = timed(|| recalls::scope(&asked, &opened).map_err(refused))?;
        anyhow::ensure!(reached.intervals.len() == 1, "{:?}", reached.intervals);
        let one_bag = RecallOpened { bag_tag: line.bag(middle - 1, 50), ..RecallOpened::default() };
        let (of_bag, reached) = timed(|| recalls::scope(&asked, &one_bag).map_err(refused))?;
        anyhow::ensure!(!reached.intervals.is_empty(), "nothing reached");
        let (now, units) = timed(|| Ok(stock::units(&asked, None)?))?;
        let (past, then) = timed(|| Ok(stock::units(&asked, Some(start + DAY / 3))?))?;
        let request = v1::ProposeLoadRequest {
            consignment_code: line.code(&format!("D{}-1", number - 1)),
            product_code: "K2".into(),
            pack_count: 24_000,
            ..v1::ProposeLoadRequest::default()
        };
        let at = FIRST + number * DAY;
        let (propose, proposal) = timed(|| loads::propose(&asked, &request, at).map_err(refused))?;
        // Of all lines together there are more than are asked for.
        anyhow::ensure!(proposal.proposed.len() == 30, "{} proposed", proposal.proposed.len());
        println!(
            "{number:>5} {:>8} {words:>13} {back:>8.1} {forward:>11.1} {recall:>9.1} {of_bag:>9.1} {now:>9.1} {past:>10.1} {propose:>9.1}   {} units now, {} then",
            facts,
            units.len(),
            then.len()
        );
    }
    Ok(())
}

/// Pages of this data, by name.
fn pages(lines: i64, number: i64) -> Vec<(&'static str, String)> {
    let middle = number / 2;
    let printed = packloft_domain::time::Zone::utc().clock(FIRST + middle * DAY + 500 * MIN);
    let day = &printed[..10];
    let last = sscc(PREFIX, number * PALLETS * lines).unwrap_or_default();
    vec![
        ("now", "/".into()),
        ("intake", "/intake".into()),
        ("lot", format!("/lots/L{middle}")),
        ("hoist", "/hoist".into()),
        ("line", "/line/M1".into()),
        ("run", format!("/runs/R{middle}")),
        ("store", "/store".into()),
        ("place", "/places/R1".into()),
        ("pallet", format!("/pallets/{last}")),
        ("dispatch", "/dispatch".into()),
        ("load", format!("/loads/V{}-1", number - 1)),
        ("trace of a pack code", format!("/trace?q=B{middle}+{}", printed[..16].replace(' ', "+").replace(':', "%3A"))),
        ("trace of a lot", format!("/trace?q=L{middle}")),
        ("trace of a pallet", format!("/trace?q={last}")),
        ("yield", format!("/yield?feed=F1&day={day}")),
        ("holds", "/holds".into()),
        ("shift, newest", "/shift".into()),
        ("shift of a past day", format!("/shift?day={day}")),
    ]
}

/// Asks for every page twice, from a server in this process, and prints the time of both and the size.
async fn report_pages(engine: &Engine, lines: i64, number: i64) -> anyhow::Result<()> {
    let incoming = tonic::transport::server::TcpIncoming::bind("127.0.0.1:0".parse()?)
        .map_err(|fault| anyhow::anyhow!("{fault}"))?;
    let address = incoming.local_addr()?;
    let api = packloft_api::Api::new(engine.clone(), Arc::new(packloft_api::people::People::in_memory()));
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = tokio::spawn(packloft_server::run::serve_on(api, incoming, Vec::new(), async move {
        let _ = stopped.await;
    }));
    println!("{number:>5} days: page, first and second time in ms, kB");
    for (name, path) in pages(lines, number) {
        let url = format!("http://{address}{path}");
        let read = move || -> anyhow::Result<(f64, usize)> {
            let begun = Instant::now();
            let page = ureq::get(&url).header("cookie", "person=op").call()?.body_mut().read_to_string()?;
            Ok((begun.elapsed().as_secs_f64() * 1e3, page.len()))
        };
        let (first, _) = tokio::task::spawn_blocking(read.clone()).await??;
        let (second, size) = tokio::task::spawn_blocking(read).await??;
        println!("      {name:<22} {first:>8.1} {second:>8.1} {:>8.1}", size as f64 / 1e3);
    }
    let _ = stop.send(());
    serving.await?
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let days = packloft_tests::setting("YEAR_DAYS", 365).cast_signed();
    let lines = packloft_tests::setting("YEAR_LINES", 1).cast_signed();
    let folder = tempfile::tempdir()?;
    let config = DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder.path()) };
    let house = DataDir::open(&config, Arc::new(SystemClock))?;
    let engine = house.engine.clone();
    let mut first = Feeder::new(&house);
    registers(&mut first).await?;
    store_registers(&mut first, lines).await?;
    println!(
        "{lines} lines, feeds seen empty every day; of each a day: 96 bags, 48000 packs of 2 kg, 60 pallets built and 60 dispatched"
    );
    println!(
        " days    facts                trace back  trace forward  recall of lot  of bag  stock now  stock past  proposal  (ms)"
    );
    let kept: Arc<Caches> = Arc::default();
    let begun = Instant::now();
    let mut feeders: Vec<Feeder> = (1..=lines).map(|line| Feeder::of_line(&house, Line(line))).collect();
    for number in 1..=days {
        feeders = store_day(feeders, &kept, number - 1).await?;
        if [30, 90, 180, days].contains(&number) {
            let facts = first.number + feeders.iter().map(|feeder| feeder.number).sum::<u64>();
            report(&engine, facts, Line(lines.div_euclid(2).max(1)), number).await?;
            println!("{facts} facts recorded after {:.0} s", begun.elapsed().as_secs_f64());
            if [30, days].contains(&number) {
                report_pages(&engine, lines, number).await?;
            }
        }
    }
    let last = sscc(PREFIX, days * PALLETS * lines).unwrap_or_default();
    let record = engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
    anyhow::ensure!(
        packloft_domain::objects::pallet::pallet(&record, &last)?.is_some() && !record.keys("pallet/")?.is_empty(),
        "all pallets are there"
    );
    drop(record);
    house.close();
    Ok(())
}
