"""Holds HL7's own examples against the base checks: all must pass but those listed as at fault.

Prints what differs from hl7-examples-at-fault.csv, then `N passed, N failed`.
"""

import argparse
import csv
import random
import sys

import judges
import tables

LIST = tables.ENGINES / "hl7-examples-at-fault.csv"


def listed():
    with LIST.open(encoding="utf-8", newline="") as lines:
        return {(row["file"], row["rule"]): row["why"] for row in csv.DictReader(lines)}


def names():
    found = []
    for path in sorted(tables.EXAMPLES.glob("*.json")):
        if path.name != "package.json":
            found.append(path.name)
    return found


def text_of(name):
    """The example on one line: a line break can only stand between the parts of a JSON text, never in them."""
    text = (tables.EXAMPLES / name).read_text(encoding="utf-8-sig")
    return text.replace("\r", " ").replace("\n", " ")


def main():
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--sample", type=int, help="only so many examples, beside the listed ones")
    arguments.add_argument("--dump", action="store_true", help="write every refusal as a line of the list")
    options = arguments.parse_args()
    at_fault = listed() if LIST.exists() else {}
    chosen = names()
    if options.sample:
        sample = set(random.Random(4011).sample(chosen, options.sample)) | {name for name, _ in at_fault}
        chosen = sorted(sample & set(chosen))
    verdicts = judges.product([text_of(name) for name in chosen])
    found, passed, failed = {}, 0, 0
    for name, verdict in zip(chosen, verdicts, strict=True):
        for rule, pointer, severity in verdict.rules:
            if severity in ("error", "fatal"):
                found.setdefault((name, rule), pointer)
        if verdict.local:
            print(f"{name}: refused by rules that are not of R4: {', '.join(sorted(set(verdict.local)))}")
            failed += 1
    if options.dump:
        out = csv.writer(sys.stdout)
        for (name, rule), pointer in sorted(found.items()):
            out.writerow([name, rule, at_fault.get((name, rule), pointer)])
        return
    for (name, rule), pointer in sorted(found.items()):
        if (name, rule) not in at_fault:
            print(f"{name}: refused by {rule} at {pointer}, which is not listed")
    for name, rule in sorted(set(at_fault) - set(found)):
        print(f"{name}: listed as breaking {rule}, but accepted or not among the examples")
    wrong = {name for name, _ in set(found) ^ set(at_fault)}
    failed += len(wrong)
    passed += len(set(chosen) - wrong)
    print(f"HL7 examples: {len(chosen)} read, {len({name for name, _ in found})} refused as listed or not")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
