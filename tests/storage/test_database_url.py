"""Which database URLs are taken, and that a refusal never repeats a password."""

import traceback

import pytest
from hypothesis import given as given_any
from hypothesis import strategies as st

from service.cli.serve import PLAIN_DATABASE
from service.errors import SettingsInvalid
from service.storage.database_url import parse_database_url
from service.storage.engine import open_store


@pytest.mark.parametrize(
    ("given", "used"),
    [
        ("sqlite:///effort.db", "sqlite+aiosqlite:///effort.db"),
        ("sqlite:////var/lib/effort.db", "sqlite+aiosqlite:////var/lib/effort.db"),
        ("sqlite+aiosqlite:///effort.db", "sqlite+aiosqlite:///effort.db"),
        ("postgresql://effort@db/effort", "postgresql+asyncpg://effort@db/effort"),
        ("postgres://effort@db/effort", "postgresql+asyncpg://effort@db/effort"),
        ("postgresql+asyncpg://e:p%40ss@db:6432/effort", "postgresql+asyncpg://e:p%40ss@db:6432/effort"),
        ("postgresql://e@db/effort?sslmode=require", "postgresql+asyncpg://e@db/effort?ssl=require"),
        ("postgresql:///effort?host=/run/pg", "postgresql+asyncpg:///effort?host=%2Frun%2Fpg"),
    ],
)
def test_service_picks_its_driver(given: str, used: str) -> None:
    """Plain and driver forms of the two databases end at aiosqlite and asyncpg."""
    assert parse_database_url(given).render_as_string(hide_password=False) == used


@pytest.mark.parametrize(
    "url",
    [
        "",
        "effort.db",
        "hunter2",
        "mysql://effort:hunter2@db/effort",
        "postgresql+psycopg://effort:hunter2@db/effort",
        "sqlite://",
        "sqlite:///:memory:",
        "sqlite:///file::memory:?cache=shared",
        "sqlite:///effort.db?key=hunter2",
        "sqlite://hunter2/effort.db",
        "postgresql://effort:hunter2@db:port/effort",
        "postgresql://effort:hunter2@db",
        "postgresql://effort:x@hunter2@db/effort",
        "postgresql://effort:x@y/hunter2@db/effort",
        "postgresql://db/effort?password=hunter2",
        "postgresql://db/effort?sslmode=hunter2",
        "postgresql://db/effort?ssl=true",
        "postgresql://db/effort?sslmode=require&sslmode=disable",
        "postgresql://db/effort?target_session_attrs=hunter2",
        "postgresql://db:99999/effort",
        "postgresql:///effort?host=db&port=hunter2",
        "postgresql:///effort?host=db&host=other&port=5432&port=0",
    ],
)
def test_other_urls_are_refused_without_repeating_them(url: str) -> None:
    """The refusal names the setting and what it takes; the traceback holds no password either."""
    with pytest.raises(SettingsInvalid) as refusal:
        open_store(url)
    message = str(refusal.value)
    assert message.startswith("EFFORT_DATABASE_URL: ")
    assert "sqlite:///file or postgresql://user@host/database" in message
    assert "hunter2" not in "".join(traceback.format_exception_only(refusal.value))
    assert refusal.value.__cause__ is None


def test_open_store_shows_no_password() -> None:
    """A store that ends up in a log keeps its secret."""
    assert "hunter2" not in repr(open_store("postgresql://effort:hunter2@db/effort"))


@given_any(st.from_regex(PLAIN_DATABASE, fullmatch=True))
def test_a_plain_address_is_never_refused(url: str) -> None:
    """`effort serve` starts with such a one without asking."""
    assert parse_database_url(url).database
