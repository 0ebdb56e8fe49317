//! A mixed load of all kinds, round by round: what is written and asked in a house on a busy day, pages, live connections,
//! and questions that are given up.

use std::io::Write as _;
use std::net::TcpStream;
use std::time::Duration;

use packloft_client::connection::request_id;
use packloft_client::moment::now;
use packloft_client::{Connection, v1};
use packloft_examples::scenario;
use tonic::{Code, Status};

use crate::load::{check, trace};
use crate::pages::PAGES;

/// Rounds with writes between two times the feed is seen empty: a clean span is some bags long, as on a working day.
const ROUNDS_A_CLEAN_SPAN: u64 = 40;

/// What was sent.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sent {
    /// Writes that were recorded.
    pub recorded: u64,
    /// Writes the rules refused.
    pub refused: u64,
    /// Questions answered.
    pub answered: u64,
    /// Questions that were told to come back, or had no answer in time.
    pub put_off: u64,
    /// Pages read.
    pub pages: u64,
    /// Questions given up.
    pub given_up: u64,
}

/// One who loads a server.
pub struct Soak {
    connection: Connection,
    address: String,
    /// Rounds made.
    pub round: u64,
    /// What was sent so far.
    pub sent: Sent,
    live: Vec<TcpStream>,
    /// Answers that should never come.
    never: Vec<String>,
    /// Days of the generated line.
    days: i64,
    /// Rounds to one in which something is written.
    write_every: u64,
}

macro_rules! told {
    ($self:ident, $client:ident.$method:ident, $request:ident { $($field:ident: $value:expr),* $(,)? }, $actor:expr) => {{
        // Some requests have no more fields than these.
        #[allow(clippy::needless_update)]
        let request = v1::$request {
            request_id: request_id(),
            occurred_time: Some(now()),
            actor_code: $actor.into(),
            $($field: $value,)*
            ..v1::$request::default()
        };
        let answer = $self.connection.$client.clone().$method(request).await.map(|_| ());
        $self.count(answer, true);
    }};
}

macro_rules! asked {
    ($self:ident, $client:ident.$method:ident, $request:ident { $($field:ident: $value:expr),* $(,)? }) => {{
        #[allow(clippy::needless_update)]
        let request = v1::$request { $($field: $value,)* ..v1::$request::default() };
        let answer = $self.connection.$client.clone().$method(request).await.map(|_| ());
        $self.count(answer, false);
    }};
}

impl Soak {
    /// Begins on a server with the demo's data and some days of the generated line.
    /// Something is written in one of `write_every` rounds: answers grow with the record, which is not what a soak measures.
    pub fn new(connection: Connection, address: &str, days: i64, write_every: u64) -> Soak {
        let address = address.trim_start_matches("http://").to_owned();
        Soak {
            connection,
            address,
            round: 0,
            sent: Sent::default(),
            live: Vec::new(),
            never: Vec::new(),
            days,
            write_every,
        }
    }

    fn count(&mut self, answer: Result<(), Status>, write: bool) {
        match answer {
            Ok(()) if write => self.sent.recorded += 1,
            Ok(()) => self.sent.answered += 1,
            Err(status) => match status.code() {
                Code::FailedPrecondition | Code::AlreadyExists => self.sent.refused += 1,
                Code::ResourceExhausted | Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled => {
                    self.sent.put_off += 1;
                }
                _ => self.never.push(format!("{status}")),
            },
        }
    }

    /// One round of everything.
    ///
    /// # Errors
    /// When the server answers what it never should.
    pub async fn round(&mut self) -> anyhow::Result<()> {
        self.round += 1;
        if self.round % self.write_every == 1 % self.write_every {
            self.write().await;
        }
        self.ask().await;
        self.read_pages().await?;
        self.give_up().await;
        self.listen();
        anyhow::ensure!(self.never.is_empty(), "round {}: {:#?}", self.round, self.never);
        Ok(())
    }

    /// Puts a lot on hold, and ends that.
    async fn hold_and_free(&mut self, lot: String) {
        let hold = v1::PlaceHoldRequest {
            request_id: request_id(),
            occurred_time: Some(now()),
            actor_code: "p-40".into(),
            lot_code: lot,
            reason: "looked at again".into(),
            hazard: v1::HazardKind::Spreading.into(),
            ..v1::PlaceHoldRequest::default()
        };
        let placed = self.connection.quality.clone().place_hold(hold).await.map(tonic::Response::into_inner);
        let code = placed.as_ref().ok().and_then(|answer| answer.receipt.as_ref()?.hold_codes.first().cloned());
        self.count(placed.map(|_| ()), true);
        if let Some(hold_code) = code {
            told!(self, quality.end_hold, EndHoldRequest { hold_code: hold_code, reason: "in order".into() }, "p-40");
        }
    }

    async fn write(&mut self) {
        let (lot, tag) = (format!("SL-{}", self.round), format!("SB-{}", self.round));
        told!(self, lot.create_lot, CreateLotRequest { lot_code: lot.clone(), material_code: "WS".into() }, "p-40");
        let shares = vec![v1::LotShare { lot_code: lot.clone(), share_ppm: 1_000_000 }];
        told!(
            self,
            intake.record_bulk_bag,
            RecordBulkBagRequest {
                bag_tag: tag.clone(),
                lots: shares,
                fibc_type_code: "T1".into(),
                scale_code: "S1".into(),
                gross_mass_mg: 942_400_000,
                tare_mass_mg: Some(scenario::TARE_MG),
                location_code: "A1".into(),
            },
            "p-17"
        );
        told!(self, lot.release_lot, ReleaseLotRequest { lot_code: lot.clone(), reason: "in order".into() }, "p-40");
        let lift = Some(scenario::lift(vec![tag.clone()]));
        told!(self, lift.record_lift, RecordLiftRequest { lift: lift }, "p-17");
        told!(
            self,
            run.record_tip,
            RecordTipRequest { bag_tag: tag, feed_code: "F1".into(), confirmed_implausible: true },
            "p-17"
        );
        let text = format!("round {}", self.round);
        told!(self, run.record_remark, RecordRemarkRequest { feed_code: "F1".into(), text: text }, "p-22");
        let readings: Vec<i64> = (0..20).map(|place| 752_000 + 100 * place).collect();
        told!(
            self,
            run.record_readings,
            RecordReadingsRequest {
                machine_code: "M1".into(),
                instrument_code: "C1".into(),
                kind: v1::ReadingKind::Net.into(),
                point: v1::ReadingPoint::BeforeRejecter.into(),
                mass_mg: readings,
                start_time: Some(prost_types::Timestamp { seconds: now().seconds - 30, nanos: 0 }),
                confirmed_implausible: true,
            },
            "p-22"
        );
        let (content, sure) = (Some(100_000_000 + self.round.cast_signed() % 7), 20_000_000);
        told!(
            self,
            run.record_hopper_level,
            RecordHopperLevelRequest {
                feed_code: "F1".into(),
                content_mass_mg: content,
                uncertainty_mass_mg: sure,
                confirmed_implausible: true,
            },
            "p-17"
        );
        if self.round % (ROUNDS_A_CLEAN_SPAN * self.write_every) == 1 % self.write_every {
            told!(self, run.record_feed_emptied, RecordFeedEmptiedRequest { feed_code: "F1".into() }, "p-17");
        }
        self.hold_and_free(lot).await;
    }

    async fn ask(&mut self) {
        let checked = check(&self.connection).await.map(|_| ());
        self.sent.answered += u64::from(checked.is_ok());
        let request = trace(self.round, if self.round.is_multiple_of(2) { self.days } else { 0 });
        let answer = self.connection.trace.clone().trace_pack(request).await.map(|_| ());
        self.count(answer, false);
        asked!(self, trace.trace_bulk_bag, TraceBulkBagRequest { bag_tag: "HB-416".into() });
        asked!(self, trace.trace_lot, TraceLotRequest { lot_code: "QE-2232".into() });
        asked!(self, trace.trace_pallet, TracePalletRequest { sscc: "095212340000000105".into() });
        asked!(self, trace.find_code, FindCodeRequest { text: "HB-41".into() });
        asked!(self, figure.get_yield, GetYieldRequest { feed_code: "F1".into() });
        asked!(self, figure.get_balance, GetBalanceRequest { feed_code: "F1".into() });
        asked!(self, figure.get_shift_report, GetShiftReportRequest {});
        asked!(self, store.list_stock, ListStockRequest { with_state: true });
        asked!(self, intake.list_bulk_bags, ListBulkBagsRequest {});
        asked!(self, lot.list_lots, ListLotsRequest {});
        asked!(self, run.list_runs, ListRunsRequest {});
        asked!(self, lift.list_lifts, ListLiftsRequest {});
        asked!(self, quality.list_holds, ListHoldsRequest {});
        asked!(self, journal.list_events, ListEventsRequest { from_sequence: 1 });
        asked!(self, recall.list_recalls, ListRecallsRequest {});
        let kinds = [v1::DocumentKind::TraceRecords, v1::DocumentKind::Events, v1::DocumentKind::Analysis];
        let kind = kinds[self.round as usize % kinds.len()];
        asked!(self, document.get_document, GetDocumentRequest { kind: kind.into(), lot_code: "QE-2232".into() });
    }

    async fn read_pages(&mut self) -> anyhow::Result<()> {
        for place in 0..3 {
            let (_, path) = PAGES[(self.round as usize * 3 + place) % PAGES.len()];
            let url = format!("http://{}{path}", self.address);
            let status = tokio::task::spawn_blocking(move || -> anyhow::Result<u16> {
                let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
                let mut answer = agent.get(&url).header("cookie", "person=p-17").call()?;
                answer.body_mut().read_to_string()?;
                Ok(answer.status().as_u16())
            });
            match status.await?? {
                500 => anyhow::bail!("round {}: {path} failed", self.round),
                503 => self.sent.put_off += 1,
                _ => self.sent.pages += 1,
            }
        }
        Ok(())
    }

    async fn give_up(&mut self) {
        for number in 0..4 {
            let mut client = self.connection.trace.clone();
            let request = trace(1_000_000 + self.round * 4 + number, self.days);
            let asked = tokio::time::timeout(Duration::from_millis(3), client.trace_pack(request)).await;
            self.sent.given_up += u64::from(asked.is_err());
        }
    }

    /// Opens a live connection, and ends the oldest of a few.
    fn listen(&mut self) {
        if let Ok(mut stream) = TcpStream::connect(&self.address) {
            let _ = stream.write_all(b"GET /live HTTP/1.1\r\nHost: house\r\n\r\n");
            self.live.push(stream);
        }
        if self.live.len() > 8 {
            self.live.remove(0);
        }
    }
}
