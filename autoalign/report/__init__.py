"""Figures and the one-file HTML report."""
