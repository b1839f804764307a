"""pH of buffer solutions at their temperature.

Primary standards: Buck et al. 2002, Pure Appl. Chem. 74:2169-2200 (table from memory; phthalate checked
against Hetzer et al. 1977, J. Res. NBS 81A). The technical ones (4.00, 7.00 and 10.00 at 25 °C) differ from
maker to maker by some 0.02: from memory, of common ones. The table on the bottle comes first.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

__all__ = ["BUFFERS", "Buffer", "buffer_ph"]


class Buffer(NamedTuple):
    """`values`: (°C, pH), rising; `title` for people."""

    title: str
    values: tuple[tuple[float, float], ...]


_T = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)


def _buffer(title: str, *ph: float) -> Buffer:
    return Buffer(title, tuple(zip(_T, ph, strict=True)))


BUFFERS = {
    "4.01": _buffer("0.05 m phthalate", 3.998, 3.997, 3.998, 4.000, 4.005, 4.011, 4.018, 4.027),
    "6.86": _buffer("0.025 m phosphate", 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838),
    "9.18": _buffer("0.01 m borax", 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068),
    "4.00": _buffer("technical buffer 4.00", 4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.02, 4.03),
    "7.00": _buffer("technical buffer 7.00", 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.98, 6.97),
    "10.00": _buffer("technical buffer 10.00", 10.25, 10.18, 10.12, 10.06, 10.00, 9.96, 9.92, 9.88),
}
"""By what is printed on the bottle."""


def buffer_ph(name: str, celsius: float) -> tuple[float, str]:
    """pH of a buffer at a temperature, and which one it was taken for.

    Parameters
    ----------
    name : str
        What the bottle says, as "7.00". A value that is no known buffer's is taken as it is.
    celsius : float
        5 to 40 °C; straight lines between the table's temperatures.

    Raises
    ------
    ValueError
        It is no pH, or the buffer is too cold or warm.
    """
    try:
        nominal = float(name.replace(",", "."))
    except ValueError:
        raise ValueError(f"{name!r} is no buffer; write its pH as 7.00 or 4.01") from None
    if not 0.0 < nominal < 14.0:
        raise ValueError(f"pH {nominal:g} is no buffer; write what is on the bottle, as 7.00")
    known = BUFFERS.get(f"{nominal:.2f}")
    if known is None:
        return nominal, "taken as typed, at any temperature"
    low, high = known.values[0][0], known.values[-1][0]
    if not low <= celsius <= high:
        raise ValueError(f"the buffer has {celsius:.1f} °C; bring it to {low:g} to {high:g} °C first")
    for (t0, ph0), (t1, ph1) in pairwise(known.values):
        if celsius <= t1:
            return ph0 + (ph1 - ph0) * (celsius - t0) / (t1 - t0), known.title
    return known.values[-1][1], known.title
