"""Everything that the service and the command line emit, held against the independent engines.

The built service takes exams of the corpus, is asked for every kind of resource that it answers with, and each is judged
by both Python engines and by the published invariants; a handful of FHIRPath expressions are evaluated on them too. The
definitions of `solewire-check profiles export` are judged the same way.
"""

import json
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from pathlib import Path

import judges
import tables

sys.path.insert(0, str(tables.REPOSITORY / "tests/oracles/http"))
from service import TOKEN, Service  # noqa: E402

CASES = ("category-2", "active-ulcer-urgent", "range-missing-monofilament", "vascular-disagreement", "complete-normal")
WANTED = {
    "RiskAssessment", "ServiceRequest", "Provenance", "AuditEvent", "OperationOutcome", "CapabilityStatement",
    "OperationDefinition", "Parameters", "Observation", "Bundle", "StructureDefinition", "CodeSystem", "ValueSet",
    "ConceptMap",
}
# What our resources must say to somebody else's FHIRPath: the expression, and on which type.
EXPRESSIONS = (
    ("RiskAssessment", "prediction.qualitativeRisk.coding.where(system.endsWith('foot-risk')).code.exists()"),
    ("RiskAssessment", "status in ('final' | 'preliminary' | 'amended' | 'corrected')"),
    ("RiskAssessment", "basis.reference.all(startsWith('Observation/'))"),
    ("RiskAssessment", "method.coding.code.exists() and code.coding.where(code = '394683006').exists()"),
    ("ServiceRequest", "intent in ('proposal' | 'plan' | 'order') and occurrence.exists()"),
    ("Provenance", "target.exists() and recorded <= now() and agent.who.exists()"),
    ("OperationOutcome", "issue.all(severity.exists() and code.exists() and details.text.exists())"),
    ("AuditEvent", "agent.exists() and recorded.exists() and source.observer.exists()"),
    ("OperationDefinition", "parameter.where(use = 'out').exists() and (system or type)"),
    ("StructureDefinition", "snapshot.element.first().path = type and snapshot.element.all(base.path.exists())"),
    ("StructureDefinition", "differential.element.all(id in %context.snapshot.element.id)"),
)


def asked(url, body=None, kind="application/fhir+json", method=None):
    """The JSON of an answer, whatever its status."""
    headers = {"Content-Type": kind, "Authorization": f"Bearer {TOKEN}"}
    data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
    request = urllib.request.Request(url, data, headers, method=method)
    try:
        with urllib.request.urlopen(request) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as refused:
        return json.load(refused)


def from_the_service():
    """Name and resource of everything it answers with."""
    found = {}
    with Service() as service:
        for case in CASES:
            exam = (tables.REPOSITORY / "tests/corpus" / case / "input.json").read_bytes()
            found[f"answer to {case}"] = asked(service.fhir, exam)
            found[f"$assess of {case}"] = asked(f"{service.fhir}/$assess", exam)
            found[f"$validate of {case}"] = asked(f"{service.fhir}/Bundle/$validate", exam)
        broken = (tables.REPOSITORY / "tests/corpus/invalid-several/input.json").read_bytes()
        found["refusal"] = asked(service.fhir, broken)
        found["not found"] = asked(f"{service.fhir}/Observation/none")
        found["capabilities"] = statement = asked(f"{service.fhir}/metadata")
        rest = statement["rest"][0]
        operations = rest["operation"] + [one for resource in rest["resource"] for one in resource["operation"]]
        for name in sorted({operation["name"] for operation in operations}):
            found[f"operation {name}"] = asked(f"{service.fhir}/OperationDefinition/{name}")
        for kind in ("Observation", "RiskAssessment", "ServiceRequest", "Provenance"):
            found[f"search of {kind}"] = page = asked(f"{service.fhir}/{kind}?_count=200")
            found[f"some elements of {kind}"] = asked(f"{service.fhir}/{kind}?_count=5&_elements=identifier")
            for entry in page["entry"]:
                found[f"{kind}/{entry['resource']['id']}"] = entry["resource"]
            found[f"history of a {kind}"] = asked(f"{entry['fullUrl']}/_history")
        found["search of AuditEvent"] = events = asked(f"{service.operations}/fhir/AuditEvent?_count=20")
        for entry in events["entry"]:
            found[f"AuditEvent/{entry['resource']['id']}"] = entry["resource"]
        gets = [{"request": {"method": "GET", "url": url}} for url in ("Provenance", "Observation/none", "RiskAssessment")]
        found["batch"] = asked(service.fhir, {"resourceType": "Bundle", "type": "batch", "entry": gets})
        panel = next(one for one in found.values() if "hasMember" in one)
        ask = {"resourceType": "Parameters", "parameter": [{"name": "exam", "valueIdentifier": panel["identifier"][0]}]}
        found["progress"] = asked(f"{service.fhir}/$progress", ask)
    return found


def from_the_command_line():
    """Name and resource of every file of an export."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        subprocess.run([judges.solewire_check(), "profiles", "export", str(out)], check=True, stderr=subprocess.DEVNULL)
        return {str(path.relative_to(out)): json.loads(path.read_text()) for path in sorted(out.rglob("*.json"))}


def evaluated(resources):
    """The expressions that do not hold, by the independent FHIRPath engine."""
    lines = []
    for name, resource in resources.items():
        for kind, expression in EXPRESSIONS:
            if resource["resourceType"] == kind and not (kind == "OperationOutcome" and "issue" not in resource):
                lines.append((name, expression, json.dumps({"resource": resource, "expression": expression})))
    script = (
        "const at = process.argv[1]; const fhirpath = require(at); const r4 = require(at + '/fhir-context/r4');"
        "const read = require('node:readline').createInterface({ input: process.stdin });"
        "read.on('line', line => { const { resource, expression } = JSON.parse(line); let said;"
        "try { said = fhirpath.evaluate(resource, expression, { context: resource }, r4); } catch (error) { said = String(error); }"
        "console.log(JSON.stringify(said)); });"
    )
    package = tables.REPOSITORY / "tests/.tools/npm/node_modules/fhirpath"
    done = subprocess.run(["node", "-e", script, str(package)], input="\n".join(line for *_, line in lines) + "\n",
                          text=True, capture_output=True, check=True)
    said = [json.loads(line) for line in done.stdout.splitlines()]
    if len(said) != len(lines):
        sys.exit(f"emitted: {len(lines)} expressions, {len(said)} answers\n{done.stderr}")
    tried = {expression for _, expression, _ in lines}
    left = [f"no resource for {expression}" for _, expression in EXPRESSIONS if expression not in tried]
    wrong = [f"{name}: {expression} is {value}" for (name, expression, _), value in zip(lines, said) if value != [True]]
    return len(lines), wrong + left


def main():
    resources = {**from_the_service(), **from_the_command_line()}
    texts = [json.dumps(resource) for resource in resources.values()]
    faults, counts = [], {}
    for resource in resources.values():
        counts[resource["resourceType"]] = counts.get(resource["resourceType"], 0) + 1
    faults += [f"nothing of type {kind} was emitted" for kind in sorted(WANTED - set(counts))]
    for engine in judges.PYTHON_ENGINES:
        for name, verdict in zip(resources, judges.ask(engine, texts), strict=True):
            if verdict.refused:
                faults.append(f"{name}: {engine}: {verdict.words}")
    # What R4 only advises, such as a narrative, is no fault.
    declared = json.loads((tables.REPOSITORY / "profiles/base/invariants.json").read_text())
    # These two are written as regular expressions that the engine cannot read; our own engine runs them on every export.
    unread = {"eld-16", "eld-19"}
    advice = unread | {row[0] for rows in declared.values() for row in rows if row[1] != "error"}
    for name, broken in zip(resources, judges.fhirpath(texts), strict=True):
        faults += [f"{name}: {key} at {pointer}: {why}" for key, pointer, why in sorted(broken) if key not in advice]
    expressions, wrong = evaluated(resources)
    faults += wrong
    print(f"emitted: {', '.join(f'{count} {kind}' for kind, count in sorted(counts.items()))}; {expressions} expressions")
    for fault in faults:
        print(f"emitted: {fault}"[:600])
    total = len(texts) * (len(judges.PYTHON_ENGINES) + 1) + expressions
    print(f"{total - len(faults)} passed, {len(faults)} failed")
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
