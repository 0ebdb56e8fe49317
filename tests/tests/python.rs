//! A client in another language, made from the .proto files by its own tools, drives a day. `tests/run` prepares the
//! interpreter and the stubs and names them in `PACKLOFT_PYTHON` and `PACKLOFT_STUBS`.

use std::path::Path;
use std::process::Command;

use packloft_tests::Running;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_python_client_drives_a_day() -> anyhow::Result<()> {
    let (Ok(python), Ok(stubs)) = (std::env::var("PACKLOFT_PYTHON"), std::env::var("PACKLOFT_STUBS")) else {
        println!("SKIPPED: no PACKLOFT_PYTHON and PACKLOFT_STUBS; tests/run sets them (grpcio from PyPI)");
        return Ok(());
    };
    let running = Running::start(EXECUTABLE).await?;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/python/day.py");
    let output = Command::new(python).arg(script).arg(&running.server.address).arg(stubs).output()?;
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{text}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(text.contains("checks hold"), "{text}");
    println!("{}", text.trim());
    Ok(())
}
