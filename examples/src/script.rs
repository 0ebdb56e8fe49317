//! Plays a list of commands against a server of its own, each with its answer and how long it took.

use std::process::ExitCode;
use std::time::Instant;

use anyhow::Context as _;
use packloft_client::connection::Connection;

use crate::process::ServerProcess;
use crate::step::Step;

/// A command's words and the exit code it ends with.
pub type Command = (Vec<String>, u8);

/// Plays what was before, then the parts, each under its heading.
pub fn main(name: &str, before: Vec<Step>, parts: Vec<(&'static str, Vec<Command>)>) -> ExitCode {
    match play(before, parts) {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("{name}: {fault:#}");
            ExitCode::FAILURE
        }
    }
}

fn play(before: Vec<Step>, parts: Vec<(&'static str, Vec<Command>)>) -> anyhow::Result<()> {
    let data = tempfile::tempdir()?;
    let server = ServerProcess::start(data.path())?;
    let url = server.url();
    let runtime = tokio::runtime::Runtime::new().context("no runtime")?;
    runtime.block_on(async {
        let connection = Connection::open(&url).await?;
        for step in before {
            step.play(&connection).await.map_err(|status| anyhow::anyhow!("{}", status.message()))?;
        }
        anyhow::Ok(())
    })?;
    for (heading, lines) in parts {
        println!("\n== {heading} ==\n");
        for (words, wanted) in lines {
            let quoted = words.iter().map(|w| if w.contains(' ') { format!("'{w}'") } else { w.clone() });
            println!("$ packloft {}", quoted.collect::<Vec<_>>().join(" "));
            let begun = Instant::now();
            let arguments = ["packloft".to_owned(), "--server".into(), url.clone()].into_iter().chain(words);
            let code = packloft_client::command::main_with(arguments.map(Into::into));
            println!("({} ms, from asking to shown)\n", begun.elapsed().as_millis());
            anyhow::ensure!(code == ExitCode::from(wanted), "another exit code than {wanted} was expected");
        }
    }
    Ok(())
}
