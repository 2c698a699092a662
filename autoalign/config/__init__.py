"""Bench files: TOML, checked as a whole, every mistake reported at once with its line."""

from autoalign.config.benchfile import BenchFile, bench_schema, load_bench, read_bench_file
from autoalign.config.examples import EXAMPLES, example

__all__ = ["EXAMPLES", "BenchFile", "bench_schema", "example", "load_bench", "read_bench_file"]
