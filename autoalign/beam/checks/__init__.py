"""Checks of a frame: what makes it unfit, and for what."""
