//! Compiles the `.proto` files without an installed protoc and keeps both descriptor sets for reflection.

use std::{env, fs, path::PathBuf};

use prost::Message;

mod services;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let root = PathBuf::from(env::var("CARGO_MANIFEST_DIR")?);
    let out = PathBuf::from(env::var("OUT_DIR")?);
    println!("cargo:rerun-if-changed=packloft");

    let stored = protox::compile(["packloft/journal/v1/register.proto", "packloft/journal/v1/fact.proto"], [&root])?;
    fs::write(out.join("journal_descriptor.bin"), stored.encode_to_vec())?;
    // Stored bytes are compared and digested, so maps would need a fixed order; there are none.
    prost_build::Config::new().compile_fds(stored)?;

    if env::var_os("CARGO_FEATURE_API").is_some() {
        let files = [
            "setup", "intake", "lot", "lift", "run", "pallet", "store", "dispatch", "import", "quality", "trace",
            "figure", "journal", "check", "recall", "label", "document", "gear",
        ]
        .map(|service| format!("packloft/v1/{service}_service.proto"));
        let api = protox::compile(files, [&root])?;
        fs::write(out.join("api_descriptor.bin"), api.encode_to_vec())?;
        prost_build::Config::new().service_generator(Box::new(services::Services)).compile_fds(api)?;
    }
    Ok(())
}
