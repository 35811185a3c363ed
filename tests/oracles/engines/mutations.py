"""Mutates sound resources and Bundles, and compares what the product says of them with what independent engines say.

Every disagreement must be explained by a line of disagreements.csv; with --full, every line must explain something.
Closes with `N passed, N failed`.
"""

import argparse
import collections
import csv
import fnmatch
import json
import random
import re
import sys

import examples
import judges
import mutate
import tables

LIST = tables.ENGINES / "disagreements.csv"
SEED = 20260411
BASES = 500
"""How many examples are drawn to be mutated: the same for every total, so that a short run begins a long one."""
LARGEST = 12_000
"""Characters of the largest resource that is mutated: the engines in Python are slow, and size adds no kinds."""
BY_ENTRY = {"bdl-3", "bdl-4", "bdl-7", "dom-3"}
"""Invariants on a whole resource for which the product names the entry or the contained resource at fault."""


class Case:
    """A mutated document: its kind, its base, its text and what must come of it."""

    def __init__(self, kind, base, text, expect, pointer):
        self.kind, self.base, self.text, self.expect, self.pointer = kind, base, text, expect, pointer


def compact(value):
    return json.dumps(value, ensure_ascii=True, separators=(",", ":"))


def corpus():
    """The sound documents of the corpus, but the largest."""
    found = {}
    for path in sorted(tables.CORPUS.glob("*/input.json")):
        if not path.parent.name.startswith("invalid-"):
            text = compact(json.loads(path.read_text(encoding="utf-8")))
            if len(text) <= 2 * LARGEST:
                found[f"corpus/{path.parent.name}"] = text
    return found


def bases(count, rng):
    """Names and texts of the examples to mutate, evenly over the types and Bundles more often."""
    by_type = collections.defaultdict(dict)
    at_fault = {name for name, _ in examples.listed()}
    for name in examples.names():
        path = tables.EXAMPLES / name
        if name in at_fault or path.stat().st_size > 4 * LARGEST:
            continue
        value = json.loads(path.read_text(encoding="utf-8-sig"))
        text = compact(value)
        if len(text) <= LARGEST and value.get("resourceType") in tables.RESOURCE_TYPES:
            by_type[value["resourceType"]][name] = text
    types = sorted(by_type)
    chosen = {}
    for number in range(count):
        group = types[number % len(types)] if number % 5 else "Bundle"
        name = rng.choice(sorted(by_type[group]))
        chosen[name] = by_type[group][name]
    return chosen


def donors(texts):
    """Elements by type, as text, for grafting."""
    found = collections.defaultdict(set)
    for text in texts:
        _, sites = tables.walk(json.loads(text))
        for site in sites:
            if not tables.is_primitive(site.use.code) and site.use.code not in ("Resource", "xhtml", "Extension"):
                written = compact(site.first())
                if len(written) < 2000:
                    found[site.use.code].add(written)
    return {code: sorted(items) for code, items in found.items()}


def make(total, seed):
    """`total` mutated cases and the bases they come from; the same for the same seed.

    Every case has its own random numbers, so a new folder of the corpus changes the cases over the corpus alone.
    """
    rng = random.Random(seed)
    published = bases(BASES, rng)
    own = corpus()
    kinds = dict(mutate.KINDS)
    kinds["graft"] = (mutate.grafts(donors(published.values())), None, 8)
    names = sorted(kinds)
    weights = [kinds[name][2] for name in names]
    of_bundles = {"duplicate-full-url", "full-url-mismatch", "relative-full-url"}
    sources = {
        True: [name for name, text in published.items() if json.loads(text)["resourceType"] == "Bundle"],
        False: sorted(published),
    }
    cases, seen, number = [], set(), 0
    while len(cases) < total:
        number += 1
        rng = random.Random(f"{seed}/{number}")
        name = rng.choices(names, weights)[0]
        pool = sorted(own) if rng.random() < 0.2 else sources[name in of_bundles]
        base = rng.choice(pool)
        function, expect, _ = kinds[name]
        text = published.get(base) or own[base]
        resource = json.loads(text)
        done = function(rng, resource, *tables.walk(resource))
        if done is None:
            continue
        change, detail = done if isinstance(done, tuple) else (done, None)
        mutated, pointer = compact(resource), change
        if callable(change):
            mutated, pointer = change(mutated), None
        if mutated in seen or mutated == text:
            continue
        seen.add(mutated)
        cases.append(Case(f"{name}:{detail}" if detail else name, base, mutated, expect, pointer))
    used = {case.base for case in cases}
    return cases, {name: text for name, text in {**published, **own}.items() if name in used}


class Explanations:
    """The lines of disagreements.csv."""

    def __init__(self):
        with LIST.open(encoding="utf-8", newline="") as lines:
            self.rows = list(csv.DictReader(lines))
        self.used = collections.Counter()
        for row in self.rows:
            if row["right"] not in ("product", "engine", "open") or len(row["why"]) < 15:
                sys.exit(f"disagreements.csv: a line needs `right` (product, engine, open) and `why`: {row}")

    def explains(self, engine, refuser, kind, what):
        """Whether a line covers it. `what` is a rule where the product refuses, else words of the engine."""
        for number, row in enumerate(self.rows):
            if row["engine"] != engine or row["refuses"] != refuser:
                continue
            if not any(fnmatch.fnmatchcase(kind, glob) for glob in row["kind"].split()):
                continue
            if refuser == "product":
                matches = any(fnmatch.fnmatchcase(what, glob) for glob in row["what"].split())
            else:
                matches = re.search(row["what"], what) is not None
            if matches:
                self.used[number] += 1
                return True
        return False

    def idle(self):
        return [row for number, row in enumerate(self.rows) if not self.used[number]]


class Comparison:
    """Counts, and what nobody explains."""

    def __init__(self):
        self.explanations = Explanations()
        self.counts = collections.defaultdict(collections.Counter)
        self.unexplained = []
        self.explained = set()

    def disagree(self, engine, refuser, case, whats):
        """One disagreement of several grounds: each must be explained."""
        self.counts[engine][f"only {refuser} refuses"] += 1
        missing = [what for what in whats if not self.explanations.explains(engine, refuser, case.kind, what)]
        if missing:
            self.unexplained.append((engine, refuser, case, missing))
        else:
            self.explained.add((engine, case))

    def verdicts(self, engine, cases, ours, theirs, tainted):
        for case, mine, other in zip(cases, ours, theirs, strict=True):
            if case.base in tainted:
                self.counts[engine]["base refused, not compared"] += 1
            elif mine.refused == other.refused:
                self.counts[engine]["both refuse" if mine.refused else "both accept"] += 1
            elif mine.refused:
                self.disagree(engine, "product", case, broken_rules(mine))
            else:
                self.disagree(engine, "engine", case, [other.words])

    def construction(self, cases, ours):
        """What a mutation is made to be against what the product says, and whether it looks at the place."""
        for case, mine in zip(cases, ours, strict=True):
            if case.expect is None:
                self.counts["construction"]["unknown"] += 1
            elif mine.refused == (case.expect == "refuse"):
                self.counts["construction"]["both refuse" if mine.refused else "both accept"] += 1
                if mine.refused and case.pointer is not None:
                    near = [p for _, p, s in mine.rules if s in ("error", "fatal") and related(p, case.pointer)]
                    if not near:
                        self.disagree("place", "product", case, broken_rules(mine))
            elif mine.refused:
                self.disagree("construction", "product", case, broken_rules(mine))
            else:
                self.disagree("construction", "engine", case, [case.kind])

    def invariants(self, cases, ours, theirs):
        for case, mine, other in zip(cases, ours, theirs, strict=True):
            if any(rule.startswith("json-") or rule == "unread" for rule, _, _ in mine.rules):
                self.counts["fhirpath"]["not JSON, not compared"] += 1
                continue
            own = {(rule.removeprefix("invariant:"), p) for rule, p, _ in mine.rules if rule.startswith("invariant:")}
            errors = {(key, p): why for key, p, why in other if why != "false"}
            false = {(key, p) for key, p, why in other if why == "false"}
            own, false = by_resource(own, false), by_resource(false, own)
            both = own & false
            self.counts["fhirpath"]["invariants broken for both"] += len(both)
            self.counts["fhirpath"]["documents without a difference"] += own == false
            for key, _ in sorted(own - false):
                self.disagree("fhirpath", "product", case, [key])
            for key, _ in sorted(false - own):
                self.disagree("fhirpath", "engine", case, [f"{key} false"])
            for (key, _), why in sorted(errors.items()):
                self.disagree("fhirpath", "engine", case, [f"{key} {why}"])


def by_resource(pairs, others):
    """The pairs, those that name a part replaced by the resource that the other side names."""
    found = set()
    for key, pointer in pairs:
        if key in BY_ENTRY:
            above = [p for k, p in others if k == key and (pointer == p or pointer.startswith(p + "/"))]
            pointer = max(above, key=len, default=pointer)
        found.add((key, pointer))
    return found


def broken_rules(verdict):
    return sorted({rule for rule, _, severity in verdict.rules if severity in ("error", "fatal")})


def related(one, other):
    return one == other or one.startswith(other + "/") or other.startswith(one + "/")


def main():
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--mutations", type=int, default=400)
    arguments.add_argument("--seed", type=int, default=SEED)
    arguments.add_argument("--full", action="store_true", help="a line that explains nothing fails too")
    arguments.add_argument("--show", type=int, default=40, help="so many unexplained disagreements, one of each class")
    arguments.add_argument("--write", help="write every case and what was said of it to this file, as JSON lines")
    arguments.add_argument("--engines", default="fhir.resources,google-fhir,fhirpath")
    options = arguments.parse_args()

    cases, sound = make(options.mutations, options.seed)
    roots = [Case("none", name, text, "accept", None) for name, text in sorted(sound.items())]
    everything = roots + cases
    texts = [case.text for case in everything]
    print(f"  {len(cases)} mutations of {len({case.kind for case in cases})} kinds over {len(roots)} resources", flush=True)
    ours = judges.product(texts)
    comparison = Comparison()
    comparison.construction(everything, ours)
    said = {}
    for engine in judges.PYTHON_ENGINES:
        if engine in options.engines:
            theirs = said[engine] = judges.ask(engine, texts)
            tainted = {case.base for case, verdict in zip(roots, theirs) if verdict.refused}
            comparison.verdicts(engine, roots, ours[: len(roots)], theirs[: len(roots)], set())
            comparison.verdicts(engine, cases, ours[len(roots):], theirs[len(roots):], tainted)
    if "fhirpath" in options.engines:
        said["fhirpath"] = judges.fhirpath(texts)
        comparison.invariants(everything, ours, said["fhirpath"])
    if options.write:
        write(options.write, everything, ours, said)
    report(comparison, options)


def write(path, cases, ours, said):
    with open(path, "w", encoding="utf-8") as out:
        for number, case in enumerate(cases):
            row = {"kind": case.kind, "base": case.base, "pointer": case.pointer, "product": ours[number].rules}
            for engine, verdicts in said.items():
                verdict = verdicts[number]
                row[engine] = sorted(verdict) if isinstance(verdict, set) else verdict.words
            out.write(json.dumps({**row, "text": case.text}) + "\n")


def report(comparison, options):
    for engine, counts in comparison.counts.items():
        print(f"  {engine}: " + ", ".join(f"{count} {what}" for what, count in sorted(counts.items())))
    classes = collections.defaultdict(list)
    for engine, refuser, case, missing in comparison.unexplained:
        words = re.sub(r"[0-9]+|'[^']*'", "*", missing[0])[:90]
        classes[(engine, refuser, case.kind, words)].append((case, missing))
    for (engine, refuser, kind, _), found in sorted(classes.items())[: options.show]:
        case, missing = found[0]
        print(f"unexplained, {len(found)} times: {engine}, only {refuser} refuses, {kind}, {case.base}"
              f" at {case.pointer}: {'; '.join(missing)[:300]}")
    if len(classes) > options.show:
        print(f"... and {len(classes) - options.show} further classes")
    idle = comparison.explanations.idle() if options.full else []
    for row in idle:
        print(f"disagreements.csv: this line explains nothing: {row['engine']},{row['refuses']},{row['kind']},{row['what']}")
    failed = len(comparison.unexplained) + len(idle)
    agreed = sum(
        count for counts in comparison.counts.values() for what, count in counts.items()
        if what.startswith(("both ", "documents without"))
    )
    explained = len(comparison.explained)
    lines = len(comparison.explanations.used)
    print(f"  {agreed} agreements, {explained} documents with disagreements that {lines} lines explain")
    print(f"{agreed + explained} passed, {failed} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
