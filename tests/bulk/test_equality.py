"""Columns give what the core gives one by one: every field, every version, every refusal."""

from functools import partial
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pytest

from service.api.prescriptions import Prescribed, prescribed
from service.api.reading import valid
from service.api.whole_faults import context_faults
from service.bulk.answers import EFFECT
from service.bulk.chunks import Wanted, answered, policies
from service.bulk.evaluate import targets
from service.bulk.framing import told_cautions
from service.bulk.members import layout_of
from service.bulk.rows import Rows
from service.bulk.tables import tables_of
from service.bulk.work import Chunk
from service.errors import InputRefused
from service.rules.answer import Prescription
from service.rules.context import SetContext
from service.rules.prescribe import prescribe_brief
from tests.bulk.random_contexts import boundaries, random_columns, without_nulls

ROWS = 20_000
ONE_IN = 25  # of the rows is asked of the API in full: what to report is told there only


def answer(batch: pa.RecordBatch, *, version: str | None = None, texts: bool = False) -> Chunk:
    """Answer a batch."""
    wanted = Wanted(
        layout=layout_of(batch.schema, (), ()), policy=policies().get(version).version, texts=texts
    )
    return answered(batch, 0, wanted)


def from_api(row: dict[str, Any]) -> Prescription | list[dict[str, str]]:
    """Return what the API answers to a row: the prescription, or its errors."""
    try:
        context = valid(without_nulls(row), SetContext, partial(context_faults, policies=policies()))
        found = prescribed(context, "full", policies())
    except InputRefused as error:
        return [{"pointer": fault.place, "detail": fault.detail} for fault in error.faults]
    assert isinstance(found, Prescription)
    return found


def told(found: Prescribed) -> dict[str, Any]:
    """Return a prescription as a row of the answer has it."""
    reserve = found.reps_in_reserve
    return {
        "decision": found.decision,
        "target": reserve and reserve.target,
        "low": reserve and reserve.low,
        "high": reserve and reserve.high,
        "reasons": " ".join(reason.factor for reason in found.reasons),
        "effects": {reason.factor: reason.effect_reps for reason in found.reasons},
        "cautions": {note.code for note in found.cautions},
        "policy": found.policy.version,
    }


def row_told(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of the answer in the same form; effects of entries that are not in the ledger must be 0."""
    listed = row["reasons"].split()
    effects = {
        name.removeprefix(EFFECT): value
        for name, value in row.items()
        if name.startswith(EFFECT) and (value or name.removeprefix(EFFECT) in listed)
    }
    return {
        **{name: row[name] for name in ("decision", "target", "low", "high", "reasons", "policy")},
        "effects": effects,
        "cautions": set(row["cautions"].split()),
    }


def check(batch: pa.RecordBatch, sent: pa.RecordBatch) -> tuple[int, int]:
    """Compare every row with the API; return how many were answered and refused."""
    found = answer(batch)
    rows = {row["row"]: row for row in found.table.to_pylist()}
    refused = {line["row"]: line["errors"] for line in map(msgspec.json.decode, found.refused)}
    assert len(rows) + len(refused) == len(batch)
    for number, row in enumerate(sent.to_pylist()):
        if number in refused:
            assert from_api(row) == refused[number], row
            continue
        context = valid(without_nulls(row), SetContext)
        assert told(prescribed(context, "brief", policies())) == row_told(rows[number]), row
        if "reported" in rows[number] and not number % ONE_IN:
            whole = from_api(row)
            assert isinstance(whole, Prescription)
            assert whole.reported_reps_in_reserve == rows[number]["reported"], row
    return len(rows), len(refused)


def test_random_contexts_and_every_boundary_get_the_answers_of_the_core() -> None:
    """Of every version, each boundary of the policy with its neighbours among the floats: the API's own answers."""
    batch = random_columns(ROWS, 20261125, policies())
    sent = batch.drop_columns(["lifter"])
    answered_rows, refused = check(batch, sent)
    assert answered_rows > 0.9 * ROWS
    assert refused  # shifts that the oldest version does not know
    assert set(batch.schema.names) - {"lifter"} == set(SetContext.__struct_fields__)


@pytest.mark.parametrize("version", [policy.version for policy in policies().versions])
def test_each_boundary_alone_gets_the_target_of_the_core(version: str) -> None:
    """One field at a time over all its boundaries, all else left out: nothing can hide a step that is off by one."""
    policy = policies().get(version)
    for name, values in boundaries(policy.data).items():
        if name == "plan_shift_reps" and not policy.readers[name]:
            continue
        at = np.unique(np.concatenate([np.nextafter(values, -np.inf), values, np.nextafter(values, np.inf)]))
        low, high = (-5.0, 5.0) if name == "plan_shift_reps" else (0.0, max(values))
        at = at[(at > low) & (at <= high)]
        reps = np.tile(np.array([5, 6, 12, 13, 20], np.uint8), len(at))
        found = targets(Rows(**{"rep_target": reps, name: np.repeat(at, 5)}), tables_of(policy))  # type: ignore[arg-type]
        for rep, value, target in zip(reps.tolist(), np.repeat(at, 5).tolist(), found.tolist(), strict=True):
            reserve = prescribe_brief(SetContext(rep_target=rep, **{name: value}), policy).reps_in_reserve
            assert reserve is not None
            assert reserve.target == target, (name, value, rep)


def test_every_set_of_cautions_gets_the_floor_of_the_core() -> None:
    """All 256 sets of cautions, under a bar and not: floors are a maximum and must not be added up."""
    told_sets = [list(told_cautions(bits)) for bits in range(256)] * 2
    batch = pa.record_batch(
        {
            "rep_target": pa.array([6] * 256 + [15] * 256),
            "cautions": pa.array(told_sets, pa.list_(pa.string())),
            "exercise": pa.array((["barbell_bench_press"] * 128 + ["leg_press"] * 128) * 2),
        }
    )
    assert check(batch, batch) == (512, 0)


def test_texts_are_those_of_the_core() -> None:
    """With texts each row tells its reasons in the words of the API."""
    batch = random_columns(60, 5, policies())
    found = answer(batch, texts=True).table.to_pylist()
    sent = batch.drop_columns(["lifter"]).to_pylist()
    assert found
    for row in found:
        expected = from_api(sent[row["row"]])
        assert isinstance(expected, Prescription)
        assert row["reason_texts"] == [reason.text for reason in expected.reasons]


def test_the_version_asked_for_answers_rows_that_pin_none() -> None:
    """A row that pins no version is answered by the one asked for, one that pins another by that."""
    versions = [policy.version for policy in policies().versions]
    batch = pa.record_batch({"rep_target": [8, 8], "policy": pa.array([None, versions[-1]])})
    found = answer(batch, version=versions[0]).table.column("policy").to_pylist()
    assert found == [versions[0], versions[-1]]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("rep_target", 0),
        ("rep_target", 51),
        ("rep_target", None),
        ("load_percent_1rm", 0.0),
        ("load_percent_1rm", 100.1),
        ("load_percent_1rm", -1e300),
        ("exercise", "barbell_bench_pres"),
        ("exercise", ""),
        ("exercise", "Brust\u00fcbung\u0000"),
        ("exercise_order", 9),
        ("set_order", 31),
        ("later_overlapping_sets", 100.5),
        ("experience", "expert"),
        ("exposures", -1.0),
        ("days_since_last_exposure", 10_001.0),
        ("goal", "Strength"),
        ("hours_since_muscle_trained", -0.001),
        ("hours_until_muscle_trained", 1e9),
        ("failure_share_7d", 1.0000001),
        ("plan_shift_reps", 5.5),
        ("cautions", ["pregnancy", "pregnancy"]),
        ("cautions", ["tired"]),
        ("cautions", ["pregnancy", None]),
        ("reporting_bias", {"mean_reps": 1.0, "sd_reps": None}),
        ("reporting_bias", {"mean_reps": 6.0, "sd_reps": 1.0}),
        ("exercise_traits", {"joints": "multi", "equipment": None, "muscles": None}),
        ("exercise_traits", {"joints": None, "equipment": "barbell", "muscles": None}),
        ("exercise_traits", {"joints": "triple", "equipment": "crane", "muscles": None}),
        ("exercise_traits", {"joints": "multi", "equipment": None, "muscles": [("nose", 1.0)]}),
        ("policy", "2001-01-01"),
        ("policy", "yesterday"),
    ],
)
def test_a_bad_row_is_refused_as_the_api_refuses_it_and_spoils_no_other(name: str, value: object) -> None:
    """Between two good rows: same places, same words, and the good ones keep their answers."""
    good: dict[str, Any] = {"rep_target": 8, "exercise": "leg_press", "exercises_in_session": 8}
    rows = [good, {**good, name: value}, good]
    traits = pa.struct(
        {"joints": pa.string(), "equipment": pa.string(), "muscles": pa.map_(pa.string(), pa.float64())}
    )
    bias = pa.struct({"mean_reps": pa.float64(), "sd_reps": pa.float64()})
    schema = {"exercise_traits": traits, "reporting_bias": bias, "cautions": pa.list_(pa.string())}
    columns = {key: [row.get(key) for row in rows] for key in dict.fromkeys([*good, name])}
    batch = pa.record_batch({key: pa.array(each, schema.get(key)) for key, each in columns.items()})
    found = answer(batch)
    assert found.table.column("row").to_pylist() == [0, 2]
    (line,) = map(msgspec.json.decode, found.refused)
    if isinstance(value, dict) and value.get("muscles"):
        rows[1][name] = {**value, "muscles": dict(value["muscles"])}
    expected = from_api({"policy": policies().newest.version} | rows[1])
    assert expected == line["errors"]
    assert line["row"] == 1


def test_what_no_json_can_hold_is_refused_with_all_else_that_is_wrong() -> None:
    """NaN and Infinity are no numbers and not null either; the row's other faults are told beside them."""
    batch = pa.record_batch(
        {
            "rep_target": pa.array([8.0, 8.0, 8.5, float("nan")]),
            "exposures": pa.array([float("nan"), float("inf"), 1.0, 2.0]),
            "goal": pa.array(["strength", "none", "strength", "strength"]),
        }
    )
    found = answer(batch)
    places = [[error["pointer"] for error in msgspec.json.decode(line)["errors"]] for line in found.refused]
    assert places == [["#/exposures"], ["#/exposures", "#/goal"], ["#/rep_target"], ["#/rep_target"]]
    assert not len(found.table)
    assert msgspec.json.decode(found.refused[1])["context"]["exposures"] == "inf"


def test_whole_floats_and_narrow_numbers_are_read_as_what_they_say() -> None:
    """Whole numbers with gaps often come as floats; every width of number means the same."""
    wide = {"rep_target": pa.array([8.0, 12.0]), "exercise_order": pa.array([1.0, None])}
    narrow = {"rep_target": pa.array([8, 12], pa.uint8()), "exercise_order": pa.array([1, None], pa.int8())}
    plain = {"exposures": pa.array([0.5, 3.0], pa.float32()), "deload": pa.array([None, True])}
    tables = [answer(pa.record_batch({**each, **plain})).table for each in (wide, narrow)]
    assert tables[0].equals(tables[1])
    assert check(pa.record_batch({**wide, **plain}), pa.record_batch({**wide, **plain})) == (2, 0)


def test_nested_members_may_be_structs_or_named_with_a_dot() -> None:
    """A struct and columns with a dot in the name are the same."""
    joints, bar = pa.array(["single", None]), pa.array([True, None])
    reps = pa.array([8, 8])
    struct = pa.StructArray.from_arrays([joints, bar], ["joints", "under_bar"])
    dotted = answer(
        pa.record_batch(
            {"rep_target": reps, "exercise_traits.joints": joints, "exercise_traits.under_bar": bar}
        )
    )
    assert answer(pa.record_batch({"rep_target": reps, "exercise_traits": struct})).table.equals(dotted.table)
    assert dotted.table.column("cautions").to_pylist() == [
        "under_bar_unspotted general_limits",
        "general_limits",
    ]
