//! A real browser for the suites that need one, by the driver its makers give with it.

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};

use fantoccini::{Client, ClientBuilder};

/// A driver, ended when dropped.
pub struct Driver {
    child: Child,
    port: u16,
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Driver {
    /// Starts one; `None` when there is none.
    pub fn start() -> anyhow::Result<Option<Driver>> {
        let spawned = Command::new("chromedriver").arg("--port=0").stdout(Stdio::piped()).stderr(Stdio::null()).spawn();
        let Ok(mut child) = spawned else {
            println!("SKIPPED: no chromedriver (Debian package chromium-driver)");
            return Ok(None);
        };
        let out = child.stdout.take().ok_or_else(|| anyhow::anyhow!("no output"))?;
        for line in BufReader::new(out).lines() {
            if let Some(port) = line?.strip_suffix('.').and_then(|l| l.rsplit("on port ").next()?.parse().ok())
                && port > 0
            {
                return Ok(Some(Driver { child, port }));
            }
        }
        anyhow::bail!("chromedriver did not start")
    }

    /// A browser without a window, its own profile; dark when asked for.
    pub async fn browser(&self, dark: bool) -> anyhow::Result<Client> {
        let mut arguments = vec![
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--lang=en-GB",
        ];
        if dark {
            arguments.push("--force-dark-mode");
        }
        let capabilities = serde_json::json!({
            "goog:chromeOptions": { "args": arguments },
            "goog:loggingPrefs": { "browser": "ALL" },
        });
        let serde_json::Value::Object(capabilities) = capabilities else { anyhow::bail!("no capabilities") };
        let connector = hyper_util::client::legacy::connect::HttpConnector::new();
        let mut builder = ClientBuilder::new(connector);
        builder.capabilities(capabilities);
        Ok(builder.connect(&format!("http://127.0.0.1:{}", self.port)).await?)
    }
}
