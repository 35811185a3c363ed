"""Bodies made to hurt: each gets a clear answer, memory stays bounded, and others are served meanwhile.

Each attack names the statuses that are right for it. While it runs, an ordinary exam is posted again and again and has to
be taken. Durations and the highest resident memory are printed as measured; only memory has a bound, far above need.
"""

import gzip
import json
import socket
import sys
import threading
import time
import urllib.parse

from canary import ask
from service import REPOSITORY, TOKEN, Service

MIB = 1024 * 1024
LARGEST_BODY = MIB
MEMORY_BOUND_MIB = 400
FHIR_JSON = {"Content_Type": "application/fhir+json"}
EXAM = (REPOSITORY / "tests/corpus/category-2/input.json").read_bytes()


def observation(**more):
    return {"resourceType": "Observation", "status": "final", "code": {"text": "pulse"}} | more


def bundle(entries):
    return json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries}).encode()


def nested(depth, opening, closing, core=b"1"):
    return b'{"resourceType":"Observation","x":' + opening * depth + core + closing * depth + b"}"


def filled(text, size=LARGEST_BODY):
    """The text with its `@` replaced by as much of `a` as fits."""
    before, after = text.split(b"@")
    return before + b"a" * (size - len(before) - len(after)) + after


def bodies():
    """Name, body, headers, right statuses."""
    yield "arrays 500,000 deep", nested(500_000, b"[", b"]"), {}, {400}
    yield "objects 100,000 deep", nested(100_000, b'{"x":', b"}"), {}, {400}
    extension = b'"extension":[{"url":"https://harbourlane.example/e",'
    yield "extensions 15,000 deep", (b'{"resourceType":"Observation",' + extension * 15_000 + b'"valueString":"1"'
                                     + b"}]" * 15_000 + b"}"), {}, {400}
    yield "a number of a million digits", b'{"resourceType":"Observation","valueInteger":' + b"9" * 999_000 + b"}", {}, {400, 422}
    yield "an exponent of a million", bundle([{"resource": observation(valueQuantity={"value": 1})}]).replace(
        b'"value": 1', b'"value": 1e999999'), {}, {400, 422}
    yield "a fraction of a million digits", b'{"resourceType":"Observation","valueDecimal":0.' + b"1" * 999_000 + b"}", {}, {400, 422}
    yield "a string of 1 MiB", filled(b'{"resourceType":"Observation","status":"@"}'), {}, {400, 422}
    yield "a name of 1 MiB", filled(b'{"resourceType":"Observation","@":1}'), {}, {400, 422}
    yield "an id of 1 MiB", filled(b'{"resourceType":"Observation","id":"@"}'), {}, {400, 422}
    yield "a date of 1 MiB", filled(b'{"resourceType":"Observation","effectiveDateTime":"2026-@"}'), {}, {400, 422}
    yield "25,000 empty entries", bundle([{}] * 250_000)[: LARGEST_BODY - 2].rsplit(b",", 1)[0] + b"]}", {}, {400, 422}
    entry = {"resource": observation(), "request": {"method": "POST", "url": "Observation"}}
    yield "7,000 entries", bundle([entry] * 7_000), {}, {400, 422}
    same = {"fullUrl": "urn:uuid:5e1e0000-0000-4000-8000-000000000001"} | entry
    yield "5,000 entries of one fullUrl", bundle([same] * 5_000), {}, {400, 422}
    member = {"reference": "urn:uuid:5e1e0000-0000-4000-8000-000000000009"}
    yield "15,000 dangling references", bundle([{"resource": observation(hasMember=[member] * 12_000)}]), {}, {400, 422}
    yield "70,000 repeated keys", b'{"resourceType":"Observation",' + b",".join([b'"status":"final"'] * 60_000) + b"}", {}, {400}
    yield "100,000 unknown properties", json.dumps(observation(**{f"x{n}": 1 for n in range(70_000)})).encode(), {}, {400, 422}
    coding = {"system": "http://loinc.org", "code": "44974-4"}
    yield "15,000 codings", bundle([{"resource": observation(category=[{"coding": [coding] * 15_000}])}]), {}, {400, 422}
    yield "lone surrogates", b'{"resourceType":"Observation","id":"' + b"\\ud800" * 170_000 + b'"}', {}, {400, 422}
    yield "not UTF-8", b'{"resourceType":"' + b"\xff" * 900_000 + b'"}', {}, {400}
    yield "a byte over the limit", filled(b'{"resourceType":"Observation","id":"@"}', LARGEST_BODY + 1), {}, {413}
    yield "1 GiB in gzip", gzip.compress(b" " * (64 * MIB), 9) * 16, {"Content_Encoding": "gzip"}, {413, 415}
    yield "XML with an entity", b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hosts">]><x>&e;</x>', {
        "Content_Type": "application/fhir+xml"}, {415}


def raw(service, sent, pause=0.0, limit=8.0):
    """Sends pieces over one connection and gives what comes back until it closes or the limit is reached."""
    address = urllib.parse.urlsplit(service.base)
    answer = b""
    with socket.create_connection((address.hostname, address.port), timeout=limit) as connection:
        try:
            for piece in sent:
                connection.sendall(piece)
                time.sleep(pause)
            while received := connection.recv(65536):
                answer += received
        except (TimeoutError, ConnectionError):
            pass
    return answer


def head(method, path, length, *more):
    lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", f"Authorization: Bearer {TOKEN}",
             "Content-Type: application/fhir+json", f"Content-Length: {length}", *more]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def connections(service):
    """Name and whether it went right, for attacks on the connection itself."""
    pipelined = raw(service, [head("GET", "/fhir/metadata", 0) * 200])
    yield "200 pipelined requests", pipelined.count(b"HTTP/1.1 200") == 200
    slow = [head("POST", "/fhir", 4000)] + [b"{" for _ in range(20)]
    yield "a body of a byte at a time", b"HTTP/1.1 200" not in raw(service, slow, pause=0.1, limit=2.0)
    yield "a body that never comes", b"HTTP/1.1 200" not in raw(service, [head("POST", "/fhir", 4000)], limit=2.0)
    large = b"GET /fhir/metadata HTTP/1.1\r\nHost: x\r\n" + b"X-Much: " + b"a" * (2 * MIB) + b"\r\n\r\n"
    yield "a header of 2 MiB", b"HTTP/1.1 200" not in raw(service, [large])
    both = head("POST", "/fhir", 3, "Transfer-Encoding: chunked") + b"0\r\n\r\nGET /fhir/metadata HTTP/1.1\r\nHost: x\r\n\r\n"
    yield "two lengths for one body", raw(service, [both]).count(b"HTTP/1.1 200") <= 1


def resident_mib(service, name):
    with open(f"/proc/{service.process_id}/status", encoding="utf-8") as status:
        line = next(line for line in status if line.startswith(name))
    return int(line.split()[1]) // 1024


class Bystander:
    """Posts an ordinary exam all the while."""

    def __init__(self, service):
        self._service, self._stop = service, threading.Event()
        self.taken = self.refused = 0
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        while not self._stop.is_set():
            status, _ = ask(self._service.fhir, EXAM, **FHIR_JSON)
            self.taken += status == 200
            self.refused += status != 200

    def stop(self):
        self._stop.set()
        self._thread.join()


def main():
    passed = failed = 0

    def record(name, right, told):
        nonlocal passed, failed
        passed += right
        failed += not right
        if not right:
            print(f"hostile: {name}: {told}")

    with Service() as service:
        ask(service.fhir, EXAM, **FHIR_JSON)
        print(f"hostile: {resident_mib(service, 'VmRSS')} MiB resident after the first exam")
        bystander = Bystander(service)
        slowest = ("", 0.0)
        for name, body, headers, right in bodies():
            began = time.monotonic()
            try:
                status, answer = ask(service.fhir, body, **(FHIR_JSON | headers))
            except OSError as error:
                # The rest of a body that is too large is not read; the connection may break before the answer.
                status, answer = (413, '"OperationOutcome"') if 413 in right else (0, str(error))
            slowest = max(slowest, (name, time.monotonic() - began), key=lambda pair: pair[1])
            record(name, status in right and '"OperationOutcome"' in answer, f"status {status}, {answer[:200]}")
            record(f"{name}, size of the answer", len(answer) < 4 * MIB, f"{len(answer)} bytes of answer")
        for name, right in connections(service):
            record(name, right, "not as it should be")
        bystander.stop()
        record("others are served", bystander.taken > 20 and bystander.refused == 0,
               f"{bystander.taken} taken, {bystander.refused} refused")
        status, answer = ask(f"{service.base}/health/ready")
        record("ready afterwards", status == 200, answer)
        highest = resident_mib(service, "VmHWM")
        record("memory", highest < MEMORY_BOUND_MIB, f"{highest} MiB")
        print(f"hostile: at most {highest} MiB resident; slowest: {slowest[0]}, {slowest[1]:.2f} s; "
              f"{bystander.taken} exams of others taken meanwhile")
    print(f"{passed} passed, {failed} failed")
    sys.exit(failed != 0)


if __name__ == "__main__":
    main()
