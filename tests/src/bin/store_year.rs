//! Measures the clerk's and QA's questions on generated data of one line that grows to a year: server time of a trace back
//! from a print, a trace forward from a lot, stock now and at a past time, and a proposal for a load; each once when nothing
//! is kept in memory and once when it is; and time and size of every page. `YEAR_DAYS` sets the end (365), reported at 30 days and at the end.

use std::sync::Arc;
use std::time::Instant;

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::gs1::sscc;
use packloft_domain::mass::KG;
use packloft_domain::record::Record;
use packloft_domain::rules::bag::{self, BagFacts};
use packloft_domain::rules::{Command, pallet};
use packloft_proto::v1;
use packloft_server::engine::{Submission, SystemClock};
use packloft_server::house::{House, HouseConfig};
use packloft_server::query::content::{Needs, evidence};
use packloft_server::query::{Asked, Kept, loads, objects, stock, trace, whereabouts};
use packloft_tests::generated::{DAY, Feeder, MIN, T0, day, registers};

/// First day: a year before the first of the other measurements.
const FIRST: i64 = T0 - 370 * DAY;
const PREFIX: &str = "9521234";
const PALLETS: i64 = 60;
/// Days a pallet stands before it is dispatched.
const STANDS: i64 = 3;

async fn store_registers(feeder: &mut Feeder) -> anyhow::Result<()> {
    let site = Site { company_prefix: PREFIX.into(), zone: "Etc/UTC".into(), ..Site::default() };
    feeder.tell(FIRST - DAY, Fact::SiteSet(SiteSet { site: Some(site) })).await?;
    let product = Product {
        code: "K2".into(),
        material_code: "WS".into(),
        nominal_mass_mg: 2 * KG,
        shelf_life_days: 700,
        pack_tare_mass_mg: 12_000,
        pallet_tare_mass_mg: 24 * KG,
        ..Product::default()
    };
    let proof = Some(FlowProof { run_date: "2025-01-01".into(), report: "r".into(), fit: "f".into() });
    let feed = Feed {
        code: "F1".into(),
        capacity_mass_mg: 4_000 * KG,
        mixing_mass_mg: 200 * KG,
        mixing_stage_count: 3,
        proof,
        ..Feed::default()
    };
    // Pallets are done ten minutes after their last pack: some 330 packs.
    let machine = Machine { code: "M1".into(), feed_code: "F1".into(), buffer_pack_count: 500, ..Machine::default() };
    let qa = Person { code: "op".into(), roles: vec![Role::Qa.into()], ..Person::default() };
    let row = |code: &str| Item::Location(Location { code: code.into(), kind: 1, ..Location::default() });
    let consignee = |code: String| Item::Consignee(Consignee { code, ..Consignee::default() });
    let mut items =
        vec![Item::Product(product), Item::Feed(feed), Item::Machine(machine), Item::Person(qa), row("R1"), row("R2")];
    items.extend((0..10).map(|number| consignee(format!("C{number}"))));
    for item in items {
        feeder.tell(FIRST - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
        feeder.settle().await?;
    }
    Ok(())
}

/// Decides a fact that rests on what may be in pallets.
async fn decide(feeder: &mut Feeder, kept: &Arc<Kept>, at: i64, fact: Fact, needs: Needs) -> anyhow::Result<()> {
    let record = feeder.house.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
    let asked = Asked::new(record, Arc::clone(kept))?;
    let (evidence, rests_on) = evidence(&asked, &needs).map_err(|refusal| anyhow::anyhow!("{refusal:?}"))?;
    drop(asked);
    feeder.number += 1;
    let id = uuid::Uuid::now_v7().into_bytes();
    let deadline = Instant::now() + std::time::Duration::from_secs(30);
    let mut submission = Submission::new(id, id, "op", Command::new(fact, at), deadline);
    (submission.evidence, submission.rests_on) = (evidence, rests_on);
    feeder.house.engine.submit(submission).await.map_err(|fault| anyhow::anyhow!("{fault:?}"))?;
    Ok(())
}

fn load_pallet(consignment: &str, sscc: String) -> Fact {
    Fact::PalletLoaded(PalletLoaded { consignment_code: consignment.into(), sscc, ..PalletLoaded::default() })
}

/// Pallets of a day, and two loads of what was built some days before.
async fn store_day(feeder: &mut Feeder, kept: &Arc<Kept>, number: i64) -> anyhow::Result<()> {
    let start = FIRST + number * DAY;
    feeder.tell(start - MIN / 2, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).await?;
    feeder.settle().await?;
    day(feeder, FIRST, number).await?;
    let released = LotReleased { lot_code: format!("L{number}"), reason: "in order".into(), ..LotReleased::default() };
    feeder.tell(start + DAY / 2, Fact::LotReleased(released)).await?;
    for built in 1..=PALLETS {
        let part = PalletPart { run_code: format!("R{number}"), pack_count: 800, ..PalletPart::default() };
        let fact = Fact::PalletBuilt(PalletBuilt {
            origin: PalletOrigin::Line.into(),
            parts: vec![part],
            location_code: "R1".into(),
            ..PalletBuilt::default()
        });
        feeder.tell(start + built * 24 * MIN + 10 * MIN, fact).await?;
    }
    feeder.settle().await?;
    if number < STANDS {
        return Ok(());
    }
    for half in 0..2 {
        let load = format!("V{number}-{half}");
        let consignment = format!("D{number}-{half}");
        let at = start + (8 + half) * 60 * MIN;
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
            let serial = (number - STANDS) * PALLETS + half * PALLETS / 2 + place + 1;
            let code = sscc(PREFIX, serial).unwrap_or_default();
            let needs = Needs::Pallets(vec![code.clone()]);
            decide(feeder, kept, at + place * MIN, load_pallet(&consignment, code), needs).await?;
        }
        let left = VehicleLoadDispatched { load_code: load.clone(), ..VehicleLoadDispatched::default() };
        decide(feeder, kept, at + 45 * MIN, Fact::VehicleLoadDispatched(left), Needs::Load(load)).await?;
    }
    Ok(())
}

fn timed<T>(run: impl FnOnce() -> anyhow::Result<T>) -> anyhow::Result<(f64, T)> {
    let begun = Instant::now();
    let value = run()?;
    Ok((begun.elapsed().as_secs_f64() * 1e3, value))
}

/// Asks everything twice: with nothing kept, then with what the first time left in memory.
async fn report(feeder: &Feeder, number: i64) -> anyhow::Result<()> {
    let settings = trace::Settings { epsilon: 0.0, coverage: 0.0 };
    let middle = number / 2;
    let start = FIRST + middle * DAY;
    let printed = packloft_domain::time::Zone::utc().clock(start + 500 * MIN);
    let kept: Arc<Kept> = Arc::default();
    for words in ["nothing kept", "kept"] {
        let record = feeder.house.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
        let asked = Asked::new(record, Arc::clone(&kept))?;
        let refused = |refusal| anyhow::anyhow!("{refusal:?}");
        let (back, origins) =
            timed(|| trace::by_print(&asked, &format!("B{middle}"), &printed[..16], settings).map_err(refused))?;
        anyhow::ensure!(origins.len() == 1 && !origins[0].pallets.is_empty(), "{origins:?}");
        let lot = format!("L{middle}");
        let (forward, found) = timed(|| {
            let mut bags: Vec<BagFacts> = Vec::new();
            for tag in objects::bag_tags(&asked.record, &lot)? {
                bags.extend(bag::bag(&asked.record, &tag)?);
            }
            let reached = trace::reached_by_all(&asked, &bags, settings)?;
            let (scope, intervals) = trace::scope_of(&reached);
            Ok(whereabouts::whereabouts(&asked, scope, &intervals, Some(&lot))?)
        })?;
        anyhow::ensure!(found.accounts.iter().all(|sum| sum.unaccounted_count == 0), "{:?}", found.accounts);
        let (now, units) = timed(|| Ok(stock::units(&asked, None)?))?;
        let (past, then) = timed(|| Ok(stock::units(&asked, Some(start + DAY / 3))?))?;
        let request = v1::ProposeLoadRequest {
            consignment_code: format!("D{}-1", number - 1),
            product_code: "K2".into(),
            pack_count: 24_000,
            ..v1::ProposeLoadRequest::default()
        };
        let at = FIRST + number * DAY;
        let (propose, proposal) = timed(|| loads::propose(&asked, &request, at).map_err(refused))?;
        anyhow::ensure!(proposal.proposed.len() == 30, "{} proposed", proposal.proposed.len());
        println!(
            "{number:>5} {:>8} {words:>13} {back:>8.1} {forward:>11.1} {now:>9.1} {past:>10.1} {propose:>9.1}   {} units now, {} then",
            feeder.number,
            units.len(),
            then.len()
        );
    }
    Ok(())
}

/// Pages of this data, by name.
fn pages(number: i64) -> Vec<(&'static str, String)> {
    let middle = number / 2;
    let printed = packloft_domain::time::Zone::utc().clock(FIRST + middle * DAY + 500 * MIN);
    let day = &printed[..10];
    let last = sscc(PREFIX, number * PALLETS).unwrap_or_default();
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
        ("trace of a print", format!("/trace?q=B{middle}+{}", printed[..16].replace(' ', "+").replace(':', "%3A"))),
        ("trace of a lot", format!("/trace?q=L{middle}")),
        ("trace of a pallet", format!("/trace?q={last}")),
        ("yield", format!("/yield?feed=F1&day={day}")),
        ("holds", "/holds".into()),
        ("shift, newest", "/shift".into()),
        ("shift of a past day", format!("/shift?day={day}")),
    ]
}

/// Asks for every page twice, from a server in this process, and prints the time of both and the size.
async fn report_pages(feeder: &Feeder, number: i64) -> anyhow::Result<()> {
    let incoming = tonic::transport::server::TcpIncoming::bind("127.0.0.1:0".parse()?)
        .map_err(|fault| anyhow::anyhow!("{fault}"))?;
    let address = incoming.local_addr()?;
    let api = packloft_server::service::Api::new(feeder.house.engine.clone());
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = tokio::spawn(packloft_server::run::serve_on(api, incoming, async move {
        let _ = stopped.await;
    }));
    println!("{number:>5} days: page, first and second time in ms, kB");
    for (name, path) in pages(number) {
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
    let folder = tempfile::tempdir()?;
    let config = HouseConfig { ballast_bytes: 0, ..HouseConfig::new(folder.path()) };
    let mut feeder = Feeder::new(House::open(&config, Arc::new(SystemClock))?);
    registers(&mut feeder).await?;
    store_registers(&mut feeder).await?;
    println!(
        "one line, feed seen empty every day; 96 bags, 48000 packs of 2 kg, 60 pallets built and 60 dispatched a day"
    );
    println!(" days    facts                trace back  trace forward  stock now  stock past  proposal  (ms)");
    let kept: Arc<Kept> = Arc::default();
    let begun = Instant::now();
    for number in 0..days {
        store_day(&mut feeder, &kept, number).await?;
        if number + 1 == 30 || number + 1 == days {
            report(&feeder, number + 1).await?;
            report_pages(&feeder, number + 1).await?;
        }
    }
    let last = sscc(PREFIX, days * PALLETS).unwrap_or_default();
    let record = feeder.house.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
    anyhow::ensure!(
        pallet::pallet(&record, &last)?.is_some() && !record.keys("pallet/")?.is_empty(),
        "all pallets are there"
    );
    println!("{} facts told in {:.0} s", feeder.number, begun.elapsed().as_secs_f64());
    feeder.house.close();
    Ok(())
}
