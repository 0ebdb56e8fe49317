//! What the process and wire suites share: a server, the command beside it, and one clock for both and for the suite.
//!
//! The invented days have fixed dates, and so has the clock ([`CLOCK`]): what is in date on it stays in date whenever the
//! suites run. `PACKLOFT_CLOCK` gives another (see `packloft_examples::clock`); `+0` is the machine's.

pub mod arrows;
pub mod fuzz;
pub mod generated;
pub mod load;
pub mod pages;
pub mod power;
pub mod settle;
pub mod soak;

use std::ffi::OsStr;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::OnceLock;

use packloft_client::Connection;
use packloft_client::moment;
use packloft_examples::process::ServerProcess;
use packloft_examples::{clock, kept, loft, morning, next_run, scenario};

/// Where the suites' clock begins: the first working morning after the last of the invented days.
pub const CLOCK: &str = "2026-10-12T08:15:00Z";

/// Sets the clock of this process, once: what is started from it has the same. Gives when it began, in seconds.
pub fn set_clock() -> i64 {
    static BEGAN_S: OnceLock<i64> = OnceLock::new();
    *BEGAN_S.get_or_init(|| {
        let text = std::env::var(clock::VARIABLE).unwrap_or_else(|_| CLOCK.to_owned());
        match clock::ahead_us(&text) {
            Ok(ahead_us) => moment::set_ahead(ahead_us),
            Err(fault) => panic!("{fault}"),
        }
        moment::now().seconds
    })
}

/// The executable of the suites, with their clock.
pub fn house(executable: impl AsRef<OsStr>) -> Command {
    set_clock();
    let mut command = Command::new(executable);
    clock::hand_on(&mut command);
    command
}

/// A server with a fresh folder, as its own process.
pub struct Running {
    /// The process.
    pub server: ServerProcess,
    /// Clients.
    pub connection: Connection,
    /// Its folder, removed when dropped.
    pub folder: tempfile::TempDir,
    executable: PathBuf,
}

impl Running {
    /// Starts a server from the test executable.
    pub async fn start(executable: &str) -> anyhow::Result<Running> {
        Running::start_with(executable, &[]).await
    }

    /// The same with more arguments of `serve`.
    ///
    /// # Errors
    /// When it cannot be started.
    pub async fn start_with(executable: &str, more: &[&str]) -> anyhow::Result<Running> {
        set_clock();
        let folder = tempfile::tempdir()?;
        let executable = PathBuf::from(executable);
        let server = ServerProcess::start_with(&executable, folder.path(), "127.0.0.1:0", more)?;
        let connection = Connection::open(&server.url()).await?;
        Ok(Running { server, connection, folder, executable })
    }

    /// Starts a server and plays the invented shift on it.
    pub async fn with_shift(executable: &str) -> anyhow::Result<Running> {
        Running::shift_on(Running::start(executable).await?).await
    }

    /// Plays the invented shift on a server.
    ///
    /// # Errors
    /// When the server does not take something.
    pub async fn shift_on(running: Running) -> anyhow::Result<Running> {
        for step in scenario::steps() {
            step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
        }
        Ok(running)
    }

    /// The same, with the pallets and vehicles of the morning after and the run that is still on.
    pub async fn with_everything(executable: &str) -> anyhow::Result<Running> {
        let running = Running::with_shift(executable).await?;
        for step in morning::steps().into_iter().chain(next_run::steps()) {
            step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
        }
        Ok(running)
    }

    /// The same, with what the packer kept of the shift: control samples, readings pack by pack, a note; and of the loft.
    ///
    /// # Errors
    /// When the server does not take something.
    pub async fn with_records(executable: &str) -> anyhow::Result<Running> {
        let running = Running::with_everything(executable).await?;
        kept::tell(&running.connection).await?;
        for step in loft::steps() {
            step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
        }
        Ok(running)
    }

    /// Runs the command against it.
    pub fn command(&self, arguments: &[&str]) -> anyhow::Result<Output> {
        Ok(house(&self.executable)
            .arg("--be-the-command")
            .args(["--server", &self.server.url()])
            .args(arguments)
            .env("COLUMNS", "120")
            .env_remove("PACKLOFT_ACTOR")
            .output()?)
    }
}

/// Whole number from the environment, else the short form's.
pub fn setting(name: &str, short: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(short)
}
