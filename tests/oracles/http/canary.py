"""Nothing about a person gets out: canaries go through every way in, and none may stand in what operators see.

Names, identifiers, birth dates, free texts and results are canaries. They are sent in exams that are taken and in all
kinds that are refused, in addresses, headers and forms, and a record system sends them back in every kind of failure.
Then the log at its most verbose, metrics, error answers, operators' views, file names and the process list are read.
"""

import copy
import http.server
import json
import sys
import threading
import time
import urllib.error
import urllib.parse
import urllib.request

from service import REPOSITORY, TOKEN, Service

CANARY = "Qanaryx"
BIRTH_DATE = "1931-07-29"
DEADLINE_SECONDS = 120


class Echo(http.server.BaseHTTPRequestHandler):
    """A record system that fails in one way after the other and repeats what it was sent."""

    protocol_version = "HTTP/1.1"
    # A refusal of the message opens the way again, so that no pause grows long.
    ways = [500, 422, 429, 422, 302, 422, 401, 422, 200, 422, 409, 422, 412, 422]
    asked = 0

    def do_POST(self):  # noqa: N802: the name is that of the base class
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        if "_search" in self.path:
            self.found_nothing()
            return
        status = Echo.ways[min(Echo.asked, len(Echo.ways) - 1)]
        Echo.asked += 1
        outcome = json.dumps({
            "resourceType": "OperationOutcome",
            "text": {"status": "generated", "div": f"<div>{CANARY}</div>"},
            "issue": [{
                "severity": "error", "code": "processing", "diagnostics": body[:2000],
                "details": {"text": CANARY, "coding": [{"system": f"https://{CANARY}.example/", "code": CANARY}]},
                "expression": [f"Bundle.entry[0].resource.where(value = '{CANARY}')"], "location": [CANARY],
            }],
        }).encode()
        self.send_response(status, CANARY)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(outcome)))
        self.send_header("Retry-After", "0")
        self.send_header("Location", f"http://127.0.0.1:9/{CANARY}")
        self.send_header("WWW-Authenticate", f'Bearer realm="{CANARY}"')
        self.end_headers()
        self.wfile.write(outcome)

    do_GET = do_PUT = do_POST  # noqa: N815

    def found_nothing(self):
        searchset = json.dumps({
            "resourceType": "Bundle", "type": "searchset", "total": 0,
            "link": [{"relation": "self", "url": f"http://127.0.0.1:9/{CANARY}"}],
        }).encode()
        self.send_response(200, CANARY)
        self.send_header("Content-Type", "application/fhir+json")
        self.send_header("Content-Length", str(len(searchset)))
        self.end_headers()
        self.wfile.write(searchset)

    def log_message(self, *_):
        pass


def marked(value, number):
    """The same with a canary in every text that a person or a record could be known by."""
    if isinstance(value, list):
        return [marked(item, number) for item in value]
    if not isinstance(value, dict):
        return value
    out = {name: marked(inner, number) for name, inner in value.items()}
    if isinstance(out.get("system"), str) and "value" in out and isinstance(out["value"], str):
        out["value"] = f"{CANARY}-{number}-{out['value']}"
    for name in ("text", "family", "comment", "unit_text"):
        if isinstance(out.get(name), str):
            out[name] = f"{CANARY} {out[name]}"
    if out.get("resourceType") == "Patient":
        out["name"] = [{"family": CANARY, "given": [CANARY]}]
        out["birthDate"] = BIRTH_DATE
        out["telecom"] = [{"system": "phone", "value": CANARY}]
    if out.get("resourceType") == "Observation":
        out["note"] = [{"text": CANARY}]
    return out


def ask(address, body=None, method=None, **headers):
    """The status and the text of the answer, whatever it is."""
    request = urllib.request.Request(address, body, method=method)
    request.add_header("Authorization", f"Bearer {TOKEN}")
    for name, value in headers.items():
        request.add_header(name.replace("_", "-"), value)
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


def send_everything(service):
    """The answers that are not a success, each with what was asked."""
    answers = []
    taken = 0
    fhir_json = {"Content_Type": "application/fhir+json"}

    def post(name, text, **headers):
        nonlocal taken
        status, answer = ask(service.fhir, text.encode(), **(fhir_json | headers))
        taken += status == 200
        if status != 200:
            answers.append((name, answer))

    for number, case in enumerate(sorted((REPOSITORY / "tests/corpus").iterdir())):
        source = case / "input.json"
        if not source.is_file():
            continue
        try:
            document = json.loads(source.read_text(encoding="utf-8"))
        except ValueError:
            post(case.name, f'{{"resourceType": "{CANARY}", "id": ')
            continue
        text = json.dumps(marked(document, number))
        post(case.name, text, Idempotency_Key=f"{CANARY}-{number}")
        if case.name.startswith("category-"):
            broken = marked(copy.deepcopy(document), number)
            broken["entry"][0]["resource"]["favouriteColour"] = CANARY
            broken["entry"][1]["resource"]["status"] = CANARY
            broken["entry"][2]["resource"]["effectiveDateTime"] = CANARY
            broken["entry"][-1]["resource"]["valueQuantity"] = {"value": CANARY, "unit": CANARY, "code": CANARY}
            post(f"{case.name} broken", json.dumps(broken))
            post(f"{case.name} cut", text[: len(text) // 2])
            post(f"{case.name} other body", text.replace("final", "amended"), Idempotency_Key=f"{CANARY}-{number}")
            post(f"{case.name} wrong type", text, Content_Type=f"text/{CANARY}")
    person = urllib.parse.quote(f"https://harbourlane.example/person|{CANARY}")
    gets = [
        f"/Observation?subject:identifier={person}", f"/Observation/{CANARY}", f"/{CANARY}/1", f"/Patient?name={CANARY}",
        f"/Observation?{CANARY}={CANARY}", f"/Observation?date={CANARY}", f"/RiskAssessment/{CANARY}/_history/{CANARY}",
    ]
    for path in gets:
        status, answer = ask(service.fhir + path)
        if status >= 400:
            answers.append((path, answer))
    form = f"subject:identifier={person}&{CANARY}={CANARY}".encode()
    form_type = {"Content_Type": "application/x-www-form-urlencoded"}
    ask(f"{service.fhir}/Observation/_search", form, **form_type)
    answers.append(("form", ask(f"{service.fhir}/Observation/_search", f"date={CANARY}".encode(), **form_type)[1]))
    single = marked(json.loads((REPOSITORY / "tests/corpus/single-form/input.json").read_text()), 9999)
    for name in ("$validate", "$assess", "Observation/$validate", "Observation"):
        status, answer = ask(f"{service.fhir}/{name}", json.dumps(single["entry"][1]["resource"]).encode(),
                             If_None_Exist=f"identifier={CANARY}", **fhir_json)
        if status >= 400:
            answers.append((name, answer))
    answers.append(("no right", ask(f"{service.fhir}/Observation", Authorization=f"Bearer {CANARY}")[1]))
    answers.append(("discard", ask(f"{service.operations}/operations/deliveries/1/discard", b"{}", **fhir_json)[1]))
    return answers, taken


def until_parked(service):
    deadline = time.monotonic() + DEADLINE_SECONDS
    while time.monotonic() < deadline:
        _, text = ask(f"{service.operations}/operations/deliveries")
        states = {delivery["state"] for delivery in json.loads(text)["deliveries"]}
        if "parked" in states and Echo.asked >= len(Echo.ways):
            return text
        time.sleep(0.2)
    sys.exit(f"canary: no delivery was parked; the record system was asked {Echo.asked} times")


def main():
    record_system = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Echo)
    threading.Thread(target=record_system.serve_forever, daemon=True).start()
    places = []
    with Service(f"http://127.0.0.1:{record_system.server_port}/fhir", log="trace") as service:
        answers, taken = send_everything(service)
        places += [(f"answer to: {name.replace(CANARY, '...')}", text) for name, text in answers]
        places.append(("list of deliveries", until_parked(service)))
        for number in range(1, taken + 1):
            places.append((f"delivery {number}", ask(f"{service.operations}/operations/deliveries/{number}")[1]))
        places.append(("metrics", ask(f"{service.operations}/metrics")[1]))
        places.append(("capabilities", ask(f"{service.fhir}/metadata")[1]))
        command = open(f"/proc/{service.process_id}/cmdline", encoding="utf-8").read()
        places.append(("process list", command + open(f"/proc/{service.process_id}/environ", encoding="utf-8").read()))
        places.append(("file names", " ".join(path.name for path in service.folder.rglob("*"))))
        log = service.log()
    places.append(("log", log))
    failed = 0
    for name, text in places:
        for secret in (CANARY, BIRTH_DATE, TOKEN):
            if secret.lower() in text.lower():
                failed += 1
                at = text.lower().index(secret.lower())
                print(f"canary: {secret} in {name}: ...{text[max(0, at - 300):at + 40]}")
    if taken < 20 or len(answers) < 60 or "answered" not in log:
        failed += 1
        print(f"canary: only {taken} exams were taken and {len(answers)} requests refused")
    print(f"canary: {taken} exams taken, {len(answers)} requests refused, {len(log)} bytes of log")
    print(f"{len(places) - failed} passed, {failed} failed")
    sys.exit(failed != 0)


if __name__ == "__main__":
    main()
