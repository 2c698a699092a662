"""HTML written so that no text can break it: what is not markup already is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

__all__ = ["SHEET", "Html", "figure", "join", "page", "table", "tag"]

# The style sheet of every page: paper and ink, large type, fit for a phone and for print.

SHEET = """
:root { color-scheme: light; --ink: #16242c; --quiet: #52626b; --hair: #c9d2d6; --faint: #eef2f3;
  --good: #00694f; --bad: #a8330a; --blue: #0b5f94; }
* { box-sizing: border-box; }
body { margin: 0; background: #fff; color: var(--ink);
  font: 1.0625rem/1.55 system-ui, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif; }
main { max-width: 62rem; margin: 0 auto; padding: 1.5rem 1.25rem 4rem; }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 .25rem; overflow-wrap: anywhere; }
h2 { font-size: 1.3rem; line-height: 1.3; margin: 2.75rem 0 .75rem; padding-top: .75rem;
  border-top: 2px solid var(--ink); }
h3 { font-size: 1.05rem; margin: 1.5rem 0 .5rem; overflow-wrap: anywhere; }
p, li { max-width: 44rem; overflow-wrap: anywhere; }
p { margin: .5rem 0; }
a { color: var(--blue); }
.where { color: var(--quiet); margin: 0 0 1.25rem; }
.verdict { border-left: .5rem solid var(--quiet); background: var(--faint);
  padding: .9rem 1.1rem; margin: 1rem 0 1.25rem; }
.verdict p { font-size: 1.125rem; }
.verdict strong { font-size: 1.3rem; display: block; }
.verdict.good { border-color: var(--good); } .verdict.good strong { color: var(--good); }
.verdict.bad { border-color: var(--bad); } .verdict.bad strong { color: var(--bad); }
.scroll { overflow-x: auto; margin: .75rem 0; }
.scroll:focus-visible { outline: 3px solid var(--blue); outline-offset: 2px; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption { text-align: left; color: var(--quiet); font-size: .95rem; padding: 0 0 .4rem; }
th, td { text-align: left; vertical-align: top; padding: .45rem .9rem .45rem 0;
  border-bottom: 1px solid var(--hair); }
thead th { border-bottom: 2px solid var(--ink); vertical-align: bottom; max-width: 9rem; }
tbody th { font-weight: 600; }
.yes { color: var(--good); font-weight: 700; } .no { color: var(--bad); font-weight: 700; }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 19rem), 1fr));
  gap: 1rem 1.5rem; }
.trio { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 15rem), 1fr));
  gap: 1rem 1.25rem; }
.pair > figure:only-child { max-width: 34rem; }
.strip { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 9rem), 1fr));
  gap: .25rem .5rem; }
figure { margin: .5rem 0; } figure img { display: block; width: 100%; height: auto; }
figcaption { color: var(--quiet); font-size: .95rem; margin-top: .25rem; }
dl { display: grid; grid-template-columns: minmax(8rem, max-content) 1fr; gap: .3rem 1.25rem; }
dt { color: var(--quiet); } dd { margin: 0; overflow-wrap: anywhere; }
.small { font-size: .95rem; color: var(--quiet); }
@media (max-width: 40rem) {
  main { padding: 1rem 1rem 3rem; } h1 { font-size: 1.5rem; }
  table.cards thead { position: absolute; width: 1px; height: 1px; overflow: hidden;
    clip-path: inset(50%); }
  table.cards, table.cards caption, table.cards tbody { display: block; }
  table.cards tr { display: block; border-bottom: 2px solid var(--hair); padding: .6rem 0; }
  table.cards th, table.cards td { display: flex; justify-content: space-between; gap: 1rem;
    border: 0; padding: .12rem 0; text-align: right; }
  table.cards th { text-align: left; } table.cards td { flex-wrap: wrap;
    column-gap: 1rem; row-gap: 0; text-align: left; overflow-wrap: anywhere; }
  table.cards td::before { content: attr(data-label); color: var(--quiet); text-align: left;
    white-space: nowrap; }
  .wide img { width: 46rem; max-width: none; }
  dl { grid-template-columns: 1fr; gap: 0; } dd { margin: 0 0 .6rem; }
}
@media print {
  @page { margin: 16mm 14mm; }
  body { font-size: 10.5pt; } main { max-width: none; padding: 0; }
  h2 { margin-top: 1.4rem; break-after: avoid; } h3 { break-after: avoid; }
  figure, tr, .verdict { break-inside: avoid; } thead { display: table-header-group; }
  .scroll { overflow: visible; }
  .verdict { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""


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
