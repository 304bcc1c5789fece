"""Plus codes (Open Location Code): a place as letters and digits, such as `8CGW8H6J+2X`.

Five pairs of digits to the base of 20, each pair a twentieth of the one before; then up to five digits
that divide the cell into 4 columns and 5 rows. Zeros before the plus stand for digits left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

DIGITS = "23456789CFGHJMPQRVWX"
FIRST_DEG = 20.0
"""Height and width of the largest cell."""
PAIRS = 5
ROWS, COLUMNS = 5, 4
MOST_DIGITS = 15
"""More digits are part of a code, but say nothing."""

_D = f"[{DIGITS}]"
_FULL = re.compile(
    rf"(?:[2-9C][2-9CFGHJMPQRV]{_D}{{6}}\+(?:{_D}{{2,}})?|[2-9C][2-9CFGHJMPQRV](?:000000|{_D}{{2}}0000|{_D}{{4}}00)\+)"
)
_SHORT = re.compile(rf"(?:{_D}{{2}}){{0,3}}\+{_D}{{2,}}|(?:{_D}{{2}}){{2,3}}\+")


@dataclass(frozen=True, slots=True)
class Cell:
    """The area that a code names, in degrees: its south-west corner, height and width."""

    south_deg: float
    west_deg: float
    height_deg: float
    width_deg: float

    @property
    def middle(self) -> tuple[float, float]:
        return min(90.0, self.south_deg + self.height_deg / 2), self.west_deg + self.width_deg / 2


def is_short(code: str) -> bool:
    """Whether it is a code without its first digits, which means something only near a known place."""
    return _SHORT.fullmatch(code.upper()) is not None


def find_cell(code: str) -> Cell | None:
    """The area of a full code; None when it isn't one."""
    upper = code.upper()
    if _FULL.fullmatch(upper) is None:
        return None
    digits = [DIGITS.index(each) for each in upper.replace("+", "").rstrip("0")[:MOST_DIGITS]]
    south_deg, west_deg = -90.0, -180.0
    height_deg = width_deg = FIRST_DEG * len(DIGITS)
    for row, column in zip(digits[: 2 * PAIRS : 2], digits[1 : 2 * PAIRS : 2], strict=True):
        height_deg, width_deg = height_deg / len(DIGITS), width_deg / len(DIGITS)
        south_deg, west_deg = south_deg + row * height_deg, west_deg + column * width_deg
    for digit in digits[2 * PAIRS :]:
        height_deg, width_deg = height_deg / ROWS, width_deg / COLUMNS
        row, column = divmod(digit, COLUMNS)
        south_deg, west_deg = south_deg + row * height_deg, west_deg + column * width_deg
    return Cell(south_deg, west_deg, height_deg, width_deg)
