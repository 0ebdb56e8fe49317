//! Plays the scripted incident against a server of its own and prints every command with its answer and the time it took.

fn main() -> std::process::ExitCode {
    if let Some(code) = packloft_examples::process::server_if_asked() {
        return code;
    }
    packloft_examples::incident::main()
}
