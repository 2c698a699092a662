"""Models of benches with their unknowns, and the fit that derives misalignment from measurements.

``Bench.uncertainties`` overrides the priors by name; the names and defaults are
:data:`autoalign.model.unknowns.PRIORS` (for all, "pitch"; or for one thing, "far.pitch") and
:data:`autoalign.model.calibration.DRIFT`.
"""
