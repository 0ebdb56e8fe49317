//! The demo's executable; it is also the server it plays against (see `packloft_examples::process`).

fn main() -> std::process::ExitCode {
    if let Some(code) = packloft_examples::process::server_if_asked() {
        return code;
    }
    packloft_examples::demo::main_with(std::env::args_os())
}
