//! Generated data of one line, told through the engine: for measuring, not for showing.

use std::time::{Duration, Instant};

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::rules::deciding::Command;
use packloft_engine::data_dir::DataDir;
use packloft_engine::{Engine, Submission};

/// First day.
pub const T0: i64 = 1_777_874_400_000_000;
/// One minute.
pub const MIN: i64 = 60_000_000;
/// One day.
pub const DAY: i64 = 24 * 60 * MIN;

/// Codes of one line of a house; those of the first one have no ending.
#[derive(Clone, Copy, Debug)]
pub struct Line(pub i64);

impl Line {
    /// A code of this line.
    pub fn code(self, stem: &str) -> String {
        if self.0 == 1 { stem.into() } else { format!("{stem}-N{}", self.0) }
    }

    /// Feed.
    pub fn feed(self) -> String {
        format!("F{}", self.0)
    }

    /// Machine.
    pub fn machine(self) -> String {
        format!("M{}", self.0)
    }

    /// Lot of a day.
    pub fn lot(self, day: i64) -> String {
        self.code(&format!("L{day}"))
    }

    /// Run of a day.
    pub fn run(self, day: i64) -> String {
        self.code(&format!("R{day}"))
    }

    /// Batch of a day.
    pub fn batch(self, day: i64) -> String {
        self.code(&format!("B{day}"))
    }

    /// Bag of a day.
    pub fn bag(self, day: i64, bag: i64) -> String {
        self.code(&format!("B{day}-{bag}"))
    }
}

/// Tells facts to a house, many at once.
pub struct Feeder {
    /// Where they are told.
    pub engine: Engine,
    /// Facts recorded.
    pub number: u64,
    /// Greatest number of another feeder before this one's first.
    base: u64,
    actor_code: String,
    waiting: Vec<tokio::task::JoinHandle<anyhow::Result<()>>>,
}

impl Feeder {
    /// Nothing told yet.
    pub fn new(house: &DataDir) -> Feeder {
        Feeder::of_line(house, Line(0))
    }

    /// The same for one of several that tell at once: its requests have ids of their own.
    pub fn of_line(house: &DataDir, line: Line) -> Feeder {
        let base = line.0.unsigned_abs() << 32;
        Feeder { engine: house.engine.clone(), number: 0, base, actor_code: "op".into(), waiting: Vec::new() }
    }

    /// The same by somebody else: who is not on record tells nothing once any person is.
    #[must_use]
    pub fn by(self, actor_code: &str) -> Feeder {
        Feeder { actor_code: actor_code.into(), ..self }
    }

    /// Tells a fact; up to 64 are under way at once.
    pub async fn tell(&mut self, at: i64, fact: Fact) -> anyhow::Result<()> {
        self.number += 1;
        let mut request_id = [0x40; 16];
        let id = self.base + self.number;
        request_id[..8].copy_from_slice(&id.to_be_bytes());
        request_id[6] = 0x40;
        request_id[8..].copy_from_slice(&id.to_be_bytes());
        let deadline = Instant::now() + Duration::from_secs(30);
        let submission = Submission::new(request_id, request_id, &self.actor_code, Command::new(fact, at), deadline);
        let engine = self.engine.clone();
        self.waiting.push(tokio::spawn(async move {
            let told = engine.submit(submission).await;
            told.map(|_| ()).map_err(|fault| anyhow::anyhow!("a generated fact was refused: {fault:?}"))
        }));
        if self.waiting.len() >= 64 {
            self.settle().await?;
        }
        Ok(())
    }

    /// Waits for all that is under way.
    ///
    /// # Errors
    /// When any of it was refused: what is measured over days that are not there says nothing.
    pub async fn settle(&mut self) -> anyhow::Result<()> {
        for task in self.waiting.drain(..) {
            task.await??;
        }
        Ok(())
    }
}

/// Registers of one line.
pub async fn registers(feeder: &mut Feeder) -> anyhow::Result<()> {
    let items = [
        Item::Material(Material { code: "WS".into(), ..Material::default() }),
        Item::Feed(Feed {
            code: "F1".into(),
            capacity_mass_mg: 4_000 * KG,
            mixing_mass_mg: 200 * KG,
            mixing_stage_count: 3,
            ..Feed::default()
        }),
        Item::Machine(Machine { code: "M1".into(), feed_code: "F1".into(), ..Machine::default() }),
        Item::Product(Product {
            code: "K2".into(),
            material_code: "WS".into(),
            nominal_mass_mg: 2 * KG,
            ..Product::default()
        }),
        Item::Scale(Scale {
            code: "S1".into(),
            accuracy_class: AccuracyClass::Iii.into(),
            interval_mg: KG / 5,
            max_mass_mg: 1_500 * KG,
            verified_until_date: "2030-01-01".into(),
            ..Scale::default()
        }),
        Item::FibcType(FibcType {
            code: "T1".into(),
            mark: FibcMark::Contents.into(),
            marked_mass_mg: 1_200 * KG,
            max_trip_count: 1,
            ..FibcType::default()
        }),
    ];
    for item in items {
        feeder.tell(T0 - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
        feeder.settle().await?;
    }
    Ok(())
}

/// The bags of a day, all there when it begins, then tipped one after the other.
async fn bags(feeder: &mut Feeder, line: Line, start: i64, day: i64) -> anyhow::Result<()> {
    for bag in 0..96 {
        feeder
            .tell(
                start,
                Fact::BulkBagRecorded(BulkBagRecorded {
                    bag_tag: line.bag(day, bag),
                    lots: vec![LotShare { lot_code: line.lot(day), share_ppm: 1_000_000 }],
                    fibc_type_code: "T1".into(),
                    scale_code: "S1".into(),
                    gross_mass_mg: 1_002 * KG,
                    tare_mass_mg: 2 * KG,
                    ..BulkBagRecorded::default()
                }),
            )
            .await?;
    }
    feeder.settle().await?;
    for bag in 0..96 {
        let at = start + bag * 15 * MIN + MIN;
        feeder
            .tell(
                at,
                Fact::BagTipped(BagTipped {
                    bag_tag: line.bag(day, bag),
                    feed_code: line.feed(),
                    start_time_us: Some(at - MIN),
                    ..BagTipped::default()
                }),
            )
            .await?;
    }
    Ok(())
}

/// One day of a line: 96 bags of 1 t, a run, a count every ten minutes.
pub async fn day(feeder: &mut Feeder, line: Line, first: i64, day: i64) -> anyhow::Result<()> {
    let start = first + day * DAY;
    let lot = line.lot(day);
    feeder
        .tell(
            start - MIN,
            Fact::LotCreated(LotCreated { lot_code: lot.clone(), material_code: "WS".into(), ..LotCreated::default() }),
        )
        .await?;
    feeder.settle().await?;
    let counter = |packs: i64| {
        vec![
            CounterReading { place: 1, value: packs, ..CounterReading::default() },
            CounterReading { place: 2, value: packs, ..CounterReading::default() },
        ]
    };
    let packs_before = day * 48_000;
    let run = line.run(day);
    feeder
        .tell(
            start,
            Fact::RunStarted(RunStarted {
                run_code: run.clone(),
                machine_code: line.machine(),
                product_code: "K2".into(),
                batch_code: line.batch(day),
                counters: counter(packs_before),
                line_check_done: true,
                ..RunStarted::default()
            }),
        )
        .await?;
    bags(feeder, line, start, day).await?;
    for slot in 1..144 {
        let counted = CountRecorded {
            machine_code: line.machine(),
            counters: counter(packs_before + slot * 1_000 / 3),
            ..CountRecorded::default()
        };
        feeder.tell(start + slot * 10 * MIN, Fact::CountRecorded(counted)).await?;
        if slot % 8 == 0 {
            feeder.settle().await?;
        }
    }
    feeder.settle().await?;
    let finish = RunFinished { run_code: run, counters: counter(packs_before + 48_000), ..RunFinished::default() };
    feeder.tell(start + DAY - MIN, Fact::RunFinished(finish)).await?;
    feeder.settle().await
}
