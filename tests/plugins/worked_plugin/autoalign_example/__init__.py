"""A worked third-party plug-in: a stage, a camera, a strategy, a merit term and an observer."""
