"""Geometry, exact ray trace, wavefront and diffraction, and planning before the bench is built."""
