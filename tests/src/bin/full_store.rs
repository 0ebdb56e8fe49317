//! Measures the clerk's questions in a store that is full of pallets: a proposal for a load, stock now and at a past time, a
//! place for a pallet, days of cover; at a tenth of the pallets and at all of them, so that the growth shows.
//! `STORE_PALLETS` sets how many (100000).

use std::sync::Arc;
use std::time::Instant;

use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::{loads, stock, store_plan};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::gs1::keys::sscc;
use packloft_engine::SystemClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_proto::v1;
use packloft_tests::generated::{DAY, Feeder, MIN, T0, registers};
use packloft_tests::setting;

const PREFIX: &str = "9521234";
/// Pallets of a batch.
const BATCH: i64 = 60;

async fn begin(feeder: &mut Feeder) -> anyhow::Result<()> {
    let site = Site { company_prefix: PREFIX.into(), zone: "Etc/UTC".into(), ..Site::default() };
    feeder.tell(T0 - DAY, Fact::SiteSet(SiteSet { site: Some(site), given: Vec::new() })).await?;
    registers(feeder).await?;
    let mut items = vec![
        Item::Consignee(Consignee { code: "C1".into(), min_remaining_days: 200, ..Consignee::default() }),
        Item::Person(Person { code: "op".into(), roles: vec![Role::Qa.into()], ..Person::default() }),
    ];
    for row in 0..200 {
        items.push(Item::Location(Location {
            code: format!("R{row}"),
            kind: LocationKind::Store.into(),
            ..Location::default()
        }));
    }
    for item in items {
        feeder.tell(T0 - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
    }
    feeder.settle().await?;
    let lot = LotCreated { lot_code: "L0".into(), material_code: "WS".into(), ..LotCreated::default() };
    feeder.tell(T0 - DAY, Fact::LotCreated(lot)).await?;
    feeder.settle().await?;
    let released = LotReleased { lot_code: "L0".into(), reason: "in order".into(), ..LotReleased::default() };
    feeder.tell(T0 - DAY, Fact::LotReleased(released)).await?;
    let order = OrderEntered {
        order_code: "O1".into(),
        consignee_code: "C1".into(),
        lines: vec![OrderLine { product_code: "K2".into(), pack_count: 26 * 400 }],
        ..OrderEntered::default()
    };
    feeder.tell(T0, Fact::OrderEntered(order)).await?;
    let load = VehicleLoadOpened { load_code: "V1".into(), ..VehicleLoadOpened::default() };
    feeder.tell(T0, Fact::VehicleLoadOpened(load)).await?;
    feeder.settle().await?;
    let opened = ConsignmentOpened {
        consignment_code: "D1".into(),
        load_code: "V1".into(),
        consignee_code: "C1".into(),
        order_code: "O1".into(),
        drop_number: 1,
    };
    feeder.tell(T0, Fact::ConsignmentOpened(opened)).await?;
    feeder.settle().await
}

async fn pallet(feeder: &mut Feeder, number: i64) -> anyhow::Result<()> {
    let day = number / BATCH;
    let made = packloft_domain::time::add_days("2026-01-01", day % 300);
    let fact = PalletBuilt {
        sscc: sscc(PREFIX, number + 1).unwrap_or_default(),
        origin: PalletOrigin::BeforeRecord.into(),
        product_code: "K2".into(),
        pack_count: 400,
        location_code: format!("R{}", number % 200),
        best_before_date: packloft_domain::time::add_days(&made, 730),
        made_date: made,
        batch_code: format!("B{day}"),
        lot_codes: vec!["L0".into()],
        ..PalletBuilt::default()
    };
    feeder.tell(T0 + number * MIN, Fact::PalletBuilt(fact)).await
}

/// Milliseconds of a question, the first time and again.
fn timed<T>(ask: impl Fn() -> anyhow::Result<T>) -> anyhow::Result<(u128, u128)> {
    let begun = Instant::now();
    ask()?;
    let first = begun.elapsed().as_millis();
    let begun = Instant::now();
    ask()?;
    Ok((first, begun.elapsed().as_millis()))
}

async fn report(house: &DataDir, count: i64) -> anyhow::Result<()> {
    let refused = |refusal| anyhow::anyhow!("{refusal:?}");
    let kept: Arc<Caches> = Arc::default();
    let record = house.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
    let asked = QueryContext::new(record, kept)?;
    let now = T0 + count * MIN;
    let stands = timed(|| Ok(stock::units(&asked, None)?.len()))?;
    let past = timed(|| Ok(stock::units(&asked, Some(T0 + count / 2 * MIN))?.len()))?;
    let wanted = v1::ProposeLoadRequest { consignment_code: "D1".into(), ..v1::ProposeLoadRequest::default() };
    let proposal = timed(|| {
        let answer = loads::propose(&asked, &wanted, now).map_err(refused)?;
        anyhow::ensure!(answer.proposed.len() == 26, "{} proposed", answer.proposed.len());
        Ok(())
    })?;
    let number = sscc(PREFIX, count).unwrap_or_default();
    let place = timed(|| Ok(store_plan::place(&asked, &number, "").map_err(refused)?.proposed.len()))?;
    let cover = timed(|| {
        let answer = store_plan::cover(&asked, &house.engine.journal, 28, now).map_err(refused)?;
        anyhow::ensure!(answer.covers[0].free_quantity == count * 400, "{:?}", answer.covers);
        Ok(())
    })?;
    let shown = |(first, again): (u128, u128)| format!("{first}, {again}");
    println!(
        "{count:>7}  stock now {:>12}  half-way back {:>12}  proposal {:>12}  place {:>12}  cover {:>12}",
        shown(stands),
        shown(past),
        shown(proposal),
        shown(place),
        shown(cover)
    );
    Ok(())
}

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let all = i64::try_from(setting("STORE_PALLETS", 100_000))?;
    let folder = tempfile::tempdir()?;
    let config = DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder.path()) };
    let house = DataDir::open(&config, Arc::new(SystemClock))?;
    let mut feeder = Feeder::new(&house);
    begin(&mut feeder).await?;
    println!("pallets in store; milliseconds of the first question after a start, and of the same once more");
    let begun = Instant::now();
    for number in 0..all {
        pallet(&mut feeder, number).await?;
        if number + 1 == all / 10 || number + 1 == all {
            feeder.settle().await?;
            report(&house, number + 1).await?;
        }
    }
    println!("{all} pallets told in {:.0} s", begun.elapsed().as_secs_f64());
    Ok(())
}
