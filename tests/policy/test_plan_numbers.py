"""The loader of the plan numbers refuses a file with a fault, naming it; every refusal starts from one that loads."""

import re
import shutil
from pathlib import Path

import pytest

from service.errors import PolicyBroken
from service.policy.plan_numbers import FOLDER, load_plan_numbers
from tests.policy.copies import edit
from tests.rules.contexts import POLICY

# what stands there, what is put in its place, a word the refusal must say
BROKEN = {
    "unknown key": ("under_hours = 36.0", "under_hours = 36.0\nmood = 1", "mood"),
    "version of another file": ('version = "', 'version = "2', "version"),
    "share above one": ("keep_share = 0.5", "keep_share = 1.5", "keep_share"),
    "unknown evidence key": ('"SIN24"', '"NOT99"', "short_rest.*NOT99"),
    "unknown evidence key of the deload": ('"ROG24"', '"NOT99"', "deload.*NOT99"),
    "study grade without keys": ('["REF23F", "SIM05"]', "[]", "early_failure.*evidence"),
    "severity of no known kind": ('"critical"', '"grave"', "grave"),
    "value the rule does not have": ("{shortest:.2g}", "{longest:.2g}", "short_rest.text.*longest"),
    "text too long for the longest name": (
        "a failed rep",
        "a failed repetition" + " or two" * 8,
        "characters",
    ),
    "mend below a safety floor": ("keep_reps_short = 3.0", "keep_reps_short = 2.0", "undercuts"),
    "short sets ending too early": ("short_up_to_reps = 6", "short_up_to_reps = 5", "undercuts"),
    "limit that is still failure": ("raise_to_reps = 1.0", "raise_to_reps = 0.25", "still counts as failure"),
}


def test_the_newest_file_loads_with_the_numbers_as_written() -> None:
    """Those that other parts of a plan read."""
    numbers = load_plan_numbers(POLICY)
    assert numbers.failure_below_reps == 0.5
    assert numbers.deload.keep_share == 0.5
    assert numbers.limit.raise_to_reps == 1


@pytest.mark.parametrize(("old", "new", "word"), BROKEN.values(), ids=BROKEN)
def test_a_fault_is_refused_and_named(tmp_path: Path, old: str, new: str, word: str) -> None:
    """The refusal says where to look."""
    folder = tmp_path / "plans"
    shutil.copytree(FOLDER, folder)
    edit(max(folder.glob("*.toml")), old, new)
    with pytest.raises(PolicyBroken) as refusal:
        load_plan_numbers(POLICY, folder)
    assert re.search(word, str(refusal.value))
