"""A page's form as a browser would send it: every field with what stands in it."""

from __future__ import annotations

from typing import Any
from xml.etree.ElementTree import Element

import html5lib


def read_page(html: str) -> Element:
    """The page's elements, without namespaces."""
    page: Element = html5lib.HTMLParser(namespaceHTMLElements=False).parse(html)
    return page


def fields_of_form(html: str, action: str) -> dict[str, Any]:
    """The fields of the form that goes to `action` (a form without one goes to its own page: "")."""
    forms = [each for each in read_page(html).iter("form") if each.get("action", "") == action]
    assert len(forms) == 1, f"one form goes to {action!r}"
    fields: dict[str, Any] = {}
    for each in forms[0].iter():
        if each.get("name") and each.tag in ("input", "select", "textarea"):
            _add(fields, each)
    return fields


def _add(fields: dict[str, Any], each: Element) -> None:
    name, kind = each.get("name", ""), each.get("type", "text")
    if kind in ("checkbox", "radio"):
        if each.get("checked") is None:
            return
        value = each.get("value", "on")
        fields[name] = [*fields.get(name, []), value] if kind == "checkbox" else value
    elif each.tag == "select":
        options = list(each.iter("option"))
        chosen = next((option for option in options if option.get("selected") is not None), options[0])
        fields[name] = chosen.get("value", chosen.text)
    elif kind != "file":
        fields[name] = (each.text or "") if each.tag == "textarea" else each.get("value", "")
