"""Settings from the environment, read and checked once at start."""

from collections.abc import Callable, Mapping

from msgspec import Struct

from service.errors import SettingsInvalid

# name, default, what it is for: drives the reading, `effort serve --help` and DEVELOPERS.md alike
SETTINGS = (
    ("EFFORT_DATABASE_URL", "sqlite:///effort.db", "Database: sqlite:///file or postgresql://user@host/db"),
    ("EFFORT_HOST", "127.0.0.1", "Address to listen on"),
    ("EFFORT_PORT", "8080", "Port to listen on, 1-65535"),
    ("EFFORT_WORKERS", "1", "Worker processes, 1-256; one per core on PostgreSQL, 1 on SQLite"),
    ("EFFORT_MAX_BODY_BYTES", "2097152", "Largest request body [bytes], 1024-104857600"),
)


class Settings(Struct, frozen=True, kw_only=True):
    """Every setting, in the units its description names."""

    database_url: str
    host: str
    port: int
    workers: int
    max_body_bytes: int


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        digits = text.isascii() and text.isdigit() and len(text) <= len(str(high))
        if not digits or not low <= int(text) <= high:
            raise ValueError(f"takes a whole number from {low} to {high}")
        return int(text)

    return read


def _text(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty")
    return text.strip()


_READERS: dict[str, Callable[[str], object]] = {
    "EFFORT_DATABASE_URL": _text,
    "EFFORT_HOST": _text,
    "EFFORT_PORT": _whole(1, 65_535),
    "EFFORT_WORKERS": _whole(1, 256),
    "EFFORT_MAX_BODY_BYTES": _whole(1024, 104_857_600),
}


def read_settings(environ: Mapping[str, str]) -> Settings:
    """Return the settings in `environ`, defaults for what is absent. Raises SettingsInvalid naming all bad ones."""
    read: dict[str, object] = {}
    wrong = []
    for name, default, _ in SETTINGS:
        try:
            read[name.removeprefix("EFFORT_").lower()] = _READERS[name](environ.get(name, default))
        except ValueError as error:
            wrong.append(f"{name} {error}")
    if wrong:
        raise SettingsInvalid("; ".join(wrong))
    return Settings(**read)  # type: ignore[arg-type]  # each reader returns what its member takes
