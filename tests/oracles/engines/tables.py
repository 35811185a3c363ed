"""The tables of profiles/base for scripts: what every element of R4 is, and a walk over a resource that knows it."""

import functools
import json
import re
from dataclasses import dataclass
from pathlib import Path

ENGINES = Path(__file__).resolve().parent
REPOSITORY = ENGINES.parents[2]
TOOLS = REPOSITORY / "tests" / ".tools"
EXAMPLES = TOOLS / "npm" / "node_modules" / "hl7.fhir.r4.examples"
CORPUS = REPOSITORY / "tests" / "corpus"


def _base(name):
    return json.loads((REPOSITORY / "profiles" / "base" / name).read_text(encoding="utf-8"))


TYPES = _base("types.json")
VALUE_SETS = _base("value-sets.json")
RESOURCE_TYPES = sorted(
    name for name, row in TYPES.items() if row["kind"] == "resource" and not row.get("abstract")
)
PRIMITIVES = {name: row for name, row in TYPES.items() if row["kind"] == "primitive-type"}


@dataclass(frozen=True)
class Element:
    """An element of a type; `name` ends in `[x]` for a choice."""

    name: str
    min: int
    max: float
    types: tuple
    binding: str | None

    @property
    def stem(self):
        return self.name.removesuffix("[x]")

    def repeats(self):
        return self.max > 1

    def property_name(self, code):
        return self.stem + code[:1].upper() + code[1:] if self.name.endswith("[x]") else self.name


@dataclass(frozen=True)
class Use:
    """A type that an element allows: its name or the path of a group, and the targets of a reference."""

    code: str
    plain: bool
    targets: tuple


def _split(text):
    """The types of a row; the commas inside brackets do not separate."""
    return re.findall(r"[^,(]+(?:\([^)]*\))?", text)


def _use(text, owner, path):
    plain = text.startswith("plain:")
    text = text.removeprefix("plain:")
    if text.startswith("#"):
        return Use(text[1:], False, ())
    code, _, targets = text.rstrip(")").partition("(")
    if code in ("BackboneElement", "Element") and _has_children(owner, path):
        return Use(f"{owner}.{path}", False, ())
    if code == "Quantity" and targets:
        return Use(targets, False, ())
    return Use(code, plain, tuple(targets.split("|")) if targets else ())


def _has_children(owner, path):
    return any(row[0].startswith(path + ".") for row in TYPES[owner]["elements"])


@functools.cache
def elements(name):
    """The elements of a type or group, the inherited ones first."""
    owner, _, path = name.partition(".")
    if path:
        base = next(
            use.removeprefix("plain:")
            for row in TYPES[owner]["elements"]
            if row[0] == path
            for use in _split(row[2])
        )
        inherited = elements(base)
        prefix = path + "."
    else:
        base = TYPES[owner].get("base")
        inherited = elements(base) if base else ()
        prefix = ""
    own = []
    for row in TYPES[owner].get("elements", ()):
        if not row[0].startswith(prefix) or "." in row[0][len(prefix):]:
            continue
        low, high = row[1].split("..")
        uses = tuple(_use(text, owner, row[0]) for text in _split(row[2]))
        binding = row[3] if len(row) > 3 else None
        own.append(
            Element(row[0][len(prefix):], int(low), float("inf") if high == "*" else int(high), uses, binding)
        )
    names = {element.name for element in own}
    return tuple(element for element in inherited if element.name not in names) + tuple(own)


@functools.cache
def properties(name):
    """JSON property name to (element, type)."""
    return {
        element.property_name(use.code): (element, use) for element in elements(name) for use in element.types
    }


def is_primitive(code):
    """Whether it is a primitive that may have a companion: xhtml has none."""
    return code in PRIMITIVES and code != "xhtml"


def form(code):
    """How a primitive is written: `boolean`, `number` or `string`."""
    return PRIMITIVES[code]["json"]


@functools.cache
def codes(value_set):
    """The codes of a value set; empty where the package cannot list them."""
    systems = VALUE_SETS.get(value_set.split("|")[0], {}).get("systems") or {}
    return frozenset(code for listed in systems.values() for code in listed)


@dataclass
class Site:
    """A property as it stands in a resource."""

    holder: dict
    holder_type: str
    key: str
    pointer: str
    element: Element
    use: Use

    @property
    def value(self):
        return self.holder[self.key]

    def first(self):
        value = self.value
        return value[0] if isinstance(value, list) and value else value

    def put_first(self, item):
        if isinstance(self.value, list):
            self.value[0] = item
        else:
            self.holder[self.key] = item


@dataclass
class Object:
    """An object as it stands in a resource: `type` is a resource type, a data type or the path of a group."""

    value: dict
    type: str
    pointer: str
    depth: int


def walk(resource, pointer="", depth=0):
    """Every object and every property of a sound resource, resources inside included."""
    objects, sites = [], []
    _walk(resource, resource["resourceType"], pointer, depth, objects, sites)
    return objects, sites


def _walk(value, name, pointer, depth, objects, sites):
    objects.append(Object(value, name, pointer, depth))
    known = properties(name)
    for key, item in value.items():
        if key == "resourceType" or key.startswith("_") or key not in known:
            continue
        element, use = known[key]
        sites.append(Site(value, name, key, f"{pointer}/{key}", element, use))
        if use.code in PRIMITIVES:
            continue
        items = item if isinstance(item, list) else [item]
        for index, child in enumerate(items):
            if not isinstance(child, dict):
                continue
            place = f"{pointer}/{key}/{index}" if isinstance(item, list) else f"{pointer}/{key}"
            inside = child.get("resourceType") if use.code == "Resource" else use.code
            if inside and (inside in TYPES or "." in inside):
                _walk(child, inside, place, depth + 1, objects, sites)
