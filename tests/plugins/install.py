"""Installs a package folder for one test: its files and entry points on the path, as pip would."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path


def install(package: Path, site: Path) -> Path:
    """Copy the modules of ``package`` into ``site`` and write the metadata that pip would write."""
    facts = tomllib.loads((package / "pyproject.toml").read_text())["project"]
    for module in package.iterdir():
        if module.is_dir():
            shutil.copytree(module, site / module.name)
    stem = facts["name"].replace("-", "_")
    metadata = site / f"{stem}-{facts['version']}.dist-info"
    metadata.mkdir(parents=True)
    (metadata / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {facts['name']}\nVersion: {facts['version']}\n"
    )
    lines: list[str] = []
    for group, points in facts["entry-points"].items():
        lines += [f"[{group}]", *(f"{name} = {value}" for name, value in points.items())]
    (metadata / "entry_points.txt").write_text("\n".join(lines) + "\n")
    return site
