"""What is wrong with a command line is told by its option, before anything is opened, with exit code 2."""

import pytest
from click.testing import CliRunner

from service.cli import COMMANDS, effort

WRONG = [
    (("key", "create"), "--tenant"),
    (("key", "create", "--tenant", "a", "--scope", "all"), "--scope"),
    (("key", "create", "--tenant", "a", "--expires-in-days", "0"), "--expires-in-days"),
    (("key", "list"), "--tenant"),
    (("key", "rotate"), "KEY_ID"),
    (("key", "rotate", "a", "--overlap-hours", "0.5"), "--overlap-hours"),
    (("key", "rotate", "a", "--overlap-hours", "721"), "--overlap-hours"),
    (("key", "revoke"), "KEY_ID"),
    (("import", "-"), "--tenant"),
    (("import", "--tenant", "a", "--format", "xml", "-"), "--format"),
    (("import", "--tenant", "a", "none.csv"), "FILE"),
    (("prescribe", "none.json"), "FILE"),
    (("prescribe", "--language", "xx", "-"), "--language"),
    (("plan", "--format", "pdf", "-"), "--format"),
    (("plan", "--width", "39", "-"), "--width"),
    (("plan", "--session", "0", "-"), "--session"),
    (("bulk", "--session", "0", "in", "out"), "--session"),
    (("bulk", "--format", "csv", "in", "out"), "--format"),
    (("bulk", "none.parquet", "out"), "IN"),
    (("backup",), "FILE"),
    (("restore",), "FILE"),
    (("policy", "show", "--nothing"), "--nothing"),
    (("document", "--nothing"), "--nothing"),
    (("retain", "--nothing"), "--nothing"),
    (("migrate", "--nothing"), "--nothing"),
    (("serve", "--nothing"), "--nothing"),
    (("demo", "--nothing"), "--nothing"),
]


@pytest.mark.parametrize(
    ("arguments", "told"), WRONG, ids=lambda each: " ".join(each) if isinstance(each, tuple) else ""
)
def test_a_wrong_command_line_is_told_by_its_option(arguments: tuple[str, ...], told: str) -> None:
    """Every command, and what is left out, unknown or out of range."""
    done = CliRunner().invoke(effort, arguments, env={"EFFORT_DATABASE_URL": "sqlite:////nowhere/effort.db"})
    assert done.exit_code == 2, done.exception
    assert done.stdout == ""
    assert told in done.stderr.splitlines()[-1], done.stderr


def test_every_command_is_among_them() -> None:
    """A new command has its line here."""
    assert {arguments[0] for arguments, _ in WRONG} == set(COMMANDS)
