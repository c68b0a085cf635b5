"""Pictures for the desk and the printed report: everything a page needs, in one place.

Each function is pure: plain data in, a `Picture` out, and "No numbers for this time" where there
are none. No meaning is carried by a colour: marks, lines, fillings, words. Whoever draws from
several threads may; see `bot/pictures_frame.py`. A page that shows the svg lets it be as wide as
its column, up to about half as wide again as on paper, and high as it will (class "picture").
"""

from __future__ import annotations

from bot.pictures_frame import Picture, Row
from bot.pictures_funnel import Facility, funnel
from bot.pictures_risk import Risk, risk_curve
from bot.pictures_series import Point, Value, control_chart, run_chart
from bot.pictures_set import Span, Stay, timeline
from bot.pictures_shares import Month, Stage, methods, stages
from bot.pictures_times import turnaround
from bot.pictures_week import week
from bot.pictures_words import NOTHING, duration, percent

__all__ = [
    "NOTHING",
    "Facility",
    "Month",
    "Picture",
    "Point",
    "Risk",
    "Row",
    "Span",
    "Stage",
    "Stay",
    "Value",
    "control_chart",
    "duration",
    "funnel",
    "methods",
    "percent",
    "risk_curve",
    "run_chart",
    "stages",
    "timeline",
    "turnaround",
    "week",
]
