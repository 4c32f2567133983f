"""Holds files against JSON Schemas with an independent validator.

    schemas.py SCHEMA FILE...

Prints `valid` or `invalid: reason` for each file, JSON or YAML 1.2, and fails where the
schema itself breaks the rules of draft 2020-12.
"""

import json
import sys

from jsonschema import Draft202012Validator
from ruamel.yaml import YAML


def read(path):
    with open(path, encoding="utf-8") as file:
        if path.endswith(".yaml"):
            # Through JSON, so that only JSON's types are left.
            return json.loads(json.dumps(YAML(typ="safe", pure=True).load(file)))
        return json.load(file)


schema = read(sys.argv[1])
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)
for path in sys.argv[2:]:
    error = next(validator.iter_errors(read(path)), None)
    print("valid" if error is None else f"invalid: {error.json_path}: {error.message[:200]}")
