"""Texts with values in braces, filled in as a language writes numbers. Marks and plural rules are CLDR's, by Babel."""

from collections.abc import Mapping
from functools import lru_cache
from string import Formatter
from typing import Any, Self

from babel import Locale

OTHER = "other"  # the category every language has


class Sentence(str):
    """A text of another language that stands where the core has one of its own, and is filled in the same way.

    `{name:spec}` is a value as Python writes it, with the language's decimal mark and percent sign. `{name:one=set;
    other=sets}` is a word by the plural category of the value.
    """

    __slots__ = ("locale",)
    locale: Locale

    def __new__(cls, text: str, locale: Locale) -> Self:
        """Return `text` in the language of `locale`."""
        made = super().__new__(cls, text)
        made.locale = locale
        return made

    def format(self, *args: object, **values: object) -> str:
        """Return the text with its values. Raises as str.format does."""
        return _Writer(self.locale).vformat(str(self), args, values)

    def format_map(self, values: Mapping[str, object], /) -> str:  # type: ignore[override]  # what callers have
        """Return the text with its values. Raises as str.format_map does."""
        return _Writer(self.locale).vformat(str(self), (), values)


def sentence(text: str, locale: Locale) -> str:
    """Return `text` ready to be filled in; one without values stays a plain text, which can be encoded as it is."""
    return Sentence(text, locale) if placeholders(text) else text


def placeholders(text: str) -> frozenset[str]:
    """Return the names of the values in braces. Raises ValueError for braces that do not match."""
    return frozenset(name for _, name, _, _ in Formatter().parse(text) if name)


def plural_categories(text: str) -> tuple[frozenset[str], ...]:
    """Return the categories of each word that depends on a number."""
    specs = (spec for _, name, spec, _ in Formatter().parse(text) if name and spec and _is_plural(spec))
    return tuple(frozenset(_forms(spec)) for spec in specs)


def categories_of(locale: Locale) -> frozenset[str]:
    """Return the plural categories of a language."""
    return frozenset(locale.plural_form.tags) | {OTHER}


def _is_plural(spec: str) -> bool:
    return f"{OTHER}=" in spec


@lru_cache(maxsize=1024)
def _forms(spec: str) -> dict[str, str]:
    return dict(form.split("=", 1) for form in spec.split(";"))


class _Writer(Formatter):
    """Writes values as a language does."""

    def __init__(self, locale: Locale) -> None:
        self.locale = locale

    def format_field(self, value: Any, format_spec: str) -> str:
        """Return one value; words, times and true or false as Python has them."""
        if _is_plural(format_spec):
            return _forms(format_spec)[self.locale.plural_form(value)]
        told: str = super().format_field(value, format_spec)
        if isinstance(value, bool) or not isinstance(value, int | float):
            return told
        told = told.replace(".", self.locale.number_symbols["latn"]["decimal"])
        return told.replace("%", self.locale.percent_formats[None].suffix[0])
