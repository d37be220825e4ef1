"""The numbers of carry-over on disk: the newest file of `carryover/`, read and checked once."""

from pathlib import Path

from service.errors import PolicyBroken
from service.policy.files import read_file
from service.rules.carryover.numbers import CarryOver
from service.rules.compiled import Policy

FOLDER = Path(__file__).parent / "carryover"


def load_carryover(policy: Policy, folder: Path = FOLDER) -> CarryOver:
    """Return the newest numbers. Raises PolicyBroken for an unknown key or source, or a study grade without one."""
    path = max(folder.glob("*.toml"))
    numbers = read_file(path, CarryOver)
    if numbers.version != path.stem:
        raise PolicyBroken(f"{path.name}: version must be {path.stem}")
    for part in (numbers.dose, numbers.fast, numbers.slow, numbers.rest):
        source = part.source
        if unknown := [key for key in source.evidence if key not in policy.data.evidence]:
            raise PolicyBroken(f"{path.name}: no evidence entry for {', '.join(unknown)}")
        if not source.evidence and source.grade not in ("judgement", "common_practice"):
            raise PolicyBroken(f"{path.name}: grade {source.grade} needs evidence")
    if numbers.dose.most_reps < numbers.dose.reference_reps:
        raise PolicyBroken(f"{path.name}: most_reps is below reference_reps")
    return numbers
