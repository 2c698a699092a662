"""The bench types that come with autoalign pass the suite for authors of bench types."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from autoalign.config import example
from autoalign.config.bench_types import OPTICS, BenchType, bench_type
from autoalign.plugins import names
from autoalign.testing import LayoutConformance

FILES = {"collimator": "demo", "focuser": "focuser", "relay": "relay", "steering": "steering"}
KEYS = {
    "focuser": 'steering_distance = "210 mm"',
    "relay": 'separation = "400 mm"\norientation = "adding"',
    "steering": 'separation = "310 mm"\nclear_aperture = "26 mm"',
}


def optics(kind: str) -> str:
    """Return the optical tables of the example of ``kind``, with every key of [arrangement]."""
    text = example(FILES[kind]).read_text(encoding="utf-8")
    tables: list[str] = []
    wanted = {*OPTICS, "planes"}
    for part in text.split("\n["):
        if part.partition("]")[0] in wanted:
            tables.append(f"[{part}")
    found = "\n".join([*tables, "[arrangement]", KEYS.get(kind, "")])
    assert set(tomllib.loads(found)) <= {*wanted, "arrangement"}
    return found


@pytest.mark.parametrize("kind", FILES, scope="class")
class TestOurs(LayoutConformance):
    """Each of the four, as a bench file names it."""

    @pytest.fixture(autouse=True)
    def _chosen(self, kind: str) -> None:
        self.kind, self.optics = kind, optics(kind)

    def make_bench_type(self) -> BenchType:
        """Return it, by the way that a third party's comes."""
        return bench_type(self.kind)


def test_all_of_ours_are_tested() -> None:
    """A fifth one is not forgotten."""
    ours: set[Any] = {n for n in names("layouts") if not n.startswith("example-")}
    assert ours == set(FILES)
