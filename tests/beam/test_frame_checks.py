"""The table of checks: what each shares, that it is computed once, and the limits behind it."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.checks import table as flags
from autoalign.beam.checks.context import Context, Evidence, FrameCheck
from autoalign.beam.checks.table import CHECKS, find_flags
from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame import analyse as measure
from autoalign.beam.profile import FlagKind, Use


@pytest.fixture
def context(lamp, rng, monkeypatch):
    """Return the context of a noisy beam with a ghost inside the window."""
    kept = []
    monkeypatch.setattr(measure, "find_flags", lambda c: kept.append(c) or find_flags(c))
    light = lamp.gaussian((150, 180), (80, 75), 22, 18) + 0.2 * lamp.gaussian(
        (150, 180), (125, 75), 8, 8
    )
    before = Frame(lamp.camera(light, rng), sequence=1)
    measure_beam(Frame(lamp.camera(light, rng), sequence=2), previous=before)
    (found,) = kept
    return found


def test_every_kind_of_flag_but_dark_has_a_check():
    """Dark frames have no window to check; all other flags come from the table."""
    assert {check.kind for check in CHECKS} == set(FlagKind) - {FlagKind.DARK}


def test_checks_share_what_they_say_they_share(context, monkeypatch):
    """Each asks the context for what its entry names, and nothing else; each of it, once."""
    asked = []
    once = Context.once

    def recorded(self, compute):
        asked.append(compute)
        return once(self, compute)

    monkeypatch.setattr(Context, "once", recorded)
    for check in CHECKS:
        asked.clear()
        check(context)
        assert set(asked) <= set(check.shares)
    used = {share for check in CHECKS for share in check.shares}
    assert used == set(context._known)


def test_what_is_shared_is_computed_once(context):
    """However many checks ask for it."""
    calls = []

    def counted(given):
        calls.append(given)
        return len(calls)

    assert [context.once(counted) for _ in range(3)] == [1, 1, 1]
    assert calls == [context]


def test_a_check_is_one_entry(context, monkeypatch):
    """A new entry in the table is asked, named and sorted without anything else."""
    extra = FrameCheck(FlagKind.STALE, lambda c: Evidence(f"peak {c.peak:.0f}", use=Use.NOTHING))
    monkeypatch.setattr(flags, "CHECKS", (*CHECKS, extra))
    found = find_flags(context)
    assert next(iter(found)) == FlagKind.STALE
    assert found[FlagKind.STALE].evidence == f"peak {context.peak:.0f}"


def test_the_limits_of_a_context_are_those_that_count(context):
    """A ghost of a fifth is named by default, and not where a spot must have half the height."""
    assert FlagKind.TWO_SPOTS in find_flags(context)
    strict = replace(THRESHOLDS, spot_height=0.5, shelf_level=0.5)
    changed = replace(context, thresholds=strict, _known={})
    assert FlagKind.TWO_SPOTS not in find_flags(changed)


def test_thresholds_are_printed_with_their_reasons_and_stay():
    """Every limit stands in the text with its reason, and none can be set."""
    told = " ".join(str(THRESHOLDS).split())
    for each in fields(THRESHOLDS):
        assert f"{each.name} {getattr(THRESHOLDS, each.name):g} " in told
        assert len(each.metadata["reason"]) > 20
        assert each.metadata["reason"] in told
    with pytest.raises(FrozenInstanceError):
        THRESHOLDS.spot_height = np.inf
