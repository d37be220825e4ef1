"""The numbers of learning on disk: the newest file of `learning/`, read and checked once."""

from pathlib import Path

from service.errors import PolicyBroken
from service.policy.files import read_file
from service.rules.compiled import Policy
from service.rules.learning.numbers import Learning

FOLDER = Path(__file__).parent / "learning"


def load_learning(policy: Policy, folder: Path = FOLDER) -> Learning:
    """Return the newest numbers. Raises PolicyBroken for an unknown key, source, muscle or a gap in the prior."""
    path = max(folder.glob("*.toml"))
    numbers = read_file(path, Learning)
    if numbers.version != path.stem:
        raise PolicyBroken(f"{path.name}: version must be {path.stem}")
    known = policy.data.evidence
    for part in (numbers.exposure, numbers.strength, numbers.reporting, numbers.fatigue):
        if unknown := [key for key in part.source.evidence if key not in known]:
            raise PolicyBroken(f"{path.name}: no evidence entry for {', '.join(unknown)}")
    if unknown := [m for m in numbers.reporting.lower_body_muscles if m not in policy.data.muscles]:
        raise PolicyBroken(f"{path.name}: unknown muscles {', '.join(unknown)}")
    return numbers
