"""The judges: the product and the independent engines, each asked about many documents at once."""

import concurrent.futures
import importlib
import json
import os
import re
import subprocess
import sys
import time
from dataclasses import dataclass, field

import tables

AT = "2026-11-01T12:00:00Z"
OWN = ("profile-", "exam-", "terminology-")
FORM = ("json-", "structure-", "bundle-")


@dataclass
class Verdict:
    """What a judge says: `refused`, and by our rules or in an engine's words."""

    refused: bool
    rules: list = field(default_factory=list)
    """Of the product: (rule, pointer, severity) of base R4, in the order of the report."""
    words: str = ""
    """Of an engine: its first complaint on one line."""
    local: list = field(default_factory=list)
    """Of the product: rules of the local profiles and the exam that refuse."""


def name_of(rule):
    """A published invariant is named so that it cannot be taken for one of our rules."""
    return rule if rule.startswith(FORM + OWN) else f"invariant:{rule}"


def solewire_check():
    """The binary under test: SOLEWIRE_CHECK, or the newest of the target folder."""
    named = os.environ.get("SOLEWIRE_CHECK")
    if named:
        return named
    target = os.environ.get("CARGO_TARGET_DIR", str(tables.REPOSITORY / "target"))
    built = [path for profile in ("release", "debug") if os.path.exists(path := f"{target}/{profile}/solewire-check")]
    if not built:
        sys.exit("solewire-check is not built; run `cargo build --release -p solewire-validator-cli` first,"
                 " or name it in SOLEWIRE_CHECK.")
    return max(built, key=os.path.getmtime)


def product(texts):
    """Asks the product about single-line documents, in one process."""
    command = [solewire_check(), "validate", "-", "--ndjson", "--format", "ndjson", "--at", AT]
    # Lone surrogates stand as escapes in the texts, so the encoding cannot fail.
    done = subprocess.run(command, input="\n".join(texts).encode() + b"\n", stdout=subprocess.PIPE, check=False)
    if done.returncode not in (0, 1, 3):
        sys.exit(f"solewire-check ended with {done.returncode}")
    by_line = {}
    for line in done.stdout.decode().splitlines():
        entry = json.loads(line)
        if entry["kind"] == "document":
            by_line[entry["line"]] = entry
    verdicts = []
    for number in range(1, len(texts) + 1):
        entry = by_line.get(number)
        if entry is None:
            sys.exit(f"solewire-check says nothing of document {number}: {texts[number - 1][:200]}")
        if entry["status"] != "checked":
            # Skipped: JSON, but no resource. Unread: the product itself failed, which nothing explains.
            verdicts.append(Verdict(True, rules=[(entry["status"], "", "error")]))
            continue
        rules = [(name_of(issue["rule"]), issue["pointer"], issue["severity"]) for issue in entry["issues"]]
        base = [row for row in rules if not row[0].startswith(OWN)]
        local = [row[0] for row in rules if row[0].startswith(OWN) and row[2] in ("error", "fatal")]
        verdicts.append(Verdict(any(row[2] in ("error", "fatal") for row in base), rules=base, local=local))
    return verdicts


def fhir_resources(text):
    """fhir.resources 6.4.0: one pydantic model for each type."""
    from fhir.resources import construct_fhir_element

    try:
        value = json.loads(text)
        construct_fhir_element(value["resourceType"], value)
    except Exception as error:  # noqa: BLE001 - whatever it raises is its way to refuse
        return Verdict(True, words=one_line(error))
    return Verdict(False)


def google_fhir(text):
    """google-fhir-r4 0.11.0: JSON to protocol buffers, with its validation of required fields and references."""
    from google.fhir.r4 import json_format

    try:
        name = json.loads(text)["resourceType"]
        json_format.json_fhir_string_to_proto(text, _message(name), validate=True, default_timezone="Z")
    except Exception as error:  # noqa: BLE001
        return Verdict(True, words=one_line(error))
    return Verdict(False)


def _message(name):
    if name not in tables.RESOURCE_TYPES:
        raise ValueError("unknown resource type")
    module = re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()
    place = "bundle_and_contained_resource" if name == "Bundle" else module
    return getattr(importlib.import_module(f"google.fhir.r4.proto.core.resources.{place}_pb2"), name)


def one_line(error):
    return re.sub(r"\s+", " ", f"{type(error).__name__}: {error}")[:400]


def fhirpath(texts):
    """fhirpath 5.2.2: every published invariant on every element; a set of (key, pointer, why) for each document."""
    command = ["node", "--stack-size=4000", str(tables.ENGINES / "fhirpath.js")]
    done = subprocess.run(command, input="\n".join(texts).encode() + b"\n", stdout=subprocess.PIPE, check=True)
    return [{tuple(row) for row in json.loads(line)} for line in done.stdout.decode().splitlines()]


PYTHON_ENGINES = {"fhir.resources": fhir_resources, "google-fhir": google_fhir}


def ask(engine, texts):
    """Asks one of the Python engines about every text."""
    began = time.monotonic()
    with concurrent.futures.ProcessPoolExecutor(os.cpu_count()) as pool:
        verdicts = list(pool.map(PYTHON_ENGINES[engine], texts, chunksize=25))
    print(f"  {engine}: {len(texts)} documents in {time.monotonic() - began:.0f} s", flush=True)
    return verdicts
