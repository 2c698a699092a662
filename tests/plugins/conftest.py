"""The worked third-party plug-in, installed for a test."""

from __future__ import annotations

import importlib
import runpy
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty place for packages, on the path."""
    place = tmp_path / "site"
    place.mkdir()
    monkeypatch.syspath_prepend(place)
    return place


@pytest.fixture
def worked_plugin(site: Path) -> Path:
    """The worked plug-in, installed."""
    runpy.run_path(str(HERE / "install.py"))["install"](HERE / "worked_plugin", site)
    importlib.invalidate_caches()
    return site
