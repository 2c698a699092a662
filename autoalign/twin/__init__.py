"""The physics model of a bench with its unknowns, and the fit that reads them from looks."""
