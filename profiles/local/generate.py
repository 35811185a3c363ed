#!/usr/bin/env python3
"""Writes the local definitions in published FHIR R4 form from the two tables beside this file.

    python3 generate.py            write the files
    python3 generate.py --check    compare only; exit 1 and name the files that differ

`exam-codes.csv` holds the wire codes of the exam, `standard-codes.csv` the displays of the standard codes they are
translated to. What the tables say only in words (which values an ulcer depth may have, which tests may come site by
site) stands in the constants below. Needs nothing but Python's standard library.
"""

import csv
import hashlib
import json
import pathlib
import sys

HERE = pathlib.Path(__file__).resolve().parent
BASE = "https://solewire.example/fhir"
VERSION = "0.1.0"
FHIR_BASE = "http://hl7.org/fhir/StructureDefinition"
UCUM = "http://unitsofmeasure.org"
SNOMED = "http://snomed.info/sct"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
OPTIONAL = "(optional: not in the free set)"
WEAK = "(weak source)"

TITLES = {
    "foot-test": "Foot examination: tests and findings",
    "foot-site": "Foot examination: sides and sites",
    "foot-result": "Foot examination: results",
    "foot-risk": "Foot examination: guidelines and risk categories",
}
SIDES = ("left", "right")
ARTERIES = ("dorsalis-pedis", "posterior-tibial", "popliteal")
# The table marks the popliteal artery "pulse only".
PULSE_ONLY = ("popliteal",)
# Not on the foot: an ulcer or a skin finding there is no foot finding.
NOT_ON_FOOT = ARTERIES + ("tibial-tuberosity",)
# Beside a coded result these tests take the count of right answers (correct / asked).
RATIO = ("monofilament-10g", "vibration-128hz", "position-sense")
# Beside a coded result this test takes a measured time in its unit.
CODE_OR_QUANTITY = ("vibration-128hz",)
# A device may send one Observation per site of these tests.
SINGLE_SITE = (
    "monofilament-10g", "vibration-128hz", "toe-touch", "pinprick", "temperature-sense", "position-sense",
    "pulse", "doppler-waveform", "systolic-pressure", "skin-temperature",
)
# Values of components that do not take those of their test.
OWN_RESULTS = {
    "ulcer-depth": ["skin-only", "muscle-tendon-or-deeper", "bone-or-joint"],
    "ulcer-infection": ["grade-1", "grade-2", "grade-3", "grade-3-bone", "grade-4", "grade-4-bone"],
}
# Standard codes that say less or more than the local code they stand beside. Everything else means the same in its
# context; a sided site is always narrower than the code of its unsided site.
AMPUTATION = "The standard code says at which level; the local code stands for any."
RENAL = "The standard code is dialysis; the local code stands for more than that."
NARROWER = {
    **dict.fromkeys(("428835005", "427892008", "429280009", "429372004", "299647001"), AMPUTATION),
    **dict.fromkeys(("236435004", "105502003", "265764009"), RENAL),
    "28769004": "The standard code is a bone infection; the local code stands for the concern about one, or about a deep one.",
}
# Standard codes that also mean what is no part of the exam: an ordinary blood pressure is not a limb pressure.
WIDER = {"8480-6": "The standard code is any systolic pressure, so alone it is never read as the local code."}
# Units that are converted exactly to the unit of a test (profiles/src/exam/units.rs): a value set of the unit and these.
UNITS = {
    "mm[Hg]": ("foot-pressure-units", "Units of pressure", ["kPa"]),
    "s": ("foot-time-units", "Units of time", ["ms"]),
    "Cel": ("foot-temperature-units", "Units of temperature", ["[degF]"]),
    "cm2": ("foot-area-units", "Units of area", ["mm2"]),
}
ASSESSMENT_STATUS = ["final", "preliminary", "amended", "corrected", "entered-in-error"]

LOINC_NOTICE = (
    "This material contains content from LOINC (http://loinc.org). LOINC is copyright © 1995-2020, Regenstrief "
    "Institute, Inc. and the Logical Observation Identifiers Names and Codes (LOINC) Committee and is available at "
    "no cost under the license at http://loinc.org/license. LOINC® is a registered United States trademark of "
    "Regenstrief Institute, Inc."
)
SNOMED_NOTICE = (
    "SNOMED CT codes and displays are from the SNOMED CT Global Patient Set (September 2020), SNOMED International, "
    "licensed under CC BY 4.0."
)


def read(name):
    with open(HERE / name, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


ROWS = read("exam-codes.csv")
STANDARD = {(row["system"], row["code"]): row for row in read("standard-codes.csv")}
BY_CODE = {(row["system"], row["code"]): row for row in ROWS}
TESTS = [row for row in ROWS if row["role"] == "test"]


def url(kind, name):
    return f"{BASE}/{kind}/{name}"


def system(name):
    return url("CodeSystem", name)


def members(text, separator="|"):
    return [part.strip() for part in text.split(separator) if part.strip()]


def rows_of(system_name, role=None):
    return [row for row in ROWS if row["system"] == system_name and (role is None or row["role"] == role)]


def pascal(name):
    return "".join(part[:1].upper() + part[1:] for part in name.replace(".", "-").split("-"))


def site_tests(row):
    """The tests whose sites include this unsided site."""
    tests = members(row["belongs_to"], ",")
    if row["code"] in PULSE_ONLY:
        tests = ["pulse"]
    if row["code"] not in ARTERIES:
        tests.append("skin-temperature")
    if row["code"] not in NOT_ON_FOOT:
        tests += [test for test in ("skin", "ulcer") if test not in tests]
    return tests


def sites_of(test):
    return [row["code"] for row in rows_of("foot-site", "site") if test in site_tests(row)]


def sided(codes):
    return [f"{side}-{code}" for side in SIDES for code in codes]


def findings_of(test):
    return [row["code"] for row in rows_of("foot-test", "component") if row["belongs_to"] == test]


def result_codes(row):
    """The coded values of a test or of one of its components."""
    if row["code"] in OWN_RESULTS:
        return OWN_RESULTS[row["code"]]
    if row["role"] == "component":
        return members(BY_CODE[("foot-test", row["belongs_to"])]["values"]) if row["value_kind"] == "code" else []
    return members(row["values"])


def value_types(row):
    """The data types that carry a result, for a component or for a test with the value on the Observation."""
    if row["value_kind"] == "quantity":
        return ["Quantity"]
    if row["value_kind"] == "none":
        return []
    types = ["CodeableConcept"] if result_codes(row) else []
    if row["code"] in RATIO:
        types.append("Ratio")
    if row["unit"] and (not types or row["code"] in CODE_OR_QUANTITY):
        types.append("Quantity")
    return types


# ---- the resources ----------------------------------------------------------------------------------------------


def head(kind, name, title, description, copyright=None):
    resource = {
        "resourceType": kind,
        "id": name,
        "url": url(kind, name),
        "version": VERSION,
        "name": pascal(name),
        "title": title,
        "status": "active",
        "experimental": False,
        "publisher": "Solewire",
        "description": description,
    }
    if copyright:
        resource["copyright"] = copyright
    return resource


PROPERTIES = {
    "role": ("code", "What the code stands for in the exam"),
    "scope": ("code", "Where a test is recorded: side, side-or-site, site, or person"),
    "belongs-to": ("code", "The test that a finding or site belongs to, or the guideline of a category"),
    "value-kind": ("code", "Where the result stands: components, code, quantity, or none"),
    "value-type": ("code", "A FHIR data type that may carry the result"),
    "result": ("code", "A code of foot-result that the result may have"),
    "unit": ("string", "The UCUM code of a measured result"),
    "single-site": ("boolean", "Whether the test may come as one Observation per site"),
    "side": ("code", "left or right"),
    "unsided": ("code", "The code of the same site without its side"),
}


def concept_property(code, value):
    kind = PROPERTIES[code][0]
    return {"code": code, f"value{kind[:1].upper()}{kind[1:]}": value}


def concept(row):
    properties = [concept_property("role", row["role"])]
    entry = {"code": row["code"], "display": row["display"]}
    if row["system"] == "foot-test":
        if row["note"]:
            entry["definition"] = f"{row['display']}: {row['note']}."
        if row["role"] == "test":
            properties.append(concept_property("scope", row["belongs_to"]))
        elif row["belongs_to"]:
            properties.append(concept_property("belongs-to", row["belongs_to"]))
        properties.append(concept_property("value-kind", row["value_kind"]))
        properties += [concept_property("value-type", kind) for kind in value_types(row)]
        properties += [concept_property("result", code) for code in result_codes(row)]
        if row["unit"]:
            properties.append(concept_property("unit", row["unit"]))
        if row["role"] == "test":
            properties.append(concept_property("single-site", row["code"] in SINGLE_SITE))
    elif row["system"] == "foot-site":
        if row["role"] == "side":
            properties.append(concept_property("side", row["code"].split("-")[0]))
        else:
            properties += [concept_property("belongs-to", test) for test in site_tests(row)]
    elif row["system"] == "foot-risk":
        if row["belongs_to"]:
            properties.append(concept_property("belongs-to", row["belongs_to"]))
        if row["note"]:
            entry["definition"] = f"{row['display']} ({row['note']})."
    entry["property"] = properties
    return entry


def sided_concepts():
    for row in rows_of("foot-site", "site"):
        for side in SIDES:
            yield {
                "code": f"{side}-{row['code']}",
                "display": f"{row['display'].replace(' (pulse only)', '')}, {side} foot",
                "property": [
                    concept_property("role", "sided-site"),
                    concept_property("side", side),
                    concept_property("unsided", row["code"]),
                    *[concept_property("belongs-to", test) for test in site_tests(row)],
                ],
            }


def code_system(name):
    concepts = [concept(row) for row in rows_of(name)]
    if name == "foot-site":
        concepts += list(sided_concepts())
    used = {entry["code"] for item in concepts for entry in item["property"]}
    resource = head("CodeSystem", name, TITLES[name], f"{TITLES[name]}. Own content of this project.")
    resource |= {
        "caseSensitive": True,
        "content": "complete",
        "count": len(concepts),
        "property": [
            {"code": code, "description": text, "type": kind}
            for code, (kind, text) in PROPERTIES.items()
            if code in used
        ],
        "concept": concepts,
    }
    return resource


def display(system_name, code):
    row = BY_CODE.get((system_name, code))
    if row:
        return row["display"]
    side, site = code.split("-", 1)
    return f"{BY_CODE[('foot-site', site)]['display'].replace(' (pulse only)', '')}, {side} foot"


def include(system_name, codes):
    return {
        "system": system(system_name),
        "concept": [{"code": code, "display": display(system_name, code)} for code in codes],
    }


VALUE_SETS = {}


def value_set(name, title, *includes):
    """Adds a value set; gives its address."""
    resource = head("ValueSet", name, title, f"{title}.")
    resource["compose"] = {"include": [part for part in includes if part["concept"]]}
    VALUE_SETS[name] = resource
    return url("ValueSet", name)


def concept_map(name, title, rows, optional):
    groups = {}
    for source, code, target_system, target, equivalence, comment in rows:
        target_entry = {"code": target, "equivalence": equivalence}
        if not optional:
            target_entry = {"code": target, "display": STANDARD[(target_system, target)]["display"]} | {
                "equivalence": equivalence
            }
        if comment:
            target_entry["comment"] = comment
        group = groups.setdefault((source, target_system), {})
        group.setdefault(code, []).append(target_entry)
    if optional:
        notice = (
            "Holds numbers of SNOMED CT concepts that are not in the Global Patient Set, without their displays. "
            "Using them needs a SNOMED CT licence: free in member countries, else an affiliate licence. Nothing in "
            "this project requires them."
        )
    else:
        systems = {key[1] for key in groups}
        notice = " ".join(
            text for mark, text in ((SNOMED, SNOMED_NOTICE), ("http://loinc.org", LOINC_NOTICE)) if mark in systems
        )
    resource = head("ConceptMap", name, title, f"{title}.", notice or None)
    resource["group"] = [
        {
            "source": system(source),
            "target": target_system,
            "element": [
                {"code": code, "display": display(source, code), "target": targets}
                for code, targets in elements.items()
            ],
        }
        for (source, target_system), elements in groups.items()
    ]
    return resource


def translations(optional):
    for row in ROWS:
        for text in members(row["translations"], ";"):
            if (OPTIONAL in text) != optional:
                continue
            target_system, code = text.split(" (")[0].split("|")
            equivalence = "narrower" if code in NARROWER else "equivalent"
            # R4 asks for a comment wherever a map is narrower (cmd-1).
            comment = WIDER.get(code, NARROWER.get(code))
            if code in WIDER:
                equivalence = "wider"
            if WEAK in text:
                equivalence = "relatedto"
                comment = "Seen in one weak source only, so it is never read as the local code."
            yield row["system"], row["code"], target_system, code, equivalence, comment
            if row["system"] == "foot-site" and row["role"] == "site":
                for side in SIDES:
                    comment = "The standard code does not say which side."
                    yield row["system"], f"{side}-{row['code']}", target_system, code, "wider", comment


# ---- profiles ---------------------------------------------------------------------------------------------------

PROFILES = {}


def profile(name, title, description, base, resource_type, elements, abstract=False):
    resource = head("StructureDefinition", name, title, description)
    resource |= {
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": abstract,
        "type": resource_type,
        "baseDefinition": base,
        "derivation": "constraint",
        "differential": {"element": elements},
    }
    PROFILES[name] = resource


def element(ident, **rules):
    path = ".".join(step.split(":")[0] for step in ident.split("."))
    entry = {"id": ident, "path": path}
    last = ident.split(".")[-1]
    if ":" in last:
        entry["sliceName"] = last.split(":")[1]
    return entry | rules


def coding(system_name, code):
    return {"coding": [{"system": system(system_name), "code": code}]}


def binding(value_set_url, strength="required"):
    return {"strength": strength, "valueSet": value_set_url}


def reference(*types):
    return [{"code": "Reference", "targetProfile": [f"{FHIR_BASE}/{name}" for name in types]}]


def quantity_rules(unit):
    """What a Quantity of this unit must say: the one code, or one of those that are converted."""
    if unit not in UNITS:
        return {"patternQuantity": {"system": UCUM, "code": unit}}
    name, title, others = UNITS[unit]
    codes = [{"code": code} for code in [unit, *others]]
    return {"binding": binding(value_set(name, title, {"system": UCUM, "concept": codes}))}


def value_elements(path, row, results):
    """What `value[x]` at `path` may be for a test or a component."""
    types = value_types(row)
    choice = f"{path}.value[x]"
    unit = quantity_rules(row["unit"])
    if types == ["CodeableConcept"]:
        return [element(choice, type=[{"code": "CodeableConcept"}], binding=binding(results))]
    if types == ["Quantity"]:
        return [element(choice, type=[{"code": "Quantity"}], **unit)]
    slicing = {"discriminator": [{"type": "type", "path": "$this"}], "ordered": False, "rules": "open"}
    elements = [element(choice, slicing=slicing, type=[{"code": name} for name in types])]
    if "CodeableConcept" in types:
        elements.append(
            element(
                f"{choice}:valueCodeableConcept", type=[{"code": "CodeableConcept"}], binding=binding(results)
            )
        )
    if "Quantity" in types:
        elements.append(element(f"{choice}:valueQuantity", type=[{"code": "Quantity"}], **unit))
    return elements


def finding_profiles(row):
    test = row["code"]
    title = row["display"]
    grouped = row["value_kind"] == "components"
    results = None
    if result_codes(row):
        results = value_set(f"foot-{test}-results", f"Results of: {title}", include("foot-result", result_codes(row)))
    elements = [element("Observation"), element("Observation.code", patternCodeableConcept=coding("foot-test", test))]
    scope = row["belongs_to"]
    sided_sites = sided(sites_of(test))
    if scope == "person":
        elements.append(element("Observation.bodySite", max="0"))
    elif scope == "side":
        elements.append(element("Observation.bodySite", min=1, binding=binding(url("ValueSet", "foot-sides"))))
    else:
        sides = ["left-foot", "right-foot"] if scope == "side-or-site" else []
        places = value_set(f"foot-{test}-sites", f"Where: {title}", include("foot-site", sides + sided_sites))
        elements.append(element("Observation.bodySite", min=1, binding=binding(places)))
    if grouped:
        components = value_set(
            f"foot-{test}-components",
            f"Components of: {title}",
            include("foot-site", sites_of(test) if scope != "site" and test != "skin" else []),
            include("foot-test", findings_of(test)),
        )
        elements.append(element("Observation.value[x]", max="0"))
        own = [BY_CODE[("foot-test", code)] for code in findings_of(test)]
        mixed = not value_types(row)
        if mixed:
            slicing = {"discriminator": [{"type": "pattern", "path": "code"}], "ordered": False, "rules": "open"}
            elements.append(element("Observation.component", slicing=slicing))
        elements.append(element("Observation.component.code", binding=binding(components)))
        if mixed:
            for finding in own:
                where = f"Observation.component:{finding['code']}"
                elements.append(element(where))
                code = coding("foot-test", finding["code"])
                elements.append(element(f"{where}.code", patternCodeableConcept=code))
                values = None
                if result_codes(finding):
                    values = value_set(
                        f"foot-{finding['code']}-results",
                        f"Results of: {finding['display'].split(':')[0]}",
                        include("foot-result", result_codes(finding)),
                    )
                elements += value_elements(where, finding, values)
        else:
            elements += value_elements("Observation.component", row, results)
    else:
        elements += value_elements("Observation", row, results)
        elements.append(element("Observation.component", max="0"))
    form = "one Observation for each foot" if scope != "person" else "one Observation for the person"
    if scope in ("site", "side-or-site"):
        form = "one Observation for each place"
    description = f"{title}: {form}, with {'a component for each result' if grouped else 'the result as its value'}."
    finding = url("StructureDefinition", "foot-finding")
    profile(f"foot-{test}", title, description, finding, "Observation", elements)
    if test in SINGLE_SITE:
        places = value_set(f"foot-{test}-sites", f"Sided sites of: {title}", include("foot-site", sided_sites))
        elements = [
            element("Observation"),
            element("Observation.code", patternCodeableConcept=coding("foot-test", test)),
            element("Observation.bodySite", min=1, binding=binding(places)),
            *value_elements("Observation", row, results),
            element("Observation.component", max="0"),
        ]
        description = f"{title} at a single site: one Observation for each site, with the result as its value."
        profile(f"foot-{test}-site", f"{title}, single site", description, finding, "Observation", elements)


def shared_profiles():
    category = [
        element(
            "Observation.category",
            slicing={"discriminator": [{"type": "pattern", "path": "$this"}], "ordered": False, "rules": "open"},
            min=1,
        ),
        element(
            "Observation.category:exam",
            min=1,
            max="1",
            patternCodeableConcept={"coding": [{"system": CATEGORY, "code": "exam"}]},
        ),
    ]
    profile(
        "foot-finding",
        "Foot finding",
        "What every finding of a foot examination has in common.",
        f"{FHIR_BASE}/Observation",
        "Observation",
        [
            element("Observation"),
            *category,
            element("Observation.code", binding=binding(url("ValueSet", "foot-tests"))),
            element("Observation.subject", min=1, type=reference("Patient")),
        ],
        abstract=True,
    )
    profile(
        "foot-exam",
        "Foot examination",
        "The panel of a foot examination: who was examined, when and by whom, and the findings.",
        f"{FHIR_BASE}/Observation",
        "Observation",
        [
            element("Observation"),
            element("Observation.identifier", min=1),
            element("Observation.identifier.system", min=1),
            element("Observation.identifier.value", min=1),
            *category,
            element("Observation.code", patternCodeableConcept=coding("foot-test", "foot-exam")),
            element("Observation.subject", min=1, type=reference("Patient")),
            element("Observation.effective[x]", min=1, type=[{"code": "dateTime"}]),
            element("Observation.performer", min=1),
            element("Observation.value[x]", max="0"),
            element("Observation.hasMember", type=reference("Observation")),
        ],
    )


def derived_profiles():
    value_set(
        "foot-guidelines",
        "Guidelines of foot risk",
        include("foot-risk", [row["code"] for row in rows_of("foot-risk", "guideline")]),
    )
    value_set(
        "foot-risk-categories",
        "Categories of foot risk",
        include("foot-risk", [row["code"] for row in rows_of("foot-risk", "category")]),
    )
    value_set(
        "foot-risk-outcomes",
        "Outcomes at risk",
        include("foot-risk", [row["code"] for row in rows_of("foot-risk", "outcome")]),
    )
    value_set(
        "foot-assessment-status",
        "Status of a foot risk assessment",
        {
            "system": "http://hl7.org/fhir/observation-status",
            "concept": [{"code": code} for code in ASSESSMENT_STATUS],
        },
    )
    assessment_code = {"coding": [{"system": SNOMED, "code": "394683006"}]}
    profile(
        "foot-risk-assessment",
        "Foot risk assessment",
        "The risk category of one guideline, or the lowest and highest that are still possible.",
        f"{FHIR_BASE}/RiskAssessment",
        "RiskAssessment",
        [
            element("RiskAssessment"),
            element("RiskAssessment.identifier", min=1),
            element("RiskAssessment.identifier.system", min=1),
            element("RiskAssessment.identifier.value", min=1),
            element("RiskAssessment.status", binding=binding(url("ValueSet", "foot-assessment-status"))),
            element("RiskAssessment.method", min=1, binding=binding(url("ValueSet", "foot-guidelines"))),
            element("RiskAssessment.code", min=1, patternCodeableConcept=assessment_code),
            element("RiskAssessment.subject", type=reference("Patient")),
            element("RiskAssessment.occurrence[x]", min=1, type=[{"code": "dateTime"}]),
            element("RiskAssessment.basis", type=reference("Observation", "Condition", "Procedure")),
            element("RiskAssessment.prediction", max="2"),
            element(
                "RiskAssessment.prediction.outcome", min=1, binding=binding(url("ValueSet", "foot-risk-outcomes"))
            ),
            element("RiskAssessment.prediction.probability[x]", type=[{"code": "decimal"}]),
            element(
                "RiskAssessment.prediction.qualitativeRisk", binding=binding(url("ValueSet", "foot-risk-categories"))
            ),
        ],
    )
    request = [
        element("ServiceRequest"),
        element("ServiceRequest.identifier", min=1),
        element("ServiceRequest.identifier.system", min=1),
        element("ServiceRequest.identifier.value", min=1),
        element("ServiceRequest.intent", fixedCode="proposal"),
    ]
    profile(
        "foot-recall",
        "Foot examination recall",
        "A proposal to examine the feet again within a window.",
        f"{FHIR_BASE}/ServiceRequest",
        "ServiceRequest",
        [
            *request,
            element("ServiceRequest.code", min=1, patternCodeableConcept={"coding": [{"system": SNOMED, "code": "401191002"}]}),
            element("ServiceRequest.subject", type=reference("Patient")),
            element("ServiceRequest.occurrence[x]", min=1, type=[{"code": "Period"}]),
            element("ServiceRequest.authoredOn", min=1),
        ],
    )
    profile(
        "foot-referral",
        "Foot referral",
        "A proposal to refer, with how urgent it is and until when.",
        f"{FHIR_BASE}/ServiceRequest",
        "ServiceRequest",
        [
            *request,
            element("ServiceRequest.priority", min=1),
            element("ServiceRequest.code", min=1),
            element("ServiceRequest.subject", type=reference("Patient")),
            element("ServiceRequest.occurrence[x]", min=1, type=[{"code": "Period"}]),
        ],
    )


# ---- files ------------------------------------------------------------------------------------------------------


def build():
    """Every file to write: its path below this folder, and its text."""
    value_set("foot-tests", "Tests of a foot examination", include("foot-test", [row["code"] for row in TESTS]))
    value_set("foot-sides", "Left or right foot", include("foot-site", ["left-foot", "right-foot"]))
    shared_profiles()
    for row in TESTS:
        finding_profiles(row)
    derived_profiles()

    files = {}
    shipped = []

    def put(folder, resource):
        shipped.append(resource)
        text = json.dumps(resource, indent=2, ensure_ascii=False) + "\n"
        files[f"{folder}/{resource['id']}.json"] = text

    for name in TITLES:
        put("code-systems", code_system(name))
    for resource in VALUE_SETS.values():
        put("value-sets", resource)
    free = list(translations(optional=False))
    for name in TITLES:
        rows = [row for row in free if row[0] == name]
        put("concept-maps", concept_map(f"{name}-map", f"{TITLES[name]}, in standard codes", rows, optional=False))
    rows = list(translations(optional=True))
    title = "Foot examination: standard codes outside the free sets"
    put("concept-maps", concept_map("foot-optional-map", title, rows, optional=True))
    for resource in PROFILES.values():
        put("structure-definitions", resource)
    embedded = {
        "embedded_terminology.rs": (
            "TERMINOLOGY",
            "The shipped code systems, value sets and concept maps: path and text.",
            ("code-systems", "value-sets", "concept-maps"),
        ),
        "embedded_profiles.rs": ("PROFILES", "The shipped profiles: path and text.", ("structure-definitions",)),
    }
    files |= {name: listing(files, *content) for name, content in embedded.items()}
    files["terminology_tables.rs"] = tables(shipped)
    files["SOURCES.md"] = sources(files)
    return files


def listing(files, name, text, folders):
    """A Rust list that compiles files into the library."""
    paths = [path for path in files if path.split("/")[0] in folders]
    lines = [f'    ("{path}", include_str!("{path}")),' for path in paths]
    opening = ["// Written by generate.py. Do not edit.", "", f"/// {text}", f"pub(super) static {name}: &[(&str, &str)] = &["]
    return "\n".join([*opening, *lines, "];", ""])


def rust(value):
    """A value as a Rust constant: texts, and lists of what is alike."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple):
        return f"({', '.join(rust(part) for part in value)})"
    return f"&[{', '.join(rust(part) for part in value)}]"


def tables(resources):
    """The code systems, value sets and concept maps as Rust tables, so that nothing has to be parsed to use them."""
    systems, value_sets, maps = [], [], []
    for resource in resources:
        if resource["resourceType"] == "CodeSystem":
            concepts = [
                (entry["code"], entry["display"], [property_text(item) for item in entry["property"]])
                for entry in resource["concept"]
            ]
            systems.append((resource["url"], concepts))
        elif resource["resourceType"] == "ValueSet":
            parts = resource["compose"]["include"]
            codes = [(part["system"], [entry["code"] for entry in part["concept"]]) for part in parts]
            value_sets.append((resource["url"], resource["title"], resource["version"], codes))
        elif resource["resourceType"] == "ConceptMap":
            groups = resource["group"]
            maps += [(resource["url"], group["source"], group["target"], list(mapped(group))) for group in groups]

    def table(name, kind, text, rows):
        lines = [f"/// {text}", f"pub(super) static {name}: &[{kind}] = &["]
        for *head, items in rows:
            lines.append("    (" + "".join(f"{rust(part)}, " for part in head) + "&[")
            lines += [f"        {rust(item)}," for item in items]
            lines.append("    ]),")
        return "\n".join([*lines, "];", ""])

    return "\n".join([
        "// Written by generate.py. Do not edit.",
        "",
        table("CODE_SYSTEMS", "SystemRow", "The shipped code systems.", systems),
        table("VALUE_SETS", "ValueSetRow", "The shipped value sets.", value_sets),
        table("CONCEPT_MAPS", "MapRow", "The groups of the shipped concept maps.", maps),
    ])


def property_text(item):
    """A property of a concept: its name, and its value as a text."""
    value = next(value for key, value in item.items() if key.startswith("value"))
    return item["code"], value if isinstance(value, str) else json.dumps(value)


def mapped(group):
    for entry in group["element"]:
        for target in entry["target"]:
            yield entry["code"], target["code"], target.get("display", ""), target["equivalence"]


def sources(files):
    template = (HERE / "sources-head.md").read_text(encoding="utf-8")
    digests = {path: hashlib.sha256(text.encode("utf-8")).hexdigest() for path, text in files.items()}
    for path in ("exam-codes.csv", "standard-codes.csv"):
        digests[path] = hashlib.sha256((HERE / path).read_bytes()).hexdigest()
    rows = [f"| {path} | `{digest}` |" for path, digest in sorted(digests.items())]
    return "\n".join([template.rstrip("\n"), "", "| file | SHA-256 |", "|---|---|", *rows, ""])


FOLDERS = ("code-systems", "value-sets", "concept-maps", "structure-definitions")


def main():
    files = build()
    stale = {
        str(path.relative_to(HERE).as_posix()) for folder in FOLDERS for path in (HERE / folder).glob("*.json")
    } - set(files)
    differing = sorted(stale)
    for path, text in files.items():
        target = HERE / path
        if not target.exists() or target.read_bytes() != text.encode("utf-8"):
            differing.append(path)
    if "--check" in sys.argv[1:]:
        for path in differing:
            print(f"differs: {path}")
        sys.exit(1 if differing else 0)
    for path in stale:
        (HERE / path).unlink()
    for path, text in files.items():
        target = HERE / path
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(text.encode("utf-8"))
    print(f"{len(files)} files, {len(differing)} changed")


if __name__ == "__main__":
    main()
