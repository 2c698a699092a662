"""Frames to profiles, profiles to quality, each number with its uncertainty."""

from autoalign.beam.combine import combine
from autoalign.beam.frame.analyse import measure_beam
from autoalign.beam.frame.average import average
from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use

__all__ = [
    "BeamParameters",
    "BeamProfile",
    "Flag",
    "FlagKind",
    "Use",
    "average",
    "combine",
    "measure_beam",
]
