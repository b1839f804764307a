"""Temperatures and pH in which animals are kept: a table with its sources, and the keeper's own beside it.

Where "from memory" stands, nobody has looked the source up again; these are limits of keeping, well inside
what kills. Of these, those of the settings and those that are typed, the narrowest count.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import msgspec

from rushlight.collector.errors import SettingsError

__all__ = ["SPECIES", "Species", "find_species", "own_species"]

_PRACTICE = "common practice, from memory"


class Species(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One kind of animal: °C, pH, GH in degrees, and where the figures are from."""

    title: str
    temperature_low_c: float
    temperature_high_c: float
    ph_low: float | None = None
    ph_high: float | None = None
    gh_low: float | None = None
    gh_high: float | None = None
    source: str = "the keeper's own"


def _row(
    title: str,
    low: float,
    high: float,
    ph_low: float,
    ph_high: float,
    source: str,
    gh: tuple[float | None, float | None] = (None, None),
) -> Species:
    return Species(
        title=title,
        temperature_low_c=low,
        temperature_high_c=high,
        ph_low=ph_low,
        ph_high=ph_high,
        gh_low=gh[0],
        gh_high=gh[1],
        source=source,
    )


SPECIES = {
    "goldfish": _row(
        "goldfish (Carassius auratus)", 4, 26, 6.5, 8.5,
        f"{_PRACTICE}; it survives 0 to 40 °C when used to it (Ford & Beitinger 2005, J. Therm. "
        f"Biol. 30:147)",
        (4, 25),
    ),
    "fancy-goldfish": _row("fancy goldfish (Carassius auratus)", 12, 25, 6.5, 8.5, _PRACTICE, (4, 25)),
    "koi": _row("koi (Cyprinus carpio)", 3, 27, 6.8, 8.5, _PRACTICE, (4, 25)),
    "white-cloud": _row("white cloud minnow (Tanichthys albonubes)", 14, 23, 6.0, 8.0, _PRACTICE, (2, 20)),
    "weather-loach": _row("weather loach (Misgurnus anguillicaudatus)", 5, 25, 6.0, 8.0, _PRACTICE),
    "paradise-fish": _row("paradise fish (Macropodus opercularis)", 15, 26, 6.0, 8.0, _PRACTICE),
    "medaka": _row("medaka (Oryzias latipes)", 5, 28, 6.5, 8.5, _PRACTICE),
    "stickleback": _row("three-spined stickleback (Gasterosteus aculeatus)", 4, 20, 6.5, 8.5, _PRACTICE),
    "bitterling": _row("bitterling (Rhodeus amarus)", 4, 23, 6.5, 8.0, _PRACTICE),
    "cherry-shrimp": _row("cherry shrimp (Neocaridina davidi)", 15, 27, 6.2, 8.0, _PRACTICE, (3, 18)),
}  # fmt: skip
"""By the name that is typed."""


def own_species(folder: Path) -> dict[str, Species]:
    """The keeper's own of `animals.toml` in a folder; empty without such a file.

    Raises
    ------
    SettingsError
        It can't be read, or a table is wrong; the message names it.
    """
    path = folder / "animals.toml"
    if not path.exists():
        return {}
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
        found = msgspec.convert(tables, dict[str, Species])
    except (OSError, ValueError) as error:  # both of toml and of the types
        raise SettingsError(f"{path}: {error}; a table is [name] with title, temperature_low_c, …") from None
    for name, one in found.items():
        if not one.temperature_low_c < one.temperature_high_c:
            raise SettingsError(f"{path}: [{name}]: temperature_low_c must be below temperature_high_c")
        if one.gh_low is not None and one.gh_high is not None and one.gh_low >= one.gh_high:
            raise SettingsError(f"{path}: [{name}]: gh_low must be below gh_high")
    return found


def find_species(name: str, folder: Path) -> Species:
    """One by its name, the keeper's own first; SettingsError lists those that are known."""
    known = SPECIES | own_species(folder)
    if name not in known:
        raise SettingsError(
            f"--species: {name!r} is not known; known are {', '.join(sorted(known))}. Your own go into "
            f"{folder / 'animals.toml'}: [name] with title, temperature_low_c and temperature_high_c"
        )
    return known[name]
