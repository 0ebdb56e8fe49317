//! A request that is sent again: every write method gives the answer it gave first, byte for byte, whatever was recorded in
//! between; an id that was used says so to every other method, also where the bytes are the same.
//!
//! Requests go over the wire as bytes, so that nothing of an answer is left out of the comparison.

use std::collections::{BTreeMap, BTreeSet};

use packloft_examples::step::Step;
use packloft_examples::{kept, loft, morning, next_run, scenario};
use packloft_proto::v1;
use packloft_tests::Running;
use prost::Message;
use prost::bytes::{Buf, BufMut};
use prost_reflect::{DescriptorPool, DynamicMessage, MethodDescriptor, Value};
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::codegen::http::uri::PathAndQuery;
use tonic::transport::{Channel, Endpoint};
use tonic::{Code, Request, Status};
use tonic_types::StatusExt;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Messages as the bytes they are.
#[derive(Clone, Default)]
struct Plain;

impl Codec for Plain {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Plain;
    type Decoder = Plain;
    fn encoder(&mut self) -> Plain {
        Plain
    }
    fn decoder(&mut self) -> Plain {
        Plain
    }
}

impl Encoder for Plain {
    type Item = Vec<u8>;
    type Error = Status;
    fn encode(&mut self, item: Vec<u8>, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        buffer.put_slice(&item);
        Ok(())
    }
}

impl Decoder for Plain {
    type Item = Vec<u8>;
    type Error = Status;
    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        Ok(Some(buffer.copy_to_bytes(buffer.remaining()).to_vec()))
    }
}

/// Methods that record something, by the name of their request: those whose answer has a receipt.
fn methods(pool: &DescriptorPool) -> BTreeMap<String, MethodDescriptor> {
    let all = pool.services().flat_map(|service| service.methods().collect::<Vec<_>>());
    let writes = all.filter(|method| method.output().get_field_by_name("receipt").is_some());
    writes.map(|method| (method.input().name().to_owned(), method)).collect()
}

async fn send(channel: &Channel, method: &MethodDescriptor, bytes: &[u8]) -> Result<Vec<u8>, Status> {
    let path = format!("/{}/{}", method.parent_service().full_name(), method.name());
    let path = PathAndQuery::try_from(path).map_err(|fault| Status::internal(fault.to_string()))?;
    let mut client = tonic::client::Grpc::new(channel.clone());
    client.ready().await.map_err(|fault| Status::unavailable(fault.to_string()))?;
    Ok(client.unary(Request::new(bytes.to_vec()), path, Plain).await?.into_inner())
}

/// An answer without its mark of having been given before, and that mark.
fn unmarked(method: &MethodDescriptor, bytes: &[u8]) -> anyhow::Result<(Vec<u8>, bool)> {
    let mut answer = DynamicMessage::decode(method.output(), bytes)?;
    let mut marked = false;
    if let Some(Value::Message(receipt)) = answer.get_field_by_name_mut("receipt") {
        marked = receipt.get_field_by_name("replayed").is_some_and(|value| value.as_bool() == Some(true));
        receipt.clear_field_by_name("replayed");
    }
    Ok((answer.encode_to_vec(), marked))
}

/// The invented days.
fn days() -> Vec<Step> {
    let days = scenario::steps().into_iter().chain(morning::steps()).chain(next_run::steps());
    days.chain(kept::steps()).chain(loft::steps()).collect()
}

/// A server with every request that was sent to it and its answer.
struct Told {
    pool: DescriptorPool,
    methods: BTreeMap<String, MethodDescriptor>,
    running: Running,
    channel: Channel,
    first: Vec<(String, Vec<u8>, Vec<u8>)>,
    refused: Vec<String>,
}

impl Told {
    async fn days() -> anyhow::Result<Told> {
        let pool = DescriptorPool::decode(v1::DESCRIPTOR)?;
        let methods = methods(&pool);
        let running = Running::start(EXECUTABLE).await?;
        let channel = Endpoint::from_shared(running.server.url())?.connect().await?;
        let mut told = Told { pool, methods, running, channel, first: Vec::new(), refused: Vec::new() };
        for step in days() {
            told.tell(step).await?;
        }
        Ok(told)
    }

    async fn tell(&mut self, step: Step) -> anyhow::Result<v1::Receipt> {
        let (name, bytes) = (step.name().to_owned(), step.bytes());
        let answer = send(&self.channel, &self.methods[&name], &bytes).await;
        let answer = answer.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
        let shown = DynamicMessage::decode(self.methods[&name].output(), answer.as_slice())?;
        let receipt = shown.get_field_by_name("receipt").and_then(|value| value.as_message().cloned());
        self.first.push((name, bytes, answer));
        Ok(receipt.map(|receipt| receipt.transcode_to::<v1::Receipt>()).transpose()?.unwrap_or_default())
    }

    /// The same with a fresh id, some days after the shift.
    async fn fresh(&mut self, actor: &str, step: impl Into<Step>) -> anyhow::Result<v1::Receipt> {
        let mut step = step.into();
        let (id, time, code) = step.header();
        *id = packloft_client::connection::request_id();
        time.get_or_insert(scenario::at(4 * 86_400));
        actor.clone_into(code);
        match self.tell(step).await {
            Ok(receipt) => Ok(receipt),
            // All of them are told at once.
            Err(fault) => {
                self.refused.push(fault.to_string());
                Ok(v1::Receipt::default())
            }
        }
    }

    /// One request of every kind that the days lack.
    async fn rest(&mut self) -> anyhow::Result<()> {
        let quality = self.running.connection.quality.clone();
        let x = || "x".to_owned();
        let (qa, who) = ("p-40", "p-31");
        let held = self
            .fresh(qa, v1::PlaceHoldRequest { bag_tag: "HB-503".into(), reason: x(), hazard: 1, ..Default::default() });
        let hold_code = held.await?.hold_codes.pop().unwrap_or_default();
        self.fresh(qa, v1::EndHoldRequest { hold_code, reason: x(), ..Default::default() }).await?;
        let deviations =
            quality.clone().list_deviations(v1::ListDeviationsRequest::default()).await?.into_inner().deviations;
        let event_sequence = deviations.iter().find(|row| row.actor_code != qa).map_or(0, |row| row.event_sequence);
        self.fresh(qa, v1::CloseDeviationRequest { event_sequence, reason: x(), ..Default::default() }).await?;
        // A bag that had been emptied is weighed: that is listed.
        let weighing = v1::RecordBagWeighingRequest {
            bag_tag: scenario::tag(1),
            scale_code: "S1".into(),
            gross_mass_mg: 3_000_000,
            confirmed_implausible: true,
            ..Default::default()
        };
        let event_sequence = self.fresh(who, weighing).await?.sequence;
        self.fresh(qa, v1::ResolveDiscrepancyRequest { event_sequence, reason: x(), ..Default::default() }).await?;
        let remark = v1::RecordRemarkRequest { feed_code: "F1".into(), text: x(), ..Default::default() };
        let target_sequence = self.fresh(who, remark).await?.sequence;
        let replacement = Some(v1::correct_request::Replacement::Void(true));
        self.fresh(who, v1::CorrectRequest { target_sequence, reason: x(), replacement, ..Default::default() }).await?;
        self.bags().await?;
        self.pallets().await?;
        self.recall().await?;
        self.gear().await
    }

    async fn bags(&mut self) -> anyhow::Result<()> {
        let x = || "x".to_owned();
        let who = "p-31";
        let bag_tag = || "HB-504".to_owned();
        let loss = v1::RecordBagLossRequest {
            bag_tag: bag_tag(),
            mass_mg: 1_000_000,
            reason: 7,
            destination: 4,
            ..Default::default()
        };
        self.fresh(who, loss).await?;
        self.fresh(who, v1::RecordResidueRequest { bag_tag: bag_tag(), mass_mg: Some(1), ..Default::default() })
            .await?;
        let level = v1::RecordHopperLevelRequest {
            feed_code: "F1".into(),
            content_mass_mg: Some(1_000_000),
            uncertainty_mass_mg: 1,
            ..Default::default()
        };
        self.fresh(who, level).await?;
        self.fresh("p-40", v1::RejectLotRequest { lot_code: "QE-2232".into(), reason: x(), ..Default::default() })
            .await?;
        self.fresh("p-40", v1::ReleaseRunRequest { run_code: scenario::RUN.into(), reason: x(), ..Default::default() })
            .await?;
        Ok(())
    }

    async fn pallets(&mut self) -> anyhow::Result<()> {
        let x = || "x".to_owned();
        let (who, sscc) = ("p-52", morning::sscc);
        self.fresh(who, v1::SplitPalletRequest { sscc: sscc(11), pack_count: 10, ..Default::default() }).await?;
        self.fresh(who, v1::MergePalletsRequest { ssccs: vec![sscc(12), sscc(13)], ..Default::default() }).await?;
        let disposal = v1::RecordDisposalRequest { sscc: sscc(14), reason: 2, text: x(), ..Default::default() };
        self.fresh(who, disposal).await?;
        self.fresh(who, v1::UnloadPalletRequest { sscc: sscc(15), reason: x(), ..Default::default() }).await?;
        let returned = v1::RecordReturnRequest { sscc: sscc(1), reason: x(), ..Default::default() };
        self.fresh(who, returned).await?;
        let amend = v1::AmendDispatchRequest {
            sscc: sscc(2),
            consignment_code: "C-1007-2".into(),
            reason: x(),
            ..Default::default()
        };
        self.fresh(who, amend).await?;
        let print =
            v1::RecordLabelPrintRequest { kind: 1, code: sscc(3), copy_count: 2, reason: x(), ..Default::default() };
        self.fresh(who, print).await?;
        let scan = v1::RecordLabelScanRequest { kind: 1, code: sscc(3), scan: sscc(3), ..Default::default() };
        self.fresh(who, scan).await?;
        // Two of them: the balance after the first is not that after the second.
        for given_count in [5, 7] {
            let exchange = v1::RecordPalletExchangeRequest {
                consignment_code: "C-1007-1".into(),
                pallet_kind: "flat".into(),
                given_count,
                taken_count: 3,
                ..Default::default()
            };
            self.fresh(who, exchange).await?;
        }
        Ok(())
    }

    async fn recall(&mut self) -> anyhow::Result<()> {
        let x = || "x".to_owned();
        let (recall_code, consignee_code) = (|| "RC-1".to_owned(), || "MARSHGATE".to_owned());
        let open = v1::OpenRecallRequest {
            recall_code: recall_code(),
            kind: 1,
            reason: x(),
            hazard: 1,
            lot_code: "QE-2231".into(),
            ..Default::default()
        };
        self.fresh("p-40", open).await?;
        for consignee in ["KETTLE-ROW", "MARSHGATE"] {
            let notice = v1::RecordNoticeRequest {
                recall_code: recall_code(),
                consignee_code: consignee.into(),
                text: x(),
                ..Default::default()
            };
            self.fresh("p-40", notice).await?;
        }
        let answer = v1::RecordNoticeAnswerRequest {
            recall_code: recall_code(),
            consignee_code: consignee_code(),
            text: x(),
            ..Default::default()
        };
        self.fresh("p-40", answer).await?;
        let recovery = v1::RecordRecoveryRequest {
            recall_code: recall_code(),
            consignee_code: consignee_code(),
            kind: 1,
            pack_count: 1,
            proof: x(),
            ..Default::default()
        };
        self.fresh("p-40", recovery).await?;
        let close = v1::CloseRecallRequest {
            recall_code: recall_code(),
            reason: x(),
            unreconciled_reason: x(),
            ..Default::default()
        };
        self.fresh("p-40", close).await?;
        Ok(())
    }

    async fn gear(&mut self) -> anyhow::Result<()> {
        let x = || "x".to_owned();
        let who = "p-60";
        let incident = v1::RecordIncidentRequest { gear_code: "SL4".into(), kind: 2, text: x(), ..Default::default() };
        self.fresh(who, incident).await?;
        let remedy = v1::RecordRemedyRequest {
            hoist_code: "H2".into(),
            report_code: "E-901".into(),
            defect_number: 1,
            text: x(),
            done_by: x(),
            ..Default::default()
        };
        self.fresh(who, remedy).await?;
        let overhaul = v1::RecordOverhaulRequest {
            hoist_code: "H2".into(),
            report_code: "O-1".into(),
            full_load_hours: 800,
            done_by: x(),
            text: x(),
            ..Default::default()
        };
        self.fresh(who, overhaul).await?;
        let inspected = v1::RecordFibcInspectionRequest {
            fibc_code: "FX-01".into(),
            text: x(),
            until_date: "2027-01-01".into(),
            ..Default::default()
        };
        self.fresh(who, inspected).await?;
        let cleaned = v1::RecordCleaningRequest {
            machine_code: "M1".into(),
            occasion: v1::CleaningOccasion::Planned.into(),
            areas: vec![x()],
            method: v1::CleaningMethod::Wet.into(),
            checked_by_code: "p-31".into(),
            passed: true,
            ..Default::default()
        };
        self.fresh(who, cleaned).await?;
        let latest = self.running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner();
        let confirmed = v1::ConfirmClockRequest {
            clock_time: latest.clock_time,
            remark: x(),
            ..v1::ConfirmClockRequest::default()
        };
        self.fresh(who, confirmed).await?;
        Ok(())
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_write_is_answered_again_as_it_was_first() -> anyhow::Result<()> {
    let mut told = Told::days().await?;
    told.rest().await?;
    assert!(told.refused.is_empty(), "{}", told.refused.join("\n"));
    let known: BTreeSet<&str> = told.first.iter().map(|(name, ..)| name.as_str()).collect();
    let lacking: Vec<&String> = told.methods.keys().filter(|name| !known.contains(name.as_str())).collect();
    assert!(lacking.is_empty(), "no accepted request of {lacking:?}");
    let mut wrong = Vec::new();
    for (name, bytes, answer) in &told.first {
        let method = &told.methods[name];
        let again = send(&told.channel, method, bytes).await.map_err(|status| anyhow::anyhow!("{name}: {status}"))?;
        let (before, was) = unmarked(method, answer)?;
        let (after, is) = unmarked(method, &again)?;
        if was || !is || before != after {
            let show = |bytes: &[u8]| DynamicMessage::decode(method.output(), bytes).map(|answer| answer.to_string());
            wrong.push(format!("{name}:\n  {}\n  {}", show(answer)?, show(&again)?));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    println!("{} requests of {} methods answered alike", told.first.len(), known.len());
    Ok(())
}

/// The same bytes with the same id under another method are another request: a rejection sent with the id of a release is no
/// release that was done already.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_id_is_of_one_method() -> anyhow::Result<()> {
    let mut told = Told::days().await?;
    let release = v1::ReleaseLotRequest { lot_code: "QE-2232".into(), reason: "x".into(), ..Default::default() };
    told.fresh("p-40", release).await?;
    let mut examples: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    for (name, bytes, _) in &told.first {
        examples.insert(name.clone(), bytes.clone());
    }
    let before =
        told.running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence;
    let (mut reused, mut wrong) = (0, Vec::new());
    for (name, bytes) in &examples {
        for (other, method) in told.methods.iter().filter(|(other, _)| *other != name) {
            match send(&told.channel, method, bytes).await {
                Ok(_) => wrong.push(format!("{name} answered as {other}")),
                Err(status) => {
                    let reason = status.get_error_details().error_info().map(|info| info.reason.clone());
                    reused += u32::from(reason.as_deref() == Some("REQUEST_ID_REUSED"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let rejection = send(&told.channel, &told.methods["RejectLotRequest"], &examples["ReleaseLotRequest"]).await;
    let status = rejection.err().ok_or_else(|| anyhow::anyhow!("taken"))?;
    assert_eq!(status.code(), Code::AlreadyExists, "{status}");
    let after =
        told.running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence;
    assert_eq!(after, before, "nothing of it was recorded");
    println!("{} kinds under every other method, {reused} well-formed there", examples.len());
    assert!(reused > 20, "{reused}");
    let _ = &told.pool;
    Ok(())
}
