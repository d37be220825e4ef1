"""Other languages say the same: every text there, equal values and forms, numbers as the language writes them."""

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
from babel import Locale
from babel.numbers import format_decimal, format_percent

from service.errors import PolicyBroken
from service.policy.catalogue import load_policies
from service.policy.check import check_policy
from service.policy.languages import ENGLISH, Languages, language_codes
from service.policy.plan_basis import load_plan_basis
from service.policy.plan_numbers import load_plan_numbers, text_faults
from service.policy.sentences import Sentence, placeholders
from service.policy.translation import load_language, missing_texts
from service.rules.context import SetContext
from service.rules.plans.plan import Plan
from service.rules.plans.prescribe_plan import prescribe_plan
from service.rules.plans.start import stateless_start
from service.rules.prescribe import prescribe
from tests.policy.texts_of_answers import SAID, unsaid
from tests.rules.golden import contexts

POLICIES = load_policies()
PAST = datetime(2024, 3, 4, tzinfo=UTC)
PLANS = load_plan_numbers(POLICIES.newest)
LANGUAGES = Languages(POLICIES, PLANS)
OTHERS = [code for code in language_codes() if code != ENGLISH]
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"


def said(value: Any) -> Iterator[str]:
    """Yield every text for people in an answer."""
    if isinstance(value, list):
        for each in value:
            yield from said(each)
    elif isinstance(value, dict):
        for name, each in value.items():
            if name in SAID and isinstance(each, str):
                yield each
            else:
                yield from said(each)


def test_german_is_spoken_beside_english() -> None:
    """English comes first: it is what nobody has to ask for."""
    assert language_codes()[0] == ENGLISH
    assert "de" in OTHERS


def test_one_set_of_a_week_is_one_in_german() -> None:
    """`1 Sätze` stood there wherever the muscles of a week had one set at most."""
    told = LANGUAGES.plans("de").audit.weekly_volume.text
    for sets, words in ((1.0, "(1 Satz)"), (2.0, "(2 Sätze)")):
        assert words in told.format(week=1, most="Trizeps", most_sets=sets, least="Bizeps", least_sets=0.5)


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_has_every_text_and_no_other(code: str) -> None:
    """Of all released versions and of plans, muscles and exercises too."""
    assert missing_texts(code, POLICIES, PLANS) == ()


@pytest.mark.parametrize("code", OTHERS)
def test_translated_policies_pass_the_checks_of_all(code: str) -> None:
    """Filled in and short enough, with the longest names of the language; equal numbers, version and digest."""
    for found, original in zip(LANGUAGES.policies(code).versions, POLICIES.versions, strict=True):
        check_policy(found.data)
        assert found.ref == original.ref
        assert [factor.source for factor in found.data.factors] == [f.source for f in original.data.factors]
    assert list(text_faults(LANGUAGES.plans(code), LANGUAGES.policies(code).newest)) == []


@pytest.mark.parametrize("code", OTHERS)
def test_answers_differ_in_their_words_alone(code: str) -> None:
    """The golden contexts of every version: no word of English is left, no number is another."""
    decimal = Locale.parse(code).number_symbols["latn"]["decimal"]
    texts = set[str]()
    for original, found in zip(POLICIES.versions, LANGUAGES.policies(code).versions, strict=True):
        for context in (msgspec.json.decode(each, type=SetContext) for each in contexts(original)):
            english = json.loads(msgspec.json.encode(prescribe(context, original)))
            other = json.loads(msgspec.json.encode(prescribe(context, found)))
            assert unsaid(other) == unsaid(english)
            assert not set(said(other)) & set(said(english))
            texts |= set(said(other))
    assert len(texts) > 100
    assert any(re.search(rf"\d{re.escape(decimal)}\d", text) for text in texts)
    if decimal != ".":
        assert not [text for text in texts if re.search(r"\d\.\d", text)]


@pytest.mark.parametrize("code", OTHERS)
def test_plans_differ_in_their_words_alone(code: str) -> None:
    """Warnings, mends, moves and assumptions of the document's plans, names in them too."""
    english_basis = load_plan_basis(POLICIES.newest)
    basis = msgspec.structs.replace(
        english_basis, policy=LANGUAGES.policies(code).newest, plans=LANGUAGES.plans(code)
    )
    warned = 0
    for path in sorted(EXAMPLES.glob("createPlanPrescription.*.request.json")):
        plan = msgspec.json.decode(path.read_bytes(), type=Plan)
        english, other = (
            json.loads(msgspec.json.encode(prescribe_plan(plan, stateless_start(plan), each, "brief")))
            for each in (english_basis, basis)
        )
        assert unsaid(other) == unsaid(english)
        assert not set(said(other)) & set(said(english))
        warned += len(other["warnings"])
    assert warned > 5


@pytest.mark.parametrize("code", ["de", "fr", "en", "sv"])
def test_values_are_written_as_cldr_says(code: str) -> None:
    """Marks, percent signs and forms are those of Babel's own formatting of the same numbers."""
    locale = Locale.parse(code)
    for value in (0.5, 1.0, 2.5, 12.25):
        assert Sentence("{value:g}", locale).format(value=value) == format_decimal(value, locale=locale)
    share = Sentence("{share:.0%}", locale).format_map({"share": 0.33})
    assert share == format_percent(0.33, locale=locale)
    assert Sentence("{a} {b} {c:%Y}", locale).format(a="1.5", b=True, c=PAST) == "1.5 True 2024"
    counted = Sentence("{sets:g} {sets:one=Satz;other=Sätze}", Locale.parse("de"))
    assert [counted.format(sets=sets) for sets in (1, 1.0, 1.5, 0, 2)] == [
        "1 Satz",
        "1 Satz",
        "1,5 Sätze",
        "0 Sätze",
        "2 Sätze",
    ]


FILE = """language = "de"
title = "Deutsch"
[texts]
TEXTS
[muscles]
[exercises]
"""


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        ('"{reps:g} left" = "noch {rep:g}"', "other values"),
        ('"{reps:g} left" = "noch"', "other values"),
        ('"{reps} left" = "{reps:other=noch}"', "needs the forms one, other"),
        ('"{reps} left" = "{reps:one=a;few=b;other=noch}"', "needs the forms one, other"),
        ('"{reps} left" = "{reps"', "de.toml"),
        ('"left" = 1', "de.toml"),
        ("[more]", "de.toml"),
    ],
)
def test_a_broken_language_is_refused(tmp_path: Path, texts: str, told: str) -> None:
    """By the file's name and what is wrong, before anybody hears half a sentence."""
    (tmp_path / "de.toml").write_text(FILE.replace("TEXTS", texts), "utf-8")
    with pytest.raises(PolicyBroken, match=r"de\.toml") as refused:
        load_language("de", tmp_path)
    assert told in str(refused.value)


@pytest.mark.parametrize("code", ["xx-nowhere", "english"])
def test_a_file_that_names_no_language_is_refused(tmp_path: Path, code: str) -> None:
    """Its marks and forms would be nobody's."""
    (tmp_path / f"{code}.toml").write_text(FILE.replace("TEXTS", ""), "utf-8")
    with pytest.raises(PolicyBroken, match=code):
        load_language(code, tmp_path)


def test_placeholders_are_the_names_in_braces() -> None:
    """Also of words that depend on a number."""
    assert placeholders("{a:g} {b:one=x;other=y} {{c}}") == {"a", "b"}
