"""The JSON Schema of an analysis, made from the result classes themselves.

``python -m tests.support.json_schema`` writes `hardware_notes/analysis.schema.json`; a test holds
the file against what this makes, and real output against the file.
"""

import dataclasses
import json
import types
import typing
from collections.abc import Collection, Mapping
from enum import StrEnum
from pathlib import Path
from typing import Any

from plantigrade.events import Stand, Step, Swing
from plantigrade.halves import HALVED, Halves
from plantigrade.summary import SwingSet, Walk
from plantigrade_gateway.analysis.quality import Quality
from plantigrade_gateway.analysis.result import Mark, Trial
from plantigrade_gateway.analysis.serialise import SCHEMA
from plantigrade_gateway.drills.run import DrillResult

PATH = Path(__file__).resolve().parents[2] / "hardware_notes" / "analysis.schema.json"

Json = dict[str, Any]

LATER = {
    "Push": {
        *("heel_share_address", "heel_share_trail_peak", "midfoot_impulse_share"),
        *("is_good", "from_heel", "heel_loaded"),
    },
    "Swing": {
        *("both_cop_travel", "trail_peak_bw", "lead_rise_bw_s", "lead_heel_share_address"),
        *("number_in_set", "excluded"),
    },
    "SwingSet": {
        *("good_pushes", "pushes_from_heel", "trail_heels", "midfoot_impulse_share"),
        *("heel_share_address", "heel_share_trail_peak", "lead_heel_share_address", "push_from"),
        *("both_cop_travel", "trail_peak_bw", "lead_rise_bw_s", "transfer_median_s"),
    },
    "Limits": {
        *("push_begins_by", "trail_heel_from", "trail_heel_gain", "heel_back_by_s"),
        *("stand_quiet_mm", "bearing_broad", "stand_quiet_share", "stand_quiet_bw"),
        *("stand_least_bw", "heel_lift_seen", "heel_lift_bridge_s", "heel_lift_carried"),
        *("push_begun", "trail_return"),
    },
    "FootStand": {"midfoot_medial_share"},
    "FootQuality": {"late_samples", "late_spans"},
}
"""Keys that came into schema 1 after 0.1.0: an analysis that was kept before lacks them."""


def whole() -> Json:
    """Return the schema."""
    defs: dict[str, Json] = {}
    text, number = {"type": "string"}, {"type": "number"}
    swing = _schema(Swing, defs)
    defs["Swing"]["properties"]["set"] = {"type": ["string", "null"]}
    defs["Swing"]["required"].append("set")
    defs["Swing"]["properties"]["number_in_set"] = {"type": ["integer", "null"]}
    when = {"type": "string", "format": "date-time"}
    excluded = _object({"reason": text, "by": text, "when": when})
    defs["Swing"]["properties"]["excluded"] = {"anyOf": [excluded, {"type": "null"}]}
    set_ = _object(
        {
            "name": text,
            "start_s": number,
            "summary": _schema(SwingSet, defs),
            "halves": _object({name: _schema(Halves, defs) for name in HALVED}),
            "end_s": {"type": ["number", "null"]},
            **{name: _or_null(text) for name in ("set_id", "intent", "club")},
            "is_silent": {"type": ["boolean", "null"]},
        },
        {"halves", "end_s", "set_id", "intent", "club", "is_silent"},
    )
    top = _object(
        {
            "schema": {"const": SCHEMA},
            "source": text,
            "rate_hz": {"type": ["number", "null"]},
            "duration_s": number,
            "quality": _or_null(_schema(Quality, defs)),
            "stands": _list(_schema(Stand, defs)),
            "steps": _list(_schema(Step, defs)),
            "swings": _list(swing),
            "walk": _or_null(_schema(Walk, defs)),
            "sets": _list(set_),
            "marks": _list(_schema(Mark, defs)),
            "drills": _list(_schema(DrillResult, defs)),
            "trials": _list(_schema(Trial, defs)),
        },
        {"trials"},
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Plantigrade analysis, schema {SCHEMA}",
        **top,
        "$defs": dict(sorted(defs.items())),
    }


def _object(properties: Json, later: Collection[str] = ()) -> Json:
    return {
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in later],
    }


def _list(items: Json) -> Json:
    return {"type": "array", "items": items}


def _or_null(schema: Json) -> Json:
    if isinstance(schema.get("type"), str) and set(schema) == {"type"}:
        return {"type": [schema["type"], "null"]}
    return {"anyOf": [schema, {"type": "null"}]}


def _schema(annotation: Any, defs: dict[str, Json]) -> Json:
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is types.UnionType:
        return _or_null(_schema(next(a for a in arguments if a is not types.NoneType), defs))
    if origin is tuple:
        return _list(_schema(arguments[0], defs))
    if origin is Mapping:
        inner = _schema(arguments[1], defs)
        return _object({str(name): inner for name in arguments[0]})
    if dataclasses.is_dataclass(annotation) and isinstance(annotation, type):
        if annotation.__name__ not in defs:
            defs[annotation.__name__] = {}
            hints = typing.get_type_hints(annotation)
            defs[annotation.__name__] = _object(
                {f.name: _schema(hints[f.name], defs) for f in dataclasses.fields(annotation)},
                LATER.get(annotation.__name__, ()),
            )
        return {"$ref": f"#/$defs/{annotation.__name__}"}
    if issubclass(annotation, StrEnum):
        return {"enum": [str(member) for member in annotation]}
    return {"type": {bool: "boolean", int: "integer", float: "number", str: "string"}[annotation]}


def text() -> str:
    """Return the schema as the file holds it."""
    return json.dumps(whole(), indent=1) + "\n"


if __name__ == "__main__":
    PATH.write_text(text(), "utf-8")
