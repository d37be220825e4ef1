"""Policies and plan numbers in another language: their texts exchanged, and nothing else.

The originals are English and stand in the policy. `texts/<code>.toml` holds one other language: each text by its
original one, so that a released policy is never edited, and one translation serves every version that has the text. The
core knows nothing of it: a policy in German is a policy. A text without a translation, which `missing_texts` names and
the tests refuse, stays English.
"""

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
from babel import Locale, UnknownLocaleError
from msgspec import Struct
from msgspec.structs import replace

from service.errors import PolicyBroken
from service.policy.catalogue import Policies
from service.policy.files import read_file
from service.policy.languages import FOLDER
from service.policy.sentences import categories_of, placeholders, plural_categories, sentence
from service.rules.compiled import compile_policy
from service.rules.curves import Level, TextBand
from service.rules.plans.numbers import (
    AllSetsFar,
    Assumed,
    Limit,
    PlanNumbers,
    Rule,
    WeeklyVolume,
    Words,
)
from service.rules.policy import (
    CautionText,
    Cues,
    Defaults,
    Exercise,
    Floor,
    Limits,
    Muscle,
    PolicyData,
    Window,
)

Exchange = Callable[[str], str]

# What is said to people, by the type that holds it. `source`, ids and codes are not.
TOLD: dict[type[Struct], tuple[str, ...]] = {
    Level: ("text",),
    TextBand: ("text",),
    Window: ("text_low", "text_high"),
    Floor: ("text",),
    CautionText: ("text",),
    Limits: ("discount_text", "rounding_text", "withheld_text"),
    Cues: ("reps_text", "reps_failure_text", "reps_text_beyond_scale", "technique_text", "velocity_text"),
    Limit: ("text_session", "text_share"),
    Assumed: ("rest_seconds", "load_percent_1rm"),
    Rule: ("text", "mend"),
    AllSetsFar: ("text_plan",),
    WeeklyVolume: ("text_even", "mend_enough", "mend_deload"),
    Words: ("and_more",),
}


class Language(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`texts/<code>.toml`: texts by their English original, names by id. `title` is what it calls itself.

    `commands` holds the words of the command line, by the name of the file that has the English ones.
    """

    language: str
    title: str
    texts: dict[str, str]
    muscles: dict[str, str]
    exercises: dict[str, str]
    commands: dict[str, Any] = {}


@cache
def load_language(code: str, folder: Path = FOLDER) -> Language:
    """Return one language. Raises PolicyBroken for an unknown key or code, or braces that say something else."""
    found = read_file(folder / f"{code}.toml", Language)
    try:
        locale = Locale.parse(code, sep="-")
        wrong = [*_faults(found, locale)]
    except (UnknownLocaleError, ValueError) as error:
        raise PolicyBroken(f"{code}.toml: {error}") from error
    if found.language != code:
        wrong.append(f"language must be {code}")
    if wrong:
        raise PolicyBroken(f"{code}.toml: " + "; ".join(wrong))
    return found


def _faults(language: Language, locale: Locale) -> Iterator[str]:
    """Yield what is wrong with the braces of each text: other values than the original's, other plural forms."""
    for original, text in language.texts.items():
        if placeholders(original) != placeholders(text):
            yield f"{text!r} has other values than {original!r}"
        if any(forms != categories_of(locale) for forms in plural_categories(text)):
            yield f"{text!r} needs the forms {', '.join(sorted(categories_of(locale)))}"


def _told(value: Any) -> tuple[str, ...]:
    """Names of the members of a Struct that are said to people."""
    return tuple(name for kind, names in TOLD.items() if isinstance(value, kind) for name in names)


def exchanged(value: Any, exchange: Exchange) -> Any:
    """Return `value` with every text that is said to people put through `exchange`; all else stays as it is."""
    if isinstance(value, tuple):
        return tuple(exchanged(each, exchange) for each in value)
    if isinstance(value, dict):
        return {key: exchanged(each, exchange) for key, each in value.items()}
    if not isinstance(value, Struct):
        return value
    members = {name: getattr(value, name) for name in value.__struct_fields__}
    changed = {
        name: exchange(each) if name in _told(value) else exchanged(each, exchange)
        for name, each in members.items()
    }
    if isinstance(value, Defaults):
        changed["texts"] = {field: exchange(text) for field, text in value.texts.items()}
    return replace(value, **changed)


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _in_language(data: PolicyData, language: Language, exchange: Exchange) -> PolicyData:
    """Return a version with the language's texts and names."""
    found: PolicyData = exchanged(data, exchange)
    muscles: dict[str, Muscle] = {
        key: replace(each, name=_first_upper(language.muscles.get(key, each.name)))
        for key, each in data.muscles.items()
    }
    exercises: dict[str, Exercise] = {
        key: replace(each, name=language.exercises.get(key, each.name))
        for key, each in data.exercises.items()
    }
    return msgspec.structs.replace(found, muscles=muscles, exercises=exercises)


def _exchange_of(language: Language) -> Exchange:
    locale = Locale.parse(language.language, sep="-")

    def exchange(text: str) -> str:
        found = language.texts.get(text)
        return text if found is None else sentence(found, locale)

    return exchange


def in_language(policies: Policies, code: str) -> Policies:
    """Return every version in a language: equal numbers, version and digest, other texts. Raises PolicyBroken."""
    language = load_language(code)
    exchange = _exchange_of(language)
    return Policies(
        tuple(compile_policy(_in_language(each.data, language, exchange)) for each in policies.versions)
    )


def plans_in_language(numbers: PlanNumbers, code: str) -> PlanNumbers:
    """Return the numbers of plans in a language. Raises PolicyBroken."""
    language = load_language(code)
    found: PlanNumbers = exchanged(numbers, _exchange_of(language))
    return replace(found, words=replace(found.words, muscles=language.muscles))


def missing_texts(code: str, policies: Policies, numbers: PlanNumbers) -> tuple[str, ...]:
    """Return every text and name of all versions that a language does not have, and those it has for nothing."""
    language, said = load_language(code), set[str]()

    def heard(text: str) -> str:
        said.add(text)
        return text

    exchanged((tuple(each.data for each in policies.versions), numbers), heard)
    data = policies.newest.data
    wanted = {"texts": said - {""}, "muscles": set(data.muscles), "exercises": set(data.exercises)}
    there = {name: set(getattr(language, name)) for name in wanted}
    lacking = [f"no {name}: {key}" for name in wanted for key in sorted(wanted[name] - there[name])]
    spare = [f"not needed in {name}: {key}" for name in wanted for key in sorted(there[name] - wanted[name])]
    return (*lacking, *spare)
