//! Arguments of the command and what each does.

mod arguments;
mod ask;
mod asking;
mod audit_args;
mod choices;
mod cleaning_args;
mod clerk;
mod common_args;
mod document_args;
mod feed;
mod feed_lines;
mod fill_args;
mod gear_args;
mod import;
mod intake_args;
mod label_args;
mod now_args;
mod packer_args;
mod plan_args;
mod quality_args;
#[doc(hidden)]
pub mod readers;
mod recall_args;
mod record;
mod sending;
mod session;
mod site_args;
mod spool;
mod store_args;
mod trace_args;
mod tracer;

pub use arguments::Arguments;

use std::ffi::OsString;
use std::process::ExitCode;

use arguments::{FeedTask, LiftTask, Task};
use clap::Parser as _;
use gear_args::GearTask;
use packloft_proto::v1;

use crate::command::session::{Session, ask_fault, title};
use crate::connection::{AsOf, Connection, address, may_retry, persist};
use crate::fault::{Exit, Fault};
use crate::moment::{Zone, now};

/// Runs the command with these arguments; the first is the program's name.
pub fn main_with(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    main_of(arguments.into_iter().collect())
}

// One body for all callers: with the arguments' type in it, every program would compile all of this anew.
fn main_of(arguments: Vec<OsString>) -> ExitCode {
    let title = title(&arguments);
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(fault) => {
            let _ = fault.print();
            return ExitCode::from(u8::try_from(fault.exit_code()).unwrap_or(2));
        }
    };
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(fault) => {
            eprintln!("cannot start: {fault}");
            return ExitCode::from(Exit::Damaged as u8);
        }
    };
    let permission = Permission::asked(&arguments.task);
    let outcome = runtime.block_on(run(arguments, title));
    match outcome.map_err(|fault| match permission {
        Some(asked) => asked.refused(fault),
        None => fault,
    }) {
        Ok(exit) => ExitCode::from(exit as u8),
        Err(fault) => {
            for (number, line) in fault.lines.iter().enumerate() {
                eprintln!("{}{}", if number == 0 { "" } else { "  " }, crate::show::clean(line));
            }
            ExitCode::from(fault.exit as u8)
        }
    }
}

/// A question whose answer people take for a permission.
#[derive(Clone, Copy)]
struct Permission {
    action: &'static str,
    caution: &'static str,
}

impl Permission {
    fn asked(task: &Task) -> Option<Permission> {
        let lifting = "The plate, the limiter, local codes and a competent person decide. Nobody under the load.";
        let dust = "The explosion protection document, local codes and a competent person decide.";
        match task {
            Task::Lift(LiftTask::Check(_)) => Some(Permission { action: "LIFT", caution: lifting }),
            Task::Gear(GearTask::List | GearTask::State(_)) => Some(Permission { action: "USE", caution: lifting }),
            Task::Tip { ask: true, .. } => Some(Permission { action: "TIP", caution: dust }),
            _ => None,
        }
    }

    /// SAFETY-OF-PEOPLE: no answer is no permission, whatever the reason, and that is what has to be read first.
    fn refused(self, mut fault: Fault) -> Fault {
        let first = format!("DO NOT {}: the records cannot answer for it", self.action);
        match fault.exit {
            Exit::Refused => fault.lines[0] = first,
            _ => fault.lines.insert(0, first),
        }
        fault.lines.push(format!("CAUTION: no answer is no permission. {}", self.caution));
        fault
    }
}

async fn run(arguments: Arguments, title: String) -> Result<Exit, Fault> {
    if let Task::Completions { shell } = arguments.task {
        let mut command = <Arguments as clap::CommandFactory>::command();
        clap_complete::generate(shell, &mut command, "packloft", &mut std::io::stdout());
        return Ok(Exit::Done);
    }
    if tonic::transport::Endpoint::from_shared(address(&arguments.server)).is_err() {
        let text = format!("{:?} is no address of a server; write HOST:PORT", arguments.server);
        return Err(Fault::usage(text));
    }
    let feeding = matches!(arguments.task, Task::Feed(FeedTask::Readings(_)));
    let (connection, zone, zone_known) = match Connection::reach_as_of(&arguments.server, AsOf(arguments.as_of)).await {
        Ok(connection) => {
            let site = persist(|| {
                let mut client = connection.setup.clone();
                async move { client.get_site(v1::GetSiteRequest::default()).await }
            })
            .await
            .map_err(|status| match may_retry(&status) {
                true => Fault::unreachable(&arguments.server),
                false => ask_fault(&status),
            })?;
            (connection, Zone::of_site(&site.into_inner().zones), true)
        }
        // A feeder begins to keep readings whether the server is there or not.
        Err(_) if feeding => {
            let later = Connection::later(&arguments.server).map_err(|_| Fault::unreachable(&arguments.server))?;
            (later, Zone::named("UTC"), false)
        }
        Err(_) => return Err(Fault::unreachable(&arguments.server)),
    };
    let request_id = arguments.request_id.clone().unwrap_or_else(crate::connection::request_id);
    let time = match &arguments.time {
        Some(text) => zone.parse(text).map_err(Fault::usage)?,
        None => crate::connection::made_at(&request_id).unwrap_or_else(now),
    };
    let mut session = Session {
        connection,
        zone,
        zone_known,
        output: arguments.output,
        title,
        actor_code: arguments.actor.clone().unwrap_or_default(),
        command_id: request_id.clone(),
        request_id,
        time,
        asked_at: arguments.time.is_some(),
        confirmed: arguments.confirm,
    };
    if let Task::Feed(FeedTask::Readings(args)) = arguments.task {
        if session.actor_code.is_empty() {
            return Err(Fault::usage("say who you are: --actor CODE, or set PACKLOFT_ACTOR"));
        }
        return feed::run(&mut session, &arguments.server, *args).await;
    }
    let asking = ask::run(&mut session, &arguments.task).await?;
    match asking {
        Some(exit) => Ok(exit),
        None => record::run(&mut session, arguments.task).await,
    }
}
