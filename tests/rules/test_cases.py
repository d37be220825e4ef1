"""Every golden case of tests/cases, and what a case must bring with it."""

from pathlib import Path

import pytest

from tests.rules.cases import Case, CaseRefusedError, case_files, read_cases
from tests.rules.contexts import POLICY, answer, effects

REGISTER = POLICY.data.evidence
CASES = [(path.stem, case) for path in case_files() for case in read_cases(path, REGISTER)]
GOOD = """
[[cases]]
name = "a set of eight stops two reps short"
context = { rep_target = 8 }
target = 2.0
low = 1
high = 3
source = ["judgement"]
"""


@pytest.mark.parametrize("case", [case for _, case in CASES], ids=[f"{f}: {c.name}" for f, c in CASES])
def test_golden_case(case: Case) -> None:
    """The answer has the range of the case, and, where it lists factors, exactly that ledger."""
    found = answer(case.context)
    assert found.decision == case.decision
    reserve = found.reps_in_reserve
    got = (None, None, None) if reserve is None else (reserve.target, reserve.low, reserve.high)
    assert got == (case.target, case.low, case.high)
    if case.factors is not None:
        assert effects(found) == case.factors


def test_there_are_enough_cases_and_no_name_is_used_twice() -> None:
    """At least two dozen cases, each with a sentence of its own as its name."""
    names = [case.name for _, case in CASES]
    assert len(names) >= 24
    assert len(set(names)) == len(names)
    assert all(len(name.split()) >= 4 and "_" not in name for name in names)


def test_every_factor_has_a_cases_file_and_shows_in_it() -> None:
    """A factor of the newest policy has its file, with a case in which it has an effect."""
    for factor in POLICY.data.factors:
        told = [case.factors or {} for stem, case in CASES if stem == factor.name]
        assert told, f"no tests/cases/{factor.name}.toml"
        assert any(case.get(factor.name) for case in told), f"no case shows an effect of {factor.name}"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (GOOD.replace('source = ["judgement"]', ""), "source"),
        (GOOD.replace('["judgement"]', "[]"), "source"),
        (GOOD.replace("judgement", "NOT99"), "NOT99"),
        (GOOD.replace("high = 3", ""), "high"),
        (GOOD + "extra = 1", "extra"),
        (GOOD + 'decision = "withhold"', "withhold"),
        ("cases = []", "cases"),
        ("cases = [", "bad.toml"),
    ],
)
def test_a_case_without_a_known_source_is_refused(tmp_path: Path, wrong: str, said: str) -> None:
    """No source, an unknown evidence key, half a range or an unknown member: the file is refused."""
    path = tmp_path / "bad.toml"
    path.write_text(wrong, "utf-8")
    with pytest.raises(CaseRefusedError, match=said):
        read_cases(path, REGISTER)


def test_a_good_case_is_read(tmp_path: Path) -> None:
    """The file the refusals start from is itself fine."""
    path = tmp_path / "good.toml"
    path.write_text(GOOD, "utf-8")
    assert len(read_cases(path, REGISTER)) == 1
