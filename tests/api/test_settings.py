"""Settings: read once from the environment, every bad one named."""

import pytest

from service.errors import SettingsInvalid
from service.settings import SETTINGS, read_settings


def test_an_empty_environment_gives_the_defaults() -> None:
    """A newcomer needs to set nothing."""
    found = read_settings({})
    assert (found.database_url, found.host, found.port) == ("sqlite:///effort.db", "127.0.0.1", 8080)
    assert (found.workers, found.max_body_bytes) == (1, 2_097_152)


def test_what_is_set_is_used_and_the_rest_is_ignored() -> None:
    """Spaces around a value do not count; other variables are nobody's business."""
    found = read_settings({"EFFORT_PORT": "9000", "EFFORT_HOST": " 0.0.0.0 ", "PORT": "1"})
    assert (found.port, found.host) == (9000, "0.0.0.0")  # noqa: S104 - not bound, only read


def test_all_bad_settings_are_named_at_once() -> None:
    """Each with what it takes."""
    bad = {"EFFORT_PORT": "80a", "EFFORT_WORKERS": "0", "EFFORT_MAX_BODY_BYTES": "", "EFFORT_HOST": " "}
    with pytest.raises(SettingsInvalid) as caught:
        read_settings(bad)
    for name in bad:
        assert name in str(caught.value)
    assert "from 1 to 65535" in str(caught.value)


@pytest.mark.parametrize("value", ["0", "65536", "-1", "8080.0", "٨٠", "9" * 5000, " 80"])
def test_a_port_is_a_plain_whole_number_in_range(value: str) -> None:
    """Digits of other scripts, signs and endless numbers are refused."""
    with pytest.raises(SettingsInvalid, match="EFFORT_PORT"):
        read_settings({"EFFORT_PORT": value})


@pytest.mark.parametrize("value", ["localhost", "gym.example", "127.1", "0", "[::1]", "999.1.1.1"])
def test_a_host_is_an_address_and_no_name(value: str) -> None:
    """The server takes no other: refused here, it is told in a line."""
    with pytest.raises(SettingsInvalid, match="EFFORT_HOST takes an IP address"):
        read_settings({"EFFORT_HOST": value})
    assert read_settings({"EFFORT_HOST": "::1"}).host == "::1"


@pytest.mark.parametrize("place", ["://", "://[::1", "://collector:port", "://collector:99999", "://:4318"])
@pytest.mark.parametrize("name", ["EFFORT_OTLP_ENDPOINT", "EFFORT_JWT_JWKS"])
def test_an_address_names_a_host_and_a_port_there_can_be(name: str, place: str) -> None:
    """What leads nowhere is no address."""
    with pytest.raises(SettingsInvalid, match=f"{name} takes .*https://"):
        read_settings({name: f"https{place}"})


@pytest.mark.parametrize(
    "address", ["redis://", "redis:///0", "redis://host/one", "redis://host:port/0", "unix://", "http://host"]
)
def test_a_redis_is_named_by_host_and_number(address: str) -> None:
    """Else quotas would be shared with whoever uses the first database of this machine."""
    with pytest.raises(SettingsInvalid, match="EFFORT_REDIS_URL takes redis://host:port/number"):
        read_settings({"EFFORT_REDIS_URL": address})


@pytest.mark.parametrize(
    "address",
    [
        "",
        "redis://host",
        "redis://:secret@host:6379/0",
        "rediss://u:p@[::1]:1/15?timeout=1",
        "unix:///run/r.sock",
    ],
)
def test_a_redis_that_is_named_is_taken(address: str) -> None:
    """With user and password, as a socket, or none."""
    assert read_settings({"EFFORT_REDIS_URL": f" {address}"}).redis_url == address


def test_every_setting_says_what_it_is_for() -> None:
    """The table drives the help text."""
    assert all(name.startswith("EFFORT_") and text for name, _, text in SETTINGS)
