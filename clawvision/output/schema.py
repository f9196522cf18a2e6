"""The JSON Schema (2020-12) of ``assessment.json``, generated from the models.

``python -m clawvision.output.schema > clawvision/output/assessment.schema.json`` renews the stored one.
"""

from __future__ import annotations

import json
import sys
from importlib.resources import files

from clawvision.output.models import AssessmentRecord

SCHEMA_FILE = "assessment.schema.json"


def generated() -> bytes:
    """Return the schema as the models give it, UTF-8."""
    schema = AssessmentRecord.model_json_schema(mode="serialization")
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": "urn:clawvision:assessment:1"}
    return (json.dumps(head | schema, indent=2, ensure_ascii=False) + "\n").encode("utf-8")


def stored() -> bytes:
    """Return the schema that the package holds, UTF-8."""
    return files("clawvision.output").joinpath(SCHEMA_FILE).read_bytes()


if __name__ == "__main__":
    sys.stdout.buffer.write(generated())
