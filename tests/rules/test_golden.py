"""Each policy version still answers, byte for byte, what it answered when its golden file was written."""

import shutil
from pathlib import Path

import msgspec
import pytest

from service.policy.catalogue import drafts
from service.rules.answer import Prescription
from tests.rules.contexts import POLICIES
from tests.rules.golden import FOLDER, Golden, answered, contexts, read_golden, write_golden

FILES = {path.stem: path for path in sorted(FOLDER.glob("????-??-??.jsonl"))}
LINES = [
    pytest.param(version, golden, id=f"{version} line {number}")
    for version, path in FILES.items()
    for number, golden in enumerate(read_golden(path), 1)
]


@pytest.mark.parametrize(("version", "golden"), LINES)
def test_answer_is_byte_equal_to_the_golden_one(version: str, golden: Golden) -> None:
    """The pinned version gives exactly the bytes that were kept."""
    assert answered(bytes(golden.context), POLICIES.get(version)).decode() == bytes(golden.answer).decode()


def test_every_released_version_has_its_golden_answers() -> None:
    """A release without golden answers could change unseen."""
    draft = set(drafts())
    assert {policy.version for policy in POLICIES.versions if policy.version not in draft} <= FILES.keys()
    assert FILES


@pytest.mark.parametrize("version", FILES)
def test_golden_answers_are_many_and_varied(version: str) -> None:
    """About forty contexts, different answers, both decisions, and every member of an answer in use."""
    answers = [msgspec.json.decode(g.answer, type=Prescription) for g in read_golden(FILES[version])]
    assert len(answers) >= 40
    assert len({msgspec.json.encode(answer) for answer in answers}) >= len(answers) - 1
    assert {answer.decision for answer in answers} == {"prescribe", "withhold"}
    for member in ("adjustments", "assumptions", "cautions", "stop_cues", "what_would_change_it"):
        assert any(getattr(answer, member) for answer in answers), member
    assert any(answer.reported_reps_in_reserve is not None for answer in answers)
    told = {reason.factor for answer in answers for reason in answer.reasons}
    assert told >= {factor.name for factor in POLICIES.get(version).data.factors}
    assert told >= {"rep_band_window", "discount_limit", "safety_floor", "rounding"}


def test_an_existing_golden_file_is_never_overwritten(tmp_path: Path) -> None:
    """Writing a version twice fails and leaves the first file as it was."""
    shutil.copy(FOLDER / "contexts.jsonl", tmp_path)
    version = POLICIES.newest.version
    path = write_golden(version, tmp_path)
    kept = path.read_bytes()
    assert len(kept.splitlines()) == len(contexts(POLICIES.newest, tmp_path))
    with pytest.raises(FileExistsError):
        write_golden(version, tmp_path)
    assert path.read_bytes() == kept
