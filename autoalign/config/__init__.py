"""Bench files: TOML, checked as a whole, every mistake reported at once with its line."""

from autoalign.config.benchfile import BenchFile, load_bench, read_bench_file
from autoalign.config.examples import EXAMPLES, example
from autoalign.config.reference import bench_keys
from autoalign.config.schema import bench_schema

__all__ = [
    "EXAMPLES",
    "BenchFile",
    "bench_keys",
    "bench_schema",
    "example",
    "load_bench",
    "read_bench_file",
]
