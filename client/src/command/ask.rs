//! Subcommands that ask and write nothing.

use super::arguments::*;
use super::site_args;
use crate::command::asking::{list, more, show};
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::show::Sheet;
use crate::{quality_tables, store_tables, tables, v1};

/// Names of the registered items as rows of JSON, one a line.
macro_rules! registered {
    ($session:ident, $kind:ident, $($variant:ident $method:ident $request:ident $message:literal $field:ident;)*) => {
        match $kind {
            $(ItemKind::$variant => {
                let request = v1::$request { page_size: 0, page_token: String::new() };
                list!($session, setup.$method(request), $message, |answer| {
                    let name = $message.trim_start_matches("List").trim_end_matches("Response");
                    let name = match name { "LiftingGear" => name, other => other.trim_end_matches('s') };
                    let rows = answer.$field.iter().zip(&answer.versions);
                    vec![Sheet {
                        head: vec!["code", "item", ">version"],
                        rows: rows.map(|(item, version)| vec![
                            item.code.clone(),
                            crate::show::json(name, item),
                            version.to_string(),
                        ]).collect(),
                        ..Sheet::default()
                    }]
                })
            })*
        }
    };
}

async fn registered(session: &mut Session, kind: ItemKind) -> Result<Option<Exit>, Fault> {
    registered! { session, kind,
        Material list_materials ListMaterialsRequest "ListMaterialsResponse" materials;
        Product list_products ListProductsRequest "ListProductsResponse" products;
        Feed list_feeds ListFeedsRequest "ListFeedsResponse" feeds;
        Machine list_machines ListMachinesRequest "ListMachinesResponse" machines;
        Hoist list_hoists ListHoistsRequest "ListHoistsResponse" hoists;
        Gear list_lifting_gear ListLiftingGearRequest "ListLiftingGearResponse" lifting_gear;
        NumberedFibc list_fibcs ListFibcsRequest "ListFibcsResponse" fibcs;
        Fibc list_fibc_types ListFibcTypesRequest "ListFibcTypesResponse" fibc_types;
        Scale list_scales ListScalesRequest "ListScalesResponse" scales;
        Instrument list_instruments ListInstrumentsRequest "ListInstrumentsResponse" instruments;
        LimitSet list_limit_sets ListLimitSetsRequest "ListLimitSetsResponse" limit_sets;
        CheckPoint list_check_points ListCheckPointsRequest "ListCheckPointsResponse" check_points;
        Location list_locations ListLocationsRequest "ListLocationsResponse" locations;
        Platform list_platforms ListPlatformsRequest "ListPlatformsResponse" platforms;
        Supplier list_suppliers ListSuppliersRequest "ListSuppliersResponse" suppliers;
        Person list_persons ListPersonsRequest "ListPersonsResponse" persons;
        StopReason list_stop_reasons ListStopReasonsRequest "ListStopReasonsResponse" stop_reasons;
        Consignee list_consignees ListConsigneesRequest "ListConsigneesResponse" consignees;
        Packaging list_packaging_lots ListPackagingLotsRequest "ListPackagingLotsResponse" packaging_lots;
    }
}

/// Asks where something came from, or went.
///
/// Long: an arm for each thing that is traced: its request, and the sheets of its answer.
async fn trace(session: &mut Session, task: &TraceTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        TraceTask::Pack { run, number, batch, printed, settings } => {
            let request = v1::TracePackRequest {
                run_code: run.clone(),
                pack_number: *number,
                batch_code: batch.clone(),
                printed_local_time: printed.clone(),
                epsilon: settings.epsilon,
                coverage_factor: settings.coverage,
                min_sequence: 0,
            };
            show!(session, trace.trace_pack(request), "TracePackResponse", |answer| {
                answer.origins.iter().flat_map(|origin| tables::origin(origin, &zone)).collect()
            })
        }
        TraceTask::Bag { bag, settings } => {
            let request = v1::TraceBulkBagRequest {
                bag_tag: bag.clone(),
                epsilon: settings.epsilon,
                coverage_factor: settings.coverage,
                min_sequence: 0,
            };
            show!(session, trace.trace_bulk_bag(request), "TraceBulkBagResponse", |answer| {
                let what = format!("packs that may hold product of bag {bag}");
                let mut found = vec![tables::reach(&what, &answer.packs, &answer.methods, &zone)];
                found.extend(answer.pack_locations.iter().flat_map(|row| store_tables::pack_locations(row, &zone)));
                found.push(tables::timeline(&answer.timeline, &zone));
                found
            })
        }
        TraceTask::Lot { lot, settings } => {
            let request = v1::TraceLotRequest {
                lot_code: lot.clone(),
                epsilon: settings.epsilon,
                coverage_factor: settings.coverage,
                min_sequence: 0,
            };
            show!(session, trace.trace_lot(request), "TraceLotResponse", |answer| {
                let what = format!("packs that may hold product of lot {lot}");
                let own: Vec<v1::Lot> = answer.lot.iter().cloned().collect();
                let mut found = vec![tables::lots(&own), tables::reach(&what, &answer.packs, &answer.methods, &zone)];
                found.extend(answer.pack_locations.iter().flat_map(|row| store_tables::pack_locations(row, &zone)));
                found.push(tables::lot_bags(&answer.bags));
                found
            })
        }
        TraceTask::Pallet { sscc, settings } => {
            let request = v1::TracePalletRequest {
                sscc: sscc.clone(),
                epsilon: settings.epsilon,
                coverage_factor: settings.coverage,
                min_sequence: 0,
            };
            show!(session, trace.trace_pallet(request), "TracePalletResponse", |answer| {
                let mut found: Vec<Sheet> = answer.pallet.iter().map(store_tables::pallet).collect();
                found.extend(answer.origins.iter().flat_map(|origin| tables::origin(origin, &zone)));
                found.push(tables::timeline(&answer.timeline, &zone));
                found
            })
        }
        TraceTask::Consignment { consignment } => {
            let request = v1::TraceConsignmentRequest { consignment_code: consignment.clone(), min_sequence: 0 };
            show!(session, trace.trace_consignment(request), "TraceConsignmentResponse", |answer| {
                store_tables::consignment(answer)
            })
        }
        TraceTask::Packaging { lot } => {
            let request = v1::TracePackagingLotRequest { packaging_lot_code: lot.clone(), min_sequence: 0 };
            show!(session, trace.trace_packaging_lot(request), "TracePackagingLotResponse", |answer| {
                let mut found = vec![tables::packed_in(answer)];
                found.extend(answer.pack_locations.iter().flat_map(|row| store_tables::pack_locations(row, &zone)));
                found.push(tables::timeline(&answer.timeline, &zone));
                found
            })
        }
    }
}

async fn journal(session: &mut Session, task: &JournalTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        JournalTask::Events { from, about, page } => {
            let request = v1::ListEventsRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                from_sequence: *from,
                about: about.clone(),
            };
            list!(session, journal.list_events(request), "ListEventsResponse", |answer| {
                vec![tables::events(&answer.events, &zone), more(&answer.next_page_token)]
            })
        }
        JournalTask::Latest => {
            show!(session, journal.get_latest(v1::GetLatestRequest {}), "GetLatestResponse", |answer| {
                let state = match answer.read_only_reason.as_str() {
                    "" => "writes are taken".to_owned(),
                    reason => format!("READ-ONLY: {reason}"),
                };
                let newest = format!("newest entry {}", answer.sequence);
                let notices = answer.notices.iter().map(|notice| format!("NOTE: {notice}"));
                let clock = answer.clock_asked.then(|| {
                    let said = zone.show(answer.clock_time.as_ref());
                    format!("set the clock, or compare it and say that it is right: journal confirm-clock '{said}'")
                });
                let before = [newest, state].into_iter().chain(notices).chain(clock).collect();
                vec![Sheet { before, ..Sheet::default() }]
            })
        }
        JournalTask::Verify => {
            let request = v1::VerifyJournalRequest {};
            let answer = session.connection.journal.verify_journal(request).await;
            let answer = answer.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("VerifyJournalResponse", &answer, &[tables::verification(&answer)]);
            Ok(Some(if answer.sound { Exit::Done } else { Exit::Damaged }))
        }
        JournalTask::Void { .. } | JournalTask::Replace { .. } | JournalTask::ConfirmClock { .. } => Ok(None),
    }
}

/// Asks for things on record and lists of them.
///
/// Long: an arm for each list or thing that is asked for, none of which does more than ask and show.
async fn objects(session: &mut Session, task: &Task) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        Task::Intake(IntakeTask::List(page)) => {
            let request = v1::ListIntakesRequest { page_size: page.size(), page_token: page.page.clone() };
            list!(session, intake.list_intakes(request), "ListIntakesResponse", |answer| {
                vec![tables::intakes(&answer.intakes, &zone), more(&answer.next_page_token)]
            })
        }
        Task::Bag(BagTask::Show { bag }) => {
            let request = v1::GetBulkBagRequest { bag_tag: bag.clone(), min_sequence: 0 };
            show!(session, intake.get_bulk_bag(request), "GetBulkBagResponse", |answer| {
                vec![tables::bags(&answer.bag.iter().cloned().collect::<Vec<_>>())]
            })
        }
        Task::Bag(BagTask::List { lot, page }) => {
            let request = v1::ListBulkBagsRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                lot_code: lot.clone(),
                state: 0,
            };
            list!(session, intake.list_bulk_bags(request), "ListBulkBagsResponse", |answer| {
                vec![tables::bags(&answer.bags), more(&answer.next_page_token)]
            })
        }
        Task::Lot(LotTask::Show { lot }) => {
            let request = v1::GetLotRequest { lot_code: lot.clone(), min_sequence: 0 };
            show!(session, lot.get_lot(request), "GetLotResponse", |answer| {
                vec![tables::lots(&answer.lot.iter().cloned().collect::<Vec<_>>())]
            })
        }
        Task::Lot(LotTask::Grade { lot }) => {
            let request = v1::GradeLotRequest { lot_code: lot.clone(), min_sequence: 0 };
            show!(session, lot.grade_lot(request), "GradeLotResponse", |answer| quality_tables::grades(lot, answer))
        }
        Task::Lot(LotTask::List(page)) => {
            let request = v1::ListLotsRequest { page_size: page.size(), page_token: page.page.clone() };
            list!(session, lot.list_lots(request), "ListLotsResponse", |answer| {
                vec![tables::lots(&answer.lots), more(&answer.next_page_token)]
            })
        }
        Task::Lift(LiftTask::List { hoist, days, page }) => {
            let request = v1::ListLiftsRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                hoist_code: hoist.clone(),
                from_day: days.from.clone(),
                to_day: days.to.clone(),
            };
            list!(session, lift.list_lifts(request), "ListLiftsResponse", |answer| {
                vec![tables::lifts(&answer.lifts, &zone), more(&answer.next_page_token)]
            })
        }
        Task::Run(RunTask::Show { run }) => {
            let request = v1::GetRunRequest { run_code: run.clone(), min_sequence: 0 };
            show!(session, run.get_run(request), "GetRunResponse", |answer| {
                vec![tables::runs(&answer.run.iter().cloned().collect::<Vec<_>>(), &zone)]
            })
        }
        Task::Run(RunTask::List { machine, days, page }) => {
            let request = v1::ListRunsRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                machine_code: machine.clone(),
                from_day: days.from.clone(),
                to_day: days.to.clone(),
            };
            list!(session, run.list_runs(request), "ListRunsResponse", |answer| {
                vec![tables::runs(&answer.runs, &zone), more(&answer.next_page_token)]
            })
        }
        Task::Complaint(task) => super::recall_args::ask_complaints(session, task).await,
        Task::Recall(task) => super::recall_args::ask_recalls(session, task).await,
        Task::Discrepancy(DiscrepancyTask::List { resolved, page }) => {
            let request = v1::ListDiscrepanciesRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                include_resolved: *resolved,
            };
            list!(session, quality.list_discrepancies(request), "ListDiscrepanciesResponse", |answer| {
                vec![quality_tables::discrepancies(&answer.discrepancies, &zone), more(&answer.next_page_token)]
            })
        }
        Task::Check(CheckTask::List { point, page }) => {
            let request = v1::ListLineChecksRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                check_point_code: point.clone(),
                from_time: None,
                to_time: session.asked_at.then_some(session.time),
            };
            list!(session, check.list_line_checks(request), "ListLineChecksResponse", |answer| {
                vec![quality_tables::checks(&answer.checks, &zone), more(&answer.next_page_token)]
            })
        }
        Task::Check(CheckTask::Plan { machine }) => {
            let at_time = session.asked_at.then_some(session.time);
            let request = v1::GetCheckPlanRequest { machine_code: machine.clone(), at_time, min_sequence: 0 };
            show!(session, check.get_check_plan(request), "GetCheckPlanResponse", |answer| {
                vec![quality_tables::plan(&answer.states, &zone)]
            })
        }
        Task::Hold(HoldTask::List { ended, page }) => {
            let request =
                v1::ListHoldsRequest { page_size: page.size(), page_token: page.page.clone(), include_ended: *ended };
            list!(session, quality.list_holds(request), "ListHoldsResponse", |answer| {
                vec![tables::holds(&answer.holds, &zone), more(&answer.next_page_token)]
            })
        }
        Task::Deviation(DeviationTask::List { closed, page }) => {
            let request = v1::ListDeviationsRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                include_closed: *closed,
            };
            list!(session, quality.list_deviations(request), "ListDeviationsResponse", |answer| {
                vec![tables::deviations(&answer.deviations, &zone), more(&answer.next_page_token)]
            })
        }
        _ => Ok(None),
    }
}

/// True for questions that are answered as of now.
fn asks_of_now(task: &Task) -> bool {
    match task {
        Task::Registered { .. } | Task::Trace(_) | Task::Yield { .. } => true,
        Task::Now(task) => super::now_args::asks_of_now(task),
        Task::Audit(_) | Task::Fill(_) => true,
        Task::Packer(task) => super::packer_args::asks(task),
        Task::Cleaning(task) => matches!(task, super::cleaning_args::CleaningTask::List { .. }),
        Task::Label(task) => super::label_args::asks(task),
        Task::Document(_) | Task::Plan(_) => true,
        Task::Site(task) => matches!(task, SiteTask::Show),
        Task::Intake(task) => matches!(task, IntakeTask::List(_)),
        Task::Bag(task) => matches!(task, BagTask::Show { .. } | BagTask::List { .. }),
        Task::Lot(task) => matches!(task, LotTask::Show { .. } | LotTask::Grade { .. } | LotTask::List(_)),
        Task::Lift(task) => matches!(task, LiftTask::List { .. }),
        Task::Fibc(task) => super::gear_args::fibc_asks_of_now(task),
        Task::Run(task) => matches!(task, RunTask::Show { .. } | RunTask::List { .. }),
        Task::Pallet(task) => matches!(task, PalletTask::Show { .. } | PalletTask::List { .. }),
        Task::Order(task) => matches!(task, OrderTask::Show { .. } | OrderTask::List { .. }),
        Task::Load(task) => matches!(task, LoadTask::Show { .. } | LoadTask::List { .. }),
        Task::Complaint(task) => !matches!(task, super::recall_args::ComplaintTask::Record(_)),
        Task::Recall(task) => {
            use super::recall_args::RecallTask as R;
            matches!(task, R::Show { .. } | R::List { .. })
        }
        Task::Discrepancy(task) => matches!(task, DiscrepancyTask::List { .. }),
        Task::Hold(task) => matches!(task, HoldTask::List { .. }),
        Task::Deviation(task) => matches!(task, DeviationTask::List { .. }),
        _ => false,
    }
}

/// Runs a subcommand that asks; `None` when the task is not one.
///
/// Long: an arm for each question of the command, in the order of its help.
pub async fn run(session: &mut Session, task: &Task) -> Result<Option<Exit>, Fault> {
    // Whoever names a time must not be shown the present for it.
    if session.asked_at && asks_of_now(task) {
        return Err(Fault::usage(
            "--at means nothing to this question: it is answered as of now, by what is known now",
        ));
    }
    match task {
        Task::Site(SiteTask::Show) => {
            show!(session, setup.get_site(v1::GetSiteRequest::default()), "GetSiteResponse", |answer| {
                vec![Sheet {
                    before: vec![format!("newest change: entry {}", answer.version)],
                    head: vec!["setting", "value"],
                    rows: answer.site.as_ref().map(site_args::rows).unwrap_or_default(),
                    ..Sheet::default()
                }]
            })
        }
        Task::Registered { kind } => registered(session, *kind).await,
        Task::Lift(LiftTask::Check(lift)) => {
            let request =
                v1::CheckLiftRequest { lift: Some(super::record::lift(lift)?), occurred_time: Some(session.time) };
            let answer = session.connection.lift.check_lift(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("CheckLiftResponse", &answer, &[tables::lift_check(&answer)]);
            Ok(Some(if answer.no_objection { Exit::Done } else { Exit::Refused }))
        }
        Task::Gear(task) => super::gear_args::ask_gear(session, task).await,
        Task::Hoist(task) => super::gear_args::ask_hoist(session, task).await,
        Task::Fibc(task) => super::gear_args::ask_fibc(session, task).await,
        Task::Tip { bag, feed, extraction, earth, ask: true, .. } => {
            let request = v1::CheckTipRequest {
                bag_tag: bag.clone(),
                feed_code: feed.clone(),
                extraction_running: *extraction,
                earth_connected: *earth,
                at_time: session.asked_at.then_some(session.time),
            };
            super::gear_args::may_tip(session, request).await
        }
        Task::Trace(task) => trace(session, task).await,
        Task::Yield { run, lot, bag, feed, day } => {
            let request = v1::GetYieldRequest {
                run_code: run.clone(),
                lot_code: lot.clone(),
                bag_tag: bag.clone(),
                feed_code: feed.clone(),
                day: day.clone(),
                min_sequence: 0,
            };
            show!(session, figure.get_yield(request), "GetYieldResponse", |answer| vec![tables::yields(answer)])
        }
        Task::Balance { feed, run, lot, day } => {
            let asked_at = session.asked_at;
            let request = v1::GetBalanceRequest {
                feed_code: feed.clone(),
                at_time: asked_at.then_some(session.time),
                run_code: run.clone(),
                day: day.clone(),
                lot_code: lot.clone(),
                min_sequence: 0,
            };
            let zone = session.zone.clone();
            show!(session, figure.get_balance(request), "GetBalanceResponse", |answer| {
                answer.spans.iter().map(|span| tables::balance(span, &zone)).collect()
            })
        }
        Task::Mixing { file, hourly, background } => {
            let request = v1::EstimateMixingRequest {
                points: super::tracer::points(file)?,
                hourly_mass_mg: *hourly,
                background: *background,
            };
            show!(session, figure.estimate_mixing(request), "EstimateMixingResponse", |answer| {
                vec![crate::quality_tables::mixing(answer)]
            })
        }
        Task::Period { from, to, feed, product } => {
            let request = v1::GetPeriodBalanceRequest {
                feed_code: feed.clone(),
                product_code: product.clone(),
                from_day: from.clone(),
                to_day: to.clone(),
                min_sequence: 0,
            };
            let zone = session.zone.clone();
            show!(session, figure.get_period_balance(request), "GetPeriodBalanceResponse", |answer| {
                crate::quality_tables::period(answer, &zone)
            })
        }
        Task::Journal(task) => journal(session, task).await,
        Task::Now(task) => super::now_args::run(session, task).await,
        Task::Audit(task) => super::audit_args::run(session, task).await,
        Task::Fill(task) => super::fill_args::run(session, task).await,
        Task::Packer(task) => super::packer_args::ask(session, task).await,
        Task::Cleaning(task) => super::cleaning_args::ask(session, task).await,
        Task::Label(task) => super::label_args::ask(session, task).await,
        Task::Document(task) => super::document_args::ask(session, task).await,
        Task::Plan(task) => super::plan_args::run(session, task).await,
        other => match super::clerk::ask_stock(session, other).await? {
            Some(exit) => Ok(Some(exit)),
            None => objects(session, other).await,
        },
    }
}
