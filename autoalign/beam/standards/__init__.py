"""Quantities of published standards beyond second moments."""
