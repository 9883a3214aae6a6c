"""`daq schema bench|plan|profile|result`."""

import json
import sys
from collections.abc import Sequence

from pydantic import BaseModel

from daq.cli.arguments import CommandParser
from daq.config.models import BenchModel, PlanModel, Profile
from daq.messages import result_schema

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def run(arguments: Sequence[str]) -> int:
    """Print a JSON Schema."""
    parser = CommandParser(
        prog="daq schema",
        description="JSON Schema, for an editor that completes files or a program that checks messages.",
    )
    parser.add_argument("what", choices=["bench", "plan", "profile", "result"])
    what = parser.parse_args(arguments).what
    models: dict[str, type[BaseModel]] = {
        "bench": BenchModel,
        "plan": PlanModel,
        "profile": Profile,
    }
    schema = (
        result_schema()
        if what == "result"
        else {"$schema": _DIALECT, **models[what].model_json_schema()}
    )
    sys.stdout.write(json.dumps(schema, indent=2, ensure_ascii=False) + "\n")
    return 0
