//! The server's executable; everything is in the library so that others can start it as their own process.

fn main() -> std::process::ExitCode {
    packloft_server::main_with(std::env::args_os())
}
