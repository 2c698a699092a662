"""Words that a person must not meet, in every help text, message, output, page and document.

One thing has one name (the glossary is in README.md), and nobody is told to look where there is
laser light. Code is not prose: what stands between backticks is left out.
"""

from __future__ import annotations

import ast
import html
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from autoalign.cli import main
from autoalign.config import EXAMPLES, example

ROOT = Path(__file__).parents[2]

FORBIDDEN = {
    "look at, look for": r"\blook(s|ing|ed)? (at|for|what|whether|why|on|again|back)\b",
    "looks, for measurements": (
        r"\b[0-9]+ looks?\b|\blooks?, median\b|\b(first|last|verifying) look\b"
    ),
    "safe, for latched": r"\b(un)?safe\b",
    "stands, for is": r"\b(stands?|stood) (off|at|wrong|still)\b",
    "play, for backlash": r"\bplay\b",
    "twin, for model": r"\btwins?\b",
    "faults_reported": r"\baccus\w+",
    "who searches": r"\bwho (searches|realigns)\b",
    "so many": r"\bso many\b",
    "told, for given": r"\btold\b",
    "remembers itself": r"\bremembers? itself\b",
    "physics allows": r"\bphysics allows\b|\bthrough (drift and )?faults\b",
}
"""What is searched for, by the word that it stands for."""


def hits(place: str, text: str) -> list[str]:
    """Return every forbidden word in ``text``, with the line it is in."""
    found = []
    for line in text.splitlines():
        for name, pattern in FORBIDDEN.items():
            if match := re.search(pattern, line, re.IGNORECASE):
                around = line[max(match.start() - 50, 0) : match.end() + 50].strip()
                found.append(f"{place}: {name}: … {around} …")
    return found


def prose(markdown: str) -> str:
    """Return a document without its code."""
    return re.sub(r"```.*?```|`[^`\n]*`", "", markdown, flags=re.DOTALL)


def comments(toml: str) -> str:
    """Return the comments of a bench file."""
    return "\n".join(line.partition("#")[2] for line in toml.splitlines())


def messages(source: str) -> Iterator[str]:
    """Yield the strings of a module that a person may meet: all with a blank, but no docstrings."""
    tree = ast.parse(source)
    parts = {
        id(piece)
        for node in ast.walk(tree)
        if isinstance(node, ast.JoinedStr)
        for piece in node.values
    }
    statements = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            pieces = (v.value if isinstance(v, ast.Constant) else "{}" for v in node.values)
            yield "".join(map(str, pieces))
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in parts | statements
            and " " in node.value.strip()
        ):
            yield node.value


def modules() -> list[str]:
    """Return every module of the library, the drivers and the simulators, from the root."""
    roots = ("autoalign", "drivers/autoalign_drivers", "simulators/autoalign_simulators")
    return sorted(str(p.relative_to(ROOT)) for r in roots for p in (ROOT / r).rglob("*.py"))


def of_module(path: str) -> list[str]:
    """Return the hits in the messages of one module."""
    text = "\n".join(" ".join(m.split()) for m in messages((ROOT / path).read_text("utf-8")))
    return hits(path, text)


def test_messages_of_every_module() -> None:
    """Errors, outputs, captions of pages: whatever a module may say."""
    assert not [hit for path in modules() for hit in of_module(path)]


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_documents(name: str) -> None:
    """The prose of both, without their code."""
    assert not hits(name, prose((ROOT / name).read_text("utf-8")))


@pytest.mark.parametrize("name", EXAMPLES)
def test_comments_of_bench_files(name: str) -> None:
    """The template is among them."""
    assert not hits(f"{name}.toml", comments(example(name).read_text("utf-8")))


COMMANDS = (
    "demo", "plan", "check", "measure", "align", "watch", "compare", "benchmark", "report",
    "gallery", "plugins",
)  # fmt: skip


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_of_every_command(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """As it is printed, line ends joined: a phrase may wrap."""
    main([*([command] if command else []), "--help"])
    text = " ".join(re.sub(r"[│╭╮╰╯─]", " ", capsys.readouterr().out).split())
    assert "Usage" in text
    assert not hits(f"help {command}", text)


def test_lists_of_plugins_and_keys(capsys: pytest.CaptureFixture[str]) -> None:
    """Summaries come from docstrings, and the keys from the drivers."""
    main(["plugins"])
    listed = capsys.readouterr().out
    main(["plugins", "--keys"])
    keys = capsys.readouterr().out
    assert not hits("plugins", listed)
    assert not hits("plugins --keys", keys)


Run = Callable[..., str]


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Run:
    """Carry out a command and return all that it printed, on one line: a phrase may wrap."""

    def carry_out(*arguments: object) -> str:
        main([str(a) for a in arguments])
        printed = capsys.readouterr()
        return " ".join((printed.out + printed.err).split())

    return carry_out


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Return the file of the smallest simulated bench, without a serial line."""
    text = example("steering").read_text("utf-8").replace('link = "pty"', 'link = "direct"')
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


OUTPUTS: dict[str, tuple[str, ...]] = {
    "plan": ("plan", "BENCH"),
    "measure": ("measure", "BENCH", "--explain"),
    "align": ("align", "BENCH", "--output", "RUN"),
    "check": ("check", "BENCH", "--axes", "first.tip", "--output", "RUN"),
    "compare": ("compare", "--benches", "steering", "--seeds", "1", "--output", "RUN"),
    "gallery": ("gallery", "steering", "--output", "RUN/gallery.html"),
    "errors": ("align", "BENCH", "--strategy", "modle"),
}
"""One command line for each kind of output; BENCH and RUN are put in."""


def output(name: str, said: Run, bench: Path, tmp_path: Path) -> list[str]:
    """Return the hits in what a command prints and in the pages that it leaves."""
    run = tmp_path / "run"
    run.mkdir()
    line = [a.replace("BENCH", str(bench)).replace("RUN", str(run)) for a in OUTPUTS[name]]
    found = hits(name, said(*line).replace(str(tmp_path), ""))
    for page in run.rglob("*.html"):
        text = re.sub(r"<(style|script).*?</\1>|<[^>]*>", " ", page.read_text("utf-8"), flags=re.S)
        found += hits(f"{name}: {page.name}", " ".join(html.unescape(text).split()))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("name", OUTPUTS)
def test_output_and_pages(name: str, said: Run, bench: Path, tmp_path: Path) -> None:
    """What a command prints, its report and its page."""
    assert not output(name, said, bench, tmp_path)


PLANTED = {
    "look at, look for": "Look at the source before the mirrors.",
    "looks, for measurements": "In spec after 3 looks.",
    "safe, for latched": "The bench was made safe.",
    "stands, for is": "The source stands off by 1 mm.",
    "play, for backlash": "It has a play of 8 µm.",
    "twin, for model": "The twin expects no light.",
    "faults_reported": "No accusations.",
    "who searches": "Who searches; see the list.",
    "so many": "After so many measurements it ends.",
    "told, for given": "It cannot be told.",
    "remembers itself": "File in which the bench remembers itself.",
    "physics allows": "As few as the physics allows.",
}


def test_a_planted_word_is_found_in_every_kind_of_place() -> None:
    """In a document, a comment, a plain message and a message with places; not in code."""
    assert PLANTED.keys() == FORBIDDEN.keys()
    for name, sentence in PLANTED.items():
        for text in (
            prose(f"Good. {sentence} `play = 1`"),
            comments(f"key = 1  # {sentence}"),
            "\n".join(messages(f'def f(x):\n    """Doc."""\n    raise E("{sentence}")')),
            "\n".join(messages(f'def f(x):\n    raise E(f"{{x}}: {sentence}")')),
        ):
            assert [name in hit for hit in hits("planted", text)].count(True) == 1, (name, text)
    assert not hits("planted", prose("`look at play` and ```\nthe twin\n```"))
    assert not list(messages('def f():\n    """Look at the twin."""'))
