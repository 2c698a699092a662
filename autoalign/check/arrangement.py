"""How the cameras may really be arranged: two of them exchanged, or one hung the other way."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.core.frames import View
from autoalign.session import Camera

__all__ = ["AS_STATED", "Arrangement", "arrangements", "turned"]

Floats = npt.NDArray[np.float64]

_STILL: View = ((1.0, 0.0), (0.0, 1.0))

_WAYS: Mapping[str, View] = {
    "mirrored sideways": ((-1.0, 0.0), (0.0, 1.0)),
    "mirrored up and down": ((1.0, 0.0), (0.0, -1.0)),
    "turned by 180°": ((-1.0, 0.0), (0.0, -1.0)),
    "turned by +90°": ((0.0, -1.0), (1.0, 0.0)),
    "turned by −90°": ((0.0, 1.0), (-1.0, 0.0)),
    "mirrored about a diagonal": ((0.0, 1.0), (1.0, 0.0)),
    "mirrored about the other diagonal": ((0.0, -1.0), (-1.0, 0.0)),
}
"""Every way in which what a camera shows may be turned or mirrored by right angles, against what
its bench file says."""


@dataclass(frozen=True, slots=True, eq=False)
class Arrangement:
    """One arrangement: ``names`` of the planes that are not as stated, in ``words``.

    ``really`` gives by stated plane the one whose frames come under its name; ``ways`` by plane a
    matrix that turns what is seen into what there is, in the plane's axes.
    """

    names: tuple[str, ...]
    words: str
    really: Mapping[str, str]
    ways: Mapping[str, View]

    def place(self, plane: str) -> str:
        """Return the plane whose frames come under the name ``plane``."""
        return self.really.get(plane, plane)

    def matrix(self, plane: str, cameras: Mapping[str, Camera]) -> Floats:
        """Return the (2, 2) matrix from frame axes as stated to true axes of the true plane."""
        stated, true = cameras[plane], cameras[self.place(plane)]
        zoom = np.diag([true.pitch_x / stated.pitch_x, true.pitch_y / stated.pitch_y])
        view = np.asarray(true.view, dtype=float)
        way = np.asarray(self.ways.get(plane, _STILL), dtype=float)
        matrix: Floats = way @ view @ zoom
        return matrix

    def profiles(
        self, seen: Mapping[str, BeamProfile], cameras: Mapping[str, Camera]
    ) -> dict[str, BeamProfile]:
        """Return what was seen under the names of the true planes, in their axes."""
        out = {}
        for plane, profile in seen.items():
            stated, true = cameras[plane], cameras[self.place(plane)]
            matrix = self.matrix(plane, cameras)
            moments = turned(matrix, profile.moments)
            zeros = np.array(stated.origin) - np.array(true.origin)
            moments[:2] += matrix @ (zeros * [stated.pitch_x, stated.pitch_y])
            wide = np.array([turned(matrix, row) for row in np.eye(len(moments))]).T
            out[self.place(plane)] = replace(
                profile,
                moments=moments,
                covariance=wide @ profile.covariance @ wide.T,
                plane=self.place(plane),
                view=_STILL,
            )
        return out


AS_STATED = Arrangement((), "", {}, {})
"""Every camera as the bench file has it."""


def arrangements(planes: Sequence[str]) -> Iterator[Arrangement]:
    """Yield every single thing that may be wrong with the cameras, likelier ones first."""
    for a, b in itertools.combinations(planes, 2):
        words = f"the cameras of {a} and {b} are exchanged"
        yield Arrangement((a, b), words, {a: b, b: a}, {})
    for way, matrix in _WAYS.items():
        for plane in planes:
            yield Arrangement(
                (plane,), f"what the camera of {plane} shows is {way}", {}, {plane: matrix}
            )


def turned(matrix: Floats, moments: Floats) -> Floats:
    """Return (9,) moments, or (5,) without the third order, along axes that ``matrix`` gives."""
    out = moments.copy()
    out[:2] = matrix @ moments[:2]
    xx, yy, xy = moments[2:5]
    second = matrix @ np.array([[xx, xy], [xy, yy]]) @ matrix.T
    out[2:5] = second[0, 0], second[1, 1], second[0, 1]
    if len(moments) > 5:
        out[5:] = _third(matrix, moments[5:])
    return out


def _third(matrix: Floats, third: Floats) -> Floats:
    """Turn ⟨xxx⟩, ⟨xxy⟩, ⟨xyy⟩, ⟨yyy⟩."""
    tensor = np.zeros((2, 2, 2))
    for i, j, k in itertools.product(range(2), repeat=3):
        tensor[i, j, k] = third[i + j + k]
    out = np.einsum("ai,bj,ck,ijk->abc", matrix, matrix, matrix, tensor)
    return np.array([out[0, 0, 0], out[0, 0, 1], out[0, 1, 1], out[1, 1, 1]])
