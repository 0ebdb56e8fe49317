//! A data folder that is copied, restored, proved and repaired: proving writes nothing, a copy begins a new epoch and gives no
//! pallet number again that can have been printed, and a good copy of one segment mends a journal whole.

mod common;

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use common::{T0, config, day, open, submission, tell};
use packloft_domain::fact::*;
use packloft_engine::clock::ShiftedClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_engine::verify::verify;
use packloft_engine::{SystemClock, read_event};
use packloft_journal::format::RECORDS_AT;

fn server(arguments: &[&str]) -> String {
    let arguments = ["packloft-server"].into_iter().chain(arguments.iter().copied()).map(OsString::from);
    format!("{:?}", packloft_server::main_with(arguments))
}

fn code(number: u8) -> String {
    format!("{:?}", ExitCode::from(number))
}

async fn made(folder: &Path) {
    let settings = DataDirConfig { segment_bytes: 2_500, ..config(folder) };
    let house = DataDir::open(&settings, Arc::new(SystemClock)).unwrap();
    for (number, (at, fact)) in day().into_iter().enumerate() {
        tell(&house, submission(number as u64 + 1, at, fact)).await.unwrap();
    }
    house.close();
}

/// Every file with its bytes.
fn tree(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(tree(&path));
            found.insert(path, Vec::new());
        } else {
            found.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    found
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().flatten() {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn segments(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> =
        std::fs::read_dir(folder.join("journal")).unwrap().flatten().map(|e| e.path()).collect();
    found.sort();
    found
}

fn flip(path: &Path, offset: usize) {
    let mut bytes = std::fs::read(path).unwrap();
    bytes[offset] ^= 4;
    std::fs::write(path, bytes).unwrap();
}

#[tokio::test]
async fn proving_writes_nothing_and_fails_on_what_is_no_data_folder() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path()).await;
    let data = folder.path().to_str().unwrap();
    let before = tree(folder.path());
    assert_eq!(server(&["verify", "--data", data]), code(0));
    assert_eq!(server(&["verify", "--data", data, "--no-views"]), code(0));
    assert!(tree(folder.path()) == before, "proving wrote something");
    // The last record of the newest segment, in a copy with nothing beside the journal: its mark tells.
    let copied = tempfile::tempdir().unwrap();
    copy(&folder.path().join("journal"), &copied.path().join("journal"));
    assert_eq!(server(&["verify", "--data", copied.path().to_str().unwrap()]), code(0));
    let last = segments(copied.path()).pop().unwrap();
    let used = std::fs::read(&last).unwrap().iter().rposition(|byte| *byte != 0).unwrap();
    flip(&last, used);
    let damaged = tree(copied.path());
    assert_eq!(server(&["verify", "--data", copied.path().to_str().unwrap()]), code(5));
    assert_eq!(server(&["repair", "--data", copied.path().to_str().unwrap()]), code(5));
    assert!(tree(copied.path()) == damaged, "without consent nothing changes");
    let empty = tempfile::tempdir().unwrap();
    for none in [empty.path().to_path_buf(), empty.path().join("nowhere"), folder.path().join("journal")] {
        for task in ["verify", "repair", "restore"] {
            assert_eq!(server(&[task, "--data", none.to_str().unwrap()]), code(1), "{task} {}", none.display());
        }
    }
    assert!(tree(empty.path()).is_empty(), "something was made");
    // While a server has it, it is asked instead.
    let house = open(folder.path()).unwrap();
    assert_eq!(server(&["verify", "--data", data]), code(1));
    house.close();
}

#[tokio::test]
async fn only_the_owner_reads_a_data_folder() {
    let outer = tempfile::tempdir().unwrap();
    let data = outer.path().join("deep/data");
    made(&data).await;
    let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&data), mode(&data.join("journal"))), (0o700, 0o700));
    for path in segments(&data).iter().chain([&data.join("LOCK"), &data.join("head")]) {
        assert_eq!(mode(path), 0o600, "{}", path.display());
    }
}

fn serial_of(event: &Event) -> i64 {
    match &event.fact {
        Some(Fact::PalletBuilt(built)) => built.serial,
        other => panic!("{other:?}"),
    }
}

/// Pallets, with the numbers the pool gives them; the first that is asked for sets the pool up.
async fn pallets(house: &DataDir, first: u64, count: u64) -> Vec<i64> {
    let site = Site { company_prefix: "952110153".into(), zone: "Etc/UTC".into(), ..Site::default() };
    let site = Fact::SiteSet(SiteSet { site: Some(site), given: Vec::new() });
    tell(house, submission(999, T0 - 2, site)).await.unwrap();
    let mut serials = Vec::new();
    for number in first..first + count {
        let built = PalletBuilt {
            origin: PalletOrigin::BeforeRecord.into(),
            product_code: "K1".into(),
            pack_count: 10,
            ..PalletBuilt::default()
        };
        let outcome = tell(house, submission(number, T0 + 7_200_000_000, Fact::PalletBuilt(built))).await.unwrap();
        serials.push(serial_of(&outcome.event));
    }
    serials
}

#[tokio::test]
async fn a_copy_gives_no_pallet_number_again_that_can_have_been_printed() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path()).await;
    let house = open(folder.path()).unwrap();
    assert_eq!(house.notices, [""; 0]);
    assert_eq!(pallets(&house, 1_000, 5).await, [1, 2, 3, 4, 5]);
    // Made file by file while the server runs, and older than what follows.
    let copied = tempfile::tempdir().unwrap();
    copy(folder.path(), copied.path());
    assert_eq!(pallets(&house, 1_005, 40).await.last(), Some(&45));
    house.close();
    let again = open(folder.path()).unwrap();
    assert_eq!((again.notices.len(), again.engine.journal.epoch()), (0, 1), "the folder itself is no copy");
    again.close();

    let restored = open(copied.path()).unwrap();
    assert_eq!(restored.engine.read_only_reason(), None);
    assert!(restored.notices.iter().any(|notice| notice.contains("epoch 2")), "{:?}", restored.notices);
    let last = restored.engine.journal.last_sequence();
    let Some(Fact::EpochStarted(epoch)) = read_event(&restored.engine.journal, last).unwrap().fact else { panic!() };
    assert_eq!((epoch.reason.as_str(), epoch.writer_epoch, epoch.last_sscc_serial), ("copy", 2, 5 + 3_000));
    assert_eq!(pallets(&restored, 2_000, 2).await, [3_006, 3_007]);
    assert_eq!(verify(&restored.engine.journal, &restored.engine.views).faults, [""; 0]);
    restored.close();
    let once = open(copied.path()).unwrap();
    assert_eq!((once.notices.len(), once.engine.journal.epoch()), (0, 2), "begun once");
    once.close();
    // Somebody has the last label in hand.
    let data = copied.path().to_str().unwrap();
    assert_eq!(server(&["restore", "--data", data]), code(1), "it must be said");
    assert_eq!(server(&["restore", "--data", data, "--last-serial", "4711"]), code(0));
    let told = open(copied.path()).unwrap();
    assert_eq!(pallets(&told, 3_000, 1).await, [4_712]);
    assert!(
        told.notices.iter().any(|notice| notice.contains("epoch 3") && notice.contains("4711")),
        "{:?}",
        told.notices
    );
    told.close();
    // A number that lies before those on record takes nothing back.
    assert_eq!(server(&["restore", "--data", data, "--last-serial", "3"]), code(0));
    let low = open(copied.path()).unwrap();
    assert_eq!(pallets(&low, 4_000, 1).await, [4_713]);
    low.close();
}

/// Holds on all bags of the day, placed one after the other.
async fn holds(house: &DataDir, first: u64) -> Vec<String> {
    let mut codes = Vec::new();
    for number in 0..3 {
        let placed = HoldPlaced { lot_code: "L1".into(), reason: "smell".into(), ..HoldPlaced::default() };
        let told = submission(first + number, T0 + 7_200_000_000, Fact::HoldPlaced(placed));
        match tell(house, told).await.unwrap().event.fact.clone() {
            Some(Fact::HoldPlaced(placed)) => codes.push(placed.hold_code),
            other => panic!("{other:?}"),
        }
    }
    codes
}

/// The disk died twice: neither record from one copy knows of the other, and both have given out numbers and codes.
#[tokio::test]
async fn what_one_record_from_a_copy_gave_out_another_from_it_never_gives_again() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path()).await;
    let house = open(folder.path()).unwrap();
    pallets(&house, 1_000, 5).await;
    let kept = tempfile::tempdir().unwrap();
    copy(folder.path(), kept.path());
    let (mut serials, mut codes) = (pallets(&house, 2_000, 40).await, holds(&house, 3_000).await);
    house.close();
    for hours in [0, 1, 2, 30] {
        let data = tempfile::tempdir().unwrap();
        copy(kept.path(), data.path());
        let clock = Arc::new(ShiftedClock { ahead_us: hours * 3_600_000_000 + 1 });
        let house = DataDir::open(&config(data.path()), clock).unwrap();
        serials.extend(pallets(&house, 2_000, 40).await);
        codes.extend(holds(&house, 3_000).await);
        house.close();
    }
    for codes in [serials.iter().map(ToString::to_string).collect(), codes] {
        let once: std::collections::BTreeSet<&String> = codes.iter().collect();
        assert_eq!(once.len(), codes.len(), "given out twice: {codes:?}");
    }
}

/// Put back into the same files, a copy keeps their identity: the head beside it, or the command, tells.
#[tokio::test]
async fn an_older_journal_in_place_is_told_and_restored_by_the_command() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path()).await;
    let copied = tempfile::tempdir().unwrap();
    copy(folder.path(), copied.path());
    let house = open(folder.path()).unwrap();
    pallets(&house, 1_000, 3).await;
    house.close();
    let newest = open(folder.path()).unwrap().engine.journal.last_sequence();
    for path in segments(folder.path()) {
        let old = copied.path().join("journal").join(path.file_name().unwrap());
        match std::fs::read(&old) {
            Ok(bytes) => std::fs::write(&path, bytes).unwrap(),
            Err(_) => std::fs::remove_file(&path).unwrap(),
        }
    }
    let told = open(folder.path()).unwrap();
    let reason = told.engine.read_only_reason().unwrap_or_default();
    assert!(reason.contains(&format!("{newest} was durable")), "{reason}");
    told.close();
    assert_eq!(server(&["restore", "--data", folder.path().to_str().unwrap(), "--last-serial-unknown"]), code(0));
    let restored = open(folder.path()).unwrap();
    assert_eq!((restored.engine.read_only_reason(), restored.engine.journal.epoch()), (None, 2));
    assert_eq!(pallets(&restored, 1_000, 1).await, [3_001]);
    assert_eq!(verify(&restored.engine.journal, &restored.engine.views).faults, [""; 0]);
    restored.close();
}

#[tokio::test]
async fn a_good_copy_of_one_segment_mends_a_journal_and_what_was_set_aside_can_be_brought_back() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path()).await;
    let data = folder.path().to_str().unwrap();
    let all = segments(folder.path());
    let newest = open(folder.path()).unwrap().engine.journal.last_sequence();
    let good = std::fs::read(&all[1]).unwrap();
    flip(&all[1], RECORDS_AT + 150);
    assert!(open(folder.path()).unwrap().engine.read_only_reason().is_some());
    std::fs::write(&all[1], &good).unwrap();
    assert_eq!(server(&["verify", "--data", data]), code(0));
    let house = open(folder.path()).unwrap();
    assert_eq!((house.engine.read_only_reason(), house.engine.journal.last_sequence()), (None, newest));
    house.close();
    // Given up, then brought back whole.
    let journal = folder.path().join("journal");
    flip(&all[1], RECORDS_AT + 150);
    assert_eq!(server(&["repair", "--data", data, "--accept-loss"]), code(0));
    let aside = std::fs::read_dir(folder.path()).unwrap().flatten().map(|e| e.path());
    let aside = aside.into_iter().find(|path| path.to_string_lossy().contains("journal.aside")).unwrap();
    for path in &all {
        assert!(aside.join(path.file_name().unwrap()).exists());
    }
    let house = open(folder.path()).unwrap();
    assert_eq!((house.engine.read_only_reason(), house.engine.journal.epoch()), (None, 2));
    assert!(house.engine.journal.last_sequence() < newest);
    house.close();
    assert_eq!(server(&["verify", "--data", data]), code(0));
    std::fs::rename(&journal, folder.path().join("journal.given-up")).unwrap();
    copy(&aside, &journal);
    for extra in ["head", "views"] {
        let path = journal.join(extra);
        if path.is_dir() {
            std::fs::remove_dir_all(path).unwrap()
        } else {
            std::fs::remove_file(path).ok().unwrap_or(())
        }
    }
    std::fs::write(&all[1], &good).unwrap();
    let house = open(folder.path()).unwrap();
    assert_eq!(house.engine.read_only_reason(), None);
    assert!(house.engine.journal.last_sequence() > newest, "all of it, and the new epoch");
    house.close();
}
