"""The SVG that matplotlib writes, made light, deterministic and fit to stand in a page.

A page of the desk forbids styles within it, so every style becomes an attribute. The texts of a
picture never reach matplotlib: it places numbers, and here each number becomes its text.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby
from xml.etree import ElementTree as ET

HALO = "halo"  # the name of a text that shows on top of lines
FONT = 11  # px where a picture is shown at its own width

_XLINK = "{http://www.w3.org/1999/xlink}"
_DROPPED = frozenset({"metadata", "style"})
_ATTRIBUTES = frozenset({"style", "id", "transform", "font-family", "clip-path"})  # not as they are
_NUMBER = re.compile(r"-?\d+\.\d+")
_STROKES = re.compile(r"([MLCQz])([^A-Za-z]*)")
_ALONE = frozenset({"x", "y", "d", "id", "xlink:href"})  # what is each one's own
_BEHIND = {"fill": "#fff", "stroke": "#fff", "stroke-width": "3"}


def slim(raw: str, words: Sequence[str], name: str, title: str, desc: str) -> bytes:
    """*raw* as one svg element: no more than is seen, a title and a description for who listens.

    A text of *raw* is a number, which stands for that one of *words*. *name* begins the ids.
    """
    drawn = ET.fromstring(raw)  # noqa: S314  (our own drawing, with no text of anybody's in it)
    width, height = drawn.attrib["viewBox"].split()[2:]
    root = ET.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "xmlns:xlink": "http://www.w3.org/1999/xlink",
        "class": "picture", "role": "img", "aria-labelledby": f"{name}-title {name}-desc",
        "width": width, "height": height, "viewBox": drawn.attrib["viewBox"],
        "font-family": "sans-serif", "font-size": str(FONT), "stroke-linejoin": "round",
    })  # fmt: skip
    for tag, text in (("title", title), ("desc", desc)):
        ET.SubElement(root, tag, {"id": f"{name}-{tag}"}).text = text
    root.extend(_gathered(_children(drawn, words)))
    return ET.tostring(root, encoding="unicode").encode()


def _children(element: ET.Element, words: Sequence[str]) -> list[ET.Element]:
    found: list[ET.Element] = []
    for child in element:
        found += _slimmed(child, words)
    return found


def _slimmed(old: ET.Element, words: Sequence[str]) -> list[ET.Element]:
    """What is left of *old*: nothing, itself, or its children with the class it gives them."""
    tag = old.tag.split("}")[-1]
    if tag in _DROPPED:
        return []
    inner = _children(old, words)
    if tag == "g":
        return _classed(inner, old.attrib.get("id", ""))
    new = ET.Element(tag, _attributes(old))
    if tag == "text":
        new.text = words[int(old.text or "")]
    new.extend(inner)
    lone_mark = tag == "path" and not re.search("[LHVCQz]", new.attrib["d"])  # its line: no length
    return [] if lone_mark or (tag == "defs" and not inner) else [new]


def _classed(inner: list[ET.Element], name: str) -> list[ET.Element]:
    """A name of ours begins with a dot; all others are matplotlib's counting."""
    if name == f".{HALO}":
        return [lettering for child in inner for lettering in _haloed(child)]
    for child in inner:
        if name.startswith(".") and child.tag != "defs":
            child.set("class", name[1:])
    return inner


def _haloed(text: ET.Element) -> tuple[ET.Element, ET.Element]:
    """White behind the letters, as a text of its own: paint-order is not known everywhere."""
    behind = ET.Element(text.tag, text.attrib | _BEHIND)
    behind.text = text.text
    return behind, text


def _gathered(elements: list[ET.Element]) -> list[ET.Element]:
    """Neighbours that look alike in one group, which says once how they look."""
    found: list[ET.Element] = []
    for (_, look), alike in groupby(elements, key=_look):
        run = list(alike)
        if len(run) == 1 or not look:
            found += run
            continue
        group = ET.Element("g", dict(look))
        for element in run:
            for key, _ in look:
                del element.attrib[key]
        group.extend(run)
        found.append(group)
    return found


def _look(element: ET.Element) -> tuple[str, tuple[tuple[str, str], ...]]:
    return element.tag, tuple((k, v) for k, v in element.attrib.items() if k not in _ALONE)


def _attributes(old: ET.Element) -> dict[str, str]:
    new: dict[str, str] = {}
    for key, value in old.attrib.items():
        if key not in _ATTRIBUTES:
            new[key.replace(_XLINK, "xlink:")] = _path(value) if key == "d" else _short(value)
    new.update(_styles(old.attrib.get("style", "")))
    if "id" in old.attrib:
        new["id"] = old.attrib["id"]
    return new


def _styles(style: str) -> dict[str, str]:
    """The parts of a style as attributes; what an svg does anyway is left out."""
    parts = (part.partition(":") for part in style.split(";") if part.strip())
    said = {key.strip(): value.strip() for key, _, value in parts}
    plain = {"font-size": f"{FONT}px", "stroke-width": "1.0", "stroke-linecap": "butt",
             "stroke-dashoffset": "0", "text-anchor": "start"}  # fmt: skip
    return {key: _short(value).replace("#000000", "#000").replace("#ffffff", "#fff")
            for key, value in said.items()
            if key not in _ATTRIBUTES and plain.get(key) != value}  # fmt: skip


def _path(d: str) -> str:
    """A path in one line; level and upright strokes say one number only."""
    said, before = [], ["", ""]
    for command, rest in _STROKES.findall(d):
        numbers = [_short(number) for number in rest.split()]
        if command == "L" and numbers == before:
            continue
        if command == "L" and numbers[1] == before[1]:
            said.append(f"H{numbers[0]}")
        elif command == "L" and numbers[0] == before[0]:
            said.append(f"V{numbers[1]}")
        else:
            said.append(command + " ".join(numbers))
        before = numbers[-2:] or before
    return "".join(said)


def _short(value: str) -> str:
    """Numbers to a tenth of a pixel."""
    return _NUMBER.sub(lambda found: f"{float(found[0]):.1f}".removesuffix(".0"), value)
