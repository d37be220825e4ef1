"""The languages answers can be given in. English is what the policy says; others are made when first asked for."""

from functools import lru_cache
from pathlib import Path

from service.policy.catalogue import Policies
from service.rules.plans.numbers import PlanNumbers

FOLDER = Path(__file__).parent / "texts"
ENGLISH = "en"


def language_codes(folder: Path = FOLDER) -> tuple[str, ...]:
    """Return the codes of all languages (BCP 47), English first."""
    return (ENGLISH, *sorted(path.stem for path in folder.glob("*.toml")))


class Languages:
    """Policies and plan numbers in every language. Both methods raise PolicyBroken for a broken file of texts."""

    def __init__(self, policies: Policies, plans: PlanNumbers) -> None:
        self._policies = policies
        self._plans = plans
        self.policies = lru_cache(maxsize=None)(self._policies_in)
        self.plans = lru_cache(maxsize=None)(self._plans_in)

    def _policies_in(self, code: str) -> Policies:
        if code == ENGLISH:
            return self._policies
        from service.policy.translation import in_language  # noqa: PLC0415 - Babel, for who speaks another language

        return in_language(self._policies, code)

    def _plans_in(self, code: str) -> PlanNumbers:
        if code == ENGLISH:
            return self._plans
        from service.policy.translation import plans_in_language  # noqa: PLC0415 - same

        return plans_in_language(self._plans, code)
