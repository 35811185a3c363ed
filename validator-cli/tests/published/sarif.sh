#!/bin/sh
# Holds SARIF reports of the corpus against the published schema of SARIF 2.1.0 (OASIS). Needs the registries of Rust and
# Python, so it stands beside the tests that run everywhere.
#
#   cargo build -p solewire-check && validator-cli/tests/published/sarif.sh target/debug/solewire-check
#
# The schema comes with the crate serde-sarif (MIT), which is fetched, never built, and not kept.
set -eu
program=$(realpath "${1:?name the built solewire-check}")
corpus=$(realpath "$(dirname "$0")/../../../tests/corpus")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"

mkdir crate && : >crate/lib.rs
cat >crate/Cargo.toml <<'TOML'
[package]
name = "schema"
version = "0.0.0"
edition = "2024"
[lib]
path = "lib.rs"
[dependencies]
serde-sarif = "=0.8.0"
TOML
cargo vendor --quiet --manifest-path crate/Cargo.toml vendor >/dev/null
python3 -m venv python
python/bin/pip install --quiet --disable-pip-version-check jsonschema==4.26.0

# One report with findings of every severity, a skipped file, a missing one and a batch; and one without findings.
printf '{\n[]\n' >batch.ndjson
"$program" validate "$corpus" batch.ndjson absent.json --no-config --format sarif >many.sarif 2>/dev/null && exit 1
"$program" validate "$corpus/complete-normal/input.json" --no-config --format sarif >none.sarif
python/bin/python - vendor/serde-sarif/src/schema.json many.sarif none.sarif <<'PYTHON'
import json, sys
import jsonschema

schema, *reports = [json.load(open(name, encoding="utf-8")) for name in sys.argv[1:]]
validator = jsonschema.Draft7Validator(schema, format_checker=jsonschema.Draft7Validator.FORMAT_CHECKER)
for name, report in zip(sys.argv[2:], reports):
    errors = list(validator.iter_errors(report))
    for error in errors:
        print(f"{name}: /{'/'.join(map(str, error.absolute_path))}: {error.message[:200]}")
    if errors:
        sys.exit(1)
    print(f"{name}: {len(report['runs'][0]['results'])} results, as the schema says")
PYTHON
