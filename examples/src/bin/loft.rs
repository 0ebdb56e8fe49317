//! Plays what people ask about hoists, gear and bulk bags over their lives, against a server of its own.

fn main() -> std::process::ExitCode {
    if let Some(code) = packloft_examples::process::server_if_asked() {
        return code;
    }
    packloft_examples::loft::main()
}
