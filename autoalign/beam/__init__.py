"""Frames to profiles, profiles to quality, each number with its uncertainty."""

from autoalign.beam.combine import combine
from autoalign.beam.measure import measure_beam
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.beam.quality import Quality

__all__ = ["BeamProfile", "Flag", "FlagKind", "Quality", "Use", "combine", "measure_beam"]
