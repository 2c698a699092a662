"""Frames to profiles, profiles to quality, each number with its uncertainty."""

from autoalign.beam.average import average
from autoalign.beam.combine import combine
from autoalign.beam.diagnose import Diagnosis, Finding, diagnose
from autoalign.beam.measure import measure_beam
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.beam.quality import Quality

__all__ = [
    "BeamProfile",
    "Diagnosis",
    "Finding",
    "Flag",
    "FlagKind",
    "Quality",
    "Use",
    "average",
    "combine",
    "diagnose",
    "measure_beam",
]
