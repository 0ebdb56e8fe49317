//! A Packloft server as a child process on loopback, started from this very executable.
//!
//! `cargo run --bin` builds no other package's binary, so a program that needs a server runs itself again with a hidden
//! first argument and becomes one.

use std::ffi::OsString;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::Arc;

use anyhow::Context as _;
use packloft_engine::clock::ShiftedClock;

use crate::clock;

/// First argument that makes this executable a server.
pub const BE_THE_SERVER: &str = "--be-the-server";

/// Sets the clock where [`clock::VARIABLE`] asks for it, and runs the server when the first argument says so; to be called
/// first in `main`.
pub fn server_if_asked() -> Option<ExitCode> {
    if let Err(fault) = clock::take() {
        eprintln!("{fault}");
        return Some(ExitCode::from(2));
    }
    let mut arguments = std::env::args_os();
    let program = arguments.next()?;
    (arguments.next()? == BE_THE_SERVER).then(|| {
        let clock = ShiftedClock { ahead_us: packloft_client::moment::ahead_us() };
        packloft_server::main_with_clock(std::iter::once(program).chain(arguments), Arc::new(clock))
    })
}

/// A running server; killed when dropped.
pub struct ServerProcess {
    child: Child,
    /// Address it listens on, `127.0.0.1:PORT`.
    pub address: String,
    data: PathBuf,
    executable: PathBuf,
    setting: Setting,
}

/// What a server gets beside folder and address.
#[derive(Clone, Debug, Default)]
pub struct Setting {
    /// Variables of the environment beside its parent's.
    pub environment: Vec<(&'static str, OsString)>,
    /// Free space kept in reserve, in MiB.
    pub ballast_mib: u64,
    /// More arguments of `serve`.
    pub more: Vec<String>,
    /// File at whose end what it says goes; where this program's own words go otherwise.
    pub log: Option<PathBuf>,
}

/// Starts a server.
fn spawn(executable: &Path, data: &Path, listen: &str, setting: &Setting) -> anyhow::Result<(Child, String)> {
    let mut arguments: Vec<OsString> = Vec::new();
    if executable.file_name().is_none_or(|name| name != "packloft-server") {
        arguments.push(BE_THE_SERVER.into());
    }
    arguments.extend(["serve".into(), "--data".into(), data.as_os_str().to_owned()]);
    arguments.extend(["--listen", listen, "--ballast-mib", &setting.ballast_mib.to_string()].map(OsString::from));
    arguments.extend(setting.more.iter().map(OsString::from));
    let mut command = Command::new(executable);
    if let Some(path) = &setting.log {
        command.stderr(File::options().create(true).append(true).open(path)?);
    }
    let mut child = clock::hand_on(&mut command)
        .args(arguments)
        .envs(setting.environment.iter().map(|(name, value)| (name, value)))
        .env("PACKLOFT_LOG", std::env::var("PACKLOFT_LOG").unwrap_or_else(|_| "error".into()))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .with_context(|| format!("cannot start {}", executable.display()))?;
    let out = child.stdout.take().context("no output of the server")?;
    let mut said = Vec::new();
    for line in BufReader::new(out).lines() {
        let line = line?;
        if let Some(address) = line.strip_prefix("packloft-server listens on ") {
            return Ok((child, address.to_owned()));
        }
        said.push(line);
    }
    let _ = child.kill();
    let status = child.wait()?;
    anyhow::bail!("the server did not start ({status}): {}", said.join("; "))
}

impl ServerProcess {
    /// Starts a server on a free loopback port, from this executable.
    ///
    /// # Errors
    /// When it cannot be started.
    pub fn start(data: &Path) -> anyhow::Result<ServerProcess> {
        Self::start_from(&std::env::current_exe()?, data)
    }

    /// Starts a server from another executable.
    ///
    /// # Errors
    /// When it cannot be started.
    pub fn start_from(executable: &Path, data: &Path) -> anyhow::Result<ServerProcess> {
        Self::start_within(executable, data, "127.0.0.1:0", Setting::default())
    }

    /// The same, with what it says in a file.
    ///
    /// # Errors
    /// When it cannot be started, or the file not be opened.
    pub fn start_logged(executable: &Path, data: &Path, log: Option<&Path>) -> anyhow::Result<ServerProcess> {
        let log = log.map(Path::to_owned);
        Self::start_within(executable, data, "127.0.0.1:0", Setting { log, ..Setting::default() })
    }

    /// The same on another address, with more arguments of `serve`.
    ///
    /// # Errors
    /// When it cannot be started.
    pub fn start_with(executable: &Path, data: &Path, listen: &str, more: &[&str]) -> anyhow::Result<ServerProcess> {
        let more = more.iter().map(|word| (*word).to_owned()).collect();
        Self::start_within(executable, data, listen, Setting { more, ..Setting::default() })
    }

    /// The same with settings; a restart has them too.
    ///
    /// # Errors
    /// When it cannot be started.
    pub fn start_within(
        executable: &Path,
        data: &Path,
        listen: &str,
        setting: Setting,
    ) -> anyhow::Result<ServerProcess> {
        let (child, address) = spawn(executable, data, listen, &setting)?;
        Ok(ServerProcess { child, address, data: data.to_owned(), executable: executable.to_owned(), setting })
    }

    /// URL for clients.
    pub fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Kills it as a power switch would (SIGKILL) and starts it again on the same port and folder.
    ///
    /// # Errors
    /// When it cannot be started again.
    pub fn kill_and_restart(&mut self) -> anyhow::Result<()> {
        self.kill();
        self.restart()
    }

    /// Kills it as a power switch would (SIGKILL).
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Ends it as a service is ended (SIGTERM), and waits until it is over: nothing it holds is lost or left for the next start.
    ///
    /// # Errors
    /// When it cannot be told, or ends otherwise than it should.
    pub fn stop(&mut self) -> anyhow::Result<()> {
        Command::new("kill").args(["-TERM", &self.id().to_string()]).status()?;
        let ended = self.child.wait()?;
        anyhow::ensure!(ended.success(), "ended with {ended}");
        Ok(())
    }

    /// Starts it again on the same port and folder.
    ///
    /// # Errors
    /// When it cannot be started.
    pub fn restart(&mut self) -> anyhow::Result<()> {
        let (child, address) = spawn(&self.executable, &self.data, &self.address, &self.setting)?;
        self.child = child;
        self.address = address;
        Ok(())
    }

    /// True while the process runs.
    pub fn running(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Leaves the process running and gives up control of it.
    pub fn leave(self) -> u32 {
        let id = self.child.id();
        std::mem::forget(self);
        id
    }
}

impl Drop for ServerProcess {
    fn drop(&mut self) {
        self.kill();
    }
}
