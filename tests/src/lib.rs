//! What the process and wire suites share.

pub mod generated;
pub mod pages;

use std::path::PathBuf;
use std::process::{Command, Output};

use packloft_client::Connection;
use packloft_examples::process::ServerProcess;
use packloft_examples::{kept, loft, morning, next_run, scenario};

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
        let folder = tempfile::tempdir()?;
        let executable = PathBuf::from(executable);
        let server = ServerProcess::start_from(&executable, folder.path())?;
        let connection = Connection::open(&server.url()).await?;
        Ok(Running { server, connection, folder, executable })
    }

    /// Starts a server and plays the invented shift on it.
    pub async fn with_shift(executable: &str) -> anyhow::Result<Running> {
        let running = Running::start(executable).await?;
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
        Ok(Command::new(&self.executable)
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
