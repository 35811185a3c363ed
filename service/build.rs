//! Writes `openapi.yaml` once more as JSON, which browsers read without a program of ours.

use std::error::Error;
use std::path::Path;

fn main() -> Result<(), Box<dyn Error>> {
    let source = Path::new(&std::env::var("CARGO_MANIFEST_DIR")?).join("../openapi.yaml");
    println!("cargo:rerun-if-changed={}", source.display());
    let contract: serde_json::Value = serde_saphyr::from_str(&std::fs::read_to_string(&source)?)?;
    let folder = std::env::var("OUT_DIR")?;
    std::fs::write(Path::new(&folder).join("openapi.json"), contract.to_string())?;
    Ok(())
}
