"""Plug-ins: found by name, loaded alone, broken ones listed and harmless."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from autoalign.core.errors import MissingExtraError, PluginError, UnknownNameError
from autoalign.core.interfaces import DetectorDriver, StageDriver
from autoalign.plugins import GROUPS, catalogue, names, plugin
from autoalign.spec.terms import MeritTerm
from autoalign.strategies.base import Strategy


def offer(site: Path, package: str, entry_points: str) -> None:
    """Put the metadata of a package with ``entry_points`` on the path."""
    metadata = site / f"{package}-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(entry_points)


@pytest.mark.usefixtures("worked_plugin")
def test_every_kind_of_a_third_party_plugin_is_found_and_fits_its_protocol() -> None:
    """A package with nothing but entry points gives a driver, a camera, a strategy and a term."""
    assert isinstance(plugin("stages", "example-stage"), StageDriver)
    assert isinstance(plugin("detectors", "example-camera"), DetectorDriver)
    assert isinstance(plugin("strategies", "example-middle")(), Strategy)
    assert isinstance(plugin("terms", "example-brightness")("far", 0.1), MeritTerm)


@pytest.mark.usefixtures("worked_plugin")
def test_a_listed_plugin_says_where_it_comes_from_and_what_it_is() -> None:
    """Package, version and the first line of the plug-in's own docstring are listed."""
    info = next(i for i in catalogue("stages") if i.name == "example-stage")
    assert (info.package, info.version) == ("autoalign-example", "0.1.0")
    assert info.summary == "Example stage without hardware."
    assert not info.broken


def test_an_unknown_name_is_answered_with_the_closest_one() -> None:
    """A misspelt strategy names the one that was probably meant, and all that exist."""
    with pytest.raises(UnknownNameError, match=r"no strategy named 'nelder-meat'") as caught:
        plugin("strategies", "nelder-meat")
    assert "Did you mean 'nelder-mead'?" in str(caught.value)
    assert "response-matrix" in str(caught.value)


def test_an_unknown_group_is_refused() -> None:
    """A group that does not exist is named, with the groups that do."""
    with pytest.raises(UnknownNameError, match=r"no plug-in group named 'stage'"):
        names("stage")


def test_one_broken_plugin_never_stops_the_others(site: Path) -> None:
    """A module that raises, one that is missing, and one of the wrong shape are listed as such."""
    (site / "raises_on_import.py").write_text("raise RuntimeError('no licence file')\n")
    (site / "shapeless.py").write_text("DRIVER = object()\nNUMBER = 3\n")
    offer(
        site,
        "broken_things",
        "[autoalign.stages]\n"
        "raising = raises_on_import:DRIVER\n"
        "absent = no_such_module:DRIVER\n"
        "shapeless = shapeless:DRIVER\n"
        "[autoalign.terms]\n"
        "number = shapeless:NUMBER\n",
    )
    found = {(i.group, i.name): i.problem for i in catalogue()}
    assert "RuntimeError: no licence file" in found["stages", "raising"]
    assert "No module named 'no_such_module'" in found["stages", "absent"]
    assert "lacks settings, build" in found["stages", "shapeless"]
    assert "is of type int, not a callable" in found["terms", "number"]
    assert all(not found["terms", n] for n in ("pointing", "divergence", "ellipticity"))
    with pytest.raises(PluginError, match=r"package broken_things, failed: RuntimeError"):
        plugin("stages", "raising")


def test_two_packages_with_one_name_are_told_apart_by_package(site: Path) -> None:
    """Which of two would win is a matter of chance; so neither does, and how to write each is."""
    (site / "twins.py").write_text("A = dict\nB = list\n")
    offer(site, "first", "[autoalign.terms]\ntwin = twins:A\n")
    offer(site, "second_one", "[autoalign.terms]\ntwin = twins:B\n")
    with pytest.raises(PluginError, match="offered by several packages") as caught:
        plugin("terms", "twin")
    assert "first (twins:A)" in str(caught.value)
    assert "'second_one:twin'" in str(caught.value)
    assert plugin("terms", "first:twin")(a=1) == {"a": 1}
    assert plugin("terms", "second-one:twin")("ab") == ["a", "b"]
    listed = {i.name: i.clash for i in catalogue("terms")}
    assert "twin" not in listed
    assert listed["first:twin"] == listed["second_one:twin"] != ""
    assert {"first:twin", "second_one:twin"} <= set(names("terms"))


def test_a_built_in_wins_over_a_third_partys_plugin_of_its_name(site: Path) -> None:
    """A package that calls its strategy ``model`` disabled the default strategy."""
    (site / "usurper.py").write_text("class Model:\n    name, needs, propose = 'model', (), None\n")
    offer(site, "usurper", "[autoalign.strategies]\nmodel = usurper:Model\n")
    assert plugin("strategies", "model").__module__ == "autoalign.strategies.model"
    assert plugin("strategies", "autoalign:model") is plugin("strategies", "model")
    assert plugin("strategies", "usurper:model").__module__ == "usurper"
    listed = {i.name: i for i in catalogue("strategies")}
    assert listed["model"].package == "autoalign"
    assert listed["usurper:model"].package == "usurper"
    assert "'model' means that of autoalign" in listed["usurper:model"].clash
    assert not listed["model"].broken
    assert not listed["cobyqa"].clash
    with pytest.raises(UnknownNameError, match="no strategy named 'nobody:model'"):
        plugin("strategies", "nobody:model")


def test_every_group_has_a_word_for_one_of_it() -> None:
    """All groups of the catalogue can be listed, also empty ones."""
    for group in GROUPS:
        assert list(names(group)) == [i.name for i in catalogue(group)]


@pytest.mark.parametrize(("name", "module"), [("dfo-ls", "dfols"), ("cma-es", "cmaes")])
def test_a_strategy_without_its_extra_is_named_with_how_to_install_it(
    name: str, module: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before any hardware is opened; the catalogue lists it as broken and goes on."""
    home = f"autoalign.strategies.{name.replace('-', '_')}"
    monkeypatch.delitem(sys.modules, home, raising=False)
    find = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda n, *a: None if n == module else find(n, *a)
    )
    wanted = f"strategy {name} needs the extra 'strategies': pip install 'autoalign[strategies]'."
    with pytest.raises(MissingExtraError) as caught:
        plugin("strategies", name)
    assert str(caught.value) == wanted
    listed = {i.name: i.problem for i in catalogue("strategies")}
    assert listed[name] == wanted
    assert not listed["bayesian"]
    assert not listed["model"]
