"""The schemas are valid JSON Schema draft-07, and an independent validator agrees with ours about the example
documents and about a list of broken ones. Exit code 77 = skipped."""

import copy
import json
import pathlib
import sys

try:
    from jsonschema import Draft7Validator
except ImportError:
    print("skipped: the Python package jsonschema (Debian: python3-jsonschema) is not installed")
    sys.exit(77)

SOURCE = pathlib.Path(sys.argv[1])
failures = []


def expect(condition, sentence):
    if not condition:
        failures.append(sentence)


def load(path):
    return json.loads(path.read_text(encoding="utf-8"))


def undescribed(schema, place):
    """Properties that say nothing about themselves: a schema is documentation too."""
    for name, value in schema.get("properties", {}).items():
        target = schema_root
        if "$ref" in value:
            for step in value["$ref"].split("/")[1:]:
                target = target[step]
        if "description" not in value and "description" not in target:
            yield f"{place}.{name}"
        yield from undescribed(value, f"{place}.{name}")
    for name, value in schema.get("definitions", {}).items():
        yield from undescribed(value, name)


def broken(document, change):
    """The document with one change of broken.json; the C++ tests make the same ones."""
    result = copy.deepcopy(document)
    *way, last = [int(step) if step.isdigit() else step for step in change["path"].split("/")[1:]]
    at = result
    for step in way:
        at = at[step]
    if change.get("remove"):
        del at[last]
    else:
        at[last] = change["value"]
    return result


changes = load(SOURCE / "tests/protocol/series/broken.json")
for kind in ("rig", "series"):
    schema_root = load(SOURCE / f"protocol/series/{kind}.schema.json")
    Draft7Validator.check_schema(schema_root)
    validator = Draft7Validator(schema_root)
    for place in undescribed(schema_root, kind):
        failures.append(f"{kind}.schema.json: {place} has no description")
    examples = sorted((SOURCE / "sim/scenarios").glob(f"*.{kind}.json"))
    expect(examples, f"no example of a {kind} document")
    for example in examples:
        for error in validator.iter_errors(load(example)):
            failures.append(f"{example.name}: {error.message}")
    example = load(SOURCE / f"sim/scenarios/{'ink-lab.rig' if kind == 'rig' else 'ink-film.series'}.json")
    for change in changes:
        if change["kind"] == kind:
            expect(not validator.is_valid(broken(example, change)), f"accepted: {change}")

schema_root = load(SOURCE / "protocol/series/calibration.schema.json")  # records are examples of their tests
Draft7Validator.check_schema(schema_root)
for place in undescribed(schema_root, "calibration"):
    failures.append(f"calibration.schema.json: {place} has no description")

print("\n".join(failures) or "ok")
sys.exit(1 if failures else 0)
