//! One executable that can be the server, the command or the demo, so that tests need no other package's binary.

use std::process::ExitCode;

fn main() -> ExitCode {
    if let Some(code) = packloft_examples::process::server_if_asked() {
        return code;
    }
    let mut arguments = std::env::args_os();
    let program = arguments.next();
    match arguments.next().as_deref().and_then(|word| word.to_str()) {
        Some("--be-the-command") => packloft_client::command::main_with(program.into_iter().chain(arguments)),
        Some("--be-the-demo") => packloft_examples::demo::main_with(program.into_iter().chain(arguments)),
        other => {
            eprintln!("first argument {other:?} is not known");
            ExitCode::from(2)
        }
    }
}
