"""Benches with a ray trace of their own, for judging claims on benches nobody has tuned on."""
