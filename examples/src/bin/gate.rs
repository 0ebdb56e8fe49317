//! Plays a consignment from the order to the gate against a server of its own, and makes its documents.

fn main() -> std::process::ExitCode {
    if let Some(code) = packloft_examples::process::server_if_asked() {
        return code;
    }
    packloft_examples::gate::main()
}
