"""`effort key` and `effort migrate --api-role` as a person runs them."""

import re
from collections.abc import Iterator

import pytest
from sqlalchemy import make_url

from tests.commands.test_commands import effort
from tests.databases import fresh_database
from tests.roles import new_role

TENANT = ("--tenant", "harbour-street-gym")


@pytest.fixture
def where(database_url: str) -> dict[str, str]:
    """The settings for a migrated database."""
    return {"EFFORT_DATABASE_URL": database_url}


def made(text: str) -> tuple[str, str]:
    """Key id and key, as printed once."""
    key_id = re.search(r"^key id: (\S+)$", text, re.MULTILINE)
    token = re.search(r"^API key: (effk_\S+)$", text, re.MULTILINE)
    assert key_id is not None
    assert token is not None
    return key_id[1], token[1]


def lines(where: dict[str, str]) -> dict[str, str]:
    """Lines of the list, by key id."""
    listed = effort("key", "list", *TENANT, **where)
    assert listed.returncode == 0
    return {line.split()[0]: line for line in listed.stdout.splitlines()}


def test_a_key_is_bound_to_sites(where: dict[str, str]) -> None:
    """To one or several, made if new; a name that is none is refused and no key is made."""
    done = effort("key", "create", *TENANT, "--site", "south", "--site", "north", **where)
    key_id, token = made(done.stdout)
    assert "sites north south" in lines(where)[key_id]
    assert token not in lines(where)[key_id]
    refused = effort("key", "create", *TENANT, "--site", "north", "--site", "no site", **where)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "'no site'" in refused.stderr
    assert len(lines(where)) == 1


def test_a_key_is_rotated(where: dict[str, str]) -> None:
    """The successor is printed once; the list tells who replaced whom, and when the old key ends."""
    old, _ = made(effort("key", "create", *TENANT, "--label", "till 3", "--site", "north", **where).stdout)
    new, token = made(effort("key", "rotate", old, "--overlap-hours", "2", **where).stdout)
    listed = lines(where)
    assert f"replaced by {new}" in listed[old]
    assert re.search(r"expires 20\d\d-", listed[old])
    for part in ("till 3", "sites north", "never used"):
        assert part in listed[new]
    assert "expires" not in listed[new]
    assert token not in "".join(listed.values())
    for key_id in (old, new):
        again = effort("key", "rotate", key_id, **where)
        assert (again.returncode, again.stdout) == (2, "")
    assert effort("key", "revoke", old, **where).returncode == 0
    assert effort("key", "rotate", old, **where).returncode == 2
    third, _ = made(effort("key", "rotate", new, **where).stdout)
    assert f"replaced by {third}" in lines(where)[new]


@pytest.mark.parametrize("arguments", [("000000000000",), ("x",), ("x", "--overlap-hours", "0.5")])
def test_what_cannot_be_rotated_is_told(where: dict[str, str], arguments: tuple[str, ...]) -> None:
    """Exit code 2, nothing on standard output."""
    done = effort("key", "rotate", *arguments, **where)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr


@pytest.fixture
def bare() -> Iterator[tuple[str, str]]:
    """An empty PostgreSQL database of the owner, and a role that owns nothing."""
    with new_role() as role, fresh_database("postgresql", migrated=False) as url:
        yield url, role


def test_migrating_lets_the_api_role_serve(bare: tuple[str, str]) -> None:
    """The owner migrates and makes keys; the role lists them, and makes no tenant."""
    url, role = bare
    owner = {"EFFORT_DATABASE_URL": url}
    theirs = {"EFFORT_DATABASE_URL": make_url(url).set(username=role).render_as_string(hide_password=False)}
    assert effort("migrate", **owner).returncode == 0
    assert effort("key", "create", *TENANT, **owner).returncode == 0
    refused = effort("key", "list", *TENANT, **theirs)
    assert (refused.returncode, refused.stdout) == (2, "")
    done = effort("migrate", "--api-role", role, **owner)
    assert (done.returncode, f"role {role} may serve" in done.stdout) == (0, True)
    assert len(lines(theirs)) == 1
    assert effort("key", "create", *TENANT, **theirs).returncode == 0
    denied = effort("key", "create", "--tenant", "new-gym", **theirs)
    assert (denied.returncode, "rights" in denied.stderr) == (2, True)
    missing = effort("migrate", "--api-role", f"{role}_x", **owner)
    assert (missing.returncode, "CREATE ROLE" in missing.stderr) == (2, True)


def test_sqlite_has_no_roles() -> None:
    """It says so; the database is migrated all the same."""
    with fresh_database("sqlite", migrated=False) as url:
        done = effort("migrate", "--api-role", "effort_api", EFFORT_DATABASE_URL=url)
        assert (done.returncode, "SQLite" in done.stderr) == (2, True)
        assert effort("key", "create", *TENANT, EFFORT_DATABASE_URL=url).returncode == 0
