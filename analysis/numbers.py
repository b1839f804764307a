"""Numbers with names: every threshold of the analysis is a field with a unit, a meaning and a source.

A family keeps its numbers in one frozen struct, beside its code:

    class HeaterNumbers(Numbers, frozen=True, kw_only=True):
        settled_c: Annotated[float, Of("°C", "so near its usual level the water counts as settled")] = 0.3

    HEATER = HeaterNumbers()

and its code says `HEATER.settled_c`. Benches scale them, one at a time; a table of all is made from them.
"""

from __future__ import annotations

import typing
from typing import Annotated, NamedTuple, get_args, get_origin

import msgspec

__all__ = ["COMMON", "Number", "Numbers", "Of"]

COMMON = "common practice, no source"


class Of(NamedTuple):
    """What a number is: its unit ("" for a plain ratio or count), its meaning, and where it is from."""

    unit: str
    meaning: str
    source: str = COMMON


class Number(NamedTuple):
    """One number of a struct."""

    name: str
    value: float
    unit: str
    meaning: str
    source: str


class Numbers(msgspec.Struct, frozen=True, kw_only=True):
    """The base of all structs of numbers."""

    def entries(self) -> list[Number]:
        """Each field with what it is.

        Raises
        ------
        TypeError
            A field has no `Of`, or no meaning or source in it.
        """
        out = []
        hints = typing.get_type_hints(type(self), include_extras=True)
        for field in type(self).__struct_fields__:
            hint = hints[field]
            notes = get_args(hint)[1:] if get_origin(hint) is Annotated else ()
            of = next((note for note in notes if isinstance(note, Of)), None)
            if of is None or not of.meaning or not of.source:
                raise TypeError(
                    f"{type(self).__name__}.{field}: needs Annotated[…, Of(unit, meaning, source)]"
                )
            out.append(Number(field, getattr(self, field), of.unit, of.meaning, of.source))
        return out
