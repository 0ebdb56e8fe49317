//! A disk that fills up under a real server: a small file system of its own, filled by something else while clients write.
//! While little is free, writes are refused and write nothing, and questions are answered; while nothing is free the server
//! may stop taking writes, but what it acknowledged is there, it starts again on the full disk and answers questions, and
//! takes writes when there is room. Needs root and loop mounts; said and skipped where they are not to be had.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use packloft_client::Connection;
use packloft_examples::process::Setting;
use packloft_proto::v1;
use packloft_tests::power::{Recorded, Request, Sent, Tally, on_record};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Size of the file system. The server asks for 128 MiB free.
const DISK_MIB: u64 = 256;
/// Space that the server keeps in reserve, which it gives up to start on a full disk.
const BALLAST_MIB: u64 = 24;

/// A mounted file system; taken down when dropped.
struct Mount {
    point: PathBuf,
    _space: tempfile::TempDir,
}

fn run(program: &str, arguments: &[&str]) -> Result<(), String> {
    let output = Command::new(program).args(arguments).output().map_err(|fault| format!("{program}: {fault}"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!("{program}: {}", String::from_utf8_lossy(&output.stderr).trim()))
}

impl Mount {
    fn new() -> Result<Mount, String> {
        let space = tempfile::tempdir().map_err(|fault| fault.to_string())?;
        let (image, point) = (space.path().join("image"), space.path().join("mounted"));
        std::fs::create_dir(&point).map_err(|fault| fault.to_string())?;
        let file = std::fs::File::create(&image).map_err(|fault| fault.to_string())?;
        file.set_len(DISK_MIB << 20).map_err(|fault| fault.to_string())?;
        // No blocks set aside for root, who runs this.
        run("mkfs.ext4", &["-q", "-m", "0", &image.to_string_lossy()])?;
        run("mount", &["-o", "loop", &image.to_string_lossy(), &point.to_string_lossy()])?;
        Ok(Mount { point, _space: space })
    }

    fn filler(&self) -> PathBuf {
        self.point.join("filler")
    }

    /// Something else takes all but so many MiB.
    fn fill(&self, leave_mib: u64) -> anyhow::Result<()> {
        let output = Command::new("df").args(["--output=avail", "-B1048576"]).arg(&self.point).output()?;
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let free_mib: u64 = text.lines().nth(1).unwrap_or_default().trim().parse()?;
        let number = std::fs::read_dir(&self.point)?.count();
        let path = format!("{}{number}", self.filler().display());
        // The file system needs some of it for itself.
        let taken_mib = free_mib.saturating_sub(leave_mib.max(2));
        if taken_mib > 0 {
            run("fallocate", &["-l", &format!("{taken_mib}M"), &path]).map_err(anyhow::Error::msg)?;
        }
        if leave_mib == 0 {
            let mut file = std::fs::OpenOptions::new().create(true).append(true).open(&path)?;
            // To the last block.
            for size in [1 << 16, 1 << 12, 1] {
                while file.write_all(&vec![1; size]).is_ok() {}
            }
        }
        Ok(())
    }

    fn make_room(&self) -> anyhow::Result<()> {
        for entry in std::fs::read_dir(&self.point)? {
            let path = entry?.path();
            if path.to_string_lossy().starts_with(&*self.filler().to_string_lossy()) {
                std::fs::remove_file(path)?;
            }
        }
        Ok(())
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        // A server that was just killed may still hold it.
        for _ in 0..50 {
            if run("umount", &[&self.point.to_string_lossy()]).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        eprintln!("{} stays mounted", self.point.display());
    }
}

/// Clients that send one request after another; what came of each is kept.
struct Clients {
    sent: Vec<Sent>,
    refused: Vec<Request>,
    random: fastrand::Rng,
    number: usize,
}

impl Clients {
    /// Sends until `enough` says so; gives the last answer.
    async fn send(
        &mut self,
        connection: &Connection,
        enough: impl Fn(usize, &Result<(i64, bool), tonic::Status>) -> bool,
    ) -> Result<(i64, bool), tonic::Status> {
        for count in 1.. {
            self.number += 1;
            let request = Request::new(1, self.number, &mut self.random);
            let answer = request.send(connection).await;
            match &answer {
                Ok((sequence, _)) => self.sent.push(Sent { request, sent_at: 0, acknowledged: Some((0, *sequence)) }),
                // Before anything was decided.
                Err(status) if status.message().contains("DISK_LOW") => self.refused.push(request),
                Err(_) => self.sent.push(Sent { request, sent_at: 0, acknowledged: None }),
            }
            if enough(count, &answer) {
                return answer;
            }
            if answer.is_err() {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
            assert!(count < 4_000, "this ends: {answer:?}");
        }
        unreachable!("the count ends it")
    }

    /// What was acknowledged is there, nothing half or twice, and nothing of what was refused.
    async fn compare(&self, connection: &Connection, when: &str) -> anyhow::Result<()> {
        let found = on_record(connection).await?;
        let mut tally = Tally::default();
        tally.compare(&self.sent, u64::MAX, &found);
        for request in &self.refused {
            assert!(!found.sequences.contains_key(&request.id()), "{when}: refused and on record");
        }
        assert!(!tally.wrong(), "{when}: {:?}", tally.told);
        println!("{when}: {} acknowledged are there, {} refused are not", tally.acknowledged, self.refused.len());
        Ok(())
    }
}

/// A request that registers what the load needs.
async fn begin(clients: &mut Clients, connection: &Connection) -> anyhow::Result<()> {
    let mut step: packloft_examples::step::Step = v1::RegisterMaterialRequest {
        material: Some(v1::Material { code: "WS".into(), name: "sugar".into(), ..v1::Material::default() }),
        ..v1::RegisterMaterialRequest::default()
    }
    .into();
    let (id, time, actor) = step.header();
    *id = packloft_client::connection::request_id();
    (*time, *actor) = (Some(packloft_examples::scenario::at(0)), "p-31".into());
    let request = Request::Lot(Box::new(step));
    let (sequence, _) = request.send(connection).await?;
    clients.sent.push(Sent { request, sent_at: 0, acknowledged: Some((0, sequence)) });
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_loses_nothing_and_leaves_the_record_readable() -> anyhow::Result<()> {
    let mount = match Mount::new() {
        Ok(mount) => mount,
        Err(why) => {
            println!("SKIPPED: no file system of its own can be made and mounted here ({why})");
            return Ok(());
        }
    };
    let logs = tempfile::tempdir()?;
    let data = mount.point.join("data");
    std::fs::create_dir(&data)?;
    let setting = Setting { ballast_mib: BALLAST_MIB, ..Setting::default() };
    let start = |name: &str| Recorded::start_within(EXECUTABLE, &data, logs.path().join(name), setting.clone());
    let mut clients = Clients { sent: Vec::new(), refused: Vec::new(), random: fastrand::Rng::with_seed(9), number: 0 };

    let mut recorded = start("log1")?;
    let mut connection = Connection::open(&recorded.server.url()).await?;
    begin(&mut clients, &connection).await?;
    clients.send(&connection, |count, answer| count == 60 || answer.is_err()).await?;

    // Little is free: refused before anything is written, and questions are answered.
    mount.fill(48)?;
    let refused = clients.send(&connection, |_, answer| answer.is_err()).await;
    let status = refused.err().map(|status| format!("{:?} {}", status.code(), status.message())).unwrap_or_default();
    assert!(status.contains("DISK_LOW"), "{status}");
    println!("48 MiB free: {status}");
    clients.compare(&connection, "while little is free").await?;
    mount.make_room()?;
    clients.send(&connection, |_, answer| answer.is_ok()).await?;
    clients.send(&connection, |count, _| count == 40).await?;
    clients.compare(&connection, "with room again").await?;

    // Nothing is free while writes are under way, faster than anybody looks.
    for round in 0..3 {
        mount.fill(0)?;
        let told = clients.send(&connection, |count, answer| answer.is_err() || count == 400).await;
        println!("nothing free, round {round}: {:?}", told.map_err(|status| status.message().to_owned()));
        recorded.server.kill();

        // On the full disk it starts and answers.
        recorded = start(&format!("log-full-{round}"))?;
        connection = Connection::open(&recorded.server.url()).await?;
        clients.compare(&connection, "started on a full disk").await?;
        let refused = clients.send(&connection, |_, answer| answer.is_err()).await;
        assert!(refused.is_err_and(|status| status.message().contains("DISK_LOW")));
        recorded.server.kill();

        mount.make_room()?;
        recorded = start(&format!("log-room-{round}"))?;
        connection = Connection::open(&recorded.server.url()).await?;
        // Whatever was not answered, or refused: the same ids again are recorded once.
        let refused = std::mem::take(&mut clients.refused);
        for request in refused {
            clients.sent.push(Sent { request, sent_at: 0, acknowledged: None });
        }
        for one in &mut clients.sent {
            if one.acknowledged.is_none() {
                let (sequence, _) = one.request.send(&connection).await?;
                one.acknowledged = Some((0, sequence));
            }
        }
        clients.send(&connection, |count, _| count == 40).await?;
        clients.compare(&connection, "started with room again").await?;
        let proof = connection.journal.clone().verify_journal(v1::VerifyJournalRequest {}).await?.into_inner();
        assert!(proof.sound && proof.views_equal, "{:?}", proof.faults);
    }
    Ok(())
}
