"""What leaves for other systems, before anybody chose a format for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One indicator at one place in one period.

    *since* and *until* are local days, both included; *numerator* and *denominator* whole numbers
    (None: the indicator has no denominator; a count); *value* what they come to; *dims* method,
    stage, reason where it is split; *suppressed*: too small to leave the facility, numbers are
    None.
    """

    indicator: str
    place: str
    since: date
    until: date
    numerator: int | None
    denominator: int | None = None
    value: float | None = None
    dims: Mapping[str, str] = field(default_factory=dict)
    suppressed: bool = False
