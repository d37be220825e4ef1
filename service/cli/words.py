"""Words of commands in every language: English beside the command, others in the one file of their language."""

from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import msgspec
from babel import Locale
from msgspec import Struct

from service.errors import PolicyBroken
from service.policy.files import read_file
from service.policy.languages import ENGLISH
from service.policy.sentences import categories_of, placeholders, plural_categories, sentence
from service.policy.translation import load_language

T = TypeVar("T", bound=Struct)


@cache
def words(path: Path, kind: type[T], code: str) -> T:
    """Return the texts of the TOML file at `path` in a language, ready to be filled in. Raises PolicyBroken.

    Other languages have them in the section of their file that is named as `path` is.
    """
    english = read_file(path, kind)
    locale = Locale.parse(code, sep="-")
    if code == ENGLISH:
        return cast("T", _ready(english, locale))
    try:
        found = msgspec.convert(load_language(code).commands[path.stem], kind)
    except (KeyError, msgspec.ValidationError) as error:
        raise PolicyBroken(f"{code}.toml, {path.stem}: {error}") from error
    wrong = _faults(msgspec.to_builtins(english), msgspec.to_builtins(found), locale)
    if wrong:
        raise PolicyBroken(f"{code}.toml, {path.stem}: " + "; ".join(wrong))
    return cast("T", _ready(found, locale))


def _faults(english: Any, other: Any, locale: Locale) -> list[str]:
    """Return which texts have other values than the English ones, or other plural forms than the language."""
    if isinstance(english, dict):
        pairs = [(each, other.get(name)) for name, each in english.items()]
    elif isinstance(english, list | tuple):
        pairs = list(zip(english, other, strict=True)) if len(english) == len(other) else [(english, None)]
    elif isinstance(english, str):
        right = placeholders(english) == placeholders(other)
        formed = all(forms == categories_of(locale) for forms in plural_categories(other))
        return [] if right and formed else [f"{other!r} is not {english!r}"]
    else:
        return [] if english == other else [f"{other!r} is not {english!r}"]
    if any(each is None for _, each in pairs):
        return [f"something of {english!r:.80} is missing"]
    return [fault for one, another in pairs for fault in _faults(one, another, locale)]


def _ready(value: Any, locale: Locale) -> Any:
    if isinstance(value, str):
        return sentence(value, locale)
    if isinstance(value, tuple):
        return tuple(_ready(each, locale) for each in value)
    if isinstance(value, dict):
        return {name: _ready(each, locale) for name, each in value.items()}
    if isinstance(value, Struct):
        members = {name: _ready(getattr(value, name), locale) for name in value.__struct_fields__}
        return msgspec.structs.replace(value, **members)
    return value
