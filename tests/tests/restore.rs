//! A journal folder copied while the server runs under load is a backup: a server restored from it alone opens, takes
//! writes, and has everything that was acknowledged before the copy began. A bit that flips in the copy is damage that is
//! told; entries are never dropped without a word.
//!
//! What is near the end of a copy taken under load may lie behind everything that proves it was durable: there the figures
//! are printed, and only so many entries may be lost. Long form: `RESTORE_COPIES=64 RESTORE_FLIPS=50`.

use std::path::{Path, PathBuf};
use std::time::Duration;

use packloft_client::Connection;
use packloft_proto::v1;
use packloft_tests::power::{Recorded, Request, Sent, Tally, load, on_record};
use packloft_tests::{house, setting};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Entries at the end of a copy taken under load that nothing in it need prove: two groups of the writer and a unit of the
/// load's largest file.
const BEHIND_MAX: u64 = 256;

/// Copies a journal folder file by file in the order of the names, or against it.
fn copy(from: &Path, to: &Path, forwards: bool) -> anyhow::Result<()> {
    std::fs::create_dir_all(to)?;
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(from)?.map(|entry| Ok(entry?.path())).collect::<anyhow::Result<_>>()?;
    paths.sort();
    if !forwards {
        paths.reverse();
    }
    for path in paths {
        // A file may be replaced by a newer one meanwhile, as any backup sees it.
        let copied = std::fs::copy(&path, to.join(path.file_name().unwrap_or_default()));
        if let Err(fault) = copied
            && fault.kind() != std::io::ErrorKind::NotFound
        {
            return Err(fault.into());
        }
    }
    Ok(())
}

/// Where a record lies: sequence, from, to.
type Place = (u64, usize, usize);

/// The last segment of a journal folder that has records, and these.
fn records(journal: &Path) -> anyhow::Result<(PathBuf, Vec<Place>)> {
    let mut segments: Vec<PathBuf> = std::fs::read_dir(journal)?
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "seg"))
        .collect();
    segments.sort();
    while let Some(path) = segments.pop() {
        let bytes = std::fs::read(&path)?;
        let (mut at, mut found) = (packloft_journal::format::RECORDS_AT, Vec::new());
        while let Ok(record) = packloft_journal::format::Record::decode(&bytes[at..]) {
            let to = at + usize::try_from(record.stored_bytes())?;
            found.push((record.sequence, at, to));
            at = to;
        }
        if !found.is_empty() {
            return Ok((path, found));
        }
    }
    anyhow::bail!("no records in {}", journal.display())
}

/// Runs `verify` on a data folder; its exit code and how many records it read back.
fn verify(data: &Path) -> anyhow::Result<(Option<i32>, u64, String)> {
    let output = house(EXECUTABLE)
        .args(["--be-the-server", "verify", "--data"])
        .arg(data)
        .env("PACKLOFT_LOG", "error")
        .output()?;
    let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    let count = text.split_whitespace().next().and_then(|word| word.parse().ok()).unwrap_or(0);
    Ok((output.status.code(), count, text))
}

/// Entries that a copy holds, whose last unit may have been copied in part.
fn whole(journal: &Path) -> anyhow::Result<u64> {
    let space = tempfile::tempdir()?;
    copy(journal, &space.path().join("journal"), true)?;
    let (code, count, text) = verify(space.path())?;
    anyhow::ensure!(code == Some(0), "a copy does not verify: {text}");
    Ok(count)
}

/// What became of flips.
#[derive(Debug, Default)]
struct Flips {
    tried: u64,
    told: u64,
    dropped: u64,
    dropped_most: u64,
}

impl Flips {
    /// Flips one bit of a record of a copy that holds `whole` entries, `behind` entries before its end, and looks what a
    /// restored server makes of it.
    fn flip(
        &mut self,
        (journal, whole): (&Path, u64),
        behind: u64,
        must_be_told: bool,
        random: &mut fastrand::Rng,
    ) -> anyhow::Result<()> {
        let space = tempfile::tempdir()?;
        copy(journal, &space.path().join("journal"), true)?;
        let (segment, mut records) = records(&space.path().join("journal"))?;
        records.retain(|(sequence, ..)| *sequence <= whole);
        let place = records.len().saturating_sub(1 + usize::try_from(behind)?);
        let (sequence, from, to) = records[place];
        let mut bytes = std::fs::read(&segment)?;
        let (at, bit) = (random.usize(from..to), random.u8(..8));
        bytes[at] ^= 1 << bit;
        std::fs::write(&segment, bytes)?;
        let (code, count, text) = verify(space.path())?;
        self.tried += 1;
        match code {
            Some(5) => self.told += 1,
            Some(0) => {
                let lost = whole.saturating_sub(count);
                assert!(lost > 0, "bit {bit} of byte {at} (sequence {sequence}) made no difference: {text}");
                self.dropped += 1;
                self.dropped_most = self.dropped_most.max(lost);
            }
            other => {
                anyhow::bail!("bit {bit} of byte {at} (sequence {sequence} of {whole}): exit code {other:?}, {text}")
            }
        }
        assert!(
            code == Some(5) || !must_be_told,
            "bit {bit} of byte {at} flipped: sequence {sequence} of {whole} was dropped without a word: {text}"
        );
        Ok(())
    }
}

/// Starts a server on a copy alone and compares with what had been acknowledged.
async fn restore(journal: &Path, sent: &[Sent], at: u64) -> anyhow::Result<Tally> {
    let space = tempfile::tempdir()?;
    let data = space.path().join("data");
    copy(journal, &data.join("journal"), true)?;
    let mut tally = Tally::default();
    let recorded = match Recorded::start(EXECUTABLE, &data, space.path().join("log")) {
        Ok(recorded) => recorded,
        Err(fault) => {
            tally.refuse(format!("{fault:#}"));
            return Ok(tally);
        }
    };
    let connection = Connection::open(&recorded.server.url()).await?;
    tally.compare(sent, at, &on_record(&connection).await?);
    let proof = connection.journal.clone().verify_journal(v1::VerifyJournalRequest {}).await?.into_inner();
    if !proof.sound || !proof.views_equal {
        tally.refuse(format!("{:?}", proof.faults));
    }
    let more = Request::new(90, 1, &mut fastrand::Rng::with_seed(1));
    if let Err(status) = more.send(&connection).await {
        tally.refuse(status);
    }
    Ok(tally)
}

/// Long: one journal: copied while it is written, restored, flipped.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_copy_of_a_running_journal_restores_and_its_flips_are_told() -> anyhow::Result<()> {
    let (copies, flips) = (setting("RESTORE_COPIES", 8), setting("RESTORE_FLIPS", 3));
    let mut random = fastrand::Rng::with_seed(setting("RESTORE_SEED", 5));
    let space = tempfile::tempdir()?;
    let data = space.path().join("data");
    std::fs::create_dir(&data)?;
    let mut recorded = Recorded::start(EXECUTABLE, &data, space.path().join("log"))?;
    let journal = data.join("journal");
    let (log, from) = (recorded.log.clone(), journal.clone());
    // Copies are taken beside the load, from when there is something to lose until it ends.
    let under_load = space.path().to_owned();
    let copying = std::thread::spawn(move || {
        let mut taken = Vec::new();
        for number in 0..copies {
            let count = |path: &Path| records(path).map_or(0, |(_, records)| records.len());
            while number == 0 && count(&from) < 2 * usize::try_from(BEHIND_MAX).unwrap_or(0) {
                std::thread::sleep(Duration::from_millis(20));
            }
            std::thread::sleep(Duration::from_millis(100));
            let began_at = std::fs::metadata(&log).map_or(0, |found| found.len());
            let to = under_load.join(format!("copy{number}"));
            let done = copy(&from, &to, number % 2 == 0);
            taken.push((began_at, to, done.err().map(|fault| format!("{fault:#}"))));
        }
        taken
    });
    let mut sent = load(&recorded, 300, 3).await?;
    let mut round = 1;
    while !copying.is_finished() {
        // Other names than before.
        sent.extend(further(&recorded, round, &mut random).await?);
        round += 1;
    }
    let taken = copying.join().map_err(|_| anyhow::anyhow!("copying"))?;
    recorded.end()?;
    let at_end = space.path().join("copy-at-end");
    copy(&journal, &at_end, true)?;

    let (mut tally, mut near, mut anywhere, mut ended) =
        (Tally::default(), Flips::default(), Flips::default(), Flips::default());
    for (began_at, copied, fault) in &taken {
        assert_eq!(*fault, None);
        tally.add(restore(copied, &sent, *began_at).await?);
        let last = whole(copied)?;
        for _ in 0..flips {
            near.flip((copied, last), random.u64(..8), false, &mut random)?;
            anywhere.flip((copied, last), random.u64(BEHIND_MAX..last), true, &mut random)?;
        }
    }
    tally.add(restore(&at_end, &sent, u64::MAX).await?);
    println!(
        "{} copies: {} acknowledged before, {} lost, {} half, {} double, {} refused",
        copies + 1,
        tally.acknowledged,
        tally.lost,
        tally.half,
        tally.double,
        tally.refused
    );
    println!("flips                        tried  told  dropped  entries dropped at most");
    let show = |name: &str, flips: &Flips| {
        println!("{name:<28} {:>5} {:>5} {:>8} {:>5}", flips.tried, flips.told, flips.dropped, flips.dropped_most);
    };
    show("near the end, under load", &near);
    show("anywhere before, under load", &anywhere);
    assert!(!tally.wrong(), "{:?}", tally.told);
    assert!(near.dropped_most <= BEHIND_MAX, "{near:?}");
    // Of a server that had ended everything is proved.
    let last = whole(&at_end)?;
    for _ in 0..flips * 4 {
        ended.flip((&at_end, last), random.u64(..8), true, &mut random)?;
    }
    show("near the end, after its end", &ended);
    Ok(())
}

/// More of the load, under names of its own.
async fn further(recorded: &Recorded, round: usize, random: &mut fastrand::Rng) -> anyhow::Result<Vec<Sent>> {
    let connection = Connection::open(&recorded.server.url()).await?;
    let mut sent = Vec::new();
    for number in 0..40 {
        let request = Request::new(100 + round, number, random);
        let sent_at = recorded.stands();
        let (sequence, _) = request.send(&connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
        sent.push(Sent { request, sent_at, acknowledged: Some((recorded.stands(), sequence)) });
    }
    Ok(sent)
}
