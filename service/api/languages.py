"""In which language an answer speaks: Accept-Language of RFC 9110, matched to what there is by lookup (RFC 4647)."""

from functools import lru_cache
from typing import Any, NamedTuple

from litestar import Request

from service.api.admission import QueryRule
from service.api.answers import wanted_media_type
from service.pictures import drawing
from service.policy.catalogue import Policies
from service.policy.languages import ENGLISH, Languages, language_codes
from service.rules.plans.numbers import PlanNumbers

CODES = language_codes()
VARY = "Accept, Accept-Language"
LONGEST_HEADER = 1000
SPEAKS = {
    "accept-language": QueryRule(
        lambda _: None,  # no language is refused: what we do not speak is answered in English
        {"type": "string"},
        f"Language of texts for people: {', '.join(f'`{code}`' for code in CODES)}, with quality values (RFC 9110). "
        "English where none of them is named. Members, codes, ids and numbers are the same in all; errors are English.",
    )
}
SPOKEN_HEADERS: dict[str, Any] = {
    "Content-Language": {
        "description": "Language of the texts, by `Accept-Language`.",
        "schema": {"type": "string", "enum": list(CODES)},
    }
}


class Spoken(NamedTuple):
    """One language, and what is said in it."""

    code: str
    policies: Policies
    languages: Languages

    @property
    def plans(self) -> PlanNumbers:
        """Plan numbers that speak it."""
        return self.languages.plans(self.code)

    @property
    def headers(self) -> dict[str, str]:
        """Headers of what is answered in it."""
        return {"content-language": self.code, "vary": VARY}


def _range(part: str) -> tuple[str, float]:
    """Return a language range and its quality; what cannot be read as one counts for nothing."""
    name, _, weight = (piece.strip().lower() for piece in part.partition(";"))
    quality = weight.removeprefix("q=").strip() if weight else "1"
    try:
        return name, min(max(float(quality), 0.0), 1.0) if quality[:1].isdigit() else 0.0
    except ValueError:
        return name, 0.0


def language_of(accepted: str) -> str:
    """Return the code of the language an Accept-Language header likes best, English where it likes none of ours.

    A range such as `de-AT` finds `de`. Of languages liked equally well the one named first counts, then English.
    """
    return _liked_best(accepted[:LONGEST_HEADER])


@lru_cache(maxsize=512)
def _liked_best(accepted: str) -> str:
    ranges = dict(map(_range, reversed(accepted.split(",")))) if accepted else {}
    order = list(reversed(ranges))
    liked = {}
    for code in CODES:
        named = [name for name in order if name == code or name.startswith(f"{code}-")]
        # the language itself says more of it than one of its regions does
        best = ranges.get(code, max((ranges[name] for name in named), default=ranges.get("*", 0.0)))
        liked[code] = (best, -order.index(named[0]) if named else -len(order))
    found = max(CODES, key=lambda code: liked[code])
    return found if liked[found][0] > 0 else ENGLISH


def spoken_by(request: Request[Any, Any, Any]) -> Spoken:
    """Return the language a request is answered in: English in a picture, whose own words are."""
    languages: Languages = request.app.state.languages
    code = language_of(", ".join(request.headers.getall("accept-language", [])))
    drawn = wanted_media_type(request.headers.get("accept", ""), picture=True) == drawing.MEDIA_TYPE
    if drawn and request.route_handler.opt.get("picture"):
        code = ENGLISH
    return Spoken(code, languages.policies(code), languages)
