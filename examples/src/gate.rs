//! A consignment from the order to the gate, as the clerk types and scans it: what may not go is refused and says why, then
//! its documents are made.
//!
//! Made up like the shift; the lot of the last bags is not released when loading begins. Every line is a command of
//! `packloft` with the exit code it ends with, so that the same list is the demo's and a test's.

use std::process::ExitCode;

use crate::step::Step;
use crate::{morning, scenario, script};

/// Lot that waits for its release.
const WAITING: &str = "QE-2232";

/// Requests before the first command.
pub fn before() -> Vec<Step> {
    let waits = |step: &Step| matches!(step, Step::ReleaseLot(release) if release.lot_code == WAITING);
    scenario::steps().into_iter().filter(|step| !waits(step)).chain(morning::until_loading()).collect()
}

/// Plays it against a server of its own; documents are written to the folder it is started in.
pub fn main() -> ExitCode {
    let own = |(line, exit): Line| (words(line), exit);
    let parts = parts().into_iter().map(|(heading, lines)| (heading, lines.into_iter().map(own).collect()));
    script::main("gate", before(), parts.collect())
}

/// The words of a line; those between apostrophes stay together.
pub fn words(line: &str) -> Vec<String> {
    let pieces = line.split('\'').enumerate();
    pieces
        .flat_map(|(place, piece)| match place % 2 {
            1 => vec![piece.to_owned()],
            _ => piece.split_whitespace().map(str::to_owned).collect(),
        })
        .collect()
}

/// One command and its exit code.
pub type Line = (&'static str, u8);

/// The commands in order, with a heading before each part.
pub fn parts() -> Vec<(&'static str, Vec<Line>)> {
    vec![
        ("the order and the vehicle", ordered()),
        ("loading by scan: what may not go is refused", loading()),
        ("the gate", gate()),
        ("its documents", documents()),
    ]
}

fn ordered() -> Vec<Line> {
    vec![
        (
            "--actor p-52 --at '2026-10-07 07:12' order enter O-1007-9 --consignee KETTLE-ROW --line WS750:2400 --due 2026-10-07 --their-order KR-77",
            0,
        ),
        (
            "--actor p-52 --at '2026-10-07 07:13' load open V-1007-9 --vehicle HF-311 --haulier 'Fenside carriers' --payload 1300kg --spaces 4",
            0,
        ),
        (
            "--actor p-52 --at '2026-10-07 07:14' load vehicle V-1007-9 --clean --dry --no-odour --floor-sound --last-load 'flour on pallets' --last-load-suitable",
            0,
        ),
        (
            "--actor p-52 --at '2026-10-07 07:15' load consignment C-1007-9 --load V-1007-9 --consignee KETTLE-ROW --order O-1007-9 --drop 1",
            0,
        ),
        ("document loading-list V-1007-9", 0),
    ]
}

fn loading() -> Vec<Line> {
    vec![
        // On hold.
        ("--actor p-52 --at '2026-10-07 07:20' load add C-1007-9 ]C100095212340000000105", 1),
        // Its lot is not released.
        ("--actor p-52 --at '2026-10-07 07:21' load add C-1007-9 ]C100095212340000000150", 1),
        ("--actor p-40 --at '2026-10-07 07:22' lot release QE-2232 --reason 'results in order'", 0),
        ("--actor p-52 --at '2026-10-07 07:23' load add C-1007-9 ]C100095212340000000150", 0),
        ("--actor p-52 --at '2026-10-07 07:24' load add C-1007-9 https://id.gs1.org/00/095212340000000082", 0),
        // Too heavy for this vehicle.
        ("--actor p-52 --at '2026-10-07 07:25' load add C-1007-9 (00)095212340000000075", 1),
        ("--actor p-52 label check pallet 095212340000000082 ]C100095212340000000082", 0),
    ]
}

fn gate() -> Vec<Line> {
    vec![
        ("load show V-1007-9", 0),
        ("--actor p-52 --at '2026-10-07 07:30' load dispatch V-1007-9 --seal 004431", 0),
        ("--actor p-52 --at '2026-10-07 10:00' load exchange C-1007-9 --given 2 --taken 3", 0),
        ("pallets-out", 0),
        ("order show O-1007-9", 0),
    ]
}

fn documents() -> Vec<Line> {
    vec![
        ("document delivery-note C-1007-9", 0),
        ("document road-note C-1007-9", 0),
        ("document analysis --consignment C-1007-9", 0),
        ("document despatch-advice C-1007-9", 0),
        ("document events --consignment C-1007-9", 0),
        ("document records --consignment C-1007-9", 0),
    ]
}
