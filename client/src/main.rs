//! The `packloft` command; everything is in the library.

fn main() -> std::process::ExitCode {
    packloft_client::command::main_with(std::env::args_os())
}
