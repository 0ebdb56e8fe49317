//! The power is cut while a real server works, again and again, and once more right after a restart that answered repeated
//! requests. Its file operations are recorded (`tests/recorder`) and the disk is made as it may then be
//! (`tests/src/power/disk.rs`): what was acknowledged is there, whole, once, and the server takes writes.
//!
//! Requests that are refused write nothing to the journal: the same record of operations says so.
//!
//! Faults are planted in how the log is taken, and must be found: syncs of segments that did not happen, and what a start
//! writes to segments and syncs before it serves. Long form: `POWER_IMAGES=560`; `POWER_SEED` begins elsewhere,
//! `POWER_NAMES=kept` loses no name of a file or folder.

use std::path::Path;

use packloft_client::Connection;
use packloft_proto::v1;
use packloft_tests::power::disk::{CrashDisk, Planted, Policy};
use packloft_tests::power::log::{self, Action, Entry};
use packloft_tests::power::{Recorded, Request, Sent, Tally, load, on_record};
use packloft_tests::setting;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Images of one load.
const IMAGES_A_LOAD: u64 = 8;
/// Requests that are sent again after a restart.
const SENT_AGAIN: usize = 12;

/// Starts a server on an image and compares; the last requests are sent again, of which those that are not known to be on
/// record only if `new_ones`. Gives the running server and what was sent, by its log.
async fn look(
    folder: &Path,
    log: &Path,
    sent: &[Sent],
    at: u64,
    new_ones: bool,
) -> (Tally, Option<(Recorded, Vec<Sent>)>) {
    let mut tally = Tally::default();
    let recorded = match Recorded::start(EXECUTABLE, folder, log.to_owned()) {
        Ok(recorded) => recorded,
        Err(fault) => {
            tally.refuse(format!("{fault:#}"));
            return (tally, None);
        }
    };
    let until: Vec<Sent> = sent.iter().filter(|one| one.sent_at <= at).cloned().collect();
    let seen = async {
        let connection = Connection::open(&recorded.server.url()).await?;
        let found = on_record(&connection).await?;
        tally.compare(sent, at, &found);
        let proof = connection.journal.clone().verify_journal(v1::VerifyJournalRequest {}).await?.into_inner();
        if !proof.sound || !proof.views_equal {
            tally.refuse(format!("{:?}", proof.faults));
        }
        // What was acknowledged before stays so: by this log from its beginning on.
        let mut known: Vec<Sent> = until.clone();
        for one in &mut known {
            one.sent_at = 0;
            one.acknowledged = one.acknowledged.filter(|(answered_at, _)| *answered_at <= at).map(|(_, n)| (0, n));
        }
        let first = known.len().saturating_sub(SENT_AGAIN);
        for one in &mut known[first..] {
            if !new_ones && !found.sequences.contains_key(&one.request.id()) {
                continue;
            }
            match one.request.send(&connection).await {
                Ok((sequence, replayed)) => {
                    if let Some((_, before)) = one.acknowledged.filter(|(_, before)| !replayed || *before != sequence) {
                        tally.double += 1;
                        tally.told.push(format!("{before} was answered again as {sequence}, replayed {replayed}"));
                    }
                    one.acknowledged = Some((recorded.stands(), sequence));
                }
                Err(status) => tally.refuse(status),
            }
        }
        anyhow::Ok(known)
    };
    match seen.await {
        Ok(known) => (tally, Some((recorded, known))),
        Err(fault) => {
            tally.refuse(format!("{fault:#}"));
            (tally, None)
        }
    }
}

/// Takes entries until `at`; those before `until` with a fault planted.
fn take(disk: &mut CrashDisk, entries: &[Entry], at: u64, planted: Planted, until: u64) -> anyhow::Result<()> {
    for entry in entries.iter().take_while(|entry| entry.end <= at) {
        disk.take(entry, if entry.end <= until { planted } else { Planted::None })?;
    }
    Ok(())
}

/// Cuts the power of a disk, looks, cuts it again right after the answers to repeated requests, and looks again.
async fn cut_twice(
    disk: &CrashDisk,
    policy: Policy,
    sent: &[Sent],
    at: u64,
    random: &mut fastrand::Rng,
    planted: Planted,
) -> anyhow::Result<Tally> {
    let space = tempfile::tempdir()?;
    let (first, second) = (space.path().join("first"), space.path().join("second"));
    disk.cut_power(policy, random, &first)?;
    let mut again = CrashDisk::of_folder(&first)?;
    let (mut tally, running) = look(&first, &space.path().join("log"), sent, at, random.bool()).await;
    if let Some((mut recorded, known)) = running {
        let stands = recorded.stands();
        recorded.server.kill();
        let entries = log::read(&recorded.log)?;
        take(&mut again, &entries, stands, planted, recorded.listens_at)?;
        let policy = if random.bool() { Policy::NoneKept } else { Policy::Random };
        again.cut_power(policy, random, &second)?;
        let (later, _) = look(&second, &space.path().join("log2"), &known, stands, false).await;
        tally.add(later);
    }
    Ok(tally)
}

/// Everything under a folder, by path.
fn content(folder: &Path) -> anyhow::Result<std::collections::BTreeMap<String, Vec<u8>>> {
    let mut found = std::collections::BTreeMap::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            found
                .extend(content(&path)?.into_iter().map(|(name, bytes)| (format!("{}/{name}", path.display()), bytes)));
        } else {
            found.insert(path.display().to_string(), std::fs::read(&path)?);
        }
    }
    let begin = format!("{}/", folder.display());
    Ok(found.into_iter().map(|(name, bytes)| (name.replace(&begin, ""), bytes)).collect())
}

/// The log tells all: everything kept is what the folder really holds.
fn complete(disk: &CrashDisk, folder: &Path) -> anyhow::Result<()> {
    let space = tempfile::tempdir()?;
    disk.cut_power(Policy::AllKept, &mut fastrand::Rng::with_seed(1), space.path())?;
    let (told, really) = (content(space.path())?, content(folder)?);
    assert_eq!(told.keys().collect::<Vec<_>>(), really.keys().collect::<Vec<_>>(), "names");
    for (name, bytes) in &told {
        assert!(bytes == &really[name], "{name}: {} bytes told, {} there", bytes.len(), really[name].len());
    }
    Ok(())
}

/// A row of the table.
struct Row {
    fault: &'static str,
    cut: &'static str,
    must_be_found: bool,
    rounds: u64,
    detected: u64,
    tally: Tally,
}

impl Row {
    fn new(fault: &'static str, cut: &'static str, must_be_found: bool) -> Row {
        Row { fault, cut, must_be_found, rounds: 0, detected: 0, tally: Tally::default() }
    }

    fn add(&mut self, tally: Tally) {
        self.rounds += 1;
        self.detected += u64::from(tally.wrong());
        self.tally.add(tally);
    }

    fn show(&self) {
        let Tally { acknowledged, lost, half, double, refused, .. } = &self.tally;
        println!(
            "{:<22} {:<28} {:>6} {:>12} {:>6} {:>5} {:>6} {:>7} {:>8}",
            self.fault, self.cut, self.rounds, acknowledged, lost, half, double, refused, self.detected
        );
    }
}

/// Cuts at random places of recorded loads.
async fn cuts_under_load(rows: &mut [Row; 3], images: u64, random: &mut fastrand::Rng) -> anyhow::Result<()> {
    let mut left = images;
    while left > 0 {
        let now = left.min(IMAGES_A_LOAD);
        left -= now;
        let space = tempfile::tempdir()?;
        let folder = space.path().join("data");
        std::fs::create_dir(&folder)?;
        let mut disk = CrashDisk::of_folder(&folder)?;
        let mut skipped = disk.clone();
        let mut recorded = Recorded::start(EXECUTABLE, &folder, space.path().join("log"))?;
        let sent = load(&recorded, random.usize(60..240), random.u64(..)).await?;
        assert!(sent.iter().all(|one| one.acknowledged.is_some()), "the load was taken");
        let ended = random.bool();
        if ended {
            recorded.end()?;
        } else {
            recorded.server.kill();
        }
        let entries = log::read(&recorded.log)?;
        let end = entries.last().map_or(0, |entry| entry.end);
        // One within the very first start; half of the others right behind an answer.
        let mut places: Vec<u64> = (0..now)
            .map(|number| {
                let answered = sent[random.usize(..sent.len())].acknowledged.map_or(0, |(at, _)| at);
                match number {
                    0 => random.u64(..=recorded.listens_at),
                    _ if random.bool() => answered,
                    _ => random.u64(..=end),
                }
            })
            .collect();
        places.sort_unstable();
        let mut from = 0;
        for (number, at) in places.into_iter().enumerate() {
            let rest = &entries[from..];
            let count = rest.iter().take_while(|entry| entry.end <= at).count();
            take(&mut disk, &rest[..count], at, Planted::None, 0)?;
            take(&mut skipped, &rest[..count], at, Planted::SyncSkipped, u64::MAX)?;
            from += count;
            let policy = if number % 3 == 2 { Policy::NoneKept } else { Policy::Random };
            let tally = cut_twice(&disk, policy, &sent, at, random, Planted::None).await?;
            rows[usize::from(policy == Policy::NoneKept)].add(tally);
            if number as u64 + 1 == now {
                rows[2].add(cut_twice(&skipped, Policy::NoneKept, &sent, at, random, Planted::None).await?);
            }
        }
        take(&mut disk, &entries[from..], u64::MAX, Planted::None, 0)?;
        // A kill from outside may fall between an operation and its entry.
        if ended {
            complete(&disk, &folder)?;
        }
    }
    Ok(())
}

/// Kills a server between writing and syncing, starts it again, sends the unanswered requests again, and cuts the power
/// right after the answers with nothing kept that no sync covered.
async fn kills(rows: &mut [Row; 2], rounds: u64, random: &mut fastrand::Rng) -> anyhow::Result<()> {
    for _ in 0..rounds {
        let space = tempfile::tempdir()?;
        let folder = space.path().join("data");
        std::fs::create_dir(&folder)?;
        let mut disk = CrashDisk::of_folder(&folder)?;
        let died = Recorded::start_to_die(EXECUTABLE, &folder, space.path().join("log"), random.u64(8..60))?;
        let sent = load(&died, 10_000, random.u64(..)).await?;
        let unanswered = sent.iter().filter(|one| one.acknowledged.is_none()).count();
        assert!(unanswered > 0, "it died under load");
        let entries = log::read(&died.log)?;
        let end = entries.last().map_or(0, |entry| entry.end);
        take(&mut disk, &entries, end, Planted::None, 0)?;
        complete(&disk, &folder)?;
        disk.begin_log();
        let (tally, running) = look(&folder, &space.path().join("log2"), &sent, end, false).await;
        let mut tallies = [tally.clone(), tally];
        if let Some((mut recorded, known)) = running {
            let stands = recorded.stands();
            recorded.server.kill();
            let entries = log::read(&recorded.log)?;
            for (tally, planted) in tallies.iter_mut().zip([Planted::None, Planted::RewriteSkipped]) {
                let mut disk = disk.clone();
                take(&mut disk, &entries, stands, planted, recorded.listens_at)?;
                let image = tempfile::tempdir()?;
                disk.cut_power(Policy::NoneKept, random, image.path())?;
                let (later, _) = look(image.path(), &space.path().join("log3"), &known, stands, false).await;
                std::fs::remove_file(space.path().join("log3"))?;
                tally.add(later);
            }
        }
        for (row, tally) in rows.iter_mut().zip(tallies) {
            row.add(tally);
        }
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_survives_power_cuts_of_a_real_server() -> anyhow::Result<()> {
    let images = setting("POWER_IMAGES", 12);
    let mut random = fastrand::Rng::with_seed(setting("POWER_SEED", 11));
    let mut under_load = [
        Row::new("none", "random, then again", false),
        Row::new("none", "none kept, then again", false),
        Row::new("syncs skipped", "none kept", true),
    ];
    cuts_under_load(&mut under_load, images - images / 4, &mut random).await?;
    let mut killed = [
        Row::new("none", "kill, then none kept", false),
        Row::new("start writes nothing", "kill, then none kept", true),
    ];
    kills(&mut killed, (images / 4).max(1), &mut random).await?;
    println!(
        "fault                  cut                          rounds acknowledged   lost  half double refused detected"
    );
    let rows = under_load.into_iter().chain(killed).collect::<Vec<_>>();
    rows.iter().for_each(Row::show);
    for row in &rows {
        let told = row.tally.told.iter().take(12).cloned().collect::<Vec<_>>().join("\n  ");
        if row.must_be_found {
            assert!(row.detected > 0, "{} was not found", row.fault);
        } else {
            assert!(row.tally.acknowledged > 0 && !row.tally.wrong(), "{}:\n  {told}", row.cut);
        }
    }
    Ok(())
}

/// Bytes written to segments of the journal behind a place of the log.
fn journal_bytes(recorded: &Recorded, behind: u64) -> anyhow::Result<usize> {
    let entries = log::read(&recorded.log)?;
    let segment = |inode: &u64| {
        entries.iter().any(|entry| match &entry.action {
            Action::Made { inode: made, name, .. } => made == inode && name.ends_with(".seg"),
            _ => false,
        })
    };
    let written = entries.iter().filter(|entry| entry.end > behind).map(|entry| match &entry.action {
        Action::Written { inode, data, .. } if segment(inode) => data.len(),
        _ => 0,
    });
    Ok(written.sum())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn refused_requests_write_nothing() -> anyhow::Result<()> {
    let space = tempfile::tempdir()?;
    let folder = space.path().join("data");
    std::fs::create_dir(&folder)?;
    let recorded = Recorded::start(EXECUTABLE, &folder, space.path().join("log"))?;
    let sent = load(&recorded, 20, 1).await?;
    let connection = Connection::open(&recorded.server.url()).await?;
    let before = on_record(&connection).await?;
    let lot = |change: &dyn Fn(&mut v1::CreateLotRequest)| {
        let mut request = v1::CreateLotRequest {
            request_id: packloft_client::connection::request_id(),
            occurred_time: Some(packloft_examples::scenario::at(0)),
            actor_code: "p-31".into(),
            lot_code: "KX".into(),
            material_code: "WS".into(),
            ..v1::CreateLotRequest::default()
        };
        change(&mut request);
        Request::Lot(Box::new(request.into()))
    };
    let known_id = sent[3].request.id();
    let file = |change: &dyn Fn(&mut v1::Location)| {
        let mut random = fastrand::Rng::with_seed(2);
        let Request::Locations { head, mut rows } = Request::new(50, 6, &mut random) else { return lot(&|_| {}) };
        if let Some(v1::import_row::Row::Location(location)) = rows.last_mut().and_then(|row| row.row.as_mut()) {
            change(location);
        }
        Request::Locations { head, rows }
    };
    let refused: Vec<Request> = vec![
        lot(&|request| request.material_code = "NONE".into()),
        lot(&|request| request.lot_code = String::new()),
        lot(&|request| request.lot_code = "K0-0".into()),
        lot(&|request| request.occurred_time = None),
        lot(&|request| request.request_id = "no id".into()),
        lot(&|request| request.request_id = known_id.clone()),
        file(&|location| location.code = String::new()),
        file(&|location| location.kind = 99),
        file(&|location| location.code = "W50N6R1".into()),
        file(&|location| location.capacity_count = -1),
    ];
    let stands = recorded.stands();
    for request in &refused {
        let answer = request.send(&connection).await;
        assert!(answer.is_err(), "{request:?}: {answer:?}");
    }
    assert_eq!(journal_bytes(&recorded, stands)?, 0, "refused requests wrote to the journal");
    let after = on_record(&connection).await?;
    assert_eq!((after.sequences, after.rows), (before.sequences, before.rows));
    // What is taken is seen.
    lot(&|_| {}).send(&connection).await?;
    file(&|_| {}).send(&connection).await?;
    assert!(journal_bytes(&recorded, stands)? > 0, "what was taken was not seen");
    println!("{} refused requests wrote nothing", refused.len());
    Ok(())
}
