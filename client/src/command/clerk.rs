//! Subcommands about pallets, store, orders and loads.

use super::store_args::*;
use crate::command::asking::{list, more, show};
use crate::command::common_args::PageArgs;
use crate::command::sending::{send, write};
use crate::command::session::{Session, ask_fault};
use crate::connection::persist;
use crate::fault::{Exit, Fault};
use crate::show::Sheet;
use crate::{store_tables, tables, v1};

/// Sends a write and shows its receipt with more lines made of the answer.
macro_rules! write_and {
    ($session:ident, $client:ident . $method:ident, $request:ident { $($body:tt)* }, |$answer:ident| $lines:expr) => {{
        let request = v1::$request {
            request_id: $session.request_id.clone(),
            occurred_time: Some($session.time),
            actor_code: $session.actor_code.clone(),
            $($body)*
        };
        let answer = persist(|| {
            let (mut client, request) = ($session.connection.$client.clone(), request.clone());
            async move { client.$method(request).await }
        })
        .await
        .map_err(|status| $session.write_fault(&status))?
        .into_inner();
        let mut sheet = tables::receipt(&answer.receipt.clone().unwrap_or_default());
        {
            let $answer = &answer;
            let lines: Vec<String> = $lines;
            sheet.before.extend(lines);
        }
        $session.show(&stringify!($request).replace("Request", "Response"), &answer, &[sheet]);
        Ok(Exit::Done)
    }};
}

fn part(text: &str) -> Result<v1::PalletPart, Fault> {
    let wrong = || Fault::usage(format!("{text:?} are no packs; write RUN:COUNT or RUN:COUNT:FIRST-LAST"));
    let parts: Vec<&str> = text.split(':').collect();
    let (run, count, numbers) = match parts.as_slice() {
        [run, count] => (run, count, None),
        [run, count, numbers] => (run, count, Some(numbers)),
        _ => return Err(wrong()),
    };
    let mut part = v1::PalletPart {
        run_code: (*run).to_owned(),
        pack_count: count.parse().map_err(|_| wrong())?,
        ..v1::PalletPart::default()
    };
    if let Some((first, last)) = numbers.map(|text| text.split_once('-').ok_or_else(wrong)).transpose()? {
        part.first_number = first.parse().map_err(|_| wrong())?;
        part.last_number = last.parse().map_err(|_| wrong())?;
    }
    Ok(part)
}

fn line(text: &str) -> Result<v1::OrderLine, Fault> {
    let wrong = || Fault::usage(format!("{text:?} is no line; write PRODUCT:PACKS"));
    let (product, packs) = text.rsplit_once(':').ok_or_else(wrong)?;
    Ok(v1::OrderLine { product_code: product.into(), pack_count: packs.parse().map_err(|_| wrong())? })
}

/// Pallets.
pub async fn pallets(session: &mut Session, task: PalletTask) -> Result<Exit, Fault> {
    match task {
        PalletTask::Build { packs, by_hand, sscc, location } => {
            let parts = packs.iter().map(|text| part(text)).collect::<Result<_, _>>()?;
            let origin = if by_hand { v1::PalletOrigin::Hand } else { v1::PalletOrigin::Line };
            write_and!(
                session,
                pallet.build_pallet,
                BuildPalletRequest { origin: origin.into(), parts, sscc, location_code: location },
                |answer| vec![format!("pallet {}", answer.sscc)]
            )
        }
        PalletTask::Weigh { sscc, scale, gross } => write_and!(
            session,
            pallet.weigh_pallet,
            WeighPalletRequest { sscc, scale_code: scale, gross_mass_mg: gross },
            |answer| vec![store_tables::expected(answer)]
        ),
        PalletTask::Split { sscc, packs, run, new_sscc, location } => write_and!(
            session,
            pallet.split_pallet,
            SplitPalletRequest { sscc, pack_count: packs, run_code: run, new_sscc, location_code: location },
            |answer| vec![format!("new pallet {}", answer.new_sscc)]
        ),
        PalletTask::Merge { ssccs, new_sscc, location } => write_and!(
            session,
            pallet.merge_pallets,
            MergePalletsRequest { ssccs, new_sscc, location_code: location },
            |answer| vec![format!("new pallet {}", answer.new_sscc)]
        ),
        PalletTask::Dispose { sscc, packs, reason, text, run } => {
            write!(
                session,
                pallet.record_disposal,
                RecordDisposalRequest { sscc, pack_count: packs, reason: reason as i32, text, run_code: run }
            )
        }
        PalletTask::Show { .. } | PalletTask::List { .. } => Ok(Exit::Done),
    }
}

/// The store.
pub async fn store(session: &mut Session, task: StoreTask) -> Result<Exit, Fault> {
    match task {
        StoreTask::Move { location, units } => {
            write!(
                session,
                store.record_move,
                RecordMoveRequest {
                    ssccs: units.ssccs,
                    bag_tags: units.bags,
                    packaging_lot_codes: units.packaging,
                    location_code: location,
                }
            )
        }
        StoreTask::Take { location, units, empty } => write_and!(
            session,
            store.record_stock_take,
            RecordStockTakeRequest {
                location_code: location,
                ssccs: units.ssccs,
                bag_tags: units.bags,
                packaging_lot_codes: units.packaging,
                empty,
            },
            |answer| {
                let none = answer.differences.is_empty();
                if none { vec!["all as on record".to_owned()] } else { Vec::new() }
            }
        ),
        StoreTask::Stock { .. } => Ok(Exit::Done),
    }
}

/// Orders.
pub async fn orders(session: &mut Session, task: OrderTask) -> Result<Exit, Fault> {
    match task {
        OrderTask::Enter { order, consignee, lines, due, their_order } => {
            let lines = lines.iter().map(|text| line(text)).collect::<Result<_, _>>()?;
            write!(
                session,
                dispatch.enter_order,
                EnterOrderRequest {
                    order_code: order,
                    consignee_code: consignee,
                    lines,
                    due_date: due,
                    consignee_order_code: their_order,
                }
            )
        }
        OrderTask::Book { order, file } => super::document_args::book_order(session, &order, &file).await,
        OrderTask::Show { .. } | OrderTask::List { .. } => Ok(Exit::Done),
    }
}

/// Loads pallets one after another; the first that is refused ends it, those before it stay loaded.
async fn add(session: &mut Session, consignment: &str, ssccs: &[String], already_done: &str) -> Result<Exit, Fault> {
    let first_id = session.request_id.clone();
    for (number, sscc) in ssccs.iter().enumerate() {
        session.request_id = crate::connection::further_id(&first_id, number);
        let request = v1::LoadPalletRequest {
            request_id: session.request_id.clone(),
            occurred_time: Some(session.time),
            actor_code: session.actor_code.clone(),
            consignment_code: consignment.to_owned(),
            sscc: sscc.clone(),
            already_done_reason: already_done.to_owned(),
        };
        let answer = persist(|| {
            let (mut client, request) = (session.connection.dispatch.clone(), request.clone());
            async move { client.load_pallet(request).await }
        })
        .await
        .map_err(|status| {
            let mut fault = session.write_fault(&status);
            if fault.exit == Exit::Refused {
                fault.lines[0] = format!("DO NOT LOAD pallet {sscc}:");
            }
            if number > 0 {
                fault.lines.push(format!("{number} before it were loaded; go on with those after it"));
            }
            fault
        })?
        .into_inner();
        let mut sheet = tables::receipt(&answer.receipt.clone().unwrap_or_default());
        sheet.before.push(store_tables::loaded(&answer));
        session.show("LoadPalletResponse", &answer, &[sheet]);
    }
    Ok(Exit::Done)
}

/// Loads.
pub async fn loads(session: &mut Session, task: LoadTask) -> Result<Exit, Fault> {
    match task {
        LoadTask::Open { load, vehicle, trailer, haulier, haulier_address, driver, payload, max_gross, spaces } => {
            write!(
                session,
                dispatch.open_vehicle_load,
                OpenVehicleLoadRequest {
                    load_code: load,
                    registration_code: vehicle,
                    trailer_code: trailer,
                    haulier,
                    haulier_address,
                    driver_code: driver,
                    payload_mass_mg: payload,
                    max_gross_mass_mg: max_gross,
                    pallet_space_count: spaces,
                    weighbridge_tolerance_mg: 0,
                }
            )
        }
        LoadTask::Vehicle { load, clean, dry, no_odour, floor_sound, last_load, last_load_suitable } => {
            write!(
                session,
                dispatch.record_vehicle_check,
                RecordVehicleCheckRequest {
                    load_code: load,
                    clean,
                    dry,
                    free_of_odour: no_odour,
                    floor_sound,
                    last_load,
                    last_load_suitable,
                }
            )
        }
        LoadTask::Consignment { consignment, load, consignee, order, drop } => {
            write!(
                session,
                dispatch.open_consignment,
                OpenConsignmentRequest {
                    consignment_code: consignment,
                    load_code: load,
                    consignee_code: consignee,
                    order_code: order,
                    drop_number: drop,
                }
            )
        }
        LoadTask::Exchange { consignment, kind, given, taken, text } => write_and!(
            session,
            dispatch.record_pallet_exchange,
            RecordPalletExchangeRequest {
                consignment_code: consignment,
                pallet_kind: kind,
                given_count: given,
                taken_count: taken,
                text,
            },
            |answer| vec![format!("they have {} of these pallets now", answer.balance_count)]
        ),
        LoadTask::Add { consignment, ssccs, already_done } => add(session, &consignment, &ssccs, &already_done).await,
        task => leave(session, task).await,
    }
}

/// Taking off, weighing, leaving, coming back.
async fn leave(session: &mut Session, task: LoadTask) -> Result<Exit, Fault> {
    match task {
        LoadTask::Remove { sscc, location, reason } => {
            write!(session, dispatch.unload_pallet, UnloadPalletRequest { sscc, location_code: location, reason })
        }
        LoadTask::Weigh { load, pass, gross, ticket } => {
            write!(
                session,
                dispatch.record_weighbridge,
                RecordWeighbridgeRequest {
                    load_code: load,
                    pass: pass as i32,
                    gross_mass_mg: gross,
                    ticket_code: ticket
                }
            )
        }
        LoadTask::Dispatch { load, seal, already_done } => write_and!(
            session,
            dispatch.dispatch_vehicle_load,
            DispatchVehicleLoadRequest { load_code: load, seal_code: seal, already_done_reason: already_done },
            |answer| {
                let packs: i64 = answer.pallets.iter().map(|row| row.pack_count).sum();
                vec![format!("left with {} packs on {} pallets", packs, answer.pallets.len())]
            }
        ),
        LoadTask::Return { sscc, packs, new_sscc, location, reason } => write_and!(
            session,
            dispatch.record_return,
            RecordReturnRequest { sscc, pack_count: packs, new_sscc, location_code: location, reason },
            |answer| vec![format!("here as pallet {}", answer.sscc)]
        ),
        LoadTask::Amend { sscc, consignment, location, reason } => {
            write!(
                session,
                dispatch.amend_dispatch,
                AmendDispatchRequest { sscc, consignment_code: consignment, location_code: location, reason }
            )
        }
        _ => Ok(Exit::Done),
    }
}

fn page(page: &PageArgs) -> (i32, String) {
    (page.size(), page.page.clone())
}

/// Questions about pallets, store and orders; `None` when the task is not one.
pub async fn ask_stock(session: &mut Session, task: &super::arguments::Task) -> Result<Option<Exit>, Fault> {
    use super::arguments::Task;
    let zone = session.zone.clone();
    match task {
        Task::Pallet(PalletTask::Show { sscc }) => {
            let request = v1::GetPalletRequest { sscc: sscc.clone(), min_sequence: 0 };
            show!(session, pallet.get_pallet(request), "GetPalletResponse", |answer| {
                let mut found: Vec<Sheet> = answer.pallet.iter().map(store_tables::pallet).collect();
                found.push(tables::timeline(&answer.timeline, &zone));
                found
            })
        }
        Task::Pallet(PalletTask::List { product, location, not_free, days, page: given }) => {
            let (page_size, page_token) = page(given);
            let request = v1::ListPalletsRequest {
                page_size,
                page_token,
                product_code: product.clone(),
                location_code: location.clone(),
                only_not_free: *not_free,
                from_day: days.from.clone(),
                to_day: days.to.clone(),
            };
            list!(session, pallet.list_pallets(request), "ListPalletsResponse", |answer| {
                vec![store_tables::pallets(&answer.pallets), more(&answer.next_page_token)]
            })
        }
        Task::Store(StoreTask::Stock { location, product, kind, lot, older_than, state, page: given }) => {
            let (page_size, page_token) = page(given);
            let request = v1::ListStockRequest {
                page_size,
                page_token,
                location_code: location.clone(),
                kind: kind.map_or(0, |kind| kind as i32),
                at_time: session.asked_at.then_some(session.time),
                product_code: product.clone(),
                lot_code: lot.clone(),
                min_age_days: *older_than,
                state: state.map_or(0, |state| state as i32),
                with_state: true,
            };
            let when = session.asked_at.then(|| zone.show(Some(&session.time)));
            list!(session, store.list_stock(request), "ListStockResponse", |answer| {
                vec![
                    store_tables::stock(answer, &zone, when.as_deref()),
                    store_tables::places(answer),
                    more(&answer.next_page_token),
                ]
            })
        }
        Task::Order(task) => ask_orders(session, task).await,
        Task::Load(task) => ask_loads(session, task).await,
        _ => Ok(None),
    }
}

/// Questions about orders; `None` when the task is not one.
async fn ask_orders(session: &mut Session, task: &OrderTask) -> Result<Option<Exit>, Fault> {
    match task {
        OrderTask::Show { order } => {
            let request = v1::ListOrdersRequest { order_code: order.clone(), ..v1::ListOrdersRequest::default() };
            show!(session, dispatch.list_orders(request), "ListOrdersResponse", |answer| {
                vec![store_tables::orders(&answer.orders)]
            })
        }
        OrderTask::List { consignee, page: given } => {
            let (page_size, page_token) = page(given);
            let request = v1::ListOrdersRequest {
                page_size,
                page_token,
                consignee_code: consignee.clone(),
                ..v1::ListOrdersRequest::default()
            };
            list!(session, dispatch.list_orders(request), "ListOrdersResponse", |answer| {
                vec![store_tables::orders(&answer.orders), more(&answer.next_page_token)]
            })
        }
        _ => Ok(None),
    }
}

async fn ask_loads(session: &mut Session, task: &LoadTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        LoadTask::Show { load } => {
            let request = v1::GetVehicleLoadRequest { load_code: load.clone(), min_sequence: 0 };
            show!(session, dispatch.get_vehicle_load(request), "GetVehicleLoadResponse", |answer| {
                answer.load.iter().flat_map(|load| store_tables::load(load, &zone)).collect()
            })
        }
        LoadTask::List { open, days, page: given } => {
            let (page_size, page_token) = page(given);
            let request = v1::ListVehicleLoadsRequest {
                page_size,
                page_token,
                only_open: *open,
                from_day: days.from.clone(),
                to_day: days.to.clone(),
            };
            list!(session, dispatch.list_vehicle_loads(request), "ListVehicleLoadsResponse", |answer| {
                vec![store_tables::loads(&answer.loads, &zone), more(&answer.next_page_token)]
            })
        }
        LoadTask::Propose { consignment, product, packs } => {
            let request = v1::ProposeLoadRequest {
                consignment_code: consignment.clone(),
                product_code: product.clone(),
                pack_count: *packs,
                min_sequence: 0,
                at_time: session.asked_at.then_some(session.time),
            };
            show!(session, dispatch.propose_load(request), "ProposeLoadResponse", |answer| {
                store_tables::proposal(answer)
            })
        }
        LoadTask::Check { consignment, sscc } => {
            let request = v1::CheckLoadRequest {
                consignment_code: consignment.clone(),
                sscc: sscc.clone(),
                at_time: session.asked_at.then_some(session.time),
            };
            let answer = session.connection.dispatch.check_load(request).await;
            let answer = answer.map_err(|status| ask_fault(&status))?.into_inner();
            session.show("CheckLoadResponse", &answer, &[store_tables::load_check(&answer, sscc)]);
            Ok(Some(if answer.no_objection { Exit::Done } else { Exit::Refused }))
        }
        _ => Ok(None),
    }
}
