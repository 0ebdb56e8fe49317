//! Generated requests over every method, good ones and hostile ones: none makes the server fail, a refused one writes nothing,
//! and afterwards it answers as before.
//!
//! Methods, fields and their kinds are read from the descriptors, so a new one is called without a word here. Writes begin as
//! one of the invented days' steps, questions with codes from them; then fields are put at extremes, filled with what no
//! field should hold, repeated without end, taken away. `GENERATED_REQUESTS` says how many, `GENERATED_SEED` which.

use std::collections::{BTreeMap, BTreeSet};

use packloft_client::Connection;
use packloft_examples::process::ServerProcess;
use packloft_examples::step::Step;
use packloft_examples::{kept, loft, morning, next_run, scenario};
use packloft_proto::v1;
use packloft_tests::{set_clock, setting};
use prost::Message;
use prost::bytes::{Buf, BufMut};
use prost_reflect::{
    DescriptorPool, DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, MethodDescriptor, ReflectMessage, Value,
};
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::transport::{Channel, Endpoint};
use tonic::{Code, Request, Status};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Bytes as they are, both ways.
#[derive(Clone, Copy)]
struct Raw;

impl Codec for Raw {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Raw;
    type Decoder = Raw;
    fn encoder(&mut self) -> Raw {
        Raw
    }
    fn decoder(&mut self) -> Raw {
        Raw
    }
}

impl Encoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;
    fn encode(&mut self, item: Vec<u8>, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        buffer.put_slice(&item);
        Ok(())
    }
}

impl Decoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;
    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        Ok(Some(buffer.copy_to_bytes(buffer.remaining()).to_vec()))
    }
}

/// Calls a method with messages as bytes; the code of its answer, of a stream of answers that of its end.
async fn call(channel: &Channel, method: &MethodDescriptor, messages: Vec<Vec<u8>>) -> (Code, String) {
    let path = format!("/{}/{}", method.parent_service().full_name(), method.name());
    let answer = async {
        let mut client = tonic::client::Grpc::new(channel.clone()).max_decoding_message_size(256 << 20);
        client.ready().await.map_err(|fault| Status::unavailable(fault.to_string()))?;
        let mut request = Request::new(tokio_stream::iter(messages));
        request.set_timeout(std::time::Duration::from_secs(60));
        let path = path.parse().map_err(|_| Status::unknown("no path"))?;
        let mut answers = client.streaming(request, path, Raw).await?.into_inner();
        while answers.message().await?.is_some() {}
        Ok::<(), Status>(())
    };
    match answer.await {
        Ok(()) => (Code::Ok, String::new()),
        Err(status) => (status.code(), status.message().to_owned()),
    }
}

/// What the invented days say: messages of writes by name, texts by the name of their field.
#[derive(Default)]
struct Known {
    writes: BTreeMap<String, Vec<DynamicMessage>>,
    texts: BTreeMap<String, BTreeSet<String>>,
}

impl Known {
    fn of(pool: &DescriptorPool, steps: &[Step]) -> Known {
        let mut known = Known::default();
        for step in steps {
            let descriptor = pool.get_message_by_name(&format!("packloft.v1.{}", step.name())).unwrap();
            let message = DynamicMessage::decode(descriptor, step.bytes().as_slice()).unwrap();
            known.gather(&message);
            known.writes.entry(step.name().to_owned()).or_default().push(message);
        }
        known
    }

    fn gather(&mut self, message: &DynamicMessage) {
        for (field, value) in message.fields() {
            // A bag, lot or machine is named `code` where it is registered.
            let name = match field.name() {
                "code" => format!("{}_code", snake(message.descriptor().name())),
                name => name.to_owned(),
            };
            for value in value.as_list().map_or(std::slice::from_ref(value), |list| list) {
                match value {
                    Value::String(text) => drop(self.texts.entry(name.clone()).or_default().insert(text.clone())),
                    Value::Message(inner) => self.gather(inner),
                    _ => {}
                }
            }
        }
    }

    fn text(&self, random: &mut fastrand::Rng, name: &str) -> Option<String> {
        let texts = self.texts.get(name)?;
        texts.iter().nth(random.usize(..texts.len())).cloned()
    }
}

fn snake(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        if c.is_ascii_uppercase() && !out.is_empty() {
            out.push('_');
        }
        out.push(c.to_ascii_lowercase());
    }
    out
}

/// A number that an honest request hardly holds, or a small one.
fn number(random: &mut fastrand::Rng) -> i64 {
    const EXTREMES: [i64; 12] = [
        0,
        1,
        -1,
        2,
        50,
        1_000_000,
        1_000_000_000_000,
        999_999_999_999_999,
        i64::MAX / 2,
        i64::MAX - 1,
        i64::MAX,
        i64::MIN,
    ];
    if random.bool() { EXTREMES[random.usize(..EXTREMES.len())] } else { random.i64(0..2_000) }
}

fn text(random: &mut fastrand::Rng, known: &Known, name: &str) -> String {
    match random.u8(..10) {
        0 => String::new(),
        1 => "x".repeat(random.usize(1..400_000)),
        2 => "a\u{202e}b".into(),
        3 => "a\u{7}b\nc".into(),
        4 => "\u{1f980} two words ".into(),
        5 => ["2026-10-06", "2026-02-31", "9999-12-31", "0000-00-00", "-2026-10-06"][random.usize(..5)].into(),
        6 => ["F1", "M1", "p-17", "0", "%", "../x", "(01)", "https://id.gs1.org/00/1"][random.usize(..8)].into(),
        _ => known.text(random, name).unwrap_or_else(|| "L-1".into()),
    }
}

fn value(random: &mut fastrand::Rng, known: &Known, field: &FieldDescriptor, depth: usize) -> Value {
    match field.kind() {
        Kind::String => Value::String(text(random, known, field.name())),
        Kind::Bytes => Value::Bytes((0..random.usize(..3_000)).map(|_| random.u8(..)).collect()),
        Kind::Bool => Value::Bool(random.bool()),
        Kind::Double => {
            Value::F64([0.0, -1.0, 0.5, 1e-9, 1e308, f64::NAN, f64::INFINITY, f64::NEG_INFINITY][random.usize(..8)])
        }
        Kind::Enum(kind) => {
            let numbers: Vec<i32> = kind.values().map(|value| value.number()).chain([77, -1, i32::MAX]).collect();
            Value::EnumNumber(numbers[random.usize(..numbers.len())])
        }
        Kind::Message(kind) if kind.full_name() == "google.protobuf.Timestamp" => {
            let seconds = match random.u8(..4) {
                0 => number(random),
                1 => [946_684_799, 946_684_800, 7_258_118_399, 7_258_118_400][random.usize(..4)],
                _ => scenario::at(random.i64(-100_000..400_000)).seconds,
            };
            let mut time = DynamicMessage::new(kind);
            time.set_field_by_name("seconds", Value::I64(seconds));
            if random.u8(..10) == 0 {
                time.set_field_by_name("nanos", Value::I32(random.i32(..)));
            }
            Value::Message(time)
        }
        Kind::Message(kind) => Value::Message(made(random, known, &kind, depth + 1)),
        Kind::Int32 => Value::I32(random.i32(..)),
        _ => Value::I64(number(random)),
    }
}

/// A message made up: codes that are known, everything else by chance.
fn made(random: &mut fastrand::Rng, known: &Known, kind: &MessageDescriptor, depth: usize) -> DynamicMessage {
    let mut message = DynamicMessage::new(kind.clone());
    for field in kind.fields() {
        if depth > 4 || random.u8(..3) == 0 {
            continue;
        }
        if field.name() == "page_token" && random.u8(..40) != 0 {
            continue;
        }
        let sound = known.text(random, field.name()).filter(|_| random.u8(..5) != 0).map(Value::String);
        let one = |random: &mut fastrand::Rng| match (&sound, field.kind()) {
            (Some(sound), Kind::String) => sound.clone(),
            _ => value(random, known, &field, depth),
        };
        let filled = if field.is_list() {
            Value::List((0..random.usize(..4)).map(|_| one(random)).collect())
        } else {
            one(random)
        };
        message.set_field(&field, filled);
    }
    message
}

/// Spoils one field of a message, or one of a message within it.
fn spoil(random: &mut fastrand::Rng, known: &Known, message: &mut DynamicMessage) {
    let fields: Vec<FieldDescriptor> = message.descriptor().fields().collect();
    let Some(field) = fields.get(random.usize(..fields.len().max(1))).cloned() else { return };
    let own = message.get_field(&field).into_owned();
    match own {
        Value::Message(mut inner) if message.has_field(&field) && random.u8(..4) != 0 => {
            spoil(random, known, &mut inner);
            message.set_field(&field, Value::Message(inner));
        }
        Value::List(mut list) => {
            match (random.u8(..5), list.last().cloned()) {
                (0, _) => list.clear(),
                (1, Some(last)) => list.push(last),
                (2, Some(last)) => list = vec![last; random.usize(1..6_000)],
                (3, Some(Value::Message(_))) => {
                    let place = random.usize(..list.len());
                    if let Value::Message(inner) = &mut list[place] {
                        spoil(random, known, inner);
                    }
                }
                _ => list.push(value(random, known, &field, 1)),
            }
            message.set_field(&field, Value::List(list));
        }
        _ if random.u8(..6) == 0 => message.clear_field(&field),
        _ => message.set_field(&field, value(random, known, &field, 0)),
    }
}

/// The messages of one call, and whether it could be recorded.
fn request(random: &mut fastrand::Rng, known: &Known, method: &MethodDescriptor) -> Vec<Vec<u8>> {
    let input = method.input();
    if random.u8(..50) == 0 {
        return vec![(0..random.usize(..300)).map(|_| random.u8(..)).collect()];
    }
    let count = if method.is_client_streaming() { random.usize(1..4) } else { 1 };
    let mut found = Vec::new();
    for _ in 0..count {
        let examples = known.writes.get(input.name());
        let mut message = match examples {
            Some(examples) if random.u8(..10) != 0 => examples[random.usize(..examples.len())].clone(),
            _ => made(random, known, &input, 0),
        };
        for _ in 0..[0, 1, 1, 1, 2, 4][random.usize(..6)] {
            spoil(random, known, &mut message);
        }
        if input.get_field_by_name("request_id").is_some() && random.u8(..20) != 0 {
            message.set_field_by_name("request_id", Value::String(packloft_client::connection::request_id()));
        }
        // Waiting for a sequence that does not come takes seconds each time.
        if input.get_field_by_name("min_sequence").is_some() && random.u8(..40) != 0 {
            message.clear_field_by_name("min_sequence");
        }
        found.push(message.encode_to_vec());
    }
    found
}

async fn newest(connection: &Connection) -> anyhow::Result<i64> {
    Ok(connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence)
}

/// Long: one server is asked thousands of times and then once more as before.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_generated_request_makes_the_server_fail() -> anyhow::Result<()> {
    set_clock();
    let count = setting("GENERATED_REQUESTS", 2_000);
    let mut random = fastrand::Rng::with_seed(setting("GENERATED_SEED", 1));
    let (folder, words) = (tempfile::tempdir()?, tempfile::tempdir()?);
    let log = words.path().join("log");
    let mut server = ServerProcess::start_logged(EXECUTABLE.as_ref(), folder.path(), Some(&log))?;
    let connection = Connection::open(&server.url()).await?;
    let mut steps = scenario::steps();
    steps.extend(morning::steps().into_iter().chain(next_run::steps()));
    for step in &steps {
        step.play(&connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
    }
    kept::tell(&connection).await?;
    for step in loft::steps() {
        step.play(&connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
        steps.push(step);
    }
    let pool = DescriptorPool::decode(v1::DESCRIPTOR)?;
    let known = Known::of(&pool, &steps);
    let methods: Vec<MethodDescriptor> =
        pool.services().flat_map(|service| service.methods().collect::<Vec<_>>()).collect();
    let channel = Endpoint::from_shared(server.url())?.connect().await?;
    let mut table: BTreeMap<String, BTreeMap<String, u64>> = BTreeMap::new();
    let (mut wrong, mut sequence) = (Vec::new(), newest(&connection).await?);
    let began = sequence;
    for turn in 0..count {
        // Every method in turn, so that a short form calls each.
        let method = &methods[usize::try_from(turn)? % methods.len()];
        let messages = request(&mut random, &known, method);
        let (code, text) = call(&channel, method, messages.clone()).await;
        *table.entry(method.name().to_owned()).or_default().entry(format!("{code:?}")).or_default() += 1;
        let told = || text.chars().take(160).collect::<String>();
        if [Code::Internal, Code::Unknown, Code::Unimplemented, Code::DataLoss].contains(&code)
            || (matches!(code, Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled)
                && !text.contains("not on record yet"))
        {
            let bytes =
                messages.iter().map(|bytes| format!("{:02x?}", &bytes[..bytes.len().min(300)])).collect::<String>();
            wrong.push(format!("{turn} {}: {code:?} {} of {bytes}", method.name(), told()));
        }
        if !server.running() {
            wrong.push(format!("{turn} {}: the server is gone", method.name()));
            break;
        }
        let now = newest(&connection).await?;
        // What a stream had sent before it was refused is on record.
        if code != Code::Ok && !method.is_client_streaming() && now != sequence {
            wrong.push(format!(
                "{turn} {}: {code:?} {}, but {} entries were written",
                method.name(),
                told(),
                now - sequence
            ));
        }
        sequence = now;
    }
    let mut statuses: BTreeMap<&str, u64> = BTreeMap::new();
    for (method, row) in &table {
        println!("{method:28} {}", row.iter().map(|(code, n)| format!("{code} {n}")).collect::<Vec<_>>().join(", "));
        row.iter().for_each(|(code, n)| *statuses.entry(code).or_default() += n);
    }
    println!("{count} requests of {} methods: {statuses:?}; {} entries were taken", table.len(), sequence - began);
    let said = std::fs::read_to_string(&log).unwrap_or_default();
    let panics: Vec<&str> = said.lines().filter(|line| line.contains("panic")).take(20).collect();
    assert!(wrong.is_empty() && panics.is_empty(), "{}\n{}", wrong.join("\n"), panics.join("\n"));
    // Enough of it was sound that more than the shape was tried.
    assert!(statuses.get("Ok").is_some_and(|n| n * 10 > count), "{statuses:?}");
    assert!(statuses.get("InvalidArgument").is_some_and(|n| n * 10 > count), "{statuses:?}");
    // A good question and a good entry as before.
    let asked = v1::TracePackRequest { run_code: scenario::RUN.into(), pack_number: 100, ..Default::default() };
    assert!(!connection.trace.clone().trace_pack(asked).await?.into_inner().origins.is_empty());
    let remark = v1::RecordRemarkRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(scenario::at(0)),
        actor_code: "p-17".into(),
        feed_code: "F1".into(),
        text: "as before".into(),
        ..Default::default()
    };
    connection.run.clone().record_remark(remark).await?;
    assert_eq!(newest(&connection).await?, sequence + 1);
    Ok(())
}
