"""Anything but a frame is refused by ``measure_beam`` in words that say what is needed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.core.errors import UsageError


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (np.zeros((4, 4)), r"autoalign\.Frame\(pixels, pitch="),
        ("a.tif", r"not a str; .*read_pictures\(path"),
        (Path("a.tif"), r"read_pictures\(path"),
        (None, "not a NoneType"),
    ],
)
def test_what_is_no_frame_is_refused_with_what_to_do(given: Any, said: str) -> None:
    """Also where a dark frame is given as an array."""
    with pytest.raises(UsageError, match=said):
        measure_beam(given)
    if given is not None:
        with pytest.raises(UsageError, match=said):
            measure_beam(Frame(np.zeros((4, 4))), dark=given)
