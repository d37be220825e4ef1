"""Everyone's next session: each row is what the lifter's own route answers."""

import asyncio
import json
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from service.bulk import history
from service.bulk.chunks import policies
from service.bulk.history import context_of, slots_of
from service.cli import effort
from service.cli.plan import read_plan
from service.errors import InputRefused, NotFound
from service.policy.plan_basis import load_plan_basis
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import stateless_start
from service.storage.keys import NewKey
from tests.api.gym import GYM, day, id_of, set_body
from tests.serving import make_key, served

SQLITE = pytest.mark.parametrize("database_kind", ["sqlite"])
SCOPES = ("prescribe", "history:read", "history:write", "admin")
PLAN: dict[str, Any] = {
    "lifter": {"safety_arms": True},
    "sessions": [
        {
            "starts_at": day(30),
            "exercises": [
                {"exercise": "barbell_bench_press", "sets": [{"rep_target": 6, "load_percent_1rm": 80}] * 2},
                {"exercise": "leg_press", "sets": [{"rep_target": 12}]},
            ],
        },
        {
            "starts_at": day(31),
            "exercises": [{"exercise": "dumbbell_bench_press", "sets": [{"rep_target": 10}] * 3}],
        },
    ],
    "progression": {"weeks": 4, "start_shift_reps": 0.5},
}


async def settle(client: httpx.AsyncClient) -> None:
    """Store lifters of two sites and of none: histories of weeks, a profile alone, one who gets no target."""
    for site in ("north", "south"):
        await client.put(f"/v1/sites/{site}")
    profiles: dict[str, dict[str, Any]] = {
        "a:1": {"site": "north", "experience": "novice"},
        "b.2": {"site": "north", "goal": "strength", "cautions": ["age_65_or_over"]},
        "Z-3": {"site": "north", "cautions": ["warning_signs"]},
        "c": {"site": "south"},
        "d": {},
    }
    for number, (lifter, profile) in enumerate(profiles.items()):
        put = await client.put(f"/v1/lifters/{lifter}", json=profile)
        assert put.status_code in (200, 201), put.text
        sets = [
            set_body(
                100 * number + place,
                performed_at=day(27 + number / 2 + place / 24),
                set_endpoint="momentary_failure" if place % 3 else "planned_stop",
                rir_call={"at_rep": 5, "reps_left": 1 + number},
            )
            for place in range(1, 8)
        ]
        if lifter != "d":
            posted = await client.post(f"/v1/lifters/{lifter}/sets", json={"sets": sets})
            assert posted.status_code == 201, posted.text
    assert id_of(1) != id_of(101)


async def from_routes(url: str, key: NewKey, lifters: list[str], session: int) -> list[dict[str, Any]]:
    """Return what the lifters' routes answer to the sets of a session, as an app would ask."""
    plan = read_plan(json.dumps(PLAN).encode(), policies())
    rows = []
    async with served(url, token=key.token) as client:
        for lifter in lifters:
            for slot in slots_of(plan, session, load_plan_basis(policies().newest)):
                answer = await client.post(
                    f"/v1/lifters/{lifter}/prescriptions",
                    content=msgspec.json.encode(context_of(slot, plan)),
                    headers={"content-type": "application/json"},
                )
                assert answer.status_code == 200, answer.text
                rows.append(_row(lifter, session, answer.json()))
    return rows


def _row(lifter: str, session: int, answer: dict[str, Any]) -> dict[str, Any]:
    used = answer["context_used"]
    reserve = answer["reps_in_reserve"] or dict.fromkeys(("target", "low", "high"))
    return {
        "lifter_id": lifter,
        "session": session,
        **{name: used[name] for name in ("exercise", "exercise_order", "set_order", "rep_target")},
        "decision": answer["decision"],
        **{name: reserve[name] for name in ("target", "low", "high")},
        "reported": answer["reported_reps_in_reserve"],
        "reasons": " ".join(reason["factor"] for reason in answer["reasons"]),
        "effects": {r["factor"]: r["effect_reps"] for r in answer["reasons"] if r["effect_reps"]},
        "reason_texts": [reason["text"] for reason in answer["reasons"]],
        "cautions": {note["code"] for note in answer["cautions"]},
        "policy": answer["policy"]["version"],
    }


def rows_in(out: Path) -> list[dict[str, Any]]:
    """Return the rows of the parts in the same form."""
    rows = []
    for path in sorted(out.glob("part-*.parquet")):
        for row in pq.read_table(path).to_pylist():
            effects = {
                name.removeprefix("effect_reps_"): row.pop(name)
                for name in tuple(row)
                if name.startswith("effect_reps_")
            }
            told = {name: value for name, value in effects.items() if value}
            rows.append({**row, "effects": told, "cautions": set(row["cautions"].split())})
    return rows


@pytest.fixture
def gym_url(database_url: str, monkeypatch: pytest.MonkeyPatch) -> tuple[str, NewKey]:
    """A gym with lifters, the database of the settings."""

    async def make() -> NewKey:
        key = await make_key(database_url, *SCOPES, tenant=GYM)
        async with served(database_url, token=key.token) as client:
            await settle(client)
        return key

    monkeypatch.setenv("EFFORT_DATABASE_URL", database_url)
    return database_url, asyncio.run(make())


def run(folder: Path, *options: str) -> Result:
    """Run the command on the plan."""
    plan = folder / "plan.json"
    plan.write_text(json.dumps(PLAN), "utf-8")
    arguments = ["bulk", "--from-history", *options, str(plan), str(folder / "out")]
    return CliRunner().invoke(effort, arguments, catch_exceptions=True)


def test_each_row_is_what_the_route_of_the_lifter_answers(
    gym_url: tuple[str, NewKey], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On both databases: lifters of the site only, each set of the session, in several units; nothing of others."""
    monkeypatch.setattr(history, "LIFTERS_A_UNIT", 2)
    result = run(tmp_path, "--site", "north", "--texts", "--json")
    assert result.exit_code == 0, (result.output, result.exception)
    found = rows_in(tmp_path / "out")
    lifters = list(dict.fromkeys(row["lifter_id"] for row in found))
    assert set(lifters) == {"a:1", "b.2", "Z-3"}
    assert found == asyncio.run(from_routes(*gym_url, lifters, 1))
    assert len({row["target"] for row in found}) > 2
    summary = json.loads(result.stdout)
    assert (summary["answered"], summary["withheld"], summary["units"]) == (9, 3, 2)


# What history would fill: the plan's own walk counts its earlier sets for these.
FILLED = ("exposures", "hours_since_muscle_trained", "failure_share_7d")


@pytest.mark.parametrize("session", [1, 2, 3])
def test_what_is_asked_of_a_lifter_is_all_the_plan_says(session: int) -> None:
    """Each member the plan gives a set stands in what is asked: as in the plan's own answer, which others work out."""
    told = {
        "experience": "advanced",
        "goal": "strength",
        "spotter": True,
        "safety_arms": True,
        "cautions": ["age_65_or_over"],
    }
    sessions = [*PLAN["sessions"], {**PLAN["sessions"][0], "starts_at": day(32), "deload": True}]
    plan = read_plan(json.dumps({**PLAN, "lifter": told, "sessions": sessions}).encode(), policies())
    basis = load_plan_basis(policies().newest)
    answer = prescribe_plan(plan, stateless_start(plan), basis, "full")
    expected = [
        one.context_used
        for exercise in answer.sessions[session - 1].exercises
        for one in exercise.sets
        if not one.cut
    ]
    asked = [context_of(slot, plan) for slot in slots_of(plan, session, basis)]
    assert len(asked) == len(expected)
    for one, used in zip(asked, expected, strict=True):
        said = {
            name: getattr(used, name) for name in used.__struct_fields__ if name not in (*FILLED, "policy")
        }
        assert {name: getattr(one, name) for name in said} == said
    assert {one.at for one in asked} == {sessions[session - 1]["starts_at"]}


def test_exposures_told_in_a_plan_are_asked_with() -> None:
    """They are of the exercise they are told for, and of no other."""
    plan = read_plan(json.dumps({**PLAN, "lifter": {"exposures": {"leg_press": 3}}}).encode(), policies())
    asked = [context_of(slot, plan) for slot in slots_of(plan, 1, load_plan_basis(policies().newest))]
    assert {(one.exercise, one.exposures) for one in asked} == {
        ("leg_press", 3),
        ("barbell_bench_press", None),
    }


@SQLITE
def test_another_session_and_a_whole_tenant_may_be_asked_for(
    gym_url: tuple[str, NewKey], tmp_path: Path
) -> None:
    """Without a site every lifter of the tenant has rows, those with no history and no site too."""
    result = run(tmp_path, "--session", "2", "--texts", "--tenant", GYM)
    assert result.exit_code == 0, (result.output, result.exception)
    found = rows_in(tmp_path / "out")
    lifters = list(dict.fromkeys(row["lifter_id"] for row in found))
    assert sorted(lifters) == ["Z-3", "a:1", "b.2", "c", "d"]
    assert found == asyncio.run(from_routes(*gym_url, lifters, 2))


@SQLITE
def test_a_lifter_who_joins_between_two_runs_is_in_no_part_twice(
    gym_url: tuple[str, NewKey], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Units keep to the stretches of ids they began with, whoever joins before the run goes on."""
    monkeypatch.setattr(history, "LIFTERS_A_UNIT", 1)
    run(tmp_path, "--site", "north")
    (tmp_path / "out" / "_done" / "00001.json").unlink()

    async def join() -> None:
        async with served(gym_url[0], token=gym_url[1].token) as client:
            for lifter in ("0-first", "a:0", "b.1", "zz"):
                await client.put(f"/v1/lifters/{lifter}", json={"site": "north"})

    asyncio.run(join())
    again = run(tmp_path, "--site", "north")
    assert again.exit_code == 0, (again.output, again.exception)
    rows = [(row["lifter_id"], row["exercise_order"], row["set_order"]) for row in rows_in(tmp_path / "out")]
    assert len(rows) == len(set(rows))
    assert {"a:1", "b.2", "Z-3"} <= {lifter for lifter, _, _ in rows}


@SQLITE
@pytest.mark.usefixtures("gym_url")
def test_what_is_not_there_is_told(tmp_path: Path) -> None:
    """A site, tenant or session that is not there: in words, and no folder is made."""
    for options, kind, told in (
        (("--site", "west"), NotFound, "no site named west"),
        (("--tenant", "mill-lane-gym"), NotFound, "no tenant named mill-lane-gym"),
        (("--session", "3"), InputRefused, "must be 1 to 2, the sessions of the plan"),
    ):
        result = run(tmp_path, *options)
        assert isinstance(result.exception, kind), result.output
        assert told in str(result.exception)
        assert not (tmp_path / "out").exists()
