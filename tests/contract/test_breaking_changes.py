"""Whoever wrote a program against the last release can go on using it; each kind of breach is caught when planted."""

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from packaging.version import Version

from service import __version__
from service.api.document import DOCUMENT_PATH
from tests.contract.breaking_changes import breaking_changes
from tests.contract.released import record, released_document, released_versions, without_texts

COMMITTED: dict[str, Any] = json.loads(DOCUMENT_PATH.read_text("utf-8"))
PRESENT: dict[str, Any] = without_texts(COMMITTED)  # a fifth of it, so that changing copies is quick
LAST = released_versions()[-1]
POST_SETS = ("/v1/lifters/{lifter_id}/sets", "post")
Document = dict[str, Any]


def schema(document: Document, name: str) -> Any:
    """Return a component."""
    return document["components"]["schemas"][name]


def operation(document: Document, path: str, method: str) -> Any:
    """Return an operation."""
    return document["paths"][path][method]


def member(document: Document, name: str, member_name: str) -> Any:
    """Return the schema of a component's member, the kind that is not null where it may be null."""
    found = schema(document, name)["properties"][member_name]
    return found["anyOf"][0] if "anyOf" in found else found


def parameter(document: Document, path: str, method: str, name: str) -> Any:
    """Return a parameter of an operation."""
    return next(each for each in operation(document, path, method)["parameters"] if each["name"] == name)


def test_nothing_breaks_for_callers_of_the_last_release() -> None:
    """What this finds is a major change: `/v2` beside `/v1` (DEVELOPERS.md, Changing the contract)."""
    assert breaking_changes(released_document(LAST), PRESENT) == []


def test_the_last_release_is_not_of_a_later_version() -> None:
    """The documents that are kept are of versions up to this one."""
    assert Version(__version__) >= LAST


# What is done to the present document, and the words that tell it.
PLANTED: dict[str, tuple[Callable[[Document], Any], str]] = {
    "an operation removed": (
        lambda d: operation(d, "/v1/prescriptions", "post") and d["paths"]["/v1/prescriptions"].pop("post"),
        "POST /v1/prescriptions: gone",
    ),
    "an operation renamed": (
        lambda d: operation(d, "/v1/prescriptions", "post").update(operationId="prescribe"),
        "operationId createPrescription is now prescribe",
    ),
    "an operation moved to another module": (
        lambda d: operation(d, "/v1/prescriptions", "post").update(tags=["Performed sets"]),
        "another first tag",
    ),
    "a key asked for where none was": (
        lambda d: operation(d, "/v1/exercises", "get").update(security=[{"apiKey": ["prescribe"]}]),
        "GET /v1/exercises: asks for more than nothing",
    ),
    "a further scope asked for": (
        lambda d: [
            way.update({s: [*way[s], "admin"] for s in way}) for way in operation(d, *POST_SETS)["security"]
        ],
        "POST /v1/lifters/{lifter_id}/sets: asks for more",
    ),
    "a query parameter removed": (
        lambda d: operation(d, "/v1/prescriptions", "post")["parameters"].remove(
            parameter(d, "/v1/prescriptions", "post", "detail")
        ),
        "query detail: removed from requests",
    ),
    "a header made required": (
        lambda d: parameter(d, *POST_SETS, "idempotency-key").update(required=True),
        "header idempotency-key: required in requests",
    ),
    "a parameter that takes less": (
        lambda d: parameter(d, "/v1/lifters/{lifter_id}/sets", "get", "limit")["schema"].update(maximum=50),
        "query limit: requests took maximum 500, now maximum 50",
    ),
    "another default": (
        lambda d: parameter(d, "/v1/prescriptions", "post", "detail")["schema"].update(default="brief"),
        "query detail: left out it now means 'brief'",
    ),
    "a body no longer read as MessagePack": (
        lambda d: operation(d, "/v1/prescriptions", "post")["requestBody"]["content"].pop(
            "application/vnd.msgpack"
        ),
        "POST /v1/prescriptions body: no longer in application/vnd.msgpack",
    ),
    "a body asked for where none was": (
        lambda d: operation(d, "/v1/sites/{site}", "put").update(
            requestBody={"required": True, "content": {}}
        ),
        "PUT /v1/sites/{site} body: required in requests",
    ),
    "a member of requests removed": (
        lambda d: schema(d, "SetContext")["properties"].pop("deload"),
        "SetContext.deload: removed from requests",
    ),
    "a member of requests made required": (
        lambda d: schema(d, "SetContext")["required"].append("exercise"),
        "SetContext.exercise: required in requests",
    ),
    "null no longer taken": (
        lambda d: schema(d, "SetContext")["properties"]["deload"].update(anyOf=[{"type": "boolean"}]),
        "SetContext.deload: requests took null, now ['boolean']",
    ),
    "a narrower range": (
        lambda d: schema(d, "SetContext")["properties"]["rep_target"].update(maximum=30),
        "SetContext.rep_target: requests took maximum 50, now maximum 30",
    ),
    "an open end closed": (
        lambda d: member(d, "SetContext", "load_percent_1rm").update(exclusiveMinimum=1),
        "SetContext.load_percent_1rm: requests took exclusiveMinimum 0, now exclusiveMinimum 1",
    ),
    "a whole number where any was taken": (
        lambda d: member(d, "SetContext", "exposures").update(type="integer"),
        "SetContext.exposures: requests took number, now ['integer', 'null']",
    ),
    "a value of an enumeration no longer taken": (
        lambda d: member(d, "SetContext", "goal")["enum"].remove("power"),
        "SetContext.goal: requests took 'power', now not",
    ),
    "an exercise taken out of the catalogue": (
        lambda d: schema(d, "ExerciseId")["enum"].remove("leg_press"),
        "ExerciseId: requests took 'leg_press', now not",
    ),
    "a pair of members ruled out": (
        lambda d: schema(d, "SetContext")["not"]["anyOf"].append({"required": ["goal", "deload"]}),
        "SetContext: requests took {'required': ['goal', 'deload']}, now ruled out",
    ),
    "another pattern": (
        lambda d: schema(d, "PerformedSet")["properties"]["performed_at"].update(pattern="^2"),
        "PerformedSet.performed_at: requests took pattern",
    ),
    "a shorter list": (
        lambda d: schema(d, "SetBatch")["properties"]["sets"].update(maxItems=20),
        "SetBatch.sets: requests took maxItems 200, now maxItems 20",
    ),
    "a status no longer answered": (
        lambda d: operation(d, *POST_SETS)["responses"].pop("200"),
        "POST /v1/lifters/{lifter_id}/sets 200: no longer answered",
    ),
    "a header no longer answered": (
        lambda d: operation(d, *POST_SETS)["responses"]["429"]["headers"].pop("Retry-After"),
        "POST /v1/lifters/{lifter_id}/sets 429 header Retry-After: no longer answered",
    ),
    "answers no longer in JSON": (
        lambda d: operation(d, "/v1/prescriptions", "post")["responses"]["200"]["content"].pop(
            "application/json"
        ),
        "POST /v1/prescriptions 200: no longer in application/json",
    ),
    "a member of answers removed": (
        lambda d: schema(d, "Prescription")["properties"].pop("expected"),
        "Prescription.expected: removed from answers",
    ),
    "a member of the shorter answer removed": (
        lambda d: schema(d, "BriefPrescription")["properties"].pop("rpe"),
        "BriefPrescription.rpe: removed from answers",
    ),
    "a member deep within answers that may be missing": (
        lambda d: schema(d, "Reason")["required"].remove("text"),
        "Reason.text: may be missing from answers",
    ),
    "null answered where it never was": (
        lambda d: schema(d, "Reason")["properties"].update(
            text={"anyOf": [{"type": "string"}, {"type": "null"}]}
        ),
        "Reason.text: answers now have null, before ['string']",
    ),
    "a value answered that no program knows": (
        lambda d: schema(d, "Reason")["properties"]["grade"]["enum"].append("rumour"),
        "Reason.grade: answers now have 'rumour', before not",
    ),
    "a text answered where a number was": (
        lambda d: schema(d, "ReserveRange")["properties"].update(target={"type": "string"}),
        "ReserveRange.target: answers now have string, before ['number']",
    ),
    "a longer text answered": (
        lambda d: schema(d, "Reason")["properties"]["text"].update(maxLength=400),
        "Reason.text: answers now have maxLength 400, before maxLength 140",
    ),
    "a schema renamed": (
        lambda d: (
            d["components"]["schemas"].update(Unused=d["components"]["schemas"].pop("VelocityBand"))
            or json.loads(json.dumps(d).replace("schemas/VelocityBand", "schemas/Unused"))
        ),
        "schema VelocityBand: gone",
    ),
    "the address of the service": (
        lambda d: d.update(servers=[{"url": "/effort"}]),
        "server /: gone",
    ),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_breach_is_told_and_nothing_else(name: str) -> None:
    """One change, told with its place."""
    plant, words = PLANTED[name]
    changed = deepcopy(PRESENT)
    done = plant(changed)
    changed = done if isinstance(done, dict) and "openapi" in done else changed
    found = breaking_changes(PRESENT, changed)
    assert [line for line in found if words in line]
    # A removed member is told once for requests and once for answers that repeat it: its place is the same.
    assert [line for line in found if words.partition(":")[0] not in line] == []


HARMLESS: dict[str, Callable[[Document], Any]] = {
    "a new operation": lambda d: d["paths"].update({"/v1/new": deepcopy(d["paths"]["/v1/muscles"])}),
    "a new optional member of requests and of what answers repeat of them": lambda d: schema(d, "SetContext")[
        "properties"
    ].update(tempo={"type": "number"}),
    "a new member of answers": lambda d: schema(d, "Prescription")["properties"].update(x={"type": "number"}),
    "a member that is always answered now": lambda d: schema(d, "Problem")["required"].append("errors"),
    "a wider range": lambda d: schema(d, "SetContext")["properties"]["rep_target"].update(maximum=60),
    "more kinds taken": lambda d: member(d, "PlanSession", "starts_at").update(type=["string", "integer"]),
    "a new exercise, in answers too": lambda d: schema(d, "ExerciseId")["enum"].append("sled_push"),
    "a rule that no longer holds": lambda d: schema(d, "SetContext").pop("not"),
    "a new parameter that may be left out": lambda d: operation(d, *POST_SETS)["parameters"].append(
        {"name": "prefer", "in": "header", "schema": {"type": "string"}}
    ),
    "a new status": lambda d: operation(d, *POST_SETS)["responses"].update({"202": {"description": "."}}),
    "a new way to say who calls": lambda d: operation(d, *POST_SETS)["security"].append({"other": []}),
    "a key no longer asked for": lambda d: operation(d, *POST_SETS).update(security=[]),
    "wording": lambda d: schema(d, "SetContext").update(description="Otherwise."),
}


@pytest.mark.parametrize("name", HARMLESS)
def test_growth_breaks_nothing(name: str) -> None:
    """What the contract lets a minor release do."""
    changed = deepcopy(PRESENT)
    HARMLESS[name](changed)
    assert changed != PRESENT
    assert breaking_changes(PRESENT, changed) == []


def test_an_unknown_keyword_is_not_passed_over() -> None:
    """Whoever brings a keyword into the document brings its rule into the comparison."""
    changed = deepcopy(PRESENT)
    schema(changed, "SetContext")["properties"]["rep_target"]["oneOf"] = [{"type": "integer"}]
    with pytest.raises(ValueError, match="oneOf"):
        breaking_changes(PRESENT, changed)


def test_what_is_kept_of_a_document_breaks_nothing_and_holds_no_text() -> None:
    """Texts and examples are left out, members called `description` or `title` are not."""
    assert breaking_changes(COMMITTED, PRESENT) == []
    assert breaking_changes(PRESENT, COMMITTED) == []
    assert schema(PRESENT, "Problem")["properties"]["title"] == {"type": "string"}
    assert len(json.dumps(PRESENT)) < len(json.dumps(COMMITTED)) / 2


def test_a_release_is_recorded_once(tmp_path: Path) -> None:
    """Nobody overwrites what was promised."""
    written = record(folder=tmp_path)
    assert written.name == f"{__version__}.json.gz"
    with pytest.raises(FileExistsError):
        record(folder=tmp_path)
