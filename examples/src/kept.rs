//! What the packer kept of the invented shift: control samples, an adjustment, a tare, readings of the checkweigher pack by
//! pack, a refused lift, an inspector's test and a note to who takes over.
//!
//! Made up like the shift itself. Told when the shift is over, as from a notebook and a checkweigher's memory.

use packloft_client::connection::Connection;
use packloft_proto::durations;
use packloft_proto::v1;
use packloft_proto::v1::stream_readings_request::Part;

use crate::scenario::{
    BATCH, Day, NOMINAL_MG, PACKS_PER_MINUTE, RUN, SHIFT_START_S, at, counter, end_s, filled_at, filled_total, lift,
    rejected_of, tag,
};
use crate::step::Step;

/// Check point of the control samples.
pub const SAMPLES: &str = "CS1";
/// Scale the samples are weighed on.
const BENCH: &str = "B1";
/// Checkweigher after the rejecter.
pub const CHECKWEIGHER: &str = "W1";
/// Filling heads of the machine.
const HEADS: i64 = 8;
/// Head that fills less than the others, and by how much.
const WEAK_HEAD: (i64, i64) = (5, 900);
/// Readings in a message.
const CHUNK: usize = 500;

/// Minute of each control sample and the net masses over nominal, in decigrams.
const SAMPLED: [(i64, [i64; 5]); 7] = [
    (10, [24, 17, 31, 12, 22]),
    (70, [19, 8, 27, 15, 21]),
    (130, [11, 4, 18, -6, 13]),
    // The mean is below the warning limit: another one at once, after an adjustment.
    (180, [6, -9, 14, 2, 9]),
    (189, [23, 16, 30, 19, 12]),
    (248, [18, 25, 9, 21, 28]),
    (306, [22, 14, 26, 17, 11]),
];

fn registers(day: &mut Day) {
    let before = -29 * 86_400;
    for (code, name) in [(BENCH, "bench scale for control samples"), (CHECKWEIGHER, "checkweigher after the rejecter")]
    {
        let instrument = v1::Instrument {
            code: code.into(),
            name: name.into(),
            max_error_mg: 300,
            verified_until_date: "2027-02-28".into(),
        };
        let request = v1::RegisterInstrumentRequest { instrument: Some(instrument), ..Default::default() };
        day.add(before, "p-01", request);
    }
    let point = v1::CheckPoint {
        code: SAMPLES.into(),
        name: "control samples of machine M1".into(),
        kind: v1::CheckKind::ControlSample.into(),
        place: v1::CheckPlace::Pack.into(),
        machine_code: "M1".into(),
        fill_limits: vec![v1::FillLimit {
            product_code: "WS750".into(),
            target_mass_mg: NOMINAL_MG + 2_000,
            warning_mass_mg: NOMINAL_MG + 900,
            action_mass_mg: NOMINAL_MG,
            sample_count: 5,
            process_deviation_mg: 1_000,
        }],
        due_at_start: true,
        due_at_end: true,
        interval: durations::from_ms(3_600_000),
        instrument_code: BENCH.into(),
        ..v1::CheckPoint::default()
    };
    let request = v1::RegisterCheckPointRequest { check_point: Some(point), ..Default::default() };
    day.add(before, "p-01", request);
}

fn sample(day: &mut Day, second: i64, over_decigrams: &[i64]) {
    let request = v1::RecordReadingsRequest {
        machine_code: "M1".into(),
        instrument_code: BENCH.into(),
        kind: v1::ReadingKind::Net.into(),
        point: v1::ReadingPoint::Accepted.into(),
        mass_mg: over_decigrams.iter().map(|over| NOMINAL_MG + over * 100).collect(),
        start_time: Some(at(second - 60)),
        check_point_code: SAMPLES.into(),
        product_code: "WS750".into(),
        ..v1::RecordReadingsRequest::default()
    };
    day.add(second, "p-22", request);
}

fn refused(day: &mut Day) {
    let refused = v1::RecordLiftRefusalRequest {
        lift: Some(lift(vec![tag(9), tag(10)])),
        text: "two at once would have saved a trip".into(),
        ..v1::RecordLiftRefusalRequest::default()
    };
    day.add(9_000, "p-17", refused);
}

/// The steps.
pub fn steps() -> Vec<Step> {
    let mut day = Day::default();
    registers(&mut day);
    let tare = v1::RecordTareRequest {
        product_code: "WS750".into(),
        instrument_code: BENCH.into(),
        mass_mg: vec![6_240, 6_210, 6_280, 6_190, 6_250, 6_230, 6_220, 6_260, 6_200, 6_240],
        ..v1::RecordTareRequest::default()
    };
    day.add(-1_800, "p-22", tare);
    for (minute, over) in SAMPLED {
        sample(&mut day, minute * 60, &over);
    }
    // The last packs are proved by a sample whose weighing begins after them.
    sample(&mut day, end_s() + 120, &[20, 24, 16, 13, 27]);
    let adjusted = v1::RecordAdjustmentRequest {
        machine_code: "M1".into(),
        target_mass_mg: NOMINAL_MG + 2_000,
        text: "one step up after the sample of nine o'clock".into(),
        ..v1::RecordAdjustmentRequest::default()
    };
    day.add(183 * 60, "p-31", adjusted);
    refused(&mut day);
    let rejects = |second: i64, value: i64| {
        let mut row = counter(v1::CounterPlace::Rejected, value);
        row.reason_code = "light".into();
        (second, row)
    };
    for (second, row) in [rejects(600, 3_110), rejects(end_s() - 600, 3_110 + rejected_of(filled_total()) - 4)] {
        let count = v1::RecordCountRequest {
            machine_code: "M1".into(),
            counters: vec![row],
            ..v1::RecordCountRequest::default()
        };
        day.add(second, "p-17", count);
    }
    let note = v1::RecordRemarkRequest {
        run_code: RUN.into(),
        text: format!(
            "Film jammed at twenty to eight, splice redone. Bag {} was tipped while on hold: quality knows. Head {} fills light, fitter is asked.",
            tag(crate::scenario::HELD_BAG),
            WEAK_HEAD.0
        ),
        handover: true,
        ..v1::RecordRemarkRequest::default()
    };
    day.add(end_s() + 1_200, "p-31", note);
    let inspection = v1::RecordInspectionRequest {
        run_code: RUN.into(),
        first_number: 2_401,
        last_number: 4_800,
        authority: "weights and measures office of the fen".into(),
        report: "HF/118".into(),
        scheme: format!("single plan, batch {BATCH}"),
        lot_count: 2_384,
        sample_count: 80,
        mean_mass_mg: Some(NOMINAL_MG + 1_870),
        short_count: Some(0),
        least_count: Some(0),
        outcome: v1::InspectionOutcome::Passed.into(),
        ..v1::RecordInspectionRequest::default()
    };
    day.add(end_s() + 3_600, "p-40", inspection);
    day.steps
}

/// Readings of the checkweigher: time, net mass and head of every accepted pack, as the machine would tell them.
pub fn readings() -> Vec<(i64, i64, i64)> {
    let mut found = Vec::new();
    // A small generator of our own, so that the figures are the same in every demo (Lehmer, 48271 modulo 2^31 - 1).
    let mut state = 20_261_006_i64;
    let mut noise = || {
        (0..12)
            .map(|_| {
                state = state * 48_271 % 2_147_483_647;
                state % 2_001 - 1_000
            })
            .sum::<i64>()
            / 20
    };
    let mut second = 0;
    let mut told = 0;
    while second <= end_s() {
        let filled = filled_at(second);
        let due = filled - rejected_of(filled);
        for place in told..due {
            let head = place % HEADS + 1;
            let light = if head == WEAK_HEAD.0 { WEAK_HEAD.1 } else { 0 };
            let mass = (NOMINAL_MG + 2_360 + noise() * 5 - light).div_euclid(100) * 100;
            let time = (SHIFT_START_S + second) * 1_000_000 + (place - told) * 60_000_000 / PACKS_PER_MINUTE;
            found.push((time, mass, head));
        }
        told = due;
        second += 3;
    }
    found
}

/// Streams the readings of the checkweigher, as its feeder would.
///
/// # Errors
/// What the server answered instead.
pub async fn feed(connection: &Connection) -> anyhow::Result<i64> {
    let rows = readings();
    let open = v1::StreamOpen {
        source_code: format!("{CHECKWEIGHER}-feed"),
        epoch: 1,
        machine_code: "M1".into(),
        instrument_code: CHECKWEIGHER.into(),
        kind: v1::ReadingKind::Net.into(),
        point: v1::ReadingPoint::Accepted.into(),
        actor_code: "p-22".into(),
        ..v1::StreamOpen::default()
    };
    let message = |part: Part| v1::StreamReadingsRequest { part: Some(part) };
    let mut messages = vec![message(Part::Open(open))];
    let mut first_sequence = 1;
    for piece in rows.chunks(CHUNK) {
        messages.push(message(Part::Chunk(v1::StreamChunk {
            first_sequence,
            mass_mg: piece.iter().map(|row| row.1).collect(),
            time_us: piece.iter().map(|row| row.0).collect(),
            head_number: piece.iter().map(|row| row.2).collect(),
        })));
        first_sequence += i64::try_from(piece.len())?;
    }
    let mut run = connection.run.clone();
    let mut answers = run.stream_readings(tokio_stream::iter(messages)).await?.into_inner();
    let mut durable = 0;
    while let Some(answer) = answers.message().await? {
        durable = answer.durable_sequence;
    }
    anyhow::ensure!(durable == i64::try_from(rows.len())?, "{durable} of {} readings are durable", rows.len());
    Ok(durable)
}

/// Tells all of it.
///
/// # Errors
/// What the server answered instead.
pub async fn tell(connection: &Connection) -> anyhow::Result<i64> {
    for step in steps() {
        step.play(connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {}", status.message()))?;
    }
    feed(connection).await
}
