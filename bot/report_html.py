"""The monthly report as one file of HTML: its pictures in it, nothing from elsewhere, no script."""

from __future__ import annotations

from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from bot.pictures import Picture
from bot.report_parts import Report


def drawing(picture: Picture) -> Markup:
    """The picture to stand in a page as it is: an svg of our own making, its texts escaped."""
    return Markup(picture.svg.decode())  # noqa: S704  (made by bot.pictures alone)


def html(report: Report) -> str:
    """*report* as a whole page that prints on A4."""
    css = files("bot").joinpath("static/report.css").read_text("utf-8")
    page = _templates().get_template("report.html")
    return page.render(report=report, svg=drawing, css=Markup(css))  # noqa: S704  (our own file)


def _templates() -> Environment:
    return Environment(loader=PackageLoader("bot"), autoescape=select_autoescape(),
                       undefined=StrictUndefined)  # fmt: skip
