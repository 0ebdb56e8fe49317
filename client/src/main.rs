//! The `packloft` command: subcommands by trade noun, tables by default, exit codes for scripts.

mod command;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let arguments = command::Arguments::parse();
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(fault) => {
            eprintln!("cannot start: {fault}");
            return ExitCode::from(5);
        }
    };
    match runtime.block_on(command::run(arguments)) {
        Ok(exit) => ExitCode::from(exit as u8),
        Err(fault) => {
            for (number, line) in fault.lines.iter().enumerate() {
                let line = packloft_client::show::clean(line);
                eprintln!("{}{line}", if number == 0 { "" } else { "  " });
            }
            ExitCode::from(fault.exit as u8)
        }
    }
}
