"""Findings, numbers and units as text for people."""
