"""A worked third-party plug-in: a stage, a camera, a layout, a strategy, a term, an observer."""
