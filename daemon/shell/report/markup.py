"""HTML and SVG as trees: whatever a cook wrote is escaped by the serialiser, never by hand."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import TypeAlias
from xml.etree import ElementTree  # nosec B405  # writes only, reads nothing

Element = ElementTree.Element
Child: TypeAlias = Element | str | None
Children: TypeAlias = "Child | Iterable[Children]"


def node(tag: str, *children: Children, **attributes: str | float) -> Element:
    """One element. Attribute names: `class_` is class, `view_box` and `aria_label` get what they should; floats are written
    with one decimal at most. Children: elements, texts, lists of either; None is left out."""
    element = Element(tag, {_name(k): v if isinstance(v, str) else number(v) for k, v in attributes.items()})
    last: Element | None = None
    for child in _flat(children):
        if isinstance(child, str):
            if last is None:
                element.text = (element.text or "") + child
            else:
                last.tail = (last.tail or "") + child
        else:
            element.append(child)
            last = child
    return element


def _flat(children: Iterable[Children]) -> Iterable[Element | str]:
    for child in children:
        if isinstance(child, str | ElementTree.Element):
            yield child
        elif child is not None:
            yield from _flat(child)


@cache
def _name(name: str) -> str:
    return "viewBox" if name == "view_box" else name.rstrip("_").replace("_", "-")


def number(value: float) -> str:
    """ "12.5", "12"."""
    return f"{value:.1f}".removesuffix(".0")


def document(root: Element, slot: str = "") -> bytes:
    """UTF-8, with the doctype. slot: elements already in words, in place of the tree's `place()`."""
    page = f"<!DOCTYPE html>\n{in_words(root)}\n"
    return (page.replace(in_words(place()), slot, 1) if slot else page).encode()


def in_words(root: Element) -> str:
    """One element, escaped."""
    return ElementTree.tostring(root, encoding="unicode", method="html")


def place() -> Element:
    """Where something goes that is in words already; no text that was escaped looks like it."""
    return node("here")
