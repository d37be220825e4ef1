"""A table of effects told as it was meant: combinations of inputs with the same effect and words stand in one row."""

from collections.abc import Iterable

from service.reference.markup import words
from service.rules.curves import InputKey, Level, Table

Box = tuple[frozenset[object], ...]


def described(table: Table, inputs: tuple[str, ...]) -> list[tuple[str, Level]]:
    """Return in words when each level holds. What does nothing, in several boxes, is told last and once."""
    every = tuple(frozenset(values) for values in zip(*table.levels, strict=True))
    told: list[tuple[str, Level]] = []
    rest: list[tuple[str, Level]] = []
    for level, boxes in _boxes_by_level(table).items():
        if len(boxes) > 1 and not level.effect_reps and not level.text:
            rest.append(("otherwise", level))
        else:
            told += [(_when(box, every, inputs), level) for box in boxes]
    return told + rest


def _when(box: Box, every: Box, inputs: tuple[str, ...]) -> str:
    """Return in words when a box holds; an input of which it takes every value is left out."""
    parts = [
        f"{words(name)}: {' or '.join(sorted(map(_value, values)))}"
        for name, values, all_values in zip(inputs, box, every, strict=True)
        if values != all_values
    ]
    return "; ".join(parts) or "always"


def _boxes_by_level(table: Table) -> dict[Level, list[Box]]:
    """Return each level, in the order of the data, with boxes of input values that together hold all its keys.

    A box has one set of values for each input.
    """
    keys: dict[Level, list[InputKey]] = {}
    for key, level in table.levels.items():
        keys.setdefault(level, []).append(key)
    return {level: _boxes(found) for level, found in keys.items()}


def _boxes(keys: Iterable[InputKey]) -> list[Box]:
    boxes = [tuple(frozenset([value]) for value in key) for key in keys]
    while (pair := _mergeable(boxes)) is not None:
        one, other = pair
        boxes[boxes.index(one)] = tuple(a | b for a, b in zip(one, other, strict=True))
        boxes.remove(other)
    return boxes


def _mergeable(boxes: list[Box]) -> tuple[Box, Box] | None:
    """Return two boxes that differ in one input only, so that their union is a box as well."""
    for place, one in enumerate(boxes):
        for other in boxes[place + 1 :]:
            if sum(a != b for a, b in zip(one, other, strict=True)) == 1:
                return one, other
    return None


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return words(str(value))
