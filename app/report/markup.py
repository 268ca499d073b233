"""Elements of the page. Text goes in only as text, so nothing a file says can become markup."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from xml.etree import ElementTree as ET

Element = ET.Element
Child = Element | str

_REPLACEMENT = "\N{REPLACEMENT CHARACTER}"


def plain(text: object) -> str:
    """``text`` without what no page may hold: control characters, halves of pairs, marks that turn text around."""
    return "".join(c if c == "\n" or _is_harmless(c) else _REPLACEMENT for c in str(text))


def _is_harmless(char: str) -> bool:
    code = ord(char)
    if code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF:
        return False  # no characters, by the Unicode standard
    return unicodedata.category(char) not in ("Cc", "Cs", "Cf")


def element(tag: str, *children: Child, **attributes: object) -> Element:
    """An element; ``_`` in an attribute's name is written ``-``, an underscore at its end is dropped."""
    names = {key.rstrip("_").replace("_", "-"): plain(value) for key, value in attributes.items()}
    made = ET.Element(tag, names)
    for child in children:
        append(made, child)
    return made


def append(parent: Element, child: Child) -> None:
    if not isinstance(child, str):
        parent.append(child)
    elif len(parent):
        parent[-1].tail = (parent[-1].tail or "") + plain(child)
    else:
        parent.text = (parent.text or "") + plain(child)


def table(
    heads: Sequence[str], rows: Iterable[Sequence[Child]], caption: str | None = None, kind: str = "wide"
) -> Element:
    """A table whose head is repeated on each printed page."""
    made = element("table", class_=kind)
    if caption:
        made.append(element("caption", caption))
    made.append(element("thead", element("tr", *(element("th", head, scope="col") for head in heads))))
    body = element("tbody")
    for row in rows:
        body.append(element("tr", *(element("td", cell) for cell in row)))
    made.append(body)
    return made


def facts(pairs: Iterable[tuple[str, Child]]) -> Element:
    """A table of two columns, what and how much."""
    body = element("tbody")
    for name, value in pairs:
        body.append(element("tr", element("th", name, scope="row"), element("td", value)))
    return element("table", body, class_="facts")


def section(title: str, *children: Child, level: int = 2) -> Element:
    return element("section", element(f"h{level}", title), *children)


def figure(picture: Element, caption: str) -> Element:
    return element("figure", picture, element("figcaption", caption))


def paragraphs(texts: Iterable[str], kind: str = "") -> list[Element]:
    return [element("p", text, **({"class_": kind} if kind else {})) for text in texts]


def to_html(root: Element) -> str:
    """The whole document."""
    return "<!DOCTYPE html>\n" + ET.tostring(root, encoding="unicode", method="html") + "\n"
