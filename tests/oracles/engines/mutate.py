"""Seeded mutations of sound resources. Each kind says what must come of it: "refuse", "accept", or None for unknown.

A mutation takes (random, resource, objects, sites), changes the resource in place and gives a place (a JSON Pointer)
or, for a change that no parsed form can carry, a function over the text. None: it has nothing to act on here.
"""

import json

import tables

KINDS = {}


def kind(name, expect="refuse", weight=1):
    def register(function):
        KINDS[name] = (function, expect, weight)
        return function

    return register


def pick(random, items):
    items = list(items)
    return random.choice(items) if items else None


def single(site):
    return not isinstance(site.value, list)


def primitives(sites, *types):
    return [
        site for site in sites
        if tables.is_primitive(site.use.code) and (not types or site.use.code in types) and site.value is not None
    ]


def complexes(sites):
    return [site for site in sites if not tables.is_primitive(site.use.code) and site.use.code != "xhtml"]


def rename(holder, old, new):
    """Renames a key in its place."""
    entries = [(new if key == old else key, value) for key, value in holder.items()]
    holder.clear()
    holder.update(entries)


# --- elements: too few, too many, unknown -----------------------------------------------------------------------


@kind("remove-required", weight=4)
def remove_required(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if site.element.min > 0])
    if site is None:
        return None
    del site.holder[site.key]
    site.holder.pop("_" + site.key, None)
    return site.pointer.rsplit("/", 1)[0]


@kind("remove-any", expect=None, weight=6)
def remove_any(random, _resource, _objects, sites):
    site = pick(random, sites)
    del site.holder[site.key]
    site.holder.pop("_" + site.key, None)
    return site.pointer


@kind("add-unknown", weight=3)
def add_unknown(random, _resource, objects, _sites):
    target = pick(random, objects)
    name = random.choice(["colour", "valueFoo", "fhir_comments", "Status", "extensions", "value_string"])
    target.value[name] = random.choice(["x", 1, True, {"text": "x"}, ["x"]])
    return f"{target.pointer}/{name}"


@kind("element-of-another-type", weight=2)
def element_of_another_type(random, _resource, objects, _sites):
    target = pick(random, objects)
    foreign = random.choice(["birthDate", "component", "coding", "numerator", "linkId", "doseQuantity"])
    if foreign in tables.properties(target.type):
        return None
    target.value[foreign] = {"birthDate": "2001-01-01", "linkId": "a"}.get(foreign, [{"text": "x"}])
    return f"{target.pointer}/{foreign}"


@kind("misspelt-name", weight=2)
def misspelt_name(random, _resource, _objects, sites):
    site = pick(random, sites)
    name = random.choice([site.key.upper(), site.key[:-1] or "q", site.key + "s", site.key[:1].upper() + site.key[1:]])
    if name in tables.properties(site.holder_type) or name in site.holder:
        return None
    rename(site.holder, site.key, name)
    return site.pointer.rsplit("/", 1)[0] + "/" + name


@kind("two-choices", weight=3)
def two_choices(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if site.element.name.endswith("[x]")])
    if site is None:
        return None
    offered = {"string": "x", "boolean": True, "dateTime": "2020-01-01", "integer": 1, "decimal": 1.5, "date": "2020-01-01",
               "uri": "a:b", "CodeableConcept": {"text": "x"}, "Period": {"start": "2020"}, "Quantity": {"value": 1},
               "Reference": {"display": "x"}, "Age": {"value": 1, "code": "a", "system": "http://unitsofmeasure.org"}}
    other = pick(random, [use.code for use in site.element.types if use.code in offered and use.code != site.use.code])
    if other is None:
        return None
    name = site.element.property_name(other)
    site.holder[name] = offered[other]
    return site.pointer.rsplit("/", 1)[0]


@kind("choice-of-wrong-type")
def choice_of_wrong_type(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if site.element.name.endswith("[x]") and site.holder_type != "Extension"])
    if site is None:
        return None
    allowed = {use.code for use in site.element.types}
    wrong = pick(random, sorted({"Money", "base64Binary", "Attachment", "HumanName", "oid"} - allowed))
    if wrong is None:
        return None
    values = {"base64Binary": "AAAA", "oid": "urn:oid:1.2"}
    del site.holder[site.key]
    site.holder.pop("_" + site.key, None)
    name = site.element.property_name(wrong)
    site.holder[name] = values.get(wrong, {"id": "x"})
    return site.pointer.rsplit("/", 1)[0]


# --- shape --------------------------------------------------------------------------------------------------------


@kind("array-for-single", weight=3)
def array_for_single(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if single(site)])
    site.holder[site.key] = [site.value]
    return site.pointer


@kind("single-for-array", weight=3)
def single_for_array(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if not single(site) and "_" + site.key not in site.holder])
    if site is None:
        return None
    site.holder[site.key] = site.value[0]
    return site.pointer


@kind("array-in-array")
def array_in_array(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if not single(site)])
    if site is None:
        return None
    site.value[0] = [site.value[0]]
    return site.pointer


@kind("primitive-for-object", weight=3)
def primitive_for_object(random, _resource, _objects, sites):
    site = pick(random, complexes(sites))
    if site is None:
        return None
    site.put_first(random.choice(["x", 1, True]))
    return site.pointer


@kind("object-for-primitive", weight=2)
def object_for_primitive(random, _resource, _objects, sites):
    site = pick(random, primitives(sites))
    site.put_first({"value": site.first()})
    return site.pointer


@kind("wrong-json-form", weight=4)
def wrong_json_form(random, _resource, _objects, sites):
    site = pick(random, primitives(sites))
    form = tables.form(site.use.code)
    value = site.first()
    if form == "string":
        site.put_first(random.choice([1, 1.5, True]))
    elif form == "number":
        site.put_first(random.choice([str(value), True]))
    else:
        site.put_first(random.choice([str(value).lower(), 1, 0]))
    return site.pointer


@kind("null-value", weight=2)
def null_value(random, _resource, _objects, sites):
    site = pick(random, sites)
    site.holder[site.key] = None
    return site.pointer


@kind("null-in-array", weight=2)
def null_in_array(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if not single(site) and "_" + site.key not in site.holder])
    if site is None:
        return None
    site.value.insert(random.randint(0, len(site.value)), None)
    return site.pointer


@kind("empty-array", weight=2)
def empty_array(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if not single(site)])
    if site is None:
        return None
    site.value.clear()
    return site.pointer


@kind("empty-array-added", weight=2)
def empty_array_added(random, _resource, objects, _sites):
    target = pick(random, objects)
    free = [element.name for element in tables.elements(target.type)
            if element.repeats() and element.name not in target.value and not element.name.endswith("[x]")]
    name = pick(random, free)
    if name is None:
        return None
    target.value[name] = []
    return f"{target.pointer}/{name}"


@kind("empty-object", weight=2)
def empty_object(random, _resource, _objects, sites):
    site = pick(random, complexes(sites))
    if site is None:
        return None
    site.put_first({})
    return site.pointer


@kind("only-an-id", weight=2)
def only_an_id(random, _resource, _objects, sites):
    optional = [site for site in complexes(sites) if site.use.code != "Resource" and not any(
        element.min for element in tables.elements(site.use.code))]
    site = pick(random, optional)
    if site is None:
        return None
    site.put_first({"id": "a"})
    return site.pointer


@kind("empty-string", weight=2)
def empty_string(random, _resource, _objects, sites):
    site = pick(random, [site for site in primitives(sites) if tables.form(site.use.code) == "string"])
    site.put_first("")
    return site.pointer


@kind("blank-string", weight=2)
def blank_string(random, _resource, _objects, sites):
    site = pick(random, [site for site in primitives(sites) if tables.form(site.use.code) == "string"])
    site.put_first(random.choice([" ", "\t", "  \n "]))
    return site.pointer


@kind("resource-type-in-data-type")
def resource_type_in_data_type(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if "resourceType" not in item.value])
    if target is None:
        return None
    target.value["resourceType"] = random.choice(["Quantity", "Patient", target.type.split(".")[0]])
    return target.pointer


# --- primitives ---------------------------------------------------------------------------------------------------

BAD = {
    "base64Binary": ["A", "A===", "AAA$", "====="[:3]],
    "boolean": ["True", "yes"],
    "canonical": ["http://a b", "x y"],
    "code": [" a", "a ", "a  b", "a\tb\t", "a\u0001"],
    "date": ["2023-02-30", "2023-13", "2023-1-1", "20230101", "2023-04-31", "2023-02-29", "2023-01-01T10:00:00Z", "0000",
             "2023-", "23-01-01", "2023-00-10", " 2023"],
    "dateTime": ["2023-02-30T10:00:00Z", "2023-01-01T10:00:00", "2023-01-01T10:00Z", "2023-01-01T24:00:00Z",
                 "2023-01-01T10:60:00Z", "2023-01-01 10:00:00Z", "2023-01-01T10:00:00+14:01", "2023-01-01T10:00:00z",
                 "2023-01-01T10:00:00.Z", "2023-1", "2023-02-29", "2023-01-01T10Z", "2023-01-01T10:00:00+1:00"],
    "id": ["a_b", "a" * 65, "a b", "a/b", "\u00e4"],
    "instant": ["2023", "2023-01-01", "2023-01-01T10:00:00", "2023-02-30T10:00:00Z", "2023-01-01T10:00Z",
                "2023-01-01T24:00:00Z", "2023-01-01T10:00:00+15:00"],
    "integer": [1.5, 2147483648, -2147483649, 10**20],
    "unsignedInt": [-1, 1.5, 2147483648],
    "positiveInt": [0, -1, 1.5, 2147483648],
    "oid": ["1.2.3", "urn:oid:3.1", "urn:oid:1", "urn:oid:1.02", "urn:uuid:1"],
    "string": ["a\u0001", "\u0000", "a\u001fb", "a\u0008"],
    "markdown": ["a\u0001", "\u0002"],
    "time": ["24:00:00", "10:00", "10:00:00Z", "1:00:00", "10:60:00", "10:00:61"],
    "uri": ["a b", " a", "http://a\tb", "a\nb"],
    "url": ["http://a b", "a "],
    "uuid": ["urn:uuid:C757873D-EC9A-4326-A141-556F43239520", "c757873d-ec9a-4326-a141-556f43239520", "urn:uuid:1"],
}


@kind("bad-primitive", weight=16)
def bad_primitive(random, _resource, _objects, sites):
    by_type = {}
    for site in primitives(sites):
        if BAD.get(site.use.code) and not site.use.plain:
            by_type.setdefault(site.use.code, []).append(site)
    if not by_type:
        return None
    code = random.choice(sorted(by_type))
    site = random.choice(by_type[code])
    site.put_first(random.choice(BAD[code]))
    return site.pointer, code


@kind("bad-primitive-text", weight=3)
def bad_primitive_text(random, _resource, _objects, sites):
    """Numbers that a parser would change before anybody could judge them."""
    site = pick(random, primitives(sites, "decimal", "integer", "positiveInt", "unsignedInt"))
    if site is None:
        return None
    texts = ["01", "1.", ".5", "+1", "NaN", "Infinity", "0x1"]
    if site.use.code != "decimal":
        texts = ["1.0", "1e0", "-0.0", "10e-1"]
    site.put_first("@@number@@")
    written = random.choice(texts)
    return lambda text: text.replace('"@@number@@"', written, 1), site.use.code


@kind("bad-plain-id", weight=2)
def bad_plain_id(random, resource, objects, _sites):
    target = pick(random, [item for item in objects if "resourceType" in item.value])
    target.value["id"] = random.choice(["a_b", "a" * 65, "a b", "", "a/b", 5])
    return f"{target.pointer}/id"


@kind("bad-extension-url")
def bad_extension_url(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if item.type == "Extension"])
    if target is None:
        return None
    target.value["url"] = random.choice(["", "a b", 1, None])
    return f"{target.pointer}/url"


@kind("bad-code", weight=5)
def bad_code(random, _resource, _objects, sites):
    bound = [site for site in primitives(sites, "code") if site.element.binding and tables.codes(site.element.binding)]
    site = pick(random, bound)
    if site is None:
        return None
    value = site.first()
    wrong = random.choice(["nosuchcode", value.upper(), value + "s", value[:-1] or "q", value.capitalize()])
    if wrong in tables.codes(site.element.binding):
        return None
    site.put_first(wrong)
    return site.pointer


@kind("bad-code-of-concept", weight=2)
def bad_code_of_concept(random, _resource, _objects, sites):
    """A required binding on a CodeableConcept or Coding: a code of the right system that it does not have."""
    bound = [site for site in sites if site.use.code in ("CodeableConcept", "Coding") and site.element.binding
             and tables.codes(site.element.binding)]
    site = pick(random, bound)
    if site is None:
        return None
    concept = site.first()
    codings = concept.get("coding", []) if site.use.code == "CodeableConcept" else [concept]
    for coding in codings:
        coding["code"] = "nosuchcode"
    return site.pointer if codings else None


# --- companions ---------------------------------------------------------------------------------------------------

ABSENT = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}


def companionable(sites):
    return [site for site in primitives(sites) if not site.use.plain and "_" + site.key not in site.holder]


@kind("companion-of-wrong-shape", weight=2)
def companion_of_wrong_shape(random, _resource, _objects, sites):
    site = pick(random, companionable(sites))
    if site is None:
        return None
    wrong = random.choice(["x", 1, {"value": "x"}, {}, {"url": "a:b"}])
    site.holder["_" + site.key] = wrong if single(site) else [wrong]
    return site.pointer.rsplit("/", 1)[0]


@kind("companion-array-mismatch", weight=2)
def companion_array_mismatch(random, _resource, _objects, sites):
    site = pick(random, companionable(sites))
    if site is None:
        return None
    if single(site):
        site.holder["_" + site.key] = [dict(ABSENT)]
    else:
        longer = [None] * len(site.value) + [None]
        site.holder["_" + site.key] = random.choice([dict(ABSENT), longer, [], [False] * len(site.value)])
    return site.pointer.rsplit("/", 1)[0]


@kind("companion-all-null", expect=None)
def companion_all_null(random, _resource, _objects, sites):
    """Unknown: R4 says that a null stands for an item without companion, and not that one of them must have one."""
    site = pick(random, [site for site in companionable(sites) if not single(site)])
    if site is None:
        return None
    site.holder["_" + site.key] = [None] * len(site.value)
    return site.pointer


@kind("companion-of-object")
def companion_of_object(random, _resource, _objects, sites):
    site = pick(random, complexes(sites))
    if site is None:
        return None
    site.holder["_" + site.key] = {"id": "a"} if single(site) else [{"id": "a"}]
    return site.pointer.rsplit("/", 1)[0]


@kind("companion-of-extension-url")
def companion_of_extension_url(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if item.type == "Extension"])
    if target is None:
        return None
    target.value["_url"] = {"id": "a"}
    return target.pointer


# --- references, contained, Bundle --------------------------------------------------------------------------------


@kind("bad-reference-target", weight=4)
def bad_reference_target(random, _resource, _objects, sites):
    narrowed = [site for site in sites if site.use.code == "Reference" and site.use.targets
                and "Resource" not in site.use.targets]
    site = pick(random, narrowed)
    if site is None:
        return None
    wrong = pick(random, sorted({"Binary", "Account", "Patient", "Observation", "Location"} - set(site.use.targets)))
    site.put_first({"reference": f"{wrong}/a"})
    return site.pointer


@kind("fragment-to-nothing", weight=2)
def fragment_to_nothing(random, _resource, _objects, sites):
    site = pick(random, [site for site in sites if site.use.code == "Reference"])
    if site is None:
        return None
    site.put_first({"reference": "#nowhere"})
    return site.pointer


def domain(objects, depth=None):
    return [item for item in objects if item.value.get("resourceType") not in (None, "Bundle", "Parameters", "Binary")
            and (depth is None or item.depth == depth)]


CONTAINED_FAULTS = {
    "without-id": lambda inner: inner.pop("id"),
    "without-type": lambda inner: inner.pop("resourceType"),
    "of-unknown-type": lambda inner: inner.update(resourceType="Patiente"),
    "with-contained": lambda inner: inner.update(contained=[{"resourceType": "Patient", "id": "y", "active": True}]),
    "with-version": lambda inner: inner.update(meta={"versionId": "1"}),
    "with-security": lambda inner: inner.update(meta={"security": [{"code": "R"}]}),
    "with-unknown-property": lambda inner: inner.update(colour="red"),
    "with-bad-value": lambda inner: inner.update(birthDate="yesterday"),
    "empty": lambda inner: inner.clear(),
}


@kind("contained", weight=5)
def contained(random, _resource, objects, _sites):
    target = pick(random, [item for item in domain(objects) if not item.pointer.count("/contained")])
    if target is None:
        return None
    inner = {"resourceType": "Patient", "id": "inner1", "active": True}
    fault = random.choice(sorted(CONTAINED_FAULTS))
    CONTAINED_FAULTS[fault](inner)
    target.value.setdefault("contained", []).append(inner)
    extension = {"url": "https://harbourlane.example/link", "valueReference": {"reference": "#inner1"}}
    target.value.setdefault("extension", []).append(extension)
    return target.pointer, fault


@kind("contained-orphan", weight=2)
def contained_orphan(random, _resource, objects, _sites):
    target = pick(random, [item for item in domain(objects) if not item.pointer.count("/contained")])
    if target is None:
        return None
    target.value.setdefault("contained", []).append({"resourceType": "Patient", "id": "orphan", "active": True})
    return target.pointer


@kind("contained-id-twice")
def contained_id_twice(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if item.value.get("contained")])
    if target is None:
        return None
    target.value["contained"].append(json.loads(json.dumps(target.value["contained"][0])))
    return target.pointer


@kind("resource-type", weight=2)
def resource_type(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if "resourceType" in item.value])
    wrong = random.choice(["Patiente", "patient", "Resource", "DomainResource", "Quantity", "", 1, None, "gone"])
    if wrong == "gone":
        del target.value["resourceType"]
    else:
        target.value["resourceType"] = wrong
    return target.pointer


@kind("duplicate-full-url", weight=12)
def duplicate_full_url(random, resource, _objects, _sites):
    entries = [entry for entry in resource.get("entry", []) if "fullUrl" in entry and "resource" in entry]
    if resource["resourceType"] != "Bundle" or len(entries) < 1 or resource.get("type") == "history":
        return None
    resource["entry"].append(json.loads(json.dumps(random.choice(entries))))
    return ""


@kind("full-url-mismatch", weight=10)
def full_url_mismatch(random, resource, _objects, _sites):
    if resource["resourceType"] != "Bundle":
        return None
    entry = pick(random, [entry for entry in resource.get("entry", []) if "id" in entry.get("resource", {})])
    if entry is None:
        return None
    entry["fullUrl"] = f"https://harbourlane.example/fhir/{entry['resource']['resourceType']}/another"
    return ""


@kind("relative-full-url", weight=8)
def relative_full_url(random, resource, _objects, _sites):
    if resource["resourceType"] != "Bundle" or not resource.get("entry"):
        return None
    entry = random.choice(resource["entry"])
    inner = entry.get("resource", {})
    entry["fullUrl"] = f"{inner.get('resourceType', 'Patient')}/{inner.get('id', 'x')}"
    return ""


# --- invariants ---------------------------------------------------------------------------------------------------


def _on(*types):
    return lambda objects: [item for item in objects if item.type in types]


UCUM = "http://unitsofmeasure.org"
HTML = '<div xmlns="http://www.w3.org/1999/xhtml">'
BREACHES = {
    "obs-6": (_on("Observation"), lambda o: "value" in "".join(key[:5] for key in o) and o.update(
        dataAbsentReason={"text": "x"})),
    "obs-3": (_on("Observation"), lambda o: o.update(referenceRange=[{"type": {"text": "x"}}])),
    "obs-7": (_on("Observation"), lambda o: "code" in o and any(k.startswith("value") for k in o) and o.update(
        component=[{"code": o["code"]}])),
    "per-1": (_on("Period"), lambda o: o.update(start="2020-05-02", end="2020-05-01")),
    "qty-3": (_on("Quantity", "SimpleQuantity"), lambda o: (o.pop("system", None), o.update(code="mm"))),
    "sqty-1": (_on("SimpleQuantity"), lambda o: o.update(comparator="<")),
    "rng-2": (_on("Range"), lambda o: o.update(low={"value": 5}, high={"value": 4})),
    "rat-1": (_on("Ratio"), lambda o: o.pop("denominator", None) and o.setdefault("numerator", {"value": 1})),
    "att-1": (_on("Attachment"), lambda o: (o.pop("contentType", None), o.update(data="AAAA"))),
    "cpt-2": (_on("ContactPoint"), lambda o: (o.pop("system", None), o.update(value="1"))),
    "ext-1-none": (_on("Extension"), lambda o: [o.pop(key) for key in list(o) if key.startswith("value") or key == "extension"]),
    "ext-1-both": (_on("Extension"), lambda o: "extension" not in o and o.update(
        extension=[{"url": "a:b", "valueBoolean": True}])),
    "pat-1": (_on("Patient"), lambda o: o.update(contact=[{"gender": "male"}])),
    "txt-1-script": (_on("Narrative"), lambda o: o.update(div=HTML + "<script>x</script>a</div>")),
    "txt-1-event": (_on("Narrative"), lambda o: o.update(div=HTML + '<p onclick="x">a</p></div>')),
    "txt-1-form": (_on("Narrative"), lambda o: o.update(div=HTML + "<form><p>a</p></form></div>")),
    "txt-1-unclosed": (_on("Narrative"), lambda o: o.update(div=HTML + "<p>a</div>")),
    "txt-1-namespace": (_on("Narrative"), lambda o: o.update(div="<div>a</div>")),
    "txt-1-root": (_on("Narrative"), lambda o: o.update(div='<p xmlns="http://www.w3.org/1999/xhtml">a</p>')),
    "txt-2": (_on("Narrative"), lambda o: o.update(div=HTML + " <p> </p></div>")),
    "tim-1": (_on("Timing.repeat"), lambda o: (o.pop("durationUnit", None), o.update(duration=1))),
    "tim-2": (_on("Timing.repeat"), lambda o: (o.pop("periodUnit", None), o.update(period=1))),
    "tim-4": (_on("Timing.repeat"), lambda o: o.update(duration=-1, durationUnit="s")),
    "tim-5": (_on("Timing.repeat"), lambda o: o.update(period=-1, periodUnit="s")),
    "tim-6": (_on("Timing.repeat"), lambda o: (o.pop("period", None), o.update(periodMax=1))),
    "tim-7": (_on("Timing.repeat"), lambda o: (o.pop("duration", None), o.update(durationMax=1))),
    "tim-8": (_on("Timing.repeat"), lambda o: (o.pop("count", None), o.update(countMax=1))),
    "tim-9": (_on("Timing.repeat"), lambda o: o.update(when=["C"], offset=5)),
    "tim-10": (_on("Timing.repeat"), lambda o: o.update(when=["MORN"], timeOfDay=["10:00:00"])),
    "bdl-1": (_on("Bundle"), lambda o: o.update(type="collection", total=1)),
    "bdl-2": (_on("Bundle"), lambda o: o.get("entry") and (o.update(type="collection"), o["entry"][0].update(
        search={"mode": "match"}))),
    "bdl-3": (_on("Bundle"), lambda o: o.get("entry") and (o.update(type="transaction"), o["entry"][0].pop("request", None))),
    "bdl-3-unwanted": (_on("Bundle"), lambda o: o.get("entry") and (o.update(type="collection"), o["entry"][0].update(
        request={"method": "GET", "url": "x"}))),
    "bdl-4": (_on("Bundle"), lambda o: o.get("entry") and (o.update(type="batch-response"), o["entry"][0].pop("response", None))),
    "bdl-5": (_on("Bundle.entry"), lambda o: [o.pop(key, None) for key in ("resource", "request", "response")] and o.update(fullUrl="a:b")),
    "bdl-8": (_on("Bundle.entry"), lambda o: o.update(fullUrl="https://harbourlane.example/Patient/1/_history/2")),
    "bdl-9": (_on("Bundle"), lambda o: (o.update(type="document", timestamp="2020-01-01T00:00:00Z"), o.pop("identifier", None))),
    "bdl-10": (_on("Bundle"), lambda o: (o.update(type="document"), o.pop("timestamp", None))),
    "bdl-11": (_on("Bundle"), lambda o: o.get("entry") and (o.update(type="document"), o["entry"].insert(
        0, {"fullUrl": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "resource": {"resourceType": "Basic", "code": {"text": "x"}}}))),
    "bdl-12": (_on("Bundle"), lambda o: o.get("entry") and (o.update(type="message"), o["entry"].insert(
        0, {"fullUrl": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "resource": {"resourceType": "Basic", "code": {"text": "x"}}}))),
    "con-4": (_on("Condition"), lambda o: [o.pop(key) for key in list(o) if key.startswith("abatement")] is not None and o.update(
        abatementString="x", clinicalStatus={"coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
                                                          "code": "active"}]})),
    "con-2": (_on("Condition"), lambda o: o.update(evidence=[{"extension": [{"url": "a:b", "valueBoolean": True}]}])),
    "enc-none": (_on("Encounter"), lambda o: o.update(period={"start": "2021-01-01", "end": "2020-01-01"})),
    "ras-1": (_on("RiskAssessment"), lambda o: o.update(prediction=[{"probabilityRange": {"low": {"value": 1}}}])),
    "ras-2": (_on("RiskAssessment"), lambda o: o.update(prediction=[{"probabilityDecimal": 101}])),
    "org-1": (_on("Organization"), lambda o: [o.pop(key, None) for key in ("name", "identifier", "_name")]),
    "org-2": (_on("Organization"), lambda o: o.update(address=[{"use": "home", "text": "x"}])),
    "org-3": (_on("Organization"), lambda o: o.update(telecom=[{"use": "home", "system": "phone", "value": "1"}])),
    "prr-1": (_on("ServiceRequest"), lambda o: (o.pop("code", None), o.update(orderDetail=[{"text": "x"}]))),
    "que-2": (_on("Questionnaire"), lambda o: o.update(item=[{"linkId": "1", "type": "display", "text": "a"}] * 2)),
    "que-1": (_on("Questionnaire"), lambda o: o.update(item=[{"linkId": "1", "type": "group", "text": "a"}])),
    "que-3": (_on("Questionnaire"), lambda o: o.update(item=[{"linkId": "1", "type": "display", "code": [{"code": "a"}]}])),
    "que-6": (_on("Questionnaire"), lambda o: o.update(item=[{"linkId": "1", "type": "display", "text": "a", "required": True}])),
    "que-13": (_on("Questionnaire"), lambda o: o.update(item=[{"linkId": "1", "type": "string", "initial": [
        {"valueString": "a"}, {"valueString": "b"}]}])),
    "vsd-1": (_on("ValueSet"), lambda o: o.update(compose={"include": [{"version": "1"}]})),
    "vsd-2": (_on("ValueSet"), lambda o: o.update(compose={"include": [{"valueSet": ["a:b"], "concept": [{"code": "x"}]}]})),
    "vsd-3": (_on("ValueSet"), lambda o: o.update(compose={"include": [{"system": "a:b", "concept": [{"code": "x"}], "filter": [
        {"property": "p", "op": "=", "value": "v"}]}]})),
    "csd-1": (_on("CodeSystem"), lambda o: o.update(concept=[{"code": "a"}, {"code": "b", "concept": [{"code": "a"}]}])),
    "sdf-8": (_on("StructureDefinition"), lambda o: o.get("snapshot") and o["snapshot"]["element"][0].update(path="Nowhere")),
    "eld-2": (_on("ElementDefinition"), lambda o: o.update(min=2, max="1")),
    "cpb-9": (_on("CapabilityStatement.rest"), lambda o: o.update(resource=[{"type": "Patient"}, {"type": "Patient"}])),
    "cpl-3": (_on("CarePlan"), lambda o: o.update(activity=[{"reference": {"reference": "Task/1"}, "detail": {"status": "scheduled"}}])),
    "imm-none": (_on("Immunization"), lambda o: o.update(education=[{"presentationDate": "2020"}])),
    "app-3": (_on("Appointment"), lambda o: (o.update(status="booked"), o.pop("start", None), o.pop("end", None))),
    "app-2": (_on("Appointment"), lambda o: (o.update(start="2020-01-01T00:00:00Z"), o.pop("end", None))),
    "cmp-1": (_on("Composition"), lambda o: o.update(section=[{"title": "x"}])),
    "ait-1": (_on("AllergyIntolerance"), lambda o: (o.pop("clinicalStatus", None), o.pop("verificationStatus", None))),
    "ppc-1": (_on("Consent"), lambda o: (o.pop("policy", None), o.pop("policyRule", None))),
    "drt-1": (_on("Duration"), lambda o: (o.clear(), o.update(code="h", value=1))),
    "age-1": (_on("Age"), lambda o: (o.clear(), o.update(value=-1, code="a", system=UCUM))),
    "sev-1": (_on("AuditEvent"), lambda o: o.update(entity=[{"name": "a", "query": "AAAA"}])),
    "inv-1": (_on("Task"), lambda o: o.update(lastModified="2020-01-01", authoredOn="2021-01-01")),
    "spd-1": (_on("SearchParameter"), lambda o: (o.update(xpath="a"), o.pop("xpathUsage", None))),
    "dom-4-entry": (_on("Patient"), lambda o: o.update(contained=[{"resourceType": "Basic", "id": "b", "code": {"text": "x"},
        "subject": {"reference": "#"}, "meta": {"lastUpdated": "2020-01-01T00:00:00Z"}}])),
    "opd-1": (_on("OperationDefinition"), lambda o: o.update(parameter=[{"name": "p", "use": "in", "min": 0, "max": "1"}])),
}


@kind("invariant", weight=24)
def invariant(random, _resource, objects, _sites):
    """Breaks a published invariant on purpose; a type that occurs often must not crowd out the rare ones."""
    able = {key: found for key in sorted(BREACHES) if (found := BREACHES[key][0](objects))}
    rare = [key for key in able if key.split("-")[0] not in ("txt", "per", "ext")]
    key = pick(random, rare if rare and random.random() < 0.8 else able)
    if key is None:
        return None
    target = random.choice(able[key])
    before = json.dumps(target.value)
    BREACHES[key][1](target.value)
    if json.dumps(target.value) == before:
        return None
    return target.pointer, key


# --- text ---------------------------------------------------------------------------------------------------------


@kind("duplicate-key", weight=4)
def duplicate_key(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if item.value])
    key = random.choice(sorted(target.value))
    target.value["@@twice@@"] = json.loads(json.dumps(target.value[key]))
    escaped = random.random() < 0.3
    name = "".join(f"\\u{ord(letter):04x}" for letter in key) if escaped else key
    return lambda text: text.replace('"@@twice@@"', f'"{name}"', 1)


SYNTAX = {
    "truncated": lambda text: text[: len(text) // 2],
    "trailing-comma": lambda text: text[:-1] + ",}",
    "comment": lambda text: text[:1] + "/* a */" + text[1:],
    "single-quotes": lambda text: text.replace('"', "'", 2),
    "two-documents": lambda text: text + text,
    "bare-control": lambda text: text.replace('":"', '":"\u0001', 1),
    "lone-surrogate": lambda text: text.replace('":"', '":"\\ud800', 1),
    "missing-colon": lambda text: text.replace('":', '"', 1),
    "bad-escape": lambda text: text.replace('":"', '":"\\x41', 1),
    "an-array": lambda text: "[" + text + "]",
}


@kind("syntax", weight=3)
def syntax(random, *_):
    name = random.choice(sorted(SYNTAX))
    return SYNTAX[name], name


# --- changes that keep a resource sound ---------------------------------------------------------------------------


@kind("sound-order", expect="accept", weight=2)
def sound_order(random, _resource, objects, _sites):
    for item in objects:
        entries = list(item.value.items())
        random.shuffle(entries)
        item.value.clear()
        item.value.update(entries)
    return ""


@kind("sound-extension", expect="accept", weight=2)
def sound_extension(random, _resource, objects, _sites):
    target = pick(random, [item for item in objects if "extension" in tables.properties(item.type)
                           and item.type != "Extension"])
    if target is None:
        return None
    value = random.choice([("valueString", " a "), ("valueDecimal", 1.50), ("valueOid", "urn:oid:1.2.3"),
                           ("valueQuantity", {"value": 1}), ("valueBase64Binary", "AAAA"), ("valueTime", "10:00:00"),
                           ("valueInstant", "2020-01-01T00:00:00.123+14:00"), ("valueUuid", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520")])
    target.value.setdefault("extension", []).append({"url": "https://harbourlane.example/x", value[0]: value[1]})
    return target.pointer


@kind("sound-companion", expect="accept", weight=3)
def sound_companion(random, _resource, _objects, sites):
    site = pick(random, [site for site in companionable(sites) if site.key != "reference"])
    if site is None:
        return None
    site.holder["_" + site.key] = {"id": "c1"} if single(site) else [dict(ABSENT)] + [None] * (len(site.value) - 1)
    return site.pointer


@kind("sound-absent-value", expect=None, weight=3)
def sound_absent_value(random, _resource, _objects, sites):
    site = pick(random, [site for site in companionable(sites) if single(site)])
    if site is None:
        return None
    del site.holder[site.key]
    site.holder["_" + site.key] = json.loads(json.dumps(ABSENT))
    return site.pointer


@kind("sound-null-padding", expect="accept", weight=2)
def sound_null_padding(random, _resource, _objects, sites):
    names = [site for site in companionable(sites) if not single(site) and site.use.code == "string"]
    site = pick(random, names)
    if site is None:
        return None
    site.value.append(None)
    site.holder["_" + site.key] = [None] * (len(site.value) - 1) + [json.loads(json.dumps(ABSENT))]
    return site.pointer


GOOD = {
    "string": ["a\u00a0b", "\u00e4\u4e2d\U0001f9b6", " leading", "a\tb\nc", "\u2009x", "1"],
    "markdown": ["# a\n\n* b", "\u00a0x"],
    "uri": ["urn:oid:1.2.3", "x", "http://a/\u00e4"],
    "date": ["2024-02-29", "2023-02", "1999", "0001", "9999-12-31"],
    "dateTime": ["2024-02-29", "2023", "2023-02", "2023-01-01T23:59:59.999999999Z", "2023-01-01T00:00:00+14:00",
                 "2023-01-01T00:00:00-13:59"],
    "instant": ["2023-01-01T00:00:00.1Z", "2023-01-01T00:00:00-00:00"],
    "time": ["00:00:00", "23:59:59.5"],
    "positiveInt": [1, 2147483647],
    "unsignedInt": [0, 2147483647],
    "integer": [0, -2147483648],
    "decimal": [0.0, -5, 123456789.123456789],
}


@kind("sound-value", expect=None, weight=8)
def sound_value(random, _resource, _objects, sites):
    """Legal values at the edge; unknown, because an invariant or a bound code may still object."""
    site = pick(random, [site for site in primitives(sites) if GOOD.get(site.use.code) and not site.use.plain])
    if site is None:
        return None
    site.put_first(random.choice(GOOD[site.use.code]))
    return site.pointer, site.use.code


@kind("sound-decimal-text", expect=None, weight=2)
def sound_decimal_text(random, _resource, _objects, sites):
    site = pick(random, primitives(sites, "decimal"))
    if site is None:
        return None
    site.put_first("@@number@@")
    written = random.choice(["1e2", "1.50E-3", "0.000000000000000000000000001", "123456789012345678901234567890.5", "1e+2"])
    return lambda text: text.replace('"@@number@@"', written, 1)


@kind("sound-text", expect="accept", weight=2)
def sound_text(random, _resource, objects, _sites):
    target = random.choice(objects)
    key = random.choice(sorted(target.value))
    escaped = "".join(f"\\u{ord(letter):04x}" for letter in key)
    wide = random.random() < 0.5
    rename(target.value, key, "@@key@@")

    def write(text):
        text = text.replace('"@@key@@"', f'"{escaped}"', 1)
        return text.replace(":", " : ", 1) + "  " if wide else text

    return write


def grafts(donors):
    """A further kind: an element of the same type from another resource takes the place of one here."""

    def graft(random, _resource, _objects, sites):
        site = pick(random, [site for site in sites if site.use.code in donors])
        if site is None:
            return None
        site.put_first(json.loads(random.choice(donors[site.use.code])))
        return site.pointer

    return graft
