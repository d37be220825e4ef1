"""Released versions are frozen; a new factor is one file in a new folder, and the old answers stay."""

from pathlib import Path

import msgspec
import pytest

from service.errors import PolicyBroken
from service.policy.catalogue import DATA, drafts, load_policies
from service.rules.compiled import Policy
from service.rules.context import SetContext
from service.rules.prescribe import prescribe
from tests.policy.copies import NEWEST, copy_data, edit, release

LATER = "2027-01-15"
WARM_UP = """
factor = "warmth"
title = "Sets already done in the exercise"
unit = "repetitions"
place = 35
inputs = ["set_position"]

[source]
grade = "trial"
evidence = ["NEW27"]
basis = "An invented study, to show how a factor is added."

[[levels]]
when = { set_position = ["last"] }
effect_reps = 0.25
text = "Last set: a quarter of a rep for the sake of the example."

[[levels]]
when = { set_position = ["only", "earlier", "unknown"] }
effect_reps = 0.0
text = ""

[[evidence]]
key = "NEW27"
citation = "Invented A, Example B (2027) A study that does not exist."
year = 2027
design = "none"
finding = "nothing"
licenses = "this test"
limits = "not real"
grade = "trial"
status = "from_memory"
"""
FAILURE = """
factor = "failure_again"
title = "Failure piled up, once more"
unit = "repetitions"
place = 75
stay_away = true
inputs = ["failure_share_7d"]
monotone = { failure_share_7d = "rising" }

[source]
grade = "judgement"
evidence = []
basis = "To show how a curve on an existing input is added."

[curve]
points = [[0.0, 0.0], [1.0, 0.5]]

[[curve.texts]]
from_effect = 0.0
text = "{failure_share_7d:.0%} at failure, counted again."
"""
CONTEXTS: tuple[dict[str, object], ...] = (
    {"rep_target": 8},
    {"rep_target": 8, "set_order": 3, "sets_in_exercise": 3},
    {"rep_target": 12, "set_order": 2, "sets_in_exercise": 2, "goal": "strength", "load_percent_1rm": 70},
    {"rep_target": 15, "failure_share_7d": 1, "experience": "novice"},
    {"rep_target": 5, "failure_share_7d": 0.5, "exposures": 2, "cautions": ["under_18"]},
)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A copy of the data, free to be added to."""
    return copy_data(tmp_path)


def _answer(policy: Policy, document: dict[str, object]) -> bytes:
    return msgspec.json.encode(prescribe(msgspec.convert(document, SetContext), policy))


def _add(root: Path, name: str, text: str) -> None:
    folder = root / LATER / "factors"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.toml").write_text(text, "utf-8")


def test_a_new_factor_is_seen_in_the_answer_with_its_evidence(root: Path) -> None:
    """One file in a new folder: the newest version names the factor and its register entry."""
    _add(root, "warmth", WARM_UP)
    newest = load_policies(root, with_drafts=True).newest
    assert newest.version == LATER
    found = prescribe(msgspec.convert(CONTEXTS[1], SetContext), newest)
    reason = next(reason for reason in found.reasons if reason.factor == "warmth")
    assert reason.effect_reps == 0.25
    assert reason.evidence == ("NEW27",)
    assert newest.data.evidence["NEW27"].year == 2027
    assert found.policy.version == LATER
    assert found.reps_in_reserve is not None
    assert sum(reason.effect_reps for reason in found.reasons) == found.reps_in_reserve.target


def test_a_new_curve_moves_the_target_only_in_the_new_version(root: Path) -> None:
    """A second curve on the failure share adds its half rep from its date on."""
    _add(root, "failure_again", FAILURE)
    policies = load_policies(root, with_drafts=True)
    old, new = (
        prescribe(msgspec.convert({"rep_target": 8, "failure_share_7d": 1}, SetContext), policies.get(name))
        for name in (NEWEST, LATER)
    )
    assert old.reps_in_reserve is not None
    assert new.reps_in_reserve is not None
    assert new.reps_in_reserve.target == old.reps_in_reserve.target + 0.5


def test_old_answers_stay_byte_equal_when_a_factor_is_added(root: Path) -> None:
    """The version before, loaded beside the new one, gives the bytes it always gave."""
    before = load_policies(root, with_drafts=True).get(NEWEST)
    answers = [_answer(before, document) for document in CONTEXTS]
    _add(root, "warmth", WARM_UP)
    _add(root, "failure_again", FAILURE)
    policies = load_policies(root, with_drafts=True)
    assert [_answer(policies.get(NEWEST), document) for document in CONTEXTS] == answers
    assert policies.get(NEWEST).data.digest == before.data.digest
    assert policies.newest.data.digest != before.data.digest


def test_a_factor_replaced_in_a_new_folder_leaves_the_old_version_alone(root: Path) -> None:
    """A changed deload of +1 counts in the new version only; all other files are taken over."""
    text = (root / NEWEST / "factors/deload.toml").read_text("utf-8")
    _add(root, "deload", text.replace("effect_reps = 2.0", "effect_reps = 1.0"))
    policies = load_policies(root, with_drafts=True)
    targets = {}
    for version in (NEWEST, LATER):
        context = msgspec.convert({"rep_target": 8, "deload": True}, SetContext)
        reserve = prescribe(context, policies.get(version)).reps_in_reserve
        assert reserve is not None
        targets[version] = reserve.target
    assert targets[LATER] == targets[NEWEST] - 1
    assert policies.newest.data.exercises == policies.get(NEWEST).data.exercises


def test_a_released_version_that_was_edited_is_refused(root: Path) -> None:
    """Any byte of a frozen version: the digest no longer matches, and the refusal shows the way on."""
    digest = load_policies(root, with_drafts=True).newest.data.digest
    release(root, {NEWEST: digest})
    assert load_policies(root).newest.data.digest == digest
    edit(root / NEWEST / "factors/deload.toml", "effect_reps = 2.0", "effect_reps = 2.5")
    with pytest.raises(PolicyBroken, match="changed after its release"):
        load_policies(root)


def test_a_comment_added_to_a_released_version_is_refused_too(root: Path) -> None:
    """Frozen means the bytes, not only the numbers."""
    release(root, {NEWEST: load_policies(root, with_drafts=True).newest.data.digest})
    path = root / NEWEST / "evidence.toml"
    path.write_text(path.read_text("utf-8") + "# a thought\n", "utf-8")
    with pytest.raises(PolicyBroken, match="changed after its release"):
        load_policies(root)


def test_a_factor_added_into_a_released_folder_is_refused(root: Path) -> None:
    """New data needs a folder with a new date."""
    release(root, {NEWEST: load_policies(root, with_drafts=True).newest.data.digest})
    (root / NEWEST / "factors/warmth.toml").write_text(WARM_UP, "utf-8")
    with pytest.raises(PolicyBroken, match="changed after its release"):
        load_policies(root)


def test_line_endings_do_not_change_the_digest(root: Path) -> None:
    """A checkout with CRLF is the same release."""
    digest = load_policies(root, with_drafts=True).newest.data.digest
    for path in (root / NEWEST).rglob("*.toml"):
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert load_policies(root, with_drafts=True).newest.data.digest == digest


def test_a_draft_is_not_served_unless_asked_for(root: Path) -> None:
    """Without drafts only released versions load; the draft is listed as one."""
    release(root, {NEWEST: load_policies(root, with_drafts=True).newest.data.digest})
    _add(root, "warmth", WARM_UP)
    assert [policy.version for policy in load_policies(root).versions][-1] == NEWEST
    assert LATER in drafts(root)
    assert load_policies(root, with_drafts=True).newest.version == LATER


def test_a_released_version_without_its_folder_is_refused(root: Path) -> None:
    """What was released stays callable for ever: its data must be there."""
    release(
        root, {NEWEST: load_policies(root, with_drafts=True).newest.data.digest, "2020-01-01": "sha256:0"}
    )
    with pytest.raises(PolicyBroken, match="2020-01-01"):
        load_policies(root)


def test_the_release_list_matches_the_data() -> None:
    """When versions are released, each loads with its frozen digest (nothing to check before that)."""
    if (DATA / "released.toml").exists():
        policies = load_policies()
        assert policies.versions
        assert not set(drafts()) & {policy.version for policy in policies.versions}
