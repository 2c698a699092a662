"""Thin wrappers for callables and for general lab-control frameworks."""
