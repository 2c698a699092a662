"""HTML written so that no text can break it: what is not markup already is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from autoalign.report.sheet import SHEET

__all__ = ["Html", "figure", "join", "page", "table", "tag"]

_VOID = {"img", "br", "meta", "hr"}


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


def tag(name: str, /, *children: str, **attributes: str) -> Html:
    """Return an element; plain strings are escaped, :class:`Html` is taken as it is.

    A trailing underscore of an attribute's name is dropped and others become hyphens.
    """
    given = "".join(
        f' {k.rstrip("_").replace("_", "-")}="{escape(_clean(v), quote=True)}"'
        for k, v in attributes.items()
    )
    if name in _VOID:
        return Html(f"<{name}{given}>")
    return Html(f"<{name}{given}>{join(children)}</{name}>")


def join(children: Iterable[str]) -> Html:
    """Return the children one after another, escaped where they are plain text."""
    return Html("".join(c if isinstance(c, Html) else escape(_clean(c)) for c in children))


def table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], kind: str = "plain"
) -> Html:
    """Return a table whose first column names the row; "cards" stack on narrow screens."""
    top = tag("thead", tag("tr", *(tag("th", h, scope="col") for h in head)))
    body = []
    for row in rows:
        first = tag("th", row[0], scope="row")
        rest = (tag("td", c, data_label=h) for h, c in zip(head[1:], row[1:], strict=True))
        body.append(tag("tr", first, *rest))
    inner = tag("table", tag("caption", caption), top, tag("tbody", *body), class_=kind)
    return tag("div", inner, class_="scroll", role="region", aria_label=caption, tabindex="0")


def figure(source: str, alternative: str, caption: str = "") -> Html:
    """Return a picture with its alternative text and, where given, a caption."""
    parts = [tag("img", src=source, alt=alternative)]
    if caption:
        parts.append(tag("figcaption", caption))
    return tag("figure", *parts)


def page(title: str, *body: str) -> Html:
    """Return a whole page that needs nothing outside itself."""
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="generator", content="autoalign"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        tag("style", Html(SHEET)),
    )
    return Html(
        "<!DOCTYPE html>\n" + tag("html", head, tag("body", tag("main", *body)), lang="en") + "\n"
    )


def _clean(text: str) -> str:
    """Drop control characters, which HTML does not allow even when escaped."""
    return "".join(c for c in text if c in "\n\t" or (ord(c) >= 32 and not 127 <= ord(c) < 160))
