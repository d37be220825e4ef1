"""Facts about the catalogues: exercises, muscles, evidence register, and that everything can be looked up."""

import re
from collections.abc import Iterator

import msgspec
import pytest

from service.policy.catalogue import load_policies
from service.rules.curves import Table
from service.rules.policy import Evidence, Exercise, PolicyData, Sourced
from tests.rules.contexts import POLICY

DATA: PolicyData = POLICY.data
IDENTIFIER = re.compile(r"[a-z0-9][a-z0-9_]{0,63}")
DOI = re.compile(r"10\.\d{4,9}/\S+")


def test_there_are_exercises_enough_for_a_gym() -> None:
    """At least sixty exercises, over every kind of equipment and both kinds of joints."""
    assert len(DATA.exercises) >= 60
    assert {exercise.equipment for exercise in DATA.exercises.values()} >= {
        "barbell",
        "dumbbell",
        "machine",
        "cable",
        "bodyweight",
    }
    assert {exercise.joints for exercise in DATA.exercises.values()} == {"multi", "single"}


def test_exercises_that_the_contract_names_are_there() -> None:
    """The ids the contract uses in its examples exist."""
    assert {"barbell_bench_press", "leg_press"} <= DATA.exercises.keys()


@pytest.mark.parametrize("exercise", DATA.exercises.values(), ids=list(DATA.exercises))
def test_an_exercise_trains_something_directly(exercise: Exercise) -> None:
    """Every exercise has a muscle with share 1.0; shares are 0.5 or 1.0; ids are plain; names are told."""
    assert IDENTIFIER.fullmatch(exercise.id)
    assert exercise.name.strip()
    assert 1.0 in exercise.muscles.values()
    assert set(exercise.muscles.values()) <= {0.5, 1.0}
    assert exercise.muscles.keys() <= DATA.muscles.keys()


def test_every_muscle_is_trained_directly_by_some_exercise() -> None:
    """No muscle of the catalogue is out of reach."""
    direct = {m for e in DATA.exercises.values() for m, share in e.muscles.items() if share == 1}
    assert direct == DATA.muscles.keys()


def test_only_free_bars_can_pin_a_lifter() -> None:
    """An exercise under a bar uses one; the bench press and the squat are among them."""
    pinned = {exercise.id for exercise in DATA.exercises.values() if exercise.under_bar}
    assert "barbell_bench_press" in pinned
    assert {DATA.exercises[exercise].equipment for exercise in pinned} <= {"barbell", "machine"}
    assert all(DATA.exercises[exercise].joints == "multi" for exercise in pinned if "press" in exercise)


def test_names_are_not_shared() -> None:
    """Two exercises, or two muscles, never carry the same name."""
    for catalogue in (DATA.exercises, DATA.muscles):
        names = [entry.name for entry in catalogue.values()]
        assert len(set(names)) == len(names)


@pytest.mark.parametrize("entry", DATA.evidence.values(), ids=list(DATA.evidence))
def test_a_register_entry_can_be_followed(entry: Evidence) -> None:
    """A DOI starts with 10.; a known year is plausible; no field is empty."""
    if entry.doi is not None:
        assert DOI.fullmatch(entry.doi), entry.doi
    assert entry.year is None or 1950 <= entry.year <= 2027
    assert re.fullmatch(r"[A-Z0-9]{3,12}", entry.key)
    for member in ("citation", "design", "finding", "licenses", "limits"):
        assert getattr(entry, member).strip(), member


def test_no_doi_is_used_twice() -> None:
    """One paper, one entry."""
    used = [entry.doi for entry in DATA.evidence.values() if entry.doi]
    assert len(set(used)) == len(used)


def _sources(part: object) -> Iterator[Sourced]:
    if isinstance(part, Sourced):
        yield part
    elif isinstance(part, msgspec.Struct):
        for member in part.__struct_fields__:
            yield from _sources(getattr(part, member))
    elif isinstance(part, tuple):
        for item in part:
            yield from _sources(item)
    elif isinstance(part, dict):
        for item in part.values():
            yield from _sources(item)


def test_every_key_used_anywhere_is_in_the_register() -> None:
    """Keys of factors, levels, windows, floors, families and all other sources resolve."""
    used = {key for source in _sources(DATA) for key in source.evidence}
    for factor in DATA.factors:
        if isinstance(factor.shape, Table):
            used |= {key for level in factor.shape.levels.values() for key in level.evidence or ()}
    assert used
    assert used <= DATA.evidence.keys()


def test_every_source_is_a_study_or_says_it_is_judgement() -> None:
    """A grade other than judgement or common practice comes with keys."""
    for source in _sources(DATA):
        assert source.evidence or source.grade in ("judgement", "common_practice"), source.basis


def test_what_was_not_checked_says_so() -> None:
    """Figures known from memory only carry that status."""
    for key in ("AHA07",):
        assert DATA.evidence[key].status == "from_memory"


def test_two_loads_give_equal_data() -> None:
    """Reading the files twice gives the same numbers and the same digest."""
    assert load_policies(with_drafts=True).newest.data == DATA
