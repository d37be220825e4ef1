"""What learned rows are made with: they are compared by it, and made anew when it changes."""

from msgspec import Struct

from service.rules.compiled import Policy
from service.rules.learning.numbers import Learning

ROWS = 1  # grows when the meaning of a row in `known.py` changes, or `fold.py` folds otherwise


class Basis(Struct, frozen=True, kw_only=True):
    """The policy whose curves and catalogue sets are read with, and the numbers of learning."""

    policy: Policy
    numbers: Learning

    @property
    def stamp(self) -> str:
        """Name of exactly this basis: rows saved under another one do not count."""
        return f"{ROWS} {self.numbers.version} {self.policy.ref.digest}"
