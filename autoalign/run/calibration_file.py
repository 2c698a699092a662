"""The calibration of a bench, kept in a file from one alignment to the next.

Beside ``bench.toml`` it is ``bench.calibration.json``, with the generation before in
``bench.calibration.previous.json`` (:func:`calibration_path`). The file says whose it is and when
it was saved; what it holds is the strategy's own affair. It never stops an alignment: one
that cannot be read or is not plausible is set aside, one of another bench is left alone, and the
remark says so. So does one where the strategy made no use of it.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from autoalign.bench import Bench
from autoalign.core.files import atomic_write
from autoalign.strategies.base import Strategy

__all__ = ["CalibrationFile", "calibration_path"]

FORMAT = "autoalign bench calibration"
VERSION = 1

_log = logging.getLogger("autoalign.run.calibration_file")


def calibration_path(bench_file: str | Path) -> Path | None:
    """Return the calibration file of the bench of ``bench_file``: beside it.

    None for the examples that come with the program: nothing is written into its own folder.
    """
    own = Path(bench_file).with_suffix(".calibration.json")
    return None if Path(__file__).parents[1] in own.resolve().parents else own


class CalibrationFile:
    """The calibration of one bench.

    Parameters
    ----------
    bench
        Whose calibration it is.
    source
        A file, which need not exist yet; or what a strategy remembered, which then stays in this
        process; or None.
    fresh
        Begin without what the file holds; what is learnt is kept in it all the same.

    ``data`` is what a strategy is given, with its age in ``age_days``, or None; ``remarks`` say in
    words what was found and what became of it. Files that are kept are written in one piece:
    either the old or the new one is there, whatever happens.
    """

    def __init__(self, bench: Bench, source: Any = None, *, fresh: bool = False) -> None:
        self.path = Path(source) if isinstance(source, str | os.PathLike) else None
        self.data: Any = source if self.path is None else None
        self.remarks: list[str] = []
        self._bench = bench
        self._identity: dict[str, Any] | None = None
        self._foreign = False
        if self.path is None:
            return
        for path in (self.path, self.previous):
            found = self._read(path)
            if found is not None and fresh:
                self.remarks = [f"calibration {self.path}: not used, as asked."]
            elif found is not None:
                self.data = found
            if found is not None or self._foreign:
                break

    @property
    def previous(self) -> Path | None:
        """Where the generation before is kept."""
        if self.path is None:
            return None
        return self.path.with_name(f"{self.path.stem}.previous{self.path.suffix}")

    def keep(self, data: Any) -> None:
        """Take over a strategy's calibration so far, and write it to the file if there is one.

        Call it only after a run that was verified to be in spec. Nothing is kept where ``data`` is
        no mapping, or where the file is another bench's.
        """
        if not isinstance(data, Mapping):
            return
        self.data = data
        if self.path is None:
            return
        if self._foreign:
            self._say(f"calibration {self.path}: it is another bench's; nothing was saved there.")
            return
        record = {
            "format": FORMAT,
            "version": VERSION,
            "saved": self._bench.clock.wall().isoformat(timespec="seconds"),
            "bench": self._own_identity(),
            "calibration": data,
        }
        try:
            text = json.dumps(record, allow_nan=False)
            assert self.previous is not None
            if self.path.exists():
                atomic_write(self.previous, self.path.read_text(encoding="utf-8"))
            atomic_write(self.path, text)
        except (OSError, ValueError, TypeError) as error:
            self._say(
                f"calibration {self.path}: not saved ({error}); the next run starts without it."
            )

    def unused(self, strategy: Strategy) -> str:
        """Say so where ``strategy`` made no use of it; return the remark, or "".

        Call it after the run, before :meth:`keep`. The same is said once only.
        """
        if self.data is None:
            return ""
        why = strategy.calibration_refused
        if not strategy.remembers:
            why = f"strategy {strategy.name} does not use one"
        if not why:
            return ""
        where = f"calibration {self.path}" if self.path is not None else "calibration"
        remark = f"{where}: {why}."
        if remark in self.remarks:
            return ""
        self._say(remark)
        return remark

    def _read(self, path: Path | None) -> Any:
        """Return the calibration in ``path``, or None; set aside what is none."""
        if path is None:
            return None
        try:
            record = json.loads(path.read_text(encoding="utf-8"))
            why = _implausible(record)
        except FileNotFoundError:
            return None
        except OSError as error:
            self._say(f"calibration {path}: cannot be read ({error}); not used.")
            return None
        except (ValueError, RecursionError):
            why = "it is damaged"
        if why:
            return self._set_aside(path, why)
        other = self._difference(record["bench"])
        if other:
            self._foreign = True
            self._say(
                f"calibration {path}: it is of another bench ({other}); not used, and kept as is."
            )
            return None
        days = self._age(record["saved"])
        calibration = record["calibration"]
        if days is None and self._bench.truth is not None:
            self._say(
                f"calibration of a simulated bench in {path}, whose clock begins anew each time"
            )
        else:
            self._say(f"calibration of {record['saved'][:10]} in {path}, {_words(days)}")
        return {**calibration, "age_days": days}

    def _age(self, saved: str) -> float | None:
        """Return days since ``saved``; None where that is in the future."""
        then = datetime.fromisoformat(saved)
        then = then if then.tzinfo is not None else then.replace(tzinfo=UTC)
        days = (self._bench.clock.wall() - then).total_seconds() / 86400
        return days if days >= 0 else None

    def _set_aside(self, path: Path, why: str) -> None:
        number, place = 1, path.with_name(f"{path.name}.set-aside")
        while place.exists():
            number += 1
            place = path.with_name(f"{path.name}.set-aside-{number}")
        try:
            path.replace(place)
            self._say(f"calibration {path}: {why}; not used, set aside as {place.name}.")
        except OSError as error:
            self._say(f"calibration {path}: {why}; not used. It could not be set aside ({error}).")

    def _difference(self, theirs: Mapping[str, Any]) -> str:
        """Return in words how a calibration's bench differs from this one; "" for the same one."""
        ours = self._own_identity()
        if theirs["axes"] != ours["axes"]:
            return "its axes or their limits are others"
        if theirs["layout"] != ours["layout"]:
            return "its layout is another one"
        for name, identity in ours["stages"].items():
            if identity and theirs["stages"].get(name) not in (None, "", identity):
                return f"its stage {name} said {theirs['stages'][name]!r}, this one {identity!r}"
        return ""

    def _own_identity(self) -> dict[str, Any]:
        if self._identity is None:
            bench = self._bench
            self._identity = {
                "name": bench.name,
                "axes": {n: [a.unit, a.lower, a.upper] for n, a in bench.axes.items()},
                "layout": hashlib.sha256(repr(bench.layout).encode()).hexdigest()[:16],
                "stages": {n: _said(stage) for n, stage in bench.stages.items()},
            }
        return self._identity

    def _say(self, remark: str) -> None:
        self.remarks.append(remark)
        _log.info(remark)


def _implausible(record: Any) -> str:
    """Return why ``record`` cannot be a calibration, or ""."""
    if not isinstance(record, Mapping) or record.get("format") != FORMAT:
        return "it is not the calibration of a bench"
    if record.get("version") != VERSION:
        return f"it has version {record.get('version')!r}, this program reads {VERSION}"
    bench = record.get("bench")
    parts = [bench.get(k) for k in ("axes", "stages")] if isinstance(bench, Mapping) else [None]
    if not all(isinstance(p, Mapping) for p in parts) or "layout" not in record["bench"]:
        return "parts of it are missing"
    try:
        datetime.fromisoformat(record["saved"])
    except (KeyError, ValueError, TypeError):
        return "its date cannot be read"
    if not isinstance(record.get("calibration"), Mapping):
        return "there is no calibration in it"
    return ""


def _said(stage: Any) -> str:
    try:
        return str(stage.identity())
    except Exception as error:  # noqa: BLE001 - a third party's stage; no calibration is worth a run
        _log.info("a stage does not say what it is: %s", error)
        return ""


def _words(days: float | None) -> str:
    if days is None:
        return "dated in the future: is the clock right?"
    return "less than a day old" if days < 1 else f"{days:.0f} days old"
