//! Readings at machine rate: a stream of them is cut into blocks, each block is one fact, and the answers say up to where
//! everything is durable.
//!
//! A feeder sends again whatever it was not told of; what is on record already is passed over, a gap is refused. So every
//! reading counts once, whatever was killed in between. Nothing is read from the stream while a block is being recorded:
//! a feeder that is too fast waits.

use std::pin::Pin;
use std::time::{Duration, Instant};

use packloft_domain::block::{BLOCK_MAX, pack, unpack};
use packloft_domain::fact::{Fact, ReadingsRecorded};
use packloft_domain::objects::run::{before_border, run_borders};
use packloft_domain::objects::source::{Kind, Sent, newest, other_kind};
use packloft_domain::record::Unreadable;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use packloft_proto::v1::stream_readings_request::Part;
use tokio::sync::mpsc;
use tokio_stream::Stream;
use tonic::{Request, Response, Status, Streaming};

use super::faults::Faults;
use super::stream_counts::BUSY;
use super::{Api, status};
use crate::lanes::Lane;
use packloft_answers::context::invalid;
use packloft_engine::{EngineError, Submission, default_deadline, fresh_id};
use packloft_journal::Journal;

/// Answers of a stream.
pub type Answers = Pin<Box<dyn Stream<Item = Result<v1::StreamReadingsResponse, Status>> + Send>>;

/// Longest that readings wait for a full block.
const WAIT: Duration = Duration::from_secs(20);
/// Greatest reading: 50 kg.
const READING_MAX_MG: i64 = 50_000_000;
/// Greatest number of a filling head.
const HEAD_MAX: i64 = 999;

/// A stream that was opened, with what waits for its block.
struct Feed {
    open: ReadingsRecorded,
    actor_code: String,
    /// Highest reading that is durable.
    durable: i64,
    sequence: i64,
    /// Time and mass of the newest that was durable when the stream began.
    last: (i64, i64),
    masses: Vec<i64>,
    times: Vec<i64>,
    /// Filling heads; empty while nobody tells them, else one for each reading.
    heads: Vec<i64>,
    since: Instant,
}

fn opening(open: &v1::StreamOpen) -> Result<(ReadingsRecorded, String), Status> {
    let mut faults = Faults::default();
    if open.kind == i32::from(v1::ReadingKind::Net) && open.tare_mass_mg != 0 {
        faults.add("tare_mass_mg", "must be 0 for net readings");
    }
    if open.counts {
        for (field, given) in [
            ("instrument_code", !open.instrument_code.is_empty()),
            ("kind", open.kind != 0),
            ("tare_mass_mg", open.tare_mass_mg != 0),
            ("point", open.point != 0),
        ] {
            if given {
                faults.add(field, "is for readings, not for counts");
            }
        }
    }
    let readings = !open.counts;
    let found = ReadingsRecorded {
        machine_code: faults.code("machine_code", &open.machine_code),
        instrument_code: if readings { faults.code("instrument_code", &open.instrument_code) } else { String::new() },
        kind: if readings { faults.choice::<v1::ReadingKind>("kind", open.kind) } else { 0 },
        tare_mass_mg: faults.mass("tare_mass_mg", open.tare_mass_mg, 0, READING_MAX_MG),
        point: if readings { faults.choice::<v1::ReadingPoint>("point", open.point) } else { 0 },
        source_code: faults.code("source_code", &open.source_code),
        epoch: faults.number("epoch", open.epoch, 1, 1_000_000_000),
        ..ReadingsRecorded::default()
    };
    let actor_code = faults.code("actor_code", &open.actor_code);
    faults.check().map_err(status::refusal)?;
    Ok((found, actor_code))
}

/// Time and mass of the newest reading of a source; zeros when there is none.
fn last_reading(journal: &Journal, sequence: i64) -> Result<(i64, i64), Unreadable> {
    // Views keep sums alone; the journal has the readings.
    let rows = journal.read(sequence.cast_unsigned(), 1).map_err(|fault| Unreadable(fault.to_string()))?;
    let Some(Fact::ReadingsRecorded(f)) = rows.into_iter().next().and_then(|row| row.event.fact) else {
        return Ok((0, 0));
    };
    let block = unpack(&f.packed, f.start_time_us).unwrap_or_default();
    Ok(block.times_us.last().copied().zip(block.masses_mg.last().copied()).unwrap_or((0, 0)))
}

impl Feed {
    fn answer(&mut self) -> v1::StreamReadingsResponse {
        let (last_time_us, last_mass_mg) = std::mem::take(&mut self.last);
        v1::StreamReadingsResponse {
            durable_sequence: self.durable,
            sequence: self.sequence,
            last_mass_mg,
            last_time_us,
            last_count: None,
        }
    }

    /// Takes the readings of a chunk that are not on record and not waiting yet.
    fn take(&mut self, chunk: &v1::StreamChunk) -> Result<(), Status> {
        let mut faults = Faults::default();
        faults.rows("mass_mg", chunk.mass_mg.len(), 1, BLOCK_MAX);
        faults.rows("time_us", chunk.time_us.len(), chunk.mass_mg.len(), chunk.mass_mg.len());
        if !chunk.head_number.is_empty() {
            faults.rows("head_number", chunk.head_number.len(), chunk.mass_mg.len(), chunk.mass_mg.len());
        }
        for (index, head) in chunk.head_number.iter().enumerate() {
            if !(1..=HEAD_MAX).contains(head) {
                faults.number(&format!("head_number[{index}]"), *head, 1, HEAD_MAX);
            }
        }
        faults.number("first_sequence", chunk.first_sequence, 1, i64::MAX / 2);
        for (index, mass) in chunk.mass_mg.iter().enumerate() {
            if !(1..=READING_MAX_MG).contains(mass) {
                faults.mass(&format!("mass_mg[{index}]"), *mass, 1, READING_MAX_MG);
            }
        }
        for (index, time) in chunk.time_us.iter().enumerate() {
            faults.time_us(&format!("time_us[{index}]"), *time);
        }
        faults.check().map_err(status::refusal)?;
        let next = self.durable + self.waiting() + 1;
        if chunk.first_sequence > next {
            let text = format!("is {}; reading {next} is the next one", chunk.first_sequence);
            return Err(status::refusal(invalid("first_sequence", text)));
        }
        if self.masses.is_empty() {
            self.since = Instant::now();
        }
        let known = usize::try_from(next - chunk.first_sequence).unwrap_or(usize::MAX);
        // A head that is not told is head 0 beside others that are.
        let waiting = self.masses.len();
        let new = chunk.mass_mg.len().saturating_sub(known);
        if !chunk.head_number.is_empty() || !self.heads.is_empty() {
            self.heads.resize(waiting, 0);
            self.heads.extend(chunk.head_number.iter().skip(known));
            self.heads.resize(waiting + new, 0);
        }
        self.masses.extend(chunk.mass_mg.iter().skip(known));
        self.times.extend(chunk.time_us.iter().skip(known));
        Ok(())
    }

    fn waiting(&self) -> i64 {
        i64::try_from(self.masses.len()).unwrap_or(i64::MAX)
    }

    /// Times that the next block may span.
    fn span(&self) -> Option<(i64, i64)> {
        let times = &self.times[..self.times.len().min(BLOCK_MAX)];
        Some((*times.iter().min()?, *times.iter().max()?))
    }

    /// Takes the next block off what waits, up to a border of runs: each reading counts for the run it was made in.
    fn cut(&mut self, borders_us: &[i64]) -> Option<(ReadingsRecorded, i64)> {
        let count = before_border(&self.times[..self.times.len().min(BLOCK_MAX)], borders_us);
        let (masses, times): (Vec<i64>, Vec<i64>) =
            (self.masses.drain(..count).collect(), self.times.drain(..count).collect());
        let heads: Vec<i64> = self.heads.drain(..count.min(self.heads.len())).collect();
        let (first, latest) = (*times.first()?, times.iter().copied().max()?);
        let fact = ReadingsRecorded {
            packed: pack(&masses, &times, &heads),
            start_time_us: first,
            first_sequence: self.durable + 1,
            ..self.open.clone()
        };
        Some((fact, latest))
    }
}

impl Api {
    /// What the source sent in its epoch before, and where the record stands.
    ///
    /// # Errors
    /// When it sent something else, or of another machine.
    pub(super) async fn sent_before(
        &self,
        open: &ReadingsRecorded,
        counts: bool,
    ) -> Result<(Option<Sent>, i64), Status> {
        let (source, epoch) = (open.source_code.clone(), open.epoch);
        let kind = Kind { counts, machine_code: open.machine_code.clone() };
        let found = self
            .ask(Lane::Write, 0, move |context| Ok((newest(&context.record, &source, epoch)?, context.sequence())))
            .await?;
        match other_kind(found.0.as_ref(), &open.source_code, open.epoch, &kind) {
            Some(text) => Err(status::refusal(invalid("source_code", text))),
            None => Ok(found),
        }
    }

    /// Records what waits, block by block.
    async fn record_blocks(&self, feed: &mut Feed) -> Result<(), Status> {
        while let Some((from_us, to_us)) = feed.span() {
            let machine = feed.open.machine_code.clone();
            let borders = self
                .ask(Lane::Write, 0, move |context| Ok(run_borders(&context.record, &machine, from_us, to_us)?))
                .await?;
            let Some((fact, at_us)) = feed.cut(&borders) else { break };
            let last = feed.durable + i64::try_from(count_of(&fact)).unwrap_or(0);
            loop {
                let id = fresh_id(&*self.engine().clock).into_bytes();
                let command = Command::new(Fact::ReadingsRecorded(fact.clone()), at_us);
                let deadline = Instant::now() + default_deadline();
                match self
                    .engine()
                    .submit(Submission::new(id, [0; 16], feed.actor_code.clone(), command, deadline))
                    .await
                {
                    Ok(outcome) => {
                        feed.sequence = outcome.sequence.cast_signed();
                        feed.durable = last;
                        break;
                    }
                    Err(EngineError::Overloaded) => tokio::time::sleep(BUSY).await,
                    Err(fault) => return Err(status::engine(fault)),
                }
            }
        }
        Ok(())
    }

    async fn feed(
        &self,
        mut stream: Streaming<v1::StreamReadingsRequest>,
        answers: &mpsc::Sender<Result<v1::StreamReadingsResponse, Status>>,
    ) -> Result<(), Status> {
        let Some(Part::Open(open)) = stream.message().await?.and_then(|message| message.part) else {
            return Err(status::refusal(invalid("open", "must be the first message")));
        };
        let (fact, actor_code) = opening(&open)?;
        self.known_actor(&actor_code).await?;
        if open.counts {
            return self.feed_counts(fact, actor_code, stream, answers).await;
        }
        let (sent, sequence) = self.sent_before(&fact, false).await?;
        let journal = std::sync::Arc::clone(&self.engine().journal);
        let newest = sent.as_ref().map(|sent| sent.entry.sequence);
        let last =
            self.ask(Lane::Write, 0, move |_| Ok(newest.map(|row| last_reading(&journal, row)).transpose()?)).await?;
        let mut feed = Feed {
            open: fact,
            actor_code,
            durable: sent.map_or(0, |sent| sent.highest),
            sequence,
            last: last.unwrap_or_default(),
            masses: Vec::new(),
            times: Vec::new(),
            heads: Vec::new(),
            since: Instant::now(),
        };
        loop {
            let answer = feed.answer();
            if answers.send(Ok(answer)).await.is_err() {
                // Nobody listens any more: what was sent is recorded all the same.
                return self.record_blocks(&mut feed).await;
            }
            // Reads until there is a block, or until the readings have waited long enough.
            loop {
                if feed.masses.len() >= BLOCK_MAX {
                    break;
                }
                let patience = match feed.masses.is_empty() {
                    true => Duration::from_secs(3_600),
                    false => WAIT.saturating_sub(feed.since.elapsed()),
                };
                match tokio::time::timeout(patience, stream.message()).await {
                    Err(_) => break,
                    Ok(Ok(Some(message))) => match message.part {
                        Some(Part::Chunk(chunk)) => feed.take(&chunk)?,
                        _ => return Err(status::refusal(invalid("chunk", "must follow the opening"))),
                    },
                    Ok(end) => {
                        self.record_blocks(&mut feed).await?;
                        let answer = feed.answer();
                        let _ = answers.send(Ok(answer)).await;
                        return end.map(|_| ());
                    }
                }
            }
            self.record_blocks(&mut feed).await?;
        }
    }

    /// Begins a stream.
    pub(super) fn stream_of_readings(
        &self,
        request: Request<Streaming<v1::StreamReadingsRequest>>,
    ) -> Response<Answers> {
        let (answers, told) = mpsc::channel(16);
        let api = self.clone();
        tokio::spawn(async move {
            if let Err(fault) = api.feed(request.into_inner(), &answers).await {
                let _ = answers.send(Err(fault)).await;
            }
        });
        Response::new(Box::pin(tokio_stream::wrappers::ReceiverStream::new(told)))
    }
}

/// Readings in a block that was packed here.
fn count_of(fact: &ReadingsRecorded) -> usize {
    packloft_domain::block::unpack(&fact.packed, fact.start_time_us).map_or(0, |block| block.masses_mg.len())
}
