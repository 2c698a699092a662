"""Conformance suites that plug-in authors subclass; needs pytest."""

from autoalign.testing.stages import StageConformance

__all__ = ["StageConformance"]
