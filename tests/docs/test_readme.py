"""What the README shows as Python runs as printed."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from autoalign.config import example

README = Path(__file__).parents[2] / "README.md"
BLOCKS = re.findall(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.slow
@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_every_python_block_runs(
    block: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pasted into an empty file, with the reader's own bench, pictures and functions beside it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(example("demo").read_text(encoding="utf-8"))
    y, x = np.mgrid[:200, :200]
    spot = 200 * np.exp(-((x - 95) ** 2 + (y - 104) ** 2) / 450.0)
    pixels = (spot + np.random.default_rng(1).normal(10, 1, spot.shape)).astype(np.uint8)
    Image.fromarray(pixels).save(tmp_path / "far.tif")
    own = {
        "__name__": "__main__",
        "my_move": lambda position: None,
        "my_position": lambda: 0.0,
        "my_grab": lambda: pixels,
        "pixels": pixels,
    }
    exec(compile(block, "README.md", "exec"), own)
    assert capsys.readouterr().out.strip() or "print" not in block


def test_the_promised_subjects_are_there() -> None:
    """Scripts, functions as a bench, asyncio, pictures, strategies, faults."""
    text = "".join(BLOCKS)
    for word in ("load_bench", "Knob", "asyncio.run", "measure_beam", "strategy=", "inject_at"):
        assert word in text
