"""Command lines carried out in this process, and bench files that need no port."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from autoalign.cli import main
from autoalign.config import example


@dataclass(frozen=True)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def text(self) -> str:
        """Standard output without its line breaks."""
        return " ".join(self.out.split())


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    """Carry out one command line in this process."""

    def carry_out(*arguments: object) -> Said:
        code = main([str(a) for a in arguments])
        printed = capsys.readouterr()
        return Said(code, printed.out, printed.err)

    return carry_out


@pytest.fixture
def ctrl_c_heard() -> Iterator[None]:
    """Hear Ctrl-C, here and in programs started from here, also where a shell has turned it off.

    Shells start background jobs with SIGINT ignored, and children inherit that.
    """
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture
def demo_bench(tmp_path: Path) -> Callable[..., Path]:
    """Write the demo's bench file with replacements, each of which must apply."""

    def write(*replacements: tuple[str, str], link: str = "direct") -> Path:
        text = example("demo").read_text(encoding="utf-8")
        for old, new in (('link = "pty"', f'link = "{link}"'), *replacements):
            assert old in text, f"{old!r} is not in the demo's bench file"
            text = text.replace(old, new)
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write
