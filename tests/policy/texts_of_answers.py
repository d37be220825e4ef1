"""What in an answer is said in a language, and what is the same in all."""

from typing import Any

SAID = {"text", "mend"}


def unsaid(value: Any) -> Any:
    """Return an answer without its texts."""
    if isinstance(value, list):
        return [unsaid(each) for each in value]
    if isinstance(value, dict):
        return {name: unsaid(each) for name, each in value.items() if name not in SAID}
    return value
