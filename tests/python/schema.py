"""Validates JSON documents against a JSON Schema: a schema on the first line of standard input, a document on each line after it.

Prints one line for each document: a JSON array with its errors, empty if it is valid.
"""

import json
import sys

import jsonschema_rs


def main() -> None:
    lines = iter(sys.stdin)
    validator = jsonschema_rs.validator_for(json.loads(next(lines)))
    for line in lines:
        errors = validator.iter_errors(json.loads(line))
        print(json.dumps([f"{list(error.instance_path)}: {error.message}" for error in errors]))


main()
