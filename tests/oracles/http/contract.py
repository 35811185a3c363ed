"""Requests made out of `openapi.yaml`, sent to the built service: no failure of ours, no answer that is not documented.

    contract.py [REQUESTS]     at least so many requests in all; 1,000 without it

Each answer is held against the description: its status, content type, headers and body. The requests begin with the
examples and the limits of each parameter and go on at random, from a fixed seed. An exam is handed in first, so that
there is something to read.
"""

import json
import re
import subprocess
import sys
import tempfile
import urllib.request
from pathlib import Path

import yaml

from service import REPOSITORY, TOKEN, Service

SEED = "2026"
# What the description promises. That every request which fits its schema is taken, or that every other is refused, is
# no part of it: an exam is held against far more than a schema of OpenAPI can say.
CHECKS = ("not_a_server_error,status_code_conformance,content_type_conformance,response_headers_conformance,"
          "response_schema_conformance")
# Nobody listens where the record system should be, and the operators' comparison says so with 502.
NOT_OURS = '[checks.not_a_server_error]\nexpected-statuses = ["2xx", "3xx", "4xx", 502]\n'
OPERATORS = ("/operations", "/metrics", "/fhir/AuditEvent")


def hand_in(service):
    """The types and ids of the resources of an exam, and of what was derived of it."""
    body = (REPOSITORY / "tests/corpus/category-2/input.json").read_bytes()
    headers = {"Content-Type": "application/fhir+json", "Authorization": f"Bearer {TOKEN}"}
    with urllib.request.urlopen(urllib.request.Request(service.fhir, body, headers)) as answer:
        bundle = json.load(answer)
        related = answer.headers["Link"]
    locations = [entry["response"].get("location", "") for entry in bundle["entry"]] + [related]
    return sorted(set(re.findall(r"[A-Z][A-Za-z]+/([0-9a-f-]{36})", " ".join(locations))))


def description(ids, operators):
    """The paths of one listener, with ids that exist: else nearly every read would end in 404."""
    contract = yaml.safe_load((REPOSITORY / "openapi.yaml").read_text())
    contract["paths"] = {path: item for path, item in contract["paths"].items() if path.startswith(OPERATORS) == operators}
    contract["components"]["parameters"]["Id"]["schema"] = {
        "oneOf": [{"type": "string", "enum": ids}, contract["components"]["parameters"]["Id"]["schema"]]
    }
    contract["components"]["parameters"]["DeliveryId"]["schema"] = {
        "oneOf": [{"type": "integer", "enum": [1]}, {"type": "integer"}]
    }
    return contract


def ask(base, contract, cases):
    """Runs one description; how many requests were sent, how many operations there are, what was found."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "openapi.json").write_text(json.dumps(contract, default=str))
        (Path(folder) / "schemathesis.toml").write_text(NOT_OURS)
        command = [
            str(Path(sys.executable).parent / "schemathesis"), "run", "openapi.json", "--url", base,
            "--header", f"Authorization: Bearer {TOKEN}", "--checks", CHECKS, "--phases", "examples,coverage,fuzzing",
            "--max-examples", str(cases), "--seed", SEED, "--no-color", "--warnings", "off",
            "--suppress-health-check", "all", "--continue-on-failure",
        ]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    sent = re.search(r"([\d,]+) generated", done.stdout)
    tested = re.search(r"Tested: (\d+)", done.stdout)
    found = done.stdout if done.returncode != 0 else ""
    return int(sent[1].replace(",", "")) if sent else 0, int(tested[1]) if tested else 0, found + done.stderr


def main():
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    passed = failed = requests = 0
    with Service() as service:
        ids = hand_in(service)
        for base, operators in ((service.base, False), (service.operations, True)):
            contract = description(ids, operators)
            operations = sum(len(item.keys() & {"get", "post", "put", "delete"}) for item in contract["paths"].values())
            sent, tested, found = ask(base, contract, max(10, wanted // 15))
            requests += sent
            if found or tested != operations:
                failed += 1
                print(f"contract: {tested} of {operations} operations asked\n{found}")
            else:
                passed += operations
        if not service.alive():
            failed += 1
            print("contract: the service ended")
    print(f"contract: {requests} requests, seed {SEED}")
    if requests < wanted:
        failed += 1
        print(f"contract: {wanted} were wanted")
    print(f"{passed} passed, {failed} failed")
    sys.exit(failed != 0)


if __name__ == "__main__":
    main()
