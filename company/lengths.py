"""Lengths in the firm's unit: read as typed, kept in metres, written again as typed. Pure.

Codes of units are those of `Firm.units`: "m" (metres and kilometres) and "ft" (feet and miles). One foot is 0.3048 m
and one mile 1609.344 m, exact by definition: the international yard and pound agreement of 1959 (ISO 80000-3, annex).
"""

from __future__ import annotations

import re

METRES, FEET = "m", "ft"

M_PER_FT = 0.3048
M_PER_MI = 1609.344
_M_PER = {METRES: 1.0, FEET: M_PER_FT}

_SPELT = {
    "m": METRES, "metre": METRES, "metres": METRES, "meter": METRES, "meters": METRES,
    "ft": FEET, "foot": FEET, "feet": FEET, "'": FEET, "′": FEET, "’": FEET,
}  # fmt: skip
_TYPED_DECIMALS = 4
"""Decimals within which a typed figure comes back as typed: a thousandth of an inch and less is nobody's cable."""


class WrongLength(ValueError):
    """A text that is no length; it says how to write one."""


def read_length_m(typed: str, unit: str = METRES) -> float:
    """Read "160 ft", "50 m", "12,5" or "80" as metres.

    Parameters
    ----------
    typed : str
        A figure, with or without its unit behind it.
    unit : str
        Code of the unit that a bare figure is meant in.

    Returns
    -------
    float
        Length [m], as signed as it was typed; bounds are the caller's.

    Raises
    ------
    WrongLength
        If there is no figure, another unit, or a comma that may stand for thousands.
    """
    text = " ".join(typed.replace("\u2212", "-").split())
    match = re.fullmatch(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)) ?([^\d\s.,][^\d]*)?", text)
    if not match:
        raise WrongLength(f"“{typed.strip()[:40]}” is no length. Write it like 50 m or 160 ft.")
    figure, said = match[1], (match[2] or "").strip().rstrip(".").casefold()
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", figure):
        raise WrongLength(
            f"“{typed.strip()}” can be read as a decimal or as thousands. Write it with a point or without the comma."
        )
    if said and said not in _SPELT:
        raise WrongLength(f"“{match[2].strip()[:20]}” is no unit of length we know. Write m or ft.")
    metres = float(figure.replace(",", ".")) * _M_PER[_SPELT.get(said, unit)]
    # Nine decimals are a billionth of a metre: what is cut off is only the noise of binary fractions.
    return round(metres, 9)


def has_length_unit(typed: str) -> bool:
    """Whether a unit of length that is known stands behind the figure."""
    match = re.fullmatch(r"[^A-Za-z'′’]*\d[^A-Za-z'′’]*?([A-Za-z'′’]+)\.?", typed.strip())
    return bool(match) and match[1].casefold() in _SPELT  # type: ignore[index]


def typed_length(length_m: float, unit: str = METRES) -> str:
    """Write a length [m] as the bare figure that a person would have typed in this unit: 48.768 in "ft" → "160"."""
    return _bare(length_m / _M_PER.get(unit, 1.0), _TYPED_DECIMALS)


def length_words(length_m: float, unit: str = METRES) -> str:
    """Say a length [m] to a tenth in this unit: "160 ft", "48.8 m"."""
    return f"{_bare(length_m / _M_PER.get(unit, 1.0), 1)} {unit if unit in _M_PER else METRES}"


def distance_words(distance_km: float, unit: str = METRES) -> str:
    """Say a distance on the road [km] to a tenth: "12.0 km", or "7.5 mi" where lengths are in feet."""
    if unit == FEET:
        return f"{distance_km * 1000 / M_PER_MI:.1f} mi"
    return f"{distance_km:.1f} km"


def price_per_mi(price_per_km: float) -> float:
    """Give the price of a mile from that of a kilometre, any currency."""
    return price_per_km * M_PER_MI / 1000


def _bare(figure: float, n_decimals: int) -> str:
    text = f"{figure:.{n_decimals}f}"
    bare = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if bare == "-0" else bare
