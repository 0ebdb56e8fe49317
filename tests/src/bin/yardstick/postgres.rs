//! Counters in PostgreSQL: one transaction a group, its statements prepared and sent without waiting for each other. The
//! server is one of our own, started on a folder beside the others; Debian's package has it under `pg_config --bindir`.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use futures_util::future::join_all;
use tokio_postgres::{Client, NoTls, Statement};

use crate::other::{Count, Store};

/// A database server of its own, stopped when dropped.
pub struct Running {
    folder: PathBuf,
    control: PathBuf,
    root: bool,
    /// How to connect.
    pub at: String,
}

fn as_owner(program: &Path, root: bool) -> Command {
    if !root {
        return Command::new(program);
    }
    // It refuses to be run by the one who may do all.
    let mut command = Command::new("setpriv");
    command.args(["--reuid=postgres", "--regid=postgres", "--clear-groups"]).arg(program);
    command
}

fn done(command: &mut Command) -> anyhow::Result<()> {
    let status = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status()?;
    anyhow::ensure!(status.success(), "{command:?} ended with {status}");
    Ok(())
}

/// Starts one in a folder; `None` where PostgreSQL is not installed.
///
/// # Errors
/// When it is there and does not start.
pub fn start(folder: &Path) -> anyhow::Result<Option<Running>> {
    let Ok(asked) = Command::new("pg_config").arg("--bindir").output() else { return Ok(None) };
    let listed = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let mut places: Vec<PathBuf> = listed.map(|version| version.path().join("bin")).collect();
    places.push(String::from_utf8_lossy(&asked.stdout).trim().into());
    let Some(programs) = places.into_iter().find(|place| place.join("initdb").exists()) else { return Ok(None) };
    let root = std::fs::metadata("/proc/self").is_ok_and(|own| std::os::unix::fs::MetadataExt::uid(&own) == 0);
    std::fs::create_dir_all(folder)?;
    if root {
        done(Command::new("chown").arg("postgres").arg(folder))?;
    }
    let data = folder.join("data");
    let made = ["-U", "app", "--auth=trust", "--no-locale", "-E", "UTF8"];
    done(as_owner(&programs.join("initdb"), root).arg("-D").arg(&data).args(made))?;
    let port = std::net::TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
    let options = format!("-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={}", folder.display());
    let control = programs.join("pg_ctl");
    done(as_owner(&control, root).arg("-D").arg(&data).args(["-w", "-o", &options, "start"]))?;
    let at = format!("host=127.0.0.1 port={port} user=app dbname=postgres");
    Ok(Some(Running { folder: data, control, root, at }))
}

impl Running {
    /// Process of the server.
    ///
    /// # Errors
    /// When it does not say.
    pub fn id(&self) -> anyhow::Result<u32> {
        let text = std::fs::read_to_string(self.folder.join("postmaster.pid"))?;
        Ok(text.lines().next().unwrap_or_default().trim().parse()?)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let mut stop = as_owner(&self.control, self.root);
        let _ = done(stop.arg("-D").arg(&self.folder).args(["-m", "immediate", "stop"]));
    }
}

/// A connection with its statements.
pub struct Postgres {
    runtime: tokio::runtime::Runtime,
    client: Client,
    insert: Statement,
    known: Statement,
    sequence: i64,
}

/// Connects and makes the tables and indexes.
///
/// # Errors
/// When it does not answer.
pub fn connect(at: &str) -> anyhow::Result<Postgres> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (client, insert, known) = runtime.block_on(async {
        let (client, connection) = tokio_postgres::connect(at, NoTls).await?;
        tokio::spawn(connection);
        client
            .batch_execute(
                "CREATE TABLE IF NOT EXISTS entry (
                     sequence bigint PRIMARY KEY, request_id uuid NOT NULL UNIQUE, payload bytea NOT NULL);
                 CREATE TABLE IF NOT EXISTS count (
                     machine text NOT NULL, occurred_us bigint NOT NULL, sequence bigint NOT NULL, value bigint NOT NULL,
                     PRIMARY KEY (machine, occurred_us, sequence));",
            )
            .await?;
        let insert = client
            .prepare(
                "WITH entered AS (
                     INSERT INTO entry SELECT $1, $2::text::uuid, $3
                     WHERE coalesce($6 >= (SELECT value FROM count WHERE machine = $4 AND occurred_us <= $5
                                           ORDER BY occurred_us DESC, sequence DESC LIMIT 1), true)
                       AND coalesce($6 <= (SELECT value FROM count WHERE machine = $4 AND occurred_us > $5
                                           ORDER BY occurred_us, sequence LIMIT 1), true)
                     ON CONFLICT (request_id) DO NOTHING RETURNING sequence)
                 INSERT INTO count SELECT $4, $5, sequence, $6 FROM entered RETURNING sequence",
            )
            .await?;
        let known = client.prepare("SELECT sequence FROM entry WHERE request_id = $1::text::uuid").await?;
        anyhow::Ok((client, insert, known))
    })?;
    Ok(Postgres { runtime, client, insert, known, sequence: 0 })
}

impl Store for Postgres {
    fn commit(&mut self, group: &[Count]) -> anyhow::Result<Vec<Option<(i64, bool)>>> {
        let Postgres { runtime, client, insert, known, sequence } = self;
        let first = *sequence + 1;
        *sequence += group.len() as i64;
        runtime.block_on(async {
            let ids: Vec<String> = group.iter().map(|count| count.request_id.to_string()).collect();
            let numbers: Vec<i64> = (first..).take(group.len()).collect();
            let values: Vec<[&(dyn tokio_postgres::types::ToSql + Sync); 6]> = group
                .iter()
                .zip(ids.iter().zip(&numbers))
                .map(|(count, (id, number))| -> [&(dyn tokio_postgres::types::ToSql + Sync); 6] {
                    [number, id, &count.payload, &count.machine, &count.occurred_us, &count.value]
                })
                .collect();
            // Each is sent when it is looked at first, which is in this order.
            let begin = client.batch_execute("BEGIN");
            let rows = join_all(values.iter().map(|values| client.query_opt(&*insert, values)));
            let commit = client.batch_execute("COMMIT");
            let (begun, rows, committed) = futures_util::future::join3(begin, rows, commit).await;
            begun?;
            committed?;
            let mut taken = Vec::with_capacity(group.len());
            for (row, id) in rows.into_iter().zip(&ids) {
                taken.push(match row? {
                    Some(row) => Some((row.try_get(0)?, false)),
                    None => client.query_opt(&*known, &[id]).await?.map(|row| row.get(0)).map(|number| (number, true)),
                });
            }
            Ok(taken)
        })
    }
}
