"""What every bench type must do. Authors of layouts subclass :class:`LayoutConformance`."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.config.bench_types import OPTICS, BenchType
from autoalign.config.optics_tables import ArrangementTable
from autoalign.config.reading import parse
from autoalign.config.tables import BenchTables
from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Layout

__all__ = ["LayoutConformance"]

_REST = """
[bench]
name = "conformance"
[stages.any]
driver = "any"
[stages.any.axes."any"]
travel = ["-1 mm", "1 mm"]
[detectors.any]
driver = "any"
plane = "any"
"""
"""What a bench file needs beside its optics; nothing of it reaches a bench type."""


class LayoutConformance:
    """Tests that every :class:`~autoalign.config.bench_types.BenchType` passes; run by pytest.

    Subclass it under a name that begins with ``Test`` and say how to make one, and for which file::

        class TestMyBench(LayoutConformance):
            optics = '''
            [beam]
            diameter = "5 mm"
            wavelength = "660 nm"
            [planes]
            near = "200 mm"
            far = "2 m"
            '''

            def make_bench_type(self):
                return MyBench()

    ===========================  ===============================================================
    member                       override to…
    ===========================  ===============================================================
    :meth:`make_bench_type`      make the bench type
    ``optics``                   give the tables of a bench file that it needs, [planes] with at
                                 least two planes, and every key of [arrangement] that it takes
    ===========================  ===============================================================
    """

    optics: str = ""

    def make_bench_type(self) -> BenchType:
        """Return the bench type."""
        raise NotImplementedError(
            f"{type(self).__name__}: say in make_bench_type how to make a bench type."
        )

    @pytest.fixture
    def bench_type(self) -> BenchType:
        """Return the bench type of this test."""
        return self.make_bench_type()

    def tables(self) -> BenchTables:
        """Return the tables that ``optics`` gives, as the reader of bench files makes them."""
        _, tables, problems = parse("conformance.toml", self.optics + _REST, {})
        problems.raise_any()
        assert tables is not None
        return tables

    def test_is_a_bench_type(self, bench_type: BenchType) -> None:
        """It says which tables and keys it takes, all of them known, each once."""
        tables = self.tables()
        assert isinstance(bench_type, BenchType)
        assert bench_type.needs
        for named, known in (
            (bench_type.needs, OPTICS),
            (bench_type.arrangement, tuple(ArrangementTable.model_fields)),
        ):
            assert isinstance(named, tuple)
            assert len(set(named)) == len(named)
            assert set(named) <= set(known)
        assert len(tables.planes) > 1, "give at least two planes in optics"
        for key in bench_type.arrangement:
            assert getattr(tables.arrangement, key) is not None, f"give {key} in optics"

    def test_gives_a_layout_with_axes(self, bench_type: BenchType) -> None:
        """It has a kind, and axes with unit vectors of three finite numbers."""
        tables = self.tables()
        layout = bench_type.layout(tables)
        assert isinstance(layout, Layout)
        assert layout.kind
        assert layout.motions
        for motion in layout.motions:
            assert motion.kind in ("shift", "turn")
            assert np.isfinite([motion.direction, motion.pivot]).all()
            assert np.linalg.norm(motion.direction) == pytest.approx(1.0, abs=1e-9)

    def test_equal_tables_give_equal_layouts(self, bench_type: BenchType) -> None:
        """Also from another object of its class; and the tables stay as they are."""
        tables = self.tables()
        before = tables.model_copy(deep=True)
        first, again = bench_type.layout(tables), bench_type.layout(tables)
        assert again == first
        assert self.make_bench_type().layout(tables.model_copy(deep=True)) == first
        assert tables == before

    def test_every_table_that_it_needs_matters(self, bench_type: BenchType) -> None:
        """The reader demands each of them: without one there is no layout, or another."""
        tables = self.tables()
        whole = bench_type.layout(tables)
        for name in bench_type.needs:
            assert _without(bench_type, tables, name) != whole, f"[{name}] makes no difference"

    def test_reads_no_table_that_it_does_not_need(self, bench_type: BenchType) -> None:
        """A file may have no other table: with nothing else there the layout is the same."""
        tables = self.tables()
        others = dict.fromkeys(set(OPTICS) - set(bench_type.needs))
        kept = {key: getattr(tables.arrangement, key) for key in bench_type.arrangement}
        arrangement = ArrangementTable().model_copy(update=kept)
        bare = tables.model_copy(update={**others, "arrangement": arrangement})
        assert bench_type.layout(bare) == bench_type.layout(tables)

    def test_every_key_of_the_arrangement_matters_and_may_be_left_out(
        self, bench_type: BenchType
    ) -> None:
        """A number that is a tenth larger gives another layout; without any there is one, too."""
        tables = self.tables()
        given = bench_type.layout(tables)
        for key in bench_type.arrangement:
            value = getattr(tables.arrangement, key)
            if isinstance(value, float):
                changed = tables.arrangement.model_copy(update={key: 1.1 * value})
                other = bench_type.layout(tables.model_copy(update={"arrangement": changed}))
                assert other != given, f"{key} makes no difference"
        bare = tables.model_copy(update={"arrangement": ArrangementTable()})
        assert isinstance(bench_type.layout(bare), Layout)

    def test_has_the_planes_of_the_file(self, bench_type: BenchType) -> None:
        """All of them, by name and in order; one that the file moves is moved by as much."""
        tables = self.tables()
        before = bench_type.layout(tables).planes
        assert [plane.name for plane in before] == list(tables.planes)
        for k, (name, distance) in enumerate(tables.planes.items()):
            moved = {**tables.planes, name: distance + 0.25}
            after = bench_type.layout(tables.model_copy(update={"planes": moved})).planes
            shifts = [b.distance - a.distance for a, b in zip(before, after, strict=True)]
            wanted = [0.25 if k == other else 0.0 for other in range(len(before))]
            assert shifts == pytest.approx(wanted, abs=1e-9)

    def test_has_the_light_of_the_file(self, bench_type: BenchType) -> None:
        """Its wavelengths are those of the [source] or [beam] that it needs."""
        tables = self.tables()
        light = bench_type.layout(tables).light
        (name,) = {"source", "beam"} & set(bench_type.needs)
        given = getattr(tables, name)
        assert light.wavelength == given.wavelength
        assert light.others == given.others

    def test_the_light_arrives_in_the_middle_of_every_plane(self, bench_type: BenchType) -> None:
        """The nominal bench is aligned: most of the light arrives, within its own width of zero."""
        tables = self.tables()
        layout = bench_type.layout(tables)
        found = quantities(layout)
        for plane in layout.planes:
            values = {k: float(found[f"{plane.name}.{k}"]) for k in ("x", "y", "xx", "yy", "power")}
            assert np.isfinite(list(values.values())).all()
            assert values["power"] > 0.5
            assert abs(values["x"]) < values["xx"]
            assert abs(values["y"]) < values["yy"]

    def test_every_axis_moves_the_light(self, bench_type: BenchType) -> None:
        """A tenth of a millimetre or of a milliradian changes what some plane sees."""
        tables = self.tables()
        layout = bench_type.layout(tables)
        before = quantities(layout)
        for motion in layout.motions:
            step = 0.1 if motion.kind == "shift" else 1e-4
            after = quantities(layout, {motion.axis: np.array(step)})
            change = max(
                float(np.max(np.abs(after[name] - before[name])))
                for name in before
                if name.rpartition(".")[2] in ("x", "y", "xx", "yy", "xy")
            )
            assert change > 1e-9, f"{motion.axis} changes nothing"


def _without(bench_type: BenchType, tables: BenchTables, name: str) -> Layout | None:
    """Return the layout where ``name`` is missing, or None where there is none."""
    try:
        return bench_type.layout(tables.model_copy(update={name: None}))
    except (AssertionError, AttributeError, TypeError, ValueError):
        return None
