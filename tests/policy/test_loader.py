"""The loader refuses data with a fault, naming it; every refusal starts from data that loads."""

import re
from pathlib import Path

import pytest

from service.errors import PolicyBroken, PolicyNotFound
from service.policy.catalogue import load_policies
from tests.policy.copies import NEWEST, copy_data, edit

# file, what stands there, what is put in its place, a word the refusal must say
BROKEN = {
    "unknown key in a factor": ("factors/exposures.toml", "unit =", 'colour = "red"\nunit =', "colour"),
    "unknown key in limits": (
        "limits.toml",
        "discount_slack_reps",
        "slack = 1\ndiscount_slack_reps",
        "slack",
    ),
    "unknown key in capacity": ("capacity.toml", "exponent =", "power = 2\nexponent =", "power"),
    "missing unit": ("factors/exposures.toml", 'unit = "repetitions"\n', "", "unit"),
    "other unit": ("factors/exposures.toml", '"repetitions"', '"sets"', "unit"),
    "gap in a table": ("factors/deload.toml", "deload = [true]", "deload = []", "no level for"),
    "two levels for one value": (
        "factors/deload.toml",
        "deload = [true]",
        "deload = [false, true]",
        "two levels",
    ),
    "value outside the vocabulary": (
        "factors/experience.toml",
        'experience = ["novice"]',
        'experience = ["novice", "expert"]',
        "expert",
    ),
    "level on an input the factor lacks": (
        "factors/deload.toml",
        "deload = [true]",
        'goal = ["power"]',
        "goal",
    ),
    "unknown input": (
        "factors/exposures.toml",
        'inputs = ["effective_exposures"]',
        'inputs = ["mood"]',
        "mood",
    ),
    "source without a grade": ("factors/deload.toml", 'grade = "consensus"\n', "", "grade"),
    "source without a basis": ("factors/deload.toml", "basis =", "# basis =", "deload.toml"),
    "grade of no known kind": ("factors/deload.toml", '"consensus"', '"hearsay"', "hearsay|grade"),
    "study grade without keys": (
        "factors/deload.toml",
        'evidence = ["ROG24", "BEL23", "COL24"]',
        "evidence = []",
        "evidence",
    ),
    "study grade of one level without keys": (
        "factors/experience.toml",
        'evidence = ["GRG22"]',
        'evidence = []\ngrade = "trial"',
        "evidence",
    ),
    "unknown evidence key": ("factors/deload.toml", '"ROG24"', '"NOT99"', "NOT99"),
    "unknown evidence key of a level": (
        "factors/set_order.toml",
        'evidence = ["HER25"]\n',
        'evidence = ["NOT99"]\n',
        "NOT99",
    ),
    "unknown evidence key of a floor": ("limits.toml", '"ACOG20"', '"NOT99"', "NOT99"),
    "unknown evidence key of capacity": ("capacity.toml", '"NSCAT"', '"NOT99"', "NOT99"),
    "curve against its direction": ("factors/exposures.toml", "[1, 0.5]", "[1, 1.5]", "not falling"),
    "curve out of order": ("factors/exposures.toml", "[3, 0.25]", "[0.5, 0.25]", "ascend"),
    "curve without points": (
        "factors/exposures.toml",
        "points = [[0, 1.0], [1, 0.5], [3, 0.25], [4, 0.0]]",
        "points = []",
        "exposures",
    ),
    "grid against its direction": (
        "factors/base.toml",
        "[1.0, 1.25, 1.75, 2.0, 2.25, 2.5],",
        "[1.0, 1.25, 1.0, 2.0, 2.25, 2.5],",
        "not rising",
    ),
    "grid with a short row": (
        "factors/base.toml",
        "[1.0, 1.25, 1.75, 2.0, 2.25, 2.5],",
        "[1.0, 1.25],",
        "rows",
    ),
    "direction left out": ("factors/exposures.toml", "monotone =", "# monotone =", "rising or falling"),
    "spread rising with load": ("capacity.toml", "45.0, 12.0", "12.0, 45.0", "not falling"),
    "effect off the sixteenths": ("factors/deload.toml", "effect_reps = 2.0", "effect_reps = 2.1", "1/16"),
    "effect without a text": (
        "factors/deload.toml",
        'text = "Deload: ease off and do fewer sets, but keep training."',
        'text = ""',
        "text",
    ),
    "text too long": ("factors/deload.toml", "Deload: ease", "Deload: " + "very " * 30 + "ease", "140"),
    "floor text too long": ("limits.toml", "First session ever:", "First " * 30, "140"),
    "text that cannot be filled in": ("factors/deload.toml", "Deload: ease", "{sets} ease", "filled in"),
    "gap between windows": ("limits.toml", "from_reps = 6", "from_reps = 7", "windows"),
    "window upside down": ("limits.toml", "high = 2.0", "high = -1.0", "window"),
    "floor of no known code": ("limits.toml", 'code = "pregnancy"', 'code = "bad_mood"', "bad_mood"),
    "floor of half a rep": ("limits.toml", "reps = 3.0", "reps = 2.5", "whole"),
    "caution without a text": ("cautions.toml", 'code = "pregnancy"', 'code = "under_18"', "cautions"),
    "default without a text": ("defaults.toml", "exercise_order =", "# exercise_order =", "exercise_order"),
    "file named after another factor": (
        "factors/deload.toml",
        'factor = "deload"',
        'factor = "de_load"',
        "named after",
    ),
    "two factors in one place": ("factors/deload.toml", "place = 110", "place = 100", "place"),
    "no TOML": ("cues.toml", "velocity_text =", "velocity_text", "cues.toml"),
}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A copy of the data, free to be edited."""
    return copy_data(tmp_path)


def test_the_untouched_copy_loads(root: Path) -> None:
    """Every refusal below starts from data that is fine."""
    assert load_policies(root, with_drafts=True).newest.version == NEWEST


@pytest.mark.parametrize(("file", "old", "new", "said"), BROKEN.values(), ids=BROKEN)
def test_faulty_data_is_refused(root: Path, file: str, old: str, new: str, said: str) -> None:
    """One edit makes one fault, and the refusal says which."""
    edit(root / NEWEST / file, old, new)
    with pytest.raises(PolicyBroken, match=said):
        load_policies(root, with_drafts=True)


@pytest.mark.parametrize("file", ["factors/deload.toml", "factors/exposures.toml", "capacity.toml"])
def test_numbers_without_any_source_are_refused(root: Path, file: str) -> None:
    """A file whose whole [source] block is gone does not load."""
    path = root / NEWEST / file
    text, cuts = re.subn(r"(?s)\n\[source\].*?(?=\n\[)", "\n", path.read_text("utf-8"), count=1)
    assert cuts == 1
    path.write_text(text, "utf-8")
    with pytest.raises(PolicyBroken, match="source"):
        load_policies(root, with_drafts=True)


@pytest.mark.parametrize(
    ("file", "table", "said"),
    [
        ("exercises.toml", "exercises", "exercise given twice"),
        ("muscles.toml", "muscles", "muscle given twice"),
        ("evidence.toml", "evidence", "evidence given twice"),
    ],
)
def test_an_id_given_twice_is_refused(root: Path, file: str, table: str, said: str) -> None:
    """The first entry of a catalogue, repeated at its end, is refused."""
    path = root / NEWEST / file
    text = path.read_text("utf-8")
    head = f"[[{table}]]"
    first = text.split(head)[1]
    path.write_text(f"{text}\n{head}{first}", "utf-8")
    with pytest.raises(PolicyBroken, match=said):
        load_policies(root, with_drafts=True)


@pytest.mark.parametrize(
    "file",
    [
        "limits.toml",
        "cautions.toml",
        "defaults.toml",
        "accustoming.toml",
        "capacity.toml",
        "cues.toml",
        "muscles.toml",
        "exercises.toml",
        "evidence.toml",
        "factors/base.toml",
    ],
)
def test_a_folder_with_a_missing_file_is_refused(root: Path, file: str) -> None:
    """Without any one of its files a version does not load."""
    (root / NEWEST / file).unlink()
    with pytest.raises(PolicyBroken, match=Path(file).stem):
        load_policies(root, with_drafts=True)


@pytest.mark.parametrize("stray", ["notes.toml", "factor/extra.toml"])
def test_a_file_that_is_no_policy_file_is_refused(root: Path, stray: str) -> None:
    """A misplaced file is not silently ignored."""
    path = root / NEWEST / stray
    path.parent.mkdir(exist_ok=True)
    path.write_text("x = 1\n", "utf-8")
    with pytest.raises(PolicyBroken, match="not a policy file"):
        load_policies(root, with_drafts=True)


def test_an_exercise_must_train_something_directly(root: Path) -> None:
    """An exercise whose shares are all below 1.0 is refused."""
    path = root / NEWEST / "exercises.toml"
    path.write_text(path.read_text("utf-8").replace("1.0", "0.5"), "utf-8")
    with pytest.raises(PolicyBroken, match="directly"):
        load_policies(root, with_drafts=True)


def test_an_exercise_of_an_unknown_family_or_muscle_is_refused(root: Path) -> None:
    """Catalogue entries point at families and muscles that exist."""
    path = root / NEWEST / "exercises.toml"
    text = path.read_text("utf-8")
    giant, found = re.subn(r'capacity_family\s*=\s*"\w+"', 'capacity_family = "giant"', text, count=1)
    assert found == 1
    path.write_text(giant, "utf-8")
    with pytest.raises(PolicyBroken, match="family"):
        load_policies(root, with_drafts=True)
    row = '\n[[exercises]]\nid = "x"\nname = "X"\njoints = "multi"\nequipment = "band"\nunder_bar = false\n'
    path.write_text(f'{text}{row}capacity_family = "general"\nmuscles = {{ wing = 1.0 }}\n', "utf-8")
    with pytest.raises(PolicyBroken, match="wing"):
        load_policies(root, with_drafts=True)


def test_all_faults_of_a_version_are_named_at_once(root: Path) -> None:
    """Two faults in two files come in one refusal."""
    edit(root / NEWEST / "factors/deload.toml", '"ROG24"', '"NOT99"')
    edit(root / NEWEST / "limits.toml", "from_reps = 6", "from_reps = 7")
    with pytest.raises(PolicyBroken, match=r"(?s)NOT99.*windows|windows.*NOT99"):
        load_policies(root, with_drafts=True)


def test_no_data_at_all_is_refused(tmp_path: Path) -> None:
    """An empty root holds no policy to answer with."""
    with pytest.raises(PolicyBroken):
        load_policies(tmp_path, with_drafts=True)


def test_an_unknown_version_is_not_found(root: Path) -> None:
    """Asking for a version that does not exist names those that do."""
    with pytest.raises(PolicyNotFound, match=NEWEST):
        load_policies(root, with_drafts=True).get("1999-01-01")
