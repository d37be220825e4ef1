"""Answers in the language the caller reads: chosen by Accept-Language, the same in all but words."""

from typing import Any

import httpx
import msgspec
import pytest

from service.api.languages import language_of
from tests.api.gym import log, path, set_body
from tests.api.problem_shape import assert_problem
from tests.policy.texts_of_answers import unsaid

ONE = {"rep_target": 8, "exercise": "leg_press", "load_percent_1rm": 72.5, "later_overlapping_sets": 2.5}
GERMAN = {"accept-language": "de-AT, de;q=0.9, en;q=0.5"}
SESSION = {
    "sessions": [
        {
            "starts_at": "2027-01-04T18:00:00+01:00",
            "exercises": [
                {"exercise": exercise, "sets": [{"rep_target": 8, "reps_in_reserve": 0}]}
                for exercise in ("barbell_bench_press", "machine_chest_press")
            ],
        }
    ]
}
POSTS: dict[str, dict[str, Any]] = {
    "/v1/prescriptions": ONE,
    "/v1/prescriptions?detail=brief": ONE,
    "/v1/prescriptions/batch": {"contexts": [ONE, {"rep_target": 3}]},
    path("prescriptions"): {"exercise": "leg_press", "rep_target": 8},
    "/v1/plan-prescriptions": SESSION,
    path("plan-prescriptions"): SESSION,
}


@pytest.mark.parametrize("address", POSTS)
async def test_prescriptions_speak_german_when_asked(client: httpx.AsyncClient, address: str) -> None:
    """Other words, equal numbers, and the headers that keep caches and readers right."""
    await log(client, set_body(1))
    english = await client.post(address, json=POSTS[address])
    german = await client.post(address, json=POSTS[address], headers=GERMAN)
    assert (english.status_code, german.status_code) == (200, 200)
    assert english.headers["content-language"] == "en"
    assert german.headers["content-language"] == "de"
    for answer in (english, german):
        assert answer.headers["vary"] == "Accept, Accept-Language"
    assert german.content != english.content
    assert unsaid(german.json()) == unsaid(english.json())
    assert "Wiederholung" in german.text
    packed = await client.post(
        address, json=POSTS[address], headers=GERMAN | {"accept": "application/vnd.msgpack"}
    )
    assert msgspec.msgpack.decode(packed.content) == german.json()


async def test_german_is_written_as_german(client: httpx.AsyncClient) -> None:
    """Decimal commas, forms by number, names of exercises; the answer is pinned here word for word."""
    found = (await client.post("/v1/prescriptions", json=ONE, headers=GERMAN)).json()
    texts = {reason["factor"]: reason["text"] for reason in found["reasons"]}
    assert texts["later_overlapping_sets"] == (
        "Heute kommen noch 2,5 Sätze für dieselben Muskeln: etwas dafür übrig lassen."
    )
    one = (await client.post("/v1/prescriptions", json={"rep_target": 1}, headers=GERMAN)).json()
    assert one["stop_cues"][0]["text"].startswith("Nach 1 Wiederholung aufhören, oder früher: ")
    plan = (await client.post("/v1/plan-prescriptions", json=SESSION, headers=GERMAN)).json()
    told = {warning["code"]: warning["text"] for warning in plan["warnings"]}
    assert told["early_failure_before_overlap"] == (
        "Bankdrücken mit Langhantel geht zum Versagen; Brustpresse an der Maschine verliert dadurch Wiederholungen."
    )


async def test_a_pinned_version_speaks_german_too(client: httpx.AsyncClient) -> None:
    """Released texts are never edited: each version has its translation beside it."""
    sent = {"rep_target": 8, "exposures": 1.5, "policy": "2026-11-25"}
    found = (await client.post("/v1/prescriptions", json=sent, headers=GERMAN)).json()
    assert found["policy"]["version"] == "2026-11-25"
    assert "Noch nicht an die Übung gewöhnt (1,5 Einheiten zählen): etwas mehr Abstand." in {
        each["text"] for each in found["reasons"]
    }


async def test_what_we_do_not_speak_is_answered_as_without_the_header(client: httpx.AsyncClient) -> None:
    """The same bytes: nobody who asked for nothing notices that there are languages."""
    plain = await client.post("/v1/prescriptions", json=ONE)
    for accepted in ("en", "fr", "*", "de;q=0", "en-GB, de;q=0.9", "", "?", ",;q", "x" * 5000):
        found = await client.post("/v1/prescriptions", json=ONE, headers={"accept-language": accepted})
        assert (found.content, found.headers["content-language"]) == (plain.content, "en"), accepted


async def test_catalogues_name_exercises_and_muscles_in_german(client: httpx.AsyncClient) -> None:
    """Ids stay; a cache keeps the languages apart by Vary and ETag."""
    for address, member in (("/v1/exercises", "exercises"), ("/v1/muscles", "muscles")):
        english, german = await client.get(address), await client.get(address, headers=GERMAN)
        assert german.headers["vary"] == "Accept, Accept-Language"
        assert german.headers["content-language"] == "de"
        assert german.headers["etag"] != english.headers["etag"]
        names = [[each["name"] for each in found.json()[member]] for found in (english, german)]
        ids = [[each["id"] for each in found.json()[member]] for found in (english, german)]
        assert ids[0] == ids[1]
        assert all(name[0].isupper() for name in names[1])
        assert len(set(names[1])) == len(names[1])
    assert "Quadrizeps" in names[1]
    again = await client.get(address, headers=GERMAN | {"if-none-match": german.headers["etag"]})
    assert again.status_code == 304


async def test_errors_stay_english(client: httpx.AsyncClient) -> None:
    """They are read by who wrote the request."""
    problems = [
        assert_problem(await client.post("/v1/prescriptions", json={}, headers=headers), 422)
        for headers in ({}, GERMAN)
    ]
    assert problems[0]["errors"] == problems[1]["errors"]


@pytest.mark.parametrize(
    ("accepted", "code"),
    [
        # RFC 9110, section 12.5.4, and the lookup of RFC 4647, section 3.4
        ("de", "de"),
        ("DE-ch", "de"),
        ("de-Latn-DE, en;q=0.8", "de"),
        ("da, en-gb;q=0.8, en;q=0.7", "en"),
        ("en;q=0.4, de;q=0.6", "de"),
        ("de;q=0.5, en;q=0.5", "de"),
        ("en, de", "en"),
        ("fr, de;q=0.001", "de"),
        ("en;q=0, *;q=0.1", "de"),
        ("*, de;q=0", "en"),
        ("de;q=0.0, en;q=0", "en"),
        ("de; q=1.000", "de"),
        ("de;q=high", "en"),
        ("deutsch", "en"),
        ("", "en"),
    ],
)
def test_the_language_liked_best_is_chosen(accepted: str, code: str) -> None:
    """By quality, regions fall back to their language, ties go to the one named first."""
    assert language_of(accepted) == code


async def test_pictures_and_the_page_stay_english(client: httpx.AsyncClient) -> None:
    """Their own words are, and texts in another language beside them would be read out wrongly."""
    drawn = {"accept": "image/svg+xml"}
    english = await client.post("/v1/prescriptions", json=ONE, headers=drawn)
    german = await client.post("/v1/prescriptions", json=ONE, headers=drawn | GERMAN)
    assert german.headers["content-type"].startswith("image/svg+xml")
    assert (german.content, german.headers["content-language"]) == (english.content, "en")
    script = (await client.get("/page/service.js")).text
    assert script.count('"accept-language": SPOKEN') == 2
